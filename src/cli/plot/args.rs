//! What `plot` takes, checked.

use crate::cli::args::SpanArgs;
use crate::cli::exit::Exit;
use crate::cli::logger_word::LoggerWord;
use crate::plot::scene::Size;
use crate::record::notes;
use crate::record::roster::Roster;
use crate::report::picture::{Ground, Subject};
use crate::wire::seq::Address;
use std::path::{Path, PathBuf};

/// What the help says at its end.
pub const HELP: &str = "\
Without --from, the picture begins 30 days before the newest reading.

Examples:
  stonechat plot --point \"P-17 pore pressure\" --calibrations calibrations.toml -o p17.svg
  stonechat plot --point \"P-17 pore pressure\" --point \"P-17 temperature\" --calibrations calibrations.toml \\
      --from 2026-05-04 -o p17.png
  stonechat plot --logger 17 --channel 0 -o logger17.svg";

/// The most panels of a picture.
const PANELS_MAX: usize = 12;
/// On a narrower picture, an axis cannot be read.
const WIDTH_MIN: u32 = 480;
/// Printers do not take wider or higher pictures.
const SIDE_MAX: u32 = 10_000;
/// The arguments of `plot`.
#[derive(clap::Args)]
#[command(group = clap::ArgGroup::new("what").required(true).multiple(false).args(["point", "logger"]))]
pub struct Args {
    /// A point, by its name; several times: one below the other
    #[arg(long, value_name = "POINT")]
    pub(super) point: Vec<String>,
    /// All channels of this logger, or those of --channel
    #[arg(long, value_name = "LOGGER")]
    pub(super) logger: Option<LoggerWord>,
    /// Only this channel of the logger; several times: one below the other
    #[arg(long, value_name = "CHANNEL", requires = "logger")]
    pub(super) channel: Vec<u32>,
    /// The file of the calibrations, for engineering units; without it, raw counts
    #[arg(long, value_name = "FILE")]
    pub(super) calibrations: Option<PathBuf>,
    #[command(flatten)]
    pub(super) span: SpanArgs,
    /// The file to write: its name ends in .svg or .png
    #[arg(short, long, value_name = "FILE")]
    pub(super) output: PathBuf,
    #[command(flatten)]
    pub(super) picture: PictureArgs,
    /// Print a summary as JSON
    #[arg(long)]
    pub(super) json: bool,
    /// Take this time as the present; a simulated field needs it
    #[arg(long, value_name = "TIME")]
    pub(super) now: Option<String>,
}

// No doc comment: clap would show it as the description of each command that includes it.
#[derive(clap::Args)]
pub struct PictureArgs {
    /// Width in pixels
    #[arg(long, value_name = "PIXELS", default_value_t = 1200)]
    width: u32,
    /// Height in pixels [default: what the contents need]
    #[arg(long, value_name = "PIXELS")]
    height: Option<u32>,
    /// Replace the file if it exists
    #[arg(long)]
    pub force: bool,
}

impl PictureArgs {
    /// How large the picture is.
    pub fn size(&self) -> Result<Size, Exit> {
        let sides = [("--width", Some(self.width), WIDTH_MIN), ("--height", self.height, 1)];
        for (option, side, least) in sides {
            if let Some(side) = side.filter(|side| !(least..=SIDE_MAX).contains(side)) {
                return Err(Exit::usage(format!("{option} {side}: write {least} to {SIDE_MAX} pixels")));
            }
        }
        Ok(Size { width: self.width, height: self.height })
    }

    /// That the picture needs a height of at least this.
    pub fn too_low(&self, least: u32) -> Exit {
        Exit::usage(format!(
            "--height {} is too small for the text around the picture; write {least} or more, or leave it out",
            self.height.unwrap_or(0)
        ))
    }
}

/// How the file is written.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Form {
    Svg,
    #[cfg(feature = "desk")]
    Png,
}

