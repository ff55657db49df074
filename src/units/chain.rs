//! One point at one time: from its raw counts through its calibration and corrections to a value, or why there is none.
//!
//! ```text
//! points: which logger, channel, sensor ─┐
//! Inputs: the count held at that time ───┼─▶ quantity ─▶ conversion ─▶ + temperature ─▶ − air pressure ─▶ value
//! calibrations: which entry holds ───────┘                                 ▲                  ▲
//!                                              other points, by the same way, interpolated in time
//! ```
//!
//! Input: points, calibrations, and readings by the trait [`Inputs`]. Output: [`Worked`], and on request the whole
//! calculation ([`Calculation`](super::account::Calculation)). What this is not: it does no I/O and no arithmetic of a sensor, which
//! is in the modules next to this one.
//!
//! Rules, our choice:
//! - The corrected time of the reading (see `clock`) decides which entry of points and calibrations applies.
//! - A value of another point is taken at exactly the same time, or on a straight line between two readings that are each
//!   within the given distance, both of one stay of that point. It is never taken from one side only. Both readings are
//!   converted by the entry that applies at the time asked for: two sheets are never mixed in one line.
//! - A derived point has values at the readings of its first point, and is looked up by the same rule.
//! - An input that is in the same record is taken from that record, whatever the times of other readings.
//! - A count of pulses is never interpolated.

use super::account::{Account, shown};
use super::calibration::{
    Barometer, Calibration, Calibrations, Combination, Conversion, Derived, LEVELS_MAX, Missing, Source,
    Temperature,
};
use super::inputs::{Inputs, Sample};
use super::points::{Points, Stay};
use super::ucum::Unit;
use super::vibrating_wire::{FOR_AIR, FOR_TEMPERATURE};
use super::{
    Absent, Mark, Marks, Outcome, Step, Value, convert, electrical_traced, finite, note, number, term,
};
use crate::time::GatewayTime;
use crate::wire::seq::Identity;

/// The result for a point at a time.
#[derive(Clone, Debug, PartialEq)]
pub struct Worked {
    /// The value in `unit`, or why there is none.
    pub outcome: Outcome,
    /// The unit; `None` if no entry applies.
    pub unit: Option<Unit>,
    pub decimals: u8,
}

impl Worked {
    fn absent(why: Absent) -> Self {
        Self { outcome: Err(why), unit: None, decimals: 0 }
    }

    /// The value as its entry wants it printed; this is the only place where it is rounded.
    pub fn shown(&self) -> Option<String> {
        self.outcome.as_ref().ok().map(|value| shown(value.value, self.decimals))
    }
}

/// An instant, and the record that was made then, if the question is about one.
#[derive(Clone, Copy)]
struct Moment {
    time: GatewayTime,
    of: Option<Identity>,
}

impl Moment {
    fn of(sample: &Sample) -> Self {
        Self { time: sample.time, of: Some(sample.identity) }
    }
}

/// Points, calibrations and readings together.
#[derive(Clone, Copy)]
pub struct Chain<'a, I> {
    /// Which loggers and channels measured the points.
    pub points: &'a Points,
    /// What their counts mean.
    pub calibrations: &'a Calibrations,
    /// The readings.
    pub inputs: &'a I,
}

impl<'a, I: Inputs> Chain<'a, I> {
    /// The value of a point at one of its own readings.
    pub fn of_reading(
        &self,
        stay: &Stay,
        sample: &Sample,
        account: &mut impl Account,
    ) -> Result<Worked, I::Error> {
        self.of_reading_by(stay, sample, sample.time, account)
    }

    /// The same, by the entry that applies at `entry_at`.
    fn of_reading_by(
        &self,
        stay: &Stay,
        sample: &Sample,
        entry_at: GatewayTime,
        account: &mut impl Account,
    ) -> Result<Worked, I::Error> {
        account.open(|words| format!("{} at {}", stay.point, words.time(sample.time)));
        let worked = self.reading(stay, sample, entry_at, account)?;
        conclude(&worked, account);
        account.close();
        Ok(worked)
    }

    fn reading(
        &self,
        stay: &Stay,
        sample: &Sample,
        entry_at: GatewayTime,
        account: &mut impl Account,
    ) -> Result<Worked, I::Error> {
        account.say(|words| {
            let corrected =
                if sample.is_corrected { "; the logger's clock was off, its time is corrected" } else { "" };
            format!(
                "reading: logger {} channel {}, epoch {} sequence {} ({}:{}){corrected}",
                stay.logger,
                stay.channel,
                sample.identity.epoch,
                sample.identity.sequence,
                words.points,
                stay.line
            )
        });
        let entry =
            stay.serial.as_deref().and_then(|serial| self.calibrations.at(&stay.point, serial, entry_at));
        let Some(entry) = entry else {
            account.say(|_| match &stay.serial {
                Some(serial) => format!("calibration: none of sensor {serial} at this time"),
                None => "calibration: the points' file names no sensor".to_owned(),
            });
            return Ok(Worked::absent(Absent::NoCalibration));
        };
        account.say(|words| {
            let (from, until) = (words.time(entry.from), words.time(entry.until));
            let (serial, kind) = (&entry.serial, entry.conversion.name());
            format!(
                "calibration: sensor {serial}, {kind}, {from} to {until} ({}:{})",
                words.calibrations, entry.line
            )
        });
        let outcome = self.value(stay, sample, entry, account)?;
        Ok(Worked { outcome, unit: Some(entry.unit), decimals: entry.decimals })
    }

