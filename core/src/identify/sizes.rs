//! How published sizes become distributions, one reading a source.

use super::constants::Constants;
use super::draw::Draw;
use super::maker::{Maker, Substrate};
use super::published::{Dimension, Shape, Size, Status, WhichFoot};

/// Width, length without heel, length with heel.
pub(super) const DIMENSIONS: usize = 3;

/// Log-normal of one dimension among animals: middle and standard deviation of the natural logarithm of millimetres, and how far
/// the middle may be off, for all prints of this foot alike.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Cell {
    pub m: f64,
    pub s: f64,
    pub off: f64,
}

impl Cell {
    fn moved(self, by: f64, extra_s: f64) -> Self {
        Self { m: self.m + by, s: self.s.hypot(extra_s), ..self }
    }
}

/// By foot (fore, hind) and dimension.
type Table = [[Option<Cell>; DIMENSIONS]; 2];

/// How one source, filled up from the others, sees a maker's sizes.
#[derive(Debug, Clone)]
pub(super) struct Reading {
    pub weight: f64,
    /// Between the animal's deviates in width and length.
    pub correlation: f64,
    pub cells: [[Cell; DIMENSIONS]; 2],
    /// A fore print's width without the inner toe.
    pub four_toes: Option<Cell>,
}

/// What the ground does to sizes.
#[derive(Debug, Clone, Copy)]
pub(super) struct Ground {
    pub ln_factor: f64,
    pub u_trail: f64,
    pub u_print: f64,
    pub snow: bool,
}

impl Ground {
    pub fn new(name: Option<&str>, substrate: &Substrate, draw: &mut Draw) -> Self {
        let doubt = draw.band().substrate;
        Self {
            ln_factor: substrate.size_factor.ln() * draw.factor(doubt),
            u_trail: substrate.u_trail * draw.spread(doubt),
            u_print: substrate.u_print * draw.spread(doubt),
            snow: name.is_some_and(|n| n.contains("snow")),
        }
    }
}

/// All readings of one maker's sizes.
pub(super) fn readings(maker: &Maker, constants: &Constants, ground: &Ground, draw: &mut Draw) -> Vec<Reading> {
    let mut sources: Vec<(&str, f64, Table, Option<Cell>)> = Vec::with_capacity(8);
    // Rows of one foot come before rows of either, so that the closer statement of a source wins.
    let of_any = |row: &&Size| !matches!(row.foot, WhichFoot::Fore | WhichFoot::Hind);
    let rows = maker.sizes.iter().filter(|r| !of_any(r)).chain(maker.sizes.iter().filter(of_any));
    for row in rows.filter(|r| !matches!(r.foot, WhichFoot::ForeFoot | WhichFoot::HindFoot)) {
        let cell = cell_of(row, constants, ground, draw);
        let weight = weight_of(row, constants);
        let place = sources.iter().position(|s| s.0 == row.source).unwrap_or_else(|| {
            sources.push((&row.source, weight * draw.factor(draw.band().source_weight), Table::default(), None));
            sources.len() - 1
        });
        let (_, _, table, four_toes) = &mut sources[place];
        if row.foot == WhichFoot::Fore4Toes {
            *four_toes = Some(cell);
            continue;
        }
        let feet = match row.foot {
            WhichFoot::Fore => 0..1,
            WhichFoot::Hind => 1..2,
            _ => 0..2,
        };
        for foot in feet {
            write(&mut table[foot], row.dimension, cell, maker.heel_may_print, constants.range.heel_lengthens.ln());
        }
    }
    let pooled = pool(&sources);
    sources
        .iter()
        .map(|(_, weight, own, four_toes)| Reading {
            weight: *weight,
            correlation: constants.trail.size_correlation,
            cells: fill(own, &pooled, maker.heel_may_print, constants),
            four_toes: *four_toes,
        })
        .collect()
}

