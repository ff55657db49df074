//! Loss over terrain: the worst single edge, and several edges with the curve of the earth (delta-Bullington).
//!
//! Source: ITU-R P.526, the delta-Bullington method of its editions since 11, and the smooth-earth heights of ITU-R P.452
//! and P.1812, which share it. No edition was read; the formulas are from memory, and are checked against the
//! published validation examples of ITU-R Study Group 3 (see the tests).
//!
//! What this is not: no free-space loss, no woodland, no reflection.

use super::path::{edge_parameter, fresnel_radius_m, knife_edge_db};
use super::radio::wavelength_m;
use super::section::Section;
use serde::Serialize;
use std::f64::consts::PI;

/// How the waves swing.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Polarisation {
    Horizontal,
    #[default]
    Vertical,
}

/// The electrical ground.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ground {
    pub relative_permittivity: f64,
    pub conductivity_s_per_m: f64,
}

/// Land of medium kind: 22 and 0.003 S/m, as in ITU-R P.526, P.452 and P.1812 (from memory).
impl Default for Ground {
    fn default() -> Self {
        Self { relative_permittivity: 22.0, conductivity_s_per_m: 0.003 }
    }
}

/// One path: terrain, elevations of both antennas above the terrain's zero, frequency, and the effective earth.
#[derive(Clone, Copy, Debug)]
pub struct Path<'s> {
    pub section: &'s Section,
    pub frequency_mhz: f64,
    /// Elevations of the antennas: at the logger, at the mast.
    pub antennas_m: (f64, f64),
    /// The radius of the effective earth, in metres.
    pub radius_m: f64,
    pub polarisation: Polarisation,
    pub ground: Ground,
}

/// The point of the terrain at which the largest part of the first Fresnel zone is taken.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Edge {
    /// Distance from the logger.
    pub at_m: f64,
    /// Elevation of the terrain there.
    pub ground_m: f64,
    /// How far the earth rises there above the chord.
    pub bulge_m: f64,
    /// The line between the antennas, less terrain and bulge; negative if the terrain is in the way.
    pub clearance_m: f64,
    /// Radius of the first Fresnel zone there.
    pub fresnel_m: f64,
    /// The diffraction parameter.
    pub v: f64,
    /// The loss of this edge alone, in dB.
    pub loss_db: f64,
}

/// The parts of the delta-Bullington loss.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct DeltaBullington {
    /// Antennas above the smooth earth that stands for the terrain, in metres.
    pub smooth_heights_m: (f64, f64),
    /// Bullington loss of the terrain, in dB.
    pub terrain_db: f64,
    /// Bullington loss of the smooth earth, in dB.
    pub smooth_db: f64,
    /// Loss over the smooth earth as a sphere, in dB.
    pub sphere_db: f64,
    /// The whole: terrain + max(sphere - smooth, 0).
    pub loss_db: f64,
}