    fn value(
        &self,
        stay: &Stay,
        sample: &Sample,
        entry: &Calibration,
        account: &mut impl Account,
    ) -> Result<Outcome, I::Error> {
        if sample.is_fault {
            return Ok(Err(Absent::Fault { code: sample.count }));
        }
        let Some(raw_unit) = sample.raw_unit else { return Ok(Err(Absent::RawUnitUnknown)) };
        let value = if let Conversion::Pulse(form) = &entry.conversion {
            let earlier = self.inputs.earlier(stay.channel, sample)?;
            // What another sensor counted is not a start for this one.
            let earlier = earlier.filter(|earlier| stay.holds_at(earlier.sample.time));
            if let Some(earlier) = &earlier {
                account.say(|words| {
                    let gap = if earlier.gap { "; records between may be missing" } else { "" };
                    let restarted = if earlier.restarted { "; its logger started between" } else { "" };
                    let faults = match earlier.faults {
                        0 => String::new(),
                        n => format!("; readings between without a total: {n}"),
                    };
                    let (epoch, sequence) = (earlier.sample.identity.epoch, earlier.sample.identity.sequence);
                    let at = words.time(earlier.sample.time);
                    format!(
                        "the total before: {at}, epoch {epoch} sequence {sequence}{restarted}{gap}{faults}"
                    )
                });
            }
            convert::pulses(form, sample, earlier.as_ref(), entry.unit, account)
        } else {
            let quantity = electrical_traced(raw_unit, sample.count, account);
            convert::convert(&entry.conversion, quantity, entry.unit, account)
        };
        let own = entry.conversion.own_unit().and_then(|own| Unit::from_code(own).ok()).unwrap_or(entry.unit);
        let value = match value.and_then(|value| convert::to_unit(value, own, entry.unit, account)) {
            Ok(value) => value,
            absent => return Ok(absent),
        };
        let temperature = match &entry.temperature {
            Some(temperature) => self.temperature(temperature, entry, Moment::of(sample), account)?,
            None => Ok(Correction::default()),
        };
        let temperature = match temperature {
            Ok(temperature) => temperature,
            Err(why) => return Ok(Err(why)),
        };
        let air = match &entry.barometer {
            Some(barometer) => self.barometer(barometer, entry, Moment::of(sample), account)?,
            None => Ok(Correction::default()),
        };
        Ok(air.and_then(|air| corrected(value, temperature, air, entry, account)))
    }

    fn temperature(
        &self,
        temperature: &Temperature,
        entry: &Calibration,
        at: Moment,
        account: &mut impl Account,
    ) -> Result<Result<Correction, Absent>, I::Error> {
        account.open(|_| "correction for temperature".to_owned());
        let unit = Unit::from_code("Cel").ok();
        let celsius = self.input(&temperature.source, at, temperature.within_s, unit, account)?;
        let celsius = or_stand_in(celsius, temperature.when_missing, "temperature", "°C", account);
        account.close();
        Ok(celsius.and_then(|celsius| match celsius {
            None => Ok(Correction::omitted()),
            Some(celsius) => {
                convert::temperature(celsius, temperature, entry.unit, account).map(Correction::of)
            }
        }))
    }

    fn barometer(
        &self,
        barometer: &Barometer,
        entry: &Calibration,
        at: Moment,
        account: &mut impl Account,
    ) -> Result<Result<Correction, Absent>, I::Error> {
        let Some(source) = &barometer.source else {
            account.say(|_| {
                "correction for air pressure: none, the sensor is vented (air_pressure_factor = 0)".to_owned()
            });
            return Ok(Ok(Correction::default()));
        };
        account.open(|_| "correction for air pressure".to_owned());
        let air = self.input(source, at, barometer.within_s, Some(barometer.unit), account)?;
        let air = or_stand_in(air, barometer.when_missing, "barometer", barometer.unit.shown(), account);
        account.close();
        Ok(air.and_then(|air| match air {
            None => Ok(Correction::omitted()),
            Some(air) => convert::barometer(air, barometer, entry.unit, account).map(Correction::of),
        }))
    }

    /// An input that a correction needs, in the correction's unit.
    fn input(
        &self,
        source: &Source,
        at: Moment,
        within_s: i64,
        unit: Option<Unit>,
        account: &mut impl Account,
    ) -> Result<Outcome, I::Error> {
        let name = match source {
            Source::Point(name) => name.as_str(),
            Source::Channel(logger, channel) => match self.points.on(*logger, *channel, at.time) {
                Some(stay) => stay.point.as_str(),
                None => {
                    account.say(|_| format!("logger {logger} channel {channel} is not a point at this time"));
                    return Ok(Err(Absent::NoSensor));
                }
            },
        };
        self.in_unit(name, at, within_s, unit, account)
    }

    fn in_unit(
        &self,
        name: &str,
        at: Moment,
        within_s: i64,
        unit: Option<Unit>,
        account: &mut impl Account,
    ) -> Result<Outcome, I::Error> {
        let worked = self.at_moment(name, at, within_s, account)?;
        Ok(worked.outcome.and_then(|value| match worked.unit.zip(unit) {
            Some((from, to)) => convert::to_unit(value, from, to, account),
            None => Ok(value),
        }))
    }

    /// The value of a point at an instant: from its own reading at that time, or between two that are each within
    /// `within_s`.
    pub fn at_time(
        &self,
        name: &str,
        at: GatewayTime,
        within_s: i64,
        account: &mut impl Account,
    ) -> Result<Worked, I::Error> {
        self.at_moment(name, Moment { time: at, of: None }, within_s, account)
    }

