//! A radio link from a logger to the mast: every loss, the margin, and what would give more.
//!
//! Input: the radio's figures and a path. Output: [`Link`], and every step of the calculation where it is wanted.
//!
//! A path is worked out for each pair of an earth (k and a low k) and a water level. The worst pair counts. The loss of a
//! pair is that in free space and the larger of two: delta-Bullington diffraction, or the excess of the plane-earth law
//! where the ground is even. The loss of the worst single edge is there to compare.
//!
//! What this is not: no fading statistics, no interference; a margin says how much of both a link stands.

use super::diffraction::{DeltaBullington, Edge, Ground, Path, Polarisation};
use super::path::{self, EARTH_RADIUS_M};
use super::radio::{self, Receiver};
use super::section::Section;
use super::woodland::Woodland;
use crate::units::{Silent, Step, Trace, note, number, term};
use serde::Serialize;
use std::fmt;

/// The share of the first Fresnel zone that should be free. Common practice; ITU-R P.530 (from memory).
pub const CLEAR_SHARE: f64 = 0.6;
/// The margins that are asked for, in dB. Common practice, no source.
pub const WANTED_DB: [f64; 2] = [10.0, 20.0];
/// How much higher an antenna is tried, in metres. Ours.
const RAISED_MAX_M: u32 = 60;

/// One end's antenna and cable.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct End {
    pub gain_dbi: f64,
    pub cable_loss_db: f64,
}

/// The lowest and the highest level of the reservoir, as elevations in metres.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Water {
    pub lowest_m: f64,
    pub highest_m: f64,
}

/// The figures of a radio, as a person gave them.
#[derive(Clone, Debug, PartialEq)]
pub struct Radio {
    pub frequency_mhz: f64,
    pub transmit_dbm: f64,
    pub logger: End,
    pub mast: End,
    pub receiver: Receiver,
    pub polarisation: Polarisation,
    pub ground: Ground,
    /// Effective earth radius over the earth's, as it usually is.
    pub k: f64,
    /// The same in poor air.
    pub low_k: f64,
    pub woodland: Option<Woodland>,
    /// Buildings and the like, in dB.
    pub clutter_db: f64,
    pub water: Option<Water>,
    /// The user's own limits.
    pub limit_eirp_dbm: Option<f64>,
    pub limit_erp_dbm: Option<f64>,
}

/// A path: the terrain, and the antennas above the ground at its ends.
#[derive(Clone, Debug, PartialEq)]
pub struct Course {
    pub section: Section,
    pub logger_antenna_m: f64,
    pub mast_antenna_m: f64,
}

/// The path with one earth and one water level.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Case {
    pub k: f64,
    /// Elevation of the water, if the path has any.
    pub water_m: Option<f64>,
    /// The worst edge; `None` if the section has only its ends.
    pub edge: Option<Edge>,
    pub delta: DeltaBullington,
    /// The excess of the plane-earth law over free space, where it holds.
    pub two_ray_db: Option<f64>,
    /// The loss beyond free space that counts, in dB.
    pub excess_db: f64,
    pub received_dbm: f64,
    pub margin_db: f64,
    /// The same, with the worst single edge as the only excess.
    pub edge_received_dbm: f64,
    pub edge_margin_db: f64,
}

impl Case {
    /// The clearance as a share of the first Fresnel zone.
    pub fn clear_share(&self) -> Option<f64> {
        self.edge.map(|edge| edge.clearance_m / edge.fresnel_m)
    }

    /// Whether the antennas see each other.
    pub fn is_in_sight(&self) -> bool {
        self.edge.is_none_or(|edge| edge.clearance_m > 0.0)
    }

    /// Whether as much of the first Fresnel zone is free as should be.
    pub fn is_clear(&self) -> bool {
        self.clear_share().is_none_or(|share| share >= CLEAR_SHARE)
    }
}

/// What would give a margin.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Remedy {
    pub wanted_db: f64,
    /// More gain or power, in dB; 0 if the margin is there.
    pub gain_db: f64,
    /// How high the logger's antenna must be, in metres above its ground; `None` if no height within reach is enough.
    pub logger_antenna_m: Option<f64>,
    pub mast_antenna_m: Option<f64>,
}

