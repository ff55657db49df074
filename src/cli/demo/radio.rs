//! The demo's weeks on the radio: the plan with its storm, and the whole field sent step by step of its own clock. Most
//! loggers listen, so most of what the storm cost comes over the radio when it is over.

use super::super::print::Progress;
use super::daemon::PATIENCE;
use crate::files::{self, Own};
use crate::link::pty::PtyMaster;
use crate::sim::{Field, FieldPlan, ListeningPlan, Span, TrueTime};
use crate::text::counted;
use crate::time::GatewayTime;
use crate::wire::seq::Identity;
use std::io::{ErrorKind, Write};
use std::path::Path;
use std::time::Duration;

pub const LOGGERS: usize = 12;
/// How far the simulated clock jumps at once; a reception time may be wrong by this much.
pub const STEP_S: i64 = 300;
/// How long the storm keeps the radio down.
const STORM_S: i64 = 36 * 3600;
/// For so long after the storm the daemon gets time to commit and to plan what to ask, after each simulated hour.
const SETTLES_S: i64 = 12 * 3_600;
const PLANS: Duration = Duration::from_millis(120);
/// Loggers that only send, as places in the list: what the demo then does by hand needs something to fetch there.
const ONLY_SEND: [usize; 4] = [0, 1, 5, 9];

/// The demo's field: what its loggers do, and its storm.
pub fn plan(seed: u64, days: u32) -> FieldPlan {
    // It ends now, on a whole step, so that reports have today's dates.
    let now = crate::time::now();
    let end = TrueTime::when_gateway_shows(now.later(-(now.unix_s() % STEP_S)));
    let from = end.later(-i64::from(days) * 86_400);
    let mut plan = FieldPlan::harrow_tarn(seed, LOGGERS, from, days);
    let storm = from.later(plan.duration_s * 35 / 100);
    plan.radio_outages = vec![Span::new(storm, storm.later(STORM_S.min(plan.duration_s / 4)))];
    let mut plan = plan.with_listening(ListeningPlan::ordinary());
    for index in ONLY_SEND {
        plan.loggers[index].listens = false;
    }
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

/// What became of the records that the storm cost.
#[derive(Clone, Copy, Debug, Default)]
pub struct Healed {
    /// Loggers that listen, and how many records they made during the storm.
    pub listening: usize,
    pub lost: u64,
    /// How many of these came over the radio afterwards, within how many hours, and how long the gateway sent for it.
    pub came: u64,
    pub hours: i64,
    pub sending_ms: u64,
    /// What the other loggers made during the storm.
    pub for_the_walk: u64,
}

/// Watches the storm's records come.
struct Watch {
    storm: Span,
    /// By logger that listens.
    lost: Vec<Identity>,
    sending_before_ms: u64,
    healed: Healed,
}

impl Watch {
    fn new(field: &Field) -> Option<Self> {
        let storm = *field.plan().radio_outages.first()?;
        let listening = field.plan().loggers.iter().filter(|logger| field.plan().listens(logger)).count();
        let healed = Healed { listening, ..Healed::default() };
        Some(Self { storm, lost: Vec::new(), sending_before_ms: 0, healed })
    }

    /// Whether something may still come. The daemon then gets time to commit and to plan, because a simulated hour lasts
    /// milliseconds only.
    fn looks(&mut self, field: &Field, now: TrueTime) -> bool {
        let since_s = now.since(self.storm.to);
        if since_s < 0 || (!self.lost.is_empty() && self.healed.came == self.healed.lost) {
            return false;
        }
        if self.lost.is_empty() {
            self.sending_before_ms = field.asked().airtime_ms;
            for logger in &field.plan().loggers {
                let made = field.truth().records_of(logger.address).iter();
                let missed = made.filter(|record| self.storm.contains(record.made_at) && !record.heard);
                let missed: Vec<Identity> = missed.map(|record| record.identity).collect();
                if field.plan().listens(logger) {
                    self.healed.lost += missed.len() as u64;
                    self.lost.extend(missed);
                } else {
                    self.healed.for_the_walk += missed.len() as u64;
                }
            }
        }
        let heard = |id: &&Identity| field.truth().record(**id).is_some_and(|record| record.heard);
        let came = self.lost.iter().filter(heard).count() as u64;
        if came > self.healed.came {
            self.healed.came = came;
            self.healed.hours = (since_s + 3599) / 3600;
            self.healed.sending_ms = field.asked().airtime_ms - self.sending_before_ms;
        }
        since_s <= SETTLES_S
    }
}

/// Sends the whole field, step by step of its own clock. Returns the number of frames and bursts sent, and what became
/// of the storm's records.
pub fn transmit(field: &mut Field, pty: &mut PtyMaster, clock: &Path) -> Result<(u64, Healed), String> {
    let at_pty = |error: std::io::Error| format!("the pseudo-terminal: {error}");
    let progress = Progress::new();
    let days = field.plan().duration_s / 86_400;
    let (from, mut sent) = (field.plan().from, 0);
    let mut watch = Watch::new(field);
    let mut now = from;
    let mut bytes = Vec::new();
    while field.next_at().is_some() {
        // Questions to the loggers that were heard in the last steps.
        let mut questions = Vec::new();
        match pty.read_within(&mut questions, Duration::ZERO) {
            Err(error) if error.kind() != ErrorKind::TimedOut => return Err(at_pty(error)),
            _ => field.hears(&questions, now.later(-3 * STEP_S), now),
        }
        now = now.later(STEP_S);
        bytes.clear();
        while field.next_at().is_some_and(|next| next < now) {
            let Some(emission) = field.next() else { break };
            bytes.extend(emission.bytes);
            sent += 1;
        }
        set_clock(clock, now.by_gateway())?;
        if !bytes.is_empty() {
            pty.write_within(&bytes, PATIENCE).map_err(at_pty)?;
            pty.wait_drained(PATIENCE).map_err(at_pty)?;
        }
        if now.since(from) % 3_600 == 0
            && let Some(watch) = &mut watch
            && watch.looks(field, now)
        {
            std::thread::sleep(PLANS);
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
    Ok((sent, watch.map_or_else(Healed::default, |watch| watch.healed)))
}
