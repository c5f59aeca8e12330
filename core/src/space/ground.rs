//! Whether the card lay still between two photographs, by the ground around it.
//!
//! Both photographs are seen from above by the card's plane. What lies on that plane is then in the same place in both, and what lies
//! deeper is shifted along the line between the cameras, by no more than its depth allows. Patches of textured ground are looked for again
//! in the other photograph (normalised cross-correlation); if they agree on a shift and a turn that no depth explains, the card was moved.

use crate::photo::Luma;
use crate::scale::card::Layout;
use crate::scale::{Plane, Stance, light};

/// The ground around the card as one photograph shows it, a cell a millimetre.
pub struct Ground {
    card: &'static Layout,
    /// Columns and rows.
    size: [usize; 2],
    /// Linear light, row by row; zero where no ground is seen.
    light: Vec<f32>,
    /// Sums of light, of its square and of cells without ground, over all cells above and to the left.
    sums: Vec<[f64; 3]>,
    stance: Stance,
}

/// What the ground tells of two photographs' card.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum CardLay {
    /// As still as can be seen.
    Still,
    /// Moved: how far its middle, mm, and by how much it was turned, degrees clockwise.
    Moved {
        /// mm.
        shift_mm: f64,
        /// Degrees.
        turn_deg: f64,
    },
    /// Either the ground lies this far below the card (mm; above where negative), or the card was moved along the line between the cameras.
    GroundOff {
        /// mm.
        depth_mm: f64,
    },
    /// Too little of the ground is seen again.
    Unknown,
}

/// The part of the plane that is looked at, mm: the card with this much around it.
const AROUND_MM: f64 = 80.0;
/// Samples of a cell along each axis, so that texture finer than a cell is averaged and not aliased.
const SAMPLES: usize = 4;
/// A card throws a shadow, which moves with it; this much beside it isn't looked at, mm.
const BESIDE_CARD_MM: f64 = 8.0;
/// Half a patch's side and how far apart patches are, cells.
const HALF: usize = 10;
const APART: usize = 16;
/// How far a patch is looked for, cells.
const REACH: i32 = 30;
/// A patch must vary by this share of its light, be found again this well, and so much better than anywhere else.
const LEAST_TEXTURE: f64 = 0.02;
const LEAST_LIKE: f64 = 0.6;
const LEAST_BETTER: f64 = 0.1;
/// Peaks nearer than this are one, cells.
const ONE_PEAK: i32 = 3;
/// Patches that agree may be off by this, mm: uneven ground, and how well a patch is found.
const OFF_MM: f64 = 1.5;
/// Ground beside a lying card is this much deeper or higher at most, mm (assumed).
const MOST_DEPTH_MM: f64 = 8.0;
/// Ground that lies deeper or higher all around does so evenly within this, mm (assumed); a card that was turned looks uneven.
const UNEVEN_MM: f64 = 4.0;
/// So many patches must be found, and this share of them agree that it was moved, and not more than that that it lay still.
const LEAST_FOUND: usize = 10;
const MOST_AGREE: f64 = 0.6;
const FEW_AGREE: f64 = 0.3;
/// Two patches tell a turn if they are this far apart, mm; a card that was pushed is turned by no more than this, degrees.
const LEVER_MM: f64 = 50.0;
const MOST_TURN_DEG: f64 = 20.0;

/// A patch of ground in two photographs, mm.
#[derive(Debug, Clone, Copy)]
struct Found {
    here: [f64; 2],
    there: [f64; 2],
    /// How far it would be shifted by each millimetre of depth.
    by_depth: [f64; 2],
}

/// Where something lies in the second photograph that lies at a place in the first: turned about the card's middle, then shifted.
#[derive(Debug, Clone, Copy)]
struct Motion {
    about: [f64; 2],
    sin: f64,
    cos: f64,
    shift: [f64; 2],
}

impl Ground {
    /// The ground of a photograph from its card's plane and how the camera stood to it.
    pub fn of(luma: &Luma, card: &'static Layout, plane: &Plane, stance: Stance) -> Self {
        let size = card.size_mm.map(|mm| (mm + 2.0 * AROUND_MM) as usize);
        let [columns, rows] = size;
        let mut light = vec![0.0; columns * rows];
        for (at, cell) in light.iter_mut().enumerate() {
            let middle = place([at % columns, at / columns]);
            if !card.is_near(middle, BESIDE_CARD_MM) {
                *cell = mean_light(luma, plane, middle).unwrap_or(0.0) as f32;
            }
        }
        let mut sums = vec![[0.0; 3]; (columns + 1) * (rows + 1)];
        for row in 0..rows {
            let mut line = [0.0; 3];
            for column in 0..columns {
                let value = f64::from(light[row * columns + column]);
                let cell = [value, value * value, f64::from(value == 0.0)];
                let above = sums[row * (columns + 1) + column + 1];
                (0..3).for_each(|k| line[k] += cell[k]);
                sums[(row + 1) * (columns + 1) + column + 1] = std::array::from_fn(|k| above[k] + line[k]);
            }
        }
        Self { card, size, light, sums, stance }
    }

