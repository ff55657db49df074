//! Collects the content of a picture from one consistent state of the ledger.
//!
//! Readings are read in one time stretch after the other, so that memory does not grow with the years.

use super::band::Band;
use super::near::distance;
use super::panel::{Drawn, Panel, Series};
use super::thin::{At, Columns};
use crate::config::Config;
use crate::ledger::read::readings::Known;
use crate::ledger::read::snapshot::Snapshot;
use crate::record::damaged::DamagedLedger;
use crate::record::written::{Manual, Remark};
use crate::report::gaps::{self, Report};
use crate::report::inputs::{LedgerInputs, ReadError};
use crate::report::values::{self, Site};
use crate::time::GatewayTime;
use crate::units::calibration::Calibrations;
use crate::units::inputs::Sample;
use crate::units::points::{Points, Stay};
use crate::units::ucum::Unit;
use crate::units::{Absent, Mark, Silent};
use crate::wire::record::RawUnit;
use crate::wire::seq::Address;
use std::collections::{BTreeMap, BTreeSet};

/// How much time is read at once.
const STRETCH_S: i64 = 31 * 86_400;
/// Raw unit of counts whose unit is not known.
const UNKNOWN: &str = "unknown";
/// A new epoch counts as a new beginning if its first reading comes after more than this many intervals.
const PAUSE_INTERVALS: i64 = 3;

/// What is drawn in one panel.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Subject {
    /// A point, by name.
    Point(String),
    Channel(Address, u8),
}

impl Subject {
    pub fn name(&self) -> String {
        match self {
            Self::Point(name) => name.clone(),
            Self::Channel(logger, channel) => format!("logger {logger} channel {channel}"),
        }
    }
}

/// The site, with everything that converts counts into units if it was named.
pub struct Ground<'c> {
    config: &'c Config,
    site: Option<Site<'c>>,
    known: &'c Known,
    points: Points,
    units: Option<String>,
}

/// Where a subject is measured during a span.
struct Stretch<'g> {
    logger: Address,
    channel: u8,
    stay: Option<&'g Stay>,
    from: GatewayTime,
    to: GatewayTime,
}

impl<'c> Ground<'c> {
    /// `points`: where points are measured, for names of points without calibrations; `units`: the name of the
    /// calibrations file.
    pub fn new(
        config: &'c Config,
        site: Option<Site<'c>>,
        known: &'c Known,
        points: Points,
        units: Option<String>,
    ) -> Self {
        Self { config, site, known, points, units }
    }

    /// Whether counts are converted to engineering units.
    pub fn has_units(&self) -> bool {
        self.site.is_some()
    }

    pub fn has(&self, point: &str) -> bool {
        self.site.as_ref().map_or_else(|| self.points.contains(point), |site| site.has(point))
    }

    /// The names of all points, the most similar to this one first.
    pub fn near(&self, typed: &str) -> Vec<&str> {
        let names = self.site.as_ref().map_or_else(|| self.points.names(), Site::names);
        let names: BTreeSet<(usize, &str)> =
            names.into_iter().map(|name| (distance(typed, name), name)).collect();
        names.into_iter().map(|(_, name)| name).collect()
    }

