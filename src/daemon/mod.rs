//! The daemon: reads ports, judges, commits, settles; unattended for years.
//!
//! Input: a checked configuration, the keyring, a clock. Output: the ledger, a state file, log lines for changes
//! of state. One loop, one `match` over one event enum; the loop is the only one that writes. While it commits,
//! readers go on into their bounded queues.
//!
//! What it does about trouble: a port that is gone is tried for ever; a full disk or a held lock makes it hold
//! what fits in [`HOLD_BYTES_MAX`] and try again, and beyond that the readers wait; a failed sync ends it, since
//! after one nothing can be called committed that was not before.
//!
//! What this is not: it opens no listening socket and starts no program. Among processes that run on, keys are
//! in this one only.

pub mod intake;
pub mod notify;
pub use crate::state;

use crate::config::{self, Config};
use crate::coverage::Coverage;
use crate::judge::{Outcome, Tally};
use crate::ledger::damage::{self, TakenOver};
use crate::ledger::retire::Bounds;
use crate::ledger::{DaemonLock, Error as LedgerError, Ledger, Receipt, Stamp};
use crate::link::{Backoff, LinkEvent, Links};
use crate::seal::keyring::Keyring;
use crate::time::Clock;
use intake::Intake;
use notify::Notifier;
use state::{CommitState, DaemonState, RadioState};
use std::path::PathBuf;
use std::time::Duration;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::time::Instant;

/// Records at which a commit does not wait for its time.
const COMMIT_ITEMS: usize = 8192;
/// Memory that may wait for a commit that the disk refuses.
const HOLD_BYTES_MAX: usize = 16 << 20;
/// So long does waiting for the ledger's lock count as moving: an import of a million records takes seconds.
pub const LOCK_PATIENCE: Duration = Duration::from_secs(120);
/// How long a refused commit waits for its next try.
const RETRY_AFTER: Duration = Duration::from_secs(2);
/// The same where another process had the lock: the try has waited for it (SQLite's busy timeout).
const RETRY_LOCKED: Duration = Duration::from_millis(100);
/// With nothing to commit, listening itself is written down this often.
const LISTENING_EVERY: Duration = Duration::from_secs(900);
/// Between two slices of a large settle, so that commits come between.
const SETTLE_PAUSE: Duration = Duration::from_millis(500);
/// The most rows that one settle takes: bounds how long the ledger's lock is held.
const SETTLE_SLICE: u32 = 100_000;
/// A clock that moved by more than this beside the steady one was changed.
const CLOCK_CHANGE_S: i64 = 30;
/// Shut frames at which a commit does not wait for its time: forgeries must not push out what waits for a key.
const COMMIT_SHUT: usize = 2048;
/// A line that floods keeps its reader waiting many times a second: the log tells of it once in so long.
const WAITS_TOLD_EVERY: Duration = Duration::from_secs(3600);
/// Bytes that are judged between two looks at what waits.
const PIECE: usize = 16 << 10;
/// How long a settle that the disk refuses waits for its next try; longer each time.
const SETTLE_RETRY: Duration = Duration::from_secs(60);
/// The longest such wait.
const SETTLE_RETRY_MOST: Duration = Duration::from_secs(3600);
/// The longest that a stop goes on reading what is queued.
const STOP_READING: Duration = Duration::from_secs(5);
/// Tries at the last commit before the daemon stops without it.
const STOP_TRIES: u32 = 5;

/// Why the daemon ended.
#[derive(Debug)]
pub enum Error {
    /// The ledger could not serve.
    Ledger(LedgerError),
    /// The operating system could not: signals or threads.
    System(std::io::Error),
    /// It was told to stop, and the disk would not take what was held.
    Unwritten {
        /// How many records.
        records: usize,
        /// Why.
        source: LedgerError,
    },
}

impl std::fmt::Display for Error {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Ledger(error) => error.fmt(f),
            Self::System(error) => write!(f, "the operating system refused: {error}"),
            Self::Unwritten { records, source } => write!(
                f,
                "stopped with {records} records that could not be written ({source}); the loggers still have \
                 them: fetch them by hand, the gap report says which"
            ),
        }
    }
}

impl std::error::Error for Error {}

impl From<LedgerError> for Error {
    fn from(error: LedgerError) -> Self {
        Self::Ledger(error)
    }
}

/// What the loop waits for.
enum Event {
    Link(LinkEvent),
    Timer,
    Stop,
    Reload,
}

