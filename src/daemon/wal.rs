//! Decides when the length of the -wal is worth a log line and a notice. Pure.
//!
//! Input: its size and its readers, after each commit. Output: [`News`], once each time it becomes long, and
//! again when the readers are not those that were named.

use crate::ledger::Holder;
use crate::ledger::wal::Length;
use crate::text::size;

/// The last report.
#[derive(Debug, Default)]
pub struct Watch {
    /// `None`: nothing was reported since the start; a notice of an earlier run may be up.
    said: Option<Said>,
}

#[derive(Debug, PartialEq, Eq)]
struct Said {
    length: Length,
    readers: Vec<Holder>,
}

/// What to report now.
#[derive(Debug, PartialEq, Eq)]
pub enum News {
    /// It is long: the size, the readers, and what to do.
    Long(String),
    /// It is normal, again or at the first check.
    Usual,
}

impl Watch {
    /// Whether it was long at the last check.
    pub fn is_long(&self) -> bool {
        self.said.as_ref().is_some_and(|said| said.length != Length::Usual)
    }

    /// A check after a commit.
    pub fn look(&mut self, bytes: u64, length: Length, readers: Vec<Holder>) -> Option<News> {
        if let Some(said) = &self.said {
            // Commands that read for a moment come and go; what matters is whether the named ones still read.
            let is_of_them = readers.iter().any(|reader| said.readers.contains(reader));
            let are_named = is_of_them || (said.readers.is_empty() && readers.is_empty());
            if said.length == length && (length == Length::Usual || are_named) {
                return None;
            }
        }
        let news = match length {
            Length::Usual => News::Usual,
            _ => News::Long(text(bytes, length, &readers)),
        };
        self.said = Some(Said { length, readers });
        Some(news)
    }
}

fn text(bytes: u64, length: Length, readers: &[Holder]) -> String {
    let size = size(bytes);
    let held = match length {
        Length::TooLong => "; until then nothing is settled, but commits continue",
        _ => "",
    };
    let names: Vec<String> = readers.iter().map(ToString::to_string).collect();
    match names.as_slice() {
        [] => format!(
            "the ledger's -wal has grown to {size} and cannot be folded into the ledger; no process that reads it can \
             be seen: check the disk{held}"
        ),
        [one] => format!(
            "the ledger's -wal has grown to {size}: {one} keeps a reading transaction open; end that query or process{held}"
        ),
        more => format!(
            "the ledger's -wal has grown to {size}: these keep reading transactions open: {}; end those queries or \
             processes{held}",
            more.join("; ")
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reader(process: u32) -> Holder {
        Holder { process: Some(process), command: "sqlite3".to_owned(), is_shared: false }
    }

    #[test]
    fn it_is_said_once_and_again_for_another_reader_or_when_settling_stops() {
        let mut watch = Watch::default();
        assert_eq!(watch.look(5, Length::Usual, vec![]), Some(News::Usual), "what an earlier run left");
        assert_eq!(watch.look(5, Length::Usual, vec![reader(1)]), None);
        let Some(News::Long(text)) = watch.look(70 << 20, Length::Long, vec![reader(812), reader(9)]) else {
            panic!("nothing was said");
        };
        assert!(
            text.contains("73.4 MB") && text.contains("process 812, sqlite3; process 9, sqlite3"),
            "{text}"
        );
        assert_eq!(watch.look(71 << 20, Length::Long, vec![reader(812), reader(10)]), None);
        let next = watch.look(72 << 20, Length::Long, vec![reader(11)]);
        assert!(matches!(next, Some(News::Long(text)) if text.contains("process 11, sqlite3 keeps")));
        let next = watch.look(300 << 20, Length::TooLong, vec![reader(11)]);
        assert!(matches!(next, Some(News::Long(text)) if text.contains("nothing is settled")));
        assert!(watch.is_long());
        assert_eq!(watch.look(300 << 20, Length::Usual, vec![]), Some(News::Usual));
        assert!(!watch.is_long());
    }
}
