//! The pages that people read: their links work, also in the package; the messages that they quote are the program's;
//! the picture is one that the demo makes.

use crate::handbook::demo_site;
use crate::{project, read};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// README, DEVELOPERS and every page in `docs`, below the project's folder.
fn pages() -> Vec<PathBuf> {
    let mut found = vec![project().join("README.md"), project().join("DEVELOPERS.md")];
    found.extend(markdown(&project().join("docs")));
    assert!(found.len() >= 10, "{found:?}");
    found
}

/// The pages in a folder.
pub fn markdown(folder: &Path) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    entries.filter(|path| path.extension().is_some_and(|end| end == "md")).collect()
}

/// Links and pictures of a page that lead to a file: `](target)`, without web addresses and places on the same page.
fn links(page: &Path) -> Vec<String> {
    let text = std::fs::read_to_string(page).unwrap();
    let targets = text.split("](").skip(1).filter_map(|rest| rest.split_once(')')).map(|(target, _)| target);
    let of_files = targets.filter(|target| !target.contains("://") && !target.starts_with('#'));
    of_files.map(|target| target.split('#').next().unwrap().to_owned()).collect()
}

/// Fails if a link of a page leads to no file; returns how many lead to one.
pub fn links_lead_to_files(pages: &[PathBuf]) -> usize {
    let mut count = 0;
    for page in pages {
        for link in links(page) {
            let target = page.parent().unwrap().join(&link);
            assert!(target.exists(), "{}: {link} leads nowhere", page.display());
            count += 1;
        }
    }
    count
}

#[test]
fn every_link_leads_to_a_file() {
    let count = links_lead_to_files(&pages());
    assert!(count >= 30, "{count}");
}

/// The program's sources, with strings over several lines put together.
fn sources() -> String {
    let mut text = String::new();
    let mut folders = vec![project().join("src")];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|end| end == "rs") {
                text += &std::fs::read_to_string(path).unwrap();
            }
        }
    }
    let mut joined = String::with_capacity(text.len());
    let mut parts = text.split("\\\n");
    joined += parts.next().unwrap();
    for part in parts {
        joined += part.trim_start();
    }
    joined
}

#[test]
fn the_messages_that_troubleshooting_quotes_are_the_programs() {
    let page = read("docs/troubleshooting.md");
    let (_, table) = page.split_once("\n| the journal says |").unwrap();
    let sources = sources();
    let mut count = 0;
    for row in table.lines().skip(2).take_while(|line| line.starts_with("| ")) {
        let message = row.split('`').nth(1).unwrap_or_else(|| panic!("no message is quoted: {row}"));
        for part in message.split('…').map(str::trim).filter(|part| !part.is_empty()) {
            assert!(sources.contains(part), "the program does not say: {part}");
            count += 1;
        }
    }
    assert!(count >= 9, "{count}");
}

/// `.ci/run` runs both; here is that they are the ones which the README names.
#[test]
fn the_readmes_two_commands_are_there_and_are_what_ci_runs() {
    let readme = read("README.md");
    let commands: Vec<&str> = readme.lines().filter_map(|line| line.strip_prefix("    ")).collect();
    assert_eq!(commands, ["cargo demo", "tests/run"]);
    let demo = "--locked --no-default-features --features sim -- demo";
    assert!(read(".cargo/config.toml").contains(&format!("\ndemo = \"run --release {demo}\"\n")));
    let ci = read(".ci/run");
    assert!(ci.contains("\ntests/run\n") && ci.contains(&format!("\ncargo run {demo}\n")), "{ci}");
    assert!(readme.lines().count() <= 80, "the README is one page");
}

/// The texts of a picture without figures: what stays the same whenever it is made.
fn words(svg: &str) -> BTreeSet<String> {
    let texts = svg.split("<text").skip(1).map(|rest| rest.split_once('>').unwrap().1);
    let texts = texts.map(|rest| rest.split_once("</text>").unwrap().0);
    texts.map(|text| text.replace(|c: char| c.is_ascii_digit(), "").trim().to_owned()).collect()
}

#[test]
fn the_readmes_picture_is_one_that_the_demo_makes() {
    let readme = read("README.md");
    let (_, name) = readme.split_once("](docs/pictures/").unwrap();
    let (name, _) = name.split_once(')').unwrap();
    let made = std::fs::read_to_string(demo_site().join(name)).unwrap();
    let kept = project().join("docs/pictures").join(name);
    if std::env::var_os("UPDATE_SNAPSHOTS").is_some() {
        std::fs::write(&kept, &made).unwrap();
    }
    let kept = std::fs::read_to_string(kept).unwrap();
    assert_eq!(words(&kept), words(&made), "make it anew with UPDATE_SNAPSHOTS=1");
}
