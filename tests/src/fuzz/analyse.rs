//! Tables for the analyses.

use rakelight_core::analysis::occupancy::{self, Histories, Model};
use rakelight_core::analysis::{animals, contents, draw};

use super::{WORDS, fixtures};

/// Histories, fitted by everything that the table may have.
pub fn histories(bytes: &[u8]) {
    let Ok(histories) = Histories::from_csv(&String::from_utf8_lossy(bytes)) else { return };
    // Many visits make a fit slow, not different.
    if histories.places().len() * histories.visits() > 500 {
        return;
    }
    for (psi, p) in [("", ""), ("", "visit"), ("bank", "trend"), ("", "rain,bank")] {
        let Ok(model) = Model::parse(psi, p) else { continue };
        if let (Ok(fit), Some(words)) = (occupancy::fit(&histories, &model, 0.95), WORDS.as_ref()) {
            let test = fit.estimate().map(|estimate| occupancy::fit_test(&histories, estimate, 3, 1));
            let _ = occupancy::document(&histories, &fit, test.as_ref(), words).to_string();
            let _ = draw::of_occupancy(&histories, &fit, &model, words).map(|groups| draw::plot(&groups, 0.95, words));
        }
    }
}

pub fn signs(bytes: &[u8]) {
    let Ok(signs) = animals::from_csv(&String::from_utf8_lossy(bytes)) else { return };
    let range = animals::NightRange { m: 5000.0, source: "invented".into() };
    if let (Ok(bound), Some(words)) = (animals::at_least(&signs, Some(&range)), WORDS.as_ref()) {
        let _ = bound.document(&signs, Some(&range), words).to_string();
    }
}

pub fn contents(bytes: &[u8]) {
    let Ok(spraints) = contents::from_csv(&String::from_utf8_lossy(bytes)) else { return };
    if let Some(words) = WORDS.as_ref() {
        let _ = contents::contents(&spraints, 20, 1).document(words).to_string();
    }
}

pub fn some_histories() -> Vec<Vec<u8>> {
    let with_covariates: &[u8] = b"place,history,bank,rain_1,rain_2,rain_3\na,01.,1,0.5,2,\nb,000,0,1e3,-2,0\nc,110,1,3,1,4\nd,0.1,0,2,.,1\ne,111,1,0,1,0\nf,001,0,5,2,3\n";
    let mut some = fixtures("fixtures/reference", "occupancy_salamander.csv");
    some.push(with_covariates.to_vec());
    some
}

pub fn some_signs() -> Vec<Vec<u8>> {
    let some: &[u8] = b"sign,trail,substrate,foot,width_mm,u_width_mm,fresh_night,lat,lon\na,,firm_mud,hind,60,1,2026-10-03,53.1,9.1\na,,firm_mud,fore,52,1,2026-10-03,53.1,9.1\nb,t1,,hind,44,1.5,2026-10-03,53.2,9.1\nc,t1,wet_sand,hind,61,2,,,\n";
    vec![some.to_vec()]
}

pub fn some_contents() -> Vec<Vec<u8>> {
    vec![b"contents\nfish_bones;crab\nnothing_identifiable\n\"\"\nfish_scales insect\n".to_vec()]
}
