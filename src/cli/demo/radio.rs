//! The demo's weeks on the radio: the plan with its storm, and the whole field sent step by step of its own clock.

use super::super::print::Progress;
use super::daemon::PATIENCE;
use crate::files::{self, Own};
use crate::link::pty::PtyMaster;
use crate::sim::{Field, FieldPlan, Span, TrueTime};
use crate::text::counted;
use crate::time::GatewayTime;
use std::io::Write;
use std::path::Path;

pub const LOGGERS: usize = 12;
/// How far the simulated clock jumps at once; a reception time may be wrong by this much.
pub const STEP_S: i64 = 300;
/// How long the storm keeps the radio down.
const STORM_S: i64 = 36 * 3600;

/// The demo's field: what its loggers do, and its storm.
pub fn plan(seed: u64, days: u32) -> FieldPlan {
    // It ends now, on a whole step, so that reports have today's dates.
    let now = crate::time::now();
    let end = TrueTime::when_gateway_shows(now.later(-(now.unix_s() % STEP_S)));
    let from = end.later(-i64::from(days) * 86_400);
    let mut plan = FieldPlan::harrow_tarn(seed, LOGGERS, from, days);
    let storm = from.later(plan.duration_s * 35 / 100);
    plan.radio_outages = vec![Span::new(storm, storm.later(STORM_S.min(plan.duration_s / 4)))];
    plan
}

/// Writes the gateway's time to the file that the daemon reads; by rename, so that it never reads half a number.
pub fn set_clock(file: &Path, now: GatewayTime) -> Result<(), String> {
    let new = file.with_extension("new");
    files::open_own(&new, Own::New, 0o644)
        .and_then(|mut new| new.write_all(now.unix_s().to_string().as_bytes()))
        .and_then(|()| files::take_name(&new, file, true))
        .map_err(|error| format!("{}: {error}", file.display()))
}

/// Sends the whole field, step by step of its own clock. Returns the number of frames and bursts sent.
pub fn transmit(field: &mut Field, pty: &mut PtyMaster, clock: &Path) -> Result<u64, String> {
    let at_pty = |error: std::io::Error| format!("the pseudo-terminal: {error}");
    let progress = Progress::new();
    let days = field.plan().duration_s / 86_400;
    let (from, mut sent) = (field.plan().from, 0);
    let mut next = field.next();
    let mut now = from;
    let mut bytes = Vec::new();
    while next.is_some() {
        now = now.later(STEP_S);
        bytes.clear();
        while let Some(emission) = next.take_if(|emission| emission.at < now) {
            bytes.extend(emission.bytes);
            sent += 1;
            next = field.next();
        }
        set_clock(clock, now.by_gateway())?;
        if !bytes.is_empty() {
            pty.write_within(&bytes, PATIENCE).map_err(at_pty)?;
            pty.wait_drained(PATIENCE).map_err(at_pty)?;
        }
        if now.since(from) % 86_400 == 0 {
            progress.say(&format!(
                "   day {} of {days}, {} sent",
                now.since(from) / 86_400,
                counted(sent, "frame")
            ));
        }
    }
    progress.done();
    Ok(sent)
}
