//! Plans in words: paths, airtime and cells.

pub mod path;

/// What every plan ends with.
const ARITHMETIC: &str = "A plan is arithmetic, not a measurement: try the radio at the place. Limits are the plan's own \
figures; the local regulator decides.";
