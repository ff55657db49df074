//! The demo up to the import: the gateway listens, reports are printed, copies are imported.

use super::daemon::Daemon;
use super::radio::{self, Healed};
use super::shell::Shell;
use super::stick::copy_memories;
use crate::link::pty::PtyMaster;
use crate::sim::{Field, Truth};
use crate::text::{counted, rfc3339, thousands};
use crate::time::GatewayTime;
use std::path::PathBuf;
use std::time::Instant;

/// A sealed piezometer.
pub const POINT: &str = "P-11 pore pressure";
/// Its logger.
const LOGGER_VISITED: &str = "11";
/// Who brings the copies.
const TECHNICIAN: &str = "a demo technician";

/// What became of the storm's records, in words.
fn healed_text(healed: Healed) -> String {
    let Healed { listening, lost, came, hours, sending_ms, for_the_walk } = healed;
    let seconds = sending_ms.div_ceil(1000);
    format!(
        "   The storm cost {}. {} listen: of their {} the gateway\n   got back {} over the radio within {}, with {} of \
         sending.\n   The other loggers only send: {} are left for the walk",
        counted(lost + for_the_walk, "record"),
        counted(listening as u64, "logger"),
        thousands(lost),
        thousands(came),
        counted(u64::try_from(hours).unwrap_or(0), "hour"),
        counted(seconds, "second"),
        thousands(for_the_walk),
    )
}

/// The demo while it runs.
pub struct Story<'a> {
    pub dir: PathBuf,
    /// The calibrations.
    pub units: String,
    /// The end of the simulated time; all reports are made for it.
    pub now: GatewayTime,
    pub at: String,
    pub shell: Shell<'a>,
}

impl Story<'_> {
    pub fn listens(&mut self, field: &mut Field) -> Result<(), String> {
        self.shell.say(
            "\n1. The gateway listens; during this time a storm takes its radio down for a day and a half. Then it asks the\n   loggers that listen for what is missing",
        )?;
        let clock = self.dir.join("run").join("clock");
        let mut pty = PtyMaster::open().map_err(|error| format!("no pseudo-terminal: {error}"))?;
        let port = std::path::absolute(self.dir.join("radio")).map_err(|error| error.to_string())?;
        pty.link_at(&port).map_err(|error| format!("{}: {error}", port.display()))?;
        let plan = field.plan();
        plan.write_config(&self.dir, &port.display().to_string(), 0.1).map_err(|error| error.to_string())?;
        radio::set_clock(&clock, plan.from.by_gateway())?;
        let mut daemon = Daemon::start(&self.dir, &clock)?;
        daemon.await_listening(&self.dir)?;
        let started = Instant::now();
        let (sent, healed) = radio::transmit(field, &mut pty, &clock)?;
        daemon.stop(&self.dir)?;
        drop(pty);
        let seconds = started.elapsed().as_secs_f64();
        self.shell.say(&format!(
            "   {} through {} in {seconds:.1} s, committed, daemon stopped",
            counted(sent, "frame"),
            port.display()
        ))?;
        self.shell.say(&healed_text(healed))
    }

    pub fn is_asked(&mut self) -> Result<(), String> {
        self.shell.say("\n2. The gap report\n")?;
        self.shell.run(&["gaps", "--now", &self.at])?;
        self.shell
            .say("\n   The same as a picture: the readings of a sealed piezometer that the storm cost\n")?;
        self.picture("outage.svg")?;
        self.shell.say("\n3. Which loggers to visit, and what to fetch there\n")?;
        self.shell.run(&["visits", "--now", &self.at])
    }

    pub fn picture(&mut self, name: &str) -> Result<(), String> {
        let file = self.dir.join(name).display().to_string();
        let temperature = POINT.replace("pore pressure", "temperature");
        let (units, at) = (&self.units, &self.at);
        let points = ["--point", POINT, "--point", &temperature];
        self.shell
            .run(&[&["plot"], &points[..], &["--calibrations", units, "-o", &file, "--now", at]].concat())
    }

    /// A visit: the copies are imported, and a remark is written.
    pub fn is_brought_to(&mut self, truth: &mut Truth) -> Result<(), String> {
        let stick = self.dir.join("stick");
        let copied = copy_memories(truth, &stick).map_err(|error| format!("{}: {error}", stick.display()))?;
        self.shell.say(&format!(
            "\n4. The loggers were visited: {} in {}. What would they add?\n",
            counted(copied, "download"),
            stick.display()
        ))?;
        let stick = stick.display().to_string();
        self.shell.run(&["import", "--dry-run", &stick])?;

        self.shell.say("\n5. The import\n")?;
        self.shell.run(&["import", "--by", TECHNICIAN, &stick])?;

        // The remark is stored with the record: exports contain it, pictures mark it.
        let visited = rfc3339(self.now.later(-6 * 3600));
        self.shell.say("")?;
        let what = ["remark", "add", "--logger", LOGGER_VISITED, "--kind", "visit"];
        let when = ["--from", &visited, "--now", &self.at, "--by", TECHNICIAN];
        self.shell.run(&[&what[..], &when, &["memory copied, antenna straightened"]].concat())
    }
}
