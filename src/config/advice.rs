//! Settings that are allowed, but that the operator should know about.
//!
//! Input: a checked [`Config`]. Output: warnings, for `check` and for the first lines of the daemon's log. What this is
//! not: a reason to refuse anything.

use super::Config;
use super::problem::Problem;
use crate::record::roster::Logger;
use crate::seal::keyring::Keyring;

/// The shortest outage of a gateway to plan for before anyone can come: a long weekend.
const OUTAGE_S: u64 = 4 * 86400;

/// Warnings, by file and line; `keyring` is `None` if it could not or need not be read.
pub fn advice(config: &Config, keyring: Option<&Keyring>) -> Vec<Problem> {
    let mut warnings = Vec::new();
    for logger in config.roster.loggers() {
        let mut warn = |text| {
            let line = config.roster.line(logger.address);
            warnings.push(Problem { file: config.roster_file.clone(), line, text, is_of_disk: false });
        };
        if keyring.is_some_and(|keyring| !keyring.has_key_for(logger.address)) {
            warn(format!(
                "logger {} has no key, so its frames are set aside; add one to the keyring",
                logger.address
            ));
        }
        if let Some(text) = memory(logger) {
            warn(text);
        }
        if let Some(after_s) = logger.silent_after_s.filter(|after_s| *after_s < logger.interval_s) {
            let (address, interval_s) = (logger.address, logger.interval_s);
            warn(format!(
                "`silent_after_s` of logger {address}: {after_s} is shorter than its interval of {interval_s} s, \
                 so it is called silent between two readings"
            ));
        }
    }
    if !config.page_listen.ip().is_loopback() {
        warnings.push(Problem::of_file(
            &config.file,
            format!(
                "`[page] listen`: {} can be reached from other computers, and the page asks for \
                 no password",
                config.page_listen
            ),
        ));
    }
    warnings.sort_by(|a, b| (&a.file, a.line).cmp(&(&b.file, b.line)));
    warnings
}

fn memory(logger: &Logger) -> Option<String> {
    let interval_s = logger.fastest_interval_s.unwrap_or(logger.interval_s);
    let held_s = u64::from(interval_s) * u64::from(logger.memory_records);
    (held_s < OUTAGE_S).then(|| {
        let (address, records) = (logger.address, logger.memory_records);
        format!(
            "`memory_records` of logger {address}: {records} records every {interval_s} s are {} hours, \
             less than a long weekend of {}; a longer outage loses records",
            held_s / 3600,
            OUTAGE_S / 3600
        )
    })
}
