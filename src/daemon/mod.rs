//! The daemon: reads ports, judges, commits, settles; unattended for years.
//!
//! Input: a checked configuration, the keyring, a clock. Output: the ledger, a state file, log lines for changes
//! of state. One loop, one `match` over one event enum; the loop is the only one that writes. While it commits,
//! readers go on into their bounded queues.
//!
//! It hears from the first moment: the ledger is opened on a thread beside the loop, and what comes before it is open
//! waits like what comes before a commit.
//!
//! What it does about trouble: a port that is gone is tried for ever; a full disk or a held lock makes it hold
//! what fits in [`HOLD_BYTES_MAX`] and try again, and beyond that the readers wait; a failed sync ends it, since
//! after one nothing can be called committed that was not before. While another process holds the write lock it goes on
//! giving signs of life: to be killed would lose what it holds and free no lock.
//!
//! What this is not: it opens no listening socket and starts no program. Among processes that run on, keys are
//! in this one only.

pub mod intake;
mod keys;
pub mod notify;
mod opening;
mod port;
mod reload;
mod wal;
pub use crate::state;

use crate::config::{self, Config};
use crate::files;
use crate::ledger::care::salvage;
use crate::ledger::care::take_over::{self, TakenOver};
use crate::ledger::wal::Length;
use crate::ledger::write::retire::Bounds;
use crate::ledger::{
    Batch, DaemonLock, Error as LedgerError, Ledger, RadioId, Receipt, Retry, Stamp, rescue,
};
use crate::link::{Backoff, LinkEvent, Links};
use crate::record::acts::Actor;
use crate::record::coverage::Coverage;
use crate::record::judge::{Outcome, Tally};
use crate::seal::keyring::Keyring;
use crate::time::Clock;
use crate::wire::seq::{Address, Slot};
use intake::Intake;
use notify::Notifier;
use opening::Opened;
use port::PortNews;
use state::{CLOCK_CHANGE_S, CommitState, DaemonState, KeyState, KeysState, LastState, RadioState};
use std::collections::BTreeSet;
use std::path::PathBuf;
use std::time::Duration;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::time::Instant;
use wal::News;

/// Records at which a commit does not wait for its time.
const COMMIT_ITEMS: usize = 8192;
/// Memory that may wait for a commit that the disk refuses.
const HOLD_BYTES_MAX: usize = 16 << 20;
/// For so long another process's lock on the ledger is no fault: an import of a million records takes seconds. After it
/// the log, `status` and a notice ask for that process to be ended.
pub const LOCK_PATIENCE: Duration = Duration::from_secs(120);
/// How long a refused commit waits for its next try.
const RETRY_AFTER: Duration = Duration::from_secs(2);
/// The same where another process had the lock: the try has waited for it (SQLite's busy timeout).
const RETRY_LOCKED: Duration = Duration::from_millis(100);
/// With nothing to commit, listening itself is written down this often.
const LISTENING_EVERY: Duration = Duration::from_secs(900);
/// The same while the -wal is long: to see soon that its reader is gone.
const LISTENING_WAL_LONG: Duration = Duration::from_secs(60);
/// Between two slices of a large settle, so that commits come between.
const SETTLE_PAUSE: Duration = Duration::from_millis(500);
/// The most rows that one settle takes: bounds how long the ledger's lock is held.
const SETTLE_SLICE: u32 = 100_000;
/// Shut frames at which a commit does not wait for its time, and the most that one takes: forgeries must not push out
/// what waits for a key, nor keep the loop in one commit. Measured in `docs/ledger.md`.
const COMMIT_SHUT: usize = 512;
/// A line that floods keeps its reader waiting many times a second: the log tells of it once in so long.
const WAITS_TOLD_EVERY: Duration = Duration::from_secs(3600);
/// Keys are looked at once in so many seconds, where frames come that they do not open.
const KEYS_EVERY_S: i64 = 60;
/// Slices of a thousand set-aside frames that are tried again at once; then intake goes on for a moment.
const RETRY_SLICES: usize = 2;
/// So long.
const RETRY_PAUSE: Duration = Duration::from_millis(20);
/// Bytes that are judged between two looks at what waits.
const PIECE: usize = 16 << 10;
/// How long a settle that the disk refuses waits for its next try; longer each time.
const SETTLE_RETRY: Duration = Duration::from_secs(60);
/// The longest such wait.
const SETTLE_RETRY_MOST: Duration = Duration::from_secs(3600);
/// How long copying out a vanished ledger, or bringing its records over, counts as progress.
const RESCUE_PATIENCE: Duration = Duration::from_secs(1800);
/// How long a copy that cannot be made waits for its next try.
const RESCUE_RETRY: Duration = Duration::from_secs(30);
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
    Opened(Box<Result<Opened, LedgerError>>),
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
    /// An empty one in memory until [`Daemon::is_open`].
    ledger: Ledger,
    /// Who runs it: kept with what changes.
    actor: Actor,
    is_open: bool,
    /// The ledger on its way.
    opening: Option<tokio::task::JoinHandle<Result<Opened, LedgerError>>>,
    /// Whether the service manager was told that it is ready.
    is_ready: bool,
    /// The status line that it was told last.
    status_told: String,
    intake: Intake,
    tally: Tally,
    state: DaemonState,
    /// By radio: when the log last told that its reader had to wait, and how often it had by then.
    /// Loggers and versions of the format that the log has named.
    other_versions_told: BTreeSet<(Address, u8)>,
    waits_told: Vec<Option<(Instant, u64)>>,
    /// When keys were looked at last, by the steady clock; whether they are to be looked at.
    keys_looked_at: Option<i64>,
    keys_due: bool,
    /// Frames that found no room to wait for a key, for the log.
    no_room: keys::NoRoom,
    /// How far another try at what is set aside has come, while there is one.
    retrying: Option<Retry>,
    /// By radio: what of its coming and going is worth saying.
    ports: Vec<PortNews>,
    /// By radio: whether its notice is up, as far as this process knows.
    port_noticed: Vec<Option<bool>>,
    /// What could not be written while the ledger was locked or full.
    due: Due,
    state_dir: Option<PathBuf>,
    state_failed: bool,
    notifier: Notifier,
    timers: Timers,
    settle: Settle,
    wal: wal::Watch,
    /// When the first try of the present commit began.
    commit_began: Option<Instant>,
    /// Since when another process holds the write lock, as far as commits have found.
    locked_since: Option<(Instant, Stamp)>,
    /// Whether the ledger was opened anew since the last settle, because it looked damaged.
    looked_again: bool,
    /// The ledger that is damaged, between its closing and its setting aside: where it is, and what it held.
    lost: Option<(PathBuf, Coverage)>,
    /// What went into a ledger that has vanished, until it is called committed.
    vanished: Option<Vanished>,
    /// After how long a held lock is a fault.
    lock_patience: Duration,
    /// Keeps a second daemon out; `None`: a process that is no daemon holds it.
    lock: Option<DaemonLock>,
    /// The ledger of the daemon before this one, where that was another one.
    left: Option<PathBuf>,
    /// How many names the ledger's file has, and where its link leads, as far as it was said last.
    names_told: Option<(u64, Option<PathBuf>)>,
}

