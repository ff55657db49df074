//! Every command and every configuration file has a page; the programs that read pages and completions accept them.

use crate::{has, pages, project, read, succeeds};
use std::collections::BTreeMap;
use std::process::Command;

fn files() -> BTreeMap<String, Vec<u8>> {
    pages::all(&project().join("config")).unwrap()
}

fn text(files: &BTreeMap<String, Vec<u8>>, name: &str) -> String {
    let page = files.get(name).unwrap_or_else(|| panic!("there is no {name}"));
    // As a reader sees it: without roff's marks.
    String::from_utf8(page.clone())
        .unwrap()
        .replace("\\fB", "")
        .replace("\\fR", "")
        .replace("\\fI", "")
        .replace("\\-", "-")
        .replace("\\*(Aq", "'")
        .replace("\\(dq", "\"")
}

fn each_command(command: &clap::Command, path: &str, seen: &mut Vec<(String, clap::Command)>) {
    seen.push((path.to_owned(), command.clone()));
    for below in command.get_subcommands() {
        each_command(below, &format!("{path}-{}", below.get_name()), seen);
    }
}

#[test]
fn every_command_has_a_page_with_each_of_its_options() {
    let files = files();
    let mut commands = Vec::new();
    each_command(&stonechat::cli::command(), "stonechat", &mut commands);
    assert!(commands.len() > 25, "{}", commands.len());
    for (name, command) in &commands {
        let page = text(&files, &format!("man1/{name}.1"));
        let about = command.get_about().unwrap().to_string();
        assert!(page.contains(&about), "{name}: {about}\n{page}");
        for argument in command.get_arguments().filter(|argument| !argument.is_hide_set()) {
            if let Some(long) = argument.get_long() {
                assert!(page.contains(&format!("--{long}")), "{name} does not tell of --{long}");
            }
        }
        for argument in command.get_arguments().filter(|argument| argument.is_hide_set()) {
            let long = argument.get_long().unwrap();
            assert!(!page.contains(&format!("--{long}")), "{name} tells of --{long}, which is hidden");
        }
        assert!(page.contains("EXIT STATUS"), "{name}");
    }
    let of_commands = files.keys().filter(|name| name.starts_with("man1/")).count();
    assert_eq!(of_commands, commands.len(), "a page without a command");
}

#[test]
fn every_configuration_file_has_a_page_with_each_of_its_keys_and_what_is_said_of_it() {
    let files = files();
    let mut keys = 0;
    for entry in std::fs::read_dir(project().join("config")).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        let Some(stem) = name.strip_suffix(".toml") else { continue };
        let page = text(&files, &format!("man5/stonechat-{stem}.5"));
        for line in read(&format!("config/{name}")).lines() {
            let comment = line.strip_prefix("# ").filter(|text| !pages::is_entry(text));
            // The first line is the page's name.
            match comment {
                Some(text) if !text.starts_with(&name) => {
                    assert!(page.contains(text.trim()), "{name}: {text}");
                }
                _ => {}
            }
            let entry = line.trim_start_matches("# ");
            if pages::is_entry(entry) {
                keys += 1;
                let key = entry.split(" = ").next().unwrap();
                assert!(page.contains(key), "{name}: {key}");
            }
        }
        assert!(page.contains("SH NAME") && page.contains("EXAMPLE"), "{stem}");
    }
    assert!(keys > 100, "{keys}");
}

#[test]
fn the_key_of_the_serial_port_is_reported_with_its_meaning_below_its_table() {
    let page = text(&files(), "man5/stonechat-site.5");
    let after =
        |text: &str, from: usize| from + page[from..].find(text).unwrap_or_else(|| panic!("{text}: {page}"));
    let table = after(".SH [[radio]]", 0);
    let key = after(".B port = \"/dev/serial/by-id/", table);
    after("A serial device, best by its permanent name", key);
    // Two keys under one comment share it.
    let dtr = after(".TP\n.B # dtr = true\n.TQ\n.B # rts = true\n", table);
    after("What the modem lines are set to", dtr);
}

/// groff's man macros read them without a warning.
#[test]
fn the_manual_reader_has_no_complaint() {
    if !has("man") || !has("groff") {
        return;
    }
    let dir = tempfile::tempdir().unwrap();
    for (name, page) in files().iter().filter(|(name, _)| name.starts_with("man")) {
        let path = dir.path().join(name.replace('/', "-"));
        std::fs::write(&path, page).unwrap();
        // `break`: a long word or a table line that does not fit is no mistake of the page.
        let mut command = Command::new("groff");
        command.args(["-man", "-Kutf8", "-Tutf8", "-z", "-wall", "-Wbreak", "-rLL=100n"]).arg(&path);
        let said = succeeds(&mut command);
        assert_eq!(said, "", "{name}");
    }
}

#[test]
fn bash_completes_a_command_and_an_option() {
    if !has("bash") {
        return;
    }
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("stonechat");
    std::fs::write(&file, &files()["completions/stonechat.bash"]).unwrap();
    let completes = |words: &str, at: usize| {
        let script = format!(
            "source '{}'; COMP_WORDS=({words}); COMP_CWORD={at}; _stonechat stonechat \"${{COMP_WORDS[{at}]}}\" \
             \"${{COMP_WORDS[{at}-1]}}\"; echo \"${{COMPREPLY[@]}}\"",
            file.display()
        );
        succeeds(Command::new("bash").args(["--norc", "-c", &script])).trim().to_owned()
    };
    assert_eq!(completes("stonechat ga", 1), "gaps");
    assert_eq!(completes("stonechat key der", 2), "derive");
    assert_eq!(completes("stonechat gaps --fail", 2), "--fail-if-open");
}

#[test]
fn the_other_shells_read_their_completions() {
    let dir = tempfile::tempdir().unwrap();
    for (shell, name) in [("zsh", "_stonechat"), ("fish", "stonechat.fish")] {
        let text = &files()[&format!("completions/{name}")];
        assert!(String::from_utf8_lossy(text).contains("fail-if-open"), "{name}");
        if has(shell) {
            let file = dir.path().join(name);
            std::fs::write(&file, text).unwrap();
            succeeds(Command::new(shell).arg("-n").arg(&file));
        }
    }
}
