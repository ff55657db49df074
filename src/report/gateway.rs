//! The state of the gateway, as a value: what keeps it from hearing loggers, the worst first.
//!
//! Input: the daemon's last report, when radios listened, when each logger was heard, and which of its frames are
//! unopened. Output: [`Gateway`], which every report shows before it says anything about loggers.
//!
//! **A silence needs a listener.** A logger is silent only if the gateway has *listened* for the logger's limit and
//! heard nothing new from it. Time in which no radio listened, or a radio received only noise, does not count; nor does
//! the time before the last of its frames that came and could not be opened. If a logger is silent by the clock only,
//! the gateway explains it, and no report calls the logger silent. One unopened frame, or many at one moment, may be
//! forged and are no sign of life: `record::wrong_key` decides from when on they are.
//!
//! No I/O, no clock and no text.

use super::gaps::{Report, Silence};
use crate::record::facts::Listening;
use crate::record::spans::covered;
use crate::record::unopened::WhyUnopened;
use crate::record::unread::Kept;
use crate::record::wrong_key::{Failing, Heard, Suspicion, suspicion};
use crate::state::DaemonState;
use crate::time::GatewayTime;
use crate::wire::seq::{Address, Slot};
use std::collections::{BTreeMap, BTreeSet};

/// A daemon with an open port writes its state with each commit, at least once an hour; twice that is too long.
const STATE_OLD_S: i64 = 2 * 3600;
/// With this many noise frames and no valid frame for [`NOISE_ONLY_S`], the line is being read wrongly.
const NOISE_FRAMES_SINCE: u64 = 10;
/// Our choice: longer than the interval of nearly every logger.
const NOISE_ONLY_S: i64 = 3600;

/// What prevents the gateway from hearing or recording loggers.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Fault {
    /// There is no state file of a daemon at the expected path.
    NoWord,
    NotRunning {
        /// Since when, as far as its state shows.
        since: GatewayTime,
    },
    /// What it receives cannot be committed.
    CannotCommit {
        why: String,
    },
    /// Its process exists, but it no longer writes its state.
    Stuck {
        /// When it last wrote its state.
        since: GatewayTime,
    },
    PortNotOpen {
        radio: String,
        since: Option<GatewayTime>,
        why: String,
    },
    /// Bytes come in from a radio, but no valid frame.
    OnlyNoise {
        radio: String,
        /// When the last valid frame came, or when the port was opened.
        since: Option<GatewayTime>,
    },
    /// A radio that reported itself no longer does.
    RadioSilent {
        radio: String,
        /// When its last report came.
        since: Option<GatewayTime>,
    },
    /// Frames of loggers on the roster come in, and no key has opened one since they began: see `record::wrong_key`.
    WrongKey {
        /// Loggers whose frames are not opened.
        loggers: Vec<Address>,
        /// When the first of these frames came.
        since: Option<GatewayTime>,
    },
    /// Some loggers' frames come in, and no key opens them; frames of other loggers are opened.
    KeyMissing {
        /// The loggers, and the slots that the frames name.
        keys: Vec<(Address, Slot)>,
    },
    /// Every logger is silent, although the gateway listens.
    NothingHeard,
    /// The times that it records may be wrong.
    ClockNotSynchronised,
}

/// What is known of one logger.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LoggerHeard {
    pub logger: Address,
    /// Seconds between its readings, by the roster.
    pub interval_s: u32,
    /// Seconds without a new record after which it is silent; `None` if it never is.
    pub silent_after_s: Option<i64>,
    pub in_service_from: Option<GatewayTime>,
    /// When its newest record came in by radio, whether it was opened at once or later.
    pub last_heard: Option<GatewayTime>,
    /// It need not be heard, because a remark or a write-off says so.
    pub is_accounted_for: bool,
}