/// What a reader must know about a result.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Caution {
    FrequencyOutside,
    TooShort,
    AntennaTooLow,
    LowAboveGround,
    OverLimit { is_erp: bool, radiated_dbm: f64, limit_dbm: f64 },
    MastUnderWater,
    LoggerUnderWater,
    EvenGround,
}

impl fmt::Display for Caution {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::FrequencyOutside => f.write_str(
                "the frequency is outside 30 MHz to 50 GHz, for which these formulas are meant; the figures are only a hint",
            ),
            Self::TooShort => f.write_str(
                "the path is shorter than 100 m or 10 wavelengths; walls, fences and people decide there, not these formulas",
            ),
            Self::AntennaTooLow => f.write_str("an antenna is at or below its ground; check the heights"),
            Self::LowAboveGround => f.write_str(
                "an antenna is less than one wavelength above its ground, so its pattern and gain change; the loss is \
                 likely larger than shown",
            ),
            Self::OverLimit { is_erp, radiated_dbm, limit_dbm } => write!(
                f,
                "{} of {radiated_dbm:.1} dBm is over the limit of {limit_dbm:.1} dBm that the plan names",
                if *is_erp { "ERP" } else { "EIRP" }
            ),
            Self::MastUnderWater => f.write_str("the mast's antenna is below the highest water level"),
            Self::LoggerUnderWater => f.write_str("the logger's antenna is below the highest water level"),
            Self::EvenGround => f.write_str(
                "even ground was assumed between both ends; a hill, a bank or a building in between is not in these figures",
            ),
        }
    }
}

/// What flat, well reflecting ground would do. Known for even ground only.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct EvenGround {
    /// Beyond it, the plane-earth law holds.
    pub crossover_m: f64,
    /// The last maximum.
    pub breakpoint_m: f64,
    /// The whole loss by the plane-earth law, in dB.
    pub plane_earth_db: f64,
    /// The whole loss of the direct and the reflected ray, in dB.
    pub two_ray_db: f64,
}

/// A link worked out.
#[derive(Clone, Debug, PartialEq)]
pub struct Link {
    pub length_m: f64,
    pub eirp_dbm: f64,
    pub eirp_w: f64,
    pub erp_dbm: f64,
    pub free_space_db: f64,
    pub woodland_db: f64,
    pub clutter_db: f64,
    pub sensitivity_dbm: f64,
    pub sensitivity_w: f64,
    /// The longest line of sight over a smooth earth with these antennas, at k.
    pub horizon_m: f64,
    pub even_ground: Option<EvenGround>,
    /// Thermal noise, and the same with the receiver's own noise, in dBm; `None` if the sensitivity was given.
    pub noise_dbm: Option<(f64, f64)>,
    /// At least one.
    pub cases: Vec<Case>,
    /// The index of the case that counts.
    pub worst: usize,
    pub remedies: Vec<Remedy>,
    pub cautions: Vec<Caution>,
}

impl Link {
    /// The case that counts: the one with the smallest margin.
    pub fn counts(&self) -> Option<&Case> {
        self.cases.get(self.worst)
    }

    /// The margin that counts, in dB.
    pub fn margin_db(&self) -> f64 {
        self.counts().map_or(f64::NAN, |case| case.margin_db)
    }
}

/// The earths and water levels of a path.
fn pairs(radio: &Radio, section: &Section) -> Vec<(f64, Option<f64>)> {
    let levels = match radio.water {
        Some(water) if section.is_below(water.highest_m) => vec![Some(water.lowest_m), Some(water.highest_m)],
        _ => vec![None],
    };
    let mut earths = vec![radio.k];
    if radio.low_k != radio.k {
        earths.push(radio.low_k);
    }
    levels.into_iter().flat_map(|level| earths.iter().map(move |&k| (k, level))).collect()
}

/// What is the same for all cases of a path.
struct Common {
    free_space_db: f64,
    /// Woodland and clutter.
    other_db: f64,
    /// Radiated power and the gain of the other end.
    before_dbm: f64,
    sensitivity_dbm: f64,
}

fn common(radio: &Radio, length_m: f64) -> Common {
    let eirp = radio::eirp_dbm(radio.transmit_dbm, radio.logger.gain_dbi, radio.logger.cable_loss_db);
    Common {
        free_space_db: path::free_space_db(radio.frequency_mhz, length_m),
        other_db: radio.woodland.map_or(0.0, |wood| wood.loss_db()) + radio.clutter_db,
        before_dbm: eirp + radio.mast.gain_dbi - radio.mast.cable_loss_db,
        sensitivity_dbm: radio.receiver.sensitivity_dbm(),
    }
}

