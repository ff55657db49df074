//! The meaning of each column, as far as its name and its cells show it.

use super::columns::Seen;
use super::words::{self, Word, is_celsius, measured_unit};
use crate::config::layout::Piece;

/// The meaning of a column.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Role {
    Logger,
    Epoch,
    Sequence,
    Time,
    Date,
    Clock,
    /// A part of the day or of the time of day by itself, with its format.
    Part(&'static str),
    /// Seconds since 1970, milliseconds, or a spreadsheet's day number, with the format.
    Counted(&'static str),
    Battery(u32),
    /// In this many hundredths of a degree.
    Board(u32),
    /// A channel in this unit.
    Channel(&'static str),
    /// Numbers without a known name.
    Unnamed,
    /// The same text in each row, next to a value.
    Text,
    /// Numbers the rows.
    Record,
    Unused,
}

impl Role {
    /// Whether it is a part of the time.
    pub(super) fn is_time(&self) -> bool {
        matches!(self, Self::Time | Self::Date | Self::Clock | Self::Part(_) | Self::Counted(_))
    }

    /// Whether several columns may have it.
    fn is_shared(&self) -> bool {
        matches!(self, Self::Channel(_) | Self::Unnamed | Self::Unused | Self::Record | Self::Text)
    }
}

const UNIT: i128 = 1_000_000_000;

/// The meaning of each column. Each role except a channel's is given once, to the first column that fits.
pub(super) fn roles(columns: &[Seen], decimal_mark: u8) -> Vec<Role> {
    let mut roles: Vec<Role> = Vec::new();
    for (at, column) in columns.iter().enumerate() {
        let role = role(column, decimal_mark);
        let is_taken = !role.is_shared() && roles.contains(&role);
        let role = if is_taken { Role::Unused } else { role };
        // The column after a value may name its unit.
        let unit = the_text(column).and_then(measured_unit);
        let before = at.checked_sub(1).and_then(|before| roles.get(before).cloned());
        let role = match (&role, unit, before) {
            (Role::Unused, Some(unit), Some(Role::Unnamed | Role::Channel(_))) => {
                roles[at - 1] = Role::Channel(unit);
                Role::Text
            }
            (Role::Unused, Some(unit), Some(Role::Battery(_))) if matches!(unit, "V" | "mV") => {
                roles[at - 1] = Role::Battery(if unit == "V" { 1000 } else { 1 });
                Role::Text
            }
            _ => role,
        };
        roles.push(role);
        if roles[at] == Role::Unused
            && the_text(column).is_some_and(is_celsius)
            && at > 0
            && matches!(roles[at - 1], Role::Board(_))
        {
            roles[at] = Role::Text;
        }
    }
    settle_numbers(&mut roles);
    settle_times(columns, decimal_mark, &mut roles);
    roles
}

/// The only text of a column without numbers.
pub(super) fn the_text(column: &Seen) -> Option<&str> {
    let mut texts = column.texts.keys();
    let only = texts.next().filter(|_| column.numbers == 0 && !column.more_texts)?;
    texts.next().is_none().then_some(only.as_str())
}

/// A sequence without an epoch identifies nothing, and an epoch without a sequence neither.
fn settle_numbers(roles: &mut [Role]) {
    if roles.contains(&Role::Sequence) != roles.contains(&Role::Epoch) {
        for role in roles.iter_mut() {
            match role {
                Role::Sequence => *role = Role::Record,
                Role::Epoch => *role = Role::Unused,
                _ => {}
            }
        }
    }
}

/// One way to give the time: a whole time, a day and a time of day, or the parts of both.
fn settle_times(columns: &[Seen], decimal_mark: u8, roles: &mut [Role]) {
    let has = |roles: &[Role], is: fn(&Role) -> bool| roles.iter().any(is);
    if !has(roles, Role::is_time) {
        // Day numbers without a name that says so: they only go forward.
        let is_serial = |(column, role): (&Seen, &Role)| {
            let of = column.numbers_by(decimal_mark);
            *role == Role::Unnamed && of.places > 0 && of.least > 36_526 * UNIT && of.most < 73_051 * UNIT
        };
        if let Some(at) = columns.iter().zip(roles.iter()).position(is_serial) {
            roles[at] = Role::Counted("serial");
        }
    }
    let is_whole = |role: &Role| matches!(role, Role::Time | Role::Counted(_));
    let keep: fn(&Role) -> bool = if let Some(first) = roles.iter().position(is_whole) {
        for role in roles[first + 1..].iter_mut().filter(|role| is_whole(role)) {
            *role = Role::Unused;
        }
        |role| matches!(role, Role::Time | Role::Counted(_))
    } else if has(roles, |role| *role == Role::Date) && has(roles, |role| *role == Role::Clock) {
        |role| matches!(role, Role::Date | Role::Clock)
    } else {
        |role| matches!(role, Role::Date | Role::Clock | Role::Part(_))
    };
    for role in roles.iter_mut() {
        if role.is_time() && !keep(role) {
            *role = Role::Unused;
        }
    }
}

/// The meaning of a column, whatever the others are.
fn role(column: &Seen, decimal_mark: u8) -> Role {
    let of = column.numbers_by(decimal_mark);
    let within =
        |least: i128, most: i128| of.places == 0 && of.least >= least * UNIT && of.most <= most * UNIT;
    let unit = column.unit_text();
    if column.only_times() {
        let forms = column.forms();
        let has = |piece| forms.first().is_some_and(|format| format.has(piece));
        let has_day = has(Piece::Day) || has(Piece::DayOfYear);
        return match (has_day, has(Piece::Minute)) {
            (true, true) => Role::Time,
            (true, false) => Role::Date,
            _ => Role::Clock,
        };
    }
    if column.numbers == 0 {
        return if column.says(Word::Logger) && !column.texts.is_empty() {
            Role::Logger
        } else {
            Role::Unused
        };
    }
    if column.has_mixed_suffixes() {
        return Role::Unused;
    }
    let is_named = column.says(Word::Time) || column.says(Word::Epoch);
    if is_named && of.least >= 1_000_000_000 * UNIT && of.most < 4_294_967_296 * UNIT {
        return Role::Counted(if of.places > 0 { "%s.%f" } else { "%s" });
    }
    if is_named
        && of.least >= 1_000_000_000_000 * UNIT
        && of.most < 4_294_967_296_000 * UNIT
        && of.places == 0
    {
        return Role::Counted("%Q");
    }
    if column.says(Word::Time) && of.least > 36_526 * UNIT && of.most < 73_051 * UNIT {
        return Role::Counted("serial");
    }
    if column.says(Word::Year) && within(1970, 2106) {
        return Role::Part("%Y");
    }
    if column.says(Word::DayOfYear) && within(1, 366) {
        return Role::Part("%j");
    }
    if column.says(Word::Month) && within(1, 12) {
        return Role::Part("%m");
    }
    if column.says(Word::Day) && within(1, 366) {
        return Role::Part(if within(1, 31) { "%d" } else { "%j" });
    }
    if column.says(Word::Hour) && within(0, 23) {
        return Role::Part("%H");
    }
    if column.says(Word::Minute) && within(0, 59) {
        return Role::Part("%M");
    }
    if column.says(Word::Second) && within(0, 59) {
        return Role::Part("%S");
    }
    if column.says(Word::Epoch) {
        return Role::Epoch;
    }
    if column.says(Word::Sequence) {
        return Role::Sequence;
    }
    if column.says(Word::Battery) && !is_celsius(unit) && of.least >= 0 {
        let volts = match measured_unit(unit) {
            Some("mV") => false,
            Some("V") => true,
            _ => of.most < 100 * UNIT,
        };
        return Role::Battery(if volts { 1000 } else { 1 });
    }
    if column.says(Word::Board) && (measured_unit(unit).is_none() || column.says(Word::Temperature)) {
        return Role::Board(if words::is_centi_celsius(unit) { 1 } else { 100 });
    }
    let counts_on = column.numbers > 1 && of.by_one * 2 > of.changes && of.places == 0;
    if counts_on && measured_unit(unit).is_none() && !column.says(Word::Count)
        || (column.says(Word::Record) && of.by_one * 2 > of.changes && of.places == 0)
    {
        return Role::Record;
    }
    if column.says(Word::Logger) && of.places == 0 && of.changes <= column.numbers / 2 + 1 {
        return Role::Logger;
    }
    if let Some(unit) = measured_unit(unit) {
        return Role::Channel(unit);
    }
    if is_own_channel(&column.name) || (column.says(Word::Count) && !is_celsius(unit)) {
        return Role::Channel("count");
    }
    Role::Unnamed
}

/// `c0`, `ch1`.
fn is_own_channel(name: &str) -> bool {
    let lower = name.to_lowercase();
    let rest = lower.strip_prefix("ch").or_else(|| lower.strip_prefix('c')).unwrap_or("x");
    !rest.is_empty() && rest.len() <= 2 && rest.bytes().all(|byte| byte.is_ascii_digit())
}
