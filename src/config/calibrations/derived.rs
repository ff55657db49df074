//! Derived points: sums, differences, means, strings of tilt sensors, levels, heads and depths.
//!
//! Input: tables `[[derived]]`. Output: [`Derived`] entries. They are in the file of the calibrations because a level
//! needs the elevation of a tip, and none of them has a value without calibrations. This module also checks that no
//! point comes from itself, through corrections either.

use super::conversion::one_of;
use super::fields::{
    BAROMETER, DECIMALS, POINT, TEMPERATURE, UNIT, UNTIL, WITHIN_OR_0, is_convertible, unit, within,
};
use crate::config::points::{FROM, NOTE, NOTE_LEN_MAX_CHARS, ends_after, instant};
use crate::config::read::{Field, NAME_LEN_MAX_CHARS, Table};
use crate::units::calibration::{Calibration, Combination, Derived, Source};
use crate::units::combine::Dead;
use crate::units::head::{STANDARD_GRAVITY, UnitWeight};
use crate::units::points::Points;
use crate::units::tilt::{Direction, End, Order, TiltString};
use std::collections::{BTreeMap, BTreeSet};

/// The most points that a derived point comes from directly.
const OF_MAX: usize = 200;
/// The most steps from a value to the readings that it comes from. Our choice: far more than anyone can follow.
const DEPTH_MAX: usize = 16;
/// The most readings that one value may come from.
const READINGS_MAX: u64 = 10_000;
/// Elevations on land, in metres, with a margin.
const ELEVATION_M: std::ops::RangeInclusive<f64> = -1_000.0..=10_000.0;

const NAME: Field = Field::required("name", "the derived point's name");
const KIND: Field = Field::required("kind", "sum, difference, mean, string, level, head or depth");
const OF: Field =
    Field::required("of", "the names of the points that it comes from, as in [\"P-17\", \"P-18\"]");
const FIXED_END: Field =
    Field::required("fixed_end", "\"first\" or \"last\": which of `of` is at the end that does not move");
const ORDER: Field = Field::required("order", "\"lowest_first\" or \"highest_first\": how `of` is written");
const POSITIVE: Field = Field::required(
    "positive",
    "\"as_sine\" if a movement is positive in the direction of a positive sine, else \"against_sine\"",
);
const TOWARD: Field = Field::required("toward", "where a positive movement goes, as in \"downstream\"");
const AT_LEAST: Field = Field::optional("at_least", "how many of the points must have a value");
const NODE: Field =
    Field::optional("node", "the point of `of` whose movement it is; by default the free end");
const TIP: Field = Field::required("tip_elevation_m", "the elevation of the tip in metres");
const REFERENCE: Field =
    Field::required("reference_elevation_m", "the elevation in metres from which the depth is measured");
const DATUM: Field = Field::required("datum", "what elevations are measured from, as in \"site datum\"");
const UNIT_WEIGHT: Field = Field::optional("unit_weight_kn_m3", "the unit weight of the water in kN/m3");
const WATER_C: Field =
    Field::optional("water_temperature_c", "the water's temperature in degrees Celsius, for its density");

/// Reads one derived point.
pub(super) fn entry<'a, 'i>(table: Table<'a, 'i>, utc_offset_s: i32) -> Option<(Derived, Table<'a, 'i>)> {
    let name = table.text(&NAME, NAME_LEN_MAX_CHARS);
    let table = match &name {
        Some(name) => table.called(format!("derived point {:?}", name.value)),
        None => table,
    };
    let kind = table.text(&KIND, NAME_LEN_MAX_CHARS).map(|kind| kind.value);
    let common = [&NAME, &FROM, &UNTIL, &UNIT, &DECIMALS, &NOTE, &KIND, &OF, &WITHIN_OR_0];
    let own: &[&Field] = match kind {
        Some("sum" | "mean") => &[&WHEN, &AT_LEAST],
        Some("string") => &[&FIXED_END, &ORDER, &POSITIVE, &TOWARD, &NODE],
        Some("level") => &[&TIP, &DATUM, &UNIT_WEIGHT, &WATER_C],
        Some("head") => &[&UNIT_WEIGHT, &WATER_C],
        Some("depth") => &[&TIP, &REFERENCE, &UNIT_WEIGHT, &WATER_C],
        _ => &[],
    };
    let all: Vec<&Field> = common.into_iter().chain(own.iter().copied()).collect();
    if matches!(kind, Some("sum" | "difference" | "mean" | "string" | "level" | "head" | "depth")) {
        table.refuse_unknown(&all);
    }
    let from = instant(&table, &FROM, utc_offset_s);
    let until = instant(&table, &UNTIL, utc_offset_s);
    ends_after(&table, &UNTIL, from, until);
    let unit = unit(&table, &UNIT);
    let decimals = table.integer(&DECIMALS, 0..=9_u8).map(|decimals| decimals.value);
    table.text(&NOTE, NOTE_LEN_MAX_CHARS);
    let within_s = within(&table, &WITHIN_OR_0);
    let count = match kind {
        Some("difference") => 2..=2,
        Some("level" | "head" | "depth") => 1..=1,
        _ => 1..=OF_MAX,
    };
    let of = table.texts(&OF, count).filter(|of| {
        let twice = of.iter().collect::<BTreeSet<_>>().len() < of.len();
        if twice {
            table.note(&OF, "names a point twice; name it once");
        }
        !twice
    });
    if let (Some("level" | "head" | "depth"), Some(unit)) = (kind, &unit)
        && !is_convertible("m", *unit)
    {
        table.note(&UNIT, "cannot be that of a height of water; write a length, as in \"m\"");
    }
    let combination = combination(&table, kind, of.as_deref());
    let line = table.line().unwrap_or_default();
    let derived = Derived {
        name: name?.value.to_string(),
        from: from?,
        until: until?,
        unit: unit?,
        decimals: decimals?,
        combination: combination?,
        of: of?.into_iter().map(str::to_string).collect(),
        within_s: within_s.unwrap_or(0),
        line,
    };
    Some((derived, table))
}