fn case(radio: &Radio, course: &Course, common: &Common, (k, water_m): (f64, Option<f64>)) -> Case {
    let filled = water_m.map(|level| course.section.filled_to(level));
    // Antennas stand on the ground, whatever the water does.
    let (first, last) = course.section.ends_m();
    let section = filled.as_ref().unwrap_or(&course.section);
    let of = Path {
        section,
        frequency_mhz: radio.frequency_mhz,
        antennas_m: (first + course.logger_antenna_m, last + course.mast_antenna_m),
        radius_m: k * EARTH_RADIUS_M,
        polarisation: radio.polarisation,
        ground: radio.ground,
    };
    let (edge, delta) = (of.worst_edge(), of.delta_bullington());
    let is_in_sight = edge.is_none_or(|edge| edge.clearance_m > 0.0);
    let two_ray_db = (section.is_flat() && water_m.is_none() && is_in_sight)
        .then(|| two_ray_excess(radio, course, common))
        .flatten();
    let excess_db = delta.loss_db.max(two_ray_db.unwrap_or(0.0));
    let level = |excess: f64| common.before_dbm - common.free_space_db - excess - common.other_db;
    let edge_received_dbm = level(edge.map_or(0.0, |edge| edge.loss_db));
    Case {
        k,
        water_m,
        edge,
        delta,
        two_ray_db,
        excess_db,
        received_dbm: level(excess_db),
        margin_db: level(excess_db) - common.sensitivity_dbm,
        edge_received_dbm,
        edge_margin_db: edge_received_dbm - common.sensitivity_dbm,
    }
}

/// The excess of the plane-earth law, beyond the crossover.
fn two_ray_excess(radio: &Radio, course: &Course, common: &Common) -> Option<f64> {
    let (a, b, length) = (course.logger_antenna_m, course.mast_antenna_m, course.section.length_m());
    if a <= 0.0 || b <= 0.0 || length <= path::crossover_m(radio.frequency_mhz, a, b) {
        return None;
    }
    Some(path::plane_earth_db(a, b, length) - common.free_space_db)
}

/// All cases of a path, without steps.
fn cases(radio: &Radio, course: &Course, common: &Common) -> Vec<Case> {
    pairs(radio, &course.section).into_iter().map(|pair| case(radio, course, common, pair)).collect()
}

/// The case with the smallest margin; of equal ones, that with the least clearance.
fn least(cases: &[Case]) -> usize {
    let rank = |case: &Case| (case.margin_db, case.clear_share().unwrap_or(f64::INFINITY));
    let all = cases.iter().enumerate().map(|(at, case)| (at, rank(case)));
    all.min_by(|(_, a), (_, b)| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1))).map_or(0, |(at, _)| at)
}

/// The lowest height of one antenna that gives a margin, to 0.1 m.
fn raised(height_m: f64, wanted_db: f64, margin: impl Fn(f64) -> f64) -> Option<f64> {
    // Diffraction over several edges is not strictly monotonic, so heights are tried in order.
    let enough = (1..=RAISED_MAX_M).find(|&more| margin(height_m + f64::from(more)) >= wanted_db)?;
    let (mut low, mut high) = (height_m + f64::from(enough) - 1.0, height_m + f64::from(enough));
    while high - low > 0.05 {
        let middle = (low + high) / 2.0;
        if margin(middle) >= wanted_db { high = middle } else { low = middle }
    }
    Some((high * 10.0).ceil() / 10.0)
}

