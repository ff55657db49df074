//! The values of a new logger: from the arguments, from its own profile, and from a person.

use super::super::exit::Exit;
use super::args::Args;
use super::channels;
use super::talk::Talk;
use crate::config::Config;
use crate::config::entry::{TypedChannel, TypedLogger};
use crate::files;
use crate::report::enrol::{KnownBefore, suggested};
use crate::view::enrol::Question;
use crate::wire::seq::Address;
use std::path::{Path, PathBuf};

/// Why it ends if nothing can be asked.
pub fn lacks(missing: &[&str]) -> Exit {
    Exit::usage(format!(
        "standard input is not a terminal, so nothing can be asked; missing: {}",
        missing.join(", ")
    ))
}

/// The entry: arguments first, then what is asked.
pub fn entry(
    config: &Config,
    address: Address,
    known: &KnownBefore,
    args: &Args,
    talk: Option<&mut Talk<'_>>,
) -> Result<TypedLogger, Exit> {
    let suggested = suggested(address, &config.roster, known.profile.as_ref().map(|(_, profile)| profile));
    let mut entry = suggested.clone();
    let given = |option: &Option<String>, to: &mut String| option.iter().for_each(|text| to.clone_from(text));
    given(&args.name, &mut entry.name);
    given(&args.interval_s, &mut entry.interval_s);
    given(&args.memory_records, &mut entry.memory_records);
    entry.area.clone_from(&args.area);
    entry.in_service_from.clone_from(&args.in_service_from);
    entry.listens = args.listens;
    if !args.channels.is_empty() {
        let units = channels::units(&suggested);
        let channel =
            |(at, typed): (usize, &String)| TypedChannel::of(typed, units.get(at).copied().flatten());
        let channels = args.channels.iter().enumerate().map(channel).collect::<Result<_, _>>();
        entry.channels = channels.map_err(|why| Exit::usage(format!("--channel {why}")))?;
    }
    // A mistake in an argument is reported before anything is asked.
    entry.checked().map_err(Exit::usage)?;
    if let Some(talk) = talk {
        ask_the_rest(&mut entry, &suggested, args, talk)?;
    }
    Ok(entry)
}

fn ask_the_rest(
    entry: &mut TypedLogger,
    suggested: &TypedLogger,
    args: &Args,
    talk: &mut Talk<'_>,
) -> Result<(), Exit> {
    let mut ask = |question,
                   is_given: bool,
                   entry: &mut TypedLogger,
                   field: fn(&mut TypedLogger) -> &mut String|
     -> Result<(), Exit> {
        if is_given {
            return Ok(());
        }
        let (default, mut tried) = (field(entry).clone(), entry.clone());
        *field(entry) = talk.ask(question, Some(&default), |typed| {
            typed.clone_into(field(&mut tried));
            tried.checked().map(|_| typed.to_owned())
        })?;
        Ok(())
    };
    ask(Question::Name, args.name.is_some(), entry, |entry| &mut entry.name)?;
    ask(Question::Interval, args.interval_s.is_some(), entry, |entry| &mut entry.interval_s)?;
    ask(Question::Memory, args.memory_records.is_some(), entry, |entry| &mut entry.memory_records)?;
    if args.area.is_none() {
        entry.area = talk.ask(Question::Area, Some("-"), |typed| {
            let area = (typed != "-").then(|| typed.to_owned());
            TypedLogger { area: area.clone(), ..entry.clone() }.checked().map(|_| area)
        })?;
    }
    if args.channels.is_empty() {
        channels::ask(entry, &channels::units(suggested), talk)?;
    }
    Ok(())
}

/// Where the key goes: a new file, or none.
pub fn key_file(address: Address, args: &Args, talk: Option<&mut Talk<'_>>) -> Result<Option<PathBuf>, Exit> {
    let check = |path: &Path| match files::is_absent(path) {
        true => Ok(Some(path.to_owned())),
        false => Err(super::super::key::is_there(path)),
    };
    match (&args.key_file, talk) {
        (Some(path), _) => check(path).map_err(Exit::usage),
        (None, Some(talk)) if !args.no_key_file => {
            talk.ask(Question::KeyFile, Some(&format!("logger-{address}.toml")), |typed| match typed {
                "-" => Ok(None),
                path => check(Path::new(path)),
            })
        }
        _ => Ok(None),
    }
}
