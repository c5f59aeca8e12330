use nalgebra::{Rotation2, Vector2};

use super::*;
use crate::trail::tests::Scatter;

const U_SCALE: f64 = 0.0015;
/// What the lens does to a photograph, as a share of the distance from its middle.
const U_LENS: f64 = 0.003;

/// Print `i` of a walk along +x, y down: the left feet lie above the line.
fn truth(i: usize) -> Vector2<f64> {
    Vector2::new(300.0 * i as f64, if i.is_multiple_of(2) { -50.0 } else { 50.0 })
}

/// How the card lay when photograph `k` was taken: turned and shifted, but for the first one.
fn lay(k: usize) -> (f64, Vector2<f64>) {
    let k = k as f64;
    (0.7 * k, Vector2::new(750.0 * k, 40.0 * k))
}

fn letter(k: usize) -> char {
    char::from(b'a' + k as u8)
}

/// A photograph with the prints of these numbers, true but for what `scatter` adds: marks of 2 mm, a plane that reads large or small by
/// 0.2 %, and the card's own error.
fn frame(k: usize, prints: impl IntoIterator<Item = usize>, scatter: Option<(&mut Scatter, [f64; 2])>) -> Frame {
    let numbers: Vec<usize> = prints.into_iter().collect();
    let (angle, shift) = lay(k);
    let back = Rotation2::new(-angle);
    let at: Vec<Vector2<f64>> = numbers.iter().map(|&i| back * (truth(i) - shift)).collect();
    let whole = DVector::from_iterator(2 * at.len(), at.iter().flat_map(|at| [at.x, at.y]));
    let covariance_mm2 = DMatrix::identity(whole.len(), whole.len()) * 4.0 + &whole * whole.transpose() * 4e-6;
    let middle = at.iter().sum::<Vector2<f64>>() / at.len().max(1) as f64;
    let by_mm = DVector::from_fn(whole.len(), |i, _| U_LENS * (whole[i] - middle[i % 2]));
    let seen = match scatter {
        None => whole,
        Some((scatter, [scale, lens])) => {
            let noise = DVector::from_fn(whole.len(), |_, _| scatter.normal());
            whole * (1.0 + U_SCALE * scale) + &by_mm * lens + covariance_mm2.clone().cholesky().unwrap().l() * noise
        }
    };
    let print = |(row, i): (usize, &usize)| FramePrint {
        id: format!("p{i}"),
        at_mm: [seen[2 * row], seen[2 * row + 1]],
        foot: Foot::Unknown,
        side: Side::Unknown,
    };
    Frame {
        photo: format!("{}.jpg", letter(k)),
        card: None,
        prints: numbers.iter().enumerate().map(print).collect(),
        covariance_mm2,
        shared: vec![Shared { cause: "lens".into(), by_mm }],
        scale: "card".into(),
        u_scale: U_SCALE,
    }
}

/// Photographs of four prints each, of which every next one shows two of those before.
fn chain(photos: usize, mut scatter: Option<&mut Scatter>) -> Vec<Frame> {
    let errors = scatter.as_mut().map_or([0.0; 2], |scatter| [scatter.normal(), scatter.normal()]);
    (0..photos).map(|k| frame(k, 2 * k..2 * k + 4, scatter.as_mut().map(|scatter| (&mut **scatter, errors)))).collect()
}

fn distance(placed: &PlacedPrints, a: &str, b: &str) -> (f64, f64) {
    let of = |id: &str| placed.ids.iter().position(|other| other == id).unwrap();
    let (a, b) = (of(a), of(b));
    let [dx, dy] = [0, 1].map(|k| placed.at_mm[b][k] - placed.at_mm[a][k]);
    (dx.hypot(dy), placed.u_distance_mm(a, b))
}

fn refused(frames: &[Frame]) -> String {
    join(frames).unwrap_err().to_string()
}

fn says(text: &str, parts: &[&str]) {
    for part in parts {
        assert!(text.contains(part), "{part:?} in {text:?}");
    }
}