/// Works a link out. `wants_remedies`: also what would give more, which takes some hundred times as long.
pub fn link(radio: &Radio, course: &Course, wants_remedies: bool, trace: &mut impl Trace) -> Link {
    let length_m = course.section.length_m();
    let common = common(radio, length_m);
    let cases = cases(radio, course, &common);
    let worst = least(&cases);
    let eirp_dbm = radio::eirp_dbm(radio.transmit_dbm, radio.logger.gain_dbi, radio.logger.cable_loss_db);
    let (a, b) = (course.logger_antenna_m, course.mast_antenna_m);
    let mut link = Link {
        length_m,
        eirp_dbm,
        eirp_w: radio::watts_of_dbm(eirp_dbm),
        erp_dbm: radio::erp_dbm(eirp_dbm),
        free_space_db: common.free_space_db,
        woodland_db: radio.woodland.map_or(0.0, |wood| wood.loss_db()),
        clutter_db: radio.clutter_db,
        sensitivity_dbm: common.sensitivity_dbm,
        sensitivity_w: radio::watts_of_dbm(common.sensitivity_dbm),
        horizon_m: path::horizon_m(a, b, radio.k),
        even_ground: (course.section.is_flat() && a > 0.0 && b > 0.0).then(|| EvenGround {
            crossover_m: path::crossover_m(radio.frequency_mhz, a, b),
            breakpoint_m: path::breakpoint_m(radio.frequency_mhz, a, b),
            plane_earth_db: path::plane_earth_db(a, b, length_m),
            two_ray_db: path::two_ray_db(radio.frequency_mhz, a, b, length_m),
        }),
        noise_dbm: radio.receiver.noise_dbm(),
        cases,
        worst,
        remedies: Vec::new(),
        cautions: cautions(radio, course, eirp_dbm),
    };
    if wants_remedies {
        link.remedies = remedies(radio, course, &common, link.margin_db());
    }
    if trace.is_wanted() {
        explain(radio, course, &link, trace);
    }
    link
}

fn remedies(radio: &Radio, course: &Course, common: &Common, margin_db: f64) -> Vec<Remedy> {
    let margin = |course: &Course| {
        let cases = cases(radio, course, common);
        cases.get(least(&cases)).map_or(f64::NAN, |case| case.margin_db)
    };
    let one = |wanted_db: f64| {
        let gain_db = (wanted_db - margin_db).max(0.0);
        let (logger, mast) = (course.logger_antenna_m, course.mast_antenna_m);
        if gain_db == 0.0 {
            return Remedy { wanted_db, gain_db, logger_antenna_m: Some(logger), mast_antenna_m: Some(mast) };
        }
        let with_logger = |height| margin(&Course { logger_antenna_m: height, ..course.clone() });
        let with_mast = |height| margin(&Course { mast_antenna_m: height, ..course.clone() });
        Remedy {
            wanted_db,
            gain_db,
            logger_antenna_m: raised(logger, wanted_db, with_logger),
            mast_antenna_m: raised(mast, wanted_db, with_mast),
        }
    };
    WANTED_DB.map(one).to_vec()
}

fn cautions(radio: &Radio, course: &Course, eirp_dbm: f64) -> Vec<Caution> {
    let mut found = Vec::new();
    let wavelength = radio::wavelength_m(radio.frequency_mhz);
    let lowest = course.logger_antenna_m.min(course.mast_antenna_m);
    let mut add = |is: bool, caution: Caution| found.extend(is.then_some(caution));
    add(!(30.0..=50_000.0).contains(&radio.frequency_mhz), Caution::FrequencyOutside);
    let length = course.section.length_m();
    add(length < 100.0 || length < 10.0 * wavelength, Caution::TooShort);
    add(lowest <= 0.0, Caution::AntennaTooLow);
    add(lowest > 0.0 && lowest < wavelength, Caution::LowAboveGround);
    let limits =
        [(false, eirp_dbm, radio.limit_eirp_dbm), (true, radio::erp_dbm(eirp_dbm), radio.limit_erp_dbm)];
    for (is_erp, radiated_dbm, limit) in limits {
        if let Some(limit_dbm) = limit.filter(|&limit| radiated_dbm > limit) {
            add(true, Caution::OverLimit { is_erp, radiated_dbm, limit_dbm });
        }
    }
    if let Some(water) = radio.water {
        let (first, last) = course.section.ends_m();
        add(first + course.logger_antenna_m < water.highest_m, Caution::LoggerUnderWater);
        add(last + course.mast_antenna_m < water.highest_m, Caution::MastUnderWater);
    }
    add(course.section.is_flat(), Caution::EvenGround);
    found
}