/// The evidence from which the state of the gateway is derived.
#[derive(Clone, Copy, Debug)]
pub struct GatewayEvidence<'a> {
    pub now: GatewayTime,
    /// The daemon's last state.
    pub daemon: Option<&'a DaemonState>,
    /// Whether its process exists.
    pub is_alive: bool,
    /// When radios listened, as far as it is committed.
    pub listening: &'a [Listening],
    /// Every logger of the roster.
    pub loggers: &'a [LoggerHeard],
    /// Unopened frames.
    pub unopened: &'a [Kept],
    /// For each logger, the frames that no right key has opened since the last one that was opened.
    pub failing: &'a [Failing],
}

/// How the gateway is.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Gateway {
    /// The worst first; empty if it works.
    pub faults: Vec<Fault>,
    /// Loggers that were not heard for longer than their limit, because of the gateway.
    pub explained: BTreeSet<Address>,
    /// Loggers that are silent although the gateway listened.
    pub silent: BTreeSet<Address>,
    /// How many loggers are on the roster and in service.
    pub loggers: usize,
}

impl Gateway {
    pub fn new(evidence: &GatewayEvidence<'_>) -> Self {
        let (faults, loggers) = (of_daemon(evidence), evidence.loggers.len());
        let mut gateway = Self { faults, loggers, ..Self::default() };
        let listened = listened(evidence, &gateway.faults);
        let found = suspicion_of(evidence);
        let unopened_of = unopened_by_logger(evidence.unopened, &found);
        let mut unopened = Vec::new();
        for logger in evidence.loggers {
            let Some(limit) = logger.silent_after_s else { continue };
            let heard = logger.last_heard.filter(|&at| at <= evidence.now);
            let since = heard.max(logger.in_service_from);
            if since.is_some_and(|since| evidence.now.since(since) <= limit) {
                continue;
            }
            let last_unopened = unopened_of.get(&logger.logger).copied();
            let slot = last_unopened.map(|(_, slot)| slot);
            let last_unopened = last_unopened.map(|(last, _)| last);
            let from = since.max(last_unopened).unwrap_or(GatewayTime::MIN);
            if covered(from, evidence.now, listened.iter().copied()) > limit {
                gateway.silent.insert(logger.logger);
                continue;
            }
            gateway.explained.insert(logger.logger);
            if last_unopened.is_some_and(|last| heard.is_none_or(|heard| last > heard)) {
                unopened.extend(slot.map(|slot| (logger.logger, slot)));
            }
        }
        gateway.faults.extend(of_keys(&found, unopened));
        let counted = evidence.loggers.iter().filter(|logger| logger.silent_after_s.is_some());
        let all_silent = counted.clone().all(|logger| gateway.silent.contains(&logger.logger));
        if gateway.faults.is_empty() && all_silent && counted.clone().any(|logger| !logger.is_accounted_for) {
            gateway.faults.push(Fault::NothingHeard);
        }
        if evidence.daemon.is_some_and(|state| evidence.is_alive && !state.clock_synchronised) {
            gateway.faults.push(Fault::ClockNotSynchronised);
        }
        gateway
    }

    /// Whether there is no fault.
    pub fn works(&self) -> bool {
        self.faults.is_empty()
    }

    /// Whether it hears its loggers, as far as is known: a wrong clock does not prevent that.
    pub fn hears(&self) -> bool {
        self.faults.iter().all(|fault| *fault == Fault::ClockNotSynchronised)
    }

    /// Whether it explains why none of its loggers was heard.
    pub fn explains_all(&self) -> bool {
        self.loggers > 0 && self.explained.len() == self.loggers
    }

    /// Leaves in a report only the silences that are the loggers' own, and returns those that the gateway explains.
    pub fn take_explained(&self, report: &mut Report) -> Vec<Silence> {
        let mut explained = std::mem::take(&mut report.silent);
        report.silent.extend(explained.extract_if(.., |silence| self.silent.contains(&silence.logger)));
        explained.retain(|silence| self.explained.contains(&silence.logger));
        explained
    }
}

