//! The fuzz targets as an ordinary test: every file of the committed corpus, and mutations of each under a seed, go
//! through the same functions that the fuzzer runs. Each finding of the fuzzer is a file of the corpus.
//!
//! `STONECHAT_TEST_MUTATIONS=N` sets the number of mutations of each file (default 60; a quarter of that for ledgers).
#![allow(clippy::unwrap_used, clippy::expect_used)]

#[path = "../fuzz/src/lib.rs"]
mod targets;
use crate::util;

use util::random::Random;

/// Files of a target's corpus, by name.
fn corpus(target: &str) -> Vec<(String, Vec<u8>)> {
    let dir = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("fuzz/corpus").join(target);
    let mut files: Vec<(String, Vec<u8>)> = std::fs::read_dir(&dir)
        .unwrap_or_else(|error| panic!("{}: {error}", dir.display()))
        .map(|entry| {
            let path = entry.unwrap().path();
            (path.file_name().unwrap().to_string_lossy().into_owned(), std::fs::read(&path).unwrap())
        })
        .collect();
    files.sort();
    files
}

fn mutate(bytes: &mut Vec<u8>, other: &[u8], random: &mut Random) {
    for _ in 0..1 + random.below(4) {
        let at = random.below(bytes.len() + 1);
        let len = (1 + random.below(16)).min(bytes.len() - at);
        match random.below(6) {
            0 if at < bytes.len() => bytes[at] ^= 1 << (random.below(8)),
            1 if at < bytes.len() => bytes[at] = [0, 0xFF, b'\n', b'"', b',', b'-', 1, 0x80][random.below(8)],
            2 => bytes.truncate(at),
            3 => {
                bytes.drain(at..at + len);
            }
            4 => {
                let copy = bytes[at..at + len].to_vec();
                let to = random.below(bytes.len() + 1);
                bytes.splice(to..to, copy);
            }
            _ if !other.is_empty() => {
                let from = random.below(other.len());
                let piece = &other[from..(from + 1 + random.below(64)).min(other.len())];
                bytes.splice(at..at, piece.iter().copied());
            }
            _ => bytes.push(random.next() as u8),
        }
    }
}

#[test]
fn every_file_of_the_corpus_and_what_comes_of_changing_it_does_no_harm() {
    let mutations: u64 = std::env::var("STONECHAT_TEST_MUTATIONS").map_or(60, |text| text.parse().unwrap());
    let mut runs = 0;
    for (name, target) in targets::TARGETS {
        let files = corpus(name);
        assert!(files.len() >= 3, "the corpus of {name} is all but empty");
        // A ledger is copied, opened and read several times over: an input of it costs a hundred of the others.
        let mutations = if name == "ledger" { mutations / 4 } else { mutations };
        for (at, (file, bytes)) in files.iter().enumerate() {
            for seed in 0..=mutations {
                let mut random = Random(seed ^ (at as u64) << 32);
                let mut input = bytes.clone();
                if seed > 0 {
                    let other = &files[random.below(files.len())].1;
                    mutate(&mut input, other, &mut random);
                }
                let done = std::panic::catch_unwind(|| target(&input));
                assert!(done.is_ok(), "{name}: {file}, mutation {seed}: {}", hex(&input));
                runs += 1;
            }
        }
    }
    targets::clean_up();
    let promise = "hostile bytes do no harm";
    util::promises::kept("corpus", promise, "the fuzz corpus and mutations of it", runs, "no panic");
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}