/// Writes every step of the case that counts.
fn explain(radio: &Radio, course: &Course, link: &Link, trace: &mut impl Trace) {
    let f = radio.frequency_mhz;
    let wavelength = radio::wavelength_m(f);
    let mut say = |step: Step| note(trace, || step);
    say(Step::new(
        "wavelength",
        "c / frequency",
        format!("299792458 / ({} × 10^6)", number(f)),
        wavelength,
        "m",
    ));
    say(Step::new(
        "eirp",
        "transmit_dbm + antenna_gain_dbi − cable_loss_db",
        format!(
            "{} + {} − {}",
            number(radio.transmit_dbm),
            term(radio.logger.gain_dbi),
            term(radio.logger.cable_loss_db)
        ),
        link.eirp_dbm,
        "dBm",
    ));
    say(Step::new("erp", "eirp − 2.15", format!("{} − 2.15", number(link.eirp_dbm)), link.erp_dbm, "dBm")
        .remark("over a half-wave dipole of 2.15 dBi, from memory"));
    say(Step::new(
        "free_space",
        "20 log10(4 π distance / wavelength)",
        format!("20 log10(4 π × {} / {})", number(link.length_m), number(wavelength)),
        link.free_space_db,
        "dB",
    )
    .remark("ITU-R P.525, exact form"));
    if let Some(case) = link.counts() {
        explain_case(radio, course, link, case, &mut say);
    }
    if let Some(wood) = radio.woodland {
        say(Step::new(
            "woodland",
            "most_db (1 − exp(−depth_m × db_per_m / most_db))",
            format!(
                "{0} × (1 − exp(−{1} × {2} / {0}))",
                number(wood.most_db),
                number(wood.depth_m),
                number(wood.db_per_m)
            ),
            link.woodland_db,
            "dB",
        )
        .remark("ITU-R P.833; the figures of the wood are the plan's"));
    }
    explain_receiver(&radio.receiver, &mut say);
    if let Some(case) = link.counts() {
        say(Step::new(
            "received",
            "eirp + antenna_gain_dbi − cable_loss_db − free_space − excess − woodland − clutter",
            format!(
                "{} + {} − {} − {} − {} − {} − {}",
                number(link.eirp_dbm),
                term(radio.mast.gain_dbi),
                term(radio.mast.cable_loss_db),
                number(link.free_space_db),
                number(case.excess_db),
                number(link.woodland_db),
                number(link.clutter_db)
            ),
            case.received_dbm,
            "dBm",
        )
        .remark("antenna and cable of the mast"));
        say(Step::new(
            "margin",
            "received − sensitivity",
            format!("{} − {}", number(case.received_dbm), term(link.sensitivity_dbm)),
            case.margin_db,
            "dB",
        )
        .remark("the smallest of all cases"));
    }
}