#[test]
fn without_noise_every_print_is_where_it_was_and_left_is_left() {
    let placed = join(&chain(6, None)).unwrap();
    for (i, id) in placed.ids.iter().enumerate() {
        let number: usize = id[1..].parse().unwrap();
        let [x, y] = placed.at_mm[i];
        // A left foot of one who walks to the right lies above the line in a plan with y up.
        assert!((x - truth(number).x).abs() < 1e-6 && (y + truth(number).y).abs() < 1e-6, "{id}: {x}, {y}");
        assert_eq!(y > 0.0, number.is_multiple_of(2));
    }
    assert!(placed.misfit.unwrap() < 1e-6 && placed.warnings.is_empty());
}

#[test]
fn the_trails_offset_is_positive_to_the_left_of_along() {
    let trail = join(&chain(3, None)).unwrap().as_along_tape(Default::default(), None);
    let way = (trail.prints[7].along_cm - trail.prints[0].along_cm).signum();
    assert!(trail.prints.iter().enumerate().all(|(i, p)| (p.offset_cm * way > 0.0) == i.is_multiple_of(2)));
    // Marks of 2 mm, and somewhat more where a joint lies between neighbours.
    assert!((0.2..0.3).contains(&trail.u_position_cm), "{}", trail.u_position_cm);
}

#[test]
fn intervals_of_95_percent_hold_the_distance_of_far_prints_in_95_of_100_trails() {
    let mut scatter = Scatter(7);
    let true_mm = (truth(9) - truth(0)).norm();
    let (mut held, mut across, mut agree) = (0, 0, 0.0);
    const TRAILS: usize = 2000;
    for _ in 0..TRAILS {
        let placed = join(&chain(4, Some(&mut scatter))).unwrap();
        let (mm, u_mm) = distance(&placed, "p0", "p9");
        held += usize::from((mm - true_mm).abs() <= 1.960 * u_mm);
        // The far print's place across the trail in the first frame, too: what the joints' turning does.
        let far = placed.ids.iter().position(|id| id == "p9").unwrap();
        let u_mm = placed.covariance_mm2[(2 * far + 1, 2 * far + 1)].sqrt();
        across += usize::from((placed.at_mm[far][1] + truth(9).y).abs() <= 1.960 * u_mm);
        agree += placed.misfit.unwrap().powi(2) / TRAILS as f64;
    }
    for (what, held) in [("distance", held), ("across", across)] {
        let share = held as f64 / TRAILS as f64;
        println!("{what}: {:.1} % held", 100.0 * share);
        assert!((0.93..=0.97).contains(&share), "{what}: {share}");
    }
    println!("chi² per degree of freedom: {agree:.3}");
    assert!((agree - 1.0).abs() < 0.05, "{agree}");
}

#[test]
fn the_more_joints_between_two_prints_the_less_their_distance_is_known() {
    let placed = join(&chain(6, None)).unwrap();
    // Two prints of one foot, one stride apart, and then one joint more each time.
    let u: Vec<f64> = (1..=5).map(|k| distance(&placed, "p0", &format!("p{}", 2 * k + 3)).1).collect();
    assert!(u.windows(2).all(|pair| pair[0] < pair[1]), "{u:?}");
    // More than the card's own error alone would do.
    let alone = (truth(13) - truth(0)).norm() * U_SCALE;
    assert!(u[4] > 1.2 * alone, "{u:?} {alone}");
}

#[test]
fn the_cards_own_error_is_one_and_the_same_in_all_photographs() {
    let one = join(&chain(5, None)).unwrap();
    let mut frames = chain(5, None);
    frames.iter_mut().for_each(|frame| frame.u_scale = 0.02);
    let other = join(&frames).unwrap();
    // It adds to a distance like a single scale, and the joints don't average it away.
    let ((mm, u), (_, more)) = (distance(&one, "p0", "p11"), distance(&other, "p0", "p11"));
    let expected = (u * u + mm * mm * (0.02_f64.powi(2) - U_SCALE * U_SCALE)).sqrt();
    assert!((more / expected - 1.0).abs() < 1e-3, "{more} {expected}");
}

