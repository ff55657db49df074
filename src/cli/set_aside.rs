//! `stonechat set-aside`: what was kept beside the record, and another try at it.

use super::prose::wrapped;
use super::table::Table;
use super::{DONE, could_not, load, print, print_json};
use crate::config;
use crate::ledger::read::snapshot::{Reader, SetAside};
use crate::ledger::{Error, Ledger};
use crate::record::judge::Row;
use crate::record::unopened::WhyShut;
use crate::record::unread::{Foreign, Kept};
use crate::text::counted;
use crate::text::{local, offset_label, rfc3339};
use crate::time::{Clock, GatewayTime, SystemClock};
use crate::view;
use crate::wire::record::Record;
use crate::wire::seq::Identity;
use std::io::Write;
use std::path::Path;

/// Unopened frames that JSON lists one by one, the newest; all are in the view `set_aside`.
const LISTED: u32 = 20_000;
/// Prose is wrapped at this.
const PROSE_COLUMNS: usize = 100;

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

/// One side of a conflict.
struct Side {
    /// In words.
    words: String,
    /// Its fields, where it is a reading or a row: two of them can be compared.
    row: Option<Row>,
}

impl Side {
    /// From an authentic record.
    fn sealed(content: &[u8], epoch: u32) -> Self {
        let epoch = crate::wire::seq::Epoch::new(epoch);
        let words = match epoch.and_then(|epoch| Record::decode(content, epoch).ok()) {
            Some(Record::Reading(reading)) => return Self::row("reading", Row::of(&reading)),
            Some(Record::Profile(profile)) => {
                format!("profile of {}, unit {}", rfc3339(i64::from(profile.time)), profile.unit)
            }
            Some(Record::Event(event)) => {
                format!("event of {}, code {}", rfc3339(i64::from(event.time)), event.code)
            }
            None => format!("opaque record of {} bytes", content.len()),
        };
        Self { words, row: None }
    }

    /// From a CSV row as the ledger keeps it.
    fn csv(json: &str) -> Self {
        let field = |value: &serde_json::Value| value.as_i64();
        let row = serde_json::from_str::<serde_json::Value>(json).ok().and_then(|all| {
            let counts = all["counts"].as_array()?.iter().map(|count| i32::try_from(field(count)?).ok());
            Some(Row {
                time: u32::try_from(field(&all["time"])?).ok()?,
                counts: counts.collect::<Option<_>>()?,
                faults: all["faults"].as_u64()?,
                battery_mv: field(&all["battery_mv"]).and_then(|mv| u16::try_from(mv).ok()),
                board_centi_c: field(&all["board_centi_c"]).and_then(|board| i16::try_from(board).ok()),
                steps: None,
            })
        });
        match row {
            Some(row) => Self::row("CSV row", row),
            None => Self { words: format!("CSV row {json}"), row: None },
        }
    }

    fn row(kind: &str, row: Row) -> Self {
        let battery = row.battery_mv.map_or(String::new(), |mv| format!("{mv} mV, "));
        let time = rfc3339(i64::from(row.time));
        let words =
            format!("{kind} of {time}, {battery}counts {:?}, fault bits {:#x}", row.counts, row.faults);
        Self { words, row: Some(row) }
    }

    /// In which fields two sides differ. What only one of them has is not compared.
    fn differs_in(&self, other: &Self) -> Option<String> {
        let (a, b) = (self.row.as_ref()?, other.row.as_ref()?);
        let differ = |a: Option<i64>, b: Option<i64>| a.zip(b).is_some_and(|(a, b)| a != b);
        let mut fields = Vec::new();
        if a.time != b.time {
            fields.push(format!("time (by {} s)", i64::from(b.time) - i64::from(a.time)));
        }
        if differ(a.battery_mv.map(i64::from), b.battery_mv.map(i64::from)) {
            fields.push("battery".to_owned());
        }
        if differ(a.board_centi_c.map(i64::from), b.board_centi_c.map(i64::from)) {
            fields.push("board temperature".to_owned());
        }
        if a.counts.len() != b.counts.len() {
            fields.push("number of channels".to_owned());
        }
        let channels = a.counts.iter().zip(&b.counts).enumerate();
        fields.extend(channels.filter(|(_, (a, b))| a != b).map(|(channel, _)| format!("c{channel}")));
        if a.faults != b.faults {
            fields.push("fault bits".to_owned());
        }
        (!fields.is_empty()).then(|| fields.join(", "))
    }
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
            for item in snapshot.set_aside_with(if json { LISTED } else { 0 })? {
                let held = match Identity::new(item.logger, item.epoch, item.sequence) {
                    Some(id) if item.what == "conflict" => match snapshot.plaintext(id)? {
                        Some(plaintext) => Some(Side::sealed(&plaintext, item.epoch)),
                        // Two CSV files may disagree where nothing authentic is held.
                        None => snapshot
                            .readings_at(&[id].into())?
                            .remove(&id)
                            .map(|row| Side::row("CSV row", row)),
                    },
                    _ => None,
                };
                all.push((item, held));
            }
            Ok((all, snapshot.kept_shut()?, snapshot.foreign()?, snapshot.found_no_room()?))
        })
    });
    let (all, kept, foreign, no_room) = match read {
        Ok(read) => read,
        Err(error) => return could_not(&error),
    };
    if json {
        let items: Vec<serde_json::Value> = all.iter().map(as_json).collect();
        return print_json(
            out,
            &serde_json::json!({
                "set_aside": items, "unopened": view::unread::kept_json(&kept), "foreign": view::unread::foreign_json(&foreign),
                "found_no_room": view::unread::found_no_room_json(&no_room),
            }),
            DONE,
        );
    }
    let no_room = view::unread::found_no_room(&no_room, crate::time::unix_s());
    print(out, &text(&all, &kept, &foreign, no_room.as_deref(), config.site.utc_offset_s), DONE)
}

