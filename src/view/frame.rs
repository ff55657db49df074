//! What every report names: the site, its time, its loggers, and the present.

use crate::record::in_force::{ConfigurationFile, InForce, NotTaken, NotUsed};
use crate::record::roster::Roster;
use crate::text::{local, offset_label};
use crate::time::GatewayTime;
use crate::wire::seq::Address;

/// The frame of a report.
#[derive(Clone, Copy, Debug)]
pub struct Frame<'a> {
    pub site: &'a str,
    /// Its fixed offset, in seconds east of UTC.
    pub utc_offset_s: i32,
    pub roster: &'a Roster,
    pub now: GatewayTime,
    /// The files that cannot be used, instead of which their text in force is used.
    pub in_force: &'a [InForce],
}

impl<'a> Frame<'a> {
    /// A logger's name; empty if it is not on the roster.
    pub fn name(&self, logger: Address) -> &'a str {
        self.roster.logger(logger).map_or("", |logger| logger.name.as_str())
    }

    /// A time as the site writes it.
    pub fn at(&self, time: GatewayTime) -> String {
        local(time, self.utc_offset_s)
    }

    /// The present as the site writes it.
    pub fn present(&self) -> String {
        self.at(self.now)
    }

    /// The site's offset in words.
    pub fn offset(&self) -> String {
        offset_label(self.utc_offset_s)
    }
}

/// Says that a report does not use these files, in one sentence for each.
pub fn in_force(in_force: &[InForce], utc_offset_s: i32) -> impl Iterator<Item = String> {
    in_force.iter().map(move |InForce { what, file, why, since }| {
        let what = match what {
            ConfigurationFile::Site => "settings of the site",
            ConfigurationFile::Roster => "roster",
        };
        let since = format!("{} {}", local(*since, utc_offset_s), offset_label(utc_offset_s));
        let (why, check) = match why {
            NotUsed::Mistakes => ("has mistakes", "lists them"),
            NotUsed::NotReadable => ("cannot be read", "says why"),
        };
        format!("{file} {why}: this report uses the {what} in force since {since}; `stonechat check` {check}")
    })
}

/// Says that the daemon works with an older text of this file than reports do.
pub fn not_taken(NotTaken { file, since }: &NotTaken, utc_offset_s: i32) -> String {
    let since = format!("{} {}", local(*since, utc_offset_s), offset_label(utc_offset_s));
    format!(
        "{file} was changed after the daemon read it ({since}): reports use the new text, the daemon the old one. Next: \
         `sudo systemctl reload stonechat`; its log says if it needs a restart"
    )
}

/// The requested start, and the requested end, exclusive.
pub type AskedSpan = (Option<GatewayTime>, Option<GatewayTime>);

/// The span of a report, if one was requested.
pub fn asked_span((from, to): AskedSpan, utc_offset_s: i32) -> Option<String> {
    let at = |at| local(at, utc_offset_s);
    match (from, to) {
        (None, None) => None,
        (Some(from), None) => Some(format!("from {}", at(from))),
        (None, Some(to)) => Some(format!("before {}", at(to))),
        (Some(from), Some(to)) => Some(format!("from {} to before {}", at(from), at(to))),
    }
}
