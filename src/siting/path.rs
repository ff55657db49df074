//! Formulas of a radio path between two antennas: free space, Fresnel zone, the earth's curve, one edge, flat ground.
//!
//! What this is not: no section of terrain; `diffraction` goes along one.

use super::radio::wavelength_m;
use std::f64::consts::PI;

/// The mean radius of the earth in metres, as in the reference values of the tests.
pub const EARTH_RADIUS_M: f64 = 6_371_000.0;

/// The loss in free space between isotropic antennas, in dB. Source: ITU-R P.525 in its exact form, 20 log10(4 π d / λ).
pub fn free_space_db(frequency_mhz: f64, distance_m: f64) -> f64 {
    20.0 * (4.0 * PI * distance_m / wavelength_m(frequency_mhz)).log10()
}

/// The radius of the first Fresnel zone in metres, at `d1_m` from one end and `d2_m` from the other. Source: ITU-R P.526.
pub fn fresnel_radius_m(frequency_mhz: f64, d1_m: f64, d2_m: f64) -> f64 {
    (wavelength_m(frequency_mhz) * d1_m * d2_m / (d1_m + d2_m)).sqrt()
}

/// How far the earth rises above the chord between both ends, in metres, with an earth of `k` times its radius.
pub fn earth_bulge_m(d1_m: f64, d2_m: f64, k: f64) -> f64 {
    d1_m * d2_m / (2.0 * k * EARTH_RADIUS_M)
}

/// The longest line of sight over a smooth earth, in metres.
pub fn horizon_m(h1_m: f64, h2_m: f64, k: f64) -> f64 {
    let one = |h: f64| (2.0 * k * EARTH_RADIUS_M * h.max(0.0)).sqrt();
    one(h1_m) + one(h2_m)
}

/// The diffraction parameter ν of an edge that is `height_m` above the line between the antennas. Source: ITU-R P.526.
pub fn edge_parameter(frequency_mhz: f64, height_m: f64, d1_m: f64, d2_m: f64) -> f64 {
    height_m * (2.0 * (d1_m + d2_m) / (wavelength_m(frequency_mhz) * d1_m * d2_m)).sqrt()
}

/// The loss over a knife edge in dB, approximated. Source: ITU-R P.526, J(ν); 0 for ν of -0.78 and less.
pub fn knife_edge_db(v: f64) -> f64 {
    if v <= -0.78 {
        return 0.0;
    }
    6.9 + 20.0 * (((v - 0.1).powi(2) + 1.0).sqrt() + v - 0.1).log10()
}

/// The distance in metres beyond which the loss over flat ground follows the plane-earth law: 4 π h1 h2 / λ. Textbook
/// form, from memory; 4 h1 h2 / λ is also in use.
pub fn crossover_m(frequency_mhz: f64, h1_m: f64, h2_m: f64) -> f64 {
    4.0 * PI * h1_m * h2_m / wavelength_m(frequency_mhz)
}

/// The distance in metres of the last maximum over flat ground: 4 h1 h2 / λ.
pub fn breakpoint_m(frequency_mhz: f64, h1_m: f64, h2_m: f64) -> f64 {
    4.0 * h1_m * h2_m / wavelength_m(frequency_mhz)
}

/// The loss over flat, well reflecting ground far beyond the crossover, in dB: 20 log10(d² / (h1 h2)).
pub fn plane_earth_db(h1_m: f64, h2_m: f64, distance_m: f64) -> f64 {
    20.0 * (distance_m * distance_m / (h1_m * h2_m)).log10()
}

/// The loss of the sum of a direct ray and one that the ground reflects with -1, in dB.
pub fn two_ray_db(frequency_mhz: f64, h1_m: f64, h2_m: f64, distance_m: f64) -> f64 {
    let wavelength = wavelength_m(frequency_mhz);
    let direct = distance_m.hypot(h1_m - h2_m);
    let reflected = distance_m.hypot(h1_m + h2_m);
    // The difference of both lengths without loss of digits.
    let longer_m = 4.0 * h1_m * h2_m / (direct + reflected);
    let turn = 2.0 * PI * longer_m / wavelength;
    let real = 1.0 / direct - turn.cos() / reflected;
    let imaginary = turn.sin() / reflected;
    -20.0 * (wavelength / (4.0 * PI) * real.hypot(imaginary)).log10()
}
