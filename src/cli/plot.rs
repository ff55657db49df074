//! `stonechat plot`: readings in time as a picture, SVG or PNG, with gaps as gaps.
//!
//! Input: the ledger, and for points the site's points and, if named, the calibrations. Output: one file, under its name
//! only when it is whole. What this is not: what is drawn where is `crate::plot`; it judges no value.

mod file;
mod read;

use super::{DONE, USAGE, could_not, load, print, print_json};
use crate::config::{self, Config};
use crate::ledger::read::readings::Known;
use crate::ledger::read::snapshot::Reader;
use crate::plot::scene::{self, Size};
use crate::plot::{Picture, render};
use crate::text::{local, offset_label, rfc3339};
use crate::wire::seq::Address;
use read::{Ground, Subject};
use serde_json::{Value, json};
use std::io::Write;
use std::path::{Path, PathBuf};

/// What the help says at its end.
pub const HELP: &str = "\
Examples:
  stonechat plot --point \"P-17 pore pressure\" --units calibrations.toml -o p17.svg
  stonechat plot --point \"P-17 pore pressure\" --point \"P-17 temperature\" --units calibrations.toml \\
      --from 2026-05-04T00:00:00-07:00 -o p17.png
  stonechat plot --logger 17 --channel 0 -o logger17.svg";

/// The most panels of a picture.
const PANELS_MAX: usize = 12;
/// Narrower than this, no axis can be read.
const WIDTH_MIN: u32 = 480;
/// Wider and higher than this, no printer takes it.
const SIDE_MAX: u32 = 10_000;
/// Pixels of a PNG: 160 MB of memory while it is drawn.
#[cfg(feature = "desk")]
const PIXELS_MAX: u64 = 40_000_000;
/// How much is shown where nobody says from when.
const USUAL_S: i64 = 30 * 86_400;