/// The daemon between two events.
struct Daemon {
    config: Config,
    keyring: Keyring,
    clock: Box<dyn Clock>,
    /// How far the clock is from the steady one.
    clock_offset: Option<i64>,
    ledger: Ledger,
    intake: Intake,
    tally: Tally,
    state: DaemonState,
    /// By radio: when the log last told that its reader had to wait, and how often it had by then.
    waits_told: Vec<Option<(Instant, u64)>>,
    state_dir: Option<PathBuf>,
    state_failed: bool,
    notifier: Notifier,
    timers: Timers,
    settle: Settle,
    /// When the first try of the present commit began.
    commit_began: Option<Instant>,
    /// Since when another process holds the write lock, as far as commits have found.
    locked_since: Option<Instant>,
    /// Whether the ledger was opened anew since the last settle, because it looked damaged.
    looked_again: bool,
    /// The ledger that is damaged, between its closing and its setting aside: where it is, and what it held.
    lost: Option<(PathBuf, Coverage)>,
    /// How long that counts as moving.
    lock_patience: Duration,
}

/// When what is due.
#[derive(Debug, Default)]
struct Timers {
    commit: Option<Instant>,
    listening: Option<Instant>,
    settle: Option<Instant>,
    watchdog: Option<Instant>,
}

/// Where settling stands.
#[derive(Debug)]
struct Settle {
    /// The site's day on which the last settle began.
    day: i64,
    /// Rows of a settle that has begun and goes on in slices.
    left: u64,
    /// Rows of the next slice.
    slice: u32,
    /// How often in a row the disk has refused it.
    refused: u32,
    /// It failed on what the ledger holds: not tried again before the next start.
    given_up: bool,
    /// A slice of this settle met a place that was taken.
    place_taken: bool,
}

/// Runs until SIGTERM or SIGINT, then commits what is there and returns. `lock_patience` is [`LOCK_PATIENCE`] but in
/// tests.
pub async fn run(
    config: Config,
    keyring: Keyring,
    clock: Box<dyn Clock>,
    lock_patience: Duration,
) -> Result<(), Error> {
    let _lock = DaemonLock::take(&config.ledger.path)?;
    // Signals first: one that comes while the ledger opens must not kill what is half done.
    let mut terminate = signal(SignalKind::terminate()).map_err(Error::System)?;
    let mut interrupt = signal(SignalKind::interrupt()).map_err(Error::System)?;
    let mut hang_up = signal(SignalKind::hangup()).map_err(Error::System)?;
    let mut daemon = Daemon::start(config, keyring, clock, lock_patience)?;
    let mut links = Links::open(&daemon.config.radios, Backoff::default()).map_err(Error::System)?;
    daemon.notifier.tell("READY=1\nSTATUS=listening");
    let mut bytes = Vec::new();
    loop {
        let event = daemon.next(&mut links, &mut terminate, &mut interrupt, &mut hang_up).await;
        let done = match event {
            Event::Link(LinkEvent::Bytes { radio }) => {
                links.take(radio, &mut bytes);
                daemon.bytes(radio, &bytes, &links)
            }
            Event::Link(LinkEvent::Up { radio }) => daemon.up(radio),
            Event::Link(LinkEvent::Down { radio, reason }) => daemon.down(radio, reason),
            Event::Timer => daemon.timer(),
            Event::Reload => daemon.reload(),
            Event::Stop => {
                daemon.take_the_rest(&mut links).await?;
                return daemon.stop().await;
            }
        };
        daemon.or_take_over(done)?;
    }
}

