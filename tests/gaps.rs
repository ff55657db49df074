//! The gap report, rule by rule, against simple models. A [`Model`] is a list of the records that loggers made, with
//! those that are held. Every scene is reported from it without SQL, and again through a real ledger before, half-way
//! through and after settling; all these reports must be the same. Random histories are compared with sets of integers,
//! and deadlines with the ring memories of the simulated field.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;
use crate::util::frame;

use proptest::prelude::*;
use std::collections::{BTreeMap, BTreeSet};
use std::convert::Infallible;
use std::ops::RangeInclusive;
use stonechat::config::Config;
use stonechat::daemon::intake::Intake;
use stonechat::ledger::read::snapshot::Reader;
use stonechat::ledger::{
    Arrival, Batch, BatchItem, Content, ItemOutcome, Ledger, RadioId, Reception, Stamp, Window,
};
use stonechat::record::clock::ClockEvent;
use stonechat::record::coverage::{Basis, Coverage, RangeSet};
use stonechat::record::facts::{Listening, Stated};
use stonechat::record::judge::{Outcome, Placed, Row, RowVerdict, Tally};
use stonechat::record::roster::{InService, Logger, Roster};
use stonechat::report::gaps::{
    self, Came, Cause, Facts, Gap, GapState, Outage, ProfileSeen, Report, Seen, Silence, UnclosedGap,
    WriteOff,
};
use stonechat::report::memory::{InLogger, InMemory};
use stonechat::report::selection::{self, GapsWanted};
use stonechat::seal::SiteKey;
use stonechat::seal::keyring::Keyring;
use stonechat::sim::plan::FROM;
use stonechat::sim::{
    Emission, FaultRates, Field, FieldPlan, RestartPlan, Span, TrueTime, Truth, What, Witness,
};
use stonechat::time::{GatewayTime, LoggerTime};
use stonechat::view::{self, term};
use stonechat::wire::record::{Event, Profile, ProfileFields, Reading, Record};
use stonechat::wire::seq::{Address, Epoch, Identity, Sequence, Slot};
use util::same_as_snapshot;

const T0: i64 = 1_780_000_000;
const DAY: i64 = 86_400;
/// Seconds between readings, unless a scene says otherwise.
const EVERY: i64 = 600;
/// The logger of most scenes, and the others of those with several.
const L: u16 = 17;
const OTHERS: [u16; 2] = [21, 30];
/// From the first record of a logger that lost its clock: the year 2000.
const YEAR_2000: i64 = 946_684_800;
/// The radios of every scene, as the ledger numbers them.
const RADIOS: [&str; 2] = ["mast", "hut"];

// ------------------------------------------------------------------------------------------- the naive model

/// A record that a logger made, or a row that a CSV file has.
#[derive(Clone, Debug)]
struct Made {
    id: Identity,
    what: Kind,
    /// By radio; `None`: by hand.
    received_at: Option<i64>,
    held: bool,
    /// Whether the gateway's clock was synchronised when it came.
    synchronised: bool,
}

#[derive(Clone, Debug)]
enum Kind {
    Record(Record),
    Opaque,
    Row { time: i64 },
}

impl Made {
    /// When it came by radio, by a synchronised clock.
    fn known_at(&self) -> Option<i64> {
        self.received_at.filter(|_| self.synchronised)
    }

    fn is_authentic(&self) -> bool {
        !matches!(self.what, Kind::Row { .. })
    }

    /// Its time on the logger's clock; not known for an opaque record.
    fn time(&self) -> Option<i64> {
        match &self.what {
            Kind::Record(record) => Some(i64::from(record.time())),
            Kind::Row { time } => Some(*time),
            Kind::Opaque => None,
        }
    }

    fn is_reading(&self) -> bool {
        matches!(self.what, Kind::Record(Record::Reading(_)) | Kind::Row { .. })
    }

    fn profile(&self) -> Option<(ProfileSeen, &Profile)> {
        let Kind::Record(Record::Profile(profile)) = &self.what else { return None };
        let seen = ProfileSeen {
            identity: self.id,
            time: LoggerTime(i64::from(profile.time)),
            interval_s: profile.interval_s,
            capacity: profile.capacity,
            oldest: profile.oldest,
            unit: profile.unit,
        };
        Some((seen, profile))
    }
}

/// What a ledger would hold, in the order in which it came.
#[derive(Clone, Debug, Default)]
struct Model {
    made: Vec<Made>,
    listening: Vec<(u8, i64, i64)>,
    written_off: Vec<(Address, WriteOff)>,
}

impl Model {
    fn held(&self) -> impl Iterator<Item = &Made> {
        self.made.iter().filter(|made| made.held)
    }

    fn authentic_of(&self, address: Address) -> impl Iterator<Item = &Made> {
        self.held().filter(move |made| made.id.address == address && made.is_authentic())
    }

    fn profiles_of(&self, address: Address) -> impl Iterator<Item = ProfileSeen> {
        self.authentic_of(address).filter_map(|made| made.profile().map(|(seen, _)| seen))
    }

    fn events_of(&self, address: Address, code: u8) -> impl Iterator<Item = (Identity, i64)> {
        self.authentic_of(address).filter_map(move |made| match &made.what {
            Kind::Record(Record::Event(event)) if event.code == code => {
                Some((made.id, i64::from(event.time)))
            }
            _ => None,
        })
    }

    fn coverage(&self) -> Coverage {
        let mut coverage = Coverage::default();
        for made in self.held() {
            let basis = if made.is_authentic() { Basis::Authentic } else { Basis::Csv };
            coverage.insert(made.id, basis);
            if let Kind::Record(record) = &made.what {
                for (epoch, last) in record.named_ends() {
                    coverage.name_epoch(made.id.address, epoch, last, made.id.epoch);
                }
            }
        }
        coverage
    }

    fn report(&self, roster: &Roster, now: i64) -> Report {
        let Ok(report) = gaps::report_with_outages(roster, &self.coverage(), self, GatewayTime(now));
        report
    }
}

impl Facts for Model {
    type Error = Infallible;

    fn seen(&self, id: Identity) -> Result<Option<Seen>, Infallible> {
        // If there are several: the record, otherwise the row that came first.
        let found = self.held().filter(|made| made.id == id).min_by_key(|made| !made.is_authentic());
        Ok(found.and_then(|made| {
            let time = made.time().or(made.received_at)?;
            Some(Seen {
                time: LoggerTime(time),
                received_at: made.known_at().map(GatewayTime),
                stamped_at: made.received_at.map(GatewayTime),
                is_reading: made.is_reading(),
            })
        }))
    }

    fn profile_before(&self, id: Identity) -> Result<Option<ProfileSeen>, Infallible> {
        let before = self.profiles_of(id.address).filter(|profile| profile.identity <= id);
        Ok(before.max_by_key(|profile| profile.identity))
    }

    fn profile_after(&self, id: Identity) -> Result<Option<ProfileSeen>, Infallible> {
        let after = self.profiles_of(id.address).filter(|profile| profile.identity > id);
        let own = after.filter(|profile| profile.identity.epoch == id.epoch);
        Ok(own.min_by_key(|profile| profile.identity))
    }

    fn memory_cleared(&self, address: Address) -> Result<Vec<Identity>, Infallible> {
        let mut all: Vec<_> = self.events_of(address, Event::MEMORY_CLEARED).map(|(id, _)| id).collect();
        all.sort_unstable();
        Ok(all)
    }

    fn statements(&self, address: Address) -> Result<Vec<Stated>, Infallible> {
        let stated = self.authentic_of(address).filter_map(|made| match &made.what {
            Kind::Record(Record::Statement(statement)) => {
                Some(Stated { identity: made.id, statement: *statement })
            }
            _ => None,
        });
        let mut all: Vec<Stated> = stated.collect();
        all.sort_unstable_by_key(|stated| stated.identity);
        Ok(all)
    }

    fn last_profile(&self, address: Address, epoch: Epoch) -> Result<Option<ProfileSeen>, Infallible> {
        let own = self.profiles_of(address).filter(|profile| profile.identity.epoch == epoch);
        Ok(own.max_by_key(|profile| profile.identity))
    }

    fn last_profile_with(&self, id: Identity) -> Result<Option<Identity>, Infallible> {
        let own = self.profiles_of(id.address).filter(|profile| profile.identity.epoch == id.epoch);
        let with = own.filter(|profile| profile.identity > id && profile.oldest <= id.sequence.number());
        Ok(with.map(|profile| profile.identity).max())
    }

    fn shortest_interval(&self, address: Address, epoch: Epoch) -> Result<Option<u32>, Infallible> {
        let own = self.profiles_of(address).filter(|profile| profile.identity.epoch == epoch);
        Ok(own.map(|profile| profile.interval_s).min())
    }

    fn slots(&self, address: Address, epoch: Epoch) -> Result<BTreeSet<Slot>, Infallible> {
        Ok(self.authentic_of(address).filter(|made| made.id.epoch == epoch).map(|_| Slot(0)).collect())
    }

    fn came(&self, id: Identity) -> Result<Option<Came>, Infallible> {
        let made = self.authentic_of(id.address).find(|made| made.id == id);
        Ok(made.map(|made| match made.received_at {
            Some(_) => Came::Radio { received_at: made.known_at().map(GatewayTime) },
            None => Came::Hand { imported_at: None },
        }))
    }

    fn newest_by_radio(&self, not_above: Identity) -> Result<Option<Identity>, Infallible> {
        let by_radio = self.authentic_of(not_above.address).filter(|made| made.received_at.is_some());
        let own = by_radio.filter(|made| made.id.epoch == not_above.epoch && made.id <= not_above);
        Ok(own.map(|made| made.id).max())
    }

    fn newest_synchronised(&self, not_above: Identity) -> Result<Option<GatewayTime>, Infallible> {
        let known = self.authentic_of(not_above.address).filter(|made| made.known_at().is_some());
        let own = known.filter(|made| made.id.epoch == not_above.epoch && made.id <= not_above);
        Ok(own.max_by_key(|made| made.id).and_then(Made::known_at).map(GatewayTime))
    }

    fn last_received_before(
        &self,
        address: Address,
        epoch: Epoch,
        before: GatewayTime,
    ) -> Result<Option<u32>, Infallible> {
        let early = |made: &&Made| {
            made.id.epoch == epoch && made.known_at().is_some_and(|at| GatewayTime(at) < before)
        };
        Ok(self.authentic_of(address).filter(early).map(|made| made.id.sequence.number()).max())
    }

    fn first_received_or_timed_from(
        &self,
        address: Address,
        epoch: Epoch,
        from: GatewayTime,
    ) -> Result<Option<u32>, Infallible> {
        let late = |made: &&Made| {
            let times = [made.known_at(), made.time()];
            made.id.epoch == epoch && times.into_iter().flatten().any(|at| at >= from.unix_s())
        };
        Ok(self.authentic_of(address).filter(late).map(|made| made.id.sequence.number()).min())
    }

    fn last_by_hand_timed_before(
        &self,
        address: Address,
        epoch: Epoch,
        below: u32,
        before: GatewayTime,
    ) -> Result<Option<u32>, Infallible> {
        // From 2020 on.
        let plausible = 1_577_836_800..before.unix_s();
        let early = |made: &&Made| {
            made.id.epoch == epoch
                && made.id.sequence.number() < below
                && made.received_at.is_none()
                && made.time().is_some_and(|at| plausible.contains(&at))
        };
        Ok(self.authentic_of(address).filter(early).map(|made| made.id.sequence.number()).max())
    }

    fn clock_events(&self, address: Address, epoch: Epoch) -> Result<Vec<ClockEvent>, Infallible> {
        let own = self.authentic_of(address).filter(|made| made.id.epoch == epoch);
        let events = own.filter_map(|made| match &made.what {
            Kind::Record(Record::Event(event)) => {
                let seconds_added = match event.code {
                    Event::POWERED_UP => None,
                    Event::CLOCK_SET => Some(event.value),
                    _ => return None,
                };
                let sequence = made.id.sequence.number();
                Some(ClockEvent { sequence, time: LoggerTime(i64::from(event.time)), seconds_added })
            }
            _ => None,
        });
        Ok(events.collect())
    }

    fn clock_set_between(&self, after: Identity, before: Sequence) -> Result<bool, Infallible> {
        let between = |(event, _): (Identity, i64)| {
            event.epoch == after.epoch && event > after && event.sequence < before
        };
        Ok(self.events_of(after.address, Event::CLOCK_SET).any(between))
    }

    fn last_heard(&self, address: Address) -> Result<Option<GatewayTime>, Infallible> {
        Ok(self.authentic_of(address).filter_map(|made| made.received_at).last().map(GatewayTime))
    }

    fn by_hand(&self, address: Address) -> Result<BTreeMap<Epoch, RangeSet>, Infallible> {
        let mut all = BTreeMap::<Epoch, RangeSet>::new();
        for made in self.authentic_of(address).filter(|made| made.received_at.is_none()) {
            all.entry(made.id.epoch).or_default().insert(made.id.sequence.number());
        }
        Ok(all)
    }

    fn listening(&self) -> Result<Vec<Listening>, Infallible> {
        let span = |&(radio, since, until): &(u8, i64, i64)| Listening {
            radio,
            synchronised: true,
            since: GatewayTime(since),
            until: GatewayTime(until),
        };
        Ok(self.listening.iter().map(span).collect())
    }

    fn written_off(&self, address: Address) -> Result<Vec<WriteOff>, Infallible> {
        Ok(self.written_off.iter().filter(|(of, _)| *of == address).map(|(_, off)| *off).collect())
    }
}

// ----------------------------------------------------------------------------------------------------- scenes

fn address(number: u16) -> Address {
    Address::new(number).unwrap()
}

fn epoch(number: u32) -> Epoch {
    Epoch::new(number).unwrap()
}

fn id(logger: u16, epoch: u32, sequence: u32) -> Identity {
    Identity::new(logger, epoch, sequence).unwrap()
}

/// When record `sequence` of [`LIFE`] was made.
fn at(sequence: u32) -> i64 {
    T0 + (i64::from(sequence) - 1) * EVERY
}

fn time_on_the_wire(time: i64) -> u32 {
    u32::try_from(time).unwrap()
}

