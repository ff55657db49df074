//! `stonechat demo`: a whole story on simulated loggers, without hardware, root or network.
//!
//! Three simulated weeks of the invented Harrow Tarn embankment go through a real pseudo-terminal into this program's own
//! `run`, as a child process. A storm takes the radio down for a day and a half; then the daemon asks the loggers that
//! listen for what is missing. Then the gap report, the visit list, downloads and their import, two other readers' CSV,
//! what is left, a write-off, and a comparison of every raw count with the truth, through the public views. The daemon's
//! clock is the simulation's, so that weeks pass in seconds.

mod compare;
mod counts;
mod daemon;
mod outcome;
mod radio;
mod readers;
mod shell;
mod stick;
mod story;

use super::exit::{DONE, NO, could_not};
use super::simulate::{targets, write_truth};
use crate::config::{self, Config};
use crate::files;
use crate::sim::Field;
use crate::text::rfc3339;
use radio::LOGGERS;
use shell::{Shell, Typed};
use std::io::Write;
use std::path::{Path, PathBuf};
use stick::other_readers;
use story::Story;

/// The arguments of `demo`.
#[derive(clap::Args)]
pub struct Args {
    /// Where its files stay [default: a new folder under the system's temporary folder]
    #[arg(long, value_name = "DIR")]
    dir: Option<PathBuf>,
    /// The seed of all random numbers
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Simulated days, 3 to 70
    #[arg(long, default_value_t = 21, value_parser = clap::value_parser!(u32).range(3..=70))]
    days: u32,
}

/// The files that a demo adds to those of every simulation.
const MADE: [&str; 8] = [
    "ledger.db",
    "daemon.log",
    "stick",
    "readers",
    "layouts",
    "outage.svg",
    "repaired.svg",
    "pore-pressure.csv",
];

/// Runs the demo; 0 if the ledger equals the truth in every count, 1 if not. `typed` runs a command as a person types
/// it.
pub fn run(args: &Args, typed: Typed, out: &mut dyn Write) -> u8 {
    match story(args, typed, out) {
        Ok(true) => DONE,
        Ok(false) => NO,
        Err(text) => could_not(&text),
    }
}

fn story(args: &Args, typed: Typed, out: &mut dyn Write) -> Result<bool, String> {
    let dir = match &args.dir {
        Some(dir) => dir.clone(),
        None => new_folder()?,
    };
    let mut field = Field::new(radio::plan(args.seed, args.days));
    // Before anything is made: the folder may be a real site's.
    let made = targets(&dir, field.plan()).into_iter().chain(MADE.map(|name| dir.join(name)));
    files::refuse_taken(made).map_err(|error| error.to_string())?;
    files::make_own_folder(&dir).map_err(|error| format!("{}: {error}", dir.display()))?;
    let now = field.plan().end().by_gateway();
    let mut story = Story {
        shell: Shell { site: dir.join("site.toml").display().to_string(), typed, out },
        units: dir.join("calibrations.toml").display().to_string(),
        now,
        at: rfc3339(now),
        dir,
    };
    story.shell.say(&format!(
        "Harrow Tarn embankment (invented): {LOGGERS} simulated loggers, {} days, one gateway on a mast\n\
         files: {}",
        args.days,
        story.dir.display()
    ))?;
    story.listens(&mut field)?;
    story.is_asked()?;
    let mut truth = field.truth().clone();
    story.is_brought_to(&mut truth)?;
    let config = load(&story.dir)?;
    other_readers(&mut story.shell, &story.dir, &config, field.plan(), &mut truth)?;
    story.has_left(&config)?;
    let same = story.equals(&config, &truth)?;
    story.has_values()?;
    write_truth(&field, &story.dir)?;
    story.ends()?;
    Ok(same)
}

/// A new folder: process numbers are reused, so the folder of an earlier demo may have this process's number.
fn new_folder() -> Result<PathBuf, String> {
    let base = std::env::temp_dir();
    let names = std::iter::once(String::new()).chain((2..100).map(|number| format!("-{number}")));
    for name in names {
        let dir = base.join(format!("stonechat-demo-{}{name}", std::process::id()));
        match files::make_new_folder(&dir) {
            Ok(()) => return Ok(dir),
            Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => {}
            Err(error) => return Err(format!("{}: {error}; name a folder with --dir", dir.display())),
        }
    }
    Err(format!("{} is full of demos; remove some, or name a folder with --dir", base.display()))
}

fn load(dir: &Path) -> Result<Config, String> {
    config::load(&dir.join("site.toml")).map_err(|problems| problems.to_string())
}