impl Daemon {
    fn start(
        config: Config,
        mut keyring: Keyring,
        clock: Box<dyn Clock>,
        lock_patience: Duration,
    ) -> Result<Self, Error> {
        let now = clock.now();
        let path = &config.ledger.path;
        let names: Vec<&str> = config.radios.iter().map(|radio| radio.name.as_str()).collect();
        let damage::Opened { mut ledger, mut taken, mut is_known, unused } = damage::open(path, now)?;
        if let Some(unused) = unused {
            tracing::warn!("{unused}");
        }
        let mut first = ledger.radios(&names).and_then(|radios| Ok((radios, ledger.slots_in_use()?)));
        if let Err(error) = &first
            && error.is_damage()
        {
            // Damage that the first look does not see.
            let why = error.cause();
            let memory = ledger.coverage().clone();
            drop(ledger);
            let (new, told) = damage::replace(path, &why, &[], &memory, now)?;
            (ledger, taken, is_known) = (new, Some(told), false);
            first = ledger.radios(&names).and_then(|radios| Ok((radios, ledger.slots_in_use()?)));
        }
        let (radios, slots) = first?;
        for (address, slot) in slots {
            keyring.mark_proven(address, slot);
        }
        let state = DaemonState {
            pid: std::process::id(),
            started_at: now.unix_s,
            phase: "running".to_owned(),
            radios: names
                .iter()
                .map(|name| RadioState { name: (*name).to_owned(), ..Default::default() })
                .collect(),
            ..Default::default()
        };
        let mut daemon = Self {
            intake: Intake::new(&radios),
            ledger,
            keyring,
            clock,
            clock_offset: None,
            tally: Tally::default(),
            waits_told: vec![None; radios.len()],
            state,
            state_dir: config.runtime_dir.clone(),
            state_failed: false,
            notifier: Notifier::of_process(),
            timers: Timers {
                watchdog: Notifier::watchdog_every().map(|every| Instant::now() + every),
                ..Timers::default()
            },
            settle: Settle {
                day: 0,
                left: 0,
                slice: SETTLE_SLICE,
                refused: 0,
                given_up: false,
                place_taken: false,
            },
            commit_began: None,
            locked_since: None,
            looked_again: false,
            lost: None,
            lock_patience,
            config,
        };
        tracing::info!(
            site = daemon.config.site.name,
            loggers = daemon.config.roster.loggers().len(),
            radios = daemon.config.radios.len(),
            ledger = %daemon.config.ledger.path.display(),
            clock_synchronised = now.synchronised,
            "started"
        );
        if !now.synchronised {
            tracing::warn!("the gateway's clock is not synchronised: times of reception are marked so");
        }
        if let Some(taken) = &taken {
            daemon.tell_taken_over(taken, now)?;
        }
        let mut began = daemon.begin();
        while daemon.or_take_over(began)? {
            began = daemon.begin();
        }
        // Else it is from the last settle or stop, and a start is to be quick.
        if !is_known {
            daemon.write_known();
        }
        daemon.plan_settle(now);
        daemon.write_state();
        Ok(daemon)
    }

    /// What a start reads and writes in the ledger.
    fn begin(&mut self) -> Result<(), Error> {
        self.settle.day = self.ledger.settled_day()?;
        self.note_configuration()?;
        self.retry_set_aside()
    }

    /// Where the ledger was found damaged, sets it aside and goes on with a new one: `true`. The next start would
    /// find it no better. A daemon that ends and starts again for ever takes nothing in.
    fn or_take_over(&mut self, done: Result<(), Error>) -> Result<bool, Error> {
        match done {
            Err(Error::Ledger(error)) if error.is_damage() => {
                if !self.is_sound_at_second_look(&error)? {
                    self.take_over(error)?;
                }
                Ok(true)
            }
            other => other.map(|()| false),
        }
    }

    /// Whether what looked like damage is gone when the ledger is opened anew: a page that was read wrong once, or
    /// went wrong in memory, is no reason to set years aside. Once between two settles: what comes back is damage.
    fn is_sound_at_second_look(&mut self, why: &LedgerError) -> Result<bool, Error> {
        let path = self.ledger.path().to_owned();
        if path.as_os_str().is_empty() || std::mem::replace(&mut self.looked_again, true) {
            return Ok(false);
        }
        let memory = self.held_for_sure();
        // Closes it: pages in memory are read again.
        self.ledger = Ledger::nowhere()?;
        match damage::look_again(&path, &memory)? {
            Some(ledger) => {
                tracing::warn!("{why}; it was read again, and nothing is wrong with it: going on");
                self.ledger = ledger;
                Ok(true)
            }
            None => {
                self.lost = Some((path, memory));
                Ok(false)
            }
        }
    }

    /// What this process knows to be committed. What waits for its commit may stand in the coverage already, after a
    /// commit that failed on its way.
    fn held_for_sure(&self) -> Coverage {
        let waiting = self.intake.batch.items.iter().map(|item| item.arrival.identity);
        self.ledger.coverage().without(waiting)
    }

    async fn next(
        &self,
        links: &mut Links,
        terminate: &mut Signal,
        interrupt: &mut Signal,
        hang_up: &mut Signal,
    ) -> Event {
        let timers = [self.timers.commit, self.timers.listening, self.timers.settle, self.timers.watchdog];
        let due = timers.into_iter().flatten().min();
        let timer = async {
            match due {
                Some(due) => tokio::time::sleep_until(due).await,
                None => std::future::pending().await,
            }
        };
        // A full hold: the readers wait, so that memory stays bounded.
        let hears = self.intake.batch.weight() < HOLD_BYTES_MAX;
        tokio::select! {
            biased;
            _ = terminate.recv() => Event::Stop,
            _ = interrupt.recv() => Event::Stop,
            _ = hang_up.recv() => Event::Reload,
            () = timer => Event::Timer,
            event = links.next(), if hears => Event::Link(event),
        }
    }

