//! Who made each of many findings, for checks from outside: evidence as JSON, one a line, on standard input; on standard output the
//! probabilities of all candidates as one JSON object a line. With `clock` as argument: the time of each kind of answer instead.

use std::io::{BufRead, Write};
use std::time::Instant;

use rakelight_core::identify::{Evidence, Facts, identify, probabilities};
use rakelight_core::words::Words;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let facts = Facts::builtin()?;
    let evidence: Vec<Evidence> = std::io::stdin()
        .lock()
        .lines()
        .map(|line| Ok::<_, Box<dyn std::error::Error>>(Evidence::from_json(&line?)?))
        .collect::<Result<_, _>>()?;
    if std::env::args().nth(1).as_deref() == Some("clock") {
        return clock(&evidence, facts);
    }
    let mut out = std::io::BufWriter::new(std::io::stdout().lock());
    for evidence in &evidence {
        let all: serde_json::Map<_, _> =
            probabilities(evidence, facts)?.into_iter().map(|(maker, p)| (maker.into(), p.into())).collect();
        writeln!(out, "{}", serde_json::Value::Object(all))?;
    }
    Ok(())
}

/// For each finding the best of five, in microseconds: without the band, and the whole answer with it.
fn clock(evidence: &[Evidence], facts: &Facts) -> Result<(), Box<dyn std::error::Error>> {
    let words = Words::load("en")?;
    let best = |work: &mut dyn FnMut() -> bool| {
        let once = |_| {
            let start = Instant::now();
            assert!(work());
            start.elapsed().as_secs_f64() * 1e6
        };
        (0..6).map(once).skip(1).fold(f64::MAX, f64::min)
    };
    for evidence in evidence {
        let plain = best(&mut || probabilities(evidence, facts).is_ok());
        let whole = best(&mut || identify(evidence, facts, &words).is_ok());
        println!("{plain:.1} {whole:.1}");
    }
    Ok(())
}
