//! The daemon: reads ports, judges, commits, settles.

pub mod intake;