    /// The value of a derived point at a reading of the point that leads it.
    pub fn led_by(
        &self,
        name: &str,
        sample: &Sample,
        account: &mut impl Account,
    ) -> Result<Worked, I::Error> {
        self.at_moment(name, Moment::of(sample), 0, account)
    }

    fn at_moment(
        &self,
        name: &str,
        at: Moment,
        within_s: i64,
        account: &mut impl Account,
    ) -> Result<Worked, I::Error> {
        let derived = match self.calibrations.derived_of(name).is_empty() {
            true => None,
            false => match self.calibrations.derived_at(name, at.time) {
                Some(derived) => Some(derived),
                None => return Ok(Worked::absent(Absent::NoCalibration)),
            },
        };
        let Some(stay) = self.leading(name, at.time) else {
            account.say(|words| format!("{name} at {}: measured nowhere", words.time(at.time)));
            return Ok(Worked::absent(Absent::NoSensor));
        };
        if let Some(id) = at.of.filter(|id| id.address == stay.logger)
            && let Some(own) = self.inputs.of_record(stay.channel, id)?
        {
            return match derived {
                Some(derived) => self.derived(derived, at, account),
                None => self.of_reading(stay, &own, account),
            };
        }
        let around = self.inputs.around(stay.logger, stay.channel, at.time, within_s)?;
        let of_stay = |sample: &Sample| stay.holds_at(sample.time);
        let (before, after) = (around.before.filter(of_stay), around.after.filter(of_stay));
        match (before, after, derived) {
            (Some(before), _, None) if before.time == at.time => self.of_reading(stay, &before, account),
            (Some(before), _, Some(derived)) if before.time == at.time => {
                self.derived(derived, Moment::of(&before), account)
            }
            (Some(_), Some(_), _) if self.is_count(name, at.time) => {
                account
                    .say(|words| format!("{name} at {}: a count is not interpolated", words.time(at.time)));
                Ok(Worked::absent(Absent::NoReading))
            }
            (Some(before), Some(after), _) => {
                account.open(|words| format!("{name} at {}, between two readings", words.time(at.time)));
                let (low, high) = match derived {
                    Some(derived) => (
                        self.derived(derived, Moment::of(&before), account)?,
                        self.derived(derived, Moment::of(&after), account)?,
                    ),
                    // One sheet for both: the one that applies at the time asked for.
                    None => (
                        self.of_reading_by(stay, &before, at.time, account)?,
                        self.of_reading_by(stay, &after, at.time, account)?,
                    ),
                };
                let outcome = between((before.time, &low), (after.time, &high), at.time, account);
                account.close();
                Ok(Worked { outcome, unit: low.unit, decimals: low.decimals })
            }
            _ => Ok(none_near(name, at.time, (before.is_some(), after.is_some()), within_s, account)),
        }
    }

    /// Where the readings are made that give a point its values, at an instant.
    fn leading(&self, name: &str, at: GatewayTime) -> Option<&'a Stay> {
        self.points.at(self.calibrations.leader_at(name, at), at)
    }

    /// Whether a point gives the amount counted since the reading before, or comes from one that does.
    fn is_count(&self, name: &str, at: GatewayTime) -> bool {
        self.is_count_within(name, at, LEVELS_MAX)
    }

    fn is_count_within(&self, name: &str, at: GatewayTime, levels: usize) -> bool {
        if let Some(derived) = self.calibrations.derived_at(name, at) {
            return levels == 0 || derived.of.iter().any(|name| self.is_count_within(name, at, levels - 1));
        }
        let stay = self.points.at(name, at);
        let serial = stay.and_then(|stay| stay.serial.as_deref());
        let entry = serial.and_then(|serial| self.calibrations.at(name, serial, at));
        entry.is_some_and(|entry| matches!(entry.conversion, Conversion::Pulse(_)))
    }

    fn derived(
        &self,
        derived: &'a Derived,
        at: Moment,
        account: &mut impl Account,
    ) -> Result<Worked, I::Error> {
        account.open(|words| {
            let (from, until) = (words.time(derived.from), words.time(derived.until));
            let kind = derived.combination.name();
            format!(
                "{} at {}: {kind}, {from} to {until} ({}:{})",
                derived.name,
                words.time(at.time),
                words.calibrations,
                derived.line
            )
        });
        // The unit in which the input points are needed: heights of water come from a pressure.
        let unit = match derived.combination {
            Combination::Level { .. } | Combination::Head { .. } | Combination::Depth { .. } => {
                Unit::from_code("kPa").ok()
            }
            _ => Some(derived.unit),
        };
        let mut inputs = Vec::with_capacity(derived.of.len());
        for name in &derived.of {
            inputs.push((name.as_str(), self.in_unit(name, at, derived.within_s, unit, account)?));
        }
        let outcome = convert::combine(derived, &inputs, account);
        let worked = Worked { outcome, unit: Some(derived.unit), decimals: derived.decimals };
        conclude(&worked, account);
        account.close();
        Ok(worked)
    }
}

/// On a straight line between the values of two readings, which are from one entry.
fn between(
    (t0, low): (GatewayTime, &Worked),
    (t1, high): (GatewayTime, &Worked),
    at: GatewayTime,
    account: &mut impl Account,
) -> Outcome {
    let (x0, x1) = (low.outcome.clone()?, high.outcome.clone()?);
    let (since_s, of_s) = (at.since(t0), t1.since(t0));
    let share = since_s as f64 / of_s as f64;
    let value = finite(x0.value + (x1.value - x0.value) * share, "the interpolated value")?;
    note(account, || {
        Step::new(
            "value",
            "before + (after − before) × since_before / from_before_to_after",
            format!(
                "{} + ({} − {}) × {since_s} s / {of_s} s",
                number(x0.value),
                number(x1.value),
                term(x0.value)
            ),
            value,
            low.unit.map_or("", Unit::shown),
        )
    });
    Ok(Value { value, marks: x0.marks.and(x1.marks).with(Mark::Interpolated) })
}

