//! `stonechat simulate`: sends frames of invented loggers, or of those of a site's roster, to a pseudo-terminal, a TCP
//! port or a file, and writes a configuration, the truth and the loggers' memories.
//!
//! Of a site only the roster is read: the configuration that is written has keys of its own. A frame that was sealed with
//! a site's key under a number that a real logger uses too would break the seal of both.

mod sink;

use super::exit::{DONE, USAGE, could_not};
use super::print::{Progress, print};
use crate::config;
use crate::files;
use crate::sim::{Field, FieldPlan, TrueTime};
use crate::text::{counted, offset_label};
use clap::builder::TypedValueParser as _;
use sink::{new_file, open_sink};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// Without a rate, a question reaches a logger that sent within so many simulated seconds.
const UNPACED_S: i64 = 900;
/// The latest beginning: a record's time has 32 bits, and ten years must fit behind it.
const FROM_MOST: i64 = 3_900_000_000;

/// The arguments of `simulate`.
#[derive(clap::Args)]
pub struct Args {
    /// A folder for the configuration, the truth (truth.jsonl) and the memories (*.sealed); it is made
    #[arg(long, value_name = "DIR")]
    dir: PathBuf,
    /// Where the bytes go: `pty`, `tcp:ADDRESS:PORT`, or a file
    #[arg(long, default_value = "pty", value_name = "WHERE")]
    to: String,
    /// The seed of all random numbers: the same seed gives the same bytes
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Number of loggers, 1 to 255
    #[arg(long, default_value_t = 12, value_parser = clap::value_parser!(u16).range(1..=255))]
    loggers: u16,
    /// Simulate the loggers of this site's roster instead of invented ones: a site.toml. Its keys are not used
    #[arg(long, value_name = "FILE", conflicts_with = "loggers")]
    site: Option<PathBuf>,
    /// Simulated days
    #[arg(long, default_value_t = 7, value_parser = clap::value_parser!(u32).range(1..=3650))]
    days: u32,
    /// A bad season: more losses, longer bursts and outages, worse clocks, more changes of cells and units
    #[arg(long)]
    harsh: bool,
    /// How many simulated seconds pass in one second; 0: as fast as the reader takes them
    #[arg(long, default_value_t = 0.0)]
    rate: f64,
    /// When the field begins (Unix seconds) [default: so that it ends now]
    #[arg(long, value_name = "SECONDS", value_parser = clap::value_parser!(i64).range(0..=FROM_MOST).map(TrueTime))]
    from: Option<TrueTime>,
}

/// Runs the simulation to its end.
pub fn run(args: &Args, out: &mut dyn Write) -> u8 {
    if !(args.rate.is_finite() && args.rate >= 0.0) {
        say!("stonechat: --rate {}: write 0 or more simulated seconds a second", args.rate);
        return USAGE;
    }
    match simulate(args, out) {
        Ok(text) => print(out, &text, DONE),
        Err(text) => could_not(&text),
    }
}