/// The arguments of `plot`.
#[derive(clap::Args)]
#[command(group = clap::ArgGroup::new("what").required(true).multiple(false).args(["point", "logger"]))]
pub struct Args {
    /// A point, by its name; several times: one below the other
    #[arg(long, value_name = "NAME")]
    point: Vec<String>,
    /// All channels of this logger, or those of --channel
    #[arg(long, value_name = "ADDRESS")]
    logger: Option<u16>,
    /// Only this channel of the logger; several times: one below the other
    #[arg(long, value_name = "CHANNEL", requires = "logger")]
    channel: Vec<u32>,
    /// The file of the calibrations, for engineering units; without it, raw counts
    #[arg(long, value_name = "FILE")]
    units: Option<PathBuf>,
    /// From this time on (RFC 3339) [default: 30 days before the newest reading]
    #[arg(long, value_name = "TIME")]
    from: Option<String>,
    /// Until before this time [default: the newest reading]
    #[arg(long, value_name = "TIME")]
    to: Option<String>,
    /// The file to write: its name ends in .svg or .png
    #[arg(short, long, value_name = "FILE")]
    output: PathBuf,
    /// Width in pixels
    #[arg(long, value_name = "PIXELS", default_value_t = 1200)]
    width: u32,
    /// Height in pixels [default: what the contents need]
    #[arg(long, value_name = "PIXELS")]
    height: Option<u32>,
    /// Replace the file if it exists
    #[arg(long)]
    force: bool,
    /// Print a summary as JSON
    #[arg(long)]
    json: bool,
    /// Take this as the present, as a simulated field needs it
    #[arg(long, value_name = "TIME", hide = true)]
    now: Option<String>,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Form {
    Svg,
    #[cfg(feature = "desk")]
    Png,
}

/// Draws it.
pub fn run(config_path: &Path, args: &Args, out: &mut dyn Write) -> u8 {
    let config = match load(config_path) {
        Ok(config) => config,
        Err(code) => return code,
    };
    super::args::tell_not_here(&config.ledger.path);
    drawn(&config, args, out).unwrap_or_else(|code| code)
}

fn usage(text: &str) -> u8 {
    say!("stonechat: {text}");
    USAGE
}

fn form(path: &Path) -> Result<Form, u8> {
    let extension = path.extension().map(|extension| extension.to_ascii_lowercase());
    match extension.as_deref().and_then(|extension| extension.to_str()) {
        Some("svg") => Ok(Form::Svg),
        #[cfg(feature = "desk")]
        Some("png") => Ok(Form::Png),
        #[cfg(not(feature = "desk"))]
        Some("png") => {
            Err(usage("this program was built without PNG; write .svg, or build it with `--features desk`"))
        }
        _ => {
            Err(usage(&format!("-o {}: a plot is written as .svg or .png; end its name so", path.display())))
        }
    }
}

fn size(args: &Args) -> Result<Size, u8> {
    let sides = [("--width", Some(args.width), WIDTH_MIN), ("--height", args.height, 1)];
    for (option, side, least) in sides {
        if let Some(side) = side.filter(|side| !(least..=SIDE_MAX).contains(side)) {
            return Err(usage(&format!("{option} {side}: write {least} to {SIDE_MAX} pixels")));
        }
    }
    Ok(Size { width: args.width, height: args.height })
}

fn span(args: &Args) -> Result<(Option<i64>, Option<i64>), u8> {
    let time = |text: &Option<String>, option: &str| {
        text.as_deref().map(|text| super::instant(text, option)).transpose().map_err(|text| usage(&text))
    };
    let (from, to) = (time(&args.from, "--from")?, time(&args.to, "--to")?);
    if let (Some(from), Some(to)) = (from, to)
        && from >= to
    {
        let text = format!("--from {} is not before --to {}; swap them", rfc3339(from), rfc3339(to));
        return Err(usage(&text));
    }
    Ok((from, to))
}

fn drawn(config: &Config, args: &Args, out: &mut dyn Write) -> Result<u8, u8> {
    let form = form(&args.output)?;
    let size = size(args)?;
    let (from, to) = span(args)?;
    let now = super::present(args.now.as_deref())?;
    // Told before the years are read.
    super::not_of_the_site(config, &args.output).map_err(|text| could_not(&text))?;
    file::may_write(&args.output, args.force).map_err(|text| could_not(&text))?;
    let known = Known::default();
    let ground = Ground::load(config, args.units.as_deref(), !args.point.is_empty(), &known)?;
    let subjects = subjects(&ground, args)?;
    let reader = Reader::open(&config.ledger.path).map_err(|error| could_not(&error))?;
    let picture = reader
        .read(|snapshot| {
            let Some(span) = read::span(&ground, snapshot, &subjects, (from, to), USUAL_S)? else {
                return Ok(None);
            };
            read::picture(&ground, snapshot, &subjects, span, size, now).map(Some)
        })
        .map_err(|error| could_not(&error))?;
    let picture = picture.filter(|picture| picture.panels.iter().any(|panel| panel.readings > 0));
    let Some(picture) = picture else {
        let said =
            |at: Option<i64>, word: &str| at.map_or(String::new(), |at| format!(" {word} {}", rfc3339(at)));
        let names: Vec<String> = subjects.iter().map(Subject::name).collect();
        return Err(could_not(&format!(
            "no reading of {}{}{} is held, so there is nothing to draw; `stonechat gaps` tells what is missing",
            names.join(", "),
            said(from, "from"),
            said(to, "until")
        )));
    };
    let laid = scene::laid_out(&picture, size).map_err(|least| {
        usage(&format!(
            "--height {} is too small for {} panels and what stands below them; write {least} or more, or leave it out",
            args.height.unwrap_or(0),
            picture.panels.len()
        ))
    })?;
    #[cfg(feature = "desk")]
    if form == Form::Png && u64::from(laid.width) * u64::from(laid.height) > PIXELS_MAX {
        return Err(usage(&format!(
            "{} by {} pixels are too many for a PNG; make it smaller with --width and --height, or write an .svg",
            laid.width, laid.height
        )));
    }
    let svg = render::svg(&laid).map_err(|text| could_not(&text))?;
    let bytes = match form {
        Form::Svg => svg.into_bytes(),
        #[cfg(feature = "desk")]
        Form::Png => crate::plot::png::of(&svg).map_err(|text| could_not(&text))?,
    };
    file::write(&args.output, &bytes, args.force).map_err(|text| could_not(&text))?;
    if args.json {
        return Ok(print_json(out, &summary(&picture, &laid, &args.output), DONE));
    }
    Ok(print(out, &said(&picture, &laid, &args.output), DONE))
}

/// What is wanted, checked.
fn subjects(ground: &Ground<'_>, args: &Args) -> Result<Vec<Subject>, u8> {
    let roster = &ground.config.roster;
    let mut subjects = Vec::new();
    for point in &args.point {
        if !ground.has(point) {
            return Err(usage(&unknown_point(ground, point)));
        }
        let subject = Subject::Point(point.clone());
        if !subjects.contains(&subject) {
            subjects.push(subject);
        }
    }
    if let Some(number) = args.logger {
        let address = Address::new(number).filter(|&address| roster.contains(address));
        let Some(address) = address else {
            let known = roster.loggers().map(|logger| (logger.address.number(), logger.name.as_str()));
            let mut near: Vec<(u16, &str)> = known.collect();
            near.sort_by_key(|(address, _)| address.abs_diff(number));
            let near: Vec<String> = near.iter().take(3).map(|(a, name)| format!("{a} ({name})")).collect();
            return Err(usage(&format!(
                "--logger {number}: not on the roster {}; near it are {}; `stonechat status` lists all",
                ground.config.roster_file.display(),
                near.join(", ")
            )));
        };
        let told = roster.logger(address).map_or(0, |logger| logger.channels.len());
        let mut channels = Vec::new();
        for &channel in &args.channel {
            let channel =
                crate::record::notes::channel(roster, address, channel).map_err(|text| usage(&text))?;
            if !channels.contains(&channel) {
                channels.push(channel);
            }
        }
        if channels.is_empty() {
            if told == 0 {
                let text = "the roster does not say which channels it has; name one with --channel";
                return Err(usage(&format!("--logger {number}: {text}")));
            }
            channels = (0..u8::try_from(told).unwrap_or(u8::MAX)).collect();
        }
        subjects.extend(channels.into_iter().map(|channel| Subject::Channel(address, channel)));
    }
    if subjects.len() > PANELS_MAX {
        let option = if args.logger.is_some() { "--channel" } else { "--point" };
        return Err(usage(&format!(
            "{} panels are too many for one picture; choose at most {PANELS_MAX} with {option}",
            subjects.len()
        )));
    }
    Ok(subjects)
}

fn unknown_point(ground: &Ground<'_>, point: &str) -> String {
    let mut near: Vec<(usize, &str)> =
        ground.names().into_iter().map(|name| (distance(point, name), name)).collect();
    near.sort_unstable();
    let near: Vec<String> = near.iter().take(3).map(|(_, name)| format!("{name:?}")).collect();
    let near = match near.as_slice() {
        [] => "the points' file has none".to_owned(),
        near => format!("the nearest names are {}", near.join(", ")),
    };
    let derived = if ground.site.is_none() { "; a derived point needs --units" } else { "" };
    format!("--point {point:?}: there is no such point; {near}{derived}")
}

/// How many letters differ, capitals apart; what one has in front or behind only counts little.
fn distance(a: &str, b: &str) -> usize {
    let (a, b): (Vec<char>, Vec<char>) =
        (a.to_lowercase().chars().collect(), b.to_lowercase().chars().collect());
    // The usual table of edits, a row at a time (Wagner and Fischer 1974).
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.iter().enumerate() {
        let mut before = row.first().copied().unwrap_or(0);
        if let Some(first) = row.first_mut() {
            *first = i + 1;
        }
        for (j, y) in b.iter().enumerate() {
            let (above, left) = (row.get(j + 1).copied().unwrap_or(0), row.get(j).copied().unwrap_or(0));
            let cost = (before + usize::from(x != y)).min(above + 1).min(left + 1);
            before = above;
            if let Some(cell) = row.get_mut(j + 1) {
                *cell = cost;
            }
        }
    }
    let edits = 4 * row.last().copied().unwrap_or(0);
    let is_part = !a.is_empty() && b.windows(a.len()).any(|part| part == a.as_slice());
    if is_part { edits / 4 } else { edits }
}

fn summary(picture: &Picture, scene: &scene::Scene, file: &Path) -> Value {
    let panels: Vec<Value> = picture
        .panels
        .iter()
        .map(|panel| {
            let gaps: Vec<Value> = panel
                .bands
                .iter()
                .map(|band| json!({ "from": rfc3339(band.from), "to": rfc3339(band.to), "what": band.label() }))
                .collect();
            let absent: Vec<Value> =
                panel.reasons.iter().map(|(why, n)| json!({ "why": why, "readings": n })).collect();
            json!({
                "name": panel.name, "measured_by": panel.measured_by, "unit": panel.unit,
                "readings": panel.readings, "drawn": panel.drawn, "missing": panel.missing,
                "missing_estimated": !panel.is_missing_told,
                "by_hand": panel.by_hand_count, "absent": panel.absent_count, "absent_why": absent,
                "other_units": panel.other_units, "manual": panel.manual.len(), "gaps": gaps,
            })
        })
        .collect();
    json!({
        "site": picture.site, "file": file.to_string_lossy(), "width": scene.width, "height": scene.height,
        "from": rfc3339(picture.from), "to": rfc3339(picture.to), "remarks": picture.notes.len(),
        "points": panels,
    })
}

fn said(picture: &Picture, scene: &scene::Scene, file: &Path) -> String {
    let offset_s = picture.offset_s;
    let mut text = format!(
        "{}: {} by {} pixels, {} to {} ({})\n",
        file.display(),
        scene.width,
        scene.height,
        local(picture.from, offset_s),
        local(picture.to, offset_s),
        offset_label(offset_s)
    );
    for panel in &picture.panels {
        let gaps = crate::text::counted(panel.bands.len() as u64, "gap");
        let absent = match panel.absent_count {
            0 => String::new(),
            n => format!(", {n} without a value"),
        };
        text.push_str(&format!("  {}: {}{absent}, {gaps}\n", panel.name, panel.coverage()));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::distance;

    #[test]
    fn the_nearest_names_are_those_that_somebody_meant() {
        let nearest = |typed: &str| {
            let names = ["P-11 pore pressure", "P-11 temperature", "P-12 pore pressure", "air pressure"];
            names.into_iter().min_by_key(|name| distance(typed, name)).unwrap()
        };
        assert_eq!(nearest("p-11 pore presure"), "P-11 pore pressure");
        assert_eq!(nearest("P-12"), "P-12 pore pressure");
        assert_eq!(nearest("Air"), "air pressure");
        assert_eq!(distance("kitten", "sitting"), 12, "three edits: the textbooks' example");
    }
}