fn weight_of(row: &Size, constants: &Constants) -> f64 {
    let weights = &constants.weights;
    match row.status {
        Status::Memory | Status::Assumed => weights.memory,
        _ if row.weak => weights.weak,
        _ if known(row, constants) => weights.known_n,
        _ => weights.published,
    }
}

/// Whether min and max are those of many prints, with their mean.
fn known(row: &Size, constants: &Constants) -> bool {
    let range = &row.range;
    row.n.is_some_and(|n| n >= constants.range.known_n)
        && range.min_mm.is_some()
        && range.mean_mm.is_some()
        && range.max_mm.is_some()
}

/// The rule of the module page: from a published row to a log-normal.
fn cell_of(row: &Size, constants: &Constants, ground: &Ground, draw: &mut Draw) -> Cell {
    let (rule, range) = (&constants.range, &row.range);
    let (mut m, mut s) = match range.shape() {
        Shape::Both { min, middle, max } if known(row, constants) => {
            (middle.ln(), (max / min).ln() / rule.known_spans_sd)
        }
        Shape::Both { min, middle, max } => {
            (middle.ln(), ((max / min).ln() / rule.loose_spans_sd).hypot(rule.loose_floor_sd))
        }
        Shape::Single(value) => (value.ln(), rule.single_sd),
        Shape::AtLeast(min) => (min.ln() + rule.one_sided_offset, rule.one_sided_sd),
        Shape::UpTo(max) => (max.ln() - rule.one_sided_offset, rule.one_sided_sd),
    };
    let memory = matches!(row.status, Status::Memory | Status::Assumed);
    let few = row.basis.is_some() || row.n == Some(1);
    for (applies, widens) in [(row.weak, rule.weak_widens), (memory, rule.memory_widens), (few, rule.few_widens)] {
        s *= if applies { widens } else { 1.0 };
    }
    let band = draw.band();
    let (centre, spread) = match () {
        () if known(row, constants) => (band.known_n_centre, band.known_n_spread),
        () if row.weak || memory => (band.weak_centre, band.weak_spread),
        () => (band.published_centre, band.published_spread),
    };
    m += draw.normal(centre);
    s *= draw.factor(spread);
    let row_of_snow = row.substrate.as_deref().is_some_and(|s| s.contains("snow"));
    if row_of_snow != ground.snow {
        s = s.hypot(rule.snow_sd);
    }
    if !(row_of_snow && ground.snow) {
        m += ground.ln_factor;
    }
    Cell { m, s: s.hypot(ground.u_trail), off: draw.left(centre) }
}

/// Puts a cell where its dimension belongs, without overwriting a closer statement.
fn write(cells: &mut [Option<Cell>; DIMENSIONS], dimension: Dimension, cell: Cell, heel: bool, ln_heel: f64) {
    let mut put = |d: usize, cell: Cell| {
        cells[d].get_or_insert(cell);
    };
    match (dimension, heel) {
        (Dimension::Width, _) => put(0, cell),
        (_, false) => {
            put(1, cell);
            put(2, cell);
        }
        (Dimension::LengthWithoutHeel, true) => put(1, cell),
        (Dimension::LengthWithHeel, true) => put(2, cell),
        // Half way between the two conventions, and as unsure as they are apart.
        (Dimension::LengthUnstated, true) => {
            put(1, cell.moved(-ln_heel / 2.0, ln_heel / 2.0));
            put(2, cell.moved(ln_heel / 2.0, ln_heel / 2.0));
        }
    }
}

/// What all sources together say: the mixture's first two moments.
fn pool(sources: &[(&str, f64, Table, Option<Cell>)]) -> Table {
    let mut pooled = Table::default();
    for (foot, cells) in pooled.iter_mut().enumerate() {
        for (d, cell) in cells.iter_mut().enumerate() {
            let (mut w, mut mean, mut square, mut off) = (0.0, 0.0, 0.0, 0.0);
            for (_, weight, table, _) in sources {
                if let Some(c) = table[foot][d] {
                    w += weight;
                    mean += weight * c.m;
                    square += weight * (c.s * c.s + c.m * c.m);
                    off += weight * c.off * c.off;
                }
            }
            if w > 0.0 {
                let m = mean / w;
                *cell = Some(Cell { m, s: (square / w - m * m).max(0.0).sqrt(), off: (off / w).sqrt() });
            }
        }
    }
    pooled
}

