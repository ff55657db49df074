//! `stonechat plot`: readings in time as a picture, SVG or PNG, with gaps as gaps.
//!
//! Input: the ledger, and for points the site's points and, if named, the calibrations. Output: one file, which gets
//! its name only when it is complete. What this is not: `report::picture` decides what is in the picture, `plot` where
//! it is drawn.

mod args;
mod file;

use super::args::{calibrated, name_of, not_of_the_site, now, open_for_report, tell_not_here};
use super::exit::{DONE, Exit};
use super::print::{print_report, print_report_json};
use crate::config::{self, Config};
use crate::ledger::read::readings::Known;
use crate::ledger::read::snapshot::Reader;
use crate::plot::{render, scene};
use crate::report::picture::{self, Ground, Picture, Subject};
use crate::text::rfc3339;
use crate::time::GatewayTime;
use crate::units::points::Points;
use crate::view::picture::{as_json, captions, text};
pub use args::{Args, Form, HELP, PictureArgs};
pub use file::{may_write, write};
use std::io::Write;
use std::path::Path;

/// Pixels of a PNG: 160 MB of memory while it is drawn.
#[cfg(feature = "desk")]
const PIXELS_MAX: u64 = 40_000_000;
/// The span that is shown without --from.
const USUAL_S: i64 = 30 * 86_400;

/// Draws it.
pub fn run(config_path: &Path, args: &Args, out: &mut dyn Write) -> Result<u8, Exit> {
    let config = open_for_report(config_path)?;
    tell_not_here(&config.ledger.path);
    let form = Form::of(&args.output)?;
    let size = args.picture.size()?;
    let now = now(&config, args.now.as_deref())?;
    let span = args.span.read(&config, now).map_err(Exit::usage)?;
    // Checked before years of readings are read.
    not_of_the_site(&config, &args.output).map_err(Exit::could_not)?;
    may_write(&args.output, args.picture.force).map_err(Exit::could_not)?;
    let known = Known::default();
    let ground = ground(&config, args, &known)?;
    let subjects = args.subjects(&ground, &config.roster, &config.roster_file)?;
    let reader = Reader::open(&config.ledger.path)?;
    let picture = reader.read(|snapshot| {
        let Some((from, to)) = picture::span(&ground, snapshot, &subjects, span, USUAL_S)? else {
            return Ok(None);
        };
        picture::picture(&ground, snapshot, &subjects, size.columns(from, to), now).map(Some)
    })?;
    let picture = picture.filter(|picture| picture.panels.iter().any(|panel| panel.readings > 0));
    let picture = picture.ok_or_else(|| nothing(&subjects, span))?;
    let scene = laid_out(&picture, size)?;
    write(&args.output, &drawn(&scene, form)?, args.picture.force).map_err(Exit::could_not)?;
    if args.json {
        let file = args.output.to_string_lossy();
        return Ok(print_report_json(out, &config, &as_json(&picture, &scene, &file), DONE));
    }
    Ok(print_report(out, &config, &text(&picture, &scene, &args.output.display().to_string()), DONE))
}

fn ground<'c>(config: &'c Config, args: &Args, known: &'c Known) -> Result<Ground<'c>, Exit> {
    let units = args.calibrations.as_deref();
    let site = units.map(|units| calibrated(config, units, known)).transpose()?;
    let points = match site.is_none() && !args.point.is_empty() {
        true => config::load_points(config).map_err(|problems| Exit::refused(&problems))?,
        false => Points::default(),
    };
    Ok(Ground::new(config, site, known, points, units.map(name_of)))
}

/// Why there is nothing to draw.
fn nothing(subjects: &[Subject], (from, to): (Option<GatewayTime>, Option<GatewayTime>)) -> Exit {
    let said = |at: Option<GatewayTime>, word: &str| {
        at.map_or(String::new(), |at| format!(" {word} {}", rfc3339(at)))
    };
    let names: Vec<String> = subjects.iter().map(Subject::name).collect();
    Exit::could_not(format!(
        "no reading of {}{}{} is held, so there is nothing to draw; `stonechat gaps` lists what is missing",
        names.join(", "),
        said(from, "from"),
        said(to, "until")
    ))
}

fn laid_out(picture: &Picture, size: scene::Size) -> Result<scene::Scene, Exit> {
    scene::laid_out(picture, &captions(picture), size).map_err(|least| {
        Exit::usage(format!(
            "--height {} is too small for {} panels and the text below them; write {least} or more, or leave it out",
            size.height.unwrap_or(0),
            picture.panels.len()
        ))
    })
}

/// The file's bytes.
pub fn drawn(scene: &scene::Scene, form: Form) -> Result<Vec<u8>, Exit> {
    #[cfg(feature = "desk")]
    if form == Form::Png && u64::from(scene.width) * u64::from(scene.height) > PIXELS_MAX {
        return Err(Exit::usage(format!(
            "{} by {} pixels are too many for a PNG; make it smaller with --width and --height, or write an .svg",
            scene.width, scene.height
        )));
    }
    let svg = render::svg(scene).map_err(Exit::could_not)?;
    match form {
        Form::Svg => Ok(svg.into_bytes()),
        #[cfg(feature = "desk")]
        Form::Png => crate::plot::png::of(&svg).map_err(Exit::could_not),
    }
}
