//! The dependencies comply with `deny.toml` (licences, origins, duplicates), and with the promised release of Rust.

use crate::{project, read};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::process::Command;

/// Licences that are allowed before a library has them, and what for. A line goes once one has.
const AHEAD: &[(&str, &str)] =
    &[("ISC", "ring, rustls-webpki and untrusted: TLS for mail and for an office's database")];

fn policy() -> toml::Table {
    read("deny.toml").parse().unwrap()
}

fn strings(value: &toml::Value) -> Vec<String> {
    value.as_array().unwrap().iter().map(|text| text.as_str().unwrap().to_owned()).collect()
}

/// The packages of all targets that the policy names, development's too.
fn packages(policy: &toml::Table) -> Vec<Value> {
    let mut command = Command::new(env!("CARGO"));
    command.current_dir(project()).args(["metadata", "--format-version", "1", "--locked", "--offline"]);
    for target in strings(&policy["graph"]["targets"]) {
        command.args(["--filter-platform", &target]);
    }
    let output = command.output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let metadata: Value = serde_json::from_slice(&output.stdout).unwrap();
    metadata["packages"].as_array().unwrap().clone()
}

/// Whether a licence expression of SPDX (annex D of its specification 2.3) is met by what is allowed. The old slash
/// is an OR, as Cargo's manual has it.
fn is_met(expression: &str, allowed: &BTreeSet<String>) -> bool {
    let spaced = expression.replace('/', " OR ").replace('(', " ( ").replace(')', " ) ");
    let mut words = spaced.split_whitespace().peekable();
    let met = any(&mut words, allowed);
    assert!(words.next().is_none(), "{expression}");
    met
}

type Words<'a> = std::iter::Peekable<std::str::SplitWhitespace<'a>>;

fn any(words: &mut Words<'_>, allowed: &BTreeSet<String>) -> bool {
    let mut met = all(words, allowed);
    while words.next_if_eq(&"OR").is_some() {
        met |= all(words, allowed);
    }
    met
}

fn all(words: &mut Words<'_>, allowed: &BTreeSet<String>) -> bool {
    let mut met = one(words, allowed);
    while words.next_if_eq(&"AND").is_some() {
        met &= one(words, allowed);
    }
    met
}

fn one(words: &mut Words<'_>, allowed: &BTreeSet<String>) -> bool {
    let word = words.next().unwrap();
    if word == "(" {
        let met = any(words, allowed);
        assert_eq!(words.next(), Some(")"));
        return met;
    }
    // What an exception adds is a further permission; without being named it is not counted on.
    match words.next_if_eq(&"WITH") {
        Some(_) => allowed.contains(&format!("{word} WITH {}", words.next().unwrap())),
        None => allowed.contains(word),
    }
}

#[test]
fn licence_expressions_are_read_as_spdx_has_them() {
    let allowed = BTreeSet::from(["MIT".to_owned(), "Unicode-3.0".to_owned()]);
    for met in ["MIT", "GPL-3.0-only OR MIT", "Apache-2.0/MIT", "(MIT OR Apache-2.0) AND Unicode-3.0"] {
        assert!(is_met(met, &allowed), "{met}");
    }
    for not in ["GPL-3.0-only", "MIT AND GPL-3.0-only", "MIT WITH x", "MIT AND (Zlib OR Apache-2.0)", "mit"] {
        assert!(!is_met(not, &allowed), "{not}");
    }
    // AND binds tighter.
    assert!(is_met("MIT OR Zlib AND Apache-2.0", &allowed));
}

#[test]
fn every_library_has_a_licence_that_is_allowed_and_comes_from_the_registry() {
    let policy = policy();
    let licences = &policy["licenses"];
    let allowed: BTreeSet<String> = strings(&licences["allow"]).into_iter().collect();
    let mut exceptions = BTreeMap::new();
    for exception in licences["exceptions"].as_array().unwrap() {
        exceptions.insert(exception["crate"].as_str().unwrap().to_owned(), strings(&exception["allow"]));
    }
    let registries: Vec<String> =
        strings(&policy["sources"]["allow-registry"]).iter().map(|url| format!("registry+{url}")).collect();
    let packages = packages(&policy);
    assert!(packages.len() > 80, "{}", packages.len());
    for package in &packages {
        let name = package["name"].as_str().unwrap();
        if name == "stonechat" {
            continue;
        }
        let mut allowed = allowed.clone();
        allowed.extend(exceptions.remove(name).into_iter().flatten());
        let licence = package["license"].as_str().unwrap_or_else(|| panic!("{name} names no licence"));
        assert!(is_met(licence, &allowed), "{name}: {licence} is not allowed in deny.toml");
        let source = package["source"].as_str().unwrap_or_default();
        assert!(registries.iter().any(|registry| registry == source), "{name} comes from {source:?}");
    }
    assert!(exceptions.is_empty(), "deny.toml excepts what is not used: {exceptions:?}");
}