fn reading(time: i64) -> Record {
    let time = time_on_the_wire(time);
    Record::Reading(Reading::new(time, 3_600, Some(1_250), 0, &[time as i32, 7]).unwrap())
}

fn event(time: i64, code: u8) -> Record {
    Record::Event(Event { time: time_on_the_wire(time), code, value: 0 })
}

fn profile(fields: ProfileFields) -> Record {
    Record::Profile(Profile::new(fields, &[1, 2], "field 1").unwrap())
}

/// An epoch: a profile as its first record, then readings, each `interval` after the one before.
#[derive(Clone, Copy)]
struct Life {
    logger: u16,
    epoch: u32,
    records: u32,
    from: i64,
    interval: i64,
    capacity: u32,
    oldest: u32,
    unit: u64,
    /// The previous epoch and its last sequence.
    previous: (u32, u32),
}

const LIFE: Life = Life {
    logger: L,
    epoch: 1,
    records: 30,
    from: T0,
    interval: EVERY,
    capacity: 1_000,
    oldest: 1,
    unit: 5,
    previous: (0, 0),
};

impl Life {
    fn profile_at(&self, time: i64) -> Record {
        profile(ProfileFields {
            time: time_on_the_wire(time),
            unit: self.unit,
            interval_s: self.interval as u32,
            capacity: self.capacity,
            oldest: self.oldest,
            previous_epoch: self.previous.0,
            previous_last: self.previous.1,
        })
    }
}

#[derive(Clone)]
struct Scene {
    loggers: Vec<Logger>,
    model: Model,
    now: i64,
}

impl Scene {
    /// One logger that is never silent, of which nothing is held.
    fn new() -> Self {
        Self::of(&[L])
    }

    fn of(addresses: &[u16]) -> Self {
        let loggers = addresses.iter().map(|&number| Logger {
            silent_after_s: Some(u32::MAX),
            ..Logger::new(address(number), format!("L{number}"), EVERY as u32, 1_000)
        });
        Self { loggers: loggers.collect(), model: Model::default(), now: T0 + 10 * DAY }
    }

    fn logger(&mut self) -> &mut Logger {
        &mut self.loggers[0]
    }

    fn push(&mut self, id: Identity, record: Record) {
        let received_at = Some(i64::from(record.time()) + 2);
        self.model.made.push(Made {
            id,
            what: Kind::Record(record),
            received_at,
            held: true,
            synchronised: true,
        });
    }

    fn row(&mut self, id: Identity, time: i64) {
        self.model.made.push(Made {
            id,
            what: Kind::Row { time },
            received_at: None,
            held: true,
            synchronised: true,
        });
    }

    fn live(&mut self, life: Life) {
        for sequence in 1..=life.records {
            let time = life.from + i64::from(sequence - 1) * life.interval;
            let record = if sequence == 1 { life.profile_at(time) } else { reading(time) };
            self.push(id(life.logger, life.epoch, sequence), record);
        }
    }

    fn made(&mut self, id: Identity) -> &mut Made {
        self.model.made.iter_mut().find(|made| made.id == id).unwrap_or_else(|| panic!("{id} was not made"))
    }

    /// Replaces a record by another one.
    fn instead(&mut self, id: Identity, record: Record) {
        self.made(id).what = Kind::Record(record);
    }

    fn lose(&mut self, logger: u16, epoch: u32, sequences: RangeInclusive<u32>) {
        for sequence in sequences {
            self.made(id(logger, epoch, sequence)).held = false;
        }
    }

    fn write_off(&mut self, epoch_number: u32, first: u32, last: Option<u32>) {
        self.model.written_off.push((address(L), WriteOff { epoch: epoch(epoch_number), first, last }));
    }

    fn roster(&self) -> Roster {
        let mut roster = Roster::default();
        for logger in &self.loggers {
            assert!(roster.add(logger.clone()).is_ok());
        }
        roster
    }

    /// The report of the model; a real ledger must give the same report in each of its states.
    fn report(&self) -> Report {
        let report = self.model.report(&self.roster(), self.now);
        let held: Vec<&Made> = self.model.held().collect();
        let half = held.len() / 2;

        let mut gateway = Gateway::new();
        gateway.write_off(&self.model.written_off);
        gateway.append(self, &held, &self.model.listening);
        assert_eq!(gateway.report(self), report, "before settling");
        gateway.ledger.settle(half as u32, 0).unwrap();
        assert_eq!(gateway.report(self), report, "half settled");
        gateway.ledger.settle(u32::MAX, 0).unwrap();
        assert_eq!(gateway.ledger.unsettled_rows(), 0);
        assert_eq!(gateway.report(self), report, "settled");

        let mut gateway = Gateway::new();
        gateway.write_off(&self.model.written_off);
        let middle = |&(_, since, until): &(u8, i64, i64)| (since + until) / 2;
        let early =
            self.model.listening.iter().map(|span| (span.0, span.1, middle(span))).collect::<Vec<_>>();
        let late = self.model.listening.iter().map(|span| (span.0, middle(span), span.2)).collect::<Vec<_>>();
        gateway.append(self, &held[..half], &early);
        gateway.ledger.settle(u32::MAX, 0).unwrap();
        gateway.append(self, &held[half..], &late);
        assert_eq!(gateway.report(self), report, "the second half came after a settle");
        report
    }
}

/// A real ledger.
struct Gateway {
    _dir: tempfile::TempDir,
    ledger: Ledger,
    radios: Vec<RadioId>,
}

impl Gateway {
    fn new() -> Self {
        let dir = tempfile::tempdir().unwrap();
        let mut ledger = Ledger::open(&dir.path().join("ledger.db")).unwrap();
        let radios = ledger.radios(&RADIOS).unwrap();
        assert_eq!(radios, [RadioId(1), RadioId(2)]);
        Self { _dir: dir, ledger, radios }
    }

    /// Appends in one batch, and checks that nothing is refused or doubled.
    fn append(&mut self, scene: &Scene, made: &[&Made], listening: &[(u8, i64, i64)]) {
        let mut batch = Batch::default();
        for made in made {
            let reception = made.received_at.map(|unix_s| Reception {
                radio: self.radios[0],
                at: Stamp { unix_s, synchronised: made.synchronised },
                signal: None,
            });
            let slot = made.is_authentic().then_some(Slot(0));
            let arrival = Arrival { identity: made.id, slot, reception, import: None, stored_at: None };
            match &made.what {
                Kind::Record(record) => {
                    let mut plaintext = Vec::new();
                    record.encode(&mut plaintext);
                    batch.push_record(arrival, &plaintext);
                }
                Kind::Opaque => batch.push_record(arrival, b"\x7fa type of later days"),
                Kind::Row { time } => {
                    let row = Row {
                        time: time_on_the_wire(*time),
                        counts: vec![1],
                        faults: 0,
                        missing: 0,
                        battery_mv: None,
                        board_centi_c: None,
                        steps: None,
                    };
                    let content =
                        Content::Row { row: Box::new(row), placed: Placed::ByNumber, resolution: None };
                    batch.items.push(BatchItem { arrival, content });
                }
            }
        }
        batch.windows.extend(listening.iter().map(|&(radio, since, until)| Window {
            radio: RadioId(radio),
            since: GatewayTime(since),
            until: GatewayTime(until),
            synchronised: true,
            tally: Tally::default(),
            noise_bytes: 0,
            bytes: 0,
        }));
        let now = Stamp { unix_s: scene.now, synchronised: true };
        let receipt = self.ledger.append(&batch, &scene.roster(), now).unwrap();
        for (made, outcome) in made.iter().zip(&receipt.items) {
            let taken = match outcome {
                ItemOutcome::Record { outcome, .. } => matches!(outcome, Outcome::Stored | Outcome::Opaque),
                ItemOutcome::Row(verdict) => *verdict == RowVerdict::Stored,
            };
            assert!(taken, "{}: {outcome:?}", made.id);
        }
    }

    fn write_off(&self, all: &[(Address, WriteOff)]) {
        let db = rusqlite::Connection::open(self.ledger.path()).unwrap();
        for (address, off) in all {
            db.execute(
                "INSERT INTO write_off (logger, epoch, first, last, by_whom, reason, written_at)
                 VALUES (?, ?, ?, ?, 'A. Surveyor', 'unit drowned', 0)",
                rusqlite::params![address.number(), off.epoch.number(), off.first, off.last],
            )
            .unwrap();
        }
    }

    fn report(&self, scene: &Scene) -> Report {
        self.report_of(&scene.roster(), scene.now)
    }

    fn report_of(&self, roster: &Roster, now: i64) -> Report {
        let reader = Reader::open(self.ledger.path()).unwrap();
        reader
            .read(|snapshot| {
                gaps::report_with_outages(roster, snapshot.coverage(), snapshot, GatewayTime(now))
            })
            .unwrap()
    }

    /// What the view says: logger, epoch, first, last.
    fn gap_now(&self) -> Vec<(u16, u32, u32, u32)> {
        let reader = Reader::open(self.ledger.path()).unwrap();
        let sql = "SELECT logger, epoch, first, last, records FROM gap_now ORDER BY 1, 2, 3";
        let mut statement = reader.connection().prepare(sql).unwrap();
        let rows = statement.query_map([], |row| {
            let gap: (u16, u32, u32, u32) = (row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?);
            assert_eq!(row.get::<_, u32>(4)?, gap.3 - gap.2 + 1);
            Ok(gap)
        });
        rows.unwrap().collect::<Result<_, _>>().unwrap()
    }
}

/// Epoch, first and last of each gap.
fn ranges(report: &Report) -> Vec<(u32, u32, u32)> {
    report.gaps.iter().map(|gap| (gap.epoch.number(), gap.first, gap.last)).collect()
}

fn span(gap: &Gap) -> (Option<i64>, Option<i64>) {
    (gap.from.map(GatewayTime::unix_s), gap.to.map(GatewayTime::unix_s))
}

fn only<T>(all: &[T]) -> &T {
    assert_eq!(all.len(), 1);
    &all[0]
}

fn deadlines(gap: &Gap) -> (Option<i64>, Option<i64>) {
    (gap.in_memory.earliest.map(GatewayTime::unix_s), gap.in_memory.latest.map(GatewayTime::unix_s))
}

// ------------------------------------------------------------------------------------------- what must exist

#[test]
fn a_complete_record_gives_an_empty_report() {
    let mut scene = Scene::new();
    scene.live(LIFE);
    scene.live(Life { epoch: 4, from: at(40), previous: (1, 30), ..LIFE });
    assert_eq!(scene.report(), Report::default());
}

#[test]
fn a_gap_lies_between_the_two_records_around_it() {
    let mut scene = Scene::new();
    scene.live(LIFE);
    scene.lose(L, 1, 5..=7);
    let report = scene.report();
    let expected = Gap {
        logger: address(L),
        epoch: epoch(1),
        first: 5,
        last: 7,
        readings: Some(3),
        from: Some(GatewayTime(at(5))),
        to: Some(GatewayTime(at(7))),
        state: GapState::Open,
        in_memory: InMemory {
            all_latest: report.gaps[0].in_memory.latest.map(|first| first.later(2 * EVERY)),
            ..report.gaps[0].in_memory
        },
        is_corrected: false,
    };
    assert_eq!(report.gaps, [expected]);
    assert!(report.is_open());
    assert_eq!(report.open_records(), 3);
}

#[test]
fn an_epoch_is_expected_from_sequence_1() {
    let mut scene = Scene::new();
    scene.live(LIFE);
    scene.lose(L, 1, 1..=3);
    let report = scene.report();
    assert_eq!(ranges(&report), [(1, 1, 3)]);
    // Extrapolated with the roster's interval: no profile is held before.
    assert_eq!(span(&report.gaps[0]), (Some(at(1)), Some(at(3))));
    assert_eq!(report.gaps[0].readings, None);
}

#[test]
fn start_epoch_and_start_sequence_exclude_what_lies_below() {
    let mut scene = Scene::new();
    for number in 1..=3 {
        scene.live(Life { epoch: number, from: T0 + i64::from(number) * DAY, ..LIFE });
    }
    scene.lose(L, 1, 5..=6);
    scene.lose(L, 2, 4..=12);
    scene.lose(L, 3, 2..=3);
    let everything = scene.report();
    assert_eq!(ranges(&everything), [(1, 5, 6), (2, 4, 12), (3, 2, 3)]);
    assert_eq!(everything.unclosed.len(), 2);
    scene.logger().in_service = Some(InService::Start { epoch: 2, sequence: 10 });
    let report = scene.report();
    assert_eq!(ranges(&report), [(2, 10, 12), (3, 2, 3)]);
    assert_eq!(only(&report.unclosed).epoch, epoch(2));
    // Beyond all that is held, nothing of that epoch is expected yet.
    scene.logger().in_service = Some(InService::Start { epoch: 2, sequence: 31 });
    assert_eq!(ranges(&scene.report()), [(3, 2, 3)]);
    scene.logger().in_service = Some(InService::Start { epoch: 4, sequence: 1 });
    assert_eq!(scene.report(), Report::default());
}

#[test]
fn the_first_expected_sequences_of_the_check_values_come_out() {
    let cases = additions("before_service");
    for case in &cases {
        let (after, before) = (number(case, "first_held_after"), number(case, "last_held_before"));
        let at = T0 + i64::from(number(case, "after_date_s"));
        let mut scene = Scene::new();
        scene.now = at + DAY;
        scene.logger().interval_s = number(case, "shortest_interval_s");
        scene.logger().listens = case["listens"].as_bool().unwrap();
        scene.logger().in_service = Some(InService::From(GatewayTime(T0)));
        if before > 0 {
            scene.push(id(L, 1, before), reading(T0 - 60));
        }
        if case["name"] == "an_end_without_records" {
            scene.push(id(L, 2, 1), Life { epoch: 2, previous: (1, after - 1), ..LIFE }.profile_at(at));
        } else {
            scene.push(id(L, 1, after), reading(at));
        }
        for made in &mut scene.model.made {
            made.received_at = made.time();
        }
        let expected = number(case, "first_expected");
        let gaps = if expected < after { vec![(1, expected, after - 1)] } else { vec![] };
        assert_eq!(ranges(&scene.report()), gaps, "{case}");
    }
    assert_eq!(cases.len(), 11);
}