#[test]
fn what_one_lens_does_in_all_photographs_adds_up_along_the_chain() {
    let u = |lenses: fn(usize) -> String| {
        let mut frames = chain(6, None);
        frames.iter_mut().enumerate().for_each(|(k, frame)| frame.shared[0].cause = lenses(k));
        distance(&join(&frames).unwrap(), "p0", "p13").1
    };
    let (one, each) = (u(|_| "one lens".into()), u(|k| format!("lens {k}")));
    assert!(one > 1.2 * each, "{one} {each}");
}

#[test]
fn photographs_of_one_lying_card_need_no_shared_print() {
    let mut frames = vec![frame(0, 0..3, None), frame(0, 3..6, None)];
    frames[1].photo = "b.jpg".into();
    assert!(matches!(join(&frames), Err(JoinError::NothingShared { .. })));
    frames.iter_mut().for_each(|frame| frame.card = Some("A".into()));
    let placed = join(&frames).unwrap();
    assert!((distance(&placed, "p0", "p5").0 - (truth(5) - truth(0)).norm()).abs() < 1e-9);
    assert_eq!(placed.misfit, None);
}

#[test]
fn one_photograph_is_a_trail_by_itself_with_the_uncertainty_it_came_with() {
    let frames = [frame(0, 0..5, None)];
    let placed = join(&frames).unwrap();
    let at = &frames[0].prints[4].at_mm;
    let expected = frames[0].covariance_mm2[(8, 8)] + (at[0] * U_SCALE).powi(2) + frames[0].shared[0].by_mm[8].powi(2);
    assert!((placed.covariance_mm2[(8, 8)] - expected).abs() < 1e-6 * expected);
    assert_eq!(placed.misfit, None);
}

#[test]
fn two_groups_that_share_one_print_each_way_through_different_photographs_are_joined() {
    // c and d lie together (two prints), and each shares one print with the first photograph.
    let frames = [frame(0, [0, 1, 2, 3], None), frame(1, [0, 5, 6], None), frame(2, [3, 5, 6], None)];
    let placed = join(&frames).unwrap();
    assert!((distance(&placed, "p1", "p6").0 - (truth(6) - truth(1)).norm()).abs() < 1e-6);
}

#[test]
fn the_order_of_the_photographs_changes_nothing() {
    let frames = chain(5, Some(&mut Scatter(3)));
    let straight = join(&frames).unwrap();
    for order in [[4, 3, 2, 1, 0], [2, 0, 4, 1, 3]] {
        let other = join(&order.map(|k| frames[k].clone())).unwrap();
        for (a, b) in [("p0", "p11"), ("p3", "p8"), ("p5", "p6")] {
            let ((mm, u), (mm_too, u_too)) = (distance(&straight, a, b), distance(&other, a, b));
            assert!((mm - mm_too).abs() < 1e-5 && (u - u_too).abs() < 1e-5, "{a}–{b}: {mm} {mm_too} {u} {u_too}");
        }
        assert!((straight.misfit.unwrap() - other.misfit.unwrap()).abs() < 1e-6);
    }
}

#[test]
fn feet_come_from_whichever_photograph_names_them() {
    let mut frames = chain(2, None);
    (frames[0].prints[2].foot, frames[1].prints[0].side) = (Foot::Hind, Side::Left);
    assert_eq!(join(&frames).unwrap().marks[2], (Foot::Hind, Side::Left));
    frames[0].prints[2].side = Side::Right;
    says(&refused(&frames), &["p2", "right in a.jpg", "left in b.jpg"]);
}

#[test]
fn photographs_that_share_nothing_or_one_print_are_told_what_would_be_enough() {
    let nothing = refused(&[frame(0, 0..3, None), frame(1, 1..4, None), frame(2, 5..8, None)]);
    says(&nothing, &["a.jpg, b.jpg to c.jpg", "mark two prints that both show", "leave the card lying"]);
    let one = refused(&[frame(0, 0..3, None), frame(1, 2..5, None)]);
    says(&one, &["a.jpg and b.jpg", "print p2 only", "one more print"]);
}

