//! The operator's files of a simulated site: the one place in here that writes.
//!
//! Input: a plan, a folder. Output: `site.toml`, `loggers.toml`, `keys.toml` and a folder `run`, as the
//! configuration's loader reads them.

use super::plan::{FieldPlan, SITE_NAME, SITE_UTC_OFFSET};
use std::fmt::Write as _;
use std::fs::{self, OpenOptions, Permissions};
use std::io::{self, Write as _};
use std::os::unix::fs::{OpenOptionsExt, PermissionsExt};
use std::path::Path;

/// Only its owner may read a keyring.
const KEYS_MODE: u32 = 0o600;
/// Its presence says that the gateway's clock is synchronised.
const CLOCK_FILE: &str = "run/clock-synchronized";

impl FieldPlan {
    /// Writes a configuration for this field into a folder that exists, over any that is there.
    ///
    /// `port` is what `[[radio]]` names: a device file or `tcp://host:port`. Paths in the files are relative,
    /// so that the folder can be moved; the daemon's state goes into `run` inside it. There also stands the
    /// file that says that the gateway's clock is synchronised: remove it to have a clock that is not.
    pub fn write_config(&self, dir: &Path, port: &str, commit_every_s: f64) -> io::Result<()> {
        fs::create_dir_all(dir.join("run"))?;
        fs::write(dir.join(CLOCK_FILE), "")?;
        fs::write(dir.join("site.toml"), site_toml(port, commit_every_s))?;
        fs::write(dir.join("loggers.toml"), self.loggers_toml())?;
        write_private(&dir.join("keys.toml"), &self.keys_toml())
    }

    fn loggers_toml(&self) -> String {
        let mut text = String::from("# A simulated site; nothing in here exists.\n");
        let installed = chrono::DateTime::from_timestamp(self.from_unix_s, 0)
            .map(|time| time.format("%F").to_string())
            .unwrap_or_default();
        for logger in &self.loggers {
            let channels: Vec<String> = logger
                .channels
                .iter()
                .map(|channel| {
                    let (name, unit) = (quoted(&channel.name), quoted(channel.raw_unit().name()));
                    format!("\n  {{ name = {name}, raw_unit = {unit} }},")
                })
                .collect();
            let mut lines = vec![
                format!("\n[[logger]]\naddress = {}", logger.address),
                format!("name = {}", quoted(&logger.name)),
                format!("interval_s = {}", logger.interval_s),
                format!("memory_records = {}", logger.memory_records),
            ];
            lines.extend(
                self.fastest_interval_s(logger)
                    .map(|interval_s| format!("fastest_interval_s = {interval_s}")),
            );
            let since = self.in_service_since(logger.address);
            lines.extend(
                since.map(|since| format!("in_service_from = {}", quoted(&crate::time::rfc3339(since)))),
            );
            lines.extend([
                format!("battery_installed = {}", quoted(&installed)),
                format!("area = {}", quoted(&logger.area)),
                format!("channels = [{}\n]\n", channels.concat()),
            ]);
            text.push_str(&lines.join("\n"));
        }
        text
    }

    fn keys_toml(&self) -> String {
        let mut hex = String::with_capacity(64);
        for byte in self.site_key {
            // Writing to a String does not fail.
            let _ = write!(hex, "{byte:02x}");
        }
        format!("# A simulated site's key: it protects nothing.\n[site_key]\nhex = \"{hex}\"\n")
    }
}

fn site_toml(port: &str, commit_every_s: f64) -> String {
    format!(
        "# A simulated site; nothing in here exists.\n\
         [site]\nname = {}\nutc_offset = {}\nruntime_dir = \"run\"\n\
         clock_synchronised_file = {}\n\n\
         [ledger]\npath = \"ledger.db\"\ncommit_every_s = {}\n\n\
         [roster]\nfile = \"loggers.toml\"\n\n\
         [keys]\nfile = \"keys.toml\"\n\n\
         [[radio]]\nname = \"mast\"\nport = {}\n\n\
         [page]\nlisten = \"127.0.0.1:8420\"\n",
        quoted(SITE_NAME),
        quoted(SITE_UTC_OFFSET),
        quoted(CLOCK_FILE),
        toml::Value::Float(commit_every_s),
        quoted(port),
    )
}

fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

/// Writes a file that nobody else can read at any time, whatever was there before.
fn write_private(path: &Path, text: &str) -> io::Result<()> {
    let mut file = OpenOptions::new().write(true).create(true).truncate(true).mode(KEYS_MODE).open(path)?;
    file.set_permissions(Permissions::from_mode(KEYS_MODE))?;
    file.write_all(text.as_bytes())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_loader_reads_what_is_written_and_the_keyring_is_private() {
        let dir = tempfile::tempdir().unwrap();
        let keys = dir.path().join("keys.toml");
        // A file that others could read is no trap.
        fs::write(&keys, "").unwrap();
        fs::set_permissions(&keys, Permissions::from_mode(0o644)).unwrap();
        let mut plan = FieldPlan::harrow_tarn(1, 40, super::super::plan::FROM_UNIX_S, 30);
        plan.in_service_from.push((plan.loggers[2].address, plan.from_unix_s + 3_601));
        plan.write_config(dir.path(), "/dev/pts/a \"quoted\" one", 0.5).unwrap();
        crate::config::load(&dir.path().join("site.toml")).unwrap();
        plan.write_config(dir.path(), "tcp://127.0.0.1:4001", 1.0).unwrap();
        assert_eq!(fs::metadata(&keys).unwrap().permissions().mode() & 0o777, 0o600);
        let config = crate::config::load(&dir.path().join("site.toml")).unwrap();
        let keyring = crate::config::load_keyring(&config).unwrap();
        let expected = plan.to_roster();
        assert_eq!(config.roster.loggers().len(), 40);
        for logger in expected.loggers() {
            let read = config.roster.logger(logger.address).unwrap();
            assert_eq!((&read.name, &read.channels), (&logger.name, &logger.channels));
            assert_eq!(
                (read.interval_s, read.memory_records, &read.area),
                (logger.interval_s, logger.memory_records, &logger.area)
            );
            assert_eq!(
                (read.fastest_interval_s, read.in_service),
                (logger.fastest_interval_s, logger.in_service)
            );
            assert!(keyring.has_key_for(logger.address));
        }
        let count = |holds: &dyn Fn(&crate::config::roster::Logger) -> bool| {
            config.roster.loggers().filter(|logger| holds(logger)).count()
        };
        assert_eq!(count(&|logger| logger.fastest_interval_s.is_some()), 1);
        assert_eq!(count(&|logger| logger.in_service.is_some()), 1);
        assert_eq!(config.site.name, SITE_NAME);
        assert_eq!(config.site.utc_offset_s, -7 * 3_600);
        assert!(config.site.clock_synchronised_file.exists());
        assert_eq!(config.runtime_dir.as_deref(), Some(dir.path().join("run").as_path()));
    }
}
