//! `stonechat run`: the daemon.

use super::{COULD_NOT, DONE};
use crate::config;
use crate::daemon;
use crate::files::clock::FileClock;
use crate::text::Printed;
use crate::time::{Clock, SystemClock};
use std::io::IsTerminal;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// The arguments of `run`.
#[derive(clap::Args)]
pub struct Args {
    /// Take the time from a file of Unix seconds, as a simulated field keeps it
    #[arg(long, value_name = "FILE", hide = true)]
    simulated_clock: Option<PathBuf>,
    /// How long to wait for the ledger's lock before the watchdog gets no more signs of life, for tests
    #[arg(long, value_name = "SECONDS", hide = true)]
    lock_patience: Option<u32>,
    /// Why keys are not kept from swap space or core files.
    #[arg(skip)]
    pub(super) memory_open: Option<String>,
}

/// Runs the daemon until it is asked to stop.
pub fn run(config_path: &Path, args: &Args) -> u8 {
    // Log level by $STONECHAT_LOG (error, warn, info, debug); never colours, because logs end in files.
    let wanted = std::env::var("STONECHAT_LOG").unwrap_or_else(|_| "info".to_owned());
    let level = wanted.parse().unwrap_or_else(|_| {
        say!("stonechat: STONECHAT_LOG={wanted:?} is not a level (error, warn, info, debug); using info");
        tracing_subscriber::filter::LevelFilter::INFO
    });
    let log = tracing_subscriber::fmt()
        .with_max_level(level)
        .with_writer(|| Printed(std::io::stderr()))
        .with_ansi(false);
    // The service manager's journal stamps each line itself.
    let set = if std::io::stderr().is_terminal() || std::env::var_os("JOURNAL_STREAM").is_none() {
        log.with_target(false).try_init()
    } else {
        log.with_target(false).without_time().try_init()
    };
    if let Err(error) = set {
        say!("stonechat: no log: {error}");
    }
    if let Some(why) = &args.memory_open {
        tracing::warn!("{why}");
    }
    let loaded = config::load(config_path).and_then(|config| Ok((config::load_keyring(&config)?, config)));
    let (keyring, config) = match loaded {
        Ok(loaded) => loaded,
        Err(problems) => {
            for problem in problems.iter() {
                tracing::error!("{problem}");
            }
            return super::exit::config_code(&problems);
        }
    };
    let clock: Box<dyn Clock> = match &args.simulated_clock {
        Some(file) => Box::new(FileClock { file: file.clone() }),
        None => Box::new(SystemClock { synchronised_file: config.site.clock_synchronised_file.clone() }),
    };
    let runtime = match tokio::runtime::Builder::new_current_thread().enable_all().build() {
        Ok(runtime) => runtime,
        Err(error) => {
            tracing::error!("the operating system refused: {error}");
            return COULD_NOT;
        }
    };
    let patience =
        args.lock_patience.map_or(daemon::LOCK_PATIENCE, |seconds| Duration::from_secs(seconds.into()));
    match runtime.block_on(daemon::run(config, keyring, clock, patience)) {
        Ok(()) => DONE,
        Err(error) => {
            tracing::error!("ended: {error}");
            COULD_NOT
        }
    }
}
