//! Loggers that left, in the same words in every report.

use crate::report::service::Service;
use crate::text::{local, thousands};

/// How many loggers are named one by one.
const NAMED: usize = 8;

/// One paragraph for each group of loggers that left; empty if none left.
pub fn lines(service: &Service, utc_offset_s: i32) -> Vec<String> {
    let mut lines = Vec::new();
    let off = &service.off_roster;
    if !off.is_empty() {
        let (s, have) = if off.len() == 1 { ("", "has") } else { ("s", "have") };
        let missing = match service.missing() {
            0 => "none".to_owned(),
            missing => thousands(missing),
        };
        let which = named(off.iter().map(|off| off.logger.to_string()));
        lines.push(format!(
            "{} logger{s} off the roster {have} records, {missing} missing: {which}. Put it back on the roster (with \
             `out_of_service_from`, if it was taken out of service). Then its gaps are listed with the others.",
            off.len()
        ));
    }
    if !service.out_of_service.is_empty() {
        let out = service.out_of_service.iter();
        let which =
            named(out.map(|out| {
                format!("{} ({}) since {}", out.logger, out.name, local(out.since, utc_offset_s))
            }));
        lines.push(format!("Out of service: {which}. Nothing that was made since is expected."));
    }
    lines
}

fn named(all: impl ExactSizeIterator<Item = String>) -> String {
    let more = all.len().saturating_sub(NAMED);
    let mut text = all.take(NAMED).collect::<Vec<_>>().join(", ");
    if more > 0 {
        text += &format!(" and {more} more");
    }
    text
}