/// What a point without a value does to a sum or mean.
fn dead(table: &Table<'_, '_>, of: Option<&[&str]>) -> Option<Dead> {
    let omits = one_of(table, &WHEN, &[("absent", false), ("omit", true)])?;
    if !omits {
        if table.has(&AT_LEAST) {
            table.note(&AT_LEAST, "has no use with a `when_missing` that leaves none out; remove it");
            return None;
        }
        return Some(Dead::Absent);
    }
    let most = of.map_or(OF_MAX, <[&str]>::len).max(1);
    let at_least = match table.has(&AT_LEAST) {
        true => table.integer(&AT_LEAST, 1..=most as u32)?.value as usize,
        false => 1,
    };
    Some(Dead::LeaveOut { at_least })
}

const WHEN: Field =
    Field::required("when_missing", "\"absent\" or \"omit\", what to do if one of the points has no value");

fn combination(table: &Table<'_, '_>, kind: Option<&str>, of: Option<&[&str]>) -> Option<Combination> {
    match kind? {
        "sum" => Some(Combination::Sum(dead(table, of)?)),
        "difference" => Some(Combination::Difference),
        "mean" => Some(Combination::Mean(dead(table, of)?)),
        "string" => {
            let fixed = one_of(table, &FIXED_END, &[("first", End::First), ("last", End::Last)]);
            let order = one_of(
                table,
                &ORDER,
                &[("lowest_first", Order::LowestFirst), ("highest_first", Order::HighestFirst)],
            );
            let direction = one_of(
                table,
                &POSITIVE,
                &[("as_sine", Direction::AsSine), ("against_sine", Direction::AgainstSine)],
            );
            let toward = table.text(&TOWARD, NAME_LEN_MAX_CHARS);
            let named = match table.has(&NODE) {
                true => Some(table.text(&NODE, NAME_LEN_MAX_CHARS)?.value),
                false => None,
            };
            let (fixed, of) = (fixed?, of?);
            let node = match named {
                None if fixed == End::First => of.len().saturating_sub(1),
                None => 0,
                Some(name) => {
                    let found = of.iter().position(|of| *of == name);
                    if found.is_none() {
                        table.note(&NODE, "is none of `of`; write one of them");
                    }
                    found?
                }
            };
            let string = TiltString { fixed, order: order?, direction: direction? };
            Some(Combination::String { string, toward: toward?.value.to_string(), node })
        }
        "level" => {
            let (tip_m, datum) = (table.number(&TIP, ELEVATION_M), table.text(&DATUM, NAME_LEN_MAX_CHARS));
            let water = water(table);
            Some(Combination::Level { tip_m: tip_m?, datum: datum?.value.to_string(), water: water? })
        }
        "head" => Some(Combination::Head { water: water(table)? }),
        "depth" => {
            let (tip_m, reference_m) =
                (table.number(&TIP, ELEVATION_M), table.number(&REFERENCE, ELEVATION_M));
            let water = water(table);
            Some(Combination::Depth { tip_m: tip_m?, reference_m: reference_m?, water: water? })
        }
        other => {
            table.note_value(&KIND, other, "is not a kind of derived point");
            None
        }
    }
}

fn water(table: &Table<'_, '_>) -> Option<UnitWeight> {
    match (table.has(&UNIT_WEIGHT), table.has(&WATER_C)) {
        (true, true) => {
            table.note(
                &UNIT_WEIGHT,
                "cannot be used together with `water_temperature_c`; keep one of the two",
            );
            None
        }
        // Sea water and silt are heavier than water, and no liquid around a piezometer is lighter than oil.
        (true, false) => {
            table.number(&UNIT_WEIGHT, 7.0..=25.0).map(|kn_per_m3| UnitWeight::Constant { kn_per_m3 })
        }
        (false, true) => table
            .number(&WATER_C, 0.0..=40.0)
            .map(|celsius| UnitWeight::AtTemperature { celsius, gravity: STANDARD_GRAVITY }),
        (false, false) => Some(UnitWeight::default()),
    }
}

