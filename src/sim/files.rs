//! The operator's files of a simulated site: the only file of this room that writes.
//!
//! Input: a plan, a folder. Output: `site.toml`, `loggers.toml`, `keys.toml`, `points.toml`, `calibrations.toml` and a
//! folder `run`, as the configuration's loader reads them. The calibrations are exactly the figures with which
//! [`super::physics`] converts values to counts.

use super::physics::{self, Sensor};
use super::plan::{ChannelPlan, FieldPlan, LoggerPlan};
use crate::files::{self, NewFile, NewFilesError};
use std::fmt::Write as _;
use std::io;
use std::path::{Path, PathBuf};

/// The files of a configuration, and their modes: only its owner may read a keyring, or calibrations. The first one's
/// presence says that the gateway's clock is synchronised.
const CONFIG_FILES: [(&str, u32); 6] = [
    ("run/clock-synchronized", 0o644),
    ("site.toml", 0o644),
    ("loggers.toml", 0o644),
    ("points.toml", 0o644),
    ("calibrations.toml", 0o600),
    ("keys.toml", 0o600),
];

impl FieldPlan {
    /// Writes a configuration for this field into an existing folder. If one of the files already exists,
    /// nothing is written, because overwriting a keyring loses a key.
    ///
    /// `port` goes into `[[radio]]`: a device file or `tcp://host:port`. Paths in the files are relative,
    /// so that the folder can be moved; the daemon's state goes into `run` inside it. There is also the
    /// file whose presence says that the gateway's clock is synchronised: remove it for a clock that is not.
    pub fn write_config(&self, dir: &Path, port: &str, commit_every_s: f64) -> io::Result<()> {
        let texts = [
            String::new(),
            self.site_toml(port, commit_every_s),
            self.loggers_toml(),
            self.points_toml(),
            self.calibrations_toml(),
            self.keys_toml(),
        ];
        let files: Vec<NewFile<'_>> = CONFIG_FILES
            .iter()
            .zip(&texts)
            .map(|(&(name, mode), text)| NewFile { path: dir.join(name), bytes: text.as_bytes(), mode })
            .collect();
        files::refuse_taken(files.iter().map(|file| file.path.clone())).map_err(refused)?;
        files::make_own_folder(&dir.join("run"))?;
        files::put_all_new(&files).map_err(refused)
    }

    /// The files that [`FieldPlan::write_config`] makes in a folder.
    pub fn config_files(dir: &Path) -> impl Iterator<Item = PathBuf> {
        CONFIG_FILES.iter().map(move |(name, _)| dir.join(name))
    }