impl Path<'_> {
    fn length_m(&self) -> f64 {
        self.section.length_m()
    }

    /// The line between the antennas at a distance.
    fn line_m(&self, at_m: f64) -> f64 {
        let (a, b) = self.antennas_m;
        a + (b - a) * at_m / self.length_m()
    }

    fn bulge_m(&self, at_m: f64) -> f64 {
        at_m * (self.length_m() - at_m) / (2.0 * self.radius_m)
    }

    /// The points between the ends: distance and elevation.
    fn between(&self) -> impl Iterator<Item = (f64, f64)> + Clone {
        let points = self.section.points();
        let inner = points.get(1..points.len().saturating_sub(1)).unwrap_or_default();
        inner.iter().map(|point| (point.at_m, point.ground_m))
    }

    /// The worst edge; `None` if the section has no point between its ends.
    pub fn worst_edge(&self) -> Option<Edge> {
        let length = self.length_m();
        let edges = self.between().map(|(at_m, ground_m)| {
            let bulge_m = self.bulge_m(at_m);
            let clearance_m = self.line_m(at_m) - bulge_m - ground_m;
            let v = edge_parameter(self.frequency_mhz, -clearance_m, at_m, length - at_m);
            let fresnel_m = fresnel_radius_m(self.frequency_mhz, at_m, length - at_m);
            Edge { at_m, ground_m, bulge_m, clearance_m, fresnel_m, v, loss_db: knife_edge_db(v) }
        });
        edges.max_by(|a, b| a.v.total_cmp(&b.v))
    }

    /// The delta-Bullington loss with its parts.
    pub fn delta_bullington(&self) -> DeltaBullington {
        let smooth_heights_m = self.smooth_heights();
        let terrain_db = self.bullington(self.between(), self.antennas_m);
        let smooth_db = self.bullington(self.between().map(|(at, _)| (at, 0.0)), smooth_heights_m);
        let sphere_db = self.sphere_db(smooth_heights_m);
        let loss_db = terrain_db + (sphere_db - smooth_db).max(0.0);
        DeltaBullington { smooth_heights_m, terrain_db, smooth_db, sphere_db, loss_db }
    }

    /// The Bullington loss in dB: one edge where the steepest lines from both ends meet.
    fn bullington(&self, points: impl Iterator<Item = (f64, f64)> + Clone, (a, b): (f64, f64)) -> f64 {
        let length = self.length_m();
        let v = |at: f64, height: f64| {
            let line = a + (b - a) * at / length;
            edge_parameter(self.frequency_mhz, height - line, at, length - at)
        };
        let raised = |(at, ground): (f64, f64)| (at, ground + self.bulge_m(at));
        let slopes = points.clone().map(raised).map(|(at, height)| (height - a) / at);
        let Some(steepest) = slopes.max_by(f64::total_cmp) else { return 0.0 };
        let knife_db = if steepest < (b - a) / length {
            let all = points.map(raised).map(|(at, height)| v(at, height));
            knife_edge_db(all.max_by(f64::total_cmp).unwrap_or(f64::NEG_INFINITY))
        } else {
            let back = points.map(raised).map(|(at, height)| (height - b) / (length - at));
            let back = back.max_by(f64::total_cmp).unwrap_or(0.0);
            let at = (b - a + back * length) / (steepest + back);
            // Both lines fall together only for a path in sight, which is the other case.
            if at.is_finite() && at > 0.0 && at < length {
                knife_edge_db(v(at, a + steepest * at))
            } else {
                0.0
            }
        };
        knife_db + (1.0 - (-knife_db / 6.0).exp()) * (10.0 + 0.02 * length / 1000.0)
    }

    /// Antennas above the smooth earth that fits the terrain.
    fn smooth_heights(&self) -> (f64, f64) {
        let points = self.section.points();
        let length = self.length_m();
        let (mut one, mut two) = (0.0, 0.0);
        for pair in points.windows(2) {
            let &[p, q] = pair else { continue };
            let step = q.at_m - p.at_m;
            one += step * (q.ground_m + p.ground_m);
            two += step * (q.ground_m * (2.0 * q.at_m + p.at_m) + p.ground_m * (q.at_m + 2.0 * p.at_m));
        }
        let mut first = (2.0 * one * length - two) / (length * length);
        let mut last = (two - one * length) / (length * length);
        // Where the terrain is above the line, the smooth earth is lowered.
        let highest = |of: &dyn Fn(f64, f64) -> f64| {
            let all = self.between().map(|(at, ground)| of(at, ground - self.line_m(at)));
            all.max_by(f64::total_cmp).unwrap_or(f64::NEG_INFINITY)
        };
        let above = highest(&|_, over| over);
        if above > 0.0 {
            let from_first = highest(&|at, over| over / at);
            let from_last = highest(&|at, over| over / (length - at));
            first -= above * from_first / (from_first + from_last);
            last -= above * from_last / (from_first + from_last);
        }
        let (ground_a, ground_b) = self.section.ends_m();
        (self.antennas_m.0 - first.min(ground_a), self.antennas_m.1 - last.min(ground_b))
    }

    /// The loss over a smooth sphere in dB.
    fn sphere_db(&self, (a, b): (f64, f64)) -> f64 {
        // Antennas in the ground have no such loss of their own; a person is told of them elsewhere.
        let (a, b) = (a.max(0.0), b.max(0.0));
        if a + b <= 0.0 {
            return self.first_term_db((0.0, 0.0), self.radius_m).max(0.0);
        }
        let (length, radius) = (self.length_m(), self.radius_m);
        let sight = (2.0 * radius).sqrt() * (a.sqrt() + b.sqrt());
        if length >= sight {
            return self.first_term_db((a, b), radius).max(0.0);
        }
        // The smallest clearance over the sphere.
        let c = (a - b) / (a + b);
        let m = length * length / (4.0 * radius * (a + b));
        let inner = (1.5 * c * (3.0 * m / (m + 1.0).powi(3)).sqrt()).clamp(-1.0, 1.0);
        let turn = 2.0 * ((m + 1.0) / (3.0 * m)).sqrt() * (PI / 3.0 + inner.acos() / 3.0).cos();
        let d1 = length / 2.0 * (1.0 + turn);
        let d2 = length - d1;
        let clearance = ((a - d1 * d1 / (2.0 * radius)) * d2 + (b - d2 * d2 / (2.0 * radius)) * d1) / length;
        let wanted = 0.552 * (d1 * d2 * wavelength_m(self.frequency_mhz) / length).max(0.0).sqrt();
        if clearance > wanted {
            return 0.0;
        }
        // Of an antenna at the ground, both are 0.
        let share = if wanted > 0.0 { (clearance / wanted).clamp(0.0, 1.0) } else { 0.0 };
        // A sphere on which this path would just be in sight.
        let radius = 0.5 * (length / (a.sqrt() + b.sqrt())).powi(2);
        (1.0 - share) * self.first_term_db((a, b), radius).max(0.0)
    }

    /// The first term of the loss over a sphere of this radius, in dB.
    fn first_term_db(&self, (a, b): (f64, f64), radius_m: f64) -> f64 {
        let terms = self.first_terms(radius_m, (a, b));
        -terms.0 - terms.1 - terms.2
    }

    /// F(X), G(Y1) and G(Y2).
    fn first_terms(&self, radius_m: f64, (a, b): (f64, f64)) -> (f64, f64, f64) {
        let f_ghz = self.frequency_mhz / 1000.0;
        let radius_km = radius_m / 1000.0;
        let (permittivity, conductivity) =
            (self.ground.relative_permittivity, self.ground.conductivity_s_per_m);
        let loss = 18.0 * conductivity / f_ghz;
        let horizontal = 0.036
            * (radius_km * f_ghz).powf(-1.0 / 3.0)
            * ((permittivity - 1.0).powi(2) + loss * loss).powf(-0.25);
        let admittance = match self.polarisation {
            Polarisation::Horizontal => horizontal,
            Polarisation::Vertical => horizontal * (permittivity * permittivity + loss * loss).sqrt(),
        };
        let (k2, k4) = (admittance.powi(2), admittance.powi(4));
        let beta = (1.0 + 1.6 * k2 + 0.67 * k4) / (1.0 + 4.5 * k2 + 1.53 * k4);
        let x = 21.88 * beta * (f_ghz / (radius_km * radius_km)).cbrt() * self.length_m() / 1000.0;
        let distance = if x < 1.6 {
            -20.0 * x.log10() - 5.6488 * x.powf(1.425)
        } else {
            11.0 + 10.0 * x.log10() - 17.6 * x
        };
        let height = |h: f64| {
            let y = 0.9575 * beta * (f_ghz * f_ghz / radius_km).cbrt() * h;
            let b = beta * y;
            let gain = if b > 2.0 {
                17.6 * (b - 1.1).sqrt() - 5.0 * (b - 1.1).log10() - 8.0
            } else {
                20.0 * (b + 0.1 * b.powi(3)).log10()
            };
            gain.max(2.0 + 20.0 * admittance.log10())
        };
        (distance, height(a), height(b))
    }
}

#[cfg(test)]
mod tests;