#[test]
fn what_was_lost_between_the_service_date_and_the_first_record_held_is_missing() {
    // A kill of the daemon lost the first four records of a logger that was installed on its date.
    let mut scene = Scene::new();
    scene.live(LIFE);
    scene.lose(L, 1, 1..=4);
    scene.lose(L, 1, 20..=21);
    scene.logger().in_service = Some(InService::From(GatewayTime(T0)));
    assert_eq!(ranges(&scene.report()), [(1, 1, 4), (1, 20, 21)]);
    // What was received before the date is not expected, nor is anything below it.
    scene.made(id(L, 1, 2)).held = true;
    scene.logger().in_service = Some(InService::From(GatewayTime(at(3))));
    assert_eq!(ranges(&scene.report()), [(1, 3, 4), (1, 20, 21)]);
    scene.logger().in_service = Some(InService::From(GatewayTime(at(11))));
    assert_eq!(ranges(&scene.report()), [(1, 20, 21)]);
}

#[test]
fn a_clock_at_1970_until_it_was_set_hides_nothing_that_was_lost_since_the_date() {
    // The clock is set at sequence 80. The first held record is 61, received two hours after the date: at most 15 were
    // made in between.
    let mut scene = Scene::new();
    scene.logger().interval_s = 900;
    for sequence in 61..=90 {
        let recorded = if sequence < 80 { i64::from(sequence) * 900 } else { T0 + i64::from(sequence) * 900 };
        scene.push(id(L, 1, sequence), reading(recorded));
        scene.made(id(L, 1, sequence)).received_at = Some(T0 + 7_200 + i64::from(sequence - 61) * 900);
    }
    scene.logger().in_service = Some(InService::From(GatewayTime(T0)));
    assert_eq!(ranges(&scene.report()), [(1, 46, 60)]);
}

#[test]
fn by_hand_a_record_is_before_the_date_by_its_own_time_only_where_nothing_below_it_says_otherwise() {
    let scene = |early: i64| {
        let mut scene = Scene::new();
        scene.live(LIFE);
        for made in &mut scene.model.made {
            made.received_at = None;
        }
        scene.lose(L, 1, 6..=10);
        scene.logger().in_service = Some(InService::From(GatewayTime(at(20))));
        scene.instead(id(L, 1, 2), reading(early));
        scene
    };
    assert_eq!(ranges(&scene(at(2)).report()), []);
    // An earlier record has a time after the date, so their times prove nothing.
    assert_eq!(ranges(&scene(at(25)).report()), [(1, 6, 10)]);
    // A time of 1970 proves nothing either, but later records do.
    assert_eq!(ranges(&scene(5).report()), []);
}

#[test]
fn an_opaque_record_by_hand_after_the_date_bounds_nothing() {
    let mut scene = Scene::new();
    scene.live(LIFE);
    scene.lose(L, 1, 1..=10);
    scene.logger().in_service = Some(InService::From(GatewayTime(at(11))));
    assert_eq!(ranges(&scene.report()), [(1, 3, 10)], "an interval, a day's profile and six more");
    scene.made(id(L, 1, 11)).what = Kind::Opaque;
    assert_eq!(ranges(&scene.report()), [(1, 3, 10)], "its reception counts");
    scene.made(id(L, 1, 11)).received_at = None;
    assert_eq!(ranges(&scene.report()), [(1, 1, 10)]);
}

#[test]
fn epochs_that_were_over_by_the_service_date_are_excluded() {
    let mut scene = Scene::new();
    scene.live(LIFE);
    scene.live(Life { epoch: 3, from: at(100), ..LIFE });
    scene.live(Life { epoch: 8, from: at(200), ..LIFE });
    scene.lose(L, 1, 4..=8);
    scene.lose(L, 3, 4..=8);
    scene.lose(L, 8, 1..=2);
    scene.logger().in_service = Some(InService::From(GatewayTime(at(120))));
    let report = scene.report();
    assert_eq!(ranges(&report), [(8, 1, 2)]);
    assert_eq!(only(&report.unclosed).epoch, epoch(3), "its end lies after the date");
    scene.logger().in_service = Some(InService::From(GatewayTime(at(220))));
    let report = scene.report();
    assert_eq!((ranges(&report), &report.unclosed[..]), (vec![], &[][..]), "all of 3 was over");
}

#[test]
fn an_epoch_known_by_name_only_is_excluded_if_the_one_that_names_it_was_there_by_the_date() {
    let mut scene = Scene::new();
    scene.live(Life { epoch: 7, from: T0, previous: (6, 40), ..LIFE });
    assert_eq!(ranges(&scene.report()), [(6, 1, 40)]);
    // It is received two seconds later.
    for (since, expected) in [(T0 + 2, vec![]), (T0 + 1, vec![(6, 33, 40)]), (T0 - DAY, vec![(6, 1, 40)])] {
        scene.logger().in_service = Some(InService::From(GatewayTime(since)));
        assert_eq!(ranges(&scene.report()), expected, "{}", T0 - since);
    }
}

#[test]
fn an_epoch_began_before_the_first_record_that_is_held_of_it() {
    let mut scene = Scene::new();
    let life = Life { epoch: 7, records: 700, previous: (6, 40), ..LIFE };
    scene.live(life);
    scene.instead(id(L, 7, 600), life.profile_at(at(600)));
    scene.lose(L, 7, 1..=580);
    // The previous epoch, known by name only, ended before everything that is missing of this one.
    let report = scene.report();
    assert_eq!(ranges(&report), [(6, 1, 40), (7, 1, 580)]);
    assert_eq!(report.gaps[1].from, Some(GatewayTime(T0)));
    assert_eq!(report.gaps[0].to, Some(GatewayTime(T0 - EVERY)));
}

#[test]
fn with_nothing_held_since_the_service_date_nothing_is_expected_yet() {
    let mut scene = Scene::new();
    scene.live(LIFE);
    scene.live(Life { epoch: 2, from: at(50), previous: (1, 60), ..LIFE });
    scene.lose(L, 1, 3..=9);
    scene.logger().in_service = Some(InService::From(GatewayTime(at(80))));
    assert_eq!(scene.report(), Report::default());
}

#[test]
fn an_epoch_known_by_name_only_is_a_gap_that_ends_before_the_one_that_names_it() {
    let mut scene = Scene::new();
    scene.live(Life { epoch: 5, previous: (2, 40), ..LIFE });
    let report = scene.report();
    assert_eq!(ranges(&report), [(2, 1, 40)]);
    assert_eq!(report.gaps[0].readings, None);
    assert_eq!(span(&report.gaps[0]), (Some(T0 - 40 * EVERY), Some(T0 - EVERY)));
    assert_eq!(report.unclosed, []);
}

#[test]
fn a_named_end_extends_what_must_exist() {
    let mut scene = Scene::new();
    scene.live(Life { interval: 900, ..LIFE });
    scene.live(Life { epoch: 2, from: T0 + 5 * DAY, previous: (1, 33), ..LIFE });
    let report = scene.report();
    assert_eq!(ranges(&report), [(1, 31, 33)]);
    // Extrapolated with the interval of the epoch's own profile.
    assert_eq!(span(&report.gaps[0]), (Some(T0 + 30 * 900), Some(T0 + 32 * 900)));
    assert_eq!(report.gaps[0].readings, None, "nothing of this epoch is held on its other side");
}

#[test]
fn a_previous_last_of_0_closes_an_epoch_and_expects_nothing() {
    let mut scene = Scene::new();
    scene.live(Life { epoch: 5, previous: (2, 0), ..LIFE });
    assert_eq!(scene.report(), Report::default());
    scene.live(Life { epoch: 2, records: 6, from: T0 - DAY, ..LIFE });
    scene.lose(L, 2, 3..=3);
    let report = scene.report();
    assert_eq!(ranges(&report), [(2, 3, 3)], "what is held counts all the same");
    assert_eq!(report.unclosed, []);
    // A previous epoch of 0 names no epoch, whatever last sequence it gives.
    let mut scene = Scene::new();
    scene.live(Life { previous: (0, 90), ..LIFE });
    assert_eq!(scene.report(), Report::default());
}

#[test]
fn of_two_named_ends_the_larger_counts_whichever_came_first() {
    for ends in [[33, 36], [36, 33]] {
        let mut scene = Scene::new();
        scene.live(LIFE);
        let life = Life { epoch: 2, from: at(60), previous: (1, ends[0]), ..LIFE };
        scene.live(life);
        scene.instead(id(L, 2, 9), Life { previous: (1, ends[1]), ..life }.profile_at(at(68)));
        assert_eq!(ranges(&scene.report()), [(1, 31, 36)]);
    }
}

#[test]
fn csv_rows_fill_and_do_not_extend() {
    let mut scene = Scene::new();
    scene.live(LIFE);
    scene.lose(L, 1, 5..=9);
    for sequence in [6, 9, 31, 40] {
        scene.row(id(L, 1, sequence), at(sequence));
    }
    let report = scene.report();
    assert_eq!(ranges(&report), [(1, 5, 5), (1, 7, 8)]);
    // Rows limit a gap like any reading.
    assert_eq!((report.gaps[0].readings, report.gaps[1].readings), (Some(1), Some(2)));
    assert_eq!(span(&report.gaps[1]), (Some(at(7)), Some(at(8))));
    // They also fill up to an end that a profile has named.
    scene.live(Life { epoch: 2, from: at(60), previous: (1, 35), ..LIFE });
    let rows: Vec<Made> = scene.model.made.iter().filter(|made| !made.is_authentic()).cloned().collect();
    scene.model.made.retain(Made::is_authentic);
    scene.model.made.extend(rows);
    assert_eq!(ranges(&scene.report()), [(1, 5, 5), (1, 7, 8), (1, 32, 35)]);
}

#[test]
fn the_view_lists_what_was_held_once_in_a_ledger_that_cannot_be_read_any_more() {
    let mut scene = Scene::new();
    scene.live(LIFE);
    scene.lose(L, 1, 11..=14);
    let mut gateway = Gateway::new();
    let held: Vec<&Made> = scene.model.held().collect();
    gateway.append(&scene, &held, &[]);
    let db = rusqlite::Connection::open(gateway.ledger.path()).unwrap();
    // After the last held record, over some of them, and in an epoch of which nothing else is known.
    for (epoch, first, last) in [(1, 28, 33), (2, 5, 6)] {
        db.execute("INSERT INTO once_held VALUES (?, ?, ?, ?)", (L, epoch, first, last)).unwrap();
    }
    let found = ranges(&gateway.report(&scene));
    assert_eq!(found, [(1, 11, 14), (1, 31, 33), (2, 1, 6)]);
    let view: Vec<(u32, u32, u32)> =
        gateway.gap_now().into_iter().map(|(_, epoch, first, last)| (epoch, first, last)).collect();
    assert_eq!(view, found);
}

#[test]
fn an_opaque_record_covers_but_has_no_time_of_its_own() {
    let mut scene = Scene::new();
    scene.live(LIFE);
    scene.lose(L, 1, 5..=7);
    scene.made(id(L, 1, 4)).what = Kind::Opaque;
    let report = scene.report();
    assert_eq!(ranges(&report), [(1, 5, 7)]);
    assert_eq!(report.gaps[0].readings, None);
    // Its reception replaces it; by hand there is none, and only the other side helps.
    assert_eq!(report.gaps[0].from, Some(GatewayTime(at(4) + 2 + EVERY)));
    scene.made(id(L, 1, 4)).received_at = None;
    assert_eq!(span(&scene.report().gaps[0]), (Some(at(5)), Some(at(7))));
    // Nothing is known.
    scene.made(id(L, 1, 8)).what = Kind::Opaque;
    scene.made(id(L, 1, 8)).received_at = None;
    assert_eq!(span(&scene.report().gaps[0]), (None, None));
}

// ------------------------------------------------------------------------------------------- unclosed epochs

#[test]
fn an_unclosed_epoch_says_when_it_was_left_and_what_came_next() {
    let mut scene = Scene::new();
    scene.live(LIFE);
    scene.live(Life { epoch: 3, from: at(50), ..LIFE });
    let report = scene.report();
    let expected = UnclosedGap {
        logger: address(L),
        epoch: epoch(1),
        last: 30,
        next_epoch: epoch(3),
        from: Some(GatewayTime(at(30))),
        to: Some(GatewayTime(at(50))),
        presumed_readings: Some(19),
        state: GapState::Open,
        in_memory: only(&report.unclosed).in_memory,
        is_corrected: false,
    };
    assert_eq!(report.unclosed, [expected]);
    assert_eq!(report.gaps, [], "what is presumed is never listed as a gap");
    assert!(report.is_open());
    // Once a profile names its end it is a gap instead.
    scene.instead(id(L, 3, 8), Life { epoch: 3, previous: (1, 41), ..LIFE }.profile_at(at(57)));
    let report = scene.report();
    assert_eq!(report.unclosed, []);
    assert_eq!(ranges(&report), [(1, 31, 41)]);
}

#[test]
fn the_next_epoch_may_be_known_by_name_only() {
    let mut scene = Scene::new();
    scene.live(LIFE);
    scene.live(Life { epoch: 9, from: at(90), previous: (4, 11), ..LIFE });
    let report = scene.report();
    let open = only(&report.unclosed);
    assert_eq!((open.epoch, open.next_epoch, open.to), (epoch(1), epoch(4), Some(GatewayTime(at(90)))));
    assert_eq!(ranges(&report), [(4, 1, 11)]);
}

#[test]
fn a_clock_that_begins_in_the_year_2000_gives_way_to_the_reception() {
    let mut scene = Scene::new();
    scene.live(LIFE);
    scene.live(Life { epoch: 2, from: YEAR_2000, ..LIFE });
    for made in scene.model.made.iter_mut().filter(|made| made.id.epoch == epoch(2)) {
        made.received_at = Some(at(50));
    }
    let report = scene.report();
    let open = only(&report.unclosed);
    assert_eq!(
        (open.from, open.to, open.presumed_readings),
        (Some(GatewayTime(at(30))), Some(GatewayTime(at(50))), Some(19))
    );
    // If it was fetched by hand, there is no reception, so this is not known.
    scene.made(id(L, 2, 1)).received_at = None;
    let open = *only(&scene.report().unclosed);
    assert_eq!((open.from, open.to, open.presumed_readings), (Some(GatewayTime(at(30))), None, None));
    // The same if a gateway without the right time received it.
    scene.made(id(L, 2, 1)).received_at = Some(90);
    assert_eq!(only(&scene.report().unclosed).to, None);
}