/// The amount that a correction adds, and its marks.
#[derive(Clone, Copy, Default)]
struct Correction {
    /// `None`: there is no correction, or it was left out.
    amount: Option<f64>,
    marks: Marks,
}

impl Correction {
    fn omitted() -> Self {
        Self { amount: None, marks: Marks::NONE.with(Mark::CorrectionOmitted) }
    }

    fn of(amount: Value) -> Self {
        Self { amount: Some(amount.value), marks: amount.marks }
    }
}

/// Adds the corrections to a value, and writes the line that shows it.
fn corrected(
    raw: Value,
    temperature: Correction,
    air: Correction,
    entry: &Calibration,
    account: &mut impl Account,
) -> Outcome {
    let mut value = Value { value: raw.value, marks: raw.marks.and(temperature.marks).and(air.marks) };
    for amount in [temperature.amount, air.amount].into_iter().flatten() {
        value = value.plus(Value { value: amount, marks: Marks::NONE })?;
    }
    if temperature.amount.is_some() || air.amount.is_some() {
        note(account, || {
            let parts =
                [("value", Some(raw.value)), (FOR_TEMPERATURE, temperature.amount), (FOR_AIR, air.amount)];
            let there = parts.into_iter().filter_map(|(name, part)| Some((name, term(part?))));
            let (names, numbers): (Vec<&str>, Vec<String>) = there.unzip();
            let (formula, numbers) = (names.join(" + "), numbers.join(" + "));
            Step::new("corrected_value", formula, numbers, value.value, entry.unit.shown())
        });
    }
    Ok(value)
}

fn conclude(worked: &Worked, account: &mut impl Account) {
    account.say(|_| match &worked.outcome {
        Ok(value) => {
            let marks: Vec<&str> = value.marks.iter().map(Mark::sentence).collect();
            let marks = if marks.is_empty() { String::new() } else { format!("   ({})", marks.join("; ")) };
            format!(
                "=> {} {}{marks}",
                shown(value.value, worked.decimals),
                worked.unit.map_or("", Unit::shown)
            )
        }
        Err(why) => format!("=> absent: {why}"),
    });
}

/// An input, or what its correction uses without it; `None`: the correction is left out.
fn or_stand_in(
    outcome: Outcome,
    when_missing: Missing,
    input: &str,
    unit: &str,
    account: &mut impl Account,
) -> Result<Option<Value>, Absent> {
    let why = match outcome {
        Ok(value) => return Ok(Some(value)),
        Err(why) => why,
    };
    match when_missing {
        Missing::Absent => Err(Absent::MissingInput { input: input.to_owned(), why: Box::new(why) }),
        Missing::Omit => {
            account.say(|_| format!("no {input}: {why}; the correction is left out"));
            Ok(None)
        }
        Missing::Fixed(value) => {
            account.say(|_| format!("no {input}: {why}; {} {unit} is used instead", number(value)));
            Ok(Some(Value { value, marks: Marks::NONE.with(Mark::FixedValue) }))
        }
    }
}

/// Reports that no reading is near enough, before or after an instant.
fn none_near(
    name: &str,
    at: GatewayTime,
    (before, after): (bool, bool),
    within_s: i64,
    account: &mut impl Account,
) -> Worked {
    account.say(|words| {
        let missing = match (before, after) {
            (false, false) if within_s == 0 => "no reading at exactly this time",
            (false, false) => "no reading near enough",
            (false, true) => "no reading before it near enough",
            (true, false) => "no reading after it near enough, to interpolate",
            (true, true) => "",
        };
        format!("{name} at {}: {missing} (within {within_s} s)", words.time(at))
    });
    Worked::absent(if within_s == 0 { Absent::NoReading } else { Absent::TooFarInTime { within_s } })
}

#[cfg(test)]
mod tests {
    use super::super::Silent;
    use super::super::account::{Calculation, Line, Words};
    use super::super::calibration::TemperatureEffect;
    use super::super::combine::Dead;
    use super::super::curve::Polynomial;
    use super::super::head::UnitWeight;
    use super::super::inputs::{Around, Earlier};
    use super::super::pulse::Pulse;
    use super::super::thermistor::{Curve, Thermistor, USUAL_RANGE};
    use super::super::tilt::{Direction, End, Order, Tilt, TiltString};
    use super::super::vibrating_wire::{Difference, ForTemperature, Linear, ReadingUnit};
    use super::*;
    use crate::record::clock::{ClockEvent, EpochClock};
    use crate::time::LoggerTime;
    use crate::wire::record::RawUnit;
    use crate::wire::seq::Address;
    use std::convert::Infallible;

    const T: i64 = 1_780_000_000;
    const DAY: i64 = 86_400;

    /// Readings by logger and channel, each with its time.
    #[derive(Default)]
    struct Memory {
        held: Vec<(u16, u8, Sample)>,
        restarted: bool,
        gap: bool,
        faults: u64,
    }

