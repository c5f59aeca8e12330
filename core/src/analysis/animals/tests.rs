use proptest::prelude::*;

use super::*;

fn largest_by_trying_all(vertices: usize, edges: &[[usize; 2]]) -> usize {
    let joined = |a: usize, b: usize| edges.iter().any(|edge| *edge == [a, b] || *edge == [b, a]);
    let is_clique = |set: &u32| {
        let members: Vec<usize> = (0..vertices).filter(|vertex| set >> vertex & 1 == 1).collect();
        members.iter().enumerate().all(|(i, a)| members[..i].iter().all(|b| joined(*a, *b)))
    };
    (0..1_u32 << vertices).filter(is_clique).map(u32::count_ones).max().unwrap_or(0) as usize
}

proptest! {
    #[test]
    fn no_set_of_mutually_exclusive_signs_is_larger(
        vertices in 0..11_usize,
        edges in prop::collection::vec((0..11_usize, 0..11_usize), 0..60),
    ) {
        let edges: Vec<[usize; 2]> =
            edges.into_iter().filter(|(a, b)| a != b && *a < vertices && *b < vertices).map(|(a, b)| [a, b]).collect();
        let Clique { members, exact } = clique::largest(vertices, edges.iter().copied());
        prop_assert!(exact);
        for (i, a) in members.iter().enumerate() {
            prop_assert!(members[..i].iter().all(|b| edges.contains(&[*a, *b]) || edges.contains(&[*b, *a])));
        }
        prop_assert_eq!(members.len(), largest_by_trying_all(vertices, &edges));
    }
}

fn signs(rows: &str) -> Vec<Sign> {
    from_csv(&format!("sign,trail,substrate,foot,width_mm,u_width_mm,fresh_night,lat,lon\n{rows}")).unwrap()
}

fn range(m: f64) -> NightRange {
    NightRange { m, source: "invented".into() }
}

#[test]
fn a_fore_and_a_hind_foot_are_never_compared() {
    let bound = at_least(&signs("a,,firm_mud,hind,80,0.5,,,\nb,,firm_mud,fore,40,0.5,,,\n"), None).unwrap();
    assert_eq!((bound.set.len(), bound.tested), (1, 0));
}

#[test]
fn prints_of_one_trail_are_of_one_animal_however_they_differ() {
    let bound = at_least(&signs("a,t1,firm_mud,hind,80,0.5,,,\nb,t1,firm_mud,hind,40,0.5,,,\n"), None).unwrap();
    assert_eq!(bound.set.len(), 1);
}

#[test]
fn what_the_ground_does_to_a_print_is_no_second_animal() {
    let apart = |ground: &str| {
        at_least(&signs(&format!("a,,{ground},hind,66,0.5,,,\nb,,{ground},hind,52,0.5,,,\n")), None).unwrap()
    };
    assert_eq!((apart("firm_mud").set.len(), apart("deep_snow").set.len()), (2, 1));
}

#[test]
fn the_more_differences_are_looked_at_the_larger_one_must_be() {
    let two = "a,,firm_mud,hind,66,0.5,,,\nb,,firm_mud,hind,52,0.5,,,\n";
    let many: String = (0..30).map(|i| format!("c{i},,firm_mud,hind,59,0.5,,,\n")).collect();
    let excluded = |rows: &str| at_least(&signs(rows), None).unwrap().pairs.len();
    assert_eq!((excluded(two), excluded(&format!("{two}{many}"))), (1, 0));
}

#[test]
fn fresh_signs_of_one_night_far_apart_are_of_two_animals_and_of_two_nights_not() {
    // A tenth of a degree of latitude is 11 km.
    let same = signs("a,,,,,,2026-10-03,53.0,9.0\nb,,,,,,2026-10-03,53.1,9.0\n");
    let other = signs("a,,,,,,2026-10-03,53.0,9.0\nb,,,,,,2026-10-04,53.1,9.0\n");
    let n = |signs: &[Sign], m: f64| at_least(signs, Some(&range(m))).unwrap().set.len();
    assert_eq!((n(&same, 10_000.0), n(&same, 12_000.0), n(&other, 10_000.0)), (2, 1, 1));
    assert_eq!(at_least(&same, None).unwrap().set.len(), 1, "without a range distance says nothing");
}

#[test]
fn rows_of_one_sign_that_disagree_or_lack_their_uncertainty_are_refused() {
    let refused =
        |rows: &str| from_csv(&format!("sign,foot,width_mm,u_width_mm,lat,lon\n{rows}")).unwrap_err().to_string();
    assert!(refused("a,hind,60,,,\n").contains("line 2: width_mm has no uncertainty"));
    assert!(refused("a,hind,60,0,,\n").contains("above zero"));
    assert!(refused("a,hind,60,1,53,9\na,hind,61,1,54,9\n").contains("line 3"));
    assert!(refused("a,paw,60,1,,\n").contains("fore, hind or unknown"));
    assert!(refused("a,hind,60,1,53,\n").contains("longitude beside"));
    let ground = from_csv("sign,substrate\na,lava\n").and_then(|signs| at_least(&signs, None)).unwrap_err().to_string();
    assert!(ground.contains("lava") && ground.contains("substrates.toml"), "{ground}");
}

#[test]
fn no_signs_are_no_animals() {
    assert_eq!(at_least(&[], None).unwrap().set.len(), 0);
}