fn explain_case(radio: &Radio, course: &Course, link: &Link, case: &Case, say: &mut impl FnMut(Step)) {
    let radius = case.k * EARTH_RADIUS_M;
    say(Step::new("earth_radius", "k × 6371000", format!("{} × 6371000", number(case.k)), radius, "m")
        .remark("k is 4/3 for usual air; a low k bends the ray up"));
    let (a, b) = (course.logger_antenna_m, course.mast_antenna_m);
    let (one, two) = (path::horizon_m(a, 0.0, case.k), path::horizon_m(0.0, b, case.k));
    say(Step::new(
        "horizon",
        "sqrt(2 earth_radius h1) + sqrt(2 earth_radius h2)",
        format!("{} + {}", number(one), number(two)),
        one + two,
        "m",
    )
    .remark("the longest line of sight over a smooth earth"));
    if let Some(edge) = case.edge {
        let (d1, d2) = (edge.at_m, link.length_m - edge.at_m);
        say(Step::new(
            "bulge",
            "d1 d2 / (2 earth_radius)",
            format!("{} × {} / (2 × {})", number(d1), number(d2), number(radius)),
            edge.bulge_m,
            "m",
        )
        .remark("at the worst point of the terrain"));
        let (first, last) = course.section.ends_m();
        let (from, to) = (first + a, last + b);
        say(Step::new(
            "clearance",
            "line between the antennas − bulge − terrain",
            format!(
                "{} − {} − {}",
                number(edge.clearance_m + edge.bulge_m + edge.ground_m),
                number(edge.bulge_m),
                term(edge.ground_m)
            ),
            edge.clearance_m,
            "m",
        )
        .remark(format!("the line goes from {} m to {} m", number(from), number(to))));
        say(Step::new(
            "fresnel",
            "sqrt(wavelength d1 d2 / (d1 + d2))",
            format!(
                "sqrt({} × {} × {} / {})",
                number(radio::wavelength_m(radio.frequency_mhz)),
                number(d1),
                number(d2),
                number(link.length_m)
            ),
            edge.fresnel_m,
            "m",
        )
        .remark("radius of the first Fresnel zone, ITU-R P.526"));
        say(Step::new(
            "clear_share",
            "clearance / fresnel",
            format!("{} / {}", number(edge.clearance_m), number(edge.fresnel_m)),
            edge.clearance_m / edge.fresnel_m,
            "",
        )
        .remark("0.6 is wanted: ITU-R P.530, from memory"));
        say(Step::new(
            "v",
            "−clearance sqrt(2 (d1 + d2) / (wavelength d1 d2))",
            format!("−{} × sqrt(2) / {}", term(edge.clearance_m), number(edge.fresnel_m)),
            edge.v,
            "",
        )
        .remark("ITU-R P.526"));
        say(Step::new(
            "single_edge",
            "6.9 + 20 log10(sqrt((v − 0.1)² + 1) + v − 0.1), 0 up to v = −0.78",
            number(edge.loss_db),
            edge.loss_db,
            "dB",
        )
        .remark("ITU-R P.526; to compare, not counted"));
    }
    let delta = case.delta;
    say(Step::new(
        "smooth_height_logger",
        "above the smooth earth that fits the terrain",
        number(delta.smooth_heights_m.0),
        delta.smooth_heights_m.0,
        "m",
    ));
    say(Step::new(
        "smooth_height_mast",
        "above the smooth earth that fits the terrain",
        number(delta.smooth_heights_m.1),
        delta.smooth_heights_m.1,
        "m",
    ));
    say(Step::new(
        "bullington_terrain",
        "J(v) + (1 − exp(−J(v) / 6)) (10 + 0.02 km), over the terrain",
        number(delta.terrain_db),
        delta.terrain_db,
        "dB",
    ));
    say(Step::new(
        "bullington_smooth",
        "the same over the smooth earth",
        number(delta.smooth_db),
        delta.smooth_db,
        "dB",
    ));
    say(Step::new(
        "sphere",
        "first term over a sphere, with the heights above",
        number(delta.sphere_db),
        delta.sphere_db,
        "dB",
    ));
    say(Step::new(
        "delta_bullington",
        "bullington_terrain + max(sphere − bullington_smooth, 0)",
        format!(
            "{} + max({} − {}, 0)",
            number(delta.terrain_db),
            number(delta.sphere_db),
            number(delta.smooth_db)
        ),
        delta.loss_db,
        "dB",
    )
    .remark("ITU-R P.526 since edition 11, from memory; checked against the published validation examples"));
    if let Some(two_ray) = case.two_ray_db {
        say(Step::new(
            "plane_earth",
            "20 log10(distance² / (h1 h2)) − free_space",
            format!(
                "20 log10({}² / ({} × {})) − {}",
                number(link.length_m),
                number(a),
                number(b),
                number(link.free_space_db)
            ),
            two_ray,
            "dB",
        )
        .remark("even ground, beyond the crossover 4 π h1 h2 / wavelength; textbook form, from memory"));
    }
    say(Step::new(
        "excess",
        "max(delta_bullington, plane_earth)",
        format!("max({}, {})", number(delta.loss_db), case.two_ray_db.map_or("none".to_owned(), number)),
        case.excess_db,
        "dB",
    ));
}

fn explain_receiver(receiver: &Receiver, say: &mut impl FnMut(Step)) {
    let (noise_name, bandwidth, temperature, figure, ratio) = match *receiver {
        Receiver::Sensitivity { dbm } => {
            say(Step::new("sensitivity", "as the plan has it", number(dbm), dbm, "dBm"));
            return;
        }
        Receiver::Noise { bandwidth_hz, noise_figure_db, required_snr_db, temperature_k } => (
            "bandwidth_hz",
            bandwidth_hz,
            temperature_k,
            noise_figure_db,
            ("required_snr_db", required_snr_db),
        ),
        Receiver::BitRate { bits_per_s, noise_figure_db, required_ebn0_db, temperature_k } => {
            ("bits_per_s", bits_per_s, temperature_k, noise_figure_db, ("required_ebn0_db", required_ebn0_db))
        }
    };
    let noise = radio::thermal_noise_dbm(temperature, bandwidth);
    say(Step::new(
        "thermal_noise",
        format!("10 log10(1.380649e-23 × noise_temperature_k × {noise_name}) + 30"),
        format!("10 log10(1.380649e-23 × {} × {}) + 30", number(temperature), number(bandwidth)),
        noise,
        "dBm",
    ));
    say(Step::new(
        "sensitivity",
        format!("thermal_noise + noise_figure_db + {}", ratio.0),
        format!("{} + {} + {}", number(noise), term(figure), term(ratio.1)),
        receiver.sensitivity_dbm(),
        "dBm",
    ));
}

