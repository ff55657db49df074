//! `stonechat set-aside`: what was kept beside the record, and another try at it.

use super::table::Table;
use super::{DONE, could_not, load, print, print_json};
use crate::config;
use crate::ledger::query::{Reader, SetAside};
use crate::ledger::{Error, Ledger, row_content};
use crate::text::counted;
use crate::text::{local, offset_label, rfc3339};
use crate::time::{Clock, SystemClock};
use crate::wire::record::Record;
use crate::wire::seq::Identity;
use std::io::Write;
use std::path::Path;

/// What to do with it.
#[derive(clap::Subcommand)]
pub enum Command {
    /// List it: unopened frames by logger and slot, conflicts with both sides
    List {
        /// Print JSON
        #[arg(long)]
        json: bool,
    },
    /// Try all of it again with the present keyring, roster and program
    Retry {
        /// Print JSON
        #[arg(long)]
        json: bool,
    },
}

/// Runs one of them.
pub fn run(config_path: &Path, command: &Command, out: &mut dyn Write) -> u8 {
    match command {
        Command::List { json } => list(config_path, *json, out),
        Command::Retry { json } => retry(config_path, *json, out),
    }
}

/// One side of a conflict, in words.
fn side(content: &[u8], epoch: u32) -> String {
    let epoch = crate::wire::seq::Epoch::new(epoch);
    match epoch.and_then(|epoch| Record::decode(content, epoch).ok()) {
        Some(Record::Reading(reading)) => format!(
            "reading of {}, {} mV, counts {:?}, fault bits {:#x}",
            rfc3339(i64::from(reading.time)),
            reading.battery_mv,
            reading.counts(),
            reading.faults()
        ),
        Some(Record::Profile(profile)) => {
            format!("profile of {}, unit {}", rfc3339(i64::from(profile.time)), profile.unit)
        }
        Some(Record::Event(event)) => {
            format!("event of {}, code {}", rfc3339(i64::from(event.time)), event.code)
        }
        None => format!("opaque record of {} bytes", content.len()),
    }
}

fn csv_row(json: &str) -> String {
    format!("CSV row {json}")
}

fn unhex(text: &str) -> Vec<u8> {
    text.as_bytes()
        .chunks(2)
        .filter_map(|pair| std::str::from_utf8(pair).ok())
        .filter_map(|pair| u8::from_str_radix(pair, 16).ok())
        .collect()
}

fn list(config_path: &Path, json: bool, out: &mut dyn Write) -> u8 {
    let config = match load(config_path) {
        Ok(config) => config,
        Err(code) => return code,
    };
    let read = Reader::open(&config.ledger.path).and_then(|reader| {
        reader.read(|snapshot| {
            let mut all = Vec::new();
            for item in snapshot.set_aside()? {
                let held = match Identity::new(item.logger, item.epoch, item.sequence) {
                    Some(id) if item.what == "conflict" => match snapshot.plaintext(id)? {
                        Some(plaintext) => Some(side(&plaintext, item.epoch)),
                        // Two CSV files may disagree where nothing authentic is held.
                        None => snapshot
                            .readings_at(&[id].into())?
                            .remove(&id)
                            .map(|row| csv_row(&row_content(&row))),
                    },
                    _ => None,
                };
                all.push((item, held));
            }
            Ok(all)
        })
    });
    let all = match read {
        Ok(all) => all,
        Err(error) => return could_not(&error),
    };
    if json {
        let items: Vec<serde_json::Value> = all.iter().map(as_json).collect();
        return print_json(out, &serde_json::json!({ "set_aside": items }), DONE);
    }
    print(out, &text(&all, config.site.utc_offset_s), DONE)
}

fn as_json((item, held): &(SetAside, Option<String>)) -> serde_json::Value {
    let mut value = serde_json::json!(item);
    if let Some(object) = value.as_object_mut() {
        for (name, at) in [("first_at", item.first_at), ("last_at", item.last_at)] {
            object.insert(name.to_owned(), at.map(rfc3339).into());
        }
        if item.what == "conflict" {
            object.insert("held".to_owned(), held.clone().into());
        }
    }
    value
}

