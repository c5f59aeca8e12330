//! From degrees to metres on a plane, by proj4rs.

use proj4rs::proj::Proj;

use super::{PlaceError, Position};

/// Easting and northing, m. `onto` is a projection in PROJ's notation; `from` the ellipsoid that the degrees are taken on, or a datum.
pub(super) fn projected(place: &Position, from: &str, onto: &str) -> Result<[f64; 2], PlaceError> {
    let off_the_grid = |_| PlaceError::OffTheGrid { lat: place.lat, lon: place.lon };
    let onto = Proj::from_proj_string(&format!("{onto} +units=m +no_defs")).map_err(off_the_grid)?;
    let from = Proj::from_proj_string(&format!("+proj=longlat {from} +no_defs")).map_err(off_the_grid)?;
    let mut point = (place.lon.to_radians(), place.lat.to_radians(), 0.0);
    proj4rs::transform::transform(&from, &onto, &mut point).map_err(off_the_grid)?;
    Ok([point.0, point.1])
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(place: [f64; 2], ellipsoid: &str, onto: &str) -> [f64; 2] {
        let place = Position::new(place[0], place[1], None).unwrap();
        projected(&place, &format!("+ellps={ellipsoid}"), &format!("{onto} +ellps={ellipsoid}")).unwrap()
    }

    fn near(ours: [f64; 2], published: [f64; 2], within_m: f64) -> bool {
        (0..2).all(|i| (ours[i] - published[i]).abs() <= within_m)
    }

    #[test]
    fn published_examples_come_out() {
        let osgb = "+proj=tmerc +lat_0=49 +lon_0=-2 +k=0.9996012717 +x_0=400000 +y_0=-100000";
        // IOGP Guidance Note 7-2, Transverse Mercator: 50°30' N, 0°30' E, rounded to 0.01 m there.
        assert!(near(at([50.5, 0.5], "airy", osgb), [577_274.99, 69_740.50], 0.011));
        // Ordnance Survey's guide: 52°39'27.2531" N, 1°43'4.5177" E.
        let place = [52.0 + 39.0 / 60.0 + 27.2531 / 3600.0, 1.0 + 43.0 / 60.0 + 4.5177 / 3600.0];
        assert!(near(at(place, "airy", osgb), [651_409.903, 313_177.270], 0.001));
        // Snyder, USGS Professional Paper 1395: UTM zone 18 on Clarke 1866.
        let utm18 = "+proj=tmerc +lat_0=0 +lon_0=-75 +k=0.9996 +x_0=500000 +y_0=0";
        assert!(near(at([40.5, -73.5], "clrk66", utm18), [627_106.5, 4_484_124.4], 0.051));
    }
}
