//! The sheets of a walk: one page for each logger, with what is known and blank fields for what is found there.
//!
//! Input: the visits in order, the newest readings. Output: [`Sheet`]. It has raw counts, and never a key or a
//! calibration value.

use super::gateway::Gateway;
use super::visits::{Class, Known, Visit};
use super::walk::{self, VisitList};
use crate::config::Config;
use crate::ledger::read::Read;
use crate::ledger::read::snapshot::{Reader, Snapshot};
use crate::record::judge::Row;
use crate::record::roster::Logger;
use crate::time::{GatewayTime, LoggerTime};
use crate::wire::record::RawUnit;
use crate::wire::seq::Address;
use std::collections::BTreeMap;

/// The expected counts come from this many days of readings, up to the last reading.
pub const EXPECTED_DAYS: i64 = 30;

/// The sheets of a walk.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sheet {
    pub site: String,
    /// Seconds east of UTC.
    pub utc_offset_s: i32,
    pub made_at: GatewayTime,
    /// The state of the gateway: if something is wrong with it, that comes before any walk.
    pub gateway: Gateway,
    /// In the order of the visits.
    pub pages: Vec<SheetPage>,
}

/// One logger's page.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SheetPage {
    /// The name that people use for it.
    pub name: String,
    /// Why to go, until when, and what to fetch. If there is nothing to fetch, the page was requested by name.
    pub visit: Visit,
    /// When the last reading was made, on the logger's clock.
    pub last_reading_at: Option<LoggerTime>,
    /// Its channels, channel 0 first.
    pub channels: Vec<SheetChannel>,
}

/// One channel of a logger.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SheetChannel {
    /// The measuring point that it belongs to, if the site names one.
    pub point: Option<String>,
    /// What it measures.
    pub name: String,
    pub raw_unit: Option<RawUnit>,
    /// Its counts in the last reading, or a fault code; `None` if that reading had no such channel.
    pub last: Option<Result<i32, i32>>,
    /// The smallest and largest counts of the last [`EXPECTED_DAYS`] days.
    pub expected: Option<(i32, i32)>,
}

/// Reads what the sheets of a walk need; one page for each visit, and one for each named logger.
pub fn read(config: &Config, loggers: &[Address], now: GatewayTime) -> Read<Sheet> {
    Reader::open(&config.ledger.path)?.read(|snapshot| {
        let (list, known) = walk::gather(config, snapshot, loggers, now)?;
        gather(config, snapshot, list, &known, loggers, now)
    })
}

/// Collects the pages: for every useful visit, and for each logger in `named`.
fn gather(
    config: &Config,
    snapshot: &Snapshot<'_>,
    list: VisitList,
    known: &BTreeMap<Address, Known>,
    named: &[Address],
    now: GatewayTime,
) -> Read<Sheet> {
    let gateway = list.gateway;
    let mut visits: Vec<Visit> = list
        .visits
        .into_iter()
        .filter(|visit| {
            !matches!(visit.class, Class::Gone | Class::Elsewhere) || named.contains(&visit.logger)
        })
        .collect();
    for &address in named {
        if visits.iter().all(|visit| visit.logger != address)
            && let (Some(logger), Some(known)) = (config.roster.logger(address), known.get(&address))
        {
            visits.push(Visit::new(logger, known));
        }
    }
    // `check` reports mistakes in the file of points; a walk uses loggers and channels only.
    let points = &crate::config::load_points(config).unwrap_or_default();
    let addresses: Vec<Address> = visits.iter().map(|visit| visit.logger).collect();
    let newest = snapshot.newest_readings(&addresses)?;
    let mut pages = Vec::new();
    for visit in visits {
        let Some(logger) = config.roster.logger(visit.logger) else { continue };
        let last = newest.get(&visit.logger).map(|(_, row)| row);
        let ranges = match last {
            Some(last) => expected(snapshot, visit.logger, last)?,
            None => Vec::new(),
        };
        pages.push(SheetPage {
            name: logger.name.clone(),
            last_reading_at: last.map(|row| LoggerTime(row.time.into())),
            channels: channels(logger, snapshot, last, &ranges, points, now)?,
            visit,
        });
    }
    let (site, utc_offset_s) = (config.site.name.clone(), config.site.utc_offset_s);
    Ok(Sheet { site, utc_offset_s, made_at: now, gateway, pages })
}

/// For each channel, the smallest and largest counts of the days up to a reading, without faults.
fn expected(snapshot: &Snapshot<'_>, logger: Address, last: &Row) -> Read<Vec<Option<(i32, i32)>>> {
    let mut ranges: Vec<Option<(i32, i32)>> = Vec::new();
    let to = LoggerTime(last.time.into()).later(1);
    snapshot.readings_in_time(logger, to.later(-EXPECTED_DAYS * 86_400), to, |_, row| {
        for (at, &counts) in row.counts.iter().enumerate() {
            if ranges.len() <= at {
                ranges.push(None);
            }
            if (row.faults >> at) & 1 == 0 {
                let (low, high) = ranges[at].unwrap_or((counts, counts));
                ranges[at] = Some((low.min(counts), high.max(counts)));
            }
        }
    })?;
    Ok(ranges)
}

fn channels(
    logger: &Logger,
    snapshot: &Snapshot<'_>,
    last: Option<&Row>,
    ranges: &[Option<(i32, i32)>],
    points: &crate::units::points::Points,
    now: GatewayTime,
) -> Read<Vec<SheetChannel>> {
    // If the roster does not say, the logger's own profile does.
    let profile = snapshot.newest_profile(logger.address)?;
    let of_profile = profile.as_ref().map_or(&[][..], |(_, profile)| profile.raw_units());
    let number = logger.channels.len().max(last.map_or(0, |row| row.counts.len())).max(of_profile.len());
    let channel = |at: usize| {
        let own = logger.channels.get(at);
        SheetChannel {
            point: points
                .on(logger.address, u8::try_from(at).unwrap_or(u8::MAX), now)
                .map(|stay| stay.point.clone()),
            name: own.map_or(format!("channel {at}"), |own| own.name.clone()),
            raw_unit: own
                .map(|own| own.raw_unit)
                .or_else(|| of_profile.get(at).and_then(|&code| RawUnit::from_code(code))),
            last: last.and_then(|row| {
                let counts = *row.counts.get(at)?;
                Some(if (row.faults >> at) & 1 == 1 { Err(counts) } else { Ok(counts) })
            }),
            expected: ranges.get(at).copied().flatten(),
        }
    };
    Ok((0..number).map(channel).collect())
}