#[test]
fn times_of_gaps_and_deadlines_are_those_of_a_clock_set_right() {
    // A new cell: the clock begins in 2000, and is set at record 20 of the second epoch.
    let mut scene = Scene::new();
    scene.live(Life { capacity: 100, ..LIFE });
    scene.live(Life { epoch: 2, from: YEAR_2000, capacity: 100, previous: (1, 30), ..LIFE });
    let wrong_by = at(31) - YEAR_2000;
    for sequence in 1..=30 {
        let made = scene.made(id(L, 2, sequence));
        made.received_at = Some(at(30 + sequence) + 2);
        if sequence > 20 {
            made.what = Kind::Record(reading(at(30 + sequence)));
        }
    }
    let set = Event { time: time_on_the_wire(at(50)), code: Event::CLOCK_SET, value: wrong_by };
    scene.instead(id(L, 2, 20), Record::Event(set));
    scene.lose(L, 2, 5..=9);
    let gap = *only(&scene.report().gaps);
    assert_eq!((span(&gap), gap.readings), ((Some(at(35)), Some(at(39))), Some(5)));
    assert!(gap.is_corrected);
    assert_eq!(deadlines(&gap).1, Some(at(60) + 2 + 75 * EVERY));
    // The record of the setting is missing: receptions limit it to the seconds that a frame was under way.
    scene.lose(L, 2, 20..=20);
    let gap = scene.report().gaps[0];
    assert_eq!(span(&gap), (Some(at(35) + 2), Some(at(39) + 2)));
    // The clock was never set: the newest record is also of 2000, and the deadline is today's.
    for sequence in 21..=30 {
        scene.made(id(L, 2, sequence)).what =
            Kind::Record(reading(YEAR_2000 + i64::from(sequence - 1) * EVERY));
    }
    let gap = scene.report().gaps[0];
    assert_eq!(deadlines(&gap).1, Some(at(60) + 2 + 75 * EVERY));
}

#[test]
fn an_unclosed_epoch_presumes_with_the_interval_in_force_at_its_end_and_nothing_without_one() {
    let mut scene = Scene::new();
    let life = Life { interval: 1_800, ..LIFE };
    scene.live(life);
    let left = T0 + 29 * 1_800;
    scene.live(Life { epoch: 2, from: left + 9_000, ..LIFE });
    assert_eq!(only(&scene.report().unclosed).presumed_readings, Some(4));
    // At most one interval has passed: no record is presumed.
    let mut scene = Scene::new();
    scene.live(life);
    scene.live(Life { epoch: 2, from: left + 60, ..LIFE });
    assert_eq!(only(&scene.report().unclosed).presumed_readings, Some(0));
    scene.instead(id(L, 1, 1), Life { interval: 0, ..LIFE }.profile_at(T0));
    assert_eq!(only(&scene.report().unclosed).presumed_readings, None);
}

// -------------------------------------------------------------------------------------------------- silences

fn silences(scene: &Scene) -> Vec<(Option<i64>, Option<u64>)> {
    let of = |silence: &Silence| (silence.last_heard.map(GatewayTime::unix_s), silence.presumed_readings);
    scene.report().silent.iter().map(of).collect()
}

fn silence(last_heard: Option<i64>, presumed_readings: Option<u64>) -> Vec<(Option<i64>, Option<u64>)> {
    vec![(last_heard, presumed_readings)]
}

#[test]
fn a_logger_is_silent_after_three_of_its_intervals_in_force() {
    let mut scene = Scene::new();
    scene.logger().silent_after_s = None;
    scene.live(LIFE);
    let heard = at(30) + 2;
    scene.now = heard + 3 * EVERY;
    assert_eq!(silences(&scene), []);
    scene.now += 1;
    assert_eq!(silences(&scene), silence(Some(heard), Some(3)));
    // A clock that went back makes no logger silent.
    scene.now = heard - DAY;
    assert_eq!(silences(&scene), []);
    // The interval is the last profile's, not the roster's.
    scene.instead(id(L, 1, 20), Life { interval: 3_600, ..LIFE }.profile_at(at(20)));
    scene.now = heard + 3 * 3_600;
    assert_eq!(silences(&scene), []);
    scene.now += 3_600;
    assert_eq!(silences(&scene), silence(Some(heard), Some(4)));
}

#[test]
fn the_roster_may_say_after_what_a_logger_is_silent() {
    let mut scene = Scene::new();
    scene.live(LIFE);
    let heard = at(30) + 2;
    scene.logger().silent_after_s = Some(100);
    scene.now = heard + 101;
    assert_eq!(silences(&scene), silence(Some(heard), Some(0)));
    // A logger without a promised interval is silent only by the roster's interval, and then nothing is presumed.
    scene.instead(id(L, 1, 20), Life { interval: 0, ..LIFE }.profile_at(at(20)));
    assert_eq!(silences(&scene), silence(Some(heard), None));
    scene.logger().silent_after_s = None;
    scene.now = heard + 900 * DAY;
    assert_eq!(silences(&scene), []);
}

#[test]
fn a_logger_never_heard_is_silent_from_its_service_date_on_and_not_before() {
    let mut scene = Scene::new();
    scene.logger().silent_after_s = None;
    assert_eq!(silences(&scene), silence(None, None));
    scene.logger().in_service = Some(InService::From(GatewayTime(T0)));
    scene.now = T0 - 1;
    assert_eq!(silences(&scene), []);
    scene.now = T0 + 3 * EVERY;
    assert_eq!(silences(&scene), []);
    scene.now = T0 + 10 * EVERY + 5;
    assert_eq!(silences(&scene), silence(None, Some(10)));
    // Records that a technician brings do not count as heard.
    scene.live(LIFE);
    scene.model.made.iter_mut().for_each(|made| made.received_at = None);
    assert_eq!(silences(&scene), silence(None, Some(10)));
}

#[test]
fn a_logger_heard_on_the_bench_is_not_silent_before_its_service_date() {
    let mut scene = Scene::new();
    scene.logger().silent_after_s = None;
    scene.live(LIFE);
    let since = at(30) + 50 * DAY;
    scene.logger().in_service = Some(InService::From(GatewayTime(since)));
    scene.now = since - 1;
    assert_eq!(silences(&scene), []);
    scene.now = since + 3 * EVERY;
    assert_eq!(silences(&scene), []);
    scene.now = since + 5 * EVERY;
    assert_eq!(silences(&scene), silence(Some(at(30) + 2), Some(5)));
}

#[test]
fn last_heard_is_of_what_was_stored_last_not_of_the_largest_identity() {
    let mut scene = Scene::new();
    scene.logger().silent_after_s = Some(60);
    scene.live(LIFE);
    // An old frame comes in late.
    let mut late = scene.made(id(L, 1, 4)).clone();
    scene.model.made.retain(|made| made.id != late.id);
    late.received_at = Some(at(40));
    scene.model.made.push(late);
    assert_eq!(only(&silences(&scene)).0, Some(at(40)));
}

// ---------------------------------------------------------------------------------------- how many readings

/// A gap of `records` between two readings that lie `apart` seconds from each other.
fn estimate(records: u32, apart: i64, interval: i64) -> Option<u64> {
    let mut scene = Scene::new();
    let life = Life { interval, records: 2, ..LIFE };
    scene.push(id(L, 1, 1), life.profile_at(T0));
    scene.push(id(L, 1, 2), reading(T0 + 60));
    scene.push(id(L, 1, 3 + records), reading(T0 + 60 + apart));
    let report = scene.report();
    assert_eq!(only(&report.gaps).records(), u64::from(records));
    assert_eq!(
        report.gaps[0].readings,
        gaps::readings_between(LoggerTime(T0 + 60), LoggerTime(T0 + 60 + apart), interval, records.into())
    );
    report.gaps[0].readings
}

#[test]
fn the_time_between_tells_how_many_readings_are_missing_and_the_rest_are_profiles_or_events() {
    assert_eq!(estimate(3, 4 * 600, 600), Some(3));
    assert_eq!(estimate(5, 4 * 600, 600), Some(3), "two are profiles or events");
    assert_eq!(estimate(1, 600, 600), Some(0), "an event between two readings");
    assert_eq!(estimate(3, 4 * 600 + 299, 600), Some(3));
    assert_eq!(estimate(4, 4 * 600 + 300, 600), Some(4), "halves count up");
    assert_eq!(estimate(3, 4 * 600 - 300, 600), Some(3));
    assert_eq!(estimate(3, 4 * 600 - 301, 600), Some(2));
    assert_eq!(estimate(2, 10, 600), Some(0), "never below 0");
    assert_eq!(estimate(2, 0, 600), Some(0));
}

#[test]
fn readings_are_not_known_where_the_estimate_exceeds_the_gap_or_no_interval_is_promised() {
    assert_eq!(estimate(3, 5 * 600, 600), None);
    assert_eq!(estimate(3, 5 * 600 - 301, 600), Some(3));
    assert_eq!(estimate(3, 4 * 600, 0), None);
}

#[test]
fn readings_are_not_known_unless_both_sides_are_readings_of_the_epoch() {
    let mut scene = Scene::new();
    scene.live(LIFE);
    scene.lose(L, 1, 5..=7);
    assert_eq!(scene.report().gaps[0].readings, Some(3));
    for side in [4, 8] {
        let mut other = scene.clone();
        other.instead(id(L, 1, side), LIFE.profile_at(at(side)));
        assert_eq!(other.report().gaps[0].readings, None);
        other.instead(id(L, 1, side), event(at(side), Event::POWERED_UP));
        assert_eq!(other.report().gaps[0].readings, None);
    }
}

#[test]
fn the_interval_in_force_is_that_of_the_last_held_profile_before_else_the_rosters() {
    let mut scene = Scene::new();
    scene.live(Life { interval: 300, records: 40, ..LIFE });
    scene.lose(L, 1, 20..=23);
    assert_eq!(scene.report().gaps[0].readings, Some(4));
    // A profile after the gap says nothing about it.
    scene.instead(id(L, 1, 30), Life { interval: 150, ..LIFE }.profile_at(T0 + 29 * 300));
    assert_eq!(scene.report().gaps[0].readings, Some(4));
    // A profile of a previous epoch does, if this epoch's profile is lost.
    scene.live(Life { epoch: 2, interval: 150, records: 40, from: T0 + DAY, previous: (1, 40), ..LIFE });
    scene.lose(L, 2, 1..=1);
    scene.lose(L, 2, 20..=23);
    assert_eq!(ranges(&scene.report())[2], (2, 20, 23));
    assert_eq!(scene.report().gaps[2].readings, Some(4));
    // Without any profile, the roster's interval counts.
    scene.lose(L, 1, 1..=1);
    scene.lose(L, 1, 30..=30);
    assert_eq!(ranges(&scene.report())[1], (1, 20, 23));
    assert_eq!(scene.report().gaps[1].readings, Some(2));
}

#[test]
fn readings_are_not_known_where_a_clock_set_lies_between() {
    assert_eq!(estimate(3, -1, 600), None, "time that goes back proves one");
    assert_eq!(estimate(3, -DAY, 600), None);
    let mut scene = Scene::new();
    scene.live(LIFE);
    scene.lose(L, 1, 5..=7);
    let coverage = scene.model.coverage();
    // Usually no record between the two sides of a gap is held; this is the result if one is.
    scene.made(id(L, 1, 6)).held = true;
    scene.instead(id(L, 1, 6), event(at(6), Event::CLOCK_SET));
    let Ok(report) =
        gaps::report_with_outages(&scene.roster(), &coverage, &scene.model, GatewayTime(scene.now));
    assert_eq!(ranges(&report), [(1, 5, 7)]);
    assert_eq!(report.gaps[0].readings, None);
    scene.instead(id(L, 1, 6), event(at(6), Event::ENCLOSURE_OPENED));
    let Ok(report) =
        gaps::report_with_outages(&scene.roster(), &coverage, &scene.model, GatewayTime(scene.now));
    assert_eq!(report.gaps[0].readings, Some(3));
}

#[test]
fn readings_are_not_known_where_alarm_mode_may_have_begun_among_what_is_missing() {
    let mut scene = Scene::new();
    scene.live(LIFE);
    // The profile at 6 announced 60 seconds; it is lost, and so are the readings up to 9.
    let time = |sequence: u32| at(5) + (i64::from(sequence) - 5) * 60;
    for sequence in 7..=30 {
        scene.instead(id(L, 1, sequence), reading(time(sequence)));
    }
    let alarmed = Life { interval: 60, ..LIFE };
    scene.instead(id(L, 1, 6), alarmed.profile_at(time(6)));
    scene.instead(id(L, 1, 20), alarmed.profile_at(time(20)));
    scene.lose(L, 1, 6..=9);
    assert_eq!(only(&scene.report().gaps).readings, None);
    // Without any profile after it this is not known, and the rule applies.
    scene.instead(id(L, 1, 20), reading(time(20)));
    assert_eq!(only(&scene.report().gaps).readings, Some(0));

    // Announced later, by a profile that is held: the two readings after the gap are still the old interval apart.
    let mut scene = Scene::new();
    scene.live(LIFE);
    scene.instead(id(L, 1, 20), alarmed.profile_at(at(20)));
    scene.lose(L, 1, 6..=9);
    assert_eq!(only(&scene.report().gaps).readings, Some(4));
    // A profile of another epoch says nothing about this one.
    let mut scene = Scene::new();
    scene.live(LIFE);
    scene.live(Life { epoch: 2, from: at(31), interval: 60, previous: (1, 30), ..LIFE });
    scene.lose(L, 1, 28..=28);
    assert_eq!(only(&scene.report().gaps).readings, Some(1));
}

// ------------------------------------------------------------------------------------------------ write-offs

