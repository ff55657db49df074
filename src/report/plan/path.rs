//! Will the radio reach: a path, or that of each logger of the roster.

use crate::record::roster::{Logger, Standing};
use crate::siting::geodesy::Place;
use crate::siting::grid::{Grid, path_length};
use crate::siting::link::{self, WANTED_DB};
use crate::siting::section::{Section, SectionError};
use crate::units::account::{self, Words};
use crate::wire::seq::Address;
use std::fmt;

/// A link worked out.
pub type Link = link::Link;
/// The path with one earth and one water level.
pub type LinkCase = link::Case;
/// Terrain and antennas.
pub type Course = link::Course;
/// The radio's figures.
pub type Radio = link::Radio;
/// What would give a margin.
pub type Remedy = link::Remedy;
/// What flat ground would do.
pub type EvenGround = link::EvenGround;
/// The share of the first Fresnel zone that should be free.
pub const CLEAR_SHARE: f64 = link::CLEAR_SHARE;

/// What a margin means. The limits are common practice, no source.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Reach {
    No,
    Doubtful,
    Probably,
    Yes,
}

impl Reach {
    /// By the margin in dB.
    pub fn of(margin_db: f64) -> Self {
        let [usual, good] = WANTED_DB;
        if margin_db >= good {
            Self::Yes
        } else if margin_db >= usual {
            Self::Probably
        } else if margin_db >= 0.0 {
            Self::Doubtful
        } else {
            Self::No
        }
    }
}

/// A path with its answer.
#[derive(Clone, Debug)]
pub struct PathPlan {
    /// What the path is of, as in `17 P-17 toe drain`.
    pub name: String,
    pub radio: Radio,
    pub course: Course,
    pub link: Link,
    /// Every step of the case that counts.
    pub steps: account::Calculation,
}

impl PathPlan {
    /// What its margin means.
    pub fn reach(&self) -> Reach {
        Reach::of(self.link.margin_db())
    }
}

/// A path worked out with what would give more.
pub fn path(name: String, radio: &Radio, course: Course) -> PathPlan {
    let mut steps = account::Calculation::new(Words::default());
    let link = link::link(radio, &course, true, &mut steps);
    PathPlan { name, radio: radio.clone(), course, link, steps }
}

/// A logger of the roster and its path, or why there is none.
#[derive(Clone, Debug)]
pub struct LoggerPath {
    pub logger: Address,
    pub name: String,
    pub found: Result<Link, NoCourse>,
}

/// Why a path cannot be worked out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NoCourse {
    NoPlace,
    NoMastPlace,
    NoAntenna,
    NoMastAntenna,
    NoGround,
    Terrain(SectionError),
}

impl fmt::Display for NoCourse {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoPlace => f.write_str("no `latitude` and `longitude` in the roster"),
            Self::NoMastPlace => f.write_str("no `latitude` and `longitude` of [mast] in the plan"),
            Self::NoAntenna => {
                f.write_str("no `antenna_m` in the roster, nor `logger_antenna_m` of [path] in the plan")
            }
            Self::NoMastAntenna => f.write_str("no `antenna_m` of [mast] in the plan"),
            Self::NoGround => f.write_str("neither a grid nor `ground_m` of both ends"),
            Self::Terrain(error) => write!(f, "the terrain {error}"),
        }
    }
}

/// The ends of a path and the terrain between them.
pub fn course(
    logger: &Standing,
    mast: &Standing,
    usual_antenna_m: Option<f64>,
    grid: Option<&Grid>,
) -> Result<Course, NoCourse> {
    let place = |of: &Standing| of.place.map(|(latitude, longitude)| Place { latitude, longitude });
    let from = place(logger).ok_or(NoCourse::NoPlace)?;
    let to = place(mast).ok_or(NoCourse::NoMastPlace)?;
    let logger_antenna_m = logger.antenna_m.or(usual_antenna_m).ok_or(NoCourse::NoAntenna)?;
    let mast_antenna_m = mast.antenna_m.ok_or(NoCourse::NoMastAntenna)?;
    let section = match grid {
        Some(grid) => grid.section(from, to, (logger.ground_m, mast.ground_m)),
        None => {
            let (first, last) = logger.ground_m.zip(mast.ground_m).ok_or(NoCourse::NoGround)?;
            path_length(from, to).and_then(|length| Section::even(length, first, last))
        }
    };
    Ok(Course { section: section.map_err(NoCourse::Terrain)?, logger_antenna_m, mast_antenna_m })
}

/// The paths of loggers, the weakest first; those without a path at the end.
pub fn of_loggers<'r>(
    loggers: impl Iterator<Item = &'r Logger>,
    radio: &Radio,
    course: impl Fn(&Logger) -> Result<Course, NoCourse>,
) -> Vec<LoggerPath> {
    let one = |logger: &Logger| LoggerPath {
        logger: logger.address,
        name: logger.name.clone(),
        found: course(logger).map(|course| link::link(radio, &course, false, &mut crate::units::Silent)),
    };
    let mut all: Vec<LoggerPath> = loggers.map(one).collect();
    let margin = |path: &LoggerPath| path.found.as_ref().map_or(f64::INFINITY, Link::margin_db);
    all.sort_by(|a, b| margin(a).total_cmp(&margin(b)));
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_course_says_what_it_lacks() {
        let at = |latitude| Standing {
            place: Some((latitude, -121.0)),
            ground_m: Some(600.0),
            antenna_m: Some(3.0),
        };
        let (logger, mast) = (at(46.95), at(46.96));
        let found = course(&logger, &mast, None, None).unwrap();
        assert!((found.section.length_m() - 1_112.0).abs() < 2.0, "{}", found.section.length_m());
        let lacks = |logger: Standing, mast: Standing| course(&logger, &mast, None, None).unwrap_err();
        assert_eq!(lacks(Standing { place: None, ..logger }, mast), NoCourse::NoPlace);
        assert_eq!(lacks(logger, Standing { place: None, ..mast }), NoCourse::NoMastPlace);
        assert_eq!(lacks(Standing { antenna_m: None, ..logger }, mast), NoCourse::NoAntenna);
        assert_eq!(lacks(logger, Standing { antenna_m: None, ..mast }), NoCourse::NoMastAntenna);
        assert_eq!(lacks(Standing { ground_m: None, ..logger }, mast), NoCourse::NoGround);
        assert!(matches!(lacks(logger, logger), NoCourse::Terrain(_)));
        let usual = course(&Standing { antenna_m: None, ..logger }, &mast, Some(1.5), None).unwrap();
        assert_eq!(usual.logger_antenna_m, 1.5);
    }

    #[test]
    fn a_margin_means_the_same_everywhere() {
        let of = [-0.1, 0.0, 9.9, 10.0, 19.9, 20.0].map(Reach::of);
        use Reach::*;
        assert_eq!(of, [No, Doubtful, Doubtful, Probably, Probably, Yes]);
    }
}