    /// The time, after a look at whether somebody changed the clock.
    fn now(&mut self) -> Stamp {
        let now = self.clock.now();
        let steady = self.clock.steady_s();
        let offset = now.unix_s - steady;
        let before = self.clock_offset.replace(offset).unwrap_or(offset);
        if (offset - before).abs() > CLOCK_CHANGE_S {
            tracing::warn!(
                by_s = offset - before,
                synchronised = now.synchronised,
                "the gateway's clock was changed"
            );
            self.intake.clock_changed(steady + before, now.unix_s);
        }
        now
    }

    /// What has been read is worth keeping: everything queued, in order, before the last commit.
    async fn take_the_rest(&mut self, links: &mut Links) -> Result<(), Error> {
        let mut bytes = Vec::new();
        // A line that floods must not keep the daemon from stopping, nor a disk that refuses fill the memory.
        let enough = Instant::now() + STOP_READING;
        while Instant::now() < enough
            && self.intake.batch.weight() < HOLD_BYTES_MAX
            // Nothing queued: the event is not there at once.
            && let Ok(event) = tokio::time::timeout(Duration::ZERO, links.next()).await
        {
            match event {
                LinkEvent::Bytes { radio } => {
                    links.take(radio, &mut bytes);
                    self.bytes(radio, &bytes, links)?;
                }
                LinkEvent::Up { radio } => self.up(radio)?,
                LinkEvent::Down { radio, reason } => self.down(radio, reason)?,
            }
        }
        Ok(())
    }

    fn bytes(&mut self, radio: usize, bytes: &[u8], links: &Links) -> Result<(), Error> {
        let now = self.now();
        for piece in bytes.chunks(PIECE) {
            self.intake.bytes(radio, piece, &self.config.roster, &mut self.keyring, now);
            let batch = &self.intake.batch;
            let full = batch.items.len() >= COMMIT_ITEMS || batch.shut.len() >= COMMIT_SHUT;
            if full && self.state.trouble.is_none() {
                self.commit()?;
            }
        }
        let counters = links.counters(radio);
        if let Some(state) = self.state.radios.get_mut(radio) {
            state.bytes_in = counters.bytes_in;
            state.last_frame_at = self.intake.last_frame(radio).map(|stamp| stamp.unix_s);
            state.waits = counters.waits;
        }
        if let Some(told) = self.waits_told.get_mut(radio) {
            let (at, waits) = told.map_or((None, 0), |(at, waits)| (Some(at), waits));
            if counters.waits > waits && at.is_none_or(|at| at.elapsed() >= WAITS_TOLD_EVERY) {
                let radio = self.config.radios.get(radio).map_or("", |radio| radio.name.as_str());
                let times = counters.waits - waits;
                tracing::warn!(radio, times, "the reader had to wait: bytes may have been lost before it");
                *told = Some((Instant::now(), counters.waits));
            }
        }
        if self.timers.commit.is_none() {
            self.timers.commit = Some(Instant::now() + self.config.ledger.commit_every);
        }
        Ok(())
    }

    fn up(&mut self, radio: usize) -> Result<(), Error> {
        let now = self.now();
        self.intake.up(radio, now);
        if let Some(state) = self.state.radios.get_mut(radio) {
            state.up = true;
            state.since = Some(now.unix_s);
            state.reason = None;
            let name = state.name.clone();
            tracing::info!(radio = name, "listening");
            self.quietly(|ledger| ledger.clear_notice("radio", &name, now))?;
        }
        self.timers.listening.get_or_insert_with(|| Instant::now() + LISTENING_EVERY);
        self.write_state();
        Ok(())
    }

    fn down(&mut self, radio: usize, reason: String) -> Result<(), Error> {
        let now = self.now();
        self.intake.down(radio, now);
        if let Some(state) = self.state.radios.get_mut(radio) {
            let name = state.name.clone();
            tracing::warn!(radio = name, "not listening: {reason}; trying again until it is there");
            state.up = false;
            state.since = Some(now.unix_s);
            state.reason = Some(reason.clone());
            self.quietly(|ledger| ledger.raise_notice("radio", &name, &reason, now))?;
        }
        if !self.intake.batch.is_empty() && self.timers.commit.is_none() {
            self.timers.commit = Some(Instant::now() + self.config.ledger.commit_every);
        }
        self.write_state();
        Ok(())
    }