fn simulate(args: &Args, out: &mut dyn Write) -> Result<String, String> {
    let dir = &args.dir;
    let at = |path: &Path| {
        let path = path.display().to_string();
        move |error: std::io::Error| format!("{path}: {error}")
    };
    let begins = || TrueTime::when_gateway_shows(crate::time::now()).later(-i64::from(args.days) * 86_400);
    let from = args.from.unwrap_or_else(begins);
    let plan = plan(args, from)?;
    // Before anything is made: the folder may be a real site's.
    files::refuse_taken(targets(dir, &plan)).map_err(|error| error.to_string())?;
    files::make_own_folder(dir).map_err(at(dir))?;
    let mut field = Field::new(if args.harsh { plan.harsher() } else { plan });
    let (mut sink, where_to) = open_sink(&args.to, dir, field.plan(), out)?;

    let progress = Progress::new();
    let started = Instant::now();
    let all = field.left();
    let mut sent = 0;
    // Loggers hear a question within a second after their frame: by the field's clock, if it has a rate.
    let heard_late_s = if args.rate > 0.0 { 1 } else { UNPACED_S };
    let mut last = from;
    while let Some(next) = field.next_at() {
        if args.rate > 0.0 {
            let due = next.since(from) as f64 / args.rate;
            let ahead =
                Duration::try_from_secs_f64(due).unwrap_or_default().saturating_sub(started.elapsed());
            if !ahead.is_zero() {
                std::thread::sleep(ahead);
            }
        }
        let written = sink.receive().map_err(|error| format!("{where_to}: {error}"))?;
        field.hears(&written, last.later(-heard_late_s), last);
        let Some(emission) = field.next() else { break };
        last = emission.at;
        sink.send(&emission.bytes).map_err(|error| format!("{where_to}: {error}"))?;
        sent += 1;
        if sent % 500 == 0 {
            progress.say(&format!("{sent} of about {all} frames sent"));
        }
    }
    sink.finish().map_err(|error| format!("{where_to}: {error}"))?;
    progress.done();
    write_truth(&field, dir)?;
    let asked = match field.asked() {
        asked if asked.sent == 0 => String::new(),
        asked => format!(
            "the gateway sent {}, of which loggers heard {}; they sent {} again\n",
            counted(asked.sent, "question"),
            asked.sent - asked.unheard,
            counted(asked.answers, "record")
        ),
    };
    Ok(format!(
        "sent {} to {where_to}\n{asked}\
         truth.jsonl has every record that was made, NN.sealed each logger's memory, in {}\n\
         Next: `stonechat -c {}/site.toml gaps` against what a daemon heard.\n",
        counted(sent, "frame"),
        dir.display(),
        dir.display()
    ))
}

/// The plan: of invented loggers, or of a site's roster.
fn plan(args: &Args, from: TrueTime) -> Result<FieldPlan, String> {
    let Some(site) = &args.site else {
        return Ok(FieldPlan::harrow_tarn(args.seed, usize::from(args.loggers), from, args.days));
    };
    let config = config::load(site).map_err(|problems| {
        let all: Vec<String> = problems.iter().map(ToString::to_string).collect();
        format!("{}; see `stonechat -c {} check`", all.join("; "), site.display())
    })?;
    let offset = offset_label(config.site.utc_offset_s);
    let offset = offset.strip_prefix("UTC").unwrap_or(&offset);
    Ok(FieldPlan::of_site(args.seed, &config.roster, &config.site.name, offset, from, args.days))
}

/// Every file that a simulation makes in its folder.
pub(super) fn targets(dir: &Path, plan: &FieldPlan) -> Vec<PathBuf> {
    let memories = plan.loggers.iter().map(|logger| dir.join(format!("{}.sealed", logger.address)));
    let others = ["truth.jsonl", "radio"].map(|name| dir.join(name));
    FieldPlan::config_files(dir).chain(others).chain(memories).collect()
}

/// Writes truth and memories, as new files.
pub(super) fn write_truth(field: &Field, dir: &Path) -> Result<(), String> {
    let path = dir.join("truth.jsonl");
    let at = |error: std::io::Error| format!("{}: {error}", path.display());
    let mut file = new_file(&path).map_err(at)?;
    field.truth().write_jsonl(&mut file).and_then(|()| file.flush()).map_err(at)?;
    for address in field.truth().addresses() {
        let path = dir.join(format!("{address}.sealed"));
        new_file(&path)
            .and_then(|mut file| {
                file.write_all(&field.truth().sealed_dump(address)).and_then(|()| file.flush())
            })
            .map_err(|error| format!("{}: {error}", path.display()))?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::Parser;

    #[derive(Parser)]
    struct Only {
        #[command(flatten)]
        args: Args,
    }

    #[test]
    fn a_field_that_begins_far_out_of_range_is_refused() {
        let parse = |from: &str| Only::try_parse_from(["simulate", "--dir", "x", "--from", from]);
        for from in ["-1", "9223372036854775807", "4000000000"] {
            assert!(parse(from).is_err(), "{from}");
        }
        assert_eq!(parse("1780000000").unwrap().args.from, Some(TrueTime(1_780_000_000)));
        assert!(FROM_MOST + 3650 * 86_400 <= i64::from(u32::MAX));
    }
}
