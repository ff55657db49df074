//! The meaning of each column, as far as its name and its cells show it.

use super::columns::Seen;
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
    Battery(u32),
    Board,
    /// A channel in this unit.
    Channel(&'static str),
    /// Numbers without a known name.
    Unnamed,
    Unused,
}

/// The meaning of each column. Each role except a channel's is given once, to the first column that fits.
pub(super) fn roles(columns: &[Seen]) -> Vec<Role> {
    let mut roles: Vec<Role> = Vec::new();
    for column in columns {
        let role = role(column);
        let is_taken = !matches!(role, Role::Channel(_) | Role::Unnamed) && roles.contains(&role);
        roles.push(if is_taken { Role::Unused } else { role });
    }
    // A sequence without an epoch identifies nothing, and an epoch without a sequence neither.
    if roles.contains(&Role::Sequence) != roles.contains(&Role::Epoch) {
        for role in &mut roles {
            if matches!(role, Role::Sequence | Role::Epoch) {
                *role = Role::Unused;
            }
        }
    }
    if roles.contains(&Role::Time) {
        for role in &mut roles {
            if matches!(role, Role::Date | Role::Clock) {
                *role = Role::Unused;
            }
        }
    }
    roles
}

/// The meaning of a column, whatever the others are.
fn role(column: &Seen) -> Role {
    if column.only_times() {
        let format = column.formats.iter().flatten().next();
        let has = |piece| format.is_some_and(|format| format.has(piece));
        match (has(Piece::Day), has(Piece::Minute)) {
            (true, true) => Role::Time,
            (true, false) => Role::Date,
            _ => Role::Clock,
        }
    } else if column.has_word(&["epoch"]) && column.numbers > 0 {
        Role::Epoch
    } else if column.has_word(&["sequence", "seq"]) && column.numbers > 0 {
        Role::Sequence
    } else if column.has_word(&["logger", "station", "node"]) {
        Role::Logger
    } else if column.numbers == 0 {
        Role::Unused
    } else if column.least >= 1_000_000_000 * 1_000_000_000
        && column.places == 0
        && column.has_word(&["time", "unix", "timestamp"])
    {
        Role::Time
    } else if column.has_word(&["battery", "batt", "bat", "vbat"]) {
        let volts = match column.unit_text() {
            "mV" => false,
            "V" => true,
            _ => column.most < 100 * 1_000_000_000,
        };
        Role::Battery(if volts { 1000 } else { 1 })
    } else if column.has_word(&["board", "internal", "housing"]) {
        Role::Board
    } else if column.has_word(&["record", "rec", "no", "nr", "number", "line"])
        && column.by_one * 2 > column.changes
    {
        Role::Unused
    } else if column.has_word(&["count", "counts", "raw", "digit"]) || is_own_channel(&column.name) {
        Role::Channel("count")
    } else if let Some(unit) = measured_unit(column.unit_text()) {
        Role::Channel(unit)
    } else {
        Role::Unnamed
    }
}

/// `c0`, `ch1`.
fn is_own_channel(name: &str) -> bool {
    let lower = name.to_lowercase();
    let rest = lower.strip_prefix("ch").or_else(|| lower.strip_prefix('c')).unwrap_or("x");
    !rest.is_empty() && rest.len() <= 2 && rest.bytes().all(|byte| byte.is_ascii_digit())
}

/// A unit by its name in layouts, from the spellings that files use.
fn measured_unit(text: &str) -> Option<&'static str> {
    const UNITS: [(&str, &str); 20] = [
        ("Hz", "Hz"),
        ("hz", "Hz"),
        ("kHz", "kHz"),
        ("mHz", "mHz"),
        ("ohm", "ohm"),
        ("Ohm", "ohm"),
        ("ohms", "ohm"),
        ("Ω", "ohm"),
        ("kohm", "kohm"),
        ("kOhm", "kohm"),
        ("kΩ", "kohm"),
        ("mV/V", "mV/V"),
        ("V/V", "V/V"),
        ("mA", "mA"),
        ("µA", "uA"),
        ("uA", "uA"),
        ("mV", "mV"),
        ("V", "V"),
        ("pulses", "pulse"),
        ("pulse", "pulse"),
    ];
    UNITS.iter().find(|(written, _)| *written == text).map(|&(_, unit)| unit)
}
