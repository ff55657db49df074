//! The conversion of counts: the only place where engineering units enter an export.
//!
//! Input: a count with its identity, time and raw unit. Output: the value of a point, or why it has none, or nothing
//! if the channel is not a wanted point. [`Raw`] converts nothing: the export then has counts and no values.
//!
//! No calibration and no arithmetic: the types that implement [`Convert`] bring them.

use crate::report::inputs::ReadError;
use crate::time::GatewayTime;
use crate::wire::record::RawUnit;
use crate::wire::seq::{Address, Identity};
use std::borrow::Cow;

/// A count of a channel, as it is held.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct Count {
    pub identity: Identity,
    pub channel: u8,
    /// When it was made, corrected.
    pub time: GatewayTime,
    /// Whether `time` differs from what the logger recorded.
    pub is_corrected: bool,
    /// The count, or a fault code.
    pub count: i32,
    pub is_fault: bool,
    /// What one count is; `None` if not known.
    pub raw_unit: Option<RawUnit>,
}

impl std::fmt::Debug for Count {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        // Nothing of its content.
        write!(f, "Count({} channel {} at {})", self.identity, self.channel, self.time.unix_s())
    }
}

/// A point whose values are exported.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PointColumn {
    pub name: String,
    /// UCUM code of its values, if all of them have the same. A wide table has no other place for the unit, so a caller
    /// that needs a wide table has to make sure of that.
    pub unit: Option<String>,
}

/// The value of a point.
#[derive(Clone, Debug, PartialEq)]
pub struct Value {
    /// The count that it belongs to, as an index into the counts that were passed in.
    pub count: usize,
    /// Index into [`Convert::points`].
    pub point: usize,
    pub value: Option<f64>,
    /// Its UCUM code; empty if there is none.
    pub unit: Cow<'static, str>,
    /// How many decimal places are shown.
    pub decimals: Option<u8>,
    /// A note for its reader: why there is no value, or what it lacks.
    pub note: Cow<'static, str>,
}

/// A point to which a logger's missing records may belong.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Lacks {
    /// Index into [`Convert::points`].
    pub point: usize,
    /// The channel that measures it, or that measures the point that leads it.
    pub channel: u8,
    /// The start.
    pub from: GatewayTime,
    /// The end, exclusive.
    pub to: GatewayTime,
}

/// Converts counts.
pub trait Convert {
    /// The points whose values are exported, in order; `None`: raw counts only.
    fn points(&self) -> Option<&[PointColumn]>;
    /// The values of these counts, in their order: none for a channel that is not a wanted point, several for one that
    /// leads derived points too. Called once for each stretch of some 16,000 readings, with no transaction open: it may
    /// read the ledger in a transaction of its own.
    fn values(&mut self, counts: &[Count], into: &mut Vec<Value>) -> Result<(), ReadError>;
    /// The points to which a missing record of a logger may belong, and when; empty for raw counts.
    fn lacks(&self, logger: Address) -> Vec<Lacks>;
    /// The sources of the values, for the descriptor: name and content (a digest, never a calibration's values).
    fn provenance(&self) -> Vec<(String, String)>;
}

/// Leaves counts unchanged.
#[derive(Clone, Copy, Debug, Default)]
pub struct Raw;

impl Convert for Raw {
    fn points(&self) -> Option<&[PointColumn]> {
        None
    }

    fn values(&mut self, _counts: &[Count], _into: &mut Vec<Value>) -> Result<(), ReadError> {
        Ok(())
    }

    fn lacks(&self, _logger: Address) -> Vec<Lacks> {
        Vec::new()
    }

    fn provenance(&self) -> Vec<(String, String)> {
        Vec::new()
    }
}

/// The UCUM code of one count of a raw unit.
pub fn ucum(unit: RawUnit) -> &'static str {
    match unit {
        RawUnit::Count => "1",
        RawUnit::MilliHertz => "mHz",
        RawUnit::MilliOhm => "mOhm",
        RawUnit::NanoRatio | RawUnit::NanoSine => "10*-9",
        RawUnit::NanoAmp => "nA",
        RawUnit::TenNanoVolt => "10.nV",
        RawUnit::Pulse => "{pulse}",
    }
}