    /// A notice that cannot be written now is no reason to stop: the state file and the log have it. A failed
    /// sync is one, whatever was being written.
    fn quietly(&mut self, write: impl FnOnce(&mut Ledger) -> Result<(), LedgerError>) -> Result<(), Error> {
        match write(&mut self.ledger) {
            Err(error @ LedgerError::Sync(_)) => Err(error.into()),
            Err(error) => {
                tracing::debug!("not written now: {error}");
                Ok(())
            }
            Ok(()) => Ok(()),
        }
    }

    fn timer(&mut self) -> Result<(), Error> {
        let now = Instant::now();
        let due = |timer: Option<Instant>| timer.is_some_and(|at| at <= now);
        if due(self.timers.watchdog) {
            self.tell_watchdog();
        }
        if due(self.timers.commit) || due(self.timers.listening) {
            self.commit()?;
        }
        if due(self.timers.settle) {
            if self.state.trouble.is_none() {
                self.settle_slice()?;
            } else {
                // It would want the same lock or room, and keep the loop from committing meanwhile.
                self.timers.settle = Some(Instant::now() + SETTLE_PAUSE);
            }
        }
        Ok(())
    }

    /// The loop moves. Waiting for the ledger's lock counts as moving for a while only: then the service manager
    /// is to see that nothing is committed any more.
    fn tell_watchdog(&mut self) {
        if let Some(every) = Notifier::watchdog_every() {
            if self.locked_since.is_none_or(|since| since.elapsed() < self.lock_patience) {
                self.notifier.tell("WATCHDOG=1");
            }
            self.timers.watchdog = Some(Instant::now() + every);
        }
    }

    /// Commits what waits. Trouble that passes leaves it waiting; anything else ends the daemon.
    fn commit(&mut self) -> Result<(), Error> {
        let now = self.now();
        self.intake.close_windows(now);
        // A settle that waited for an import's lock has kept a commit that was due from its first try.
        let due = self.timers.commit.map_or_else(Instant::now, |due| due.min(Instant::now()));
        let began = *self.commit_began.get_or_insert(due);
        match self.ledger.append(&self.intake.batch, &self.config.roster, now) {
            Ok(receipt) => {
                self.commit_began = None;
                self.locked_since = None;
                let took = began.elapsed().as_secs_f64();
                self.state.longest_commit_s = self.state.longest_commit_s.max(took);
                self.committed(&receipt, now)
            }
            Err(error) if error.is_passing() => {
                let text = self.passing_trouble(&error);
                // An import has the lock for seconds: that is no fault, and the try itself has waited for it.
                let is_locked = self.locked_since.is_some();
                let is_fault = self.locked_since.is_none_or(|since| since.elapsed() >= self.lock_patience);
                if self.state.trouble.as_ref() != Some(&text) {
                    let waiting = self.intake.batch.items.len();
                    if is_fault {
                        tracing::error!(
                            waiting,
                            "cannot commit: {text}; holding what comes and trying again"
                        );
                    } else {
                        tracing::warn!(waiting, "waiting to commit: {text}; holding what comes");
                    }
                    self.notifier.tell(&format!("STATUS=cannot commit: {text}"));
                }
                self.state.trouble = Some(text);
                self.timers.commit =
                    Some(Instant::now() + if is_locked { RETRY_LOCKED } else { RETRY_AFTER });
                self.timers.listening = None;
                self.write_state();
                Ok(())
            }
            Err(error) if error.is_damage() => {
                // Nothing of the batch is in: it goes in now, or into the ledger that takes over.
                if !self.is_sound_at_second_look(&error)? {
                    self.take_over(error)?;
                }
                self.commit()
            }
            Err(error) => {
                tracing::error!("{error}");
                Err(error.into())
            }
        }
    }

    /// The ledger cannot be read: it is set aside, and a new one takes over.
    fn take_over(&mut self, why: LedgerError) -> Result<(), Error> {
        let now = self.clock.now();
        let (path, memory) = match self.lost.take() {
            Some(lost) => lost,
            None => (self.ledger.path().to_owned(), self.held_for_sure()),
        };
        if path.as_os_str().is_empty() {
            // One that stands in while another is exchanged: there is nothing to set aside.
            return Err(why.into());
        }
        let radios: Vec<(u8, String)> = self
            .intake
            .ids()
            .map(|id| id.0)
            .zip(self.state.radios.iter().map(|radio| radio.name.clone()))
            .collect();
        // Closes the damaged one: its files may be renamed only then.
        self.ledger = Ledger::nowhere()?;
        let (ledger, taken) = damage::replace(&path, &why.cause(), &radios, &memory, now)?;
        self.ledger = ledger;
        self.settle = Settle {
            day: self.ledger.settled_day()?,
            left: 0,
            slice: SETTLE_SLICE,
            refused: 0,
            given_up: false,
            place_taken: false,
        };
        self.timers.settle = None;
        self.tell_taken_over(&taken, now)?;
        self.write_known();
        self.note_configuration()
    }