/// The margin that counts, alone.
pub fn margin_db(radio: &Radio, course: &Course) -> f64 {
    link(radio, course, false, &mut Silent).margin_db()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::siting::section::Point;
    use proptest::prelude::*;

    fn radio() -> Radio {
        Radio {
            frequency_mhz: 915.0,
            transmit_dbm: 20.0,
            logger: End { gain_dbi: 2.15, cable_loss_db: 0.5 },
            mast: End { gain_dbi: 2.15, cable_loss_db: 0.5 },
            receiver: Receiver::Noise {
                bandwidth_hz: 125_000.0,
                noise_figure_db: 6.0,
                required_snr_db: 10.0,
                temperature_k: 290.0,
            },
            polarisation: Polarisation::Vertical,
            ground: Ground::default(),
            k: 4.0 / 3.0,
            low_k: 2.0 / 3.0,
            woodland: None,
            clutter_db: 0.0,
            water: None,
            limit_eirp_dbm: None,
            limit_erp_dbm: None,
        }
    }

    fn course(section: Section, logger_antenna_m: f64, mast_antenna_m: f64) -> Course {
        Course { section, logger_antenna_m, mast_antenna_m }
    }

    fn flat(length_m: f64, a: f64, b: f64) -> Course {
        course(Section::flat(length_m).unwrap(), a, b)
    }

    fn hill() -> Section {
        let points = [(0.0, 0.0), (4_000.0, 60.0), (9_000.0, 20.0), (14_000.0, 0.0)];
        Section::new(points.map(|(at_m, ground_m)| Point { at_m, ground_m }).to_vec()).unwrap()
    }

    #[test]
    fn low_antennas_on_even_ground_lose_by_the_plane_earth_law_or_more() {
        let found = link(&radio(), &flat(1_600.0, 3.0, 2.0), false, &mut Silent);
        let case = found.counts().unwrap();
        // Reference value of the plane-earth loss: 112.601774299 dB.
        let plane = case.two_ray_db.unwrap() + found.free_space_db;
        assert!((plane - 112.601_774_299).abs() < 1e-6, "{plane}");
        assert!(case.excess_db >= case.two_ray_db.unwrap());
        // High antennas see each other clear of the ground: no plane earth below the crossover.
        let high = link(&radio(), &flat(1_600.0, 20.0, 30.0), false, &mut Silent);
        assert!(high.cases.iter().all(|case| case.two_ray_db.is_none() && case.is_clear()));
        assert!(high.margin_db() > found.margin_db() + 10.0);
    }

    #[test]
    fn the_worst_of_both_earths_and_both_levels_counts() {
        let water = Some(Water { lowest_m: -5.0, highest_m: 15.0 });
        let valley: Vec<Point> = [(0.0, 10.0), (500.0, -20.0), (3_000.0, -20.0), (3_500.0, 12.0)]
            .map(|(at_m, ground_m)| Point { at_m, ground_m })
            .to_vec();
        let radio = Radio { water, ..radio() };
        let found = link(&radio, &course(Section::new(valley).unwrap(), 6.0, 8.0), false, &mut Silent);
        assert_eq!(found.cases.len(), 4);
        let levels: Vec<Option<f64>> = found.cases.iter().map(|case| case.water_m).collect();
        assert_eq!(levels, [Some(-5.0), Some(-5.0), Some(15.0), Some(15.0)]);
        let least = found.cases.iter().map(|case| case.margin_db).fold(f64::INFINITY, f64::min);
        assert_eq!(found.margin_db(), least);
        let counts = found.counts().unwrap();
        assert_eq!((counts.k, counts.water_m), (2.0 / 3.0, Some(15.0)));
        // Where no part of the path is below the highest level, water is no matter.
        let dry =
            link(&radio, &course(Section::even(3_500.0, 40.0, 42.0).unwrap(), 6.0, 8.0), false, &mut Silent);
        assert!(dry.cases.iter().all(|case| case.water_m.is_none()));
    }

    #[test]
    fn a_remedy_gives_the_margin_it_promises_and_less_would_not() {
        let weak = Radio { transmit_dbm: 18.0, ..radio() };
        let points = [(0.0, 0.0), (900.0, 8.0), (2_000.0, 3.0), (3_000.0, 0.0)];
        let points = points.map(|(at_m, ground_m)| Point { at_m, ground_m }).to_vec();
        let way = course(Section::new(points).unwrap(), 2.0, 10.0);
        let found = link(&weak, &way, true, &mut Silent);
        assert!((0.0..10.0).contains(&found.margin_db()), "{}", found.margin_db());
        for remedy in &found.remedies {
            let more = Radio { transmit_dbm: 18.0 + remedy.gain_db, ..weak.clone() };
            assert!((margin_db(&more, &way) - remedy.wanted_db).abs() < 1e-9);
            if let Some(height) = remedy.logger_antenna_m {
                let higher = |height| margin_db(&weak, &Course { logger_antenna_m: height, ..way.clone() });
                assert!(higher(height) >= remedy.wanted_db && higher(height - 0.2) < remedy.wanted_db);
            }
        }
        assert!(
            found.remedies.iter().any(|remedy| remedy.logger_antenna_m.is_some()),
            "{:?}",
            found.remedies
        );
        let strong = link(&radio(), &flat(300.0, 5.0, 12.0), true, &mut Silent);
        assert!(strong.remedies.iter().all(|remedy| remedy.gain_db == 0.0), "{:?}", strong.remedies);
    }

    #[test]
    fn what_is_outside_the_formulas_is_said_and_not_refused() {
        let said = |radio: &Radio, course: &Course| link(radio, course, false, &mut Silent).cautions;
        assert_eq!(said(&radio(), &course(hill(), 2.0, 10.0)), []);
        assert!(
            said(&Radio { frequency_mhz: 5.0, ..radio() }, &flat(1e4, 90.0, 90.0))
                .contains(&Caution::FrequencyOutside)
        );
        assert!(said(&radio(), &flat(50.0, 2.0, 2.0)).contains(&Caution::TooShort));
        assert!(said(&radio(), &flat(500.0, 0.2, 2.0)).contains(&Caution::LowAboveGround));
        let limited = Radio { limit_eirp_dbm: Some(20.0), limit_erp_dbm: Some(19.5), ..radio() };
        let over = said(&limited, &course(hill(), 2.0, 10.0));
        assert_eq!(over.len(), 1);
        assert!(
            over[0].to_string().starts_with("EIRP of 21.6 dBm is over the limit of 20.0 dBm"),
            "{}",
            over[0]
        );
    }

    #[test]
    fn every_figure_of_the_margin_has_a_step() {
        let mut steps = crate::units::Steps::default();
        let radio =
            Radio { woodland: Some(Woodland { depth_m: 30.0, db_per_m: 0.17, most_db: 26.5 }), ..radio() };
        let found = link(&radio, &flat(1_600.0, 3.0, 2.0), false, &mut steps);
        let of = |name: &str| {
            steps.0.iter().find(|step| step.name == name).unwrap_or_else(|| panic!("{name}")).result
        };
        assert_eq!(of("margin"), found.margin_db());
        assert_eq!(
            of("received"),
            of("eirp") + 2.15 - 0.5 - of("free_space") - of("excess") - of("woodland")
        );
        assert_eq!(of("margin"), of("received") - of("sensitivity"));
        assert!((of("bulge") - found.counts().unwrap().edge.unwrap().bulge_m).abs() < 1e-12);
    }

    proptest! {
        #[test]
        fn more_power_adds_its_decibels_and_more_length_never_helps_in_the_open(
            more in 0.0f64..30.0, length in 200.0f64..9_000.0, a in 1.0f64..30.0, b in 1.0f64..30.0,
        ) {
            let way = flat(length, a, b);
            let base = margin_db(&radio(), &way);
            let strong = margin_db(&Radio { transmit_dbm: 20.0 + more, ..radio() }, &way);
            prop_assert!((strong - base - more).abs() < 1e-9);
            prop_assert!(margin_db(&radio(), &flat(length * 1.5, a, b)) < base);
        }
    }
}