fn as_json((item, held): &(SetAside, Option<Side>)) -> serde_json::Value {
    let mut value = serde_json::json!(item);
    if let Some(object) = value.as_object_mut() {
        for (name, at) in
            [("first_at", item.first_at), ("last_at", item.last_at), ("withdrawn_at", item.withdrawn_at)]
        {
            object.insert(name.to_owned(), at.map(rfc3339).into());
        }
        if item.what == "conflict" {
            object.insert("held".to_owned(), held.as_ref().map(|held| held.words.clone()).into());
        }
    }
    value
}

/// Frames of addresses off the roster: counted, and not kept.
fn foreign_text(foreign: &[Foreign], utc_offset_s: i32) -> String {
    if foreign.is_empty() {
        return String::new();
    }
    let at = |time: GatewayTime| local(time.unix_s(), utc_offset_s);
    let mut table = Table::new(&[">address", ">frames", "first", "last"]);
    for one in foreign {
        let address = view::unread::foreign_address(one);
        table.row([address, one.frames.to_string(), at(one.first_heard), at(one.last_heard)]);
    }
    let heading =
        format!("Frames of addresses that are not on the roster (times in {})\n", offset_label(utc_offset_s));
    let next = "Counted, not kept. If one is a logger of this site, correct its address in the roster or in the logger; a \
                neighbour's loggers need nothing.";
    heading + &table.text(2) + &wrapped(next, 2, 2, PROSE_COLUMNS)
}

fn text(
    all: &[(SetAside, Option<Side>)],
    kept: &[Kept],
    foreign: &[Foreign],
    no_room: Option<&str>,
    utc_offset_s: i32,
) -> String {
    let at = |time: Option<i64>| time.map_or("by hand".to_owned(), |time| local(time, utc_offset_s));
    let label = offset_label(utc_offset_s);
    let mut text = foreign_text(foreign, utc_offset_s);
    if !kept.is_empty() {
        text += &format!("Frames that no key opens (times in {label})\n");
        let mut table = Table::new(&[">logger", ">slot", ">frames", "first", "last", "why"]);
        for group in kept {
            table.row([
                group.logger.to_string(),
                group.slot.to_string(),
                group.frames.to_string(),
                at(group.first_at.map(GatewayTime::unix_s)),
                at(group.last_at.map(GatewayTime::unix_s)),
                group.why.text().to_owned(),
            ]);
        }
        text += &table.text(2);
        let reasons: std::collections::BTreeSet<WhyShut> = kept.iter().map(|group| group.why).collect();
        for why in reasons {
            text += &wrapped(view::unread::remedy(why), 2, 2, PROSE_COLUMNS);
        }
    }
    if let Some(no_room) = no_room {
        text += &wrapped(no_room, 0, 2, PROSE_COLUMNS);
    }
    let conflicts: Vec<&(SetAside, Option<Side>)> =
        all.iter().filter(|(item, _)| item.what == "conflict").collect();
    if !conflicts.is_empty() {
        text += &format!("Conflicts: records that disagree with the one held (times in {label})\n");
        let (mut any_sealed, mut any_row) = (false, false);
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
            let gone = "nothing any more: its import is withdrawn, or it was given up";
            text += &format!("    held:    {}\n", held.as_ref().map_or(gone, |held| &held.words));
            let other = match (&item.content_hex, &item.content_json) {
                (Some(hex), _) => Side::sealed(&unhex(hex), item.epoch),
                (None, Some(json)) => Side::csv(json),
                (None, None) => continue,
            };
            text += &format!("    other:   {}\n", other.words);
            if let Some(fields) = held.as_ref().and_then(|held| held.differs_in(&other)) {
                text += &format!("    differs: in {fields}\n");
            }
            match (item.import, item.withdrawn_at) {
                (Some(import), Some(at)) => {
                    let at = local(at, utc_offset_s);
                    text += &format!("    settled: import {import} was withdrawn {at}\n");
                }
                _ if item.source == "csv" => any_row = true,
                _ => any_sealed = true,
            }
        }
        if any_sealed {
            text += "  Next: two sealed records under one number mean a key in two places, a logger that forgot its epoch, \
                     or a forgery made with the key. Find out which; both stay.\n";
        }
        if any_row {
            text += "  Next: CSV rows that disagree are most often of another logger, or their times are off. If so, \
                     withdraw the import.\n";
        }
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
