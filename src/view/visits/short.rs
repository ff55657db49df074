//! The visit list on one screen: is a visit needed, the gateway if it is at fault, the first loggers of the order, and what
//! to do next. The rest comes with `--all`.

use super::Page;
use crate::report::verdict::Trip;
use crate::text::counted;
use crate::view::screen;
use crate::view::verdict::next;

/// How many loggers have a line each: at least, and at most.
const LOGGERS_SHOWN: (usize, usize) = (3, 8);

impl Page<'_> {
    /// The first screen.
    pub(super) fn short(&self) -> String {
        let head = self.head() + &self.silent();
        let (not_there, next) = (self.can_wait() + &self.not_there(), self.next());
        // Before the loggers an empty line, the title, the table's head; after them the number of the others.
        let all = self.to_go().count();
        let room = screen::room(&[&head, &not_there, &next], 4, LOGGERS_SHOWN, all);
        let more = screen::more(all - room, "logger", "stonechat visits --all");
        head + &self.order("In which order:", room) + &more + &not_there + &next
    }

    /// That something is in no logger that is there now.
    fn not_there(&self) -> String {
        let of = |loggers: usize, place: &str| match loggers as u64 {
            0 => String::new(),
            loggers => self.prose(
                0,
                &format!(
                    "Some missing records of {} are {place}: `stonechat visits --all`.",
                    counted(loggers, "logger")
                ),
            ),
        };
        let elsewhere = self.visits.iter().filter(|visit| !visit.elsewhere.is_empty()).count();
        let gone = self.visits.iter().filter(|visit| !visit.look_for.is_empty()).count();
        let text = of(elsewhere, "in units that were replaced") + &of(gone, "no longer there");
        if text.is_empty() { text } else { format!("\n{text}") }
    }

    /// What to do next.
    fn next(&self) -> String {
        let go = |trip: Trip| match trip.loggers {
            1 => {
                format!("Print what to fetch: `stonechat visits --logger {} --sheet walk.html`.", trip.logger)
            }
            _ => "Print a page for each logger: `stonechat visits --sheet walk.html`.".to_owned(),
        };
        next(&self.list.verdict, &self.list.gateway, Vec::new(), go, self.columns)
    }
}