    /// Where a subject is measured in a span, by time; a derived point is where the first of its inputs is.
    fn stretches(&self, subject: &Subject, (from, to): (GatewayTime, GatewayTime)) -> Vec<Stretch<'_>> {
        let leads = match subject {
            Subject::Channel(logger, channel) => {
                return vec![Stretch { logger: *logger, channel: *channel, stay: None, from, to }];
            }
            Subject::Point(name) => match &self.site {
                Some(site) => site.leads(name, (from, to)),
                None => Calibrations::default().leads(&self.points, name, (from, to)),
            },
        };
        let stretches = leads.into_iter().map(|lead| Stretch {
            logger: lead.stay.logger,
            channel: lead.stay.channel,
            stay: Some(lead.stay),
            from: lead.from,
            to: lead.to,
        });
        stretches.collect()
    }

    fn inputs<'a>(&'a self, snapshot: &'a Snapshot<'a>) -> LedgerInputs<'a> {
        LedgerInputs::new(snapshot, &self.config.roster, self.known)
    }

    fn interval_s(&self, logger: Address) -> i64 {
        self.config.roster.logger(logger).map_or(0, |logger| i64::from(logger.interval_s))
    }

    fn drawn(
        &self,
        subject: &Subject,
        inputs: &LedgerInputs<'_>,
        stay: Option<&Stay>,
        (sample, is_by_hand): (&Sample, bool),
    ) -> Result<Drawn, ReadError> {
        let drawn =
            |value, unit, marks| Drawn { time: sample.time, value, unit, marks, is_by_hand, is_new: false };
        let Some(site) = &self.site else {
            let value = match sample.is_fault {
                true => Err(Absent::Fault { code: sample.count }.to_string()),
                false => Ok(f64::from(sample.count)),
            };
            return Ok(drawn(value, sample.raw_unit.map_or(UNKNOWN, RawUnit::name), Vec::new()));
        };
        let worked = match (subject, stay) {
            (Subject::Point(name), Some(stay)) => {
                values::worked(site, inputs, name, (stay, sample), &mut Silent)?.0
            }
            _ => {
                let (logger, channel) = match subject {
                    Subject::Channel(logger, channel) => (*logger, *channel),
                    Subject::Point(_) => return Ok(drawn(Err(Absent::NoSensor.to_string()), "", Vec::new())),
                };
                let Some(stay) = site.points.on(logger, channel, sample.time) else {
                    let why = "the points' file has no point on this channel at this time";
                    return Ok(drawn(Err(why.to_owned()), "", Vec::new()));
                };
                site.chain(inputs).of_reading(stay, sample, &mut Silent)?
            }
        };
        let unit = worked.unit.map_or("", Unit::code);
        Ok(match worked.outcome {
            Ok(value) => drawn(Ok(value.value), unit, value.marks.iter().map(Mark::sentence).collect()),
            Err(why) => drawn(Err(why.to_string()), unit, Vec::new()),
        })
    }
}

/// Start and end of the readings; `None` if none is held.
pub fn span(
    ground: &Ground<'_>,
    snapshot: &Snapshot<'_>,
    subjects: &[Subject],
    (from, to): (Option<GatewayTime>, Option<GatewayTime>),
    usual_s: i64,
) -> Result<Option<(GatewayTime, GatewayTime)>, ReadError> {
    if let (Some(from), Some(to)) = (from, to) {
        return Ok(Some((from, to)));
    }
    let inputs = ground.inputs(snapshot);
    let whole = (GatewayTime::MIN, to.unwrap_or(GatewayTime::MAX));
    let stretches: Vec<Stretch<'_>> =
        subjects.iter().flat_map(|subject| ground.stretches(subject, whole)).collect();
    let mut newest = None;
    for stretch in &stretches {
        let found = inputs.readings().newest_before(stretch.logger, stretch.to)?;
        newest = newest.max(found.filter(|&at| at >= stretch.from));
    }
    let Some(newest) = newest else { return Ok(None) };
    let end = to.unwrap_or(newest.later(1));
    if let Some(from) = from {
        return Ok((from < end).then_some((from, end)));
    }
    // If the usual span begins before the first reading, start at the first reading.
    let usual = newest.later(-usual_s);
    let mut first = newest;
    for stretch in &stretches {
        let span = (usual.max(stretch.from), newest);
        inputs.readings().made_in(stretch.logger, span, |reading| {
            first = first.min(reading.corrected.time);
            Ok(())
        })?;
    }
    Ok(Some((first, end)))
}

/// Everything that is drawn of a span, and the remarks to be shown with it.
#[derive(Clone, Debug)]
pub struct Picture {
    pub site: String,
    pub from: GatewayTime,
    pub to: GatewayTime,
    /// The site's offset, in seconds east of UTC.
    pub offset_s: i32,
    /// From top to bottom.
    pub panels: Vec<Panel>,
    /// Remarks of the span, by time.
    pub remarks: Vec<Remark>,
    pub has_several_loggers: bool,
    /// Manual readings that are not drawn, because they have another unit than the panel.
    pub not_drawn: Vec<Manual>,
    /// Ledgers that were set aside, whose records are not drawn.
    pub damaged: Vec<DamagedLedger>,
    /// The name of the calibrations file; `None` if raw counts are drawn.
    pub units: Option<String>,
    pub now: GatewayTime,
}