    impl Memory {
        fn with(mut self, logger: u16, channel: u8, time: i64, unit: RawUnit, count: i32) -> Self {
            let sequence = self.held.len() as u32 + 1;
            let identity = Identity::new(logger, 1, sequence).unwrap();
            let time = GatewayTime(time);
            let sample =
                Sample { identity, time, is_corrected: false, count, is_fault: false, raw_unit: Some(unit) };
            self.held.push((logger, channel, sample));
            self
        }

        fn broken(mut self, logger: u16, channel: u8, time: i64, code: i32) -> Self {
            self = self.with(logger, channel, time, RawUnit::MilliOhm, code);
            self.held.last_mut().unwrap().2.is_fault = true;
            self
        }

        fn of(&self, logger: Address, channel: u8) -> impl Iterator<Item = Sample> {
            let of = self.held.iter().filter(move |(l, c, _)| (*l, *c) == (logger.number(), channel));
            of.map(|(_, _, sample)| *sample)
        }
    }

    impl Inputs for Memory {
        type Error = Infallible;

        fn around(
            &self,
            logger: Address,
            channel: u8,
            at: GatewayTime,
            within_s: i64,
        ) -> Result<Around, Infallible> {
            let near = |sample: &Sample| sample.time.since(at).abs() <= within_s;
            let before = self.of(logger, channel).filter(|s| s.time <= at && near(s)).max_by_key(|s| s.time);
            let after = self.of(logger, channel).filter(|s| s.time > at && near(s)).min_by_key(|s| s.time);
            Ok(Around { before, after })
        }

        // Each reading of these tests has its own record.
        fn of_record(&self, channel: u8, identity: Identity) -> Result<Option<Sample>, Infallible> {
            let mut of = self.of(identity.address, channel);
            Ok(of.find(|sample| sample.identity == identity))
        }

        fn earlier(&self, channel: u8, sample: &Sample) -> Result<Option<Earlier>, Infallible> {
            let before = self.of(sample.identity.address, channel).filter(|other| other.time < sample.time);
            let found = before.max_by_key(|other| other.time);
            Ok(found.map(|sample| Earlier {
                sample,
                restarted: self.restarted,
                gap: self.gap,
                faults: self.faults,
            }))
        }
    }

    fn stay(point: &str, logger: u16, channel: u8, serial: &str, from: i64, until: Option<i64>) -> Stay {
        let logger = Address::new(logger).unwrap();
        let (point, serial) = (point.to_owned(), Some(serial.to_owned()));
        let (from, until) = (GatewayTime(from), until.map(GatewayTime));
        Stay { point, logger, channel, from, until, serial, note: None, line: 1 }
    }

    fn unit(code: &str) -> Unit {
        Unit::from_code(code).unwrap()
    }

    fn entry(point: &str, serial: &str, code: &str, conversion: Conversion) -> Calibration {
        Calibration {
            point: point.into(),
            serial: serial.into(),
            from: GatewayTime(T - 100 * DAY),
            until: GatewayTime(T + 100 * DAY),
            unit: unit(code),
            decimals: 3,
            conversion,
            temperature: None,
            barometer: None,
            line: 1,
        }
    }

    /// Value = count / 1000, so that tests can write a value as it is.
    fn thousandths() -> Conversion {
        Conversion::Polynomial(Polynomial { c1: 1e-3, ..Polynomial::default() })
    }

    fn wire(factor: f64) -> Conversion {
        let (reading_unit, difference) = (ReadingUnit::ThousandSquareHertz, Difference::ZeroMinusReading);
        Conversion::WireLinear(Linear { reading_unit, difference, factor, zero_reading: 9_000.0 })
    }

    fn barometer(factor: f64, when_missing: Missing) -> Barometer {
        let source = (factor > 0.0).then(|| Source::Point("air".into()));
        Barometer { factor, reference: 88.0, unit: unit("kPa"), source, within_s: 3_600, when_missing }
    }

    fn points() -> Points {
        Points::new(vec![
            stay("P", 17, 0, "S1", T - 50 * DAY, None),
            stay("P temperature", 17, 1, "S1", T - 50 * DAY, None),
            stay("air", 19, 0, "S9", T - 50 * DAY, None),
        ])
    }

    /// A constant head of 50 kPa at the zero's air pressure, with the air 1 kPa above it.
    fn air_rose() -> (Memory, f64) {
        // The hydrostatic 50 kPa and 1 kPa of air are 51 kPa on a sealed diaphragm: (9000 - reading) 0.1.
        let hertz = (1_000.0_f64 * (9_000.0 - 51.0 / 0.1)).sqrt();
        let memory = Memory::default()
            .with(17, 0, T, RawUnit::MilliHertz, (1_000.0 * hertz).round() as i32)
            .with(19, 0, T - 600, RawUnit::Count, 88_900)
            .with(19, 0, T + 600, RawUnit::Count, 89_100);
        // Half a count of a thousandth of a hertz.
        (memory, 0.1 * 2.0 * hertz / 1_000.0 * 0.5e-3 + 1e-9)
    }

    fn value_with(memory: &Memory, correction: Option<Barometer>) -> Outcome {
        let pressure = Calibration { barometer: correction, ..entry("P", "S1", "kPa", wire(0.1)) };
        let calibrations =
            Calibrations::new(vec![pressure, entry("air", "S9", "kPa", thousandths())], vec![]);
        at(&points(), &calibrations, memory, "P", T)
    }

    fn at(points: &Points, calibrations: &Calibrations, inputs: &Memory, name: &str, at: i64) -> Outcome {
        let chain = Chain { points, calibrations, inputs };
        let Ok(worked) = chain.at_time(name, GatewayTime(at), 0, &mut Silent);
        worked.outcome
    }