    fn tell_taken_over(&mut self, taken: &TakenOver, now: Stamp) -> Result<(), Error> {
        let text = taken.text();
        tracing::error!(kept = taken.kept, "{text}");
        if let Some(unused) = &taken.unused {
            tracing::warn!("{unused}");
        }
        self.notifier.tell("STATUS=the ledger was damaged; a new one goes on");
        self.quietly(|ledger| {
            // A second one is told beside the first.
            ledger.clear_notice("ledger", "damaged", now)?;
            ledger.raise_notice("ledger", "damaged", &text, now)
        })
    }

    /// What must outlive the ledger, beside it. That it cannot be written is no reason to stop.
    fn write_known(&mut self) {
        let now = self.clock.now();
        if let Err(error) = self.ledger.write_known(now) {
            tracing::warn!("{error}");
        }
    }

    /// What keeps a commit from being made, in words that name who.
    fn passing_trouble(&mut self, error: &LedgerError) -> String {
        if !matches!(error, LedgerError::Busy(_)) {
            self.locked_since = None;
            return error.to_string();
        }
        let since = *self.locked_since.get_or_insert_with(Instant::now);
        let holder = crate::ledger::lock_holder(self.ledger.path());
        let holder = holder.map_or(String::new(), |holder| format!(": {holder}"));
        if since.elapsed() < self.lock_patience {
            return format!("{error}{holder}");
        }
        format!("{error}{holder}, for more than {} s; end that process", self.lock_patience.as_secs())
    }

    fn committed(&mut self, receipt: &Receipt, now: Stamp) -> Result<(), Error> {
        self.intake.batch.clear();
        self.tally.merge(&receipt.tally);
        self.state.aside_over_limit += receipt.over_limit + std::mem::take(&mut self.intake.shut_dropped);
        self.state.commits += 1;
        let records = self.tally.of(Outcome::Stored) + self.tally.of(Outcome::Opaque);
        self.state.commit = Some(CommitState { at: now.unix_s, through_row: receipt.through_row, records });
        if let Some(trouble) = self.state.trouble.take() {
            tracing::info!("committing again (it was: {trouble})");
            self.notifier.tell("STATUS=listening");
        }
        for (address, slot) in &receipt.new_slots {
            tracing::info!(logger = %address, slot = %slot, "a key slot opened its first frame");
        }
        let conflicting: std::collections::BTreeSet<_> =
            receipt.conflicts.iter().map(|identity| identity.address).collect();
        for address in conflicting {
            let mine = receipt.conflicts.iter().filter(|identity| identity.address == address);
            tracing::error!(
                records = mine.count(),
                "conflict: logger {address}: other records than the ones held came in; both are kept"
            );
            let subject = format!("logger {address}");
            let text = "a record came in that differs from the one held under its identity; see \
                        `stonechat set-aside list`";
            self.quietly(|ledger| ledger.raise_notice("conflict", &subject, text, now))?;
        }
        tracing::debug!(records, through_row = receipt.through_row, "committed");
        self.timers.commit = None;
        self.timers.listening =
            self.state.radios.iter().any(|radio| radio.up).then(|| Instant::now() + LISTENING_EVERY);
        self.plan_settle(now);
        self.write_state();
        Ok(())
    }

    /// The site's day, counted from 1970.
    fn day(&self, now: Stamp) -> i64 {
        now.unix_s.saturating_add(i64::from(self.config.site.utc_offset_s)).div_euclid(86_400)
    }

    /// Begins a settle when a day is over or the journal is long enough.
    fn plan_settle(&mut self, now: Stamp) {
        let rows = self.ledger.unsettled_rows();
        let day = self.day(now);
        let due = day != self.settle.day || rows >= u64::from(self.config.ledger.settle_rows);
        if rows > 0 && due && self.timers.settle.is_none() && !self.settle.given_up {
            self.settle.day = day;
            self.settle.left = rows;
            self.timers.settle = Some(Instant::now());
        }
    }

