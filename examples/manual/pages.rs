//! Manual pages and shell completions as texts.
//!
//! Input: the commands as clap has them, and the commented configuration files, which are the reference of their keys.
//! Output: `man1/` with a page for each command, `man5/` with one for each configuration file, `completions/` for bash,
//! zsh and fish. What this is not: it has no text of its own about commands or keys, so nothing here becomes outdated.
//!
//! Format: man(7), the macros that every manual reader has.

use std::collections::{BTreeMap, BTreeSet};
use std::io;
use std::path::Path;

/// Every file by its name below the folder, with its text.
pub fn all(config: &Path) -> io::Result<BTreeMap<String, Vec<u8>>> {
    let mut files = BTreeMap::new();
    let sources = sources(config)?;
    let names: Vec<&str> = sources.iter().map(|(name, _)| name.as_str()).collect();
    let mut root = stonechat::cli::command().disable_help_subcommand(true);
    root.build();
    commands(&root, &names, &mut files)?;
    for (name, text) in &sources {
        files.insert(format!("man5/stonechat-{name}.5"), file_page(name, text).into_bytes());
    }
    completions(&mut files);
    Ok(files)
}

/// The configuration files that there are, by their names without `.toml`.
fn sources(config: &Path) -> io::Result<Vec<(String, String)>> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(config)? {
        let path = entry?.path();
        let stem = path.file_stem().and_then(|stem| stem.to_str());
        if let (Some(stem), Some("toml")) = (stem, path.extension().and_then(|end| end.to_str())) {
            found.push((stem.to_owned(), std::fs::read_to_string(&path)?));
        }
    }
    found.sort();
    Ok(found)
}

/// The page of a command, and of those below it.
fn commands(
    command: &clap::Command,
    sources: &[&str],
    files: &mut BTreeMap<String, Vec<u8>>,
) -> io::Result<()> {
    let name = command.get_display_name().unwrap_or(command.get_name()).to_owned();
    files.insert(format!("man1/{name}.1"), command_page(command, &name, sources)?);
    for below in command.get_subcommands().filter(|below| !below.is_hide_set() && below.get_name() != "help")
    {
        commands(below, sources, files)?;
    }
    Ok(())
}

fn command_page(command: &clap::Command, name: &str, sources: &[&str]) -> io::Result<Vec<u8>> {
    let page =
        clap_mangen::Man::new(command.clone()).title(name).section("1").source(source()).manual("stonechat");
    let mut text = Vec::new();
    page.render_title(&mut text)?;
    page.render_name_section(&mut text)?;
    page.render_synopsis_section(&mut text)?;
    page.render_description_section(&mut text)?;
    page.render_options_section(&mut text)?;
    if command.has_subcommands() {
        page.render_subcommands_section(&mut text)?;
    }
    let mut rest = String::new();
    if let Some(after) = command.get_after_help().filter(|_| name != "stonechat") {
        rest.push_str(".SH NOTES\n");
        as_typed(after.to_string().lines(), &mut rest);
    }
    rest.push_str(EXITS);
    if name == "stonechat" {
        rest.push_str(
            ".SH ENVIRONMENT\n.TP\n.B STONECHAT_CONFIG\nThe configuration, where\n.B \\-c\ndoes not say.\n",
        );
        rest.push_str(".TP\n.B STONECHAT_LOG\nHow much the daemon logs: error, warn, info or debug.\n");
        rest.push_str(".SH CAUTIONS\n");
        let caution = command.get_after_help().map(ToString::to_string).unwrap_or_default();
        filled(&caution, &mut rest);
    }
    let others = sources.iter().map(|name| format!("stonechat-{name}"));
    see_also(
        (name != "stonechat").then(|| ("stonechat".into(), 1)).into_iter().chain(others.map(|n| (n, 5))),
        &mut rest,
    );
    text.extend_from_slice(rest.as_bytes());
    Ok(text)
}

/// What the exit codes of all commands mean, as `cli/mod.rs` has them.
const EXITS: &str = ".SH EXIT STATUS\n\
    .TP\n.B 0\nDone.\n\
    .TP\n.B 1\nThe answer is no: gaps are open, something differs, something was refused.\n\
    .TP\n.B 2\nUsage or configuration; repeating the command gives the same result.\n\
    .TP\n.B 3\nCould not: the ledger, a port or a file.\n";

fn source() -> String {
    format!("stonechat {}", env!("CARGO_PKG_VERSION"))
}