fn text(all: &[(SetAside, Option<String>)], utc_offset_s: i32) -> String {
    let at = |time: Option<i64>| time.map_or("by hand".to_owned(), |time| local(time, utc_offset_s));
    let mut groups =
        std::collections::BTreeMap::<(u16, Option<u8>, &str), (u64, Option<i64>, Option<i64>)>::new();
    for (item, _) in all.iter().filter(|(item, _)| item.what == "unopened") {
        let group = groups.entry((item.logger, item.slot, &item.reason)).or_insert((0, item.first_at, None));
        group.0 += 1;
        group.1 = group.1.min(item.first_at).or(item.first_at);
        group.2 = group.2.max(item.last_at);
    }
    let label = offset_label(utc_offset_s);
    let mut text = String::new();
    if !groups.is_empty() {
        text += &format!("Frames that no key opens (times in {label})\n");
        let mut table = Table::new(&[">logger", ">slot", ">frames", "first", "last", "why"]);
        for ((logger, slot, reason), (frames, first, last)) in groups {
            table.row([
                logger.to_string(),
                slot.map_or(String::new(), |slot| slot.to_string()),
                frames.to_string(),
                at(first),
                at(last),
                reason.to_owned(),
            ]);
        }
        text += &table.text(2);
        text += "  Next: enter the missing key in the keyring, then `stonechat set-aside retry` (a running daemon \
                 does it by itself on reload).\n";
    }
    let conflicts: Vec<&(SetAside, Option<String>)> =
        all.iter().filter(|(item, _)| item.what == "conflict").collect();
    if !conflicts.is_empty() {
        text += &format!("Conflicts: records that disagree with the one held (times in {label})\n");
        for (item, held) in conflicts {
            text += &format!(
                "  logger {}, epoch {}, sequence {}: came {} by {}, first {}\n",
                item.logger,
                item.epoch,
                item.sequence,
                counted(u64::try_from(item.seen).unwrap_or(0), "time"),
                item.source,
                at(item.first_at)
            );
            let held =
                held.as_deref().unwrap_or("nothing any more: its import is withdrawn, or it was given up");
            text += &format!("    held:  {held}\n");
            let other = match (&item.content_hex, &item.content_json) {
                (Some(hex), _) => side(&unhex(hex), item.epoch),
                (None, Some(json)) => csv_row(json),
                (None, None) => String::new(),
            };
            text += &format!("    other: {other}\n");
        }
        text += "  Next: two records under one number mean a key in two places, a logger that forgot its epoch, or a \
                 forgery by somebody who has the key. Find out which; both stay.\n";
    }
    if text.is_empty() {
        text += "nothing is set aside\n";
    }
    text
}

fn retry(config_path: &Path, json: bool, out: &mut dyn Write) -> u8 {
    let config = match load(config_path) {
        Ok(config) => config,
        Err(code) => return code,
    };
    let mut keyring = match config::load_keyring(&config) {
        Ok(keyring) => keyring,
        Err(problems) => return super::refused(&problems),
    };
    let clock = SystemClock { synchronised_file: config.site.clock_synchronised_file.clone() };
    // Only an existing ledger: a mistyped path must not make an empty one.
    let retried = Reader::open(&config.ledger.path).and_then(|_| {
        let mut ledger = Ledger::open(&config.ledger.path)?;
        ledger.retry(&config.roster, &mut keyring, clock.now())
    });
    match retried {
        Ok(retried) if json => print_json(
            out,
            &serde_json::json!({
                "tried": retried.tried, "stored": retried.stored, "opaque": retried.opaque,
                "duplicate": retried.duplicate, "conflict": retried.conflict,
                "still_shut": retried.still_shut, "opaque_understood": retried.understood,
            }),
            DONE,
        ),
        Ok(retried) => print(
            out,
            &format!(
                "tried {}: {} stored, {} held already, {} in conflict, {} still shut\n",
                counted(retried.tried, "frame"),
                retried.stored + retried.opaque,
                retried.duplicate,
                retried.conflict,
                retried.still_shut
            ),
            DONE,
        ),
        Err(error @ Error::Busy(_)) => could_not(&format!("{error}; try again in a moment")),
        Err(error) => could_not(&error),
    }
}