    fn settle_slice(&mut self) -> Result<(), Error> {
        // It may take a while on a slow card; the loop has moved up to here.
        self.tell_watchdog();
        let slice = self.settle.slice.min(u32::try_from(self.settle.left).unwrap_or(SETTLE_SLICE));
        tracing::debug!(rows = slice, "settle begins");
        match self.ledger.settle(slice, self.settle.day) {
            Ok(settled) => {
                tracing::debug!(rows = settled.rows, left = settled.left, "settle ends");
                self.settle.left = self.settle.left.saturating_sub(settled.rows);
                if settled.place_taken > 0 {
                    self.settle.place_taken = true;
                    let text = format!(
                        "{} readings met a place in the ledger that is taken, which only damage explains; they are kept \
                         beside it: look at `stonechat set-aside list`, run `stonechat verify`, check the disk",
                        settled.place_taken
                    );
                    tracing::error!("{text}");
                    let now = self.now();
                    self.quietly(|ledger| ledger.raise_notice("ledger", "place taken", &text, now))?;
                }
                if settled.rows == 0 {
                    self.settle.left = 0;
                }
                if std::mem::take(&mut self.settle.refused) > 0 {
                    let now = self.now();
                    self.quietly(|ledger| ledger.clear_notice("ledger", "settling", now))?;
                }
                if self.settle.left > 0 {
                    self.timers.settle = Some(Instant::now() + SETTLE_PAUSE);
                } else {
                    self.timers.settle = None;
                    self.settle.slice = SETTLE_SLICE;
                    self.settled()?;
                }
                self.write_state();
                Ok(())
            }
            // A disk that failed once may not do so again; one settle missed must not mean none for a year.
            Err(error) if error.is_passing() || error.is_disk() => {
                // Less at once, and later: a large transaction that fails again and again wears the card out.
                let wait =
                    SETTLE_RETRY.saturating_mul(1 << self.settle.refused.min(6)).min(SETTLE_RETRY_MOST);
                if self.settle.refused == 0 {
                    tracing::warn!("cannot settle now: {error}; trying again from time to time");
                    if error.is_disk() {
                        let text =
                            format!("settling failed: {error}; check the disk, run `stonechat verify`");
                        let now = self.now();
                        self.quietly(|ledger| ledger.raise_notice("ledger", "settling", &text, now))?;
                    }
                }
                self.settle.refused += 1;
                self.settle.slice = (self.settle.slice / 2).max(1000);
                self.timers.settle = Some(Instant::now() + wait);
                Ok(())
            }
            Err(error @ LedgerError::Sync(_)) => {
                tracing::error!("{error}");
                Err(error.into())
            }
            Err(error) => {
                if error.is_damage() && !matches!(error, LedgerError::Corrupt(_)) {
                    if !self.is_sound_at_second_look(&error)? {
                        return self.take_over(error);
                    }
                    self.timers.settle = Some(Instant::now() + SETTLE_PAUSE);
                    return Ok(());
                }
                // What is damaged stays in the journal, where every report reads it; intake goes on.
                tracing::error!("cannot settle: {error}; going on without");
                self.settle.given_up = true;
                self.timers.settle = None;
                let (now, text) = (self.now(), format!("settling failed: {error}; run `stonechat verify`"));
                self.quietly(|ledger| ledger.raise_notice("ledger", "settling", &text, now))
            }
        }
    }

    /// What follows a whole settle.
    fn settled(&mut self) -> Result<(), Error> {
        let day = self.settle.day;
        self.looked_again = false;
        self.quietly(|ledger| ledger.note_size(day))?;
        if !std::mem::take(&mut self.settle.place_taken) {
            let now = self.now();
            self.quietly(|ledger| ledger.clear_notice("ledger", "place taken", now))?;
        }
        self.retire()?;
        self.write_known();
        // A settle is the one large transaction. The -wal is not cut to nothing: one that grows again costs the file
        // system's journal with each sync; its size limit cuts what is beyond 8 MB when it next begins anew.
        self.quietly(|ledger| ledger.checkpoint().map(|_| ()))
    }

    /// Gives up old readings, where the operator asked for it: a few blocks after each settle, never the backlog
    /// of years in one night.
    fn retire(&mut self) -> Result<(), Error> {
        let Some(days) = self.config.ledger.retention_days else { return Ok(()) };
        let seen_days = self.config.ledger.retention_backup_seen_days;
        let now = self.now();
        // A clock that is not right must not make young readings old.
        if !now.synchronised {
            return Ok(());
        }
        self.quietly(|ledger| {
            let ago = |days: u32| now.unix_s - i64::from(days) * 86_400;
            let bounds = Bounds { before: ago(days), seen_since: ago(seen_days) };
            let rows = ledger.retire(bounds, now)?;
            if rows > 0 {
                tracing::info!(rows, "readings given up to a verified backup");
            }
            Ok(())
        })
    }