fn see_also(pages: impl Iterator<Item = (String, u8)>, out: &mut String) {
    let list: Vec<String> =
        pages.map(|(name, section)| format!(".BR {} ({section})", escaped(&name))).collect();
    out.push_str(".SH SEE ALSO\n");
    out.push_str(&list.join(" ,\n"));
    out.push_str(
        "\n.PP\nThe operator's handbook is /usr/share/doc/stonechat/handbook.md; troubleshooting.md is next to it.\n",
    );
}

/// A configuration file's page: its head, its tables and keys with their comments, and the whole as an example.
fn file_page(name: &str, text: &str) -> String {
    let blocks = blocks(text);
    let mut head = blocks.first().map(|block| block.comment.as_slice()).unwrap_or_default().iter();
    let first = head.next().map(String::as_str).unwrap_or_default();
    let about = first.split_once(": ").map_or(first, |(_, about)| about).trim_end_matches('.');
    let title = escaped(&format!("stonechat-{name}"));
    let mut out = format!(".TH {title} 5 \"\" \"{}\" \"stonechat\"\n", source());
    out.push_str(&format!(".SH NAME\n{title} \\- {}\n", escaped(about)));
    out.push_str(&format!(".SH DESCRIPTION\nThe file {name}.toml, in TOML.\n.PP\n"));
    paragraphs(head.map(String::as_str), &mut out);
    for block in blocks.iter().skip(1) {
        let (tables, keys): (Vec<_>, Vec<_>) = block.lines.iter().partition(|line| line.starts_with('['));
        // A line without text of its own is another example.
        for table in tables.iter().filter(|_| !block.comment.is_empty() || keys.is_empty()) {
            out.push_str(&format!(".SH {}\n", escaped(table)));
        }
        if block.comment.is_empty() {
            continue;
        }
        for (at, key) in keys.iter().enumerate() {
            out.push_str(if at == 0 { ".TP\n" } else { ".TQ\n" });
            // Of what goes on over lines, the first: the example has the rest.
            let first = key.lines().next().unwrap_or_default();
            let more = if key.lines().nth(1).is_some() { " \u{2026}" } else { "" };
            out.push_str(&format!(".B {}{more}\n", escaped(first)));
        }
        paragraphs(block.comment.iter().map(String::as_str), &mut out);
    }
    out.push_str(".SH EXAMPLE\n");
    as_typed(text.lines().filter(|line| !line.starts_with('#')), &mut out);
    see_also([("stonechat".to_owned(), 1)].into_iter(), &mut out);
    out
}

/// A comment and the tables or keys directly below it.
#[derive(Default)]
struct Block {
    comment: Vec<String>,
    /// Table headings and keys with their values; a value of several lines is one entry.
    lines: Vec<String>,
}

fn blocks(text: &str) -> Vec<Block> {
    let mut all = vec![Block::default()];
    let mut open = 0_i32;
    for line in text.lines() {
        let comment = line.strip_prefix('#').map(|rest| rest.strip_prefix(' ').unwrap_or(rest));
        let Some(last) = all.last_mut() else { continue };
        if open > 0 {
            open += depth(line);
            if let Some(entry) = last.lines.last_mut() {
                entry.push('\n');
                entry.push_str(line);
            }
            continue;
        }
        let entry = match comment {
            // A key that is commented out shows its default, and stays marked so.
            Some(text) if is_entry(text) => Some(if text.starts_with('[') { text } else { line }),
            Some(_) => None,
            None if line.trim().is_empty() => {
                if !last.comment.is_empty() || !last.lines.is_empty() {
                    all.push(Block::default());
                }
                continue;
            }
            None => Some(line),
        };
        match (entry, comment) {
            (Some(entry), _) => {
                // A table is a block of its own: its keys have comments of theirs.
                let heads = |line: &String| line.starts_with('[');
                if last.lines.last().is_some_and(heads) {
                    all.push(Block { comment: Vec::new(), lines: vec![entry.to_owned()] });
                } else {
                    last.lines.push(entry.to_owned());
                }
                open = if entry.starts_with('[') { 0 } else { depth(entry) };
            }
            (None, Some(text)) if last.lines.is_empty() => last.comment.push(text.to_owned()),
            (None, Some(text)) => all.push(Block { comment: vec![text.to_owned()], lines: Vec::new() }),
            (None, None) => {}
        }
    }
    all
}

/// Whether a comment's text is a table heading or a key with its value: the default.
pub fn is_entry(text: &str) -> bool {
    let heading = text.starts_with('[') && text.ends_with(']') && !text.contains(' ');
    let key = text.split_once(" = ").is_some_and(|(key, _)| {
        !key.is_empty() && key.chars().all(|c| c.is_ascii_alphanumeric() || c == '_')
    });
    heading || key
}