impl Form {
    /// By the ending of the file's name.
    pub fn of(path: &Path) -> Result<Self, Exit> {
        let extension = path.extension().map(|extension| extension.to_ascii_lowercase());
        match extension.as_deref().and_then(|extension| extension.to_str()) {
            Some("svg") => Ok(Self::Svg),
            #[cfg(feature = "desk")]
            Some("png") => Ok(Self::Png),
            #[cfg(not(feature = "desk"))]
            Some("png") => Err(Exit::usage(
                "this program was built without PNG; write .svg, or build it with `--features desk`",
            )),
            _ => Err(Exit::usage(format!(
                "-o {}: a plot is written as .svg or .png; end its name in one of these",
                path.display()
            ))),
        }
    }
}

impl Args {
    /// The request.
    pub(super) fn subjects(
        &self,
        ground: &Ground<'_>,
        roster: &Roster,
        roster_file: &Path,
    ) -> Result<Vec<Subject>, Exit> {
        let mut subjects = Vec::new();
        for point in &self.point {
            if !ground.has(point) {
                return Err(Exit::usage(unknown_point(ground, point)));
            }
            let subject = Subject::Point(point.clone());
            if !subjects.contains(&subject) {
                subjects.push(subject);
            }
        }
        if let Some(word) = &self.logger {
            let number = word.number(roster).map_err(Exit::usage)?;
            subjects.extend(self.channels(number, roster, roster_file)?);
        }
        if subjects.len() > PANELS_MAX {
            let option = if self.logger.is_some() { "--channel" } else { "--point" };
            return Err(Exit::usage(format!(
                "{} panels are too many for one picture; choose at most {PANELS_MAX} with {option}",
                subjects.len()
            )));
        }
        Ok(subjects)
    }

    /// The channels of a logger: those that are named, or all.
    fn channels(
        &self,
        number: u16,
        roster: &Roster,
        roster_file: &Path,
    ) -> Result<impl Iterator<Item = Subject>, Exit> {
        let address = Address::new(number).filter(|&address| roster.contains(address));
        let address = address.ok_or_else(|| Exit::usage(unknown_logger(number, roster, roster_file)))?;
        let listed = roster.logger(address).map_or(0, |logger| logger.channels.len());
        let mut channels = Vec::new();
        for &channel in &self.channel {
            let channel = notes::channel(roster, address, channel).map_err(Exit::usage)?;
            if !channels.contains(&channel) {
                channels.push(channel);
            }
        }
        if channels.is_empty() {
            if listed == 0 {
                let text = "the roster does not say which channels it has; name one with --channel";
                return Err(Exit::usage(format!("--logger {number}: {text}")));
            }
            channels = (0..u8::try_from(listed).unwrap_or(u8::MAX)).collect();
        }
        Ok(channels.into_iter().map(move |channel| Subject::Channel(address, channel)))
    }
}

fn unknown_logger(number: u16, roster: &Roster, roster_file: &Path) -> String {
    let known = roster.loggers().map(|logger| (logger.address.number(), logger.name.as_str()));
    let mut near: Vec<(u16, &str)> = known.collect();
    near.sort_by_key(|(address, _)| address.abs_diff(number));
    let near: Vec<String> = near.iter().take(3).map(|(a, name)| format!("{a} ({name})")).collect();
    format!(
        "--logger {number}: not on the roster {}; near it are {}; `stonechat status` lists all",
        roster_file.display(),
        near.join(", ")
    )
}

fn unknown_point(ground: &Ground<'_>, point: &str) -> String {
    let near: Vec<String> = ground.near(point).iter().take(3).map(|name| format!("{name:?}")).collect();
    let near = match near.as_slice() {
        [] => "the points' file has none".to_owned(),
        near => format!("the nearest names are {}", near.join(", ")),
    };
    let derived = if ground.has_units() { "" } else { "; a derived point needs --calibrations" };
    format!("--point {point:?}: there is no such point; {near}{derived}")
}
