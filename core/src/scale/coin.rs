//! A coin as the scale: its tapped ellipse gives the scale along its longer axis, which tilt doesn't shorten, and nothing else.

use super::known::Coin;
use super::plane::Plane;
use super::taps::KnownError;

/// A tapped ellipse, px and degrees clockwise from +x.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ellipse {
    /// Its middle.
    pub centre_px: [f64; 2],
    /// Its two half axes.
    pub half_axes_px: [f64; 2],
    /// Which way the first half axis points.
    pub deg: f64,
}

/// The scale that a coin gives.
#[derive(Debug, Clone)]
pub struct CoinFound {
    /// Scale only, as if looked at from straight above.
    pub plane: Plane,
    /// The ends of the longer axis, px.
    pub ends_px: [[f64; 2]; 2],
    /// The tilt that the ellipse's axes show, degrees; good to a few degrees at best.
    pub tilt_deg: f64,
    /// Relative standard uncertainty of lengths that run along the tilt.
    pub u_aslant: f64,
}

/// A flatter ellipse is a coin seen from the side, or not one.
const LEAST_RATIO: f64 = 0.5;

/// The scale from a coin whose outline was tapped with `u_click_px`.
pub fn of_coin(coin: &Coin, ellipse: Ellipse, u_click_px: f64) -> Result<CoinFound, KnownError> {
    let [a, b] = ellipse.half_axes_px;
    let (long, short) = (a.max(b), a.min(b));
    let ratio = short / long;
    if !(short > 0.0 && ratio.is_finite() && ratio >= LEAST_RATIO) {
        return Err(KnownError::NotACoin { long_px: long, short_px: short });
    }
    let (sin, cos) = (if a >= b { ellipse.deg } else { ellipse.deg + 90.0 }).to_radians().sin_cos();
    let end = |sign: f64| [ellipse.centre_px[0] + sign * long * cos, ellipse.centre_px[1] + sign * long * sin];
    let ends_px = [end(-1.0), end(1.0)];
    let plane = Plane::from_length(ends_px[0], ends_px[1], coin.diameter_mm, u_click_px)
        .ok_or(KnownError::NotACoin { long_px: long, short_px: short })?;
    // Along the tilt everything reads short by the axes' ratio, which is itself only as good as the taps.
    let u_aslant = (1.0 - ratio).max(2.0_f64.sqrt() * u_click_px / long) / 3.0_f64.sqrt();
    Ok(CoinFound { plane, ends_px, tilt_deg: ratio.acos().to_degrees(), u_aslant })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn euro(half_axes_px: [f64; 2], deg: f64) -> Result<CoinFound, KnownError> {
        of_coin(&Coin::named("1eur").unwrap(), Ellipse { centre_px: [500.0, 400.0], half_axes_px, deg }, 1.0)
    }

    #[test]
    fn a_euro_gives_the_scale_along_its_longer_axis() {
        // 232.5 px across 23.25 mm: ten pixels a millimetre.
        for (axes, deg) in [([116.25, 110.0], 30.0), ([110.0, 116.25], -60.0)] {
            let found = euro(axes, deg).unwrap();
            assert!((found.plane.length([0.0, 0.0], [0.0, 300.0], 1.0).mm - 30.0).abs() < 1e-9);
            assert!((found.ends_px[1][1] - 400.0).abs() > 50.0);
            // cos 18.9° = 110 / 116.25.
            assert!((found.tilt_deg - 18.87).abs() < 0.05 && found.u_aslant > 0.03, "{found:?}");
        }
    }

    #[test]
    fn a_coin_seen_from_the_side_is_refused() {
        assert!(euro([100.0, 40.0], 0.0).unwrap_err().to_string().contains("from above"));
        assert!(euro([0.0, 0.0], 0.0).is_err());
    }
}
