//! A visit, or a season's plan, from its records: what corrections, withdrawals and later consent make of the others.

use std::collections::HashMap;

use super::record::Record;
use super::visit::Visit;

impl Visit {
    /// From its records, oldest first: the newest of a kind and subject counts, a correction takes its record's place, what was withdrawn is
    /// left out, and with a sign who made it. `None` where the visit's head is missing or withdrawn.
    pub fn assemble(records: impl IntoIterator<Item = Record>) -> Option<Self> {
        let mut id = None;
        let records = records.into_iter().inspect(|record| {
            if let Record::VisitOpened(opened) = record {
                id = Some(Self::open(opened.clone()).id);
            }
        });
        let (heads, others): (Vec<_>, Vec<_>) =
            Held::all(records).partition(|record| matches!(record, Record::VisitOpened(_)));
        let Some(Record::VisitOpened(opened)) = heads.into_iter().next() else { return None };
        // A corrected head doesn't make another visit of it.
        let mut visit = Self { id: id?, ..Self::open(opened) };
        others.into_iter().for_each(|record| visit.add(record));
        let Self { identified, signs, .. } = &mut visit;
        identified.retain(|identified| signs.iter().any(|sign| sign.id == identified.sign));
        Some(visit)
    }
}

/// The records that count so far, each in the place where its subject first came.
#[derive(Default)]
pub(super) struct Held {
    records: Vec<Option<Record>>,
    places: HashMap<(String, String), usize>,
}

impl Held {
    /// Those that count of all, oldest first.
    pub fn all(records: impl IntoIterator<Item = Record>) -> impl Iterator<Item = Record> {
        let mut held = Self::default();
        for record in records {
            match &record {
                Record::Correction(correction) => {
                    correction.corrected().into_iter().for_each(|corrected| held.correct(corrected));
                }
                Record::Withdrawal(withdrawal) if withdrawal.erased.is_empty() => {
                    held.withdraw(&withdrawal.of_kind, &withdrawal.of_subject);
                }
                _ => {}
            }
            held.put(record);
        }
        held.records.into_iter().flatten()
    }

    fn put(&mut self, record: Record) {
        let place = *self.places.entry((record.kind().into(), record.subject())).or_insert(self.records.len());
        if place == self.records.len() {
            self.records.push(Some(record));
        } else {
            self.records[place] = Some(record);
        }
    }

    /// What isn't there can't be corrected: it was withdrawn, or hasn't come yet.
    fn correct(&mut self, corrected: Record) {
        if let Some(record @ Some(_)) = self.place(corrected.kind(), &corrected.subject()) {
            *record = Some(corrected);
        }
    }

    fn withdraw(&mut self, kind: &str, subject: &str) {
        if let Some(record) = self.place(kind, subject) {
            *record = None;
        }
    }

    fn place(&mut self, kind: &str, subject: &str) -> Option<&mut Option<Record>> {
        let place = self.places.get(&(kind.to_owned(), subject.to_owned()))?;
        self.records.get_mut(*place)
    }
}

#[cfg(test)]
mod tests;