/// Faults that the states of the daemon and its ports show.
fn of_daemon(evidence: &GatewayEvidence<'_>) -> Vec<Fault> {
    let Some(state) = evidence.daemon else { return vec![Fault::NoWord] };
    if !evidence.is_alive {
        return vec![Fault::NotRunning { since: state.written_at }];
    }
    let mut faults = Vec::new();
    if let Some(why) = &state.trouble {
        faults.push(Fault::CannotCommit { why: why.clone() });
    }
    if is_stuck(state, evidence.now) {
        faults.push(Fault::Stuck { since: state.written_at });
    }
    for radio in &state.radios {
        if let (false, Some(why)) = (radio.up, &radio.reason) {
            let (radio, since, why) = (radio.name.clone(), radio.since, why.clone());
            faults.push(Fault::PortNotOpen { radio, since, why });
        }
    }
    for radio in state.radios.iter().filter(|radio| radio.up) {
        let noise = radio.noise_since_right_frame;
        let is_noise = match radio.last_frame_at {
            None => radio.hears_only_noise(),
            Some(last) => noise >= NOISE_FRAMES_SINCE && evidence.now.since(last) > NOISE_ONLY_S,
        };
        if is_noise {
            let since = radio.last_frame_at.or(radio.since);
            faults.push(Fault::OnlyNoise { radio: radio.name.clone(), since });
        } else if let Some(report) = radio.report.filter(|report| report.is_overdue(state.written_at)) {
            // By the time of the state: the daemon may write it long after a report.
            faults.push(Fault::RadioSilent { radio: radio.name.clone(), since: Some(report.at) });
        }
    }
    faults
}

/// Whether a daemon with an open port no longer writes its state. Without an open port it has nothing to commit.
pub fn is_stuck(state: &DaemonState, now: GatewayTime) -> bool {
    state.radios.iter().any(|radio| radio.up) && now.since(state.written_at) > STATE_OLD_S
}

/// When the gateway could hear: the committed windows, and since then the time that the daemon's state covers,
/// without the time in which there was only noise.
fn listened(evidence: &GatewayEvidence<'_>, faults: &[Fault]) -> Vec<(GatewayTime, GatewayTime)> {
    let mut spans: Vec<(GatewayTime, GatewayTime)> =
        evidence.listening.iter().map(|of| (of.since, of.until)).collect();
    let Some(state) = evidence.daemon.filter(|_| evidence.is_alive) else { return spans };
    let until = if is_stuck(state, evidence.now) { state.written_at } else { evidence.now };
    let noisy = |name: &str| {
        faults.iter().find_map(|fault| match fault {
            Fault::OnlyNoise { radio, since } | Fault::RadioSilent { radio, since } if radio == name => {
                Some(since.unwrap_or(state.started_at))
            }
            _ => None,
        })
    };
    let up = || state.radios.iter().filter(|radio| radio.up);
    for radio in up().filter(|radio| noisy(&radio.name).is_none()) {
        spans.push((radio.since.unwrap_or(state.started_at), until));
    }
    // If every open radio receives only noise, no logger could have been heard since the last radio began to receive
    // only noise.
    let deaf: Option<Vec<GatewayTime>> = up().map(|radio| noisy(&radio.name)).collect();
    if let Some(since) = deaf.and_then(|deaf| deaf.into_iter().max()) {
        for span in &mut spans {
            span.1 = span.1.min(since);
        }
    }
    spans
}

/// For each logger, when its last unopened frame came that is really its own, and which slot the frame names: the frame
/// is authentic and its slot is closed, or its key is suspect.
fn unopened_by_logger(unopened: &[Kept], found: &Suspicion) -> BTreeMap<Address, (GatewayTime, Slot)> {
    let suspects: BTreeSet<Address> = found.suspects().iter().map(|suspect| suspect.logger).collect();
    let is_its_own = |kept: &&Kept| match kept.why {
        WhyUnopened::Closed => true,
        WhyUnopened::NoKey | WhyUnopened::Unproven => suspects.contains(&kept.logger),
        WhyUnopened::TagFails => false,
    };
    let mut all = BTreeMap::<Address, (GatewayTime, Slot)>::new();
    for kept in unopened.iter().filter(is_its_own) {
        let Some(last) = kept.last_at else { continue };
        let entry = all.entry(kept.logger).or_insert((last, kept.slot));
        *entry = (last, kept.slot).max(*entry);
    }
    all
}

