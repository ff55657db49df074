//! Opens and seals records: AES-GCM over an air frame, and the keys for it.
//!
//! Input: [`AirFrame`] views of `wire`, keys of [`keyring::Keyring`]. Output: plaintext for `wire::record`, or the
//! reason why a frame cannot be opened; in the other direction, whole air frames for the simulated field.
//!
//! ```text
//! nonce = associated data = header (12 bytes, exactly as sent)
//! air frame = header ‖ ciphertext (as long as the record) ‖ tag (16)
//! ```
//!
//! What this is not: it never decides whether an opened record is accepted (`judge` does).
//!
//! Promises: no byte of a frame whose tag fails is ever returned; each key has one place on the heap, is cleared when
//! dropped and prints as `…`; what key derivation leaves on the stack is overwritten; opening allocates nothing.
//!
//! Standards: NIST SP 800-38D (GCM; deterministic nonce of section 8.2.1), RFC 5116 (AEAD), RFC 5869 (HKDF).
//!
//! ```
//! use stonechat::seal::keyring::{Keyring, Unopened};
//! use stonechat::seal::{Cipher, SlotKey};
//! use stonechat::wire::frame::{AirFrame, RECORD_MAX};
//! use stonechat::wire::seq::{Identity, Slot};
//!
//! # (|| {
//! // Logger 17 seals its record 42, and the gateway has the same key.
//! let (slot, id, key) = (Slot(0), Identity::new(17, 1, 42)?, SlotKey::new(&[7; 16])?);
//! let mut air = Cipher::new(&key).seal(slot, id, b"a record")?;
//! let mut keyring = Keyring::default();
//! keyring.give(id.address, slot, key);
//! let mut out = [0; RECORD_MAX];
//! assert_eq!(keyring.open(&AirFrame::parse(&air).ok()?, &mut out), Ok(&b"a record"[..]));
//!
//! // With one wrong bit the tag fails, and no byte is returned.
//! air[20] ^= 1;
//! assert_eq!(keyring.open(&AirFrame::parse(&air).ok()?, &mut out), Err(Unopened::TagFails));
//! assert_eq!(out, [0; RECORD_MAX]);
//! # Some(())
//! # })().unwrap();
//! ```

pub mod check;
pub mod keyring;
pub mod memory;

use crate::wire::frame::{self, AirFrame, RECORD_MAX};
use crate::wire::seq::{Address, Identity, Slot};
use aes_gcm::aead::inout::InOutBuf;
use aes_gcm::aead::{AeadInOut, Nonce, Tag};
use aes_gcm::{Aes128Gcm, Aes256Gcm, KeyInit};
use hkdf::Hkdf;
use sha2::Sha256;
use std::fmt;
use zeroize::{Zeroize, Zeroizing};

/// The salt for every key derivation of this format.
const SALT: &[u8] = b"stonechat/1";

/// A key of one slot: 16 bytes (AES-128-GCM) or 32 (AES-256-GCM). Boxed, because a move on the stack leaves copies
/// behind.
pub enum SlotKey {
    /// AES-128-GCM.
    Aes128(Box<[u8; 16]>),
    /// AES-256-GCM.
    Aes256(Box<[u8; 32]>),
}

/// Copies bytes directly into their own place on the heap. `None` unless there are exactly `N`.
fn boxed<const N: usize>(bytes: &[u8]) -> Option<Box<[u8; N]>> {
    let mut place = Box::new([0; N]);
    (bytes.len() == N).then(|| {
        place.copy_from_slice(bytes);
        place
    })
}

impl SlotKey {
    /// `None` unless there are 16 or 32 bytes.
    pub fn new(bytes: &[u8]) -> Option<Self> {
        boxed(bytes).map(Self::Aes128).or_else(|| boxed(bytes).map(Self::Aes256))
    }

    fn bytes(&self) -> &[u8] {
        match self {
            Self::Aes128(bytes) => &bytes[..],
            Self::Aes256(bytes) => &bytes[..],
        }
    }

    /// Its hex digits, for a logger's key sheet and nothing else; wiped when dropped.
    pub fn hex(&self) -> Zeroizing<String> {
        hex(self.bytes())
    }

    /// The name of its algorithm in RFC 5116.
    pub fn algorithm(&self) -> &'static str {
        match self {
            Self::Aes128(_) => "AEAD_AES_128_GCM",
            Self::Aes256(_) => "AEAD_AES_256_GCM",
        }
    }

    /// The key of frames *to* a logger, derived from the slot's own key; of the same length.
    ///
    /// Source: HKDF-SHA-256 (RFC 5869), salt `stonechat/1`, info `to-logger` ‖ address ‖ slot.
    pub fn to_logger(&self, address: Address, slot: Slot) -> Self {
        match self {
            Self::Aes128(_) => Self::Aes128(derive(self.bytes(), b"to-logger", address, slot)),
            Self::Aes256(_) => Self::Aes256(derive(self.bytes(), b"to-logger", address, slot)),
        }
    }
}

