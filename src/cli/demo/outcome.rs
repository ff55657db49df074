//! The demo's story after the import: what is left, whether the ledger equals the truth, and values of one point.

use super::compare;
use super::story::{POINT, Story};
use crate::config::Config;
use crate::report::gaps::{Gap, Report};
use crate::report::memory::InLogger;
use crate::report::selection::{self, GapsWanted};
use crate::sim::Truth;
use crate::text::rfc3339;
use crate::time::GatewayTime;
use crate::view::CAUTION;
use crate::view::term::wrapped;

impl Story<'_> {
    pub fn has_left(&mut self, config: &Config) -> Result<(), String> {
        self.shell.say("\n7. What is left\n")?;
        self.shell.run(&["gaps", "--now", &self.at])?;
        self.shell.say("\n8. Records that no logger has any more are written off, with name and reason\n")?;
        match gone(config, self.now)? {
            Some(gap) => self.writes_off(&gap)?,
            None => self.shell.say("   There are none")?,
        }
        self.shell.say("\n9. How complete is the record?\n")?;
        self.shell.run(&["completeness", "--now", &self.at])
    }

    fn writes_off(&mut self, gap: &Gap) -> Result<(), String> {
        let numbers =
            [gap.logger.to_string(), gap.epoch.to_string(), gap.first.to_string(), gap.last.to_string()];
        let [logger, epoch, first, last] = &numbers;
        let which = ["write-off", "--logger", logger, "--epoch", epoch, "--first", first, "--last", last];
        let why = ["--by", "a demo operator", "--reason", "overwritten before the visit"];
        self.shell.run(&[&which[..], &why].concat())
    }

    /// Whether the ledger equals the truth.
    pub fn equals(&mut self, config: &Config, truth: &Truth) -> Result<bool, String> {
        self.shell.say("\n10. Every raw count in the ledger against the truth\n")?;
        let compared = compare::compare(config, truth, &report(config, self.now)?)?;
        for line in &compared.lines {
            self.shell.say(&format!("   {line}"))?;
        }
        Ok(compared.same)
    }

    pub fn has_values(&mut self) -> Result<(), String> {
        self.shell.say(
            "\n11. One value of a sealed piezometer, from its raw count, corrected by the barometer's logger\n",
        )?;
        // A day before the end: the barometer's readings on both sides of it are there.
        let before = rfc3339(self.now.later(-86_400));
        let (units, at) = (&self.units, &self.at);
        self.shell.run(&["units", "explain", "--point", POINT, "--at", &before, "--calibrations", units])?;
        self.shell.say(
            "\n12. The same piezometer exported in engineering units, and as a picture of the storm and its repair\n",
        )?;
        let values = self.dir.join("pore-pressure.csv").display().to_string();
        let what = ["export", "--calibrations", units, "--point", POINT, "--gaps", "--remarks"];
        self.shell.run(&[&what[..], &["-o", &values, "--now", at]].concat())?;
        self.shell.say("")?;
        self.picture("repaired.svg")
    }

    pub fn ends(&mut self) -> Result<(), String> {
        let (site, units, at, dir) = (&self.shell.site, &self.units, &self.at, &self.dir);
        let text = format!(
            "\nThe folder is kept. Try there:\n   stonechat -c {site} status --now {at}\n   stonechat -c {site} import \
             list\n   stonechat -c {site} visits --sheet walk.html --now {at}\n   stonechat -c {site} verify\n   \
             stonechat -c {site} units show --point '{POINT}' --calibrations {units}\n   sqlite3 -readonly \
             {}/ledger.db 'SELECT * FROM raw_value LIMIT 5'\n\
             {}",
            dir.display(),
            wrapped(CAUTION, 0, 0, 100)
        );
        self.shell.say(&text)
    }
}

fn report(config: &Config, now: GatewayTime) -> Result<Report, String> {
    let found = selection::read(config, &GapsWanted::default(), now).map_err(|error| {
        say!("stonechat: {error}");
        "the gap report cannot be made".to_owned()
    })?;
    Ok(found.report)
}

/// The oldest gap that is in no memory any more.
fn gone(config: &Config, now: GatewayTime) -> Result<Option<Gap>, String> {
    let report = report(config, now)?;
    let gone = |gap: &&Gap| gap.in_memory.in_logger == InLogger::No;
    Ok(report.gaps.iter().filter(gone).min_by_key(|gap| gap.from).copied())
}