#[test]
fn prints_near_each_other_join_badly_or_not_at_all() {
    let near = |mm: f64| {
        let mut frames = [frame(0, [0, 1, 2, 3], None), frame(0, [2, 3, 4, 5], None)];
        frames[1].photo = "b.jpg".into();
        for (photo, row) in [(0, 3), (1, 1)] {
            let [x, y] = frames[photo].prints[row - 1].at_mm;
            frames[photo].prints[row].at_mm = [x + mm, y];
        }
        frames
    };
    says(&refused(&near(10.0)), &["only 10 mm apart", "no direction"]);
    let placed = join(&near(80.0)).unwrap();
    says(&placed.warnings[0].to_string(), &["a.jpg and b.jpg", "only 80 mm apart", "mark another print"]);
    assert!(join(&near(300.0)).unwrap().warnings.is_empty());
}

#[test]
fn a_print_mistaken_for_another_is_named_with_its_photographs() {
    let mut frames = vec![frame(0, 0..6, None), frame(1, 2..8, None)];
    // p4 marked where p5 lies, in the second photograph.
    frames[1].prints[2].at_mm = frames[1].prints[3].at_mm;
    let text = refused(&frames);
    says(&text, &["p4 isn't the same print in all of a.jpg, b.jpg", "off by 316 mm", "mark it again"]);
}

#[test]
fn a_card_that_slid_between_two_photographs_is_named() {
    let mut frames = vec![frame(0, 0..4, None), frame(0, 0..4, None), frame(1, 2..6, None)];
    frames[1].photo = "slid.jpg".into();
    for frame in &mut frames[..2] {
        frame.card = Some("A".into());
    }
    for print in &mut frames[1].prints {
        print.at_mm[0] += 40.0;
    }
    let text = refused(&frames);
    says(&text, &["card \"A\" lies elsewhere in", "off by 40 mm"]);
}

#[test]
fn two_shared_prints_whose_distance_disagrees_are_refused_without_blaming_one() {
    let mut frames = vec![frame(0, 0..4, None), frame(1, 2..6, None)];
    frames[1].prints[0].at_mm[0] += 200.0;
    says(&refused(&frames), &["don't agree", "a.jpg, b.jpg", "can't be told from so few"]);
}

#[test]
fn marks_that_scatter_more_than_they_claim_widen_every_uncertainty_and_it_is_told() {
    let mut frames = chain(4, Some(&mut Scatter(5)));
    let honest = join(&frames).unwrap();
    // The same marks, claimed to be ten times as good.
    for frame in &mut frames {
        frame.covariance_mm2 /= 100.0;
        frame.shared.clear();
    }
    let placed = join(&frames).unwrap();
    assert!(placed.misfit.unwrap() > 5.0);
    says(&placed.warnings[0].to_string(), &["times what marking allows for", ".jpg"]);
    let (u, claimed) = (distance(&placed, "p0", "p9").1, distance(&honest, "p0", "p9").1);
    assert!(u > 0.5 * claimed, "{u} {claimed}");
}

#[test]
fn what_is_not_sound_is_refused_by_name() {
    says(&refused(&[]), &["no photograph"]);
    says(&refused(&[frame(0, 0..1, None)]), &["at least two prints"]);
    says(&refused(&[frame(0, 0..0, None)]), &["a.jpg", "no print is marked"]);
    says(&refused(&[frame(0, 0..3, None), frame(0, 0..3, None)]), &["a.jpg is listed twice"]);
    says(&refused(&[frame(0, [0, 1, 1], None)]), &["a.jpg", "two prints are called \"p1\""]);
    let changed = |change: fn(&mut Frame)| {
        let mut frame = frame(0, 0..3, None);
        change(&mut frame);
        refused(&[frame])
    };
    says(&changed(|frame| frame.prints[1].at_mm[0] = f64::NAN), &["a.jpg", "print p1", "finite"]);
    let no_uncertainty: [fn(&mut Frame); 5] = [
        |frame| frame.shared[0].by_mm[0] = f64::NAN,
        |frame| frame.u_scale = 0.0,
        |frame| frame.covariance_mm2[(0, 0)] = -1.0,
        |frame| frame.covariance_mm2[(0, 0)] = f64::NAN,
        |frame| frame.covariance_mm2 = DMatrix::identity(4, 4),
    ];
    for change in no_uncertainty {
        says(&changed(change), &["a.jpg", "uncertainty"]);
    }
}
