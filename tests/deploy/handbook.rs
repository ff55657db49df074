//! Every command line of the pages with procedures is understood, and every report in them runs.

use crate::read;
use crate::util::daemon::binary;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

/// Pages with procedures.
const PAGES: [&str; 2] = ["docs/handbook.md", "docs/troubleshooting.md"];

/// Programs of the system that they use.
const OTHERS: &[&str] =
    &["apt", "chmod", "cp", "install", "journalctl", "ls", "systemctl", "udevadm", "usermod"];

/// Of each line of a page, the code if it is set in as code: by four blanks or more, behind an empty line or more code.
pub fn lines_set_in(page: &str) -> Vec<Option<&str>> {
    let mut may_be = true;
    let of_line = |line: &'_ str| {
        may_be = line.trim().is_empty() || (may_be && line.starts_with("    "));
        may_be && !line.trim().is_empty()
    };
    let is_code: Vec<bool> = page.lines().map(of_line).collect();
    page.lines().zip(is_code).map(|(line, is_code)| is_code.then(|| line.trim())).collect()
}

/// Indented lines with commands, and text between backticks, without `sudo`.
fn lines() -> Vec<String> {
    let text = PAGES.map(read).concat();
    let set_in = lines_set_in(&text).into_iter().flatten().map(str::to_owned);
    let quoted =
        text.lines().zip(lines_set_in(&text)).filter(|(_, set_in)| set_in.is_none()).flat_map(|(line, _)| {
            let between = line.split('`').skip(1).step_by(2);
            between
                .filter(|code| code.starts_with("stonechat ") || code.starts_with("sudo "))
                .map(str::to_owned)
                .collect::<Vec<_>>()
        });
    // `sudo -u stonechat` alone is not a command.
    set_in.chain(quoted).filter(|line| !words(line).is_empty()).collect()
}

/// A line as the shell would split it, up to a redirection; `sudo` and its user taken off.
fn words(line: &str) -> Vec<String> {
    let mut words: Vec<String> = Vec::new();
    let (mut quoted, mut open) = (false, false);
    for c in line.chars() {
        match c {
            '"' => {
                quoted = !quoted;
                if !open {
                    words.push(String::new());
                    open = true;
                }
            }
            ' ' if !quoted => open = false,
            _ => {
                if !open {
                    words.push(String::new());
                    open = true;
                }
                words.last_mut().unwrap().push(c);
            }
        }
    }
    assert!(!quoted, "an open quote: {line}");
    if let Some(at) = words.iter().position(|word| word == ">") {
        words.truncate(at);
    }
    let sudo = match words.iter().map(String::as_str).collect::<Vec<_>>().as_slice() {
        ["sudo", "-u", _, ..] => 3,
        ["sudo", ..] => 1,
        _ => 0,
    };
    words.split_off(sudo)
}

/// Those that are ours.
fn commands() -> Vec<Vec<String>> {
    let ours = lines().into_iter().map(|line| words(&line));
    ours.filter(|words| words.first().is_some_and(|first| first == "stonechat")).collect()
}

#[test]
fn every_command_line_is_understood() {
    let commands = commands();
    assert!(commands.len() >= 45, "{}", commands.len());
    for words in commands {
        if let Err(error) = stonechat::cli::command().try_get_matches_from(&words) {
            panic!("{words:?}: {error}");
        }
    }
}

#[test]
fn every_other_line_is_a_program_of_the_system_or_a_line_of_a_file() {
    for line in lines() {
        let words = words(&line);
        let first = words[0].as_str();
        let is_setting = words.get(1).is_some_and(|word| word == "=")
            && read("config/site.toml").contains(&format!("{first} = "));
        assert!(first == "stonechat" || OTHERS.contains(&first) || is_setting, "{line}");
        if first == "systemctl" && words.len() > 2 {
            assert_eq!(words.last().unwrap(), "stonechat", "{line}");
        }
    }
}

#[test]
fn the_pages_name_every_exit_code_and_every_notice() {
    let page = read("docs/commands.md");
    for code in [stonechat::cli::DONE, stonechat::cli::NO, stonechat::cli::USAGE, stonechat::cli::COULD_NOT] {
        assert!(page.contains(&format!("\n| {code} | ")), "{code}");
    }
    let page = read("docs/troubleshooting.md");
    for kind in stonechat::report::conditions::ConditionKind::ALL {
        let kind = kind.name();
        assert!(page.contains(&format!("\n| `{kind}` | ")), "{kind}");
    }
}

#[test]
fn every_command_is_listed() {
    let page = read("docs/commands.md");
    for command in stonechat::cli::command().get_subcommands() {
        assert!(page.contains(&format!("`stonechat {}", command.get_name())), "{}", command.get_name());
    }
}

/// The demo's site after a week with an outage, downloads and a write-off; made once for all tests.
pub fn demo_site() -> &'static Path {
    static SITE: OnceLock<(tempfile::TempDir, PathBuf)> = OnceLock::new();
    let (_, site) = SITE.get_or_init(|| {
        let dir = tempfile::tempdir().unwrap();
        let site = dir.path().join("site");
        let demo = binary().args(["demo", "--days", "7", "--dir"]).arg(&site).output().unwrap();
        assert!(demo.status.success(), "{}", String::from_utf8_lossy(&demo.stderr));
        (dir, site)
    });
    site
}

#[test]
fn every_report_runs_on_a_site() {
    let (dir, site) = (tempfile::tempdir().unwrap(), demo_site());
    let stick = dir.path().join("stick");
    std::fs::create_dir(&stick).unwrap();
    let mut ran = 0;
    for words in commands() {
        let [_, name, ..] = words.as_slice() else { continue };
        let is_report =
            ["status", "gaps", "visits", "completeness", "verify", "set-aside", "backup", "compare"]
                .contains(&name.as_str());
        // Salvage is not in it: here is no damaged ledger; tests/salvage.rs has some. `A` and `B` are any two copies.
        if !is_report || words.contains(&"A".to_owned()) {
            continue;
        }
        let output = binary()
            .current_dir(dir.path())
            .arg("-c")
            .arg(site.join("site.toml"))
            .args(words[1..].iter().map(|word| on_this_site(word, &stick)))
            .output()
            .unwrap();
        let said =
            String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
        // A backup never overwrites: the second one of the same name is refused as it must be.
        let again = name == "backup" && said.contains("there is a file already");
        assert!(matches!(output.status.code(), Some(0 | 1)) || again, "{words:?}: {}\n{said}", output.status);
        ran += 1;
    }
    assert!(ran >= 20, "{ran}");
}

/// The handbook's logger and paths as this test has them.
fn on_this_site(word: &str, stick: &Path) -> String {
    match word {
        "17" => "11".to_owned(),
        _ => word.replace("/media/stick", stick.to_str().unwrap()),
    }
}
