//! The commands grouped by task, for `stonechat --help`.
//!
//! Input: clap's commands. Output: the help's text. What this is not: each command's own help is in `cli::Command`.

use crate::view::CAUTION;
use crate::view::term::{width, wrapped};
use clap::Command;

/// Commands in one line, and what they are for.
type Line = (&'static [&'static str], &'static str);

/// Every command once, in the order of the help. Commands that a build does not have are left out.
const GROUPS: &[(&str, &[Line])] = &[
    (
        "Every day",
        &[
            (&["status"], "is a visit needed? does the gateway work?"),
            (&["gaps"], "what is missing, and what happened?"),
            (&["visits"], "where to go first, and what to fetch?"),
            (&["completeness"], "is the record complete, by month?"),
            (&["logbook"], "who did what, and when?"),
        ],
    ),
    (
        "Field work",
        &[
            (&["import"], "take in downloads copied by hand"),
            (&["remark", "manual-reading"], "write down what you saw or measured"),
            (&["write-off", "set-aside"], "what is lost; what no key opens"),
        ],
    ),
    ("Readings", &[(&["export", "plot", "units"], "files, pictures, engineering units")]),
    (
        "Safekeeping",
        &[
            (&["verify", "backup", "restore"], "is a ledger sound? copy it, put it back"),
            (&["compare", "salvage"], "compare two copies; save a damaged ledger"),
        ],
    ),
    (
        "Setting up",
        &[
            (&["plan", "init", "enrol", "check"], "plan the radio; first files, all mistakes"),
            (&["key", "run"], "keys, and how to change one; the daemon"),
        ],
    ),
    ("Trying out", &[(&["simulate", "demo"], "a simulated field; the whole story")]),
];
/// Columns of the help, on any terminal that is not narrower.
const COLUMNS: usize = 80;
/// Where a group's lines begin.
const INDENT: usize = 13;
/// How wide the names of a line are.
const NAMES: usize = 25;

/// The command with its help in groups, on one screen of [`COLUMNS`].
pub fn grouped(command: Command) -> Command {
    let groups: String = GROUPS.iter().filter_map(|&(title, lines)| group(&command, title, lines)).collect();
    let caution = wrapped(CAUTION, 0, 0, COLUMNS);
    let template = format!(
        "{{about-with-newline}}{{usage-heading}} {{usage}}\n\n{groups}\n\
         `stonechat help COMMAND` explains a command and its options, with examples.\n\
         -c FILE names the site's configuration; --no-pager prints a long report at once.\n{}",
        caution.trim_end()
    );
    command.help_template(template).max_term_width(COLUMNS)
}

/// A group's lines, if there is any command of it.
fn group(command: &Command, title: &str, lines: &[Line]) -> Option<String> {
    let mut text = String::new();
    for (names, what) in lines {
        let names: Vec<&str> =
            names.iter().copied().filter(|name| command.find_subcommand(name).is_some()).collect();
        if names.is_empty() {
            continue;
        }
        let title = if text.is_empty() { title } else { "" };
        let names = names.join(", ");
        let gap = " ".repeat(NAMES.saturating_sub(width(&names)).max(2));
        text += &format!("{title:INDENT$}{names}{gap}{what}\n");
    }
    (!text.is_empty()).then_some(text)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::view::term::SCREEN_LINES;

    #[test]
    fn every_command_is_in_one_group_and_all_of_them_fit_one_screen() {
        let command = super::super::command();
        let text = command.clone().render_help().to_string();
        for of in command.get_subcommands().map(Command::get_name) {
            let names = GROUPS.iter().flat_map(|(_, lines)| *lines).flat_map(|(names, _)| *names);
            assert_eq!(names.filter(|name| **name == of).count(), 1, "{of}");
            let is_named = |line: &str| line.split([' ', ',']).any(|word| word == of);
            assert!(text.lines().any(is_named), "{of}: {text}");
        }
        assert!(text.lines().all(|line| width(line) <= COLUMNS), "{text}");
        assert!(text.lines().count() <= SCREEN_LINES, "{} lines:\n{text}", text.lines().count());
        assert!(text.contains("not a warning or alarm system for life safety"), "{text}");
    }

    /// Each command and each below it: a line of help, an example, and no text that is cut at 80 columns.
    #[test]
    fn every_command_explains_itself_with_an_example() {
        fn look(command: &Command, path: &str) {
            let path = format!("{path} {}", command.get_name());
            let about = command.get_about().map(ToString::to_string).unwrap_or_default();
            assert!(!about.is_empty() && about.len() <= 2 * (COLUMNS - 18), "{path}: {about}");
            let text = command.clone().max_term_width(COLUMNS).render_long_help().to_string();
            assert!(text.contains("Example"), "{path}: {text}");
            assert!(
                text.contains(&format!("{path} ")) || text.contains(&format!("{path}\n")),
                "{path}: {text}"
            );
            for below in command.get_subcommands() {
                look(below, &path);
            }
        }
        for command in super::super::command().get_subcommands() {
            look(command, "stonechat");
        }
    }
}
