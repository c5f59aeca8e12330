//! Hybrid logical time: an order over all devices that stays close to the wall clock and never goes back.
//!
//! S. Kulkarni, M. Demirbas, D. Madappa, B. Avva, M. Leone: Logical Physical Clocks, OPODIS 2014, LNCS 8878.

use serde::{Deserialize, Serialize};

/// A moment of hybrid logical time. When a device's clock is set back, its time stays where it was and the counter goes on; when
/// the clock is set far ahead by mistake, later entries keep that time until the clock has caught up. When something was seen belongs in the payload.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HybridTime {
    /// Milliseconds since 1970-01-01T00:00:00Z, at least those of the physical clock.
    pub wall_ms: i64,
    /// Counts what happened within one `wall_ms`.
    pub counter: u32,
}

impl HybridTime {
    /// Before everything.
    pub const START: Self = Self { wall_ms: 0, counter: 0 };

    /// The time of the next own event after `self`, while the physical clock shows `clock_ms`.
    ///
    /// ```
    /// use rakelight_core::store::HybridTime;
    /// let last = HybridTime { wall_ms: 10, counter: 0 };
    /// assert_eq!(last.next(9), HybridTime { wall_ms: 10, counter: 1 });
    /// ```
    pub fn next(self, clock_ms: i64) -> Self {
        if clock_ms > self.wall_ms { Self { wall_ms: clock_ms, counter: 0 } } else { self.successor() }
    }

    /// The time at which a message of the time `sent` is taken in, while the physical clock shows `clock_ms`. Whether `sent` is too far ahead to be
    /// believed is for the caller to judge.
    pub fn receive(self, sent: Self, clock_ms: i64) -> Self {
        self.max(sent).next(clock_ms)
    }

    /// The smallest time after this one; the millisecond gives way when the counter is full.
    fn successor(self) -> Self {
        match self.counter.checked_add(1) {
            Some(counter) => Self { counter, ..self },
            None => Self { wall_ms: self.wall_ms.saturating_add(1), counter: 0 },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn at(wall_ms: i64, counter: u32) -> HybridTime {
        HybridTime { wall_ms, counter }
    }

    /// Worked by hand from the algorithm of Kulkarni et al. 2014 (order of its cases: own, received, both tied, clock ahead).
    #[test]
    fn the_worked_steps_of_the_algorithm_come_out() {
        let own = at(10, 0).next(9);
        assert_eq!(own, at(10, 1));
        let received = own.receive(at(12, 3), 11);
        assert_eq!(received, at(12, 4));
        assert_eq!(received.next(20), at(20, 0));
        assert_eq!(at(12, 5).receive(at(12, 3), 12), at(12, 6));
        assert_eq!(at(14, 2).receive(at(12, 9), 11), at(14, 3));
    }

    #[test]
    fn a_full_counter_moves_the_millisecond_on() {
        assert_eq!(at(10, u32::MAX).next(3), at(11, 0));
    }

    proptest! {
        #[test]
        fn time_never_goes_back_however_the_clock_is_set(clocks in prop::collection::vec(0i64..1_000, 1..50), sent in 0i64..1_000) {
            let mut last = HybridTime::START;
            for clock_ms in clocks {
                for next in [last.next(clock_ms), last.receive(at(sent, 7), clock_ms)] {
                    prop_assert!(next > last && next.wall_ms >= clock_ms);
                }
                last = last.next(clock_ms);
            }
        }
    }
}