/// A whole table: the source's own word, else the others', else the other foot's, else by the shape of an average print.
fn fill(own: &Table, pooled: &Table, heel: bool, constants: &Constants) -> [[Cell; DIMENSIONS]; 2] {
    let rule = &constants.range;
    let (ln_heel, ln_shape) = (if heel { rule.heel_lengthens.ln() } else { 0.0 }, rule.width_over_length.ln());
    std::array::from_fn(|foot| {
        let held = |d: usize| {
            own[foot][d].or(pooled[foot][d]).or_else(|| pooled[1 - foot][d].map(|c| c.moved(0.0, rule.other_foot_sd)))
        };
        let (width, without, with) = (held(0), held(1), held(2));
        let without = without.or_else(|| with.map(|c| c.moved(-ln_heel, rule.loose_floor_sd)));
        let without = without.or_else(|| width.map(|c| c.moved(-ln_shape, rule.shape_sd)));
        let width = width.or_else(|| without.map(|c| c.moved(ln_shape, rule.shape_sd)));
        let with = with.or_else(|| without.map(|c| c.moved(ln_heel, rule.loose_floor_sd)));
        // A maker has at least one size, but it may be one that isn't used: then anything goes.
        let anything =
            Cell { m: constants.none_of_these.width_mm.ln(), s: constants.none_of_these.size_sd[1], off: 0.0 };
        [width, without, with].map(|cell| cell.unwrap_or(anything))
    })
}

/// The readings of 'none of these': a heavy-tailed mixture.
pub(super) fn readings_of_none(constants: &Constants) -> Vec<Reading> {
    let none = &constants.none_of_these;
    let middles = [none.width_mm, none.length_without_heel_mm, none.length_with_heel_mm];
    std::iter::zip(none.size_sd, none.size_weights)
        .map(|(s, weight)| Reading {
            weight,
            correlation: none.size_correlation,
            cells: [middles.map(|mm| Cell { m: mm.ln(), s, off: 0.0 }); 2],
            four_toes: None,
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::identify::Facts;

    const PLAIN: Ground = Ground { ln_factor: 0.0, u_trail: 0.0, u_print: 0.05, snow: false };

    fn of(maker: &str) -> Vec<Reading> {
        let facts = Facts::builtin().unwrap();
        readings(facts.maker(maker).unwrap(), &facts.constants, &PLAIN, &mut Draw::still(&facts.constants.band))
    }

    #[test]
    fn a_range_of_many_prints_is_narrower_than_a_loose_one() {
        let otter = of("lutra_lutra");
        let many = otter[0].cells[0][0];
        assert!((many.m.exp() - 53.4).abs() < 1e-9 && (many.s - (71.0_f64 / 44.9).ln() / 4.9).abs() < 1e-12);
        assert!(of("mustela_putorius")[0].cells[0][0].s > 0.15, "25 to 40 mm without n");
    }

    #[test]
    fn sources_that_disagree_stay_apart() {
        let hind_widths: Vec<f64> = of("lutra_lutra").iter().map(|r| r.cells[1][0].m.exp().round()).collect();
        assert!(hind_widths.contains(&61.0) && hind_widths.contains(&70.0) && hind_widths.contains(&60.0));
    }

    #[test]
    fn a_heel_lengthens_only_where_a_heel_can_print() {
        let fox = of("vulpes_vulpes");
        assert!(fox.iter().all(|r| r.cells[0][1] == r.cells[0][2]));
        let badger = of("meles_meles");
        assert!(badger.iter().all(|r| r.cells[0][2].m > r.cells[0][1].m));
    }
}
