//! What counts become: the one place where engineering units join an export.
//!
//! Input: a count with its identity, time and raw unit. Output: the value of a point, or why there is none, or nothing
//! where the channel is no point that is wanted. [`Raw`] is the identity: no values beside the counts.
//!
//! What this is not: no calibration and no arithmetic; whoever implements [`Convert`] brings them.

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
    /// Whether that is not what the logger recorded.
    pub is_corrected: bool,
    /// The count, or a fault code.
    pub count: i32,
    pub is_fault: bool,
    /// What one count is; `None`: not known.
    pub raw_unit: Option<RawUnit>,
}

impl std::fmt::Debug for Count {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        // Nothing of its content.
        write!(f, "Count({} channel {} at {})", self.identity, self.channel, self.time.unix_s())
    }
}

/// A point that values are given of.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PointColumn {
    pub name: String,
    /// UCUM code of its values, where all of them have the same. A wide table has no other place for it: whoever asks
    /// for one has to see to that.
    pub unit: Option<String>,
}

/// The value of a point.
#[derive(Clone, Debug, PartialEq)]
pub struct Value {
    /// Of which count it is, by its place among those that were handed over.
    pub count: usize,
    /// Which of [`Convert::points`].
    pub point: usize,
    pub value: Option<f64>,
    /// UCUM code of it; empty where there is none.
    pub unit: Cow<'static, str>,
    /// Places that it is shown with.
    pub decimals: Option<u8>,
    /// What is to be said of it: why there is none, or what it lacks.
    pub note: Cow<'static, str>,
}

/// A point that a logger's missing records may have been readings of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Lacks {
    /// Which of [`Convert::points`].
    pub point: usize,
    /// The channel that measures it, or the point that leads it.
    pub channel: u8,
    /// From this time on.
    pub from: GatewayTime,
    /// Until before this time.
    pub to: GatewayTime,
}

/// What counts become.
pub trait Convert {
    /// The points of which values are given, in order; `None`: raw counts only.
    fn points(&self) -> Option<&[PointColumn]>;
    /// Values of these counts, in their order: none of a channel that is no point that is wanted, several of one that
    /// leads derived points too. Called once a stretch of some 16,000 readings, with no transaction open: it may look at
    /// the ledger in one of its own.
    fn values(&mut self, counts: &[Count], into: &mut Vec<Value>) -> Result<(), ReadError>;
    /// The points that a missing record of a logger may have been a reading of, and when; empty for raw counts.
    fn lacks(&self, logger: Address) -> Vec<Lacks>;
    /// What the values rest on, for the descriptor: name and content (a digest, never a calibration's values).
    fn provenance(&self) -> Vec<(String, String)>;
}

/// Counts as they are.
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