    /// How the card lay between this photograph and another.
    pub fn compare(&self, other: &Self) -> CardLay {
        if self.card != other.card {
            return CardLay::Unknown;
        }
        judge(&self.found_in(other), self.card.size_mm.map(|mm| mm / 2.0))
    }

    /// Patches that are found again.
    fn found_in(&self, other: &Self) -> Vec<Found> {
        let steps = |cells: usize| (HALF..cells - HALF).step_by(APART);
        let middles = steps(self.size[1]).flat_map(|row| steps(self.size[0]).map(move |column| [column, row]));
        let found = |middle: [usize; 2]| {
            let [dx, dy] = self.seek(other, middle)?;
            let here = place(middle);
            let there = [here[0] + dx, here[1] + dy];
            // A point z deeper is seen (x − foot) · z / height nearer to the camera's foot.
            let nearer = |stance: &Stance, k: usize| (here[k] - stance.foot_mm[k]) / stance.height_mm;
            let by_depth = [0, 1].map(|k| nearer(&self.stance, k) - nearer(&other.stance, k));
            Some(Found { here, there, by_depth })
        };
        middles.filter_map(found).collect()
    }

    /// By how much the patch around a cell is shifted in the other photograph, cells; `None` where that isn't clear.
    fn seek(&self, other: &Self, [column, row]: [usize; 2]) -> Option<[f64; 2]> {
        const SIDE: usize = 2 * HALF + 1;
        const N: f64 = (SIDE * SIDE) as f64;
        let ([columns, rows], left, top) = (self.size, column - HALF, row - HALF);
        let [sum, squares, missing] = self.sum(left, top, SIDE);
        let mean = sum / N;
        let power = squares - sum * mean;
        if missing > 0.0 || power.max(0.0).sqrt() < LEAST_TEXTURE * mean * N.sqrt() {
            return None;
        }
        let line = |left: usize, top: usize, i: usize| (top + i) * columns + left..(top + i) * columns + left + SIDE;
        let patch: Vec<f32> =
            (0..SIDE).flat_map(|i| self.light[line(left, top, i)].iter().map(|v| v - mean as f32)).collect();
        let like = |dx: i32, dy: i32| {
            let (x, y) = (left as i32 + dx, top as i32 + dy);
            if x < 0 || y < 0 || x as usize + SIDE > columns || y as usize + SIDE > rows {
                return None;
            }
            let (x, y) = (x as usize, y as usize);
            let [sum, squares, missing] = other.sum(x, y, SIDE);
            if missing > 0.0 {
                return None;
            }
            let product = |i: usize| {
                let theirs = &other.light[line(x, y, i)];
                patch[i * SIDE..(i + 1) * SIDE].iter().zip(theirs).map(|(a, b)| a * b).sum::<f32>()
            };
            let both = (0..SIDE).map(|i| f64::from(product(i))).sum::<f64>();
            Some(both / (power * (squares - sum * sum / N)).max(1e-12).sqrt())
        };
        let side = (2 * REACH + 1) as usize;
        let shift = |at: usize| [(at % side) as i32 - REACH, (at / side) as i32 - REACH];
        let likeness: Vec<Option<f64>> = (0..side * side).map(|at| like(shift(at)[0], shift(at)[1])).collect();
        let scored = || likeness.iter().enumerate().filter_map(|(at, like)| Some((shift(at), (*like)?)));
        let ([dx, dy], best) = scored().max_by(|a, b| a.1.total_cmp(&b.1))?;
        let aside = |s: [i32; 2]| (s[0] - dx).abs().max((s[1] - dy).abs()) > ONE_PEAK;
        let second = scored().filter(|(s, _)| aside(*s)).map(|(_, like)| like).fold(-1.0, f64::max);
        if best < LEAST_LIKE || best - second < LEAST_BETTER {
            return None;
        }
        // Between cells by the parabola through the peak and its neighbours.
        let peak = |before: Option<f64>, after: Option<f64>| {
            let (before, after) = (before?, after?);
            Some((before - after) / (2.0 * (before + after - 2.0 * best)))
        };
        Some([
            f64::from(dx) + peak(like(dx - 1, dy), like(dx + 1, dy))?,
            f64::from(dy) + peak(like(dx, dy - 1), like(dx, dy + 1))?,
        ])
    }