impl Clone for SlotKey {
    fn clone(&self) -> Self {
        let mut copy = match self {
            Self::Aes128(_) => Self::Aes128(Box::new([0; 16])),
            Self::Aes256(_) => Self::Aes256(Box::new([0; 32])),
        };
        match &mut copy {
            Self::Aes128(bytes) => bytes.copy_from_slice(self.bytes()),
            Self::Aes256(bytes) => bytes.copy_from_slice(self.bytes()),
        }
        copy
    }
}

impl Drop for SlotKey {
    fn drop(&mut self) {
        match self {
            Self::Aes128(bytes) => bytes.as_mut_slice().zeroize(),
            Self::Aes256(bytes) => bytes.as_mut_slice().zeroize(),
        }
    }
}

impl fmt::Debug for SlotKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("SlotKey(…)")
    }
}

/// A 32-byte key from which the keys of a site's loggers are derived.
pub struct SiteKey(Box<[u8; 32]>);

impl Drop for SiteKey {
    fn drop(&mut self) {
        self.0.as_mut_slice().zeroize();
    }
}

impl SiteKey {
    /// `None` unless there are 32 bytes.
    pub fn new(bytes: &[u8]) -> Option<Self> {
        boxed(bytes).map(Self)
    }

    /// A logger's key for a slot.
    ///
    /// Source: HKDF-SHA-256 (RFC 5869), salt `stonechat/1`, info `logger` ‖ address ‖ slot, length 16.
    pub fn derive(&self, address: Address, slot: Slot) -> SlotKey {
        SlotKey::Aes128(derive(&self.0[..], b"logger", address, slot))
    }
}

impl fmt::Debug for SiteKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("SiteKey(…)")
    }
}

fn derive<const N: usize>(key: &[u8], label: &[u8], address: Address, slot: Slot) -> Box<[u8; N]> {
    let mut out = Box::new([0; N]);
    let info: [&[u8]; 3] = [label, &address.number().to_be_bytes(), &[slot.0]];
    // HKDF-SHA-256 gives up to 255 · 32 bytes, so 16 or 32 never fail.
    let filled =
        memory::wiped(|| Hkdf::<Sha256>::new(Some(SALT), key).expand_multi_info(&info, &mut out[..]));
    debug_assert!(filled.is_ok());
    out
}

/// The hex digits of secret bytes, in a text that is never moved and is wiped when dropped.
pub fn hex(secret: &[u8]) -> Zeroizing<String> {
    // Reserve all the room at once: a text that grows leaves copies behind.
    let mut text = Zeroizing::new(String::with_capacity(2 * secret.len()));
    for byte in secret {
        for digit in [byte >> 4, byte & 0xF] {
            text.extend(char::from_digit(u32::from(digit), 16));
        }
    }
    text
}

/// A key with its key schedule, ready to open and seal. It is cleared when dropped.
pub struct Cipher(Schedule);

enum Schedule {
    Aes128(Box<Aes128Gcm>),
    Aes256(Box<Aes256Gcm>),
}

impl fmt::Debug for Cipher {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Cipher(…)")
    }
}

impl Cipher {
    /// Computes the key schedule.
    pub fn new(key: &SlotKey) -> Self {
        memory::wiped(|| {
            Self(match key {
                SlotKey::Aes128(bytes) => Schedule::Aes128(Box::new(Aes128Gcm::new((&**bytes).into()))),
                SlotKey::Aes256(bytes) => Schedule::Aes256(Box::new(Aes256Gcm::new((&**bytes).into()))),
            })
        })
    }

    /// Opens an air frame into the front of `out`; `None` if its tag fails, and then `out` holds nothing of it.
    ///
    /// Shape: returns as many bytes as the sealed record has, 1 to 194.
    /// Source: NIST SP 800-38D, 7.2.
    pub fn open<'a>(&self, frame: &AirFrame<'_>, out: &'a mut [u8; RECORD_MAX]) -> Option<&'a [u8]> {
        let (header, sealed, tag) = frame.parts();
        let out = out.get_mut(..sealed.len())?;
        out.copy_from_slice(sealed);
        let opened = match &self.0 {
            Schedule::Aes128(cipher) => open_in_place(&**cipher, header, out, tag),
            Schedule::Aes256(cipher) => open_in_place(&**cipher, header, out, tag),
        };
        if !opened {
            out.zeroize();
            return None;
        }
        Some(out)
    }