/// A commit to a ledger whose files were not at their place afterwards.
struct Vanished {
    /// What is not as it was.
    what: String,
    /// What was committed, and what that did.
    batch: Batch,
    receipt: Option<Receipt>,
}

/// Small things that wait for the ledger to be writable again. Each is done after the next commit.
#[derive(Debug, Default)]
struct Due {
    notices: bool,
    configuration: bool,
    retry: bool,
}

/// When what is due.
#[derive(Clone, Copy, Debug, Default)]
struct Timers {
    /// The next try to open the ledger.
    open: Option<Instant>,
    commit: Option<Instant>,
    listening: Option<Instant>,
    settle: Option<Instant>,
    watchdog: Option<Instant>,
    /// The next slices of what is set aside and tried again.
    retry: Option<Instant>,
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
    // Before a port is opened: that of a daemon which runs already must not be touched.
    let lock = match DaemonLock::take(&config.ledger.path) {
        Err(LedgerError::LockHeld { .. }) => None,
        taken => Some(taken?),
    };
    // Signals first: one that comes while the ledger opens must not kill what is half done.
    let mut terminate = signal(SignalKind::terminate()).map_err(Error::System)?;
    let mut interrupt = signal(SignalKind::interrupt()).map_err(Error::System)?;
    let mut hang_up = signal(SignalKind::hangup()).map_err(Error::System)?;
    let mut daemon = Daemon::new(config, keyring, clock, lock_patience)?;
    daemon.lock = lock;
    // Heard from now on, whatever the ledger's opening takes.
    let mut links = Links::open(&daemon.config.radios, Backoff::default()).map_err(Error::System)?;
    daemon.open_ledger()?;
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
            Event::Opened(opened) => daemon.opened(*opened),
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
    fn new(
        config: Config,
        keyring: Keyring,
        clock: Box<dyn Clock>,
        lock_patience: Duration,
    ) -> Result<Self, Error> {
        let now = clock.now();
        let radios = config.radios.len();
        // Numbers that are good until the ledger says which ones they have there.
        let numbers: Vec<RadioId> = (0..=u8::MAX).map(RadioId).take(radios).collect();
        let ledger = std::path::absolute(&config.ledger.path).map_err(Error::System)?;
        let before = config.runtime_dir.as_deref().and_then(DaemonState::read);
        let left = before.and_then(|before| before.ledger).filter(|before| {
            *before != ledger
                && files::place(before).is_some_and(|there| files::place(&ledger) != Some(there))
        });
        let state = DaemonState {
            pid: std::process::id(),
            ledger: Some(ledger),
            started_at: now.unix_s,
            phase: "running".to_owned(),
            radios: config
                .radios
                .iter()
                .map(|radio| RadioState { name: radio.name.clone(), ..Default::default() })
                .collect(),
            ..Default::default()
        };
        Ok(Self {
            intake: Intake::new(&numbers),
            ledger: Ledger::nowhere()?,
            is_open: false,
            opening: None,
            is_ready: false,
            status_told: String::new(),
            keyring,
            clock_offset: Some(now.unix_s - clock.steady_s()),
            clock,
            tally: Tally::default(),
            waits_told: vec![None; radios],
            keys_looked_at: None,
            keys_due: false,
            no_room: keys::NoRoom::default(),
            retrying: None,
            other_versions_told: BTreeSet::new(),
            ports: (0..radios).map(|_| PortNews::default()).collect(),
            port_noticed: vec![None; radios],
            due: Due::default(),
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
            wal: wal::Watch::default(),
            commit_began: None,
            locked_since: None,
            looked_again: false,
            lost: None,
            vanished: None,
            lock_patience,
            lock: None,
            left,
            names_told: None,
            actor: crate::ledger::actor::of_process(),
            config,
        })
    }

    /// Takes the daemon's lock, unless it has it.
    fn take_lock(&mut self) -> Result<(), LedgerError> {
        if self.lock.is_none() {
            self.lock = Some(DaemonLock::take(&self.config.ledger.path)?);
        }
        Ok(())
    }

    /// Begins to open the ledger, on a thread beside the loop.
    fn open_ledger(&mut self) -> Result<(), Error> {
        self.timers.open = None;
        match self.take_lock() {
            Err(error) if error.is_passing() => return self.cannot_open(&error),
            taken => taken?,
        }
        let names = self.config.radios.iter().map(|radio| radio.name.clone()).collect();
        self.opening = Some(opening::begin(self.config.ledger.path.clone(), names, self.clock.now()));
        Ok(())
    }

    /// It is tried again, and what comes is held meanwhile.
    fn cannot_open(&mut self, error: &LedgerError) -> Result<(), Error> {
        self.timers.open = Some(self.in_trouble(error));
        self.tell_ready();
        self.write_state();
        Ok(())
    }

    /// Another file may have the ledger's name now.
    fn ledger_is_another(&mut self) -> Result<(), Error> {
        self.lock.as_mut().map_or(Ok(()), DaemonLock::follow)?;
        self.names_told = None;
        Ok(())
    }

    /// What came of it. What waits meanwhile goes in at once.
    fn opened(&mut self, opened: Result<Opened, LedgerError>) -> Result<(), Error> {
        self.opening = None;
        let Opened { ledger, taken, adopted, is_known, unused, radios, proven } = match opened {
            Ok(opened) => opened,
            Err(error) if error.is_passing() => return self.cannot_open(&error),
            Err(error) => return Err(error.into()),
        };
        let now = self.now();
        self.ledger = ledger;
        self.is_open = true;
        self.ledger_is_another()?;
        self.intake.renumber(&radios);
        for key in proven {
            self.keyring.mark_proven(key);
        }
        if let Some(unused) = unused {
            tracing::warn!("{unused}");
        }
        tracing::info!(
            site = self.config.site.name,
            loggers = self.config.roster.loggers().len(),
            radios = self.config.radios.len(),
            ledger = %self.config.ledger.path.display(),
            clock_synchronised = now.synchronised,
            "started"
        );
        if !now.synchronised {
            tracing::warn!("the gateway's clock is not synchronised: times of reception are marked so");
        }
        if let Some(taken) = &taken {
            self.tell_taken_over(taken, now)?;
        }
        if let Some((text, salvage)) = adopted {
            self.tell_vanished(&text, now)?;
            if let Some(file) = salvage {
                self.bring_over(&file)?;
            }
        }
        let mut began = self.begin();
        while self.or_take_over(began)? {
            began = self.begin();
        }
        // Else it is from the last settle or stop, and a start is to be quick.
        if !is_known {
            self.write_known();
        }
        self.trouble_ended(now)?;
        self.reconcile_notices()?;
        self.tell_left(now)?;
        self.look_at_names(now)?;
        self.plan_settle(now);
        self.tell_ready();
        if !self.intake.batch.is_empty() {
            self.commit()?;
        }
        self.write_state();
        Ok(())
    }

