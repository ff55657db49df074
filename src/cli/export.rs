//! `stonechat export -o FILE`: readings as a file for a spreadsheet, a notebook or a database, with a descriptor.

mod args;

use super::args::{calibrated, not_of_the_site, now, open_for_report, tell_not_here};
use super::exit::{DONE, Exit, NO};
use super::print::{Progress, note_in_force, print_report, print_report_json};
use crate::config::Config;
use crate::export::convert::{Convert, Raw};
use crate::export::delivery::{Delivered, DeliveryError, Destination, Source, deliver};
use crate::export::notes::{self, Beside};
use crate::export::points::ByPoints;
use crate::export::{Request, Shape};
use crate::files::digest_of;
use crate::ledger::SCHEMA_VERSION;
use crate::ledger::read::extract::held_span;
use crate::ledger::read::readings::Known;
use crate::ledger::read::snapshot::Reader;
use crate::report::values::Site;
use crate::text::thousands;
use crate::view::export::{Delivery, Failure, failure, impossible, nothing, text};
pub use args::{Args, HELP};
use std::io::Write;
use std::path::Path;
use std::time::{Duration, Instant};

/// No progress is shown before this time.
const QUIET: Duration = Duration::from_secs(1);

/// Writes the file.
pub fn run(config_path: &Path, args: &Args, out: &mut dyn Write) -> Result<u8, Exit> {
    let config = open_for_report(config_path)?;
    let now = now(&config, args.now.as_deref())?;
    tell_not_here(&config.ledger.path);
    let mut request = args.request(&config, now).map_err(Exit::usage)?;
    let reader = Reader::open(&config.ledger.path)?;
    check_loggers(&config, &reader, &request)?;
    let known = Known::as_of(request.as_of);
    let site = args.calibrations.as_deref().map(|units| calibrated(&config, units, &known)).transpose()?;
    let mut convert: Box<dyn Convert + '_> = match site.as_ref().zip(args.calibrations.as_deref()) {
        None => Box::new(Raw),
        Some((site, units)) => Box::new(points(&config, site, units, &reader, args, &mut request)?),
    };
    let to = destination(&config, args)?;
    let (roster, site) = (&config.roster, config.site.name.as_str());
    let source = Source { reader: &reader, known: &known, roster, site, schema: SCHEMA_VERSION };
    let (progress, began) = (Progress::new(), Instant::now());
    let delivered = deliver(source, &request, convert.as_mut(), &to, |rows| {
        if began.elapsed() > QUIET {
            progress.say(&format!("export: {} rows …", thousands(rows)));
        }
    });
    progress.done();
    match delivered {
        Ok(delivered) => Ok(said(&config, args, &request, &delivered, out)),
        Err(why) => failed(&why),
    }
}

/// Every requested logger must be known.
fn check_loggers(config: &Config, reader: &Reader, request: &Request) -> Result<(), Exit> {
    for &logger in &request.loggers {
        if !config.roster.contains(logger) && held_span(reader, &[logger])?.is_none() {
            return Err(Exit::usage(format!(
                "--logger {logger}: neither on the roster {} nor in the ledger; `stonechat status` lists the loggers",
                config.roster_file.display()
            )));
        }
    }
    Ok(())
}

/// The conversion to points. Only loggers that can have a value are read, and only their gaps are reported.
fn points<'c>(
    config: &Config,
    site: &'c Site<'c>,
    units: &Path,
    reader: &'c Reader,
    args: &Args,
    request: &mut Request,
) -> Result<ByPoints<'c>, Exit> {
    // The files that values are based on, so that a reader can check that it has the same ones.
    let digest = |path: &Path| {
        digest_of(path).map_or("not readable any more".to_owned(), |hex| format!("sha256:{hex}"))
    };
    let of_points = config.points_file.as_deref().map(|points| ("points".to_owned(), digest(points)));
    let provenance = std::iter::once(("calibrations".to_owned(), digest(units))).chain(of_points).collect();
    let points = ByPoints::new(site, reader, &args.point, &request.loggers, provenance);
    let points = points.map_err(Exit::usage)?;
    let several = points.of_several_units();
    if request.shape == Shape::Wide && !several.is_empty() {
        return Err(Exit::usage(format!(
            "point {:?} changes its unit over time, which a wide table cannot show; use --shape long",
            several.join(", ")
        )));
    }
    request.loggers = points.loggers_of(&request.loggers);
    if request.loggers.is_empty() {
        return Err(Exit::usage("none of these loggers measures any of these points"));
    }
    Ok(points)
}

/// All names are checked before the long work.
fn destination(config: &Config, args: &Args) -> Result<Destination, Exit> {
    let path = args.output.as_path();
    let beside = Beside { remarks: args.remarks, events: args.events };
    let data = (!args.to_stdout()).then_some(path);
    let descriptor = data.filter(|_| !args.no_descriptor).map(|path| path.with_file_name(&args.descriptor));
    let is_taken = |path: &&Path| path.symlink_metadata().is_ok() && !args.force;
    if let Some(descriptor) = descriptor.as_deref().filter(is_taken) {
        return Err(Exit::could_not(format!(
            "{}: is there already and is not overwritten; write to a folder of its own, or give --descriptor NAME, \
             --no-descriptor or --force",
            descriptor.display()
        )));
    }
    if let Some(data) = data {
        let notes = notes::names(data, beside);
        for name in descriptor.iter().cloned().chain(notes).chain([data.to_owned()]) {
            not_of_the_site(config, &name).map_err(Exit::could_not)?;
        }
    }
    Ok(Destination { data: data.map(Path::to_owned), descriptor, beside, force: args.force })
}

fn said(config: &Config, args: &Args, request: &Request, delivered: &Delivered, out: &mut dyn Write) -> u8 {
    let (Delivered::Nothing { summary, .. } | Delivered::Written { summary, .. }) = delivered;
    if let Some(text) = impossible(summary) {
        say!("stonechat: {text}");
    }
    match delivered {
        Delivered::Nothing { held, .. } => {
            say!("stonechat: {}", nothing(request, *held));
            NO
        }
        Delivered::Written { whole, names, .. } if args.to_stdout() => {
            note_in_force(config);
            eprint!("stonechat: {}", text(request, summary, whole, names));
            DONE
        }
        Delivered::Written { whole, names, .. } if args.json => {
            print_report_json(out, config, &Delivery::new(request, summary, whole, names), DONE)
        }
        Delivered::Written { whole, names, .. } => {
            print_report(out, config, &text(request, summary, whole, names), DONE)
        }
    }
}

fn failed(why: &DeliveryError) -> Result<u8, Exit> {
    match failure(why) {
        Failure::Gone => Ok(DONE),
        Failure::Usage(text) => Err(Exit::usage(text)),
        Failure::CouldNot(text) => Err(Exit::could_not(text)),
    }
}
