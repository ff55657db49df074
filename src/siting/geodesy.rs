//! Distances on the earth between coordinates in degrees (WGS 84).
//!
//! Source: T. Vincenty, inverse solution of geodesics on the ellipsoid (Survey Review 1975), from memory; the tests check
//! it against another library. What this is not: no projection, no height of the geoid.

/// A place in degrees, WGS 84.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Place {
    pub latitude: f64,
    pub longitude: f64,
}

/// Half axis of WGS 84 in metres, and flattening.
const AXIS_M: f64 = 6_378_137.0;
const FLATTENING: f64 = 1.0 / 298.257_223_563;
/// Rounds until the solution stands still; nearly opposite places never do.
const ROUNDS_MAX: usize = 100;

/// The distance in metres; `None` for places so nearly opposite that the solution does not settle.
pub fn distance_m(a: Place, b: Place) -> Option<f64> {
    if a == b {
        return Some(0.0);
    }
    let reduced = |latitude: f64| ((1.0 - FLATTENING) * latitude.to_radians().tan()).atan().sin_cos();
    let ((sin_a, cos_a), (sin_b, cos_b)) = (reduced(a.latitude), reduced(b.latitude));
    let difference = (b.longitude - a.longitude).to_radians();
    let mut lambda = difference;
    for _ in 0..ROUNDS_MAX {
        let (sin_l, cos_l) = lambda.sin_cos();
        let sin_sigma = (cos_b * sin_l).hypot(cos_a * sin_b - sin_a * cos_b * cos_l);
        if sin_sigma == 0.0 {
            return Some(0.0);
        }
        let cos_sigma = sin_a * sin_b + cos_a * cos_b * cos_l;
        let sigma = sin_sigma.atan2(cos_sigma);
        let sin_alpha = cos_a * cos_b * sin_l / sin_sigma;
        let cos2_alpha = 1.0 - sin_alpha * sin_alpha;
        // On the equator there is no middle latitude.
        let middle = if cos2_alpha > 1e-15 { cos_sigma - 2.0 * sin_a * sin_b / cos2_alpha } else { 0.0 };
        let c = FLATTENING / 16.0 * cos2_alpha * (4.0 + FLATTENING * (4.0 - 3.0 * cos2_alpha));
        let next = difference
            + (1.0 - c)
                * FLATTENING
                * sin_alpha
                * (sigma + c * sin_sigma * (middle + c * cos_sigma * (2.0 * middle * middle - 1.0)));
        let is_settled = (next - lambda).abs() < 1e-12;
        lambda = next;
        if !is_settled {
            continue;
        }
        let short = AXIS_M * (1.0 - FLATTENING);
        let u2 = cos2_alpha * (AXIS_M * AXIS_M - short * short) / (short * short);
        let big_a = 1.0 + u2 / 16_384.0 * (4_096.0 + u2 * (-768.0 + u2 * (320.0 - 175.0 * u2)));
        let big_b = u2 / 1_024.0 * (256.0 + u2 * (-128.0 + u2 * (74.0 - 47.0 * u2)));
        let m2 = middle * middle;
        let correction = big_b
            * sin_sigma
            * (middle
                + big_b / 4.0
                    * (cos_sigma * (2.0 * m2 - 1.0)
                        - big_b / 6.0 * middle * (4.0 * sin_sigma * sin_sigma - 3.0) * (4.0 * m2 - 3.0)));
        return Some(short * big_a * (sigma - correction));
    }
    None
}

/// The place at a share of the way, on the great circle: exact enough to look up the terrain.
pub fn between(a: Place, b: Place, share: f64) -> Place {
    let vector = |p: Place| {
        let (sin_lat, cos_lat) = p.latitude.to_radians().sin_cos();
        let (sin_lon, cos_lon) = p.longitude.to_radians().sin_cos();
        [cos_lat * cos_lon, cos_lat * sin_lon, sin_lat]
    };
    let (u, v) = (vector(a), vector(b));
    let cross = [u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0]];
    let sine = cross.iter().map(|c| c * c).sum::<f64>().sqrt();
    let angle = sine.atan2(u.iter().zip(&v).map(|(x, y)| x * y).sum());
    if sine < 1e-12 {
        return a;
    }
    let (one, two) = (((1.0 - share) * angle).sin() / sine, (share * angle).sin() / sine);
    let [x, y, z] = [0, 1, 2].map(|at: usize| one * u[at] + two * v[at]);
    Place { latitude: z.atan2(x.hypot(y)).to_degrees(), longitude: y.atan2(x).to_degrees() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn place(latitude: f64, longitude: f64) -> Place {
        Place { latitude, longitude }
    }

    #[test]
    fn distances_are_those_of_another_library() {
        // geographiclib 2.1 (PyPI), Geodesic.WGS84.Inverse, s12; see tests/scripts/siting_reference.py.
        let rows = [
            (place(47.0, -121.0), place(47.01, -121.02), 1_883.951_161),
            (place(47.0, -121.0), place(46.9, -120.85), 15_936.801_364),
            (
                place(-37.951_033_416_7, 144.424_867_888_9),
                place(-37.652_821_138_9, 143.926_495_527_8),
                54_972.271_140,
            ),
            (place(0.0, 10.0), place(0.0, 10.5), 55_659.745_397),
            (place(69.5, 179.95), place(69.55, -179.9), 8_088.858_618),
        ];
        for (a, b, wanted) in rows {
            let found = distance_m(a, b).unwrap();
            assert!((found - wanted).abs() < 1e-3, "{a:?} {b:?}: {found}, {wanted}");
        }
        assert_eq!(distance_m(place(1.0, 2.0), place(1.0, 2.0)), Some(0.0));
        assert_eq!(distance_m(place(0.0, 0.0), place(0.5, 179.7)), None, "nearly opposite");
    }

    proptest! {
        #[test]
        fn a_place_between_divides_the_way(
            lat in -80.0f64..80.0, lon in -180.0f64..180.0, dlat in -0.5f64..0.5, dlon in -0.5f64..0.5, share in 0.0f64..1.0,
        ) {
            let (a, b) = (place(lat, lon), place(lat + dlat, lon + dlon));
            let at = between(a, b, share);
            let whole = distance_m(a, b).unwrap();
            let (one, two) = (distance_m(a, at).unwrap(), distance_m(at, b).unwrap());
            prop_assert!((one + two - whole).abs() < 1e-3 * whole + 1e-3, "{one} {two} {whole}");
            prop_assert!((one - share * whole).abs() < 5e-3 * whole + 1e-3);
        }
    }
}
