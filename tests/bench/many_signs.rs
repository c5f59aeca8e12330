//! Writes a store of many invented visits, each with fifty signs like those of the demo's: `many-signs DEMO_STORE OUT SIGNS`.

use std::error::Error;
use std::path::Path;

use chrono::TimeDelta;
use rakelight_core::store::Store;
use rakelight_core::survey::Visit;

const SIGNS_A_VISIT: usize = 50;

fn main() -> Result<(), Box<dyn Error>> {
    let given: Vec<String> = std::env::args().collect();
    let [_, demo, out, signs] = &given[..] else { return Err("many-signs DEMO_STORE OUT SIGNS".into()) };
    let demo = Store::open(Path::new(demo))?;
    let mut out = Store::open_or_create(Path::new(out))?;
    let id = demo.visits()?.pop().ok_or("the demo's store has no visit")?;
    let visit = demo.visit(&id)?.ok_or("the demo's visit has no head")?;
    for photo in &visit.photos {
        out.add_photo(&demo.photo_path(&photo.sha256)?.ok_or("a photograph is missing")?)?;
    }
    for n in 0..signs.parse::<usize>()?.div_ceil(SIGNS_A_VISIT) {
        let like = like(&visit, n);
        out.write_visit(&like, like.opened.start.to_utc())?;
    }
    Ok(())
}

/// Another visit with the demo's signs over and over.
fn like(visit: &Visit, n: usize) -> Visit {
    let mut opened = visit.opened.clone();
    opened.place_name = format!("Place {} (invented)", n % 400);
    opened.start += TimeDelta::hours(6 * n as i64);
    let mut like = Visit { track: vec![], checks: vec![], ..visit.clone() };
    like.id = Visit::open(opened.clone()).id;
    like.opened = opened;
    (like.signs, like.identified) = (vec![], vec![]);
    for (i, sign) in visit.signs.iter().cycle().take(SIGNS_A_VISIT).enumerate() {
        let id = format!("{}-{i}", sign.id);
        let identified = visit.identification(&sign.id).cloned();
        like.identified.extend(identified.map(|of| rakelight_core::survey::Identified { sign: id.clone(), ..of }));
        like.signs.push(rakelight_core::survey::SignNoted { id, ..sign.clone() });
    }
    like
}