/// Notes two entries of a derived point at one time.
pub(super) fn refuse_overlaps(others: &mut [(Derived, Table<'_, '_>)]) {
    others.sort_by(|(a, _), (b, _)| (&a.name, a.from, a.line).cmp(&(&b.name, b.from, b.line)));
    let mut longest: Option<&Derived> = None;
    for (derived, table) in others.iter() {
        match longest {
            Some(before) if before.name == derived.name => {
                if derived.from < before.until {
                    let line = before.line;
                    table.note(
                        &FROM,
                        &format!(
                            "the entry at line {line} holds at that time; end it before, or correct one"
                        ),
                    );
                }
                if derived.until > before.until {
                    longest = Some(derived);
                }
            }
            _ => longest = Some(derived),
        }
    }
}

/// Notes names that are not points, and points that come from themselves.
pub(super) fn refuse_unknown_and_cycles(
    points: &Points,
    entries: &[(Calibration, Table<'_, '_>)],
    others: &[(Derived, Table<'_, '_>)],
) {
    let derived: BTreeSet<&str> = others.iter().map(|(derived, _)| derived.name.as_str()).collect();
    let exists = |name: &str| points.contains(name) || derived.contains(name);
    // From a name to the names that it comes from.
    let mut comes_from: BTreeMap<&str, BTreeSet<&str>> = BTreeMap::new();
    for (entry, table) in entries {
        let temperature = entry.temperature.as_ref().map(|t| (&t.source, &TEMPERATURE));
        let barometer = entry.barometer.as_ref().and_then(|b| Some((b.source.as_ref()?, &BAROMETER)));
        for (source, field) in [temperature, barometer].into_iter().flatten() {
            let from = comes_from.entry(&entry.point).or_default();
            match source {
                Source::Point(name) if exists(name) => _ = from.insert(name.as_str()),
                Source::Point(name) => {
                    table.note(field, &format!("there is no point {name:?}; write the name of one"));
                }
                // Any point that was ever there counts.
                Source::Channel(logger, channel) => {
                    let stays = points.stays().iter();
                    let there = stays.filter(|stay| (stay.logger, stay.channel) == (*logger, *channel));
                    let before = from.len();
                    from.extend(there.map(|stay| stay.point.as_str()));
                    if from.len() == before {
                        let text = format!(
                            "no point is ever at logger {logger} channel {channel}; write where one is, or its name"
                        );
                        table.note(field, &text);
                    }
                }
            }
        }
    }
    for (derived, table) in others {
        if points.contains(&derived.name) {
            table.note(&NAME, "the points' file has a point of this name; write another");
        }
        let from = comes_from.entry(&derived.name).or_default();
        for name in &derived.of {
            if exists(name) {
                from.insert(name);
            } else {
                table.note(&OF, &format!("there is no point {name:?}; write the name of one"));
            }
        }
    }
    let mut search = Search { comes_from: &comes_from, known: BTreeMap::new(), path: Vec::new() };
    let starts = others.iter().map(|(derived, table)| (derived.name.as_str(), table, &OF));
    let corrected = entries.iter().map(|(entry, table)| (entry.point.as_str(), table, &POINT));
    let mut noted = BTreeSet::new();
    for (name, table, field) in starts.chain(corrected) {
        if let Err(text) = search.cost(name)
            && noted.insert(text.clone())
        {
            table.note(field, &text);
        }
        search.path.clear();
    }
}

/// Follows what points come from, visiting each name once.
struct Search<'a, 's> {
    comes_from: &'s BTreeMap<&'a str, BTreeSet<&'a str>>,
    /// Steps down to the readings, and how many readings. A wrong name counts as a reading once it was reported.
    known: BTreeMap<&'a str, (usize, u64)>,
    path: Vec<&'a str>,
}

impl<'a> Search<'a, '_> {
    fn cost(&mut self, name: &'a str) -> Result<(usize, u64), String> {
        if let Some(known) = self.known.get(name) {
            return Ok(*known);
        }
        if let Some(at) = self.path.iter().position(|on_path| *on_path == name) {
            let round: Vec<&str> = self.path.iter().skip(at).copied().chain([name]).collect();
            let round: Vec<String> = round.iter().map(|name| format!("{name:?}")).collect();
            for name in self.path.iter().skip(at) {
                self.known.insert(name, (0, 1));
            }
            return Err(format!("comes from itself: {}; break the circle", round.join(" from ")));
        }
        if self.path.len() > DEPTH_MAX {
            return Err(format!("comes from points more than {DEPTH_MAX} deep; name points further down"));
        }
        self.path.push(name);
        let (mut depth, mut readings) = (0, 1_u64);
        for &from in self.comes_from.get(name).into_iter().flatten() {
            let (below, more) = self.cost(from)?;
            depth = depth.max(below + 1);
            readings = readings.saturating_add(more);
        }
        self.path.pop();
        self.known.insert(name, (depth, readings));
        if depth > DEPTH_MAX {
            return Err(format!("comes from points more than {DEPTH_MAX} deep; name points further down"));
        }
        if readings > READINGS_MAX {
            return Err(format!("comes from more than {READINGS_MAX} readings; name fewer points"));
        }
        Ok((depth, readings))
    }
}