#[test]
fn a_write_off_splits_a_gap_and_its_parts_keep_their_times() {
    let mut scene = Scene::new();
    scene.live(LIFE);
    scene.lose(L, 1, 5..=24);
    scene.write_off(1, 10, Some(13));
    scene.write_off(1, 20, Some(20));
    // Write-offs of another epoch, of another logger, or of held records have no effect.
    scene.write_off(2, 1, Some(90));
    scene.model.written_off.push((address(30), WriteOff { epoch: epoch(1), first: 1, last: None }));
    scene.write_off(1, 26, Some(28));
    let report = scene.report();
    let parts: Vec<(u32, u32, GapState)> =
        report.gaps.iter().map(|gap| (gap.first, gap.last, gap.state)).collect();
    let (open, off) = (GapState::Open, GapState::WrittenOff);
    assert_eq!(parts, [(5, 9, open), (10, 13, off), (14, 19, open), (20, 20, off), (21, 24, open)]);
    for gap in &report.gaps {
        assert_eq!(span(gap), (Some(at(gap.first)), Some(at(gap.last))), "{gap:?}");
        assert_eq!(gap.readings, None, "not both sides of a part are held");
    }
    assert_eq!(report.open_records(), 15);
    let written: u64 = report.gaps.iter().filter(|gap| gap.state == off).map(Gap::records).sum();
    assert_eq!(written, 5);
    assert!(report.is_open());
}

#[test]
fn a_gap_written_off_whole_keeps_all_that_is_known_of_it() {
    let mut scene = Scene::new();
    scene.live(LIFE);
    scene.lose(L, 1, 5..=9);
    let open = scene.report();
    // Two write-offs that overlap count as one.
    scene.write_off(1, 1, Some(7));
    scene.write_off(1, 6, Some(12));
    let report = scene.report();
    assert_eq!(report.gaps, [Gap { state: GapState::WrittenOff, ..open.gaps[0] }]);
    assert!(!report.is_open());
    assert_eq!(report.open_records(), 0);
    assert_eq!(only(&report.outages).written_off(), 5);
    // The record turns up: the write-off is undone for it.
    scene.made(id(L, 1, 7)).held = true;
    assert_eq!(ranges(&scene.report()), [(1, 5, 6), (1, 8, 9)]);
}

#[test]
fn parts_of_an_epoch_known_by_name_only_keep_their_times_too() {
    let mut scene = Scene::new();
    scene.live(Life { epoch: 5, previous: (2, 40), ..LIFE });
    scene.write_off(2, 11, Some(20));
    let report = scene.report();
    assert_eq!(ranges(&report), [(2, 1, 10), (2, 11, 20), (2, 21, 40)]);
    for gap in &report.gaps {
        let time = |sequence: u32| T0 - (41 - i64::from(sequence)) * EVERY;
        assert_eq!(span(gap), (Some(time(gap.first)), Some(time(gap.last))));
    }
}

#[test]
fn the_rest_of_an_unclosed_epoch_can_be_written_off() {
    let mut scene = Scene::new();
    scene.live(LIFE);
    scene.live(Life { epoch: 2, from: at(50), ..LIFE });
    scene.lose(L, 1, 27..=29);
    // A write-off up to a last sequence does not cover what is presumed after it; nor does a rest that begins later.
    scene.write_off(1, 27, Some(90));
    scene.write_off(1, 32, None);
    let report = scene.report();
    assert_eq!(only(&report.unclosed).state, GapState::Open);
    assert_eq!(only(&report.gaps).state, GapState::WrittenOff);
    scene.write_off(1, 31, None);
    let report = scene.report();
    assert_eq!(only(&report.unclosed).state, GapState::WrittenOff);
    assert!(!report.is_open());
}

#[test]
fn a_date_that_cannot_be_is_not_given() {
    // An end that no logger can have reached: for an epoch with held records, and for one that is known by name only.
    for held in [true, false] {
        let mut scene = Scene::new();
        if held {
            scene.live(LIFE);
        }
        scene.live(Life { epoch: 2, from: T0 + DAY, previous: (1, u32::MAX), ..LIFE });
        let report = scene.report();
        let gap = only(&report.gaps);
        assert_eq!(gap.last, u32::MAX);
        let is_plausible =
            |at: Option<i64>| at.is_none_or(|at| (T0 - 1_000 * DAY..=T0 + 2 * DAY).contains(&at));
        let (from, to) = span(gap);
        assert!(is_plausible(from) && is_plausible(to), "held: {held}: {:?}", span(gap));
        assert!(report.outages.iter().all(|outage| outage.records() < 100), "{:?}", report.outages);
    }
}

// --------------------------------------------------------------------------------------------------- outages

/// Three loggers, the second and third a little later than the first; `lost` of each.
fn site(lost: [RangeInclusive<u32>; 3]) -> Scene {
    let mut scene = Scene::of(&[L, OTHERS[0], OTHERS[1]]);
    for (n, (logger, lost)) in [L, OTHERS[0], OTHERS[1]].into_iter().zip(lost).enumerate() {
        scene.live(Life { logger, from: T0 + 60 * n as i64, records: 100, ..LIFE });
        scene.lose(logger, 1, lost);
    }
    scene
}

#[allow(clippy::reversed_empty_ranges)]
const NONE: RangeInclusive<u32> = 1..=0;

fn addresses(numbers: &[u16]) -> Vec<Address> {
    numbers.iter().map(|&number| address(number)).collect()
}

#[test]
fn gaps_of_one_time_are_one_outage_and_the_windows_tell_that_the_gateway_was_not_running() {
    let mut scene = site([20..=39, 20..=39, 25..=28]);
    scene.model.listening = vec![(1, T0, at(20) - 100), (1, at(40) - 100, at(100))];
    let report = scene.report();
    let outage = only(&report.outages);
    // Records come two seconds after they were made.
    assert_eq!((outage.from.unix_s(), outage.to.unix_s()), (at(20) + 2, at(39) + 62));
    assert_eq!((outage.cause, outage.missing(), outage.is_corrected), (Cause::GatewayNotRunning, 44, false));
    assert_eq!(outage.loggers, addresses(&[L, OTHERS[0], OTHERS[1]]));
    // The gateway listened for the first half and heard nothing; then it did not listen.
    let mut scene = site([20..=39, 20..=39, 20..=39]);
    scene.model.listening = vec![(1, T0, at(30) - 100), (1, at(40), at(100))];
    let causes: Vec<(Cause, u64)> =
        scene.report().outages.iter().map(|outage| (outage.cause, outage.missing())).collect();
    assert_eq!(causes, [(Cause::NoneHeard, 30), (Cause::GatewayNotRunning, 30)]);
    // The gateway never listened.
    scene.model.listening = Vec::new();
    assert_eq!(only(&scene.report().outages).cause, Cause::GatewayNotRunning);
}

#[test]
fn an_outage_of_one_logger_while_the_gateway_listened_is_that_loggers_own() {
    let mut scene = site([NONE, 20..=39, NONE]);
    scene.model.listening = vec![(1, T0 - DAY, at(200))];
    let report = scene.report();
    let outage = only(&report.outages);
    assert_eq!((outage.cause, &outage.loggers[..]), (Cause::OneLogger, &addresses(&OTHERS[..1])[..]));
    assert_eq!((outage.from.unix_s(), outage.to.unix_s()), (at(20) + 62, at(39) + 62));
    // Not while it was not running.
    scene.model.listening = vec![(1, T0 - DAY, at(20))];
    assert_eq!(only(&scene.report().outages).cause, Cause::GatewayNotRunning);
}

#[test]
fn several_loggers_while_the_gateway_listened_or_one_of_its_radios_did_not() {
    let mut scene = site([20..=39, NONE, 20..=39]);
    scene.model.listening = vec![(1, T0, at(100)), (2, T0, at(100))];
    assert_eq!(only(&scene.report().outages).cause, Cause::ManyLoggers);
    scene.model.listening = vec![(1, T0, at(100)), (2, T0, at(18)), (2, at(40), at(100))];
    assert_eq!(only(&scene.report().outages).cause, Cause::PortLost);
    // A radio that was put up later was not off.
    for since in [at(38), at(41)] {
        scene.model.listening = vec![(1, T0, at(100)), (2, since, at(100))];
        assert_eq!(only(&scene.report().outages).cause, Cause::ManyLoggers);
    }
    // Two radios in turn are listening all the time, but each was off.
    scene.model.listening = vec![(1, T0, at(30)), (2, T0, at(2)), (2, at(30), at(100))];
    assert_eq!(only(&scene.report().outages).cause, Cause::PortLost);
}

#[test]
fn a_radio_taken_down_long_ago_was_not_off() {
    let mut scene = site([20..=39, NONE, 20..=39]);
    let day_before = |days: i64| at(20) - days * DAY;
    for (until, cause) in [(8, Cause::ManyLoggers), (6, Cause::PortLost)] {
        scene.model.listening = vec![(1, T0, at(100)), (2, T0 - 90 * DAY, day_before(until))];
        assert_eq!(only(&scene.report().outages).cause, cause, "{until} days before");
    }
}

#[test]
fn an_outage_of_nearly_all_while_the_gateway_listened_is_distinguished_from_one_of_several() {
    let mut scene = site([20..=39, 20..=39, 20..=38]);
    scene.model.listening = vec![(1, T0, at(200))];
    assert_eq!(only(&scene.report().outages).cause, Cause::NoneHeard);
    // A logger that fell silent before it, or is not in service yet, proves nothing; one that was heard does.
    let fourth = |heard: Option<u32>, in_service: Option<InService>| {
        let mut scene = scene.clone();
        scene.loggers.push(Logger { address: address(40), in_service, ..scene.loggers[0].clone() });
        if let Some(records) = heard {
            scene.live(Life { logger: 40, records, from: T0 + 5, ..LIFE });
        }
        only(&scene.report().outages).cause
    };
    assert_eq!(fourth(None, None), Cause::NoneHeard);
    assert_eq!(fourth(Some(15), None), Cause::NoneHeard);
    assert_eq!(fourth(Some(100), None), Cause::ManyLoggers);
    assert_eq!(fourth(Some(100), Some(InService::From(GatewayTime(at(60))))), Cause::NoneHeard);
}

#[test]
fn that_a_logger_alone_was_not_heard_needs_another_that_was() {
    // The only logger of its site.
    let mut alone = Scene::of(&[L]);
    alone.live(Life { records: 100, ..LIFE });
    alone.lose(L, 1, 20..=39);
    alone.model.listening = vec![(1, T0, at(200))];
    assert_eq!(only(&alone.report().outages).cause, Cause::NotKnown);
    // The gateway was off, and heard nothing for forty minutes more; of the others, which measure hourly, only one or two
    // were due.
    let mut scene = Scene::of(&[L, OTHERS[0], OTHERS[1]]);
    scene.live(Life { records: 100, ..LIFE });
    scene.lose(L, 1, 20..=43);
    for (n, logger) in OTHERS.into_iter().enumerate() {
        scene.loggers[n + 1].interval_s = 3_600;
        scene.live(Life { logger, from: T0 - 1_200, records: 17, interval: 3_600, ..LIFE });
        scene.lose(logger, 1, 5..=7);
        scene.made(id(logger, 1, 8)).held = n == 1;
    }
    scene.model.listening = vec![(1, T0, at(19) + 300), (1, at(40) - 60, at(100))];
    let causes = |scene: &Scene| {
        let mut all: Vec<(Cause, u64)> =
            scene.report().outages.iter().map(|outage| (outage.cause, outage.missing())).collect();
        all.sort_by_key(|&(_, records)| records);
        all
    };
    let off = |records| (Cause::GatewayNotRunning, records);
    assert_eq!(causes(&scene), [(Cause::OneLogger, 4), off(27)], "one was heard");
    scene.lose(OTHERS[1], 1, 8..=8);
    assert_eq!(causes(&scene), [(Cause::NotKnown, 4), off(28)]);
}

#[test]
fn a_record_that_came_hours_late_moves_no_outage_and_changes_no_cause() {
    // All three unheard from 20 to 59. Meanwhile the first got a new cell at 30, and its clock is in the year 2000 since.
    let mut scene = site([NONE, 20..=59, 20..=59]);
    scene.model.made.retain(|made| made.id.address != address(L));
    scene.live(Life { records: 29, ..LIFE });
    scene.lose(L, 1, 20..=29);
    let second = Life { epoch: 2, from: YEAR_2000, records: 70, previous: (1, 29), ..LIFE };
    scene.live(second);
    scene.lose(L, 2, 1..=30);
    scene.instead(id(L, 2, 31), second.profile_at(YEAR_2000 + 30 * EVERY));
    for sequence in 31..=70 {
        scene.made(id(L, 2, sequence)).received_at = Some(at(29 + sequence) + 2);
    }
    scene.model.listening = vec![(1, T0, at(100))];
    let whole = (at(20) + 2, at(59) + 122, Cause::NoneHeard);
    let said = |scene: &Scene| {
        let report = scene.report();
        let outage = only(&report.outages);
        assert_eq!(outage.missing(), 120, "{outage:?}");
        for part in &outage.parts {
            let from = if part.epoch.number() == 2 { at(29 + part.first) } else { at(part.first) };
            let to = from + i64::from(part.last - part.first) * EVERY;
            assert!(
                (part.from.unix_s() - from).abs() <= 2 * EVERY && (part.to.unix_s() - to).abs() <= 2 * EVERY,
                "{part:?}"
            );
        }
        (outage.from.unix_s(), outage.to.unix_s(), outage.cause)
    };
    assert_eq!(said(&scene), whole);
    // The last one ahead of it comes when it is nearly over, and the first one after it an hour later.
    scene.made(id(L, 1, 19)).received_at = Some(at(60) - 100);
    assert_eq!(said(&scene), whole);
    scene.made(id(L, 2, 31)).received_at = Some(at(66));
    assert_eq!(said(&scene), whole);
}

