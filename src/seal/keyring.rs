//! The keys of a site by logger and slot, and the only way to open a frame with them.
//!
//! Input: keys as `config::keys` reads them from the keyring's file. Output: an opened record or [`Unopened`]. Keys are
//! kept only here.
//!
//! A key that is given for a logger and slot is used instead of the derived one; all other slots that the site key may
//! serve use derived keys. A slot can be closed at a last identity, so that a leaked key cannot seal future records.
//!
//! A key is proven by the frames that it has opened itself, in this run or in an earlier one: the ledger keeps its
//! check value. A key that replaces a proven one is not proven, so frames that fail under it wait and do not count as
//! forged.
//!
//! Forged slots cannot make memory grow: the cipher of a derived key is kept only after it has opened a frame, so an
//! attacker who tries every slot of every logger has no effect.

use super::{Cipher, SiteKey, SlotKey, check};
use crate::wire::check::CheckedKey;
use crate::wire::frame::{AirFrame, RECORD_MAX};
use crate::wire::seq::{Address, Epoch, Sequence, Slot};
use std::collections::{BTreeMap, BTreeSet, HashMap};

/// Why a frame cannot be opened. The outcome is `unopened` in every case; the reason decides where it is kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unopened {
    NoKey,
    /// Its tag fails under a key that has never opened a frame. This is treated as if there were no key, because the
    /// logger may have another key that is not entered yet.
    Unproven,
    /// Its tag fails under a key that has opened frames before.
    TagFails,
    /// It is authentic, but its slot is closed before this identity.
    Closed,
}

/// The last identity that a slot may write.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Last {
    pub epoch: Epoch,
    pub sequence: Sequence,
}

/// The entry of a slot: whether it has its own key, and where it is closed. Never the key.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Entry {
    pub address: Address,
    pub slot: Slot,
    /// Whether it has its own key.
    pub is_given: bool,
    /// Where it is closed.
    pub last: Option<Last>,
}

/// All keys of a site.
#[derive(Default, Debug)]
pub struct Keyring {
    given: BTreeMap<(Address, Slot), SlotKey>,
    closed: BTreeMap<(Address, Slot), Last>,
    site: Option<SiteKey>,
    /// The slots whose keys may be derived; `None`: all.
    site_slots: Option<Vec<Slot>>,
    /// Ciphers of given keys, and of derived keys that have opened something.
    ready: HashMap<(Address, Slot), Ready>,
    /// Keys that have opened their first frame and are not yet recorded in the ledger.
    newly_proven: Vec<CheckedKey>,
}

#[derive(Debug)]
struct Ready {
    cipher: Cipher,
    name: CheckedKey,
    /// Whether it has opened a frame.
    proven: bool,
}

impl Keyring {
    /// Allows derived keys for `slots` (`None`: for every slot).
    pub fn set_site_key(&mut self, key: SiteKey, slots: Option<Vec<Slot>>) {
        self.site = Some(key);
        self.site_slots = slots;
    }

    /// Gives a logger its own key for a slot. `false` if that slot has one already.
    pub fn give(&mut self, address: Address, slot: Slot, key: SlotKey) -> bool {
        self.ready.insert((address, slot), Ready::new(&key, address, slot));
        self.given.insert((address, slot), key).is_none()
    }

    /// Closes a slot, given or derived, beyond `last`.
    pub fn close(&mut self, address: Address, slot: Slot, last: Last) {
        self.closed.insert((address, slot), last);
    }

    pub fn closed_at(&self, address: Address, slot: Slot) -> Option<Last> {
        self.closed.get(&(address, slot)).copied()
    }

    /// Every slot that has its own key or is closed, by logger and slot.
    pub fn entries(&self) -> impl Iterator<Item = Entry> {
        let places: BTreeSet<_> = self.given.keys().chain(self.closed.keys()).copied().collect();
        places.into_iter().map(|(address, slot)| Entry {
            address,
            slot,
            is_given: self.given.contains_key(&(address, slot)),
            last: self.closed_at(address, slot),
        })
    }

    /// Records that a key opened frames in an earlier run. If the slot has another key now, this proves nothing for it.
    pub fn mark_proven(&mut self, proven: CheckedKey) {
        let CheckedKey { address, slot, .. } = proven;
        if let Some(ready) = self.ready.get_mut(&(address, slot)) {
            ready.proven |= ready.name == proven;
        } else if let Some(key) = self.derived(address, slot) {
            let ready = Ready { proven: true, ..Ready::new(&key, address, slot) };
            if ready.name == proven {
                self.ready.insert((address, slot), ready);
            }
        }
    }

    /// The keys that have opened their first frame since the last call.
    pub fn take_newly_proven(&mut self) -> Vec<CheckedKey> {
        std::mem::take(&mut self.newly_proven)
    }

