//! The channels of a new logger, asked for one by one.

use super::super::exit::Exit;
use super::talk::Talk;
use crate::config::entry::{TypedChannel, TypedLogger};
use crate::view::enrol::Question;
use crate::wire::record::{CHANNELS_MAX, RawUnit};

/// The unit of one count of each suggested channel, if it is known.
pub fn units(suggested: &TypedLogger) -> Vec<Option<RawUnit>> {
    suggested.channels.iter().map(|channel| RawUnit::from_name(&channel.raw_unit)).collect()
}

/// Asks for channels, one after the other, until there are no more.
pub fn ask(entry: &mut TypedLogger, units: &[Option<RawUnit>], talk: &mut Talk<'_>) -> Result<(), Exit> {
    let suggested = std::mem::take(&mut entry.channels);
    for at in 0..CHANNELS_MAX {
        let default = suggested.get(at).map(|channel| format!("{}={}", channel.name, channel.raw_unit));
        let known = units.get(at).copied().flatten();
        let channel = talk.ask(Question::Channel(at), Some(default.as_deref().unwrap_or("-")), |typed| {
            if typed == "-" {
                return Ok(None);
            }
            let channel = TypedChannel::of(typed, known)?;
            let mut tried = entry.clone();
            tried.channels.push(channel.clone());
            tried.checked().map(|_| Some(channel))
        })?;
        let Some(channel) = channel else { break };
        entry.channels.push(channel);
    }
    Ok(())
}
