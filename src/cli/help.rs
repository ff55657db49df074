//! The commands by what people do with them, for `stonechat --help`.
//!
//! Input: clap's commands. Output: the help's text. What this is not: each command's line is in `cli::Command`.

use crate::view::term::{width, wrapped};
use clap::Command;

/// Every command once, in the order in which help lists them. What a build has no command for is left out.
const GROUPS: &[(&str, &[&str])] = &[
    ("Every day", &["status", "gaps", "visits", "completeness", "logbook"]),
    ("Field work", &["import", "remark", "manual-reading", "write-off", "set-aside"]),
    ("Readings", &["export", "plot", "units"]),
    ("Safekeeping", &["verify", "backup", "restore", "compare", "salvage"]),
    ("Setting up", &["init", "enrol", "check", "key", "run"]),
    ("Trying out", &["simulate", "demo"]),
];
/// Columns of the help, on any terminal that is not narrower.
const COLUMNS: usize = 80;
/// Where a command's line begins.
const INDENT: usize = 18;

/// The command with its help in groups, no wider than [`COLUMNS`].
pub fn grouped(command: Command) -> Command {
    let groups: Vec<String> =
        GROUPS.iter().filter_map(|&(title, names)| group(&command, title, names)).collect();
    let template = format!(
        "{{about-with-newline}}\n{{usage-heading}} {{usage}}\n\n{}\n\
         Options:\n{{options}}\n\n\
         `stonechat COMMAND --help` explains a command, with examples.{{after-help}}",
        groups.join("\n")
    );
    command.help_template(template).max_term_width(COLUMNS)
}

/// A group's lines, if there is any command of it.
fn group(command: &Command, title: &str, names: &[&str]) -> Option<String> {
    let lines: Vec<String> = names
        .iter()
        .filter_map(|name| {
            let about = command.find_subcommand(name)?.get_about()?.to_string();
            let gap = " ".repeat(INDENT.saturating_sub(2 + width(name)));
            let text = wrapped(&about, 0, 0, COLUMNS - INDENT);
            let lines = text.trim_end().replace('\n', &format!("\n{}", " ".repeat(INDENT)));
            Some(format!("  {name}{gap}{lines}\n"))
        })
        .collect();
    (!lines.is_empty()).then(|| format!("{title}:\n{}", lines.concat()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_command_is_in_one_group_with_at_most_two_lines() {
        let command = super::super::command();
        let text = command.clone().render_help().to_string();
        for of in command.get_subcommands().map(Command::get_name) {
            let count = GROUPS.iter().flat_map(|(_, names)| *names).filter(|name| **name == of).count();
            assert_eq!(count, 1, "{of}");
            assert!(text.contains(&format!("\n  {of} ")), "{of}: {text}");
        }
        assert!(text.lines().all(|line| width(line) <= COLUMNS), "{text}");
        let lines: Vec<&str> = text.lines().collect();
        let goes_on = |line: &&str| line.starts_with(&" ".repeat(INDENT));
        assert!(!lines.windows(2).any(|pair| pair.iter().all(goes_on)), "{text}");
    }

    /// Each command and each below it: a line of help, an example, and no text that is cut at 80 columns.
    #[test]
    fn every_command_explains_itself_with_an_example() {
        fn look(command: &Command, path: &str) {
            let path = format!("{path} {}", command.get_name());
            let about = command.get_about().map(ToString::to_string).unwrap_or_default();
            assert!(!about.is_empty() && about.len() <= 2 * (COLUMNS - INDENT), "{path}: {about}");
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
