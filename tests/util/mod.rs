//! Helpers for several test files.
#![allow(dead_code, clippy::unwrap_used)]

pub mod air;
pub mod bench;
pub mod daemon;
pub mod hand;
pub mod listener;
pub mod promises;
pub mod random;
pub mod reader_site;
pub mod shim;
pub mod terminal;
pub mod truth;
pub mod unit;

use std::path::PathBuf;
use stonechat::time::GatewayTime;

pub fn data(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/data").join(name)
}

pub fn read_data(name: &str) -> String {
    let path = data(name);
    std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

pub fn unhex(text: &str) -> Vec<u8> {
    assert!(text.len().is_multiple_of(2), "odd hex: {text}");
    (0..text.len()).step_by(2).map(|at| u8::from_str_radix(&text[at..at + 2], 16).unwrap()).collect()
}

/// The rows of a reference file as fields; no field of those holds a comma or a quote.
pub fn csv(name: &str) -> Vec<Vec<String>> {
    read_data(name).lines().skip(1).map(|line| line.split(',').map(str::to_owned).collect()).collect()
}

/// Compares a text byte for byte with its reviewed snapshot; `UPDATE_SNAPSHOTS=1` rewrites the snapshot, to be reviewed
/// again.
pub fn same_as_snapshot(name: &str, text: &str) {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/snapshots").join(name);
    if std::env::var_os("UPDATE_SNAPSHOTS").is_some() {
        std::fs::write(&path, text).unwrap();
    }
    let kept = std::fs::read_to_string(&path).unwrap_or_default();
    let remedy = "if it reads as it should, run again with UPDATE_SNAPSHOTS=1";
    assert!(kept == text, "{} is another now; {remedy}:\n{text}", path.display());
}

/// What reports of a site name.
pub fn frame(config: &stonechat::config::Config, now: i64) -> stonechat::view::frame::Frame<'_> {
    let site = &config.site;
    stonechat::view::frame::Frame {
        site: &site.name,
        utc_offset_s: site.utc_offset_s,
        roster: &config.roster,
        now: GatewayTime(now),
        in_force: &config.in_force,
    }
}
