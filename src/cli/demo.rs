//! `stonechat demo`: a whole story on simulated loggers, without hardware, root or network.
//!
//! Three simulated weeks of the invented Harrow Tarn embankment go through a real pseudo-terminal into this
//! program's own `run`, as a child process; a storm takes the radio down for a day and a half. Then the gap
//! report, the visit list, downloads and their import, two other readers' CSV, what is left, a write-off, and a
//! comparison of every raw count with the truth, through the public views. The daemon's clock is the simulation's, so
//! that weeks pass in seconds.

mod compare;
mod daemon;
mod radio;
mod readers;
mod shell;
mod stick;

use super::exit::{DONE, NO, could_not};
use super::simulate::{targets, write_truth};
use crate::config::{self, Config};
use crate::files;
use crate::link::pty::PtyMaster;
use crate::report::gaps::{Gap, Report};
use crate::report::memory::InLogger;
use crate::report::selection::{self, GapsWanted};
use crate::sim::{Field, Truth};
use crate::text::{counted, rfc3339};
use crate::view::CAUTION;
use crate::view::term::wrapped;
use daemon::Daemon;
use radio::LOGGERS;
use shell::{Shell, Typed};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::Instant;
use stick::{copy_memories, other_readers};

/// The arguments of `demo`.
#[derive(clap::Args)]
pub struct Args {
    /// Where its files stay [default: a new folder under the system's temporary folder]
    #[arg(long, value_name = "DIR")]
    dir: Option<PathBuf>,
    /// Decides what is left to chance
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Simulated days, 3 to 70
    #[arg(long, default_value_t = 21, value_parser = clap::value_parser!(u32).range(3..=70))]
    days: u32,
}

/// What a demo makes in its folder, besides what every simulation does.
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
/// A sealed piezometer.
const POINT: &str = "P-11 pore pressure";
/// Its logger.
const LOGGER_VISITED: &str = "11";
/// Who brings the copies.
const TECHNICIAN: &str = "a demo technician";

/// Tells the story; 0 if the ledger equals the truth in every count, 1 if not.
/// `typed` runs a command as a person types it.
pub fn run(args: &Args, typed: Typed, out: &mut dyn Write) -> u8 {
    match story(args, typed, out) {
        Ok(true) => DONE,
        Ok(false) => NO,
        Err(text) => could_not(&text),
    }
}

/// The story while it is told.
struct Story<'a> {
    dir: PathBuf,
    /// The calibrations.
    units: String,
    /// The field's end, at which all is asked.
    now: i64,
    at: String,
    shell: Shell<'a>,
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
    let now = field.plan().to_unix_s();
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