    /// Seals a record as an air frame from a logger. `None` unless it has 1 to 194 bytes.
    pub fn seal(&self, slot: Slot, identity: Identity, plaintext: &[u8]) -> Option<Vec<u8>> {
        self.seal_version(frame::VERSION, slot, identity, plaintext)
    }

    /// Seals a request as an air frame to a logger; the cipher is that of [`SlotKey::to_logger`].
    pub fn seal_to_logger(&self, slot: Slot, identity: Identity, plaintext: &[u8]) -> Option<Vec<u8>> {
        self.seal_version(frame::VERSION_TO_LOGGER, slot, identity, plaintext)
    }

    /// Opens an air frame to a logger, as the logger does; the cipher is that of [`SlotKey::to_logger`]. `None` if the
    /// frame is too short, of another version, or its tag fails.
    pub fn open_to_logger(&self, air: &[u8]) -> Option<Vec<u8>> {
        let (header, rest) = air.split_at_checked(frame::HEADER_LEN)?;
        let (sealed, tag) = rest.split_last_chunk::<{ frame::TAG_LEN }>()?;
        if header.first() != Some(&frame::VERSION_TO_LOGGER) || sealed.is_empty() {
            return None;
        }
        let mut plaintext = sealed.to_vec();
        let opened = match &self.0 {
            Schedule::Aes128(cipher) => open_in_place(&**cipher, header, &mut plaintext, tag),
            Schedule::Aes256(cipher) => open_in_place(&**cipher, header, &mut plaintext, tag),
        };
        opened.then_some(plaintext)
    }

    fn seal_version(&self, version: u8, slot: Slot, identity: Identity, plaintext: &[u8]) -> Option<Vec<u8>> {
        if plaintext.is_empty() || plaintext.len() > RECORD_MAX {
            return None;
        }
        let header = frame::header(version, slot, identity.address, identity.epoch, identity.sequence);
        let mut air = header.to_vec();
        air.extend_from_slice(plaintext);
        let body = &mut air[frame::HEADER_LEN..];
        let tag = match &self.0 {
            Schedule::Aes128(cipher) => seal_in_place(&**cipher, &header, body),
            Schedule::Aes256(cipher) => seal_in_place(&**cipher, &header, body),
        }?;
        air.extend_from_slice(&tag);
        Some(air)
    }
}

fn open_in_place<A: AeadInOut>(cipher: &A, header: &[u8], body: &mut [u8], tag: &[u8]) -> bool {
    let (Ok(nonce), Ok(tag)) = (<&Nonce<A>>::try_from(header), <&Tag<A>>::try_from(tag)) else {
        return false;
    };
    cipher.decrypt_inout_detached(nonce, header, InOutBuf::from(body), tag).is_ok()
}

fn seal_in_place<A: AeadInOut>(cipher: &A, header: &[u8], body: &mut [u8]) -> Option<Vec<u8>> {
    let nonce = <&Nonce<A>>::try_from(header).ok()?;
    let tag = cipher.encrypt_inout_detached(nonce, header, InOutBuf::from(body)).ok()?;
    Some(tag.to_vec())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_flipped_bit_of_a_frame_is_refused() {
        let key = SlotKey::new(&[7; 16]).unwrap();
        let cipher = Cipher::new(&key);
        let identity = Identity::new(17, 3, 9).unwrap();
        let air = cipher.seal(Slot(2), identity, b"a record").unwrap();
        let mut out = [0; RECORD_MAX];
        assert_eq!(cipher.open(&AirFrame::parse(&air).unwrap(), &mut out), Some(b"a record".as_slice()));
        for bit in 0..air.len() * 8 {
            let mut forged = air.clone();
            forged[bit / 8] ^= 1 << (bit % 8);
            let Ok(view) = AirFrame::parse(&forged) else { continue };
            let mut out = [0xEE; RECORD_MAX];
            assert_eq!(cipher.open(&view, &mut out), None, "bit {bit}");
            assert!(out[..8].iter().all(|&byte| byte == 0), "plaintext of a forged frame stays behind");
        }
    }

    #[test]
    fn keys_do_not_print() {
        let key = SlotKey::new(&[0xAB; 32]).unwrap();
        let site = SiteKey::new(&[0xAB; 32]).unwrap();
        let printed = format!("{key:?} {site:?} {:?}", Cipher::new(&key)).to_lowercase();
        assert!(!printed.contains("ab, ") && !printed.contains("abab") && !printed.contains("171"));
    }

    #[test]
    fn a_key_sheet_has_every_digit_of_a_key() {
        let key = SlotKey::new(&std::array::from_fn::<u8, 16, _>(|i| i as u8 * 17)).unwrap();
        assert_eq!(*key.hex(), "00112233445566778899aabbccddeeff");
        assert_eq!(SlotKey::new(&[0xAB; 32]).unwrap().hex().len(), 64);
    }
}