    /// Reads configuration, roster and keyring again. What is broken leaves the old one in force.
    fn reload(&mut self) -> Result<(), Error> {
        let loaded = config::load(&self.config.file).and_then(|new| Ok((config::load_keyring(&new)?, new)));
        let (keyring, new) = match loaded {
            Ok(loaded) => loaded,
            Err(problems) => {
                for problem in problems.iter() {
                    tracing::error!("not reloaded: {problem}");
                }
                return Ok(());
            }
        };
        if new.ledger.path != self.config.ledger.path
            || new.radios.iter().map(|radio| (&radio.name, &radio.port)).ne(self
                .config
                .radios
                .iter()
                .map(|radio| (&radio.name, &radio.port)))
        {
            tracing::error!("not reloaded: the ledger's path and the radios change with a restart only");
            return Ok(());
        }
        self.keyring = keyring;
        for (address, slot) in self.ledger.slots_in_use()? {
            self.keyring.mark_proven(address, slot);
        }
        self.config = new;
        tracing::info!(loggers = self.config.roster.loggers().len(), "configuration reloaded");
        self.note_configuration()?;
        // What is shut and still waits for its commit is tried too.
        self.commit()?;
        self.retry_set_aside()
    }

    /// Keeps in the ledger which site and roster are in force from now on; never the keyring.
    fn note_configuration(&mut self) -> Result<(), Error> {
        let now = self.clock.now();
        let files = [("site.toml", &self.config.site_text), ("loggers.toml", &self.config.roster_text)];
        for (file, text) in files {
            match self.ledger.note_configuration(file, text, now) {
                Ok(_) => {}
                // It will be noted at the next start or reload; intake goes first.
                Err(error) if error.is_passing() => {
                    tracing::warn!("{file} in force could not be noted in the ledger now: {error}");
                }
                Err(error) => return Err(error.into()),
            }
        }
        Ok(())
    }

    fn retry_set_aside(&mut self) -> Result<(), Error> {
        let now = self.clock.now();
        match self.ledger.retry(&self.config.roster, &mut self.keyring, now) {
            Ok(retried) => {
                if retried.tried > 0 {
                    tracing::info!(
                        tried = retried.tried,
                        stored = retried.stored + retried.opaque,
                        still_shut = retried.still_shut,
                        "tried what was set aside again"
                    );
                }
                Ok(())
            }
            // It will be tried again at the next start or reload; intake goes first.
            Err(error) if error.is_passing() => {
                tracing::warn!("what is set aside could not be tried again now: {error}");
                Ok(())
            }
            // One value that is not ours, in a file that can be read.
            Err(error @ LedgerError::Corrupt(_)) => {
                tracing::error!("what is set aside could not be tried again: {error}");
                Ok(())
            }
            Err(error) => Err(error.into()),
        }
    }

    fn write_state(&mut self) {
        let Some(dir) = &self.state_dir else { return };
        let now = self.clock.now();
        self.state.written_at = now.unix_s;
        self.state.clock_synchronised = now.synchronised;
        self.state.frames_in = self.intake.frames_in;
        self.state.waiting = self.intake.batch.items.len() as u64;
        self.state.unsettled_rows = self.ledger.unsettled_rows();
        self.state.set_outcomes(&self.tally);
        if let Err(error) = self.state.write(dir)
            && !std::mem::replace(&mut self.state_failed, true)
        {
            tracing::warn!("the state file in {} cannot be written: {error}", dir.display());
        }
    }

    async fn stop(mut self) -> Result<(), Error> {
        self.notifier.tell("STOPPING=1");
        self.state.phase = "stopping".to_owned();
        for tries in 1.. {
            self.commit()?;
            if self.state.trouble.is_none() {
                break;
            }
            if tries == STOP_TRIES {
                let records = self.intake.batch.items.len();
                let now = self.clock.now();
                // The same once more, for its reason.
                if let Err(source) = self.ledger.append(&self.intake.batch, &self.config.roster, now) {
                    return Err(Error::Unwritten { records, source });
                }
                break;
            }
            tokio::time::sleep(RETRY_AFTER).await;
        }
        self.state.phase = "stopped".to_owned();
        for radio in &mut self.state.radios {
            radio.up = false;
        }
        self.write_known();
        self.write_state();
        tracing::info!(frames = self.intake.frames_in, "stopped; everything read is committed");
        Ok(())
    }
}