    /// All keys that have opened a frame, in this run or before.
    pub fn proven(&self) -> impl Iterator<Item = CheckedKey> {
        self.ready.values().filter(|ready| ready.proven).map(|ready| ready.name)
    }

    /// Check values of the keys of these loggers: given keys, and derived keys for the slots that may use them (if
    /// every slot may, only for slot 0: another site key changes that one too).
    pub fn checks(&self, loggers: impl Iterator<Item = Address>) -> BTreeSet<CheckedKey> {
        let derived = self.site_slots.as_deref().unwrap_or(&[Slot(0)]);
        let mut all = BTreeSet::new();
        for address in loggers {
            let slots: BTreeSet<Slot> = self.given_slots(address).chain(derived.iter().copied()).collect();
            let keys = slots.into_iter().filter_map(|slot| Some((slot, self.key(address, slot)?)));
            all.extend(keys.map(|(slot, key)| check::named(&key, address, slot)));
        }
        all
    }

    /// Whether any slot of this logger has a key.
    pub fn has_key_for(&self, address: Address) -> bool {
        let derives = self.site.is_some() && self.site_slots.as_ref().is_none_or(|slots| !slots.is_empty());
        derives || self.given.keys().any(|(given, _)| *given == address)
    }

    /// The slots for which a logger was given its own key, lowest first.
    pub fn given_slots(&self, address: Address) -> impl Iterator<Item = Slot> {
        let span = (address, Slot(0))..=(address, Slot(u8::MAX));
        self.given.range(span).map(|(&(_, slot), _)| slot)
    }

    /// Whether a slot has a key, given or derived.
    pub fn has_key(&self, address: Address, slot: Slot) -> bool {
        self.given.contains_key(&(address, slot)) || self.may_derive(slot)
    }

    /// Whether the key of this slot may be derived from the site key.
    pub fn may_derive(&self, slot: Slot) -> bool {
        self.site.is_some() && self.site_slots.as_ref().is_none_or(|slots| slots.contains(&slot))
    }

    /// The key of a slot, to make a logger's key sheet or a simulated logger.
    pub fn key(&self, address: Address, slot: Slot) -> Option<SlotKey> {
        self.given.get(&(address, slot)).cloned().or_else(|| self.derived(address, slot))
    }

    fn derived(&self, address: Address, slot: Slot) -> Option<SlotKey> {
        let given = self.given.contains_key(&(address, slot));
        self.site.as_ref().filter(|_| !given && self.may_derive(slot)).map(|site| site.derive(address, slot))
    }

    /// Opens a frame with the key of its slot, unless that slot is closed before the frame.
    pub fn open<'a>(
        &mut self,
        frame: &AirFrame<'_>,
        out: &'a mut [u8; RECORD_MAX],
    ) -> Result<&'a [u8], Unopened> {
        let place = (frame.identity.address, frame.slot);
        let opened = if let Some(ready) = self.ready.get_mut(&place) {
            let why = if ready.proven { Unopened::TagFails } else { Unopened::Unproven };
            let opened = ready.cipher.open(frame, out).ok_or(why);
            if opened.is_ok() && !ready.proven {
                ready.proven = true;
                self.newly_proven.push(ready.name);
            }
            opened
        } else {
            let key = self.derived(place.0, place.1).ok_or(Unopened::NoKey)?;
            let opened = Cipher::new(&key).open(frame, out).ok_or(Unopened::Unproven);
            if opened.is_ok() {
                let ready = Ready { proven: true, ..Ready::new(&key, place.0, place.1) };
                self.newly_proven.push(ready.name);
                self.ready.insert(place, ready);
            }
            opened
        }?;
        let at = Last { epoch: frame.identity.epoch, sequence: frame.identity.sequence };
        match self.closed.get(&place) {
            Some(last) if at > *last => Err(Unopened::Closed),
            _ => Ok(opened),
        }
    }
}