    #[track_caller]
    fn near(outcome: Outcome, value: f64, tolerance: f64) -> Marks {
        let found = outcome.unwrap();
        assert!((found.value - value).abs() <= tolerance, "{} is not {value}", found.value);
        found.marks
    }

    #[test]
    fn air_pressure_over_a_constant_head_is_taken_off_what_is_sealed_and_nothing_else() {
        // Source: arithmetic by hand; sealed and vented as commonly used (common practice, no source).
        let (memory, tolerance) = air_rose();
        near(value_with(&memory, None), 51.0, tolerance);
        let marks = near(value_with(&memory, Some(barometer(1.0, Missing::Absent))), 50.0, tolerance);
        assert!(marks.has(Mark::Interpolated));
        near(value_with(&memory, Some(barometer(0.5, Missing::Absent))), 50.5, tolerance);
        // Vented: the diaphragm measures the head alone, and its value is left as it is.
        let vented = value_with(&memory, Some(barometer(0.0, Missing::Absent)));
        assert_eq!(near(vented.clone(), 51.0, tolerance), Marks::NONE);
        assert_eq!(vented, value_with(&memory, None));
    }

    #[test]
    fn a_barometer_that_is_absent_does_what_the_file_chose() {
        let (mut memory, tolerance) = air_rose();
        // There is a reading only before it: that is not interpolation.
        memory.held.pop();
        let why = value_with(&memory, Some(barometer(1.0, Missing::Absent))).unwrap_err();
        let too_far = Box::new(Absent::TooFarInTime { within_s: 3_600 });
        assert_eq!(why, Absent::MissingInput { input: "barometer".into(), why: too_far });
        let marks = near(value_with(&memory, Some(barometer(1.0, Missing::Omit))), 51.0, tolerance);
        assert!(marks.has(Mark::CorrectionOmitted) && !marks.has(Mark::FixedValue));
        let marks = near(value_with(&memory, Some(barometer(1.0, Missing::Fixed(88.4)))), 50.6, tolerance);
        assert!(marks.has(Mark::FixedValue) && !marks.has(Mark::CorrectionOmitted));
    }

    #[test]
    fn a_zero_taken_at_sea_level_is_a_false_head_at_1500_metres() {
        // Source: standard atmosphere 1976, 101.325 kPa at 0 m and 84.556 kPa at 1,500 m: 16.77 kPa.
        let (memory, tolerance) = air_rose();
        let memory = Memory { held: memory.held[..1].to_vec(), ..Memory::default() };
        let memory = memory.with(19, 0, T, RawUnit::Count, 84_556);
        let at_sea = Barometer { reference: 101.325, ..barometer(1.0, Missing::Absent) };
        near(value_with(&memory, Some(at_sea)), 51.0 + 16.769, tolerance);
    }

    #[test]
    fn air_pressure_in_another_unit_is_taken_to_the_unit_of_the_pressure() {
        let (memory, tolerance) = air_rose();
        let in_hpa = Barometer { reference: 880.0, unit: unit("hPa"), ..barometer(1.0, Missing::Absent) };
        near(value_with(&memory, Some(in_hpa)), 50.0, tolerance);
    }

    fn with_thermistor(when_missing: Missing) -> Calibrations {
        let effect = TemperatureEffect::Factor(ForTemperature { factor: 0.5, reference_c: 20.0 });
        let source = Source::Channel(Address::new(17).unwrap(), 1);
        let temperature = Some(Temperature { effect, source, within_s: 0, when_missing });
        let thermistor = Conversion::Thermistor(Thermistor {
            curve: Curve::Beta { ohm_at_25_c: 3_000.0, beta: 3_900.0 },
            lead_ohm: 0.0,
            range: USUAL_RANGE,
        });
        let pressure = Calibration { temperature, ..entry("P", "S1", "kPa", wire(0.1)) };
        Calibrations::new(vec![pressure, entry("P temperature", "S1", "Cel", thermistor)], vec![])
    }

    #[test]
    fn a_dead_thermistor_does_not_blank_a_sound_piezometer() {
        let (memory, tolerance) = air_rose();
        let dead = memory.broken(17, 1, T, 1);
        let value = |when_missing| at(&points(), &with_thermistor(when_missing), &dead, "P", T);
        assert!(near(value(Missing::Omit), 51.0, tolerance).has(Mark::CorrectionOmitted));
        assert!(near(value(Missing::Fixed(10.0)), 46.0, tolerance).has(Mark::FixedValue));
        let why = Box::new(Absent::Fault { code: 1 });
        assert_eq!(value(Missing::Absent), Err(Absent::MissingInput { input: "temperature".into(), why }));
        // 0 ohm is not a thermistor.
        let (memory, _) = air_rose();
        let shorted = memory.with(17, 1, T, RawUnit::MilliOhm, 0);
        assert!(at(&points(), &with_thermistor(Missing::Omit), &shorted, "P", T).is_ok());
        let alone = at(&points(), &with_thermistor(Missing::Omit), &shorted, "P temperature", T);
        assert_eq!(alone, Err(Absent::NotPositive { what: "the resistance" }));
        // A working thermistor corrects: 3000 ohm are 25 °C.
        let (memory, _) = air_rose();
        let sound = memory.with(17, 1, T, RawUnit::MilliOhm, 3_000_000);
        let corrected = at(&points(), &with_thermistor(Missing::Omit), &sound, "P", T);
        assert_eq!(near(corrected, 53.5, tolerance), Marks::NONE);
    }

