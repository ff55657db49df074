//! The foundations (ciphers, checksums, framing) against values from outside the project; each test names its source.
//! Where the values come from: `tests/data/reference/README.md`.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use aes_gcm::aead::inout::InOutBuf;
use aes_gcm::aead::{AeadInOut, Nonce, Tag};
use aes_gcm::{Aes128Gcm, Aes256Gcm, KeyInit};
use stonechat::record::coverage::RangeSet;
use stonechat::seal::{SlotKey, check};
use stonechat::wire::seq::{Address, Slot};
use stonechat::wire::{cobs, frame};
use util::{csv, read_data, unhex};

/// McGrew & Viega, "The Galois/Counter Mode of Operation" test cases; NIST CAVP gcmEncryptExtIV; the Python
/// library `cryptography`.
#[test]
fn aes_gcm_gives_the_published_ciphertexts_and_refuses_a_changed_tag() {
    fn check<A: AeadInOut + KeyInit>(row: &[String]) {
        let (iv, aad, plaintext) = (unhex(&row[4]), unhex(&row[5]), unhex(&row[6]));
        let cipher = A::new_from_slice(&unhex(&row[3])).unwrap();
        let nonce = <&Nonce<A>>::try_from(&iv[..]).unwrap();
        let mut body = plaintext.clone();
        let tag = cipher.encrypt_inout_detached(nonce, &aad, InOutBuf::from(&mut body[..])).unwrap();
        assert_eq!(body, unhex(&row[7]), "{}", row[1]);
        assert_eq!(tag.to_vec(), unhex(&row[8]), "{}", row[1]);
        let mut wrong = tag.to_vec();
        wrong[15] ^= 1;
        let wrong = <&Tag<A>>::try_from(&wrong[..]).unwrap();
        let mut opened = body.clone();
        assert!(cipher.decrypt_inout_detached(nonce, &aad, InOutBuf::from(&mut opened[..]), wrong).is_err());
        cipher.decrypt_inout_detached(nonce, &aad, InOutBuf::from(&mut body[..]), &tag).unwrap();
        assert_eq!(body, plaintext);
    }
    let rows = csv("reference/aes_gcm.csv");
    for row in &rows {
        match row[2].as_str() {
            "128" => check::<Aes128Gcm>(row),
            "256" => check::<Aes256Gcm>(row),
            other => panic!("key of {other} bits"),
        }
    }
    assert_eq!(rows.len(), 19);
}

/// RFC 5869, appendix A, and the Python library `cryptography`.
#[test]
fn hkdf_gives_the_rfcs_output() {
    let rows = csv("reference/hkdf_sha256.csv");
    for row in &rows {
        let salt = unhex(&row[2]);
        let salt = (!salt.is_empty()).then_some(&salt[..]);
        let mut out = vec![0; row[4].parse().unwrap()];
        hkdf::Hkdf::<sha2::Sha256>::new(salt, &unhex(&row[1])).expand(&unhex(&row[3]), &mut out).unwrap();
        assert_eq!(out, unhex(&row[6]), "{}", row[0]);
    }
    assert_eq!(rows.len(), 6);
}

/// HKDF-SHA-256 (RFC 5869) by Python's `hmac` and `hashlib`: `tests/scripts/key_checks.py`.
#[test]
fn check_values_of_keys_are_those_of_an_independent_hkdf() {
    let rows = csv("reference/key_check.csv");
    for row in &rows {
        let (address, slot) = (Address::new(row[1].parse().unwrap()).unwrap(), Slot(row[2].parse().unwrap()));
        let key = SlotKey::new(&unhex(&row[3])).unwrap();
        assert_eq!(check::of(&key, address, slot).to_string(), row[4], "{address}, slot {}", slot.0);
    }
    assert_eq!(rows.len(), 17);
    // The same key under another name has another value, and so has another key under the same name.
    let values: std::collections::BTreeSet<&String> = rows.iter().map(|row| &row[4]).collect();
    assert_eq!(values.len(), rows.len());
}

/// RFC 1662 (FCS-16) by two Python libraries; 0x906E is the published check value.
#[test]
fn check_sequence_gives_the_catalogues_values() {
    let rows = csv("reference/crc16_ibm_sdlc.csv");
    for row in &rows {
        let message = unhex(&row[2]);
        let value = u16::from_str_radix(row[3].trim_start_matches("0x"), 16).unwrap();
        assert_eq!(frame::fcs(&message), value, "{}", row[0]);
        assert_eq!(value.to_le_bytes().to_vec(), unhex(&row[4]));
    }
    assert!(rows.iter().any(|row| row[3] == "0x906E"));
    assert_eq!(rows.len(), 14);
}

/// Cheshire & Baker 1999 (the packet of figure 3 and the rows of its example), and the Python library `cobs`.
#[test]
fn cobs_gives_the_papers_examples() {
    let rows = csv("reference/cobs.csv");
    for row in &rows {
        let (data, encoded) = (unhex(&row[2]), unhex(&row[4]));
        let mut ours = Vec::new();
        cobs::encode(&data, &mut ours);
        assert_eq!(ours, encoded, "{}", row[0]);
        let mut out = vec![0; encoded.len()];
        let len = cobs::decode(&encoded[..encoded.len() - 1], &mut out).unwrap();
        assert_eq!(out[..len], data, "{}", row[0]);
    }
    assert_eq!(rows.len(), 14);
}

/// Interval subtraction by the Python libraries `portion` and `numpy`.
#[test]
fn missing_ranges_are_those_of_independent_interval_arithmetic() {
    let (mut ran, mut moved) = (0, 0);
    for file in ["reference/sequence_gaps_small.json", "reference/sequence_gaps_large.json"] {
        let cases: serde_json::Value = serde_json::from_str(&read_data(file)).unwrap();
        for case in cases["cases"].as_array().unwrap() {
            let name = case["name"].as_str().unwrap();
            // A sequence of ours never wraps; the cases with a modulus give their numbers unwrapped.
            let numbers = if case["modulus"] == 0 { &case["received"] } else { &case["unwrapped"] };
            let numbers: Vec<u64> =
                numbers.as_array().unwrap().iter().map(|number| number.as_u64().unwrap()).collect();
            // A sequence has 32 bits: the three cases with larger numbers are moved down as a whole.
            let large = numbers.iter().any(|&number| u32::try_from(number).is_err());
            let down = if large { case["first"].as_u64().unwrap() - 1 } else { 0 };
            moved += usize::from(large);
            let small = |number: &serde_json::Value| u32::try_from(number.as_u64().unwrap() - down).unwrap();
            let numbers: Vec<u32> =
                numbers.iter().map(|number| u32::try_from(number - down).unwrap()).collect();
            let mut set = RangeSet::default();
            let duplicates = numbers.iter().filter(|&&number| !set.insert(number)).count();
            assert_eq!(duplicates as u64, case["duplicates"].as_u64().unwrap(), "{name}");
            assert_eq!(set.count(), case["unique"].as_u64().unwrap(), "{name}");
            let missing: Vec<(u32, u32)> = case["missing"]
                .as_array()
                .unwrap()
                .iter()
                .map(|pair| (small(&pair[0]), small(&pair[1])))
                .collect();
            if case["first"].is_u64() {
                let found = set.missing(small(&case["first"])..=small(&case["last"]));
                assert_eq!(found.ranges(), &missing[..], "{name}");
                assert_eq!(found.count(), case["missing_count"].as_u64().unwrap(), "{name}");
            }
            ran += 1;
        }
    }
    assert_eq!((ran, moved), (33, 3));
}