/// Which keys are suspect.
fn suspicion_of(evidence: &GatewayEvidence<'_>) -> Suspicion {
    let heard = evidence.loggers.iter().map(|logger| Heard {
        logger: logger.logger,
        interval_s: logger.interval_s,
        last_opened: logger.last_heard,
    });
    let heard: Vec<Heard> = heard.collect();
    suspicion(evidence.failing, &heard, evidence.now)
}

/// Whether the keys are the fault: all of them, or those of single loggers; the loggers in `unopened` would otherwise
/// be silent.
fn of_keys(found: &Suspicion, unopened: Vec<(Address, Slot)>) -> Option<Fault> {
    if let Suspicion::SiteKey(suspects) = found {
        let since = suspects.iter().map(|suspect| suspect.since).min();
        let loggers = suspects.iter().map(|suspect| suspect.logger).collect();
        return Some(Fault::WrongKey { loggers, since });
    }
    let suspects = found.suspects().iter().map(|suspect| (suspect.logger, suspect.slot));
    let mut keys: BTreeMap<Address, Slot> = unopened.into_iter().collect();
    keys.extend(suspects);
    (!keys.is_empty()).then(|| Fault::KeyMissing { keys: keys.into_iter().collect() })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::state::{Phase, RadioReport, RadioState};

    const HOUR: i64 = 3600;
    const NOW: GatewayTime = GatewayTime(1_780_000_000);

    fn ago(seconds: i64) -> GatewayTime {
        NOW.later(-seconds)
    }

    fn address(number: u16) -> Address {
        Address::new(number).unwrap()
    }

    fn listened(radio: u8, since: GatewayTime, until: GatewayTime) -> Listening {
        Listening { radio, synchronised: true, since, until }
    }

    fn logger(number: u16, last_heard: Option<GatewayTime>) -> LoggerHeard {
        LoggerHeard {
            logger: address(number),
            interval_s: 3600,
            silent_after_s: Some(3 * HOUR),
            in_service_from: None,
            last_heard,
            is_accounted_for: false,
        }
    }

    fn running() -> DaemonState {
        DaemonState {
            started_at: ago(100 * HOUR),
            written_at: ago(60),
            clock_synchronised: true,
            phase: Phase::Running,
            radios: vec![RadioState {
                name: "mast".to_owned(),
                up: true,
                since: Some(ago(100 * HOUR)),
                last_frame_at: Some(ago(60)),
                ..RadioState::default()
            }],
            ..DaemonState::default()
        }
    }

    fn gateway(state: Option<&DaemonState>, loggers: &[LoggerHeard], unopened: &[Kept]) -> Gateway {
        let listening = [listened(1, ago(100 * HOUR), ago(600))];
        let is_alive = state.is_some_and(|state| state.phase == Phase::Running);
        let failing: Vec<Failing> = unopened.iter().filter_map(failing).collect();
        let failing = &failing;
        Gateway::new(&GatewayEvidence {
            now: NOW,
            daemon: state,
            is_alive,
            listening: &listening,
            loggers,
            unopened,
            failing,
        })
    }

    fn failing(kept: &Kept) -> Option<Failing> {
        let (first_at, last_at) = (kept.first_at?, kept.last_at?);
        let (logger, slot, why) = (kept.logger, kept.slot, kept.why);
        (!matches!(why, WhyUnopened::TagFails | WhyUnopened::Closed)).then_some(Failing {
            logger,
            slot,
            why,
            first_at,
            last_at,
            are_several: kept.frames > 1,
        })
    }

    fn kept(number: u16, why: WhyUnopened, first: GatewayTime, last: GatewayTime) -> Kept {
        let (first_at, last_at) = (Some(first), Some(last));
        Kept { logger: address(number), slot: Slot(0), why, frames: 9, first_at, last_at }
    }

    #[test]
    fn a_silence_needs_a_gateway_that_listened() {
        let loggers = [logger(1, Some(ago(60))), logger(2, Some(ago(5 * HOUR))), logger(3, None)];
        let found = gateway(Some(&running()), &loggers, &[]);
        assert_eq!(found.silent, BTreeSet::from([address(2), address(3)]));
        assert!(found.works() && found.explained.is_empty());

        // Stopped two hours ago: logger 2 was heard three hours ago, which is within its limit.
        let stopped = DaemonState { phase: Phase::Stopped, written_at: ago(2 * HOUR), ..running() };
        let loggers = [logger(1, Some(ago(7 * HOUR))), logger(2, Some(ago(5 * HOUR)))];
        let listening = [listened(1, ago(100 * HOUR), ago(2 * HOUR))];
        let evidence = GatewayEvidence {
            now: NOW,
            daemon: Some(&stopped),
            is_alive: false,
            listening: &listening,
            loggers: &loggers,
            unopened: &[],
            failing: &[],
        };
        let found = Gateway::new(&evidence);
        assert_eq!(found.faults, [Fault::NotRunning { since: ago(2 * HOUR) }]);
        assert_eq!(found.explained, BTreeSet::from([address(2)]));
        assert_eq!(found.silent, BTreeSet::from([address(1)]), "it was silent before the daemon stopped");
    }

    #[test]
    fn a_radio_that_stops_reporting_itself_explains_silences_and_one_that_reports_does_not() {
        let loggers = [logger(1, Some(ago(9 * HOUR)))];
        let mut state = running();
        let mut reports = |last: GatewayTime, apart_s: i64| {
            let report = RadioReport { at: last, apart_s, ..RadioReport::default() };
            state.radios[0].report = Some(report);
            gateway(Some(&state), &loggers, &[])
        };
        // Alive, and it hears nothing.
        let alive = reports(ago(65), 10);
        assert_eq!(alive.faults, [Fault::NothingHeard]);
        assert!(alive.silent.contains(&address(1)));
        // The port is open, and the radio is dead.
        let dead = reports(ago(8 * HOUR), 10);
        let silent = Fault::RadioSilent { radio: "mast".to_owned(), since: Some(ago(8 * HOUR)) };
        assert_eq!(dead.faults, [silent]);
        assert!(dead.explained.contains(&address(1)));
        // One report says nothing about when the next is due; a radio may report itself once an hour.
        assert_eq!(reports(ago(8 * HOUR), 0).faults, [Fault::NothingHeard]);
        assert_eq!(reports(ago(2 * HOUR), HOUR).faults, [Fault::NothingHeard]);
    }

    #[test]
    fn noise_alone_is_not_listening_and_one_or_two_frames_of_noise_are_not_a_fault() {
        let loggers = [logger(1, Some(ago(9 * HOUR)))];
        let mut state = running();
        state.radios[0].noise_since_right_frame = 2;
        assert!(gateway(Some(&state), &loggers, &[]).silent.contains(&address(1)));
        state.radios[0].noise_since_right_frame = 50;
        state.radios[0].last_frame_at = Some(ago(8 * HOUR));
        let found = gateway(Some(&state), &loggers, &[]);
        let noise = Fault::OnlyNoise { radio: "mast".to_owned(), since: Some(ago(8 * HOUR)) };
        assert_eq!(found.faults, [noise]);
        assert!(found.explained.contains(&address(1)));
        // A second radio that hears properly: noise on the first explains nothing.
        let second = RadioState { name: "hut".to_owned(), ..running().radios[0].clone() };
        state.radios.push(second);
        let found = gateway(Some(&state), &loggers, &[]);
        assert!(found.silent.contains(&address(1)) && found.faults.len() == 1, "{found:?}");
    }

    #[test]
    fn frames_that_no_key_opens_show_that_their_logger_sends_and_forged_ones_do_not() {
        let loggers = [logger(1, Some(ago(60))), logger(2, Some(ago(9 * HOUR)))];
        let unopened = [kept(2, WhyUnopened::NoKey, ago(8 * HOUR), ago(600))];
        let found = gateway(Some(&running()), &loggers, &unopened);
        assert_eq!(found.faults, [Fault::KeyMissing { keys: vec![(address(2), Slot(0))] }]);
        assert!(found.silent.is_empty());
        let unopened = [kept(2, WhyUnopened::TagFails, ago(8 * HOUR), ago(600))];
        let found = gateway(Some(&running()), &loggers, &unopened);
        assert!(found.works() && found.silent.contains(&address(2)));
    }

    #[test]
    fn a_forged_frame_or_two_of_one_moment_are_not_a_fault_of_a_key() {
        // Nothing was ever heard: in an earlier version, one forged frame made the key the first thing to check.
        let loggers = [logger(1, None), logger(2, None)];
        for frames in [1, 500] {
            let unopened = [Kept { frames, ..kept(1, WhyUnopened::Unproven, ago(30), ago(1)) }];
            let found = gateway(Some(&running()), &loggers, &unopened);
            assert!(!found.faults.iter().any(|fault| matches!(fault, Fault::WrongKey { .. })), "{found:?}");
        }
        // They do not hide a silent logger either: in an earlier version, one frame an hour hid it for as long as
        // frames came.
        let loggers = [logger(1, Some(ago(60))), logger(2, Some(ago(9 * HOUR)))];
        let unopened = [Kept { frames: 1, ..kept(2, WhyUnopened::NoKey, ago(600), ago(600)) }];
        let found = gateway(Some(&running()), &loggers, &unopened);
        assert!(found.works() && found.silent.contains(&address(2)), "{found:?}");
        // A frame that is authentic, and comes after the end of its slot, is a sign of life.
        let unopened = [Kept { frames: 1, ..kept(2, WhyUnopened::Closed, ago(600), ago(600)) }];
        let found = gateway(Some(&running()), &loggers, &unopened);
        assert_eq!(found.faults, [Fault::KeyMissing { keys: vec![(address(2), Slot(0))] }]);
        assert!(found.silent.is_empty());
    }

    #[test]
    fn where_nothing_has_opened_since_frames_stay_shut_it_is_the_site_key() {
        let loggers = [logger(1, None), logger(2, Some(ago(9 * HOUR)))];
        let unopened = [
            kept(1, WhyUnopened::Unproven, ago(8 * HOUR), ago(600)),
            kept(2, WhyUnopened::Unproven, ago(8 * HOUR), ago(900)),
        ];
        let found = gateway(Some(&running()), &loggers, &unopened);
        let since = Some(ago(8 * HOUR));
        assert_eq!(found.faults, [Fault::WrongKey { loggers: vec![address(1), address(2)], since }]);
        assert!(found.silent.is_empty() && found.explained.len() == 2);
    }

    #[test]
    fn all_silent_is_the_radios_fault_unless_that_is_as_expected() {
        let expected = LoggerHeard { is_accounted_for: true, ..logger(2, None) };
        let found = gateway(Some(&running()), &[logger(1, None), expected], &[]);
        assert_eq!(found.faults, [Fault::NothingHeard]);
        assert!(gateway(Some(&running()), &[expected], &[]).works());
    }

    #[test]
    fn a_daemon_without_an_open_port_is_not_stuck() {
        let mut state = DaemonState { written_at: ago(9 * HOUR), ..running() };
        assert!(is_stuck(&state, NOW));
        state.radios[0].up = false;
        state.radios[0].reason = Some("there is no such device".to_owned());
        assert!(!is_stuck(&state, NOW));
        let found = gateway(Some(&state), &[logger(1, Some(ago(5 * HOUR)))], &[]);
        assert!(matches!(&found.faults[..], [Fault::PortNotOpen { .. }]), "{found:?}");
    }
}