    /// Ready: the ledger is open, or another process keeps it from being opened and what comes is held.
    fn tell_ready(&mut self) {
        if !std::mem::replace(&mut self.is_ready, true) {
            self.write_keys();
            self.status_told = self.status();
            self.notifier.tell(&format!("READY=1\nSTATUS={}", self.status_told));
        }
    }

    /// The status line for the service manager: what a person must know first.
    fn status(&self) -> String {
        if let Some(trouble) = &self.state.trouble {
            let what = if self.is_open { "cannot commit" } else { "cannot open the ledger yet" };
            return format!("{what}: {trouble}");
        }
        let down = self.state.radios.iter().filter(|radio| !radio.up);
        let down: Vec<String> = down
            .map(|radio| match &radio.reason {
                Some(reason) => format!("not listening on {}: {reason}", radio.name),
                None => format!("opening the port of {}", radio.name),
            })
            .collect();
        let deaf = self.state.radios.iter().filter(|radio| radio.up && radio.hears_only_noise());
        let deaf = deaf.map(|radio| format!("only noise on {}: check its baud rate", radio.name));
        let all: Vec<String> = down.into_iter().chain(deaf).chain(self.state.wal_is_long.clone()).collect();
        if all.is_empty() { "listening".to_owned() } else { all.join("; ") }
    }

    /// Tells it where it has changed.
    fn tell_status(&mut self) {
        let status = self.status();
        if self.is_ready && status != self.status_told {
            self.notifier.tell(&format!("STATUS={status}"));
            self.status_told = status;
        }
    }