    fn loggers_toml(&self) -> String {
        let mut text = String::from("# A simulated site; nothing in here exists.\n");
        let installed = crate::text::date(self.from).unwrap_or_default();
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
            lines.extend(self.listens(logger).then(|| "listens = true".to_owned()));
            lines.extend(
                self.fastest_interval_s(logger)
                    .map(|interval_s| format!("fastest_interval_s = {interval_s}")),
            );
            let since = self.in_service_since(logger.address);
            lines.extend(
                since.map(|since| format!("in_service_from = {}", quoted(&crate::text::rfc3339(since)))),
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

    fn points_toml(&self) -> String {
        let mut text = String::from("# A simulated site; nothing in here exists.\n");
        let from = quoted(&crate::text::rfc3339(self.from));
        for (logger, index, channel) in self.channels() {
            let (point, serial) = (quoted(&point_name(logger, channel)), quoted(&serial(logger, index)));
            // Writing to a String does not fail.
            let _ = writeln!(
                text,
                "\n[[point]]\nname = {point}\nlogger = {}\nchannel = {index}\nfrom = {from}\nserial = {serial}",
                logger.address
            );
        }
        text
    }

    fn calibrations_toml(&self) -> String {
        let mut text = String::from(
            "# A simulated site; nothing in here exists. A site's calibrations are confidential: only\n\
             # the owner of this file may read it.\n",
        );
        let barometer = self
            .channels()
            .find(|(_, _, channel)| channel.sensor == Sensor::Barometer)
            .map(|(logger, _, channel)| point_name(logger, channel));
        let span = format!(
            "from = {}\nuntil = {}",
            quoted(&crate::text::rfc3339(self.from)),
            quoted(&crate::text::rfc3339(self.end().later(CALIBRATED_FOR_S))),
        );
        for (logger, index, channel) in self.channels() {
            let name = point_name(logger, channel);
            let (point, serial) = (quoted(&name), quoted(&serial(logger, index)));
            let (unit, decimals, conversion) = conversion(&channel.sensor);
            let _ = writeln!(
                text,
                "\n[[calibration]]\npoint = {point}\nserial = {serial}\n{span}\nunit = \"{unit}\"\n\
                 decimals = {decimals}\n[calibration.conversion]\n{conversion}"
            );
            let Sensor::Piezometer { kpa_per_c, head_m, .. } = channel.sensor else { continue };
            if let Some(other) = logger.channels.get(index + 1) {
                let _ = writeln!(
                    text,
                    "[calibration.temperature]\ntemperature_factor = {}\nreference_temperature_c = {}\npoint = {}\nwhen_missing = \"omit\"",
                    float(kpa_per_c),
                    float(physics::PIEZOMETER_ZERO_C),
                    quoted(&point_name(logger, other)),
                );
            }
            if let Some(barometer) = &barometer {
                let _ = writeln!(
                    text,
                    "[calibration.barometer]\nair_pressure_factor = 1\nreference_pressure = {}\nunit = \"kPa\"\npoint = {}\nwithin_s = 3600\n\
                     when_missing = \"absent\"",
                    float(physics::AIR_MEAN_KPA),
                    quoted(barometer),
                );
            }
            let _ = writeln!(
                text,
                "\n[[derived]]\nname = {}\n{span}\nunit = \"m\"\ndecimals = 3\nkind = \"level\"\nof = [{point}]\n\
                 tip_elevation_m = {}\ndatum = \"site datum\"",
                quoted(&format!("{name} level")),
                float(tip_elevation_m(head_m)),
            );
        }
        for logger in self.loggers.iter().filter(|_| self.has_points) {
            let segments: Vec<String> = logger
                .channels
                .iter()
                .filter(|channel| matches!(channel.sensor, Sensor::Tilt { .. }))
                .map(|channel| quoted(&point_name(logger, channel)))
                .collect();
            if !segments.is_empty() {
                let _ = writeln!(
                    text,
                    "\n[[derived]]\nname = {}\n{span}\nunit = \"mm\"\ndecimals = 2\nkind = \"string\"\nof = [{}]\n\
                     fixed_end = \"last\"\norder = \"highest_first\"\npositive = \"as_sine\"\ntoward = \"downstream\"",
                    quoted(&format!("{} head", short_name(logger))),
                    segments.join(", "),
                );
            }
        }
        text
    }

    fn channels(&self) -> impl Iterator<Item = (&LoggerPlan, usize, &ChannelPlan)> {
        self.loggers.iter().filter(|_| self.has_points).flat_map(|logger| {
            logger.channels.iter().enumerate().map(move |(index, channel)| (logger, index, channel))
        })
    }

    fn keys_toml(&self) -> String {
        let hex = crate::text::hex(&self.site_key);
        format!("# A simulated site's key: it protects nothing.\n[site_key]\nhex = \"{hex}\"\n")
    }

    fn site_toml(&self, port: &str, commit_every_s: f64) -> String {
        let air = self.listening.map_or(String::new(), |listening| {
            format!("air_bits_per_s = {}\n\n[ask]\nenabled = true\n", listening.air_bits_per_s)
        });
        format!(
            "# A simulated site; nothing in here exists.\n\
             [site]\nname = {}\nutc_offset = {}\nruntime_dir = \"run\"\n\
             clock_synchronised_file = {}\n\n\
             [ledger]\npath = \"ledger.db\"\ncommit_every_s = {}\n\n\
             [roster]\nfile = \"loggers.toml\"\n\n\
             [keys]\nfile = \"keys.toml\"\n\n\
             [points]\nfile = \"points.toml\"\n\n\
             [[radio]]\nname = \"mast\"\nport = {}\n{air}\n\
             [page]\nlisten = \"127.0.0.1:8420\"\n",
            quoted(&self.site_name),
            quoted(&self.utc_offset),
            quoted(CONFIG_FILES[0].0),
            toml::Value::Float(commit_every_s),
            quoted(port),
        )
    }
}

/// How long the simulated calibrations are valid after the field's end.
const CALIBRATED_FOR_S: i64 = 2 * 365 * 86_400;

/// The first word of a logger's name, which contains its number.
fn short_name(logger: &LoggerPlan) -> &str {
    logger.name.split(' ').next().unwrap_or_default()
}

/// The name of the point at a channel.
pub fn point_name(logger: &LoggerPlan, channel: &ChannelPlan) -> String {
    format!("{} {}", short_name(logger), channel.name)
}

/// A piezometer and the thermistor in it are one sensor.
fn serial(logger: &LoggerPlan, index: usize) -> String {
    let is_thermistor = |index: &usize| {
        logger.channels.get(*index).is_some_and(|c| matches!(c.sensor, Sensor::Thermistor { .. }))
    };
    let body = index.checked_sub(1).filter(|_| is_thermistor(&index)).unwrap_or(index);
    format!("HT-{}-{body}", logger.address)
}

/// Height of a piezometer's tip, in metres above the site's datum. Invented: below the pool by its head and more.
pub fn tip_elevation_m(head_m: f64) -> f64 {
    physics::POOL_MEAN_M - 3.0 - head_m
}

/// Unit, decimals and the conversion's keys: the inverse of [`physics::Physics::measure`].
fn conversion(sensor: &Sensor) -> (&'static str, u8, String) {
    match *sensor {
        Sensor::Piezometer { zero_reading, kpa_per_reading, .. } => {
            let (zero, factor) = (float(zero_reading), float(kpa_per_reading));
            let keys = format!(
                "reading_unit = \"10*3.Hz2\"\ndifference = \"zero_minus_reading\"\nfactor = {factor}\nzero_reading = {zero}"
            );
            ("kPa", 2, format!("kind = \"vibrating_wire_linear\"\n{keys}"))
        }
        Sensor::Thermistor { .. } => {
            let (r, beta) = (float(physics::THERMISTOR_25_OHM), float(physics::THERMISTOR_BETA_K));
            ("Cel", 2, format!("kind = \"thermistor_beta\"\nresistance_at_25_c_ohm = {r}\nbeta = {beta}"))
        }
        Sensor::Barometer => ("kPa", 2, loop_range(physics::BAROMETER_ZERO_KPA, physics::BAROMETER_SPAN_KPA)),
        Sensor::PoolGauge => ("m", 3, loop_range(physics::POOL_GAUGE_ZERO_M, physics::POOL_GAUGE_SPAN_M)),
        Sensor::Tilt { zero_sine, gauge_m, .. } => {
            let (length, zero) = (float(gauge_m), float(zero_sine));
            ("mm", 2, format!("kind = \"tilt\"\nlength_m = {length}\nzero_sine = {zero}"))
        }
        Sensor::LoadCell { .. } => {
            ("kN", 1, line(0.0, physics::LOAD_CELL_FULL_KN / physics::LOAD_CELL_FULL_RATIO))
        }
        Sensor::Weir => {
            let per_volt = 1.0 / physics::WEIR_V_PER_L_S;
            ("L/s", 2, line(-physics::WEIR_ZERO_V * per_volt, per_volt))
        }
        Sensor::RainGauge => {
            ("mm", 1, format!("kind = \"pulse\"\nper_pulse = {}", float(physics::RAIN_MM_PER_PULSE)))
        }
        Sensor::Moisture => ("1", 0, line(0.0, 1.0)),
    }
}

fn line(c0: f64, c1: f64) -> String {
    format!("kind = \"polynomial\"\nc0 = {}\nc1 = {}", float(c0), float(c1))
}

fn loop_range(low: f64, span: f64) -> String {
    format!("kind = \"loop_4_20_ma\"\nat_4_ma = {}\nat_20_ma = {}", float(low), float(low + span))
}

/// A number in TOML, in full: it reads back as exactly the same number.
fn float(number: f64) -> String {
    toml::Value::Float(number).to_string()
}

fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

fn refused(why: NewFilesError) -> io::Error {
    let kind = match &why {
        NewFilesError::Taken(_) => io::ErrorKind::AlreadyExists,
        NewFilesError::Failed(_, error) => error.kind(),
    };
    io::Error::new(kind, why.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sim::plan::SITE_NAME;
    use std::fs;
    use std::os::unix::fs::PermissionsExt;

    #[test]
    fn the_loader_reads_what_is_written_and_the_keyring_is_private() {
        let dir = tempfile::tempdir().unwrap();
        let keys = dir.path().join("keys.toml");
        let mut plan = FieldPlan::harrow_tarn(1, 40, super::super::plan::FROM, 30);
        plan.in_service_from.push((plan.loggers[2].address, plan.from.later(3_601)));
        plan.write_config(dir.path(), "/dev/pts/a \"quoted\" one", 0.5).unwrap();
        crate::config::load(&dir.path().join("site.toml")).unwrap();
        let again = plan.write_config(dir.path(), "tcp://127.0.0.1:4001", 1.0).unwrap_err();
        assert_eq!(again.kind(), io::ErrorKind::AlreadyExists);
        FieldPlan::config_files(dir.path()).for_each(|path| fs::remove_file(path).unwrap());
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
        let count = |holds: &dyn Fn(&crate::record::roster::Logger) -> bool| {
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
