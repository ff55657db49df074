//! Made-up loggers and readings: 255 loggers with keys, 8 channels each with counts of a plausible width.
//!
//! Counts wander within a few thousand of a level of their own, as a vibrating wire's period (3 bytes in the
//! ledger), a thermistor's resistance (3 bytes), and ratios and sines (4 bytes) do.

use stonechat::ledger::{Arrival, Batch, RadioId, Reception, Stamp};
use stonechat::record::roster::{Logger, Roster};
use stonechat::seal::keyring::Keyring;
use stonechat::seal::{Cipher, SiteKey};
use stonechat::wire::frame::{KIND_AIR, Signal, encode_line};
use stonechat::wire::record::{Profile, ProfileFields, Reading, Record};
use stonechat::wire::seq::{Address, Identity, Slot};

pub const LOGGERS: u16 = 255;
pub const CHANNELS: usize = 8;
/// Seconds between two readings of a logger.
pub const INTERVAL_S: i64 = 300;
pub const FROM: i64 = 1_777_852_800;
pub const DAY_S: i64 = 86_400;
pub const SITE_KEY: [u8; 32] = *b"invented key of a bench's field!";

/// A number that depends on every bit of its arguments (the finaliser of SplitMix64).
pub fn mix(a: u64, b: u64, c: u64) -> u64 {
    [a, b, c].into_iter().fold(0x9E37_79B9_7F4A_7C15, |state, word| {
        let mut z = (state ^ word).wrapping_add(0x9E37_79B9_7F4A_7C15);
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    })
}

pub fn counts(logger: u16, sequence: u32) -> [i32; CHANNELS] {
    const LEVEL: [i32; CHANNELS] =
        [2_650_000, 5_600_000, 2_810_000, 5_700_000, 2_930_000, 5_500_000, 1_230_000_000, -87_000_000];
    std::array::from_fn(|channel| {
        let own = (mix(1, u64::from(logger), channel as u64) % 400_000) as i32;
        let noise = (mix(u64::from(sequence), u64::from(logger), channel as u64) % 4_000) as i32;
        LEVEL[channel] + own + noise
    })
}

pub fn reading(logger: u16, sequence: u32, time: i64, channels: usize) -> Reading {
    let counts = counts(logger, sequence);
    let slow = mix(2, u64::from(logger), u64::from(sequence) / 64);
    let battery = 3_500 + (slow % 90) as u16;
    let board = 800 + (slow % 700) as i16;
    Reading::new(time as u32, battery, Some(board), 0, &counts[..channels]).expect("1 to 40 channels")
}

pub fn identity(logger: u16, sequence: u32) -> Identity {
    Identity::new(logger, 1, sequence).expect("no reserved value")
}

pub fn signal(logger: u16, sequence: u32) -> Signal {
    let noise = mix(3, u64::from(logger), u64::from(sequence));
    Signal { rssi_dbm: -70 - (noise % 40) as i8, snr_quarter_db: (noise >> 8) as i8 % 40 }
}

pub fn stamp(unix_s: i64) -> Stamp {
    Stamp { unix_s, synchronised: true }
}

pub fn roster(interval_s: u32, memory_records: u32) -> Roster {
    let mut roster = Roster::default();
    for address in 1..=LOGGERS {
        let logger = Logger {
            fastest_interval_s: Some(60),
            ..Logger::new(
                Address::new(address).expect("above 0"),
                format!("P-{address}"),
                interval_s,
                memory_records,
            )
        };
        roster.add(logger).expect("each address once");
    }
    roster
}

/// Adds a reading by radio to a batch.
pub fn push(batch: &mut Batch, radio: RadioId, logger: u16, sequence: u32, time: i64, channels: usize) {
    push_record(
        batch,
        radio,
        logger,
        sequence,
        time,
        &Record::Reading(reading(logger, sequence, time, channels)),
    );
}

pub fn push_record(
    batch: &mut Batch,
    radio: RadioId,
    logger: u16,
    sequence: u32,
    time: i64,
    record: &Record,
) {
    let mut plaintext = Vec::with_capacity(64);
    record.encode(&mut plaintext);
    let reception = Reception { radio, at: stamp(time + 2), signal: Some(signal(logger, sequence)) };
    let arrival = Arrival {
        identity: identity(logger, sequence),
        slot: Some(Slot(0)),
        reception: Some(reception),
        import: None,
        stored_at: None,
    };
    batch.push_record(arrival, &plaintext);
}

pub fn profile(logger: u16, time: i64, interval_s: u32, capacity: u32, oldest: u32) -> Record {
    let fields = ProfileFields {
        time: time as u32,
        unit: u64::from(logger) + 10_000,
        interval_s,
        capacity,
        oldest,
        previous_epoch: 0,
        previous_last: 0,
    };
    Record::Profile(Profile::new(fields, &[1; CHANNELS], "1.4.2").expect("in range"))
}

/// Loggers that seal, and the keyring that opens.
pub struct Sealed {
    ciphers: Vec<Cipher>,
}

impl Sealed {
    pub fn new() -> Self {
        let site = SiteKey::new(&SITE_KEY).expect("32 bytes");
        let cipher = |logger| Cipher::new(&site.derive(Address::new(logger).expect("above 0"), Slot(0)));
        Self { ciphers: (1..=LOGGERS).map(cipher).collect() }
    }

    pub fn keyring() -> Keyring {
        let mut keyring = Keyring::default();
        keyring.set_site_key(SiteKey::new(&SITE_KEY).expect("32 bytes"), None);
        keyring
    }

    /// Appends the bytes that the line carries for a reading.
    pub fn line(&self, logger: u16, sequence: u32, time: i64, out: &mut Vec<u8>) {
        let mut plaintext = Vec::with_capacity(64);
        Record::Reading(reading(logger, sequence, time, CHANNELS)).encode(&mut plaintext);
        let cipher = &self.ciphers[usize::from(logger) - 1];
        let air = cipher.seal(Slot(0), identity(logger, sequence), &plaintext).expect("a record's length");
        encode_line(KIND_AIR, Some(signal(logger, sequence)), &air, out);
    }
}