#[test]
fn outages_at_different_times_stand_apart_longest_first() {
    let mut scene = site([10..=14, 15..=19, 60..=79]);
    scene.model.listening = vec![(1, T0, at(100))];
    let report = scene.report();
    let spans: Vec<(i64, i64, u64)> = report
        .outages
        .iter()
        .map(|outage| (outage.from.unix_s(), outage.to.unix_s(), outage.records()))
        .collect();
    // The first logger's ends before the second's begins.
    let expected =
        [(at(60) + 122, at(79) + 122, 20), (at(10) + 2, at(14) + 2, 5), (at(15) + 62, at(19) + 62, 5)];
    assert_eq!(spans, expected);
    // If they only touch, they stay two; if they share most of the longer one, they are one.
    scene.lose(L, 1, 15..=16);
    assert_eq!(scene.report().outages.len(), 3);
    scene.lose(OTHERS[0], 1, 11..=14);
    let report = scene.report();
    assert_eq!(report.outages.len(), 2);
    assert_eq!((report.outages[1].records(), report.outages[1].loggers.len()), (16, 2));
}

#[test]
fn a_lost_frame_or_two_is_not_an_outage_and_one_that_is_written_off_stays_in_the_story() {
    let mut scene = site([10..=11, 20..=20, NONE]);
    scene.model.listening = vec![(1, T0, at(100))];
    assert_eq!(scene.report().outages, []);
    scene.lose(L, 1, 12..=12);
    assert_eq!(only(&scene.report().outages).missing(), 3);
    scene.write_off(1, 10, Some(12));
    let report = scene.report();
    let outage = only(&report.outages);
    assert_eq!((outage.missing(), outage.written_off(), outage.cause), (0, 3, Cause::OneLogger));
}

#[test]
fn an_outage_of_a_few_minutes_does_not_blame_a_gateway_that_was_off_for_one_of_them() {
    // A reading and two events are missing between two readings.
    let mut scene = Scene::new();
    scene.push(id(L, 1, 1), LIFE.profile_at(at(1)));
    scene.push(id(L, 1, 2), reading(at(2)));
    scene.push(id(L, 1, 6), reading(at(4)));
    scene.model.listening = vec![(1, T0, at(100))];
    let outage = only(&scene.report().outages).clone();
    assert_eq!(
        (outage.from.unix_s(), outage.to.unix_s(), outage.cause),
        (at(2) + 302, at(3) + 302, Cause::NotKnown)
    );
    scene.model.listening = vec![(1, T0, at(3)), (1, at(3) + 60, at(100))];
    assert_eq!(only(&scene.report().outages).cause, Cause::NotKnown);
    scene.model.listening = vec![(1, T0, at(2) + 60), (1, at(4) - 60, at(100))];
    assert_eq!(only(&scene.report().outages).cause, Cause::GatewayNotRunning);
}

// ------------------------------------------------------------------------------------- what a logger still holds

/// `tests/data/wire/additions-v1.json`: values made from the format's text by a program that shares no code with this one.
fn additions(list: &str) -> Vec<serde_json::Value> {
    let file = std::fs::read_to_string("tests/data/wire/additions-v1.json").unwrap();
    let all: serde_json::Value = serde_json::from_str(&file).unwrap();
    all[list].as_array().unwrap().clone()
}

fn number(case: &serde_json::Value, key: &str) -> u32 {
    u32::try_from(case[key].as_u64().unwrap()).unwrap()
}

fn words(report: &Report) -> Vec<InLogger> {
    report.gaps.iter().map(|gap| gap.in_memory.in_logger).collect()
}

#[test]
fn the_words_and_dates_of_the_check_values_come_out() {
    let cases = additions("in_logger");
    for case in &cases {
        let (missing, newest, capacity) =
            (number(case, "missing"), number(case, "newest"), number(case, "capacity"));
        let interval = number(case, "interval_s");
        let mut scene = Scene::new();
        scene.logger().interval_s = interval;
        scene.logger().fastest_interval_s = Some(number(case, "fastest_interval_s"));
        scene.logger().memory_records = capacity;
        scene.logger().listens = number(case, "a_day") == 3;
        scene.live(Life { records: newest, capacity, interval: interval.into(), ..LIFE });
        scene.lose(L, 1, missing..=missing);
        let received_at = scene.made(id(L, 1, newest)).received_at.unwrap();
        scene.now = received_at;
        let memory = only(&scene.model.report(&scene.roster(), scene.now).gaps).in_memory;
        assert_eq!(memory.in_logger.name(), case["in_logger"], "{case}");
        let since = |at: Option<GatewayTime>| at.map(|at| at.unix_s() - received_at);
        assert_eq!(since(memory.earliest), case["earliest_s"].as_i64(), "{case}");
        assert_eq!(since(memory.latest), case["latest_s"].as_i64(), "{case}");
    }
    assert_eq!(cases.len(), 13);
}

#[test]
fn a_fast_interval_brings_only_the_earliest_date_forward() {
    let mut scene = Scene::new();
    scene.live(Life { capacity: 100, ..LIFE });
    scene.lose(L, 1, 11..=14);
    // Nineteen came after the first missing one; eighty-one more overwrite it.
    let latest = at(30) + 2 + 81 * EVERY;
    let (earliest, found) = deadlines(&scene.report().gaps[0]);
    assert_eq!(found, Some(latest));
    let earliest = earliest.unwrap();
    assert!(earliest < latest && earliest > latest - 10 * EVERY, "{}", latest - earliest);
    // The profile's capacity counts, and not the roster's.
    scene.logger().memory_records = 5;
    scene.logger().fastest_interval_s = Some(60);
    let (alarmed, found) = deadlines(&scene.report().gaps[0]);
    assert_eq!(found, Some(latest));
    let alarmed = alarmed.unwrap() - at(30);
    assert!(alarmed < 81 * 60 && alarmed > 70 * 60, "{alarmed}");
    // If the newest record is a profile, it applies from now on.
    scene.instead(id(L, 1, 30), Life { capacity: 50, interval: 900, ..LIFE }.profile_at(at(30)));
    assert_eq!(deadlines(&scene.report().gaps[0]).1, Some(at(30) + 2 + 31 * 900));
}

#[test]
fn a_wrong_clock_of_a_logger_moves_no_date_and_no_word() {
    let printed = |off: i64| {
        let mut scene = Scene::new();
        scene.live(Life { capacity: 100, ..LIFE });
        scene.lose(L, 1, 11..=14);
        for made in &mut scene.model.made {
            if let Kind::Record(Record::Reading(reading)) = &made.what {
                let time = i64::from(reading.time) + off;
                made.what = Kind::Record(self::reading(time));
            }
        }
        scene.now = at(30) + 60;
        only(&scene.report().gaps).in_memory
    };
    assert_eq!(printed(0).in_logger, InLogger::Yes);
    // The clock is a year and a day behind: these records are minutes old, but were once reported as gone.
    assert_eq!(printed(-366 * DAY), printed(0));
    assert_eq!(printed(366 * DAY), printed(0));
}

#[test]
fn from_a_reception_under_an_unsynchronised_clock_the_latest_date_counts_from_the_report() {
    let mut scene = Scene::new();
    scene.live(Life { capacity: 100, ..LIFE });
    scene.lose(L, 1, 11..=14);
    // The gateway's clock was lost with its power: it said 1970.
    let newest = scene.made(id(L, 1, 30));
    (newest.synchronised, newest.received_at) = (false, Some(7_000));
    scene.now = at(30) + 2 * EVERY;
    let gap = *only(&scene.report().gaps);
    assert_eq!(gap.in_memory.in_logger, InLogger::Yes);
    // By hand: 19 records were made after 11, so 81 more may come; the reading before 30 came 2 s after it was made.
    assert_eq!(deadlines(&gap).1, Some(at(30) + 2 * EVERY + 81 * EVERY));
    let (earliest, _) = deadlines(&gap);
    assert!(
        earliest.is_some_and(|at_s| at_s > at(29) + 70 * EVERY && at_s < at(29) + 81 * EVERY),
        "{earliest:?}"
    );
}

#[test]
fn a_present_that_is_before_the_last_reception_makes_nothing_certain() {
    let mut scene = Scene::new();
    scene.live(Life { capacity: 100, ..LIFE });
    scene.lose(L, 1, 11..=14);
    scene.now = at(30) + 60;
    assert_eq!(only(&scene.report().gaps).in_memory.in_logger, InLogger::Yes);
    // A gateway without a clock battery starts with a time years ago. It cannot know how long ago it heard the logger.
    scene.now = 86_400;
    assert_eq!(only(&scene.report().gaps).in_memory.in_logger, InLogger::Perhaps);
    // The newest record came under such a clock, so no latest date is known either.
    let newest = scene.made(id(L, 1, 30));
    (newest.synchronised, newest.received_at) = (false, Some(7_000));
    assert_eq!(deadlines(only(&scene.report().gaps)).1, None);
}

#[test]
fn an_interval_of_0_promises_no_date() {
    let mut scene = Scene::new();
    scene.live(LIFE);
    scene.instead(id(L, 1, 1), Life { interval: 0, capacity: 100, ..LIFE }.profile_at(T0));
    scene.lose(L, 1, 11..=14);
    assert_eq!(deadlines(&scene.report().gaps[0]), (None, None));
    assert_eq!(words(&scene.report()), [InLogger::Perhaps]);
}

#[test]
fn of_a_long_gap_only_the_records_that_are_really_gone_count_as_gone() {
    let mut scene = Scene::new();
    scene.live(Life { records: 300, capacity: 15, ..LIFE });
    // Since 270, twice the memory has been made; since 285, once.
    scene.lose(L, 1, 200..=295);
    scene.now = at(300) + 10;
    let gap = scene.report().gaps[0];
    assert_eq!((gap.in_memory.in_logger, gap.in_memory.gone, gap.left()), (InLogger::Perhaps, 71, 25));
    // There are seven records after 293: eight more fit, of which six are reserve and one is the daily profile.
    assert_eq!(gap.in_memory.certain, 3);
    assert_eq!(gap.in_memory.all_latest, Some(GatewayTime(at(300) + 2 + 10 * EVERY)));
    scene.write_off(1, 200, Some(270));
    assert_eq!(words(&scene.report()), [InLogger::No, InLogger::Perhaps]);
}

#[test]
fn a_memory_goes_on_over_epochs_that_name_each_other_and_so_does_the_count() {
    let mut scene = Scene::new();
    scene.live(Life { capacity: 50, ..LIFE });
    scene.live(Life { epoch: 2, capacity: 50, from: at(31), previous: (1, 30), ..LIFE });
    scene.lose(L, 1, 20..=22);
    scene.now = at(60) + 10;
    // Ten after it in its own epoch, thirty in the next.
    assert_eq!(deadlines(&scene.report().gaps[0]).1, Some(at(60) + 2 + 10 * EVERY));
    assert_eq!(words(&scene.report()), [InLogger::Yes]);
    // If the end is not named, the epoch may have continued: the answer is "perhaps", from the last record before the
    // break.
    let mut scene = Scene::new();
    scene.live(Life { capacity: 50, ..LIFE });
    scene.live(Life { epoch: 2, capacity: 50, from: at(91), ..LIFE });
    scene.lose(L, 1, 20..=22);
    scene.lose(L, 2, 5..=7);
    scene.now = at(120) + 10;
    let report = scene.report();
    assert_eq!(words(&report), [InLogger::Perhaps, InLogger::Yes]);
    let (earliest, latest) = deadlines(&report.gaps[0]);
    assert!(earliest.unwrap() < at(30) + 40 * EVERY, "{earliest:?}");
    assert_eq!(latest, Some(at(120) + 2 + 10 * EVERY));
}

#[test]
fn a_cleared_memory_no_longer_has_what_was_missing_before() {
    let mut scene = Scene::new();
    scene.live(LIFE);
    scene.lose(L, 1, 5..=7);
    scene.instead(id(L, 1, 12), event(at(12), Event::MEMORY_CLEARED));
    scene.lose(L, 1, 20..=22);
    scene.now = at(31);
    let report = scene.report();
    assert_eq!(words(&report), [InLogger::No, InLogger::Yes]);
    assert_eq!((deadlines(&report.gaps[0]), report.gaps[0].left()), ((None, None), 0));
    // A profile of a later epoch counts too, also for an epoch that it does not name.
    scene.live(Life { epoch: 2, from: at(31), ..LIFE });
    scene.instead(id(L, 2, 4), event(at(34), Event::MEMORY_CLEARED));
    let report = scene.report();
    assert_eq!(words(&report), [InLogger::No, InLogger::No]);
    assert_eq!(only(&report.unclosed).in_memory.in_logger, InLogger::No, "no visit closes it");
    // A later profile that includes it proves that it is there all the same.
    let mut scene = Scene::new();
    scene.live(LIFE);
    scene.lose(L, 1, 5..=7);
    scene.instead(id(L, 1, 12), event(at(12), Event::MEMORY_CLEARED));
    scene.instead(id(L, 1, 20), Life { oldest: 6, ..LIFE }.profile_at(at(20)));
    let gap = scene.report().gaps[0];
    assert_eq!((gap.in_memory.gone, gap.left()), (1, 2));
    // Other events do nothing.
    scene.instead(id(L, 1, 20), reading(at(20)));
    scene.instead(id(L, 1, 12), event(at(12), Event::POWERED_UP));
    assert_eq!(scene.report().gaps[0].in_memory.gone, 0);
}

#[test]
fn a_profile_that_gives_its_oldest_record_says_what_is_gone() {
    let mut scene = Scene::new();
    scene.live(LIFE);
    scene.lose(L, 1, 5..=7);
    let tells = |oldest, sequence| Life { oldest, ..LIFE }.profile_at(at(sequence));
    scene.instead(id(L, 1, 12), tells(5, 12));
    assert_eq!(scene.report().gaps[0].in_memory.gone, 0, "5 itself is still there");
    scene.instead(id(L, 1, 15), tells(6, 15));
    assert_eq!(scene.report().gaps[0].in_memory.gone, 1);
    scene.instead(id(L, 1, 18), tells(9, 18));
    assert_eq!(words(&scene.report()), [InLogger::No]);
    // A profile of a later epoch proves this for every earlier epoch as soon as its own first record is gone.
    let mut scene = Scene::new();
    scene.live(LIFE);
    scene.lose(L, 1, 5..=7);
    let second = Life { epoch: 2, from: at(31), previous: (1, 30), ..LIFE };
    scene.live(second);
    scene.instead(id(L, 2, 6), Life { oldest: 2, ..second }.profile_at(at(36)));
    scene.lose(L, 2, 10..=12);
    scene.now = at(61);
    assert_eq!(words(&scene.report()), [InLogger::No, InLogger::Yes]);
}