    #[test]
    fn a_frequency_of_0_and_a_wrong_raw_unit_have_no_value() {
        let calibrations = Calibrations::new(vec![entry("P", "S1", "kPa", wire(0.1))], vec![]);
        let silent = Memory::default().with(17, 0, T, RawUnit::MilliHertz, 0);
        let why = at(&points(), &calibrations, &silent, "P", T).unwrap_err();
        assert_eq!(why, Absent::NotPositive { what: "the frequency" });
        let other = Memory::default().with(17, 0, T, RawUnit::MilliOhm, 2_900_000);
        let why = at(&points(), &calibrations, &other, "P", T).unwrap_err();
        assert_eq!(why.code(), "wrong-kind");
    }

    #[test]
    fn a_sensor_that_is_replaced_has_its_own_calibration_and_none_between() {
        let points = Points::new(vec![
            stay("P", 17, 0, "old", T - 50 * DAY, Some(T)),
            stay("P", 18, 3, "new", T + DAY, None),
        ]);
        let old = Calibration { until: GatewayTime(T - DAY), ..entry("P", "old", "kPa", wire(0.1)) };
        let new = Calibration { from: GatewayTime(T + DAY), ..entry("P", "new", "kPa", wire(0.2)) };
        let calibrations = Calibrations::new(vec![old, new], vec![]);
        let hz = 2_950_000;
        let memory = [T - 2 * DAY, T - DAY, T + 600]
            .into_iter()
            .fold(Memory::default(), |memory, time| memory.with(17, 0, time, RawUnit::MilliHertz, hz))
            .with(18, 3, T + DAY, RawUnit::MilliHertz, hz);
        let value = |time| at(&points, &calibrations, &memory, "P", time);
        near(value(T - 2 * DAY), 29.75, 1e-9);
        // Its calibration ended before it was taken out.
        assert_eq!(value(T - DAY), Err(Absent::NoCalibration));
        assert_eq!(value(T + 600), Err(Absent::NoSensor), "the old logger goes on, and is the point no more");
        near(value(T + DAY), 59.5, 1e-9);
    }

    #[test]
    fn a_reading_with_a_clock_of_2000_is_converted_by_when_it_was_made() {
        // A power-up in the year 2000; set right ten minutes later.
        let wrong = 946_684_800;
        let set = ClockEvent { sequence: 5, time: LoggerTime(T + 600), seconds_added: Some(T - wrong) };
        let clock = EpochClock::new(vec![set], Some((1, LoggerTime(wrong))));
        let made = clock.corrected(3, LoggerTime(wrong + 300), None).time.unix_s();
        assert_eq!(made, T + 300);
        let before = Calibration { until: GatewayTime(T), ..entry("P", "S1", "kPa", wire(0.1)) };
        let after = Calibration { from: GatewayTime(T), ..entry("P", "S1", "kPa", wire(0.2)) };
        let calibrations = Calibrations::new(vec![before, after], vec![]);
        let memory = Memory::default().with(17, 0, made, RawUnit::MilliHertz, 2_950_000);
        near(at(&points(), &calibrations, &memory, "P", made), 59.5, 1e-9);
    }

    #[test]
    fn pulses_are_counted_from_the_reading_before_and_never_interpolated() {
        let rain = |modulus| {
            Calibrations::new(
                vec![entry("P", "S1", "mm", Conversion::Pulse(Pulse { per_pulse: 0.2, modulus }))],
                vec![],
            )
        };
        let counted = |first, second| {
            Memory::default().with(17, 0, T, RawUnit::Pulse, first).with(
                17,
                0,
                T + 600,
                RawUnit::Pulse,
                second,
            )
        };
        let value = |memory: &Memory, modulus| at(&points(), &rain(modulus), memory, "P", T + 600);
        assert_eq!(near(value(&counted(100, 105), None), 1.0, 1e-12), Marks::NONE);
        assert_eq!(at(&points(), &rain(None), &counted(1, 2), "P", T), Err(Absent::NoEarlierTotal));
        // A decrease alone is neither a reset nor a wrap.
        assert_eq!(value(&counted(100, 3), None), Err(Absent::PulsesDecreased));
        assert!(near(value(&counted(998, 3), Some(1_000)), 1.0, 1e-12).has(Mark::CounterWrapped));
        let restarted = Memory { restarted: true, ..counted(998, 3) };
        assert!(near(value(&restarted, Some(1_000)), 0.6, 1e-12).has(Mark::CounterRestarted));
        let gap = Memory { gap: true, ..counted(100, 105) };
        assert!(near(value(&gap, None), 1.0, 1e-12).has(Mark::TimingUncertain));
        // There is no amount at a time between two totals.
        let calibrations = rain(None);
        let (points, inputs) = (points(), counted(1, 2));
        let chain = Chain { points: &points, calibrations: &calibrations, inputs: &inputs };
        let Ok(between) = chain.at_time("P", GatewayTime(T + 300), 600, &mut Silent);
        assert_eq!(between.outcome, Err(Absent::NoReading));
    }

    fn derived(name: &str, code: &str, combination: Combination, of: &[&str]) -> Derived {
        Derived {
            name: name.into(),
            from: GatewayTime(T - 100 * DAY),
            until: GatewayTime(T + 100 * DAY),
            unit: unit(code),
            decimals: 3,
            combination,
            of: of.iter().map(|name| (*name).to_owned()).collect(),
            within_s: 0,
            line: 1,
        }
    }