    /// What a start reads and writes in the ledger.
    fn begin(&mut self) -> Result<(), Error> {
        self.settle.day = self.ledger.settled_day()?;
        self.note_configuration()?;
        for file in self.ledger.rescued_copies()? {
            self.bring_over(&file)?;
        }
        self.forget_gone()?;
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
            Err(Error::Ledger(LedgerError::Vanished { what, .. })) => {
                self.has_vanished(what);
                Ok(true)
            }
            other => other.map(|()| false),
        }
    }

    /// The ledger's files are not at their place. What the last commit wrote is not called committed before it is in
    /// a ledger that can be found again.
    fn has_vanished(&mut self, what: String) {
        tracing::error!("the ledger has vanished: {what}; copying out what the open connection still reads");
        let receipt = self.ledger.take_unreached();
        let batch = if receipt.is_some() { std::mem::take(&mut self.intake.batch) } else { Batch::default() };
        self.vanished = Some(Vanished { what, batch, receipt });
        self.timers.commit = Some(Instant::now());
    }

    /// Goes on after the ledger has vanished; `false`: it cannot yet, and what comes is held meanwhile.
    fn comes_back(&mut self) -> Result<bool, Error> {
        let Some(Vanished { what, batch, receipt }) = self.vanished.take() else { return Ok(true) };
        let now = self.clock.now();
        let path = self.ledger.path().to_owned();
        let copied = {
            let (notifier, began) = (&self.notifier, Instant::now());
            // A large ledger takes minutes, and the service manager must see that it goes on, up to a limit.
            rescue::copy_out(&self.ledger, now, || {
                if began.elapsed() < RESCUE_PATIENCE {
                    notifier.tell("WATCHDOG=1");
                }
            })
        };
        let copied = match copied {
            Ok(copied) => copied,
            Err(error) => {
                self.vanished = Some(Vanished { what, batch, receipt });
                self.cannot_commit(error.to_string(), RESCUE_RETRY);
                return Ok(false);
            }
        };
        // What was committed to the vanished ledger is in its coverage; what waits is not.
        let memory = self.held_for_sure();
        let radios = self.radio_numbers();
        // Closes it: the files at its place may be touched only then.
        self.ledger = Ledger::nowhere()?;
        let on = rescue::go_on(&path, &copied, &what, &radios, &memory, now)?;
        self.ledger = on.ledger;
        self.ledger_is_another()?;
        self.begins_anew()?;
        self.tell_vanished(&on.text, now)?;
        if let Some(taken) = &on.taken {
            self.tell_taken_over(taken, now)?;
        }
        if on.has_all {
            if let Some(receipt) = receipt {
                self.committed(&receipt, now)?;
            }
        } else {
            // It goes in now, before what came since.
            let newer = std::mem::replace(&mut self.intake.batch, batch);
            self.intake.batch.take_in(newer);
        }
        if let Some(file) = on.salvage {
            self.bring_over(&file)?;
        }
        self.write_known();
        self.note_configuration()?;
        if !self.intake.batch.is_empty() {
            self.timers.commit = Some(Instant::now());
        }
        Ok(true)
    }

    /// The radios' names and the numbers that intake goes by.
    fn radio_numbers(&self) -> Vec<(u8, String)> {
        let names = self.state.radios.iter().map(|radio| radio.name.clone());
        self.intake.ids().map(|id| id.0).zip(names).collect()
    }

    /// What was planned for the former ledger does not hold for this one.
    fn begins_anew(&mut self) -> Result<(), Error> {
        self.settle = Settle {
            day: self.ledger.settled_day()?,
            left: 0,
            slice: SETTLE_SLICE,
            refused: 0,
            given_up: false,
            place_taken: false,
        };
        self.wal = wal::Watch::default();
        self.timers.settle = None;
        // What this one knows of keys may be older.
        self.intake.batch.proven.extend(self.keyring.proven());
        Ok(())
    }

    /// Brings over what a copy or a ledger that was set aside still has. What it lacks is missing from then on.
    fn bring_over(&mut self, file: &std::path::Path) -> Result<(), Error> {
        let now = self.clock.now();
        let path = self.ledger.path().to_owned();
        let is_copy = self.ledger.rescued_copies()?.iter().any(|copy| copy == file);
        let (notifier, began) = (&self.notifier, Instant::now());
        let sign = |_, _| {
            if began.elapsed() < RESCUE_PATIENCE {
                notifier.tell("WATCHDOG=1");
            }
        };
        let how = salvage::How {
            by: "stonechat run",
            fill: false,
            give_up: !is_copy,
            adopt: false,
            actor: Some(&self.actor),
        };
        match salvage::salvage(file, &path, &self.config.roster, how, now, sign) {
            Ok(brought) => {
                tracing::warn!(
                    brought = brought.brought,
                    held = brought.held,
                    "brought over from {}",
                    file.display()
                );
                if is_copy {
                    let reason = "the ledger had vanished, and this is what the open connection still read";
                    self.ledger.note_brought_over(file, &brought, reason, now)?;
                }
                Ok(())
            }
            Err(salvage::SalvageError::Ledger(error)) if !error.is_passing() => Err(error.into()),
            // What it holds is missing in every report until it is brought over.
            Err(error) => {
                tracing::error!("{error}");
                Ok(())
            }
        }
    }

    fn tell_vanished(&mut self, text: &str, now: Stamp) -> Result<(), Error> {
        tracing::error!("the ledger had vanished: {text}");
        self.quietly(|ledger| {
            ledger.clear_notice("ledger", "vanished", now)?;
            ledger.raise_notice("ledger", "vanished", text, now)
        })
    }

    /// What counted as held in a file that is gone since is missing.
    fn forget_gone(&mut self) -> Result<(), Error> {
        let now = self.clock.now();
        for (name, records) in self.ledger.forget_gone(now)? {
            let text = format!(
                "{name}, a ledger that was set aside, is gone: {records} records that counted as held there are missing \
                 now, and reports say where to fetch them"
            );
            tracing::error!("{text}");
            self.quietly(|ledger| ledger.raise_notice("ledger", &name, &text, now))?;
        }
        Ok(())
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
        match take_over::look_again(&path, &memory)? {
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
        &mut self,
        links: &mut Links,
        terminate: &mut Signal,
        interrupt: &mut Signal,
        hang_up: &mut Signal,
    ) -> Event {
        let Timers { open, commit, listening, settle, watchdog, retry } = self.timers;
        let steady = self.ports.iter().filter_map(PortNews::steady_at).min().map(Instant::from_std);
        let due = [open, commit, listening, settle, watchdog, retry, steady].into_iter().flatten().min();
        let timer = async {
            match due {
                Some(due) => tokio::time::sleep_until(due).await,
                None => std::future::pending().await,
            }
        };
        // A full hold: the readers wait, so that memory stays bounded.
        let hears = self.intake.batch.weight() < HOLD_BYTES_MAX;
        let opening = &mut self.opening;
        let opened = async {
            match opening {
                Some(opening) => Box::new(ended(opening.await)),
                None => std::future::pending().await,
            }
        };
        tokio::select! {
            biased;
            _ = terminate.recv() => Event::Stop,
            _ = interrupt.recv() => Event::Stop,
            _ = hang_up.recv() => Event::Reload,
            opened = opened => Event::Opened(opened),
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
            self.intake.clock_changed(steady + before, now);
            // What is told by the old clock would be off by as much.
            self.state.shift(offset - before);
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
        let right_before = self.intake.right_frames(radio);
        for piece in bytes.chunks(PIECE) {
            self.intake.bytes(radio, piece, &self.config.roster, &mut self.keyring, now);
            if !self.is_open {
                continue;
            }
            let batch = &self.intake.batch;
            let full = batch.items.len() >= COMMIT_ITEMS || batch.shut.len() >= COMMIT_SHUT;
            if full && self.state.trouble.is_none() {
                self.commit()?;
            }
        }
        if self.intake.right_frames(radio) > right_before {
            links.works(radio);
            let works =
                self.ports.get_mut(radio).and_then(|port| port.right_frame(Instant::now().into_std()));
            self.port_works(radio, works)?;
        }
        let counters = links.counters(radio);
        if let Some(state) = self.state.radios.get_mut(radio) {
            state.bytes_in = counters.bytes_in;
            state.last_frame_at = self.intake.last_frame(radio).map(|stamp| stamp.unix_s);
            state.waits = counters.waits;
            state.noise_since_right_frame = self.intake.noise_since_right_frame(radio);
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
        let is_told = self.ports.get_mut(radio).is_some_and(|port| port.up(Instant::now().into_std()));
        if let Some(state) = self.state.radios.get_mut(radio) {
            state.up = true;
            state.since = Some(now.unix_s);
            state.reason = None;
            if is_told {
                tracing::info!(radio = state.name, "listening");
            }
        }
        self.timers.listening.get_or_insert_with(|| Instant::now() + LISTENING_EVERY);
        self.tell_status();
        self.write_state();
        Ok(())
    }

    /// Ends what was said of a port, where it begins to work.
    fn port_works(&mut self, radio: usize, works: Option<u32>) -> Result<(), Error> {
        let (Some(untold), Some(noticed)) = (works, self.port_noticed.get_mut(radio)) else { return Ok(()) };
        // Unknown: an earlier run may have left it.
        let was_told = noticed.replace(false);
        let Some(name) = self.state.radios.get(radio).map(|state| state.name.clone()) else { return Ok(()) };
        if was_told == Some(true) {
            tracing::info!(radio = name, lost_meanwhile = untold, "listening again");
        }
        if was_told != Some(false) {
            let now = self.now();
            self.quietly(|ledger| ledger.clear_notice("radio", &name, now))?;
        }
        Ok(())
    }

    fn down(&mut self, radio: usize, reason: String) -> Result<(), Error> {
        let now = self.now();
        self.intake.down(radio, now);
        let told = self.ports.get_mut(radio).and_then(|port| port.lost(Instant::now().into_std()));
        if let Some(state) = self.state.radios.get_mut(radio) {
            let name = state.name.clone();
            match told {
                Some(1) => {
                    tracing::warn!(radio = name, "not listening: {reason}; trying again until it is there");
                }
                Some(times) => tracing::warn!(
                    radio = name,
                    times,
                    "the port opens and closes again and again; the last time: {reason}"
                ),
                None => {}
            }
            state.up = false;
            state.since = Some(now.unix_s);
            state.reason = Some(reason.clone());
            if self.port_noticed.get_mut(radio).is_some_and(|noticed| noticed.replace(true) != Some(true)) {
                self.raise_port_notice(&name, &reason, now)?;
            }
        }
        if !self.intake.batch.is_empty() && self.timers.commit.is_none() {
            self.timers.commit = Some(Instant::now() + self.config.ledger.commit_every);
        }
        self.tell_status();
        self.write_state();
        Ok(())
    }

    fn raise_port_notice(&mut self, name: &str, reason: &str, now: Stamp) -> Result<(), Error> {
        self.quietly(|ledger| ledger.raise_notice("radio", name, reason, now))
    }

    /// Makes the ports' notices say what is so: some could not be written when they should have been.
    fn reconcile_notices(&mut self) -> Result<(), Error> {
        let now = self.now();
        let up = match self.ledger.notices_up("radio") {
            Ok(up) => up,
            // Reading needs no lock; what cannot be read is found by the next commit.
            Err(_) => return Ok(()),
        };
        for (radio, state) in self.state.radios.clone().iter().enumerate() {
            let wanted = self.port_noticed.get(radio).copied().flatten();
            match (wanted, &state.reason) {
                (Some(true), Some(reason)) if !up.contains(&state.name) => {
                    self.raise_port_notice(&state.name, reason, now)?;
                }
                (Some(false), _) if up.contains(&state.name) => {
                    self.quietly(|ledger| ledger.clear_notice("radio", &state.name, now))?;
                }
                _ => {}
            }
        }
        // A radio that is not configured any more does not count.
        for name in up {
            if self.state.radios.iter().all(|radio| radio.name != name) {
                self.quietly(|ledger| ledger.clear_notice("radio", &name, now))?;
            }
        }
        Ok(())
    }

    /// A notice that cannot be written now is no reason to stop: the state file and the log have it. A failed
    /// sync is one, whatever was being written.
    fn quietly(&mut self, write: impl FnOnce(&mut Ledger) -> Result<(), LedgerError>) -> Result<(), Error> {
        if !self.is_open {
            // Written when it is: see `opened`.
            return Ok(());
        }
        match write(&mut self.ledger) {
            Err(error @ LedgerError::Sync(_)) => Err(error.into()),
            Err(error) if error.is_passing() => {
                tracing::debug!("not written now: {error}");
                self.due.notices = true;
                self.soon();
                Ok(())
            }
            Err(error) => {
                tracing::debug!("not written now: {error}");
                Ok(())
            }
            Ok(()) => Ok(()),
        }
    }

    /// What could not be written is tried again after the next commit, which comes soon.
    fn soon(&mut self) {
        self.timers.commit.get_or_insert_with(|| Instant::now() + RETRY_AFTER);
    }

    fn timer(&mut self) -> Result<(), Error> {
        let now = Instant::now();
        let due = |timer: Option<Instant>| timer.is_some_and(|at| at <= now);
        if due(self.timers.open) {
            self.open_ledger()?;
        }
        for radio in 0..self.ports.len() {
            let works = self.ports.get_mut(radio).and_then(|port| port.steady(now.into_std()));
            self.port_works(radio, works)?;
        }
        if due(self.timers.watchdog) {
            self.tell_watchdog();
        }
        if due(self.timers.commit) || due(self.timers.listening) {
            self.commit()?;
        }
        if due(self.timers.retry) {
            self.retry_on()?;
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

    /// The loop moves. While another process holds the ledger's lock too: to be killed and started again would lose
    /// what is held, and free no lock.
    fn tell_watchdog(&mut self) {
        if let Some(every) = Notifier::watchdog_every() {
            self.notifier.tell("WATCHDOG=1");
            self.timers.watchdog = Some(Instant::now() + every);
        }
    }

    /// Commits what waits. Trouble that passes leaves it waiting; anything else ends the daemon.
    fn commit(&mut self) -> Result<(), Error> {
        if !self.is_open {
            // It goes in as soon as the ledger is open.
            (self.timers.commit, self.timers.listening) = (None, None);
            self.write_state();
            return Ok(());
        }
        let now = self.now();
        if !self.comes_back()? {
            return Ok(());
        }
        self.intake.close_windows(now);
        // A settle that waited for an import's lock has kept a commit that was due from its first try.
        let due = self.timers.commit.map_or_else(Instant::now, |due| due.min(Instant::now()));
        let began = *self.commit_began.get_or_insert(due);
        let rest = self.intake.batch.split_shut(COMMIT_SHUT);
        let done = self.ledger.append(&self.intake.batch, &self.config.roster, now);
        match &done {
            Ok(_) => self.intake.batch.clear(),
            Err(LedgerError::Vanished { what, .. }) => {
                self.commit_began = None;
                self.has_vanished(what.clone());
            }
            Err(_) => {}
        }
        self.intake.batch.shut.extend(rest);
        match done {
            Ok(receipt) => {
                self.commit_began = None;
                let took = began.elapsed().as_secs_f64();
                self.state.longest_commit_s = self.state.longest_commit_s.max(took);
                self.committed(&receipt, now)?;
                if !self.intake.batch.shut.is_empty() {
                    self.timers.commit = Some(Instant::now());
                }
                Ok(())
            }
            Err(LedgerError::Vanished { .. }) => match self.comes_back()? {
                true => self.commit(),
                false => Ok(()),
            },
            Err(error) if error.is_passing() => {
                self.timers.commit = Some(self.in_trouble(&error));
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

    /// Holds what comes, and tries again after a while.
    fn cannot_commit(&mut self, text: String, again: Duration) {
        if self.state.trouble.as_ref() != Some(&text) {
            let waiting = self.intake.batch.items.len();
            tracing::error!(waiting, "cannot commit: {text}; holding what comes and trying again");
        }
        self.state.trouble = Some(text);
        self.tell_status();
        self.timers.commit = Some(Instant::now() + again);
        self.timers.listening = None;
        self.write_state();
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
        let radios = self.radio_numbers();
        // Closes the damaged one: its files may be renamed only then.
        self.ledger = Ledger::nowhere()?;
        let (ledger, taken) = take_over::replace(&path, &why.cause(), &radios, &memory, now)?;
        self.ledger = ledger;
        self.ledger_is_another()?;
        self.begins_anew()?;
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
        self.quietly(|ledger| {
            // A second one is told beside the first.
            ledger.clear_notice("ledger", "damaged", now)?;
            ledger.raise_notice("ledger", "damaged", &text, now)
        })
    }

    /// The daemon before this one wrote another ledger: a link was switched, or a path changed.
    fn tell_left(&mut self, now: Stamp) -> Result<(), Error> {
        let Some(left) = self.left.take() else {
            return self.quietly(|ledger| ledger.clear_notice("ledger", "left", now));
        };
        let left = left.display();
        let text = format!(
            "the daemon before this one wrote another ledger, {left}: what that one holds is not in this one. Name it in \
             `ledger.path` if it is the right one; else bring it over: `stonechat verify --salvage {left}`"
        );
        tracing::warn!("{text}");
        self.quietly(|ledger| {
            ledger.clear_notice("ledger", "left", now)?;
            ledger.raise_notice("ledger", "left", &text, now)
        })
    }

    /// Whether the ledger's file has other names, and whether the link by which it is configured leads elsewhere by now.
    /// Said when it changes. Neither is a reason to stop: the path was resolved at the start, and stays.
    fn look_at_names(&mut self, now: Stamp) -> Result<(), Error> {
        let ledger = &self.config.ledger;
        let Some(count) = files::name_count(&ledger.path) else { return Ok(()) };
        let is_link = ledger.named != ledger.path;
        let leads = is_link.then(|| files::resolve(&ledger.named).unwrap_or_else(|_| ledger.named.clone()));
        let leads = leads.filter(|leads| *leads != ledger.path);
        let found = (count, leads);
        if self.names_told.as_ref() == Some(&found) {
            return Ok(());
        }
        let names = (count > 1).then(|| {
            format!(
                "the ledger's file has {count} names (hard links), as a snapshot may make them: all are one file, so none \
                 of them is a copy of another, and only {} may be used. Remove the others, and make copies by `stonechat \
                 backup FILE`",
                ledger.path.display()
            )
        });
        let link = found.1.as_ref().map(|leads| {
            format!(
                "{} leads to another place now, {}: the daemon goes on in {} until it is restarted, and commands read and \
                 write that other place. Set the link right; or restart the daemon, and bring over what is left behind",
                ledger.named.display(),
                leads.display(),
                ledger.path.display()
            )
        });
        self.names_told = Some(found);
        for (subject, text) in [("names", names), ("link", link)] {
            if let Some(text) = &text {
                tracing::warn!("{text}");
            }
            self.quietly(|ledger| match &text {
                Some(text) => {
                    ledger.clear_notice("ledger", subject, now)?;
                    ledger.raise_notice("ledger", subject, text, now)
                }
                None => ledger.clear_notice("ledger", subject, now),
            })?;
        }
        Ok(())
    }

    /// What must outlive the ledger, beside it. That it cannot be written is no reason to stop.
    fn write_known(&mut self) {
        if !self.is_open {
            return;
        }
        let now = self.clock.now();
        if let Err(error) = self.ledger.write_known(now) {
            tracing::warn!("{error}");
        }
    }

    /// Says what keeps the ledger from being written, and when to try again. An import has the lock for seconds: that
    /// is no fault, and the try itself has waited for it.
    fn in_trouble(&mut self, error: &LedgerError) -> Instant {
        let now = self.now();
        let (mut text, mut is_fault) = (error.to_string(), true);
        let is_locked = matches!(error, LedgerError::Busy(_));
        if let LedgerError::LockHeld { .. } = error {
            self.locked_since.get_or_insert((Instant::now(), now));
        } else if is_locked {
            let (since, _) = *self.locked_since.get_or_insert((Instant::now(), now));
            if let Some(holder) = crate::ledger::lock_holder(&self.config.ledger.path) {
                text += &format!(": {holder}");
            }
            is_fault = since.elapsed() >= self.lock_patience;
            if is_fault {
                text += &format!(", for more than {} s; end that process", self.lock_patience.as_secs());
            }
        } else {
            self.locked_since = None;
        }
        if self.state.trouble.as_ref() != Some(&text) {
            let waiting = self.intake.batch.items.len();
            let what = if self.is_open { "commit" } else { "open the ledger" };
            if is_fault {
                tracing::error!(waiting, "cannot {what}: {text}; holding what comes and trying again");
            } else {
                tracing::warn!(waiting, "waiting to {what}: {text}; holding what comes");
            }
        }
        self.state.trouble = Some(text);
        self.tell_status();
        Instant::now() + if is_locked { RETRY_LOCKED } else { RETRY_AFTER }
    }

    /// The ledger can be written again. A lock that was held for too long is told now, since it could not be before.
    fn trouble_ended(&mut self, now: Stamp) -> Result<(), Error> {
        let Some(trouble) = self.state.trouble.take() else { return Ok(()) };
        tracing::info!("committing again (it was: {trouble})");
        self.tell_status();
        let locked = self.locked_since.take().filter(|(since, _)| since.elapsed() >= self.lock_patience);
        if let Some((since, at)) = locked {
            let text = format!(
                "{trouble}. It was held for {} s; what came meanwhile was kept",
                since.elapsed().as_secs()
            );
            self.quietly(|ledger| {
                ledger.raise_notice("ledger", "lock", &text, at)?;
                ledger.clear_notice("ledger", "lock", now)
            })?;
        }
        self.due.notices = true;
        Ok(())
    }

    /// What could not be written before the commit that was just made.
    fn catch_up(&mut self) -> Result<(), Error> {
        let Due { notices, configuration, retry } = std::mem::take(&mut self.due);
        if notices {
            self.reconcile_notices()?;
        }
        if configuration {
            self.note_configuration()?;
        }
        if retry {
            self.retry_set_aside()?;
        }
        Ok(())
    }

    /// What a commit leads to, once it may be called one.
    fn committed(&mut self, receipt: &Receipt, now: Stamp) -> Result<(), Error> {
        self.tally.merge(&receipt.tally);
        self.state.aside_over_limit += receipt.over_limit + std::mem::take(&mut self.intake.shut_dropped);
        self.state.commits += 1;
        let records = self.tally.of(Outcome::Stored) + self.tally.of(Outcome::Opaque);
        self.state.commit = Some(CommitState { at: now.unix_s, through_row: receipt.through_row, records });
        self.timers.commit = None;
        self.trouble_ended(now)?;
        self.locked_since = None;
        self.catch_up()?;
        self.look_at_names(now)?;
        self.tell_other_versions(now)?;
        self.keys_due |= receipt.is_key_in_doubt || receipt.is_key_proven;
        if self.keys_due {
            self.look_at_keys(receipt.is_key_proven)?;
        }
        if let Some(said) = self.no_room.came(&receipt.dropped, Instant::now().into_std()) {
            tracing::warn!("{said}");
        }
        for (address, slot) in &receipt.new_slots {
            tracing::info!(logger = %address, slot = %slot, "a key slot opened its first frame");
        }
        let conflicting: BTreeSet<_> = receipt.conflicts.iter().map(|identity| identity.address).collect();
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
        self.watch_wal(now)?;
        let every = if self.wal.is_long() { LISTENING_WAL_LONG } else { LISTENING_EVERY };
        self.timers.listening =
            self.state.radios.iter().any(|radio| radio.up).then(|| Instant::now() + every);
        self.plan_settle(now);
        self.write_state();
        Ok(())
    }

    /// Makes the notices about keys say what is so: raised after an interval in which nothing of a logger is opened, and
    /// gone once something is. Where frames come thick and fast, once a minute, unless it is to be at once.
    fn look_at_keys(&mut self, at_once: bool) -> Result<(), Error> {
        let steady = self.clock.steady_s();
        let is_early = self.keys_looked_at.is_some_and(|at| (steady - at).abs() < KEYS_EVERY_S);
        if !self.is_open || (is_early && !at_once) {
            return Ok(());
        }
        self.keys_looked_at = Some(steady);
        let now = self.now();
        let found = self.ledger.suspicion(&self.config.roster, now);
        let (Ok(suspicion), Ok(up)) = (found, self.ledger.notices_up("key")) else {
            // Reading needs no lock; what cannot be read is found by the next commit.
            return Ok(());
        };
        let wanted = keys::notices(&suspicion, self.config.keys_are_handed_in);
        for (subject, text) in wanted.iter().filter(|(subject, _)| !up.contains(subject)) {
            tracing::warn!("{subject}: {text}");
            self.quietly(|ledger| ledger.raise_notice("key", subject, text, now))?;
        }
        for subject in up.iter().filter(|up| wanted.iter().all(|(subject, _)| subject != *up)) {
            // Where the site key took its place, nothing is better.
            if wanted.len() < up.len() {
                tracing::info!("{subject}: frames are opened again, or none are left that are not");
            }
            self.quietly(|ledger| ledger.clear_notice("key", subject, now))?;
        }
        // What is up is looked at again until it is gone.
        self.keys_due = !wanted.is_empty();
        Ok(())
    }

    /// Names loggers that send another version of the format. It is a claim: such frames cannot be opened.
    fn tell_other_versions(&mut self, now: Stamp) -> Result<(), Error> {
        for (address, version) in std::mem::take(&mut self.intake.other_versions) {
            let subject = format!("logger {address}");
            let text = format!(
                "frames that claim to be from it have version {version} of the wire format, which this program does not \
                 read: they are skipped. Check its firmware, or install a newer stonechat"
            );
            if self.other_versions_told.insert((address, version)) {
                tracing::warn!(logger = %address, version, "frames of another version of the format are skipped");
            }
            self.quietly(|ledger| ledger.raise_notice("version", &subject, &text, now))?;
        }
        Ok(())
    }

    /// Looks at how long the -wal has become: says who keeps it from being emptied, and holds settling back where it is too
    /// long. Commits go on whatever it is.
    fn watch_wal(&mut self, now: Stamp) -> Result<(), Error> {
        let wal = self.ledger.wal();
        let length = wal.length(self.config.ledger.settle_wal_max_bytes);
        let readers = match length {
            Length::Usual => Vec::new(),
            _ => crate::ledger::readers(&self.config.ledger.path),
        };
        self.state.wal_bytes = wal.bytes;
        self.state.settling_held_back = length == Length::TooLong;
        match self.wal.look(wal.bytes, length, readers) {
            Some(News::Long(text)) => {
                tracing::warn!("{text}");
                self.state.wal_is_long = Some(text.clone());
                self.quietly(|ledger| {
                    ledger.clear_notice("ledger", "wal", now)?;
                    ledger.raise_notice("ledger", "wal", &text, now)
                })?;
            }
            Some(News::Usual) => {
                if self.state.wal_is_long.take().is_some() {
                    tracing::info!("the ledger's -wal is folded in again, and what is due is settled");
                }
                if self.ledger.notices_up("ledger").is_ok_and(|up| up.iter().any(|of| of == "wal")) {
                    self.quietly(|ledger| ledger.clear_notice("ledger", "wal", now))?;
                }
            }
            None => return Ok(()),
        }
        self.tell_status();
        Ok(())
    }

    /// The site's day, counted from 1970.
    fn day(&self, now: Stamp) -> i64 {
        now.unix_s.saturating_add(i64::from(self.config.site.utc_offset_s)).div_euclid(86_400)
    }

    /// Begins a settle when a day is over or the journal is long enough.
    fn plan_settle(&mut self, now: Stamp) {
        if self.state.settling_held_back {
            return;
        }
        if self.settle.left > 0 && self.timers.settle.is_none() && !self.settle.given_up {
            // It was held back on its way.
            self.timers.settle = Some(Instant::now());
            return;
        }
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
        if self.state.settling_held_back {
            self.timers.settle = None;
            return Ok(());
        }
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
            Err(error @ LedgerError::Vanished { .. }) => Err(error.into()),
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
        self.looked_again = false;
        if !std::mem::take(&mut self.settle.place_taken) {
            let now = self.now();
            self.quietly(|ledger| ledger.clear_notice("ledger", "place taken", now))?;
        }
        self.forget_gone()?;
        // By a clock that is not right it would be another day's; and the settle may have begun by one.
        let now = self.now();
        if now.synchronised {
            let day = self.day(now);
            self.quietly(|ledger| ledger.note_size(day))?;
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
        let days = self.config.ledger.retention_days;
        let seen_days = self.config.ledger.retention_backup_seen_days;
        let now = self.now();
        // A clock that is not right must not make young readings old.
        if !now.synchronised {
            return Ok(());
        }
        self.quietly(|ledger| {
            let ago = |days: u32| now.unix_s - i64::from(days) * 86_400;
            ledger.notice_backups(ago(seen_days), now)?;
            let Some(days) = days else { return Ok(()) };
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
        let fixed = reload::needs_restart(&self.config, &new);
        if !fixed.is_empty() {
            let fixed = fixed.join(", ");
            tracing::error!(
                "not reloaded: {fixed}: changes with a restart only; nothing of the new files is in force"
            );
            return Ok(());
        }
        self.keyring = keyring;
        if new.keys_are_handed_in {
            tracing::warn!(
                "the keyring is unchanged: the service manager handed it in at the start; after a change of keys: \
                 systemctl restart stonechat"
            );
        }
        self.clock.follow(&new.site.clock_synchronised_file);
        if new.runtime_dir != self.state_dir {
            if let Some(old) = &self.state_dir {
                DaemonState::remove(old);
            }
            (self.state_dir, self.state_failed) = (new.runtime_dir.clone(), false);
        }
        self.config = new;
        tracing::info!(loggers = self.config.roster.loggers().len(), "configuration reloaded");
        self.write_keys();
        self.write_state();
        if !self.is_open {
            // The rest is what a start does once it is.
            return Ok(());
        }
        for key in self.ledger.keys_in_use()? {
            self.keyring.mark_proven(key);
        }
        self.note_configuration()?;
        // What is shut and still waits for its commit is tried too: now, or after the commit that takes it.
        self.commit()?;
        self.due.retry |= !self.intake.batch.is_empty();
        self.retry_set_aside()
    }

    /// Keeps in the ledger which site and roster are in force from now on; never the keyring.
    fn note_configuration(&mut self) -> Result<(), Error> {
        let now = self.clock.now();
        let mut is_due = false;
        self.ledger.acts_for(self.actor.clone());
        let files = [("site.toml", &self.config.site_text), ("loggers.toml", &self.config.roster_text)];
        for (file, text) in files {
            match self.ledger.note_configuration(file, text, now) {
                Ok(_) => {}
                // It is noted after the next commit; intake goes first.
                Err(error) if error.is_passing() => {
                    tracing::warn!("{file} in force could not be noted in the ledger now: {error}");
                    is_due = true;
                }
                Err(error) => return Err(error.into()),
            }
        }
        // Never a key: by their check values it is known which have changed.
        let keys = self.keyring.checks(self.config.roster.loggers().map(|logger| logger.address));
        match self.ledger.note_keys(&keys, now) {
            Ok(_) => {}
            Err(error) if error.is_passing() => {
                tracing::warn!("the keys in force could not be noted in the ledger now: {error}");
                is_due = true;
            }
            Err(error) => return Err(error.into()),
        }
        if is_due {
            self.due.configuration = true;
            self.soon();
        }
        Ok(())
    }

    /// Tries all that is set aside again, with the keys in force; from the beginning.
    fn retry_set_aside(&mut self) -> Result<(), Error> {
        self.retrying = Some(Retry::default());
        self.retry_on()
    }

    /// Goes on with that: a part of it, and the rest a moment later.
    fn retry_on(&mut self) -> Result<(), Error> {
        self.timers.retry = None;
        let Some(mut retry) = self.retrying.take() else { return Ok(()) };
        let now = self.clock.now();
        match self.ledger.retry_some(&self.config.roster, &mut self.keyring, now, &mut retry, RETRY_SLICES) {
            Ok(None) => {
                self.retrying = Some(retry);
                self.timers.retry = Some(Instant::now() + RETRY_PAUSE);
                Ok(())
            }
            Ok(Some(retried)) => {
                if retried.tried > 0 {
                    tracing::info!(
                        tried = retried.tried,
                        stored = retried.stored + retried.opaque,
                        still_shut = retried.still_shut,
                        "tried what was set aside again"
                    );
                }
                self.look_at_keys(true)
            }
            // It is tried after the next commit; intake goes first.
            Err(error) if error.is_passing() => {
                tracing::warn!("what is set aside could not be tried again now: {error}");
                self.due.retry = true;
                self.soon();
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

    /// Which slots the running daemon has, for `key slot`: a keyring that was edited is not in force before it is read.
    fn write_keys(&mut self) {
        let Some(dir) = &self.state_dir else { return };
        let keys = keys_state(&self.keyring, self.config.keys_are_handed_in, self.clock.now().unix_s);
        if let Err(error) = keys.write(dir) {
            tracing::debug!("the slots in force cannot be written to {}: {error}", dir.display());
        }
    }

    fn write_state(&mut self) {
        if !self.is_ready {
            return;
        }
        let now = self.now();
        let Some(dir) = &self.state_dir else { return };
        (self.state.written_at, self.state.written_steady_s) = (now.unix_s, self.clock.computer_s());
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

    /// Before a stop: tries to open the ledger for what waits.
    async fn open_at_last(&mut self) -> Result<(), Error> {
        for tries in 1.. {
            if self.is_open {
                break;
            }
            let records = self.intake.batch.items.len();
            match self.take_lock() {
                Err(_) if records == 0 => break,
                Err(source) if tries == STOP_TRIES || !source.is_passing() => {
                    return Err(Error::Unwritten { records, source });
                }
                Err(_) => {
                    tokio::time::sleep(RETRY_AFTER).await;
                    continue;
                }
                Ok(()) => {}
            }
            if self.opening.is_none() {
                self.open_ledger()?;
            }
            let Some(opening) = &mut self.opening else { break };
            let opened = ended(opening.await);
            match opened {
                Err(source) if source.is_passing() && (tries == STOP_TRIES || records == 0) => {
                    self.opening = None;
                    if records == 0 {
                        break;
                    }
                    return Err(Error::Unwritten { records, source });
                }
                opened => self.opened(opened)?,
            }
        }
        Ok(())
    }

    async fn stop(mut self) -> Result<(), Error> {
        self.notifier.tell("STOPPING=1");
        self.state.phase = "stopping".to_owned();
        self.open_at_last().await?;
        for tries in 1.. {
            self.commit()?;
            while self.is_open && self.state.trouble.is_none() && !self.intake.batch.shut.is_empty() {
                self.commit()?;
            }
            if self.state.trouble.is_none() || !self.is_open {
                break;
            }
            if tries == STOP_TRIES {
                let now = self.clock.now();
                let records = self.intake.batch.items.len();
                if let Some(vanished) = &self.vanished {
                    let records = records + vanished.batch.items.len();
                    let (path, what) = (self.ledger.path().to_owned(), vanished.what.clone());
                    return Err(Error::Unwritten { records, source: LedgerError::Vanished { path, what } });
                }
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

/// What a thread that opened the ledger brought back. One that panicked is a fault of this program.
fn ended(opened: Result<Result<Opened, LedgerError>, tokio::task::JoinError>) -> Result<Opened, LedgerError> {
    opened.unwrap_or_else(|error| Err(LedgerError::Unexpected(format!("opening it ended early ({error})"))))
}

fn keys_state(keyring: &Keyring, handed_in: bool, now: i64) -> KeysState {
    let entries = keyring.entries().map(|entry| KeyState {
        logger: entry.address.number(),
        slot: entry.slot.0,
        is_given: entry.is_given,
        last: entry
            .last
            .map(|last| LastState { epoch: last.epoch.number(), sequence: last.sequence.number() }),
    });
    KeysState {
        pid: std::process::id(),
        read_at: now,
        handed_in,
        derived_slots: (0..=u8::MAX).filter(|&slot| keyring.may_derive(Slot(slot))).collect(),
        entries: entries.collect(),
    }
}