#[test]
fn what_another_unit_made_is_in_that_unit_and_has_no_date() {
    let replaced = |first_profile_is_held: bool| {
        let mut scene = Scene::new();
        scene.live(LIFE);
        scene.lose(L, 1, 5..=7);
        if !first_profile_is_held {
            scene.lose(L, 1, 1..=1);
            scene.instead(id(L, 1, 20), LIFE.profile_at(at(20)));
        }
        // Its memory is full and was cleared: this says nothing about the memory of the old unit.
        let new = Life { epoch: 1_780_000_000, records: 3_000, from: at(50), unit: 6, oldest: 9, ..LIFE };
        scene.live(new);
        scene.instead(id(L, 1_780_000_000, 12), event(at(61), Event::MEMORY_CLEARED));
        scene.lose(L, 1_780_000_000, 2_990..=2_991);
        scene.now = at(3_050);
        scene.report()
    };
    for first in [true, false] {
        let report = replaced(first);
        let (new, old) = report.gaps.split_last().unwrap();
        for gap in old {
            assert_eq!((gap.in_memory.in_logger, gap.in_memory.is_elsewhere), (InLogger::Perhaps, true));
            assert_eq!(deadlines(gap), (None, None));
        }
        assert!(new.in_memory.latest.is_some() && !new.in_memory.is_elsewhere, "of the new unit it is");
    }
}

#[test]
fn an_epoch_is_of_the_unit_that_its_own_profiles_or_the_ones_that_name_it_say() {
    // The new unit's first record is lost: its next profile says that the gap is its own.
    let mut scene = Scene::new();
    scene.live(LIFE);
    let new = Life { epoch: 1_780_000_000, from: at(50), unit: 6, previous: (1_779_999_999, 8), ..LIFE };
    scene.live(new);
    scene.instead(id(L, new.epoch, 20), new.profile_at(at(69)));
    scene.lose(L, new.epoch, 1..=3);
    let report = scene.report();
    assert_eq!(ranges(&report), [(1_779_999_999, 1, 8), (1_780_000_000, 1, 3)]);
    // And so is the epoch that it had before, though the old unit's profiles come before it.
    let made_since = 7 + 30;
    assert_eq!(deadlines(&report.gaps[0]).1, Some(at(79) + 2 + (1_000 - made_since) * EVERY));
    assert_eq!(deadlines(&report.gaps[1]).1, Some(at(79) + 2 + (1_000 - 29) * EVERY));
    // A unit without a serial number counts as the same if the epochs have a key slot in common.
    let mut scene = Scene::new();
    scene.live(Life { unit: 0, ..LIFE });
    scene.live(Life { epoch: 2, from: at(50), unit: 6, ..LIFE });
    scene.lose(L, 1, 5..=7);
    assert!(!scene.report().gaps[0].in_memory.is_elsewhere);
}

#[test]
fn an_end_that_no_memory_and_no_time_explain_is_a_fault_of_firmware() {
    let mut scene = Scene::new();
    scene.live(LIFE);
    scene.live(Life { epoch: 2, from: at(60), previous: (1, u32::MAX), ..LIFE });
    scene.lose(L, 1, 5..=7);
    let report = scene.report();
    let bad = only(&report.bad_ends);
    assert_eq!((bad.held, bad.last, bad.by_epoch), (30, u32::MAX, epoch(2)));
    // The gaps stay the same, but records that it cannot have made do not count: what is still there is not given up.
    assert_eq!(ranges(&report), [(1, 5, 7), (1, 31, u32::MAX)]);
    assert_eq!(words(&report), [InLogger::Perhaps, InLogger::Perhaps]);
    // An end that a long silence explains is not a fault.
    let mut scene = Scene::new();
    scene.live(Life { capacity: 10, ..LIFE });
    scene.logger().memory_records = 10;
    scene.live(Life { epoch: 2, capacity: 10, from: at(900), previous: (1, 898), ..LIFE });
    assert_eq!(scene.report().bad_ends, []);
}

#[test]
fn no_date_is_known_where_nothing_came_by_radio_and_nothing_has_a_time() {
    let mut scene = Scene::new();
    scene.live(LIFE);
    scene.lose(L, 1, 5..=7);
    for made in &mut scene.model.made {
        made.received_at = None;
    }
    scene.made(id(L, 1, 30)).what = Kind::Opaque;
    assert_eq!(deadlines(&scene.report().gaps[0]), (None, None));
    assert_eq!(words(&scene.report()), [InLogger::Perhaps]);
}

#[test]
fn only_the_wanted_loggers_are_reported() {
    let scene = site([10..=12, 20..=22, 30..=32]);
    let wanted = |of: Address| of == address(OTHERS[0]);
    let Ok(report) =
        gaps::report(&scene.roster(), &scene.model.coverage(), &scene.model, GatewayTime(scene.now), wanted);
    assert_eq!(only(&report.gaps).logger, address(OTHERS[0]));
    assert_eq!(report.outages, [], "an outage shows only in all loggers together");
}

// ------------------------------------------------------------- random histories against a set of integers

#[derive(Clone, Debug)]
struct EpochPlan {
    /// How much its number is above the previous one.
    step: u32,
    /// Which of its records are held.
    held: Vec<bool>,
    /// The number of records from one profile to the next.
    profile_every: usize,
    /// Whether its profiles name the previous epoch, and by how much the end that each gives is wrong.
    names: Option<Vec<i32>>,
    /// Sequences that a CSV file has, too.
    rows: Vec<u32>,
}

fn epoch_plan() -> impl Strategy<Value = EpochPlan> {
    let held = (0.05..1.0f64, 0usize..30).prop_flat_map(|(share, records)| {
        proptest::collection::vec(proptest::bool::weighted(share), records)
    });
    let names = proptest::option::of(proptest::collection::vec(
        prop_oneof![4 => Just(0), 1 => -5..5i32, 1 => Just(-100)],
        1..4,
    ));
    let rows = proptest::collection::vec(1u32..40, 0..6);
    (1u32..3, held, 1usize..12, names, rows).prop_map(|(step, held, profile_every, names, rows)| EpochPlan {
        step,
        held,
        profile_every,
        names,
        rows,
    })
}

/// Carries the plan of a logger out. Returns what arrived: by radio in the order of the keys, then by hand.
fn history(plan: &[EpochPlan], arrival_keys: &[u32]) -> Scene {
    let mut scene = Scene::new();
    let (mut number, mut last, mut time) = (1, 0, T0);
    for epoch_plan in plan {
        let before = number;
        number += epoch_plan.step;
        for (index, &held) in epoch_plan.held.iter().enumerate() {
            let id = id(L, number, index as u32 + 1);
            time += EVERY;
            let record = if index.is_multiple_of(epoch_plan.profile_every) {
                let nth = index / epoch_plan.profile_every;
                let previous = match &epoch_plan.names {
                    Some(errors) => {
                        (before, u32::try_from(last + errors[nth % errors.len()]).unwrap_or_default())
                    }
                    None => (0, 0),
                };
                Life { previous, ..LIFE }.profile_at(time)
            } else {
                reading(time)
            };
            scene.push(id, record);
            scene.made(id).held = held;
        }
        last = epoch_plan.held.len() as i32;
    }
    let mut keyed: Vec<(u32, Made)> = arrival_keys.iter().copied().cycle().zip(scene.model.made).collect();
    keyed.sort_by_key(|(key, _)| *key);
    scene.model.made = keyed.into_iter().map(|(_, made)| made).collect();

    // Rows may come for every epoch of which a record is held, but not for a held sequence.
    let held: BTreeSet<Identity> = scene.model.held().map(|made| made.id).collect();
    let mut number = 1;
    for epoch_plan in plan {
        number += epoch_plan.step;
        let rows: BTreeSet<u32> = epoch_plan.rows.iter().copied().collect();
        for row in rows.into_iter().map(|sequence| id(L, number, sequence)) {
            if held.iter().any(|held| held.epoch == row.epoch) && !held.contains(&row) {
                scene.row(row, T0);
            }
        }
    }
    scene
}

/// Epoch, first and last missing sequence.
type Missing = (u32, u32, u32);
/// Epoch and last held sequence.
type Left = (u32, u32);

/// The gaps and unclosed epochs of a history, integer by integer.
fn naive(model: &Model) -> (Vec<Missing>, Vec<Left>) {
    let mut authentic: BTreeMap<u32, BTreeSet<u32>> = BTreeMap::new();
    let mut filled: BTreeMap<u32, BTreeSet<u32>> = BTreeMap::new();
    let mut named: BTreeMap<u32, u32> = BTreeMap::new();
    for made in model.held() {
        let (epoch, sequence) = (made.id.epoch.number(), made.id.sequence.number());
        filled.entry(epoch).or_default().insert(sequence);
        if made.is_authentic() {
            authentic.entry(epoch).or_default().insert(sequence);
        }
        if let Some((_, profile)) = made.profile()
            && profile.previous_epoch != 0
        {
            let end = named.entry(profile.previous_epoch).or_default();
            *end = (*end).max(profile.previous_last);
        }
    }
    let known: BTreeSet<u32> = authentic.keys().chain(named.keys()).copied().collect();
    let nothing = BTreeSet::new();
    let (mut gaps, mut unclosed) = (Vec::new(), Vec::new());
    for &epoch in &known {
        let largest = authentic.get(&epoch).and_then(BTreeSet::last).copied();
        let must = largest.unwrap_or(0).max(named.get(&epoch).copied().unwrap_or(0));
        let filled = filled.get(&epoch).unwrap_or(&nothing);
        for sequence in (1..=must).filter(|sequence| !filled.contains(sequence)) {
            match gaps.last_mut() {
                Some((of, _, last)) if *of == epoch && *last + 1 == sequence => *last = sequence,
                _ => gaps.push((epoch, sequence, sequence)),
            }
        }
        if let Some(largest) = largest
            && !named.contains_key(&epoch)
            && known.last() != Some(&epoch)
        {
            unclosed.push((epoch, largest));
        }
    }
    (gaps, unclosed)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]

    // The naive model is a set of integers; proptest prints what failed, as small as it can be.
    #[test]
    fn gaps_of_any_history_are_those_of_a_set_of_integers_whatever_the_order_of_arrival(
        plan in proptest::collection::vec(epoch_plan(), 1..6),
        order in proptest::collection::vec(any::<u32>(), 1..160),
        settled_rows in 0u32..120,
    ) {
        let scene = history(&plan, &order);
        let report = scene.model.report(&scene.roster(), scene.now);
        let (gaps, unclosed) = naive(&scene.model);
        prop_assert_eq!(ranges(&report), gaps.clone());
        let found: Vec<(u32, u32)> =
            report.unclosed.iter().map(|open| (open.epoch.number(), open.last)).collect();
        prop_assert_eq!(found, unclosed);

        let in_order = history(&plan, &[0]);
        prop_assert_eq!(&in_order.model.report(&scene.roster(), scene.now), &report);

        // The ledger says the same, and so does its view, with some of it settled.
        let mut gateway = Gateway::new();
        let held: Vec<&Made> = scene.model.held().collect();
        gateway.append(&scene, &held, &[]);
        if settled_rows > 0 {
            gateway.ledger.settle(settled_rows, 0).unwrap();
        }
        prop_assert_eq!(&gateway.report(&scene), &report);
        let view: Vec<(u32, u32, u32)> = gateway
            .gap_now()
            .into_iter()
            .map(|(logger, epoch, first, last)| {
                assert_eq!(logger, L);
                (epoch, first, last)
            })
            .collect();
        prop_assert_eq!(view, gaps);
    }
}

// ------------------------------------------------------------------------- deadlines against ring memories