/// Looks up everything that is drawn of a span.
pub fn picture(
    ground: &Ground<'_>,
    snapshot: &Snapshot<'_>,
    subjects: &[Subject],
    columns: Columns,
    now: GatewayTime,
) -> Result<Picture, ReadError> {
    let (config, (from, to)) = (ground.config, (columns.from, columns.to));
    let measured: Vec<(&Subject, Vec<Stretch<'_>>)> =
        subjects.iter().map(|subject| (subject, ground.stretches(subject, (from, to)))).collect();
    let loggers: BTreeSet<Address> =
        measured.iter().flat_map(|(_, stretches)| stretches).map(|stretch| stretch.logger).collect();
    let report =
        gaps::report(&config.roster, snapshot.coverage(), snapshot, now, |logger| loggers.contains(&logger))?;
    let inputs = ground.inputs(snapshot);
    // Records of a ledger that was set aside count as held, so no gap separates the readings on both sides of them.
    let damaged = snapshot.not_salvaged()?;
    let is_parted = !damaged.is_empty();
    let mut notes = NotesFound::default();
    let mut panels = Vec::new();
    for (subject, stretches) in &measured {
        let mut series = Series::new(columns, bands(&report, stretches, now));
        read(ground, &inputs, subject, (stretches, is_parted), &mut series)?;
        let code = series.unit().unwrap_or("");
        let manual = notes.look(ground, snapshot, stretches, code)?;
        let unit = unit(ground, code);
        panels.push(series.finish(name(ground, subject, to), by(ground, stretches), unit, manual));
    }
    Ok(Picture {
        site: config.site.name.clone(),
        from,
        to,
        offset_s: config.site.utc_offset_s,
        panels,
        remarks: notes.remarks.into_values().collect(),
        has_several_loggers: loggers.len() > 1,
        not_drawn: notes.not_drawn,
        damaged,
        units: ground.units.clone(),
        now,
    })
}

/// Spans without readings while these stretches were measured.
fn bands(report: &Report, stretches: &[Stretch<'_>], now: GatewayTime) -> Vec<Band> {
    let mut bands = Vec::new();
    for (logger, since, until) in spans(stretches) {
        let mut add = |band: Option<Band>| bands.extend(band.and_then(|band| band.within(since, until)));
        let of = |of: Address| of == logger;
        report.gaps.iter().filter(|gap| of(gap.logger)).for_each(|gap| add(Band::of_gap(gap)));
        report.unclosed.iter().filter(|gap| of(gap.logger)).for_each(|gap| add(Band::of_unclosed(gap)));
        let end = until.min(now);
        report.silent.iter().filter(|s| of(s.logger)).for_each(|s| add(Band::of_silence(s, end)));
    }
    bands
}

/// What people wrote down about the loggers and times of a picture.
#[derive(Default)]
struct NotesFound {
    /// By time; a remark that fits several panels is in it once.
    remarks: BTreeMap<(GatewayTime, i64), Remark>,
    not_drawn: Vec<Manual>,
}

impl NotesFound {
    /// Adds what was written about a panel's stretches; returns the manual readings that are in its unit.
    fn look(
        &mut self,
        ground: &Ground<'_>,
        snapshot: &Snapshot<'_>,
        stretches: &[Stretch<'_>],
        code: &str,
    ) -> Result<Vec<At>, ReadError> {
        let mut drawn = Vec::new();
        for stretch in stretches {
            let until = stretch.to.later(-1);
            for reading in snapshot.manual_between(stretch.logger, stretch.from, until)? {
                if reading.what.channel != stretch.channel {
                    continue;
                }
                match at(&reading).filter(|_| reading.what.unit == code && ground.has_units()) {
                    Some(at) => drawn.push(at),
                    None => self.not_drawn.push(reading),
                }
            }
            for remark in snapshot.remarks(Some(stretch.logger))? {
                let is_of = remark.what.channel.is_none_or(|channel| channel == stretch.channel);
                if is_of && remark.corrected_by.is_none() && remark.overlaps(stretch.from, until) {
                    self.remarks.insert((remark.what.from, remark.id), remark);
                }
            }
        }
        Ok(drawn)
    }
}

/// Unbroken spans in which a logger measured a subject: a gap across a change of sensor is one gap.
fn spans(stretches: &[Stretch<'_>]) -> Vec<(Address, GatewayTime, GatewayTime)> {
    let mut spans: Vec<(Address, GatewayTime, GatewayTime)> = Vec::new();
    for stretch in stretches {
        match spans.last_mut() {
            Some((logger, _, to)) if *logger == stretch.logger && *to == stretch.from => *to = stretch.to,
            _ => spans.push((stretch.logger, stretch.from, stretch.to)),
        }
    }
    spans
}

/// A manual reading on an axis.
fn at(reading: &Manual) -> Option<At> {
    let value: f64 = reading.what.value.parse().ok()?;
    value.is_finite().then_some(At { time: reading.what.at, value })
}

/// Reads the readings of a subject in order of time, one stretch after the other.
fn read(
    ground: &Ground<'_>,
    inputs: &LedgerInputs<'_>,
    subject: &Subject,
    (stretches, is_parted): (&[Stretch<'_>], bool),
    series: &mut Series,
) -> Result<(), ReadError> {
    let mut before: Option<Sample> = None;
    for stretch in stretches {
        let pause = ground.interval_s(stretch.logger).saturating_mul(PAUSE_INTERVALS);
        let mut from = stretch.from;
        let mut is_first = true;
        while from < stretch.to {
            let to = from.later(STRETCH_S).min(stretch.to);
            for (sample, is_by_hand) in inputs.samples(stretch.logger, stretch.channel, (from, to))? {
                let mut drawn = ground.drawn(subject, inputs, stretch.stay, (&sample, is_by_hand))?;
                // Another sensor, or an epoch that began long after the last one ended, with no gap in between.
                drawn.is_new = before.is_some_and(|before| {
                    let is_late = sample.time.since(before.time) > pause;
                    is_first || is_late && (is_parted || before.identity.epoch != sample.identity.epoch)
                });
                is_first = false;
                series.push(drawn);
                before = Some(sample);
            }
            from = to;
        }
    }
    Ok(())
}

fn name(ground: &Ground<'_>, subject: &Subject, to: GatewayTime) -> String {
    match subject {
        Subject::Point(name) => name.clone(),
        Subject::Channel(logger, channel) => {
            let point = ground.site.as_ref().and_then(|site| site.points.on(*logger, *channel, to.later(-1)));
            let listed = ground.config.roster.logger(*logger);
            let listed = listed.and_then(|listed| listed.channels.get(usize::from(*channel)));
            match (point, listed) {
                (Some(stay), _) => format!("{}, {}", subject.name(), stay.point),
                (None, Some(listed)) if !listed.name.is_empty() => {
                    format!("{}, {}", subject.name(), listed.name)
                }
                _ => subject.name(),
            }
        }
    }
}

/// Which loggers and channels measured it.
fn by(ground: &Ground<'_>, stretches: &[Stretch<'_>]) -> String {
    let mut all: Vec<String> = Vec::new();
    for stretch in stretches {
        let Some(stay) = stretch.stay else {
            let listed = ground.config.roster.logger(stretch.logger);
            return listed.map_or(String::new(), |listed| listed.name.clone());
        };
        let sensor = stay.serial.as_ref().map_or(String::new(), |serial| format!(", sensor {serial}"));
        all.push(format!("logger {} channel {}{sensor}", stretch.logger, stretch.channel));
    }
    all.dedup();
    all.join("; ")
}

/// A unit as people write it.
fn unit(ground: &Ground<'_>, code: &str) -> String {
    if ground.site.is_some() {
        return Unit::from_code(code).map_or_else(|_| code.to_owned(), |unit| unit.shown().to_owned());
    }
    let one = match RawUnit::from_name(code) {
        Some(RawUnit::MilliHertz) => "0.001 Hz",
        Some(RawUnit::MilliOhm) => "0.001 ohm",
        Some(RawUnit::NanoRatio) => "1e-9 V/V",
        Some(RawUnit::NanoAmp) => "1 nA",
        Some(RawUnit::TenNanoVolt) => "10 nV",
        Some(RawUnit::NanoSine) => "1e-9 of a sine",
        Some(RawUnit::Pulse) => return "pulses, running total".to_owned(),
        None => return "raw counts, unit not known".to_owned(),
        Some(RawUnit::Count) => return "raw counts".to_owned(),
    };
    format!("raw counts of {one}")
}