    /// Sums over a square of cells.
    fn sum(&self, left: usize, top: usize, side: usize) -> [f64; 3] {
        let at = |column: usize, row: usize| self.sums[row * (self.size[0] + 1) + column];
        let (a, b, c, d) = (at(left, top), at(left + side, top), at(left, top + side), at(left + side, top + side));
        std::array::from_fn(|k| d[k] - b[k] - c[k] + a[k])
    }
}

/// What the patches tell together. `about`: the card's middle.
fn judge(found: &[Found], about: [f64; 2]) -> CardLay {
    if found.len() < LEAST_FOUND {
        return CardLay::Unknown;
    }
    let still_lying = Motion { about, sin: 0.0, cos: 1.0, shift: [0.0; 2] };
    let at_depth = |motion: &Motion, depth_mm: f64, give_mm: f64| {
        found.iter().filter(|patch| motion.explains(patch, depth_mm, give_mm)).count() as f64 / found.len() as f64
    };
    let share = |motion: &Motion| at_depth(motion, 0.0, MOST_DEPTH_MM);
    let still = share(&still_lying);
    if still > MOST_AGREE {
        return CardLay::Still;
    }
    let Some(motion) = motions(found, about).max_by(|a, b| share(a).total_cmp(&share(b))) else {
        return CardLay::Unknown;
    };
    if share(&motion) < MOST_AGREE || still > FEW_AGREE {
        return CardLay::Unknown;
    }
    let depth_mm = median(found.iter().map(Found::depth_mm).collect());
    if at_depth(&still_lying, depth_mm, UNEVEN_MM) > MOST_AGREE {
        return CardLay::GroundOff { depth_mm };
    }
    let [dx, dy] = motion.shift;
    // The ground moves in the card's frame as the card doesn't: the other way round.
    CardLay::Moved { shift_mm: dx.hypot(dy), turn_deg: -motion.sin.atan2(motion.cos).to_degrees() }
}

/// The middle of a cell in the card's plane, mm.
fn place(cell: [usize; 2]) -> [f64; 2] {
    cell.map(|n| n as f64 + 0.5 - AROUND_MM)
}

fn mean_light(luma: &Luma, plane: &Plane, [x, y]: [f64; 2]) -> Option<f64> {
    let offset = |k: usize| (k as f64 + 0.5) / SAMPLES as f64 - 0.5;
    let mut sum = 0.0;
    for k in 0..SAMPLES * SAMPLES {
        let [px, py] = plane.px([x + offset(k % SAMPLES), y + offset(k / SAMPLES)]);
        sum += light::at(luma, px, py)?;
    }
    Some(sum / (SAMPLES * SAMPLES) as f64)
}

impl Found {
    /// How deep it would lie if the card lay still, mm.
    fn depth_mm(&self) -> f64 {
        let [px, py] = self.by_depth;
        let shift = [self.there[0] - self.here[0], self.there[1] - self.here[1]];
        (shift[0] * px + shift[1] * py) / (px * px + py * py).max(1e-6)
    }
}

impl Motion {
    /// The one that takes two patches to where they were found.
    fn of_two(a: &Found, b: &Found, about: [f64; 2]) -> Option<Self> {
        let (before, after) = (between(a.here, b.here), between(a.there, b.there));
        let (long, was) = (before[0].hypot(before[1]), after[0].hypot(after[1]));
        let dot = (before[0] * after[0] + before[1] * after[1]) / (long * was);
        let cross = (before[0] * after[1] - before[1] * after[0]) / (long * was);
        if long < LEVER_MM || cross.atan2(dot).abs() > MOST_TURN_DEG.to_radians() {
            return None;
        }
        let turn = Self { about, sin: cross, cos: dot, shift: [0.0; 2] };
        let (one, other) = (between(turn.apply(a.here), a.there), between(turn.apply(b.here), b.there));
        Some(Self { shift: [0, 1].map(|k| (one[k] + other[k]) / 2.0), ..turn })
    }