#[test]
fn a_licence_is_allowed_because_a_library_has_it_or_one_that_is_decided_on_will() {
    let packages = packages(&policy());
    let named: BTreeSet<&str> = packages
        .iter()
        .filter_map(|package| package["license"].as_str())
        .flat_map(|licence| licence.split([' ', '/', '(', ')']))
        .collect();
    let allowed = strings(&policy()["licenses"]["allow"]);
    for licence in &allowed {
        let ahead = AHEAD.iter().any(|(name, _)| name == licence);
        let is_named = named.contains(licence.as_str());
        assert!(
            is_named || ahead,
            "no library has {licence}: take it out of deny.toml, or say in AHEAD what it is for"
        );
        assert!(!(is_named && ahead), "a library has {licence} by now: take it out of AHEAD");
    }
    for (licence, reason) in AHEAD {
        assert!(allowed.iter().any(|name| name == licence) && reason.len() > 10, "{licence}: {reason}");
    }
}

#[test]
fn the_project_brings_the_texts_of_the_licences_that_it_promises() {
    let package: toml::Table = read("Cargo.toml").parse().unwrap();
    assert_eq!(package["package"]["license"].as_str(), Some("MIT OR Apache-2.0"));
    let mit = read("LICENSE-MIT");
    assert!(
        mit.contains("Copyright (c) The stonechat authors") && mit.contains("Permission is hereby granted")
    );
    let apache = read("LICENSE-APACHE");
    assert!(apache.contains("Version 2.0, January 2004") && apache.contains("END OF TERMS AND CONDITIONS"));
}

#[test]
fn no_library_is_there_twice_but_those_that_the_policy_excuses() {
    let policy = policy();
    let mut excused: BTreeSet<(String, String)> = BTreeSet::new();
    for skip in policy["bans"]["skip"].as_array().unwrap() {
        let (name, version) = skip["crate"].as_str().unwrap().split_once('@').unwrap();
        assert!(skip["reason"].as_str().is_some_and(|reason| reason.len() > 10), "{name} has no reason");
        excused.insert((name.to_owned(), version.to_owned()));
    }
    let mut versions: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for package in packages(&policy) {
        let text = |key: &str| package[key].as_str().unwrap().to_owned();
        versions.entry(text("name")).or_default().insert(text("version"));
    }
    for (name, versions) in versions.iter().filter(|(_, versions)| versions.len() > 1) {
        let left: Vec<_> = versions
            .iter()
            .filter(|version| {
                // `crate@0.2` excuses 0.2.17.
                let end = |(at, _): (usize, &str)| excused.remove(&(name.clone(), version[..at].to_owned()));
                !version.match_indices('.').any(end)
            })
            .collect();
        assert_eq!(left.len(), 1, "{name} is there as {versions:?}; see `cargo tree -d`");
    }
    assert!(excused.is_empty(), "deny.toml excuses what is not twice there: {excused:?}");
}

/// The promise is `rust-version`; that it builds there is what the compiler that runs this test shows where it is that
/// release, and CI's is.
#[test]
fn no_library_asks_for_a_newer_rust_than_is_promised() {
    let number =
        |text: &str| -> Vec<u32> { text.split('.').chain(["0"]).map(|part| part.parse().unwrap()).collect() };
    let promised = number(env!("CARGO_PKG_RUST_VERSION"));
    for package in packages(&policy()) {
        if let Some(asks) = package["rust_version"].as_str() {
            let asks_number = number(asks);
            assert!(asks_number[..2] <= promised[..2], "{} asks for {asks}", package["name"]);
        }
    }
}