/// How many brackets a line leaves open.
fn depth(line: &str) -> i32 {
    let count = |wanted: &[char]| line.chars().filter(|c| wanted.contains(c)).count();
    i32::try_from(count(&['[', '{'])).unwrap_or(0) - i32::try_from(count(&[']', '}'])).unwrap_or(0)
}

/// Comment lines as text: filled, but lines that are set in stay as they are.
fn paragraphs<'a>(lines: impl Iterator<Item = &'a str>, out: &mut String) {
    let mut as_is = false;
    for line in lines {
        let set_in = line.starts_with("  ");
        if set_in != as_is {
            out.push_str(if set_in { ".sp\n.nf\n" } else { ".fi\n.sp\n" });
            as_is = set_in;
        }
        if line.trim().is_empty() {
            out.push_str(".sp\n");
        } else {
            out.push_str(&escaped(if set_in { line } else { line.trim() }));
            out.push('\n');
        }
    }
    if as_is {
        out.push_str(".fi\n");
    }
}

fn filled(text: &str, out: &mut String) {
    paragraphs(text.lines().map(str::trim), out);
}

fn as_typed<'a>(lines: impl Iterator<Item = &'a str>, out: &mut String) {
    out.push_str(".nf\n");
    let mut was_empty = true;
    for line in lines {
        let is_empty = line.trim().is_empty();
        if !(is_empty && was_empty) {
            out.push_str(&escaped(line));
            out.push('\n');
        }
        was_empty = is_empty;
    }
    out.push_str(".fi\n");
}

/// A line in which roff finds nothing to obey.
fn escaped(line: &str) -> String {
    let text = line.replace('\\', "\\e").replace('-', "\\-").replace('"', "\\(dq");
    if text.starts_with(['.', '\'']) { format!("\\&{text}") } else { text }
}

/// The options whose values the program itself offers: what clap calls the value, and what `complete-words` calls it.
const WORDS: [(&str, &str); 2] = [("LOGGER", "loggers"), ("POINT", "points")];

fn completions(files: &mut BTreeMap<String, Vec<u8>>) {
    use clap_complete::Shell;
    for (shell, name) in
        [(Shell::Bash, "stonechat.bash"), (Shell::Zsh, "_stonechat"), (Shell::Fish, "stonechat.fish")]
    {
        let mut text = Vec::new();
        clap_complete::generate(shell, &mut stonechat::cli::command(), "stonechat", &mut text);
        let text = String::from_utf8_lossy(&text);
        let text = match shell {
            Shell::Bash => in_bash(&text),
            Shell::Zsh => in_zsh(&text),
            _ => in_fish(&text),
        };
        files.insert(format!("completions/{name}"), text.into_bytes());
    }
}

/// The long names of the options, of any command, whose value clap calls so.
pub fn options_for(value: &str) -> BTreeSet<String> {
    fn collect(command: &clap::Command, value: &str, found: &mut BTreeSet<String>) {
        let of = |argument: &&clap::Arg| {
            argument.get_value_names().unwrap_or_default().iter().any(|name| name.as_str() == value)
        };
        let longs = command.get_arguments().filter(of).filter_map(clap::Arg::get_long);
        found.extend(longs.map(str::to_owned));
        command.get_subcommands().for_each(|below| collect(below, value, found));
    }
    let mut found = BTreeSet::new();
    collect(&stonechat::cli::command(), value, &mut found);
    found
}

fn in_bash(text: &str) -> String {
    let cases = WORDS.iter().map(|&(value, kind)| {
        let options: Vec<String> = options_for(value).iter().map(|long| format!("--{long}")).collect();
        format!("            {}) kind={kind} ;;", options.join(" | "))
    });
    let cases: Vec<String> = cases.collect();
    format!("{text}{}", include_str!("words.bash").replace("@cases@", &cases.join("\n")))
}

fn in_zsh(text: &str) -> String {
    let mut text = text.to_owned();
    for (value, kind) in WORDS {
        text = text.replace(&format!(":{value}:_default'"), &format!(":{value}:_stonechat_words {kind}'"));
    }
    let head = "autoload -U is-at-least\n\n";
    text.replacen(head, &format!("{head}{}", include_str!("words.zsh")), 1)
}

fn in_fish(text: &str) -> String {
    let options: Vec<(String, &str)> = WORDS
        .iter()
        .flat_map(|&(value, kind)| options_for(value).into_iter().map(move |long| (long, kind)))
        .collect();
    let mut lines = String::new();
    for line in text.lines() {
        lines.push_str(line);
        for (long, kind) in &options {
            if line.contains(&format!(" -l {long} -d '")) {
                lines.push_str(&format!(" -f -a '(__stonechat_words {kind})'"));
            }
        }
        lines.push('\n');
    }
    lines + include_str!("words.fish")
}