/// A number that a seed decides, below `below`.
fn random(seed: u64, what: u64, below: u64) -> u64 {
    // The finaliser of SplitMix64.
    let mut x = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ what.wrapping_mul(0xd1b5_4a32_d192_ed03);
    x = (x ^ (x >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    x = (x ^ (x >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    (x ^ (x >> 31)) % below
}

const FIELD_DAYS: i64 = 5;

/// Five loggers with memories of hours to days, deaf times of the gateway and of single loggers, new epochs with
/// and without a named end, openings of enclosures and cleared memories.
fn field_plan(seed: u64) -> FieldPlan {
    let mut plan = FieldPlan::harrow_tarn(seed, 5, FROM, FIELD_DAYS as u32).without_incidents().with_faults(
        FaultRates {
            lost: 0.02,
            repeated: 0.02,
            reordered: 0.01,
            reorder_frames_max: 4,
            late: 0.01,
            ..FaultRates::none()
        },
    );
    let moment = |what: u64| FROM.unix_s() + random(seed, what, (FIELD_DAYS * DAY) as u64) as i64;
    for what in 0..3 {
        let from = moment(10 + what);
        plan.radio_outages
            .push(Span::new(TrueTime(from), TrueTime(from + 1_800 + random(seed, 20 + what, 50_000) as i64)));
    }
    for n in 0..plan.loggers.len() {
        let (own, address) = (1_000 * (n as u64 + 1), plan.loggers[n].address);
        plan.loggers[n].memory_records = 30 + random(seed, own, 200) as u32;
        let from = moment(own + 1);
        let span = Span::new(TrueTime(from), TrueTime(from + 3_600 + random(seed, own + 2, 100_000) as i64));
        plan.logger_outages.push((address, span));
        let often = |what: u64, of_ten: u64| random(seed, own + what, 10) < of_ten;
        if often(3, 6) {
            let names_previous = often(4, 5);
            plan.restarts.push(RestartPlan { address, at: TrueTime(moment(own + 5)), names_previous });
        }
        if often(6, 5) {
            // Often while nothing of it is heard.
            let at = if often(7, 4) { from + 600 } else { moment(own + 8) };
            plan.openings.push((address, TrueTime(at)));
        }
        if often(9, 2) {
            plan.memory_clears.push((address, TrueTime(moment(own + 10))));
        }
    }
    plan
}

/// A field that is fed into a model, and into a real ledger if there is one.
struct Listener {
    truth: Truth,
    witness: Witness,
    emissions: std::iter::Peekable<std::vec::IntoIter<Emission>>,
    scene: Scene,
    arrived: BTreeSet<Identity>,
    /// When the gateway goes off and on.
    switches: std::iter::Peekable<std::vec::IntoIter<(i64, bool)>>,
    on_since: Option<i64>,
    heard_windows: Vec<(u8, i64, i64)>,
    gateway: Option<(Gateway, Intake, Keyring)>,
}

impl Listener {
    fn new(plan: &FieldPlan, with_ledger: bool) -> Self {
        let mut scene = Scene::new();
        scene.loggers = plan.to_roster().loggers().cloned().collect();
        let gateway = with_ledger.then(|| {
            let gateway = Gateway::new();
            let mut keyring = Keyring::default();
            keyring.set_site_key(SiteKey::new(&plan.site_key).unwrap(), None);
            let intake = Intake::new(&gateway.radios[..1]);
            (gateway, intake, keyring)
        });
        let mut switches = vec![(plan.from.unix_s(), true)];
        let mut deaf = plan.radio_outages.clone();
        deaf.sort_by_key(|span| span.from.unix_s());
        for span in deaf {
            match switches.last_mut() {
                Some((until, true)) if *until >= span.from.unix_s() && *until > plan.from.unix_s() => {
                    *until = span.to.unix_s().max(*until);
                }
                _ => switches.extend([(span.from.unix_s(), false), (span.to.unix_s(), true)]),
            }
        }
        let mut run = Field::new(plan.clone()).run_out();
        run.truth.forget_heard();
        Self {
            truth: run.truth,
            witness: Witness::default(),
            emissions: run.emissions.into_iter().peekable(),
            scene,
            arrived: BTreeSet::new(),
            switches: switches.into_iter().peekable(),
            on_since: None,
            heard_windows: Vec::new(),
            gateway,
        }
    }

    /// Hears everything up to an instant.
    fn listen_until(&mut self, until: i64) {
        self.scene.now = until;
        let roster = self.scene.roster();
        let stamp = |unix_s| Stamp { unix_s, synchronised: true };
        loop {
            let next = self.emissions.peek().map_or(i64::MAX, |emission| emission.at.unix_s());
            if let Some((at, on)) = self.switches.next_if(|(at, _)| *at <= next && *at <= until) {
                if let Some((_, intake, _)) = &mut self.gateway {
                    if on { intake.up(0, stamp(at)) } else { intake.down(0, stamp(at)) }
                }
                match self.on_since.take() {
                    Some(since) => self.heard_windows.push((1, since, at)),
                    None => self.on_since = Some(at),
                }
                continue;
            }
            let Some(emission) = self.emissions.next_if(|emission| emission.at.unix_s() <= until) else {
                break;
            };
            self.hear(&emission);
            if let Some((_, intake, keyring)) = &mut self.gateway {
                intake.bytes(0, &emission.bytes, &roster, keyring, stamp(emission.at.unix_s()));
            }
        }
        self.scene.model.listening = self.heard_windows.clone();
        self.scene.model.listening.extend(self.on_since.map(|since| (1, since, until)));
        self.scene.model.listening.retain(|(_, since, until)| since < until);
        if let Some((gateway, intake, _)) = &mut self.gateway {
            intake.close_windows(stamp(until));
            gateway.ledger.append(&intake.batch, &roster, stamp(until)).unwrap();
            intake.batch.clear();
        }
    }

    fn hear(&mut self, emission: &Emission) {
        self.witness.feed(&emission.bytes, &mut self.truth);
        let (What::Whole(id) | What::Repeated(id)) = emission.what else {
            panic!("nothing else in these fields: {:?}", emission.what)
        };
        let record = self.truth.record(id).unwrap();
        assert!(record.heard);
        if self.arrived.insert(id) {
            let what = Kind::Record(record.record().unwrap());
            self.scene.model.made.push(Made {
                id,
                what,
                received_at: Some(emission.at.unix_s()),
                held: true,
                synchronised: true,
            });
        }
    }
}

/// How many gaps had their deadlines compared with the ring, by what the report said about them.
#[derive(Debug, Default)]
struct Compared {
    /// Said to be gone, said to be there; of the others, how many were there and how many were not.
    gone: usize,
    there: usize,
    at_risk: [usize; 2],
    /// Of those said to be there, how many went later in the plan, none before its date.
    predicted: usize,
    /// A memory was cleared by hand.
    cleared: usize,
}

/// When the memory of a logger overwrote a record; `None`: not before the end of the plan.
fn overwritten_at(plan: &FieldPlan, truth: &Truth, id: Identity) -> Option<i64> {
    let records = truth.records_of(id.address);
    let index = records.iter().position(|record| record.identity == id).unwrap();
    let made_at = records[index].made_at.unix_s();
    let capacity = plan.logger(id.address).unwrap().memory_records as usize;
    let full = records.get(index + capacity).map(|record| record.made_at.unix_s());
    let clears = plan.memory_clears.iter().filter(|(of, at)| *of == id.address && at.unix_s() > made_at);
    clears.map(|(_, at)| at.unix_s()).chain(full).min().filter(|at| *at <= plan.end().unix_s())
}

/// Compares every record of every gap of a report with the memories at that instant.
fn compare(plan: &FieldPlan, listener: &Listener, report: &Report, context: &str, out: &mut Compared) {
    let (truth, now) = (&listener.truth, listener.scene.now);
    for gap in &report.gaps {
        let memory = &gap.in_memory;
        let context = format!("{context}: logger {} at {now}: {gap:?}", gap.logger);
        assert!(memory.earliest <= memory.latest && memory.latest <= memory.all_latest, "{context}");
        let held: BTreeSet<Identity> =
            truth.memory_at(gap.logger, TrueTime(now)).iter().map(|record| record.identity).collect();
        let gone_to = u64::from(gap.first) + memory.gone;
        let certain_from = u64::from(gap.last) + 1 - memory.certain;
        assert!(gone_to <= certain_from, "{context}");
        for sequence in gap.first..=gap.last {
            let record = id(gap.logger.number(), gap.epoch.number(), sequence);
            let made_at = truth.record(record).unwrap().made_at.unix_s();
            let clears = plan.memory_clears.iter().filter(|&&(of, _)| of == gap.logger);
            // No report can predict that a person clears a memory.
            let is_cleared = clears.map(|&(_, at)| at).any(|at| at >= TrueTime(made_at));
            let left_at = overwritten_at(plan, truth, record);
            if u64::from(sequence) < gone_to {
                assert!(!held.contains(&record), "{context}: {record} is said to be gone, and is there");
                out.gone += 1;
            } else if u64::from(sequence) < certain_from {
                out.at_risk[usize::from(!held.contains(&record))] += 1;
            } else if is_cleared {
                out.cleared += 1;
            } else {
                assert!(held.contains(&record), "{context}: {record} is said to be there, and is gone");
                out.there += 1;
                let earliest = memory.earliest.unwrap().unix_s();
                assert!(left_at.is_none_or(|at| at >= earliest), "{context}: {record} went at {left_at:?}");
                out.predicted += usize::from(left_at.is_some());
            }
        }
    }
}

#[test]
fn deadlines_hold_against_the_ring_memories_of_many_fields() {
    let mut compared = Compared::default();
    for seed in 0..util::shim::setting("STONECHAT_TEST_FIELDS", 30) {
        let plan = field_plan(seed);
        // A few of them through the daemon's core and a real ledger as well.
        let mut listener = Listener::new(&plan, seed % 12 == 0);
        let mut instants: Vec<i64> =
            (0..5).map(|n| FROM.unix_s() + DAY / 2 + random(seed, 90 + n, 4 * DAY as u64) as i64).collect();
        instants.push(plan.end().unix_s());
        instants.sort_unstable();
        for now in instants {
            let context = format!("seed {seed}");
            listener.listen_until(now);
            let roster = listener.scene.roster();
            let report = listener.scene.model.report(&roster, now);
            let missing: Vec<(Address, u32, u32, u32)> = listener
                .truth
                .missing()
                .into_iter()
                .map(|(address, epoch, range)| (address, epoch, *range.start(), *range.end()))
                .collect();
            let found: Vec<(Address, u32, u32, u32)> =
                report.gaps.iter().map(|gap| (gap.logger, gap.epoch.number(), gap.first, gap.last)).collect();
            assert_eq!(found, missing, "{context} at {now}");
            for address in listener.truth.addresses() {
                let unclosed = report.unclosed.iter().filter(|open| open.logger == address);
                let found: Vec<u32> = unclosed.map(|open| open.epoch.number()).collect();
                assert_eq!(found, listener.truth.unclosed(address), "{context} at {now}");
            }
            compare(&plan, &listener, &report, &context, &mut compared);
            if let Some((gateway, ..)) = &mut listener.gateway {
                assert_eq!(gateway.report_of(&roster, now), report, "{context} at {now}: the ledger");
                gateway.ledger.settle(random(seed, now as u64, 2_000) as u32, 0).unwrap();
                assert_eq!(gateway.report_of(&roster, now), report, "{context} at {now}: partly settled");
            }
        }
    }
    println!("60 fields: {compared:?}");
    let Compared { gone, there, at_risk, predicted, cleared } = compared;
    assert!(gone > 4_000 && there > 10_000 && predicted > 1_500, "{compared:?}");
    assert!(at_risk[0] > 0 && at_risk[1] > 0 && cleared > 0, "{compared:?}");
}

// --------------------------------------------------------------------------------------------------- snapshots

/// Three weeks of the embankment in a ledger, with the configuration that a site would have.
fn embankment() -> (tempfile::TempDir, Config, i64) {
    let plan = FieldPlan::harrow_tarn(4, 12, FROM, 21);
    let dir = tempfile::tempdir().unwrap();
    plan.write_config(dir.path(), "/dev/null", 1.0).unwrap();
    let config = stonechat::config::load(&dir.path().join("site.toml")).unwrap();
    let mut ledger = Ledger::open(&config.ledger.path).unwrap();
    let radios = ledger.radios(&["mast"]).unwrap();
    let mut keyring = Keyring::default();
    keyring.set_site_key(SiteKey::new(&plan.site_key).unwrap(), None);
    let mut intake = Intake::new(&radios);
    let stamp = |unix_s| Stamp { unix_s, synchronised: true };
    // The gateway has no power in the storm, and does not hear anything in the other deaf time.
    let mut power_cuts: Vec<Span> = plan
        .radio_outages
        .iter()
        .copied()
        .filter(|span| span.to.unix_s() - span.from.unix_s() > DAY)
        .collect();
    power_cuts.sort_by_key(|span| span.from.unix_s());
    assert_eq!(power_cuts.len(), 1);
    let cut = power_cuts[0];
    intake.up(0, stamp(plan.from.unix_s()));
    let mut has_power = true;
    let now = plan.end().unix_s();
    for emission in Field::new(plan.clone()).run_out().emissions {
        if emission.at.unix_s() > now {
            break;
        }
        if has_power && emission.at.unix_s() >= cut.from.unix_s() {
            intake.down(0, stamp(cut.from.unix_s()));
            intake.up(0, stamp(cut.to.unix_s()));
            has_power = false;
        }
        intake.bytes(0, &emission.bytes, &config.roster, &mut keyring, stamp(emission.at.unix_s()));
    }
    intake.close_windows(stamp(now));
    ledger.append(&intake.batch, &config.roster, stamp(now)).unwrap();
    ledger.settle(10_000, 0).unwrap();
    crate::util::daemon::seems_to_run(config.runtime_dir.as_deref().unwrap(), now);
    (dir, config, now)
}

#[test]
fn the_report_reads_as_reviewed_at_80_and_140_columns_and_piped() {
    let (_dir, config, now) = embankment();
    let wanted = GapsWanted { all: true, ..GapsWanted::default() };
    let found = selection::read(&config, &wanted, GatewayTime(now)).unwrap();
    for (name, columns) in [("80", 80), ("140", 140), ("piped", term::PIPED_COLUMNS)] {
        let text = view::gaps::page(frame(&config, now), &found, &wanted, columns);
        let widest = text.lines().map(|line| line.chars().count()).max().unwrap();
        assert!(widest <= columns, "{widest} of {columns}");
        assert!(!text.contains('\x1b') && text.lines().all(|line| line.trim_end() == line), "{text}");
        same_as_snapshot(&format!("gaps-{name}.txt"), &text);
    }
}

#[test]
fn a_part_of_the_report_says_that_it_is_one_and_keeps_what_each_outage_was() {
    let (_dir, config, now) = embankment();
    let all = selection::read(&config, &GapsWanted::default(), GatewayTime(now)).unwrap();
    let longest = all.report.outages[0].clone();
    assert_eq!(longest.cause, Cause::GatewayNotRunning);
    let wanted = GapsWanted {
        loggers: vec![address(17)],
        from: Some(longest.from),
        to: Some(longest.to),
        all: true,
        each: true,
        all_values: true,
    };
    let part = selection::read(&config, &wanted, GatewayTime(now)).unwrap();
    assert!(!part.report.gaps.is_empty() && part.report.gaps.len() < all.report.gaps.len());
    assert!(part.report.gaps.iter().all(|gap| gap.logger == address(17)));
    let same = only(&part.report.outages);
    let whole = |of: &Outage| (of.from, of.to, of.cause, of.loggers.clone());
    assert_eq!(whole(same), whole(&longest));
    assert!(same.parts.iter().all(|part| part.logger == address(17)));
    // A single record that was lost within its time and is not part of it.
    assert_eq!(same.missing() + 1, part.report.open_records());
    for columns in [0, 60, 80, 200] {
        let text = view::gaps::page(frame(&config, now), &part, &wanted, columns);
        assert!(text.contains("Only of logger 17"), "{text}");
    }
    let nothing = GapsWanted { from: Some(GatewayTime(now + DAY)), ..GapsWanted::default() };
    let found = selection::read(&config, &nothing, GatewayTime(now)).unwrap();
    assert_eq!(found.report.gaps, []);
    assert_eq!(found.report.outages, []);
}