    fn apply(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        let ([mx, my], [shift_x, shift_y]) = (self.about, self.shift);
        let (dx, dy) = (x - mx, y - my);
        [mx + self.cos * dx - self.sin * dy + shift_x, my + self.sin * dx + self.cos * dy + shift_y]
    }

    /// Whether a patch at this depth, give or take some, is where this motion takes it.
    fn explains(&self, patch: &Found, depth_mm: f64, give_mm: f64) -> bool {
        let off = between(self.apply(patch.here), patch.there);
        let [px, py] = patch.by_depth;
        let far = px.hypot(py).max(1e-6);
        let (along, across) = ((off[0] * px + off[1] * py) / far, (off[0] * py - off[1] * px) / far);
        across.abs() <= OFF_MM && (along - depth_mm * far).abs() <= OFF_MM + give_mm * far
    }
}

/// What each two patches that lie far enough apart tell.
fn motions(found: &[Found], about: [f64; 2]) -> impl Iterator<Item = Motion> {
    found.iter().enumerate().flat_map(move |(i, a)| found[..i].iter().filter_map(move |b| Motion::of_two(a, b, about)))
}

fn between(from: [f64; 2], to: [f64; 2]) -> [f64; 2] {
    [to[0] - from[0], to[1] - from[1]]
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    const ABOUT: [f64; 2] = [76.0, 100.0];

    /// Patches all around the card, moved and lying this deep, seen by cameras 250 mm apart along x, 450 and 500 mm above.
    fn patches(turn_deg: f64, shift: [f64; 2], depth_mm: impl Fn(usize) -> f64) -> Vec<Found> {
        let (sin, cos) = turn_deg.to_radians().sin_cos();
        let motion = Motion { about: ABOUT, sin, cos, shift };
        let patch = |i: usize| {
            let here = [-60.0 + 40.0 * (i % 7) as f64, -60.0 + 50.0 * (i / 7) as f64];
            let by_depth =
                [(here[0] + 50.0) / 450.0 - (here[0] - 200.0) / 500.0, (here[1] - 100.0) * (1.0 / 450.0 - 1.0 / 500.0)];
            let there = motion.apply(here);
            Found { here, there: [0, 1].map(|k| there[k] + depth_mm(i) * by_depth[k]), by_depth }
        };
        (0..42).map(patch).collect()
    }

    #[test]
    fn uneven_ground_around_a_lying_card_is_no_move() {
        assert_eq!(judge(&patches(0.0, [0.0; 2], |i| (i % 10) as f64 - 4.0), ABOUT), CardLay::Still);
    }

    #[test]
    fn a_card_that_was_pushed_is_told_from_depth_by_its_turn_or_by_its_way() {
        let uneven = |i: usize| (i % 5) as f64 - 2.0;
        for (turn_deg, shift) in [(5.0, [10.0, 0.0]), (-5.0, [-10.0, 0.0]), (0.0, [0.0, 10.0]), (5.0, [0.0, -10.0])] {
            let lay = judge(&patches(turn_deg, shift, uneven), ABOUT);
            let CardLay::Moved { shift_mm, turn_deg: turned } = lay else { panic!("{turn_deg} {shift:?}: {lay:?}") };
            // The card's turn is the other way round than the ground's. Along the line between the cameras depth and shift mix.
            assert!(
                (turned + turn_deg).abs() < 1.5 && (4.0..16.0).contains(&shift_mm),
                "{turn_deg} {shift:?}: {lay:?}"
            );
        }
    }

    #[test]
    fn a_shift_along_the_line_between_the_cameras_may_be_depth() {
        let CardLay::GroundOff { depth_mm } = judge(&patches(0.0, [0.0; 2], |i| 18.0 + (i % 3) as f64), ABOUT) else {
            panic!("deep ground isn't told")
        };
        assert!((depth_mm - 19.0).abs() < 1.0, "{depth_mm}");
        assert!(matches!(judge(&patches(0.0, [10.0, 0.0], |_| 0.0), ABOUT), CardLay::GroundOff { .. }));
    }

    #[test]
    fn patches_that_agree_on_nothing_tell_nothing() {
        let mut wild = patches(0.0, [0.0; 2], |_| 0.0);
        for (i, patch) in wild.iter_mut().enumerate() {
            patch.there = [patch.here[0] + (i * 37 % 61) as f64 - 30.0, patch.here[1] + (i * 23 % 59) as f64 - 29.0];
        }
        assert_eq!(judge(&wild, ABOUT), CardLay::Unknown);
        assert_eq!(judge(&wild[..5], ABOUT), CardLay::Unknown);
    }
}
