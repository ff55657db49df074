//! `stonechat init DIR`: a first configuration with a fresh site key.
//!
//! Input: a folder. Output: `site.toml`, `loggers.toml` and `keys.toml` in it, which are the commented
//! examples of `config/`, and what to do next. What this is not: it never overwrites a file, not even with
//! the same text, since a lost key is a lost record.

use super::exit::{COULD_NOT, DONE};
use super::key::fresh;
use crate::config::{CONFIG_FOLDER, STATE_FOLDER};
use crate::files::{self, NewFile};
use crate::seal::hex;
use std::io::{self, Write};
use std::path::Path;
use zeroize::Zeroizing;

const SITE: &str = include_str!("../../config/site.toml");
/// The invented loggers of a new site.
pub(super) const LOGGERS: &str = include_str!("../../config/loggers.toml");
const KEYS: &str = include_str!("../../config/keys.toml");
/// Where the example puts the ledger: next to itself.
const PATH: &str = "path = \"ledger.db\"";
/// The key in the example, which `check` refuses.
const PLACEHOLDER: &str = "0000000000000000000000000000000000000000000000000000000000000000";

/// Writes a first configuration.
///
/// Returns the exit code: 0; 3 if a file already exists (then none is written) or cannot be written (then those that
/// were written are removed again).
pub fn run(dir: &Path, out: &mut dyn Write) -> u8 {
    let done = match write_all(dir) {
        Ok(()) => write_next_steps(dir, out).map(|()| DONE),
        Err(refusal) => writeln!(out, "{refusal}").map(|()| COULD_NOT),
    };
    done.unwrap_or(COULD_NOT)
}

fn write_all(dir: &Path) -> Result<(), String> {
    let keys = keys_with_fresh_key().map_err(|error| format!("no fresh key can be made: {error}"))?;
    let file = |name: &str, text, mode| NewFile { path: dir.join(name), bytes: text, mode };
    let site = site(dir);
    let files = [
        file("site.toml", site.as_bytes(), 0o644),
        file("loggers.toml", LOGGERS.as_bytes(), 0o644),
        file("keys.toml", keys.as_bytes(), 0o600),
    ];
    // Checked before the folder is made.
    files::refuse_taken(files.iter().map(|file| file.path.clone())).map_err(|error| error.to_string())?;
    files::make_folder(dir).map_err(|error| format!("{} cannot be made: {error}", dir.display()))?;
    files::put_all_new(&files).map_err(|error| error.to_string())
}

/// The example; for the service, with the ledger where the service may write.
fn site(dir: &Path) -> String {
    let is_the_services = std::path::absolute(dir).is_ok_and(|dir| dir == Path::new(CONFIG_FOLDER));
    if is_the_services {
        SITE.replacen(PATH, &format!("path = \"{STATE_FOLDER}/ledger.db\""), 1)
    } else {
        SITE.to_owned()
    }
}

/// The example with 32 random bytes in place of its key.
fn keys_with_fresh_key() -> io::Result<Zeroizing<String>> {
    let no_place = || io::Error::other("the example has no place for it");
    let (before, after) = KEYS.split_once(PLACEHOLDER).ok_or_else(no_place)?;
    let mut key = Zeroizing::new([0_u8; 32]);
    fresh(&mut key[..])?;
    // Reserves all room at once: a text that grows leaves copies in memory.
    let mut text = Zeroizing::new(String::with_capacity(KEYS.len()));
    text.push_str(before);
    text.push_str(&hex(&key[..]));
    text.push_str(after);
    Ok(text)
}

fn write_next_steps(dir: &Path, out: &mut dyn Write) -> io::Result<()> {
    let site = dir.join("site.toml");
    let (dir, site) = (dir.display(), site.display());
    writeln!(out, "wrote site.toml, loggers.toml and keys.toml to {dir}; next:")?;
    writeln!(out, "  1. {dir}/site.toml: the site's name, its offset from UTC and the radio's port")?;
    writeln!(out, "     (ls -l /dev/serial/by-id/ lists the ports)")?;
    writeln!(out, "  2. copy {dir}/keys.toml to a safe place away from the gateway: nothing can be")?;
    writeln!(out, "     opened without it (its owner is root, or the user who runs the daemon)")?;
    writeln!(out, "  3. take the three invented loggers out of {dir}/loggers.toml")?;
    writeln!(out, "  4. add each of your loggers; this asks for its values, and prints the key for its")?;
    writeln!(out, "     programmer: stonechat -c {site} enrol")?;
    writeln!(out, "  5. stonechat -c {site} check")?;
    writeln!(out, "  6. stonechat -c {site} run")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_services_ledger_lies_where_the_service_may_write_and_any_other_next_to_its_site() {
        for dir in ["/etc/stonechat", "/etc/stonechat/", "/etc/./stonechat"] {
            let site = site(Path::new(dir));
            assert!(site.contains("\npath = \"/var/lib/stonechat/ledger.db\"\n"), "{dir}: {site}");
            assert!(!site.contains("\npath = \"ledger.db\"\n"), "{dir}: {site}");
        }
        for dir in ["here", "/home/ada/etc/stonechat", "/etc/stonechat/second"] {
            assert_eq!(site(Path::new(dir)), SITE, "{dir}");
        }
    }
}