impl Story<'_> {
    fn listens(&mut self, field: &mut Field) -> Result<(), String> {
        self.shell
            .say("\n1. The gateway listens; on the way a storm takes its radio down for a day and a half")?;
        let clock = self.dir.join("run").join("clock");
        let mut pty = PtyMaster::open().map_err(|error| format!("no pseudo-terminal: {error}"))?;
        let port = std::path::absolute(self.dir.join("radio")).map_err(|error| error.to_string())?;
        pty.link_at(&port).map_err(|error| format!("{}: {error}", port.display()))?;
        let plan = field.plan();
        plan.write_config(&self.dir, &port.display().to_string(), 0.1).map_err(|error| error.to_string())?;
        radio::set_clock(&clock, plan.from_unix_s)?;
        let mut daemon = Daemon::start(&self.dir, &clock)?;
        daemon.await_listening(&self.dir)?;
        let started = Instant::now();
        let sent = radio::transmit(field, &mut pty, &clock)?;
        daemon.stop(&self.dir)?;
        drop(pty);
        let seconds = started.elapsed().as_secs_f64();
        self.shell.say(&format!(
            "   {} through {} in {seconds:.1} s, committed, daemon stopped",
            counted(sent, "frame"),
            port.display()
        ))
    }

    fn is_asked(&mut self) -> Result<(), String> {
        self.shell.say("\n2. The gap report\n")?;
        self.shell.run(&["gaps", "--now", &self.at])?;
        self.shell.say("\n   The same as a picture: what the storm took from a sealed piezometer\n")?;
        self.picture("outage.svg")?;
        self.shell.say("\n3. Whom to visit, and what to fetch there\n")?;
        self.shell.run(&["visits", "--now", &self.at])
    }

    fn picture(&mut self, name: &str) -> Result<(), String> {
        let file = self.dir.join(name).display().to_string();
        let temperature = POINT.replace("pore pressure", "temperature");
        let (units, at) = (&self.units, &self.at);
        let points = ["--point", POINT, "--point", &temperature];
        self.shell.run(&[&["plot"], &points[..], &["--units", &units, "-o", &file, "--now", &at]].concat())
    }

    /// Somebody walks, imports what was copied, and leaves a remark.
    fn is_brought_to(&mut self, truth: &mut Truth) -> Result<(), String> {
        let stick = self.dir.join("stick");
        let copied = copy_memories(truth, &stick).map_err(|error| format!("{}: {error}", stick.display()))?;
        self.shell.say(&format!(
            "\n4. Somebody has walked: {} in {}. What would they add?\n",
            counted(copied, "download"),
            stick.display()
        ))?;
        let stick = stick.display().to_string();
        self.shell.run(&["import", "--dry-run", &stick])?;

        self.shell.say("\n5. The import\n")?;
        // The plan is the same as before: from its result on.
        self.shell.run_from(": import ", &["import", "--by", TECHNICIAN, &stick])?;

        // With the record: exports carry it, pictures mark it.
        let visited = rfc3339(self.now - 6 * 3600);
        self.shell.say("")?;
        let what = ["remark", "add", "--logger", LOGGER_VISITED, "--kind", "visit"];
        let when = ["--from", &visited, "--now", &self.at, "--by", TECHNICIAN];
        self.shell.run(&[&what[..], &when, &["memory copied, antenna straightened"]].concat())
    }

    fn has_left(&mut self, config: &Config) -> Result<(), String> {
        self.shell.say("\n7. What is left\n")?;
        self.shell.run(&["gaps", "--now", &self.at])?;
        if let Some(gap) = gone(config, self.now)? {
            self.shell.say("\n8. What no logger has any more is declared, with name and reason\n")?;
            let numbers =
                [gap.logger.to_string(), gap.epoch.to_string(), gap.first.to_string(), gap.last.to_string()];
            let [logger, epoch, first, last] = &numbers;
            let which = ["write-off", "--logger", logger, "--epoch", epoch, "--first", first, "--last", last];
            let why = ["--by", "a demo operator", "--reason", "overwritten before anybody came"];
            self.shell.run(&[&which[..], &why].concat())?;
        }
        self.shell.say("\n9. How complete is the record?\n")?;
        self.shell.run(&["completeness", "--now", &self.at])
    }

    /// Whether the ledger equals the truth.
    fn equals(&mut self, config: &Config, truth: &Truth) -> Result<bool, String> {
        self.shell.say("\n10. Every raw count in the ledger against the truth\n")?;
        let compared = compare::compare(config, truth, &report(config, self.now)?)?;
        for line in &compared.lines {
            self.shell.say(&format!("   {line}"))?;
        }
        Ok(compared.same)
    }

    fn has_values(&mut self) -> Result<(), String> {
        self.shell.say(
            "\n11. One value of a sealed piezometer, from its raw count, corrected by the barometer's logger\n",
        )?;
        // A day before the end: the barometer's readings on both sides of it are there.
        let before = rfc3339(self.now - 86_400);
        let (units, at) = (&self.units, &self.at);
        self.shell.run(&["units", "explain", "--point", POINT, "--at", &before, "--units", units])?;
        self.shell.say(
            "\n12. The same piezometer out in engineering units, and as a picture through the storm and its repair\n",
        )?;
        let values = self.dir.join("pore-pressure.csv").display().to_string();
        let what = ["export", "--units", units, "--point", POINT, "--gaps", "--remarks"];
        self.shell.run(&[&what[..], &["-o", &values, "--now", &at]].concat())?;
        self.shell.say("")?;
        self.picture("repaired.svg")
    }

    fn ends(&mut self) -> Result<(), String> {
        let (site, units, at, dir) = (&self.shell.site, &self.units, &self.at, &self.dir);
        let text = format!(
            "\nThe folder stays. To try there:\n   \
             stonechat -c {site} status --now {at}\n   \
             stonechat -c {site} import --list\n   \
             stonechat -c {site} visits --sheet walk.html --now {at}\n   \
             stonechat -c {site} verify\n   \
             stonechat -c {site} units show --point '{POINT}' --units {units}\n   \
             sqlite3 -readonly {}/ledger.db 'SELECT * FROM raw_value LIMIT 5'\n\
             {}",
            dir.display(),
            wrapped(CAUTION, 0, 0, 100)
        );
        self.shell.say(&text)
    }
}

fn report(config: &Config, now: i64) -> Result<Report, String> {
    let found = selection::read(config, &GapsWanted::default(), now).map_err(|error| {
        say!("stonechat: {error}");
        "the gap report cannot be made".to_owned()
    })?;
    Ok(found.report)
}

/// A folder that was not there before: process numbers come again, and so do their demos' folders.
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
    Err(format!("{} is full of demos; take some away, or name a folder with --dir", base.display()))
}

/// The oldest gap that no memory has any more.
fn gone(config: &Config, now: i64) -> Result<Option<Gap>, String> {
    let report = report(config, now)?;
    let gone = |gap: &&Gap| gap.in_memory.in_logger == InLogger::No;
    Ok(report.gaps.iter().filter(gone).min_by_key(|gap| gap.from).copied())
}

fn load(dir: &Path) -> Result<Config, String> {
    config::load(&dir.join("site.toml")).map_err(|problems| problems.to_string())
}