impl Ready {
    /// A cipher that has opened nothing yet.
    fn new(key: &SlotKey, address: Address, slot: Slot) -> Self {
        Self { cipher: Cipher::new(key), name: check::named(key, address, slot), proven: false }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::seq::Identity;

    fn air(key: &SlotKey, slot: u8, identity: Identity) -> Vec<u8> {
        Cipher::new(key).seal(Slot(slot), identity, b"record").unwrap()
    }

    fn open(keyring: &mut Keyring, air: &[u8]) -> Result<Vec<u8>, Unopened> {
        let mut out = [0; RECORD_MAX];
        keyring.open(&AirFrame::parse(air).unwrap(), &mut out).map(<[u8]>::to_vec)
    }

    #[test]
    fn forged_slots_leave_no_cipher_behind_and_are_distinguished_from_a_wrong_key() {
        let mut keyring = Keyring::default();
        let identity = Identity::new(9, 1, 1).unwrap();
        let wrong = SlotKey::new(&[1; 16]).unwrap();
        assert_eq!(open(&mut keyring, &air(&wrong, 0, identity)), Err(Unopened::NoKey));
        let site = SiteKey::new(&[5; 32]).unwrap();
        let right = site.derive(identity.address, Slot(0));
        keyring.set_site_key(site, None);
        for slot in 0..=255 {
            assert_eq!(open(&mut keyring, &air(&wrong, slot, identity)), Err(Unopened::Unproven));
        }
        assert!(keyring.ready.is_empty());
        assert!(open(&mut keyring, &air(&right, 0, identity)).is_ok());
        assert_eq!(open(&mut keyring, &air(&wrong, 0, identity)), Err(Unopened::TagFails));
        assert_eq!(keyring.ready.len(), 1);
    }

    #[test]
    fn a_key_is_proven_by_what_it_has_opened_and_not_by_what_another_one_of_its_slot_has() {
        let identity = Identity::new(9, 1, 1).unwrap();
        let (old, new) = (SlotKey::new(&[1; 16]).unwrap(), SlotKey::new(&[2; 32]).unwrap());
        let keyring = |key: &SlotKey| {
            let mut keyring = Keyring::default();
            assert!(keyring.give(identity.address, Slot(0), key.clone()));
            keyring
        };
        let mut first = keyring(&old);
        assert!(open(&mut first, &air(&old, 0, identity)).is_ok());
        let proven = first.take_newly_proven();
        assert_eq!(proven, [check::named(&old, identity.address, Slot(0))]);
        assert!(open(&mut first, &air(&old, 0, identity)).is_ok());
        assert_eq!((first.take_newly_proven(), first.proven().count()), (vec![], 1));
        for (key, why) in [(&old, Unopened::TagFails), (&new, Unopened::Unproven)] {
            let mut later = keyring(key);
            later.mark_proven(proven[0]);
            let other = if why == Unopened::TagFails { &new } else { &old };
            assert_eq!(open(&mut later, &air(other, 0, identity)), Err(why));
            assert!(open(&mut later, &air(key, 0, identity)).is_ok());
            assert_eq!(later.take_newly_proven().len(), usize::from(why == Unopened::Unproven));
        }
        // The same with derived keys.
        let site = |byte| SiteKey::new(&[byte; 32]).unwrap();
        let (right, wrong) = (site(5), site(6));
        let sealed = air(&right.derive(identity.address, Slot(3)), 3, identity);
        let mut first = Keyring::default();
        first.set_site_key(right, None);
        assert!(open(&mut first, &sealed).is_ok());
        let proven = first.take_newly_proven();
        let mut later = Keyring::default();
        later.set_site_key(wrong, None);
        later.mark_proven(proven[0]);
        assert_eq!(open(&mut later, &sealed), Err(Unopened::Unproven));
    }

    #[test]
    fn a_slot_has_a_key_if_one_was_given_or_may_be_derived() {
        let mut keyring = Keyring::default();
        let (ours, other) = (Address::new(9).unwrap(), Address::new(10).unwrap());
        assert!(!keyring.has_key(ours, Slot(0)));
        for slot in [7, 2] {
            keyring.give(ours, Slot(slot), SlotKey::new(&[1; 16]).unwrap());
        }
        keyring.set_site_key(SiteKey::new(&[5; 32]).unwrap(), Some(vec![Slot(0)]));
        let has =
            |address| (0..=255).filter(|&slot| keyring.has_key(address, Slot(slot))).collect::<Vec<u8>>();
        assert_eq!((has(ours), has(other)), (vec![0, 2, 7], vec![0]));
        for slot in 0..=255 {
            assert_eq!(keyring.key(ours, Slot(slot)).is_some(), keyring.has_key(ours, Slot(slot)));
        }
        assert_eq!(keyring.given_slots(ours).collect::<Vec<_>>(), [Slot(2), Slot(7)]);
        assert_eq!(keyring.given_slots(other).count(), 0);
    }

    #[test]
    fn a_closed_slot_opens_up_to_its_last_identity() {
        let mut keyring = Keyring::default();
        let key = SlotKey::new(&[1; 32]).unwrap();
        let address = Address::new(9).unwrap();
        assert!(keyring.give(address, Slot(3), key.clone()));
        assert!(!keyring.give(address, Slot(3), key.clone()));
        let last = Last { epoch: Epoch::new(2).unwrap(), sequence: Sequence::new(5).unwrap() };
        keyring.close(address, Slot(3), last);
        for (epoch, sequence, opens) in [(1, 900, true), (2, 5, true), (2, 6, false), (3, 1, false)] {
            let identity = Identity::new(9, epoch, sequence).unwrap();
            let opened = open(&mut keyring, &air(&key, 3, identity));
            assert_eq!(opened.is_ok(), opens, "{identity}");
            assert!(opens || opened == Err(Unopened::Closed));
        }
    }
}