    #[test]
    fn a_level_stands_on_its_tip_and_suction_is_marked_and_not_clipped() {
        // Source: hydrostatics; 100 kPa at 9.80665 kN/m³ are 10.197 m of water.
        let level = |tip_m| Combination::Level { tip_m, datum: "site".into(), water: UnitWeight::default() };
        let depth = Combination::Depth { tip_m: 412.35, reference_m: 430.0, water: UnitWeight::default() };
        let calibrations = Calibrations::new(
            vec![entry("P", "S1", "kPa", thousandths()), entry("air", "S9", "kPa", thousandths())],
            vec![
                derived("level", "m", level(412.35), &["P"]),
                derived("depth", "m", depth, &["P"]),
                derived("sum", "kPa", Combination::Sum(Dead::Absent), &["P", "air"]),
                derived("of a sum", "m", level(412.35), &["sum"]),
            ],
        );
        let memory = Memory::default().with(17, 0, T, RawUnit::Count, 100_000);
        near(at(&points(), &calibrations, &memory, "level", T), 422.547, 5e-4);
        near(at(&points(), &calibrations, &memory, "depth", T), 7.453, 5e-4);
        let suction = Memory::default().with(17, 0, T, RawUnit::Count, -9_806);
        assert!(near(at(&points(), &calibrations, &suction, "level", T), 411.35, 1e-3).has(Mark::BelowTip));
        // A reason passes through every step.
        let why = at(&points(), &calibrations, &memory, "of a sum", T).unwrap_err();
        assert!(why.to_string().contains("no reading of this time is held"), "{why}");
    }

    #[test]
    fn a_string_ends_at_a_missing_node_from_either_end() {
        let names = ["n1", "n2", "n3"];
        let stays = (0..3).map(|i| stay(names[i as usize], 18, i, "S", T - DAY, None)).collect();
        let tilt = || Conversion::Tilt(Tilt { length: 2.0, zero_sine: 0.0 });
        let entries = names.iter().map(|name| entry(name, "S", "mm", tilt())).collect();
        let string = |fixed, node| Combination::String {
            string: TiltString { fixed, order: Order::LowestFirst, direction: Direction::AsSine },
            toward: "downstream".into(),
            node,
        };
        let wanted =
            [("a1", End::First, 0), ("a3", End::First, 2), ("b1", End::Last, 0), ("b3", End::Last, 2)];
        let others = wanted.map(|(name, fixed, node)| derived(name, "mm", string(fixed, node), &names));
        let (points, calibrations) = (Points::new(stays), Calibrations::new(entries, others.into()));
        let all =
            (0..3).fold(Memory::default(), |memory, i| memory.with(18, i, T, RawUnit::NanoSine, 1_000_000));
        // 2 m times 0.001 are 2 mm per node.
        near(at(&points, &calibrations, &all, "a3", T), 6.0, 1e-9);
        near(at(&points, &calibrations, &all, "b1", T), -6.0, 1e-9);
        let mut broken = all;
        broken.held[1].2.is_fault = true;
        near(at(&points, &calibrations, &broken, "a1", T), 2.0, 1e-9);
        near(at(&points, &calibrations, &broken, "b3", T), -2.0, 1e-9);
        for beyond in ["a3", "b1"] {
            let why = at(&points, &calibrations, &broken, beyond, T).unwrap_err();
            assert_eq!(why, Absent::BeyondMissingNode { node: "n2".into() }, "{beyond}");
        }
    }

    #[test]
    fn a_calculation_is_printed_with_its_sources_and_adds_up() {
        let (memory, _) = air_rose();
        let pressure = Calibration {
            barometer: Some(barometer(1.0, Missing::Absent)),
            ..entry("P", "S1", "kPa", wire(0.1))
        };
        let calibrations =
            Calibrations::new(vec![pressure, entry("air", "S9", "kPa", thousandths())], vec![]);
        let points = points();
        let chain = Chain { points: &points, calibrations: &calibrations, inputs: &memory };
        let words = Words { offset_s: -25_200, calibrations: "c.toml".into(), points: "p.toml".into() };
        let mut written = Calculation::new(words);
        let Ok(worked) = chain.at_time("P", GatewayTime(T), 0, &mut written);
        let said: Vec<&str> = written
            .lines()
            .iter()
            .filter_map(|(_, line)| if let Line::Said(text) = line { Some(text.as_str()) } else { None })
            .collect();
        assert_eq!(said[0], "P at 2026-05-28 13:26:40 -07:00");
        assert_eq!(said[1], "reading: logger 17 channel 0, epoch 1 sequence 1 (p.toml:1)");
        assert!(
            said[2].starts_with("calibration: sensor S1, vibrating_wire_linear, 2026-02-17 "),
            "{}",
            said[2]
        );
        assert!(said[2].ends_with("(c.toml:1)") && said.contains(&"correction for air pressure"));
        let last = written.lines().iter().rev().find_map(|(_, line)| match line {
            Line::Step(step) => Some(step),
            Line::Said(_) => None,
        });
        assert_eq!(last.unwrap().result, worked.outcome.unwrap().value);
        assert_eq!(last.unwrap().formula, "value + air_pressure_correction");
        // The text kept for messages shows nothing of the content.
        assert_eq!(format!("{calibrations:?}"), "Calibrations(…)");
    }

    #[test]
    fn a_zero_that_is_printed_has_no_sign() {
        assert_eq!(
            [shown(-0.004, 2), shown(-0.4, 0), shown(-0.006, 2), shown(12.345, 1)],
            ["0.00", "0", "-0.01", "12.3"]
        );
    }
}
