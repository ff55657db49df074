//! The visit list and its sheets: rules one by one without SQL, deadlines against the ring memories of simulated
//! fields, reviewed texts at several widths, and the sheet in a real browser where there is one. `UPDATE_SNAPSHOTS=1`
//! rewrites the texts; read them before you keep them.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;
use crate::util::frame;

use std::collections::BTreeMap;
use std::path::Path;
use stonechat::config::Config;
use stonechat::daemon::intake::Intake;
use stonechat::ledger::{Ledger, Stamp};
use stonechat::record::roster::{Logger, Roster};
use stonechat::report::gaps::{Gap, GapState, Report, Silence, UnclosedGap};
use stonechat::report::gateway::{Fault, Gateway};
use stonechat::report::memory::{InLogger, InMemory};
use stonechat::report::verdict::{Verdict, WhyNot};
use stonechat::report::visits::{Class, Deadline, Known, Visit, plan};
use stonechat::report::{
    sheet::{self, Sheet},
    walk,
};
use stonechat::seal::SiteKey;
use stonechat::seal::keyring::Keyring;
use stonechat::sim::plan::FROM;
use stonechat::sim::{FaultRates, Field, FieldPlan, RestartPlan, Span, TrueTime, Truth};
use stonechat::time::GatewayTime;
use stonechat::view::sheet::{SheetForm, written};
use stonechat::view::visits::{Wanted, as_json, page};
use stonechat::wire::record::Record;
use stonechat::wire::seq::{Address, Epoch, Identity};
use util::daemon::Site;
use util::same_as_snapshot;

const DAY: i64 = 86_400;
const NOW: i64 = 1_780_000_000;
const ALL: Wanted = Wanted { all: true, each: false, is_part: false };

fn address(number: u16) -> Address {
    Address::new(number).unwrap()
}

fn epoch(number: u32) -> Epoch {
    Epoch::new(number).unwrap()
}

fn stamp(unix_s: i64) -> Stamp {
    Stamp { unix_s, synchronised: true }
}

// --------------------------------------------------------------------------------------------- rules, without SQL

/// In the memory, until this many days from now.
fn memory(days: Option<i64>) -> InMemory {
    let at = days.map(|days| GatewayTime(NOW + days * DAY));
    let in_logger = if days.is_some_and(|days| days > 0) { InLogger::Yes } else { InLogger::Perhaps };
    InMemory { in_logger, earliest: at, latest: at, ..InMemory::default() }
}

const GONE: InMemory = InMemory {
    in_logger: InLogger::No,
    gone: 0,
    certain: 0,
    earliest: None,
    latest: None,
    all_latest: None,
    is_elsewhere: false,
};

/// A few loggers, and what a report says of them.
struct Scene {
    roster: Roster,
    report: Report,
    known: BTreeMap<Address, Known>,
}

impl Scene {
    fn new(numbers: &[u16]) -> Self {
        let mut roster = Roster::default();
        let mut known = BTreeMap::new();
        for &number in numbers {
            let logger = Logger {
                battery_installed: Some("2026-05-04".to_owned()),
                area: Some("crest".to_owned()),
                ..Logger::new(address(number), format!("L{number}"), 600, 1_000)
            };
            assert!(roster.add(logger).is_ok());
            let of = Known {
                newest: Identity::new(number, 3, 500),
                last_heard: Some(GatewayTime(NOW - 300)),
                battery: Some((3_512, GatewayTime(NOW - 400))),
                ..Known::default()
            };
            known.insert(address(number), of);
        }
        Self { roster, report: Report::default(), known }
    }

    /// A gap of epoch 3 with its deadlines, in days from now.
    fn gap(&mut self, logger: u16, first: u32, last: u32, days: [Option<i64>; 3]) -> &mut Gap {
        let [earliest, latest, all] = days.map(|days| days.map(|days| GatewayTime(NOW + days * DAY)));
        let records = u64::from(last - first) + 1;
        let is_there = earliest.is_some_and(|at| at > GatewayTime(NOW));
        let in_memory = InMemory {
            in_logger: if is_there { InLogger::Yes } else { InLogger::Perhaps },
            certain: if is_there { records } else { 0 },
            earliest,
            latest,
            all_latest: all,
            ..InMemory::default()
        };
        self.report.gaps.push(Gap {
            logger: address(logger),
            epoch: epoch(3),
            first,
            last,
            readings: Some(u64::from(last - first) + 1),
            from: Some(GatewayTime(NOW - 9 * DAY + i64::from(first))),
            to: Some(GatewayTime(NOW - 9 * DAY + i64::from(last))),
            state: GapState::Open,
            in_memory,
            is_corrected: false,
        });
        self.report.gaps.last_mut().unwrap()
    }

    fn silent(&mut self, logger: u16, days: Option<i64>) {
        let last_heard = Some(GatewayTime(NOW - 2 * DAY));
        let known = self.known.get_mut(&address(logger)).unwrap();
        known.last_heard = last_heard;
        self.report.silent.push(Silence {
            logger: address(logger),
            last_heard,
            until: GatewayTime(NOW),
            presumed_readings: Some(288),
            newest: known.newest,
            in_memory: memory(days),
        });
    }

    fn unclosed(&mut self, logger: u16, presumed: Option<u64>, days: Option<i64>) -> &mut UnclosedGap {
        self.report.unclosed.push(UnclosedGap {
            logger: address(logger),
            epoch: epoch(2),
            last: 40,
            next_epoch: epoch(3),
            from: Some(GatewayTime(NOW - 20 * DAY)),
            to: Some(GatewayTime(NOW - 19 * DAY)),
            presumed_readings: presumed,
            state: GapState::Open,
            in_memory: memory(days),
            is_corrected: false,
        });
        self.report.unclosed.last_mut().unwrap()
    }

    fn plan(&self) -> Vec<Visit> {
        plan(&self.report, &self.roster, &self.known, GatewayTime(NOW))
    }

    fn verdict(&self, faults: &[Fault]) -> Verdict {
        let gateway = Gateway { faults: faults.to_vec(), ..Gateway::default() };
        Verdict::new(&self.plan(), &self.report, &gateway)
    }

    fn order(&self) -> Vec<(u16, Class)> {
        self.plan().iter().map(|visit| (visit.logger.number(), visit.class)).collect()
    }
}

#[test]
fn loggers_come_in_the_order_in_which_their_memories_overwrite_what_is_oldest() {
    let mut scene = Scene::new(&[11, 12, 13, 14, 15, 16, 17, 18, 19]);
    scene.gap(11, 10, 20, [Some(9), Some(20), Some(21)]);
    scene.gap(12, 10, 20, [Some(3), Some(30), Some(31)]);
    scene.gap(14, 10, 20, [None, None, None]);
    scene.gap(15, 10, 10, [Some(1), Some(1), Some(1)]);
    scene.gap(16, 10, 20, [None; 3]).in_memory = InMemory { gone: 11, ..GONE };
    // All of it may be gone: this comes after loggers that certainly hold something.
    scene.gap(17, 10, 20, [Some(-4), Some(7), Some(8)]);
    // The oldest may be gone, the rest is there: now.
    scene.gap(18, 10, 20, [Some(-1), Some(7), Some(8)]).in_memory.certain = 5;
    scene.gap(19, 10, 20, [None; 3]).in_memory.is_elsewhere = true;
    let expected = [
        (18, Class::Dated),
        (12, Class::Dated),
        (11, Class::Dated),
        (17, Class::Dated),
        (14, Class::Undated),
        // A single record is not a reason to hurry, however soon it is overwritten.
        (15, Class::Small),
        (19, Class::Elsewhere),
        (16, Class::Gone),
    ];
    assert_eq!(scene.order(), expected);
}

#[test]
fn a_visit_is_needed_to_the_first_logger_of_the_order_that_is_a_reason_to_go() {
    let stopped = [Fault::NotRunning { since: GatewayTime(NOW - DAY) }];
    let mut scene = Scene::new(&[11, 12, 13, 14]);
    assert_eq!(scene.verdict(&[]), Verdict::No(WhyNot::Complete));
    assert_eq!(scene.verdict(&stopped), Verdict::NotYetKnown);
    assert_eq!(scene.verdict(&[Fault::ClockNotSynchronised]), Verdict::No(WhyNot::Complete));
    scene.unclosed(13, Some(0), Some(1));
    assert_eq!(scene.verdict(&[]), Verdict::No(WhyNot::Unclosed));
    scene.gap(14, 10, 20, [None; 3]).in_memory = InMemory { gone: 11, ..GONE };
    assert_eq!(scene.verdict(&[]), Verdict::No(WhyNot::Gone));
    scene.gap(13, 10, 20, [None; 3]).in_memory.is_elsewhere = true;
    assert_eq!(scene.verdict(&[]), Verdict::No(WhyNot::Elsewhere));
    scene.gap(11, 10, 10, [Some(1), Some(1), Some(1)]);
    assert_eq!(scene.verdict(&[]), Verdict::No(WhyNot::Single));
    let json = serde_json::json!(scene.verdict(&[]));
    assert_eq!(json, serde_json::json!({ "needed": false, "before": null, "logger": null, "loggers": 0 }));

    // Expected to be quiet: no reason to go. Then it is one, by the date of its memory.
    scene.silent(12, Some(7));
    scene.known.get_mut(&address(12)).unwrap().is_expected_quiet = true;
    assert_eq!(scene.verdict(&[]), Verdict::No(WhyNot::Single));
    scene.known.get_mut(&address(12)).unwrap().is_expected_quiet = false;
    let trip = scene.verdict(&[]).trip().unwrap();
    let before = Some(GatewayTime(NOW + 7 * DAY));
    assert_eq!((trip.logger, trip.before, trip.is_only_silent, trip.loggers), (address(12), before, true, 1));
    // If no logger is heard at all, its silence alone is not a reason.
    assert_eq!(scene.verdict(&[Fault::NothingHeard]), Verdict::NotYetKnown);

    // Missing records are a reason, whatever the gateway does.
    scene.gap(11, 20, 30, [Some(9), Some(20), Some(21)]);
    for faults in [&[][..], &stopped, &[Fault::NothingHeard]] {
        let trip = scene.verdict(faults).trip().unwrap();
        assert_eq!((trip.logger, trip.before, trip.loggers), (address(12), before, 2), "{faults:?}");
    }
    let json = serde_json::json!(scene.verdict(&[]));
    let at = stonechat::text::rfc3339(NOW + 7 * DAY);
    assert_eq!(json, serde_json::json!({ "needed": true, "before": at, "logger": 12, "loggers": 2 }));
    let none = serde_json::json!({ "needed": null, "before": null, "logger": null, "loggers": null });
    assert_eq!(serde_json::json!(Verdict::NotYetKnown), none);
}

#[test]
fn a_single_record_does_not_move_the_date_of_a_long_gap_and_the_oldest_gap_does() {
    let mut scene = Scene::new(&[11]);
    scene.gap(11, 10, 11, [Some(1), Some(2), Some(2)]);
    scene.gap(11, 20, 22, [Some(5), Some(8), Some(9)]);
    scene.gap(11, 50, 90, [Some(6), Some(9), Some(10)]);
    let visits = scene.plan();
    let visit = &visits[0];
    assert_eq!(
        visit.deadline,
        Deadline { earliest: Some(GatewayTime(NOW + 5 * DAY)), latest: Some(GatewayTime(NOW + 8 * DAY)) }
    );
    assert_eq!(visit.nothing_left_by, Some(GatewayTime(NOW + 10 * DAY)));
    assert_eq!(visit.days_left(GatewayTime(NOW)), Some(5));
    assert_eq!(visit.days_left(GatewayTime(NOW + 5 * DAY + 1)), Some(-1));
    assert_eq!((visit.stake.records, visit.stake.readings), (2 + 3 + 41, 46));
    let fetched: Vec<_> = visit.fetch.iter().map(|f| (f.first, f.last)).collect();
    assert_eq!(fetched, [(10, Some(11)), (20, Some(22)), (50, Some(90))]);
}

#[test]
fn a_silent_logger_is_in_the_list_by_its_date_and_leads_where_no_date_is_known() {
    let mut scene = Scene::new(&[11, 12, 13, 14]);
    scene.gap(11, 10, 20, [Some(7), Some(9), Some(9)]);
    scene.silent(12, Some(7));
    scene.gap(13, 10, 20, [None, None, None]);
    scene.silent(14, None);
    let visits = scene.plan();
    let order: Vec<u16> = visits.iter().map(|visit| visit.logger.number()).collect();
    assert_eq!(order, [12, 11, 14, 13], "of equal dates the silent one; of none the silent one");
    let silent = &visits[0];
    assert!(silent.is_silent && silent.stake.presumed == 288);
    let fetch: Vec<_> = silent.fetch.iter().map(|f| (f.epoch.number(), f.first, f.last)).collect();
    assert_eq!(fetch, [(3, 501, None)], "what came after its newest record, to an end that nobody knows");
}

#[test]
fn an_unclosed_epoch_counts_by_what_it_is_presumed_to_have_made() {
    let mut scene = Scene::new(&[11, 12, 13, 14]);
    scene.unclosed(11, Some(144), Some(4));
    // Every record of these is held, as far as times show: no visit can bring more, however many there are.
    for _ in 0..300 {
        scene.unclosed(12, Some(0), Some(2));
    }
    scene.unclosed(13, None, None).in_memory = GONE;
    // If a visit is made anyway, a copy of the memory shows it.
    scene.unclosed(14, Some(0), Some(2));
    scene.gap(14, 10, 10, [Some(1), Some(1), Some(1)]);
    assert_eq!(scene.order(), [(11, Class::Dated), (14, Class::Small), (13, Class::Gone)]);
    let visits = scene.plan();
    assert_eq!((visits[0].fetch[0].first, visits[0].fetch[0].last), (41, None));
    assert_eq!((visits[1].fetch.len(), visits[1].unclosed), (2, 0));
    assert_eq!((visits[2].fetch.len(), visits[2].look_for.len()), (0, 1), "no visit closes it");
}

#[test]
fn what_is_gone_is_to_be_looked_for_until_it_is_written_off() {
    let mut scene = Scene::new(&[11, 12, 13]);
    scene.gap(11, 10, 20, [None; 3]).in_memory = InMemory { gone: 11, ..GONE };
    scene.gap(11, 30, 40, [Some(2), Some(3), Some(4)]);
    let off = scene.gap(12, 10, 20, [None; 3]);
    (off.in_memory, off.state) = (InMemory { gone: 11, ..GONE }, GapState::WrittenOff);
    scene.gap(13, 10, 20, [Some(2), Some(3), Some(3)]).state = GapState::WrittenOff;
    let visits = scene.plan();
    assert_eq!(visits.len(), 1, "nothing of what is written off is at stake");
    assert_eq!((visits[0].stake.records, visits[0].gone_records()), (11, 11));
    assert_eq!(visits[0].deadline.earliest, Some(GatewayTime(NOW + 2 * DAY)), "what is gone sets no date");
    // Of a gap whose beginning is gone, the rest is fetched.
    let mut scene = Scene::new(&[11]);
    scene.gap(11, 10, 20, [Some(1), Some(2), Some(3)]).in_memory.gone = 8;
    let visits = scene.plan();
    let ranges =
        |of: &[stonechat::report::visits::Fetch]| of.iter().map(|f| (f.first, f.last)).collect::<Vec<_>>();
    assert_eq!(ranges(&visits[0].look_for), [(10, Some(17))]);
    assert_eq!(ranges(&visits[0].fetch), [(18, Some(20))]);
    assert_eq!((visits[0].class, visits[0].stake.records), (Class::Dated, 3));
}

#[test]
fn a_logger_whose_rest_is_written_off_needs_no_visit() {
    let mut scene = Scene::new(&[11]);
    scene.silent(11, Some(3));
    scene.known.get_mut(&address(11)).unwrap().is_written_off = true;
    assert_eq!(scene.plan(), []);
}

// ------------------------------------------------------------------------- through a ledger, from a simulated field

/// A number that a seed decides, below `below`.
fn random(seed: u64, what: u64, below: u64) -> u64 {
    // The finaliser of SplitMix64.
    let mut x = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ what.wrapping_mul(0xd1b5_4a32_d192_ed03);
    x = (x ^ (x >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    x = (x ^ (x >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    (x ^ (x >> 31)) % below
}

/// A gateway that has heard a field up to `until`, with the configuration that a site would have.
struct Heard {
    _dir: tempfile::TempDir,
    config: Config,
    truth: Truth,
    plan: FieldPlan,
}

impl Heard {
    fn new(plan: FieldPlan, until: i64) -> Self {
        let dir = tempfile::tempdir().unwrap();
        plan.write_config(dir.path(), "/dev/null", 1.0).unwrap();
        let config = stonechat::config::load(&dir.path().join("site.toml")).unwrap();
        let mut ledger = Ledger::open(&config.ledger.path).unwrap();
        let radios = ledger.radios(&["mast"]).unwrap();
        let mut keyring = Keyring::default();
        keyring.set_site_key(SiteKey::new(&plan.site_key).unwrap(), None);
        let mut intake = Intake::new(&radios);
        intake.up(0, stamp(plan.from.unix_s()));
        let run = Field::new(plan.clone()).run_out();
        for emission in run.emissions.iter().filter(|emission| emission.at.unix_s() <= until) {
            intake.bytes(0, &emission.bytes, &config.roster, &mut keyring, stamp(emission.at.unix_s()));
        }
        intake.close_windows(stamp(until));
        ledger.append(&intake.batch, &config.roster, stamp(until)).unwrap();
        ledger.settle(1_000, 0).unwrap();
        util::daemon::seems_to_run(config.runtime_dir.as_deref().unwrap(), until);
        Self { _dir: dir, config, truth: run.truth, plan }
    }
}

/// Five loggers with small memories, deaf times of the gateway, restarts that name their epoch and that do not, and
/// loggers that fall silent.
fn small_memories(seed: u64) -> FieldPlan {
    let mut plan = FieldPlan::harrow_tarn(seed, 5, FROM, 6)
        .without_incidents()
        .with_faults(FaultRates { lost: 0.02, ..FaultRates::none() });
    let moment = |what: u64| FROM.unix_s() + random(seed, what, (5 * DAY) as u64) as i64;
    for what in 0..3 {
        let from = moment(10 + what);
        plan.radio_outages
            .push(Span::new(TrueTime(from), TrueTime(from + 1_800 + random(seed, 20 + what, 60_000) as i64)));
    }
    for n in 0..plan.loggers.len() {
        let (own, address) = (1_000 * (n as u64 + 1), plan.loggers[n].address);
        plan.loggers[n].memory_records = 60 + random(seed, own, 300) as u32;
        if random(seed, own + 1, 10) < 5 {
            let names_previous = random(seed, own + 2, 2) == 0;
            plan.restarts.push(RestartPlan { address, at: TrueTime(moment(own + 3)), names_previous });
        }
        if random(seed, own + 4, 10) < 4 {
            // Until the end and beyond: it is silent then.
            plan.logger_outages.push((address, Span::new(TrueTime(moment(own + 5)), plan.end().later(DAY))));
        }
    }
    plan
}

#[test]
fn what_is_said_to_be_there_is_in_the_ring_memories_and_what_is_said_to_be_gone_is_not() {
    // Ranges said to be gone; first records said to be there; the same of silent loggers and unclosed epochs.
    let (mut gone, mut there, mut silent, mut unclosed) = (0, 0, 0, 0);
    for seed in 0..40 {
        let field = small_memories(seed);
        let now = field.from.unix_s() + 3 * DAY + random(seed, 1, (3 * DAY) as u64) as i64;
        let heard = Heard::new(field, now);
        let visits = walk::read(&heard.config, &[], GatewayTime(now)).unwrap().visits;
        for visit in &visits {
            let context = format!("seed {seed}, logger {}", visit.logger);
            let memory = heard.truth.memory_at(visit.logger, TrueTime(now));
            let holds = |epoch: Epoch, first: u32, last: u32| {
                memory.iter().any(|record| {
                    record.identity.epoch == epoch
                        && (first..=last).contains(&record.identity.sequence.number())
                })
            };
            let made = |epoch: Epoch, sequence: u32| {
                let id = Identity::new(visit.logger.number(), epoch.number(), sequence).unwrap();
                heard.truth.record(id).filter(|record| record.made_at.unix_s() <= now).is_some()
            };
            for fetch in &visit.look_for {
                if let Some(last) = fetch.last {
                    assert!(!holds(fetch.epoch, fetch.first, last), "{context}: {fetch:?} is still there");
                } else if made(fetch.epoch, fetch.first) {
                    assert!(!holds(fetch.epoch, fetch.first, fetch.first), "{context}: {fetch:?}");
                }
                gone += 1;
            }
            // Nothing large is overwritten before the date.
            let is_ahead = visit.class == Class::Dated
                && visit.deadline.goes_by().is_some_and(|by| by > GatewayTime(now));
            for fetch in visit.fetch.iter().filter(|_| is_ahead) {
                let is_large = fetch.records().is_none_or(|records| records > 2);
                if is_large && made(fetch.epoch, fetch.first) {
                    let there_is = holds(fetch.epoch, fetch.first, fetch.first);
                    assert!(there_is, "{context}: {fetch:?} is gone before {:?}", visit.deadline);
                    there += 1;
                    let newest = heard.truth.epochs(visit.logger).last().copied();
                    match fetch.last {
                        None if newest == Some(fetch.epoch.number()) => silent += 1,
                        None => unclosed += 1,
                        Some(_) => {}
                    }
                }
            }
        }
        // A logger that has made something that is missing is in the list.
        for (address, epoch, range) in
            heard.truth.missing().into_iter().filter(|_| now >= heard.plan.end().unix_s())
        {
            assert!(
                visits.iter().any(|visit| visit.logger == address),
                "{address}, epoch {epoch}: {range:?}"
            );
        }
    }
    assert!(gone > 250 && there > 200 && silent > 20 && unclosed > 5, "{gone} {there} {silent} {unclosed}");
}

// --------------------------------------------------------------------------------------------------- snapshots

/// Three weeks of the embankment, with one logger silent for two days, and a roster that says all that it can.
fn embankment() -> (Heard, i64) {
    let mut field = FieldPlan::harrow_tarn(4, 12, FROM, 21);
    let now = field.end().unix_s();
    field
        .logger_outages
        .push((address(22), Span::new(TrueTime(now - 2 * DAY - 5 * 3_600), TrueTime(now + DAY))));
    // Its oldest gap is past its date.
    field.loggers.iter_mut().find(|logger| logger.address == address(21)).unwrap().memory_records = 900;
    let mut heard = Heard::new(field, now);
    let mut roster = Roster::default();
    for logger in heard.config.roster.loggers() {
        let mut logger = logger.clone();
        logger.battery_installed = Some("2026-05-04".to_owned());
        if logger.address == address(17) {
            logger.access = Some("gate 2, then the berm path; the key of the box is in the hut".to_owned());
        }
        assert!(roster.add(logger).is_ok());
    }
    heard.config.roster = roster;
    (heard, now)
}

#[test]
fn the_list_reads_as_reviewed_at_80_and_140_columns_and_piped() {
    let (heard, now) = embankment();
    let visits = walk::read(&heard.config, &[], GatewayTime(now)).unwrap();
    for (name, columns) in [("80", 80), ("140", 140), ("piped", 100)] {
        let text = page(frame(&heard.config, now), &visits, ALL, columns);
        let widest = text.lines().map(|line| line.chars().count()).max().unwrap();
        assert!(widest <= columns, "{widest} of {columns}:\n{text}");
        assert!(text.lines().all(|line| line.trim_end() == line), "{text}");
        assert!(!text.contains("lost"), "{text}");
        same_as_snapshot(&format!("visits-{name}.txt"), &text);
    }
    let short = page(frame(&heard.config, now), &visits, Wanted::default(), 80);
    assert!(
        short.lines().count() < 24 && short.contains("and 7 more loggers: `stonechat visits --all`"),
        "{short}"
    );
    let each = page(frame(&heard.config, now), &visits, Wanted { each: true, ..ALL }, 80);
    assert!(
        !each.contains("shorter one") && each.len() > page(frame(&heard.config, now), &visits, ALL, 80).len()
    );
}

#[test]
fn the_text_sheet_reads_as_reviewed_and_has_a_page_a_logger() {
    let (heard, now) = embankment();
    let sheet = sheet::read(&heard.config, &[], GatewayTime(now)).unwrap();
    let text = written(&sheet, SheetForm::Text);
    assert_eq!(text.matches('\u{c}').count() + 1, sheet.pages.len());
    assert!(sheet.pages.len() >= 11);
    let toe = sheet.pages.iter().position(|page| page.visit.logger == address(17)).unwrap();
    same_as_snapshot("visits-sheet-17.txt", text.split('\u{c}').nth(toe).unwrap());
    let page = &sheet.pages[toe];
    let last = heard.truth.records_of(address(17)).iter().rev();
    let readings: Vec<_> = last
        .filter(|made| made.heard)
        .filter_map(|made| match made.record() {
            Some(Record::Reading(reading)) => Some(reading),
            _ => None,
        })
        .collect();
    let from = readings[0].time - 30 * 86_400;
    for (at, channel) in page.channels.iter().enumerate() {
        assert_eq!(channel.last, Some(Ok(readings[0].counts()[at])));
        let in_span =
            readings.iter().filter(|reading| reading.time > from && (reading.faults() >> at) & 1 == 0);
        let counts: Vec<i32> = in_span.map(|reading| reading.counts()[at]).collect();
        assert_eq!(channel.expected, Some((*counts.iter().min().unwrap(), *counts.iter().max().unwrap())));
        // The simulated field's points are named by logger and channel.
        assert_eq!(channel.point, Some(format!("P-17 {}", channel.name)));
    }
}

#[test]
fn a_named_logger_has_a_page_even_if_nothing_of_it_is_open() {
    let field = FieldPlan::harrow_tarn(4, 2, FROM, 2).without_incidents().with_faults(FaultRates::none());
    let now = field.end().unix_s();
    let heard = Heard::new(field, now);
    assert_eq!(walk::read(&heard.config, &[], GatewayTime(now)).unwrap().visits, []);
    let none = sheet::read(&heard.config, &[], GatewayTime(now)).unwrap();
    assert_eq!(none.pages, []);
    let one = sheet::read(&heard.config, &[address(12)], GatewayTime(now)).unwrap();
    assert_eq!(one.pages.len(), 1);
    assert!(written(&one, SheetForm::Text).contains("nothing is open"));
    let list = page(
        frame(&heard.config, now),
        &walk::read(&heard.config, &[], GatewayTime(now)).unwrap(),
        Wanted::default(),
        80,
    );
    let first =
        "Is a visit needed? No. Nothing is missing, and no logger is silent. 2 of 2\nloggers were checked.\n";
    assert!(list.starts_with(first) && list.ends_with("\nNothing to do.\n"), "{list}");
}

#[test]
fn json_has_what_a_computer_without_ledger_and_keys_needs() {
    let (heard, now) = embankment();
    let visits = walk::read(&heard.config, &[], GatewayTime(now)).unwrap();
    let json = serde_json::json!(as_json(frame(&heard.config, now), &visits));
    let fetch = json["fetch"].as_array().unwrap();
    let records: u64 = fetch
        .iter()
        .filter_map(|range| Some(range["last"].as_u64()? - range["first"].as_u64().unwrap() + 1))
        .sum();
    let at_stake: u64 = visits.visits.iter().map(|visit| visit.stake.records).sum();
    assert!(records == at_stake && records > 1_000, "{records} {at_stake}");
    assert!(fetch.iter().any(|range| range["logger"] == 22 && range["last"].is_null()), "the silent one");
    assert!(fetch.iter().all(|range| range["logger"].is_u64() && range["epoch"].is_u64()));
    assert!(!json["no_longer_in_the_loggers"].as_array().unwrap().is_empty());
    let order: Vec<u64> =
        json["visits"].as_array().unwrap().iter().map(|v| v["logger"].as_u64().unwrap()).collect();
    assert_eq!(order, visits.visits.iter().map(|visit| u64::from(visit.logger.number())).collect::<Vec<_>>());
}

// ----------------------------------------------------------------------------------------------- the HTML sheet

const HOSTILE: &str = "<script>alert('x')</script> & \"quoted\"\u{7}";

/// A sheet in which every text is hostile.
fn hostile() -> Sheet {
    let (heard, now) = embankment();
    let mut sheet = sheet::read(&heard.config, &[], GatewayTime(now)).unwrap();
    sheet.site = HOSTILE.to_owned();
    for page in &mut sheet.pages {
        page.name = HOSTILE.to_owned();
        page.visit.area = Some(HOSTILE.to_owned());
        page.visit.access = Some(HOSTILE.repeat(9));
        page.visit.battery_installed = Some(HOSTILE.to_owned());
        for channel in &mut page.channels {
            channel.name = HOSTILE.to_owned();
            channel.point = Some(HOSTILE.to_owned());
        }
    }
    sheet
}

#[test]
fn a_hostile_name_is_a_name_on_the_sheet_and_nothing_comes_from_anywhere_else() {
    let sheet = hostile();
    let html = written(&sheet, SheetForm::Html);
    assert!(!html.contains("<script") && !html.contains('\u{7}'));
    assert!(html.contains("&lt;script&gt;alert(&#39;x&#39;)&lt;/script&gt; &amp; &quot;quoted&quot;"));
    for outside in ["http:", "https:", "//", "src=", "href", "url(", "@import", "onload", "javascript"] {
        assert!(!html.contains(outside), "{outside}");
    }
    // Each element is one of those that the sheet is made of.
    let known = [
        "html", "head", "meta", "title", "style", "body", "section", "p", "h1", "table", "thead", "tbody",
        "tr", "th", "td", "div",
    ];
    for tag in html.split('<').skip(1) {
        let name = tag.trim_start_matches('/').split([' ', '>']).next().unwrap();
        assert!(known.contains(&name) || name == "!DOCTYPE", "{name}");
    }
    assert_eq!(html.matches("<section").count(), sheet.pages.len());
    let text = written(&sheet, SheetForm::Text);
    assert!(text.chars().all(|c| !c.is_control() || c == '\n' || c == '\u{c}'));
}

#[test]
fn the_sheet_prints_a_page_a_logger_in_a_browser() {
    let Some(browser) = ["chromium", "chromium-browser", "google-chrome"].into_iter().find(|name| {
        std::process::Command::new(name).arg("--version").output().is_ok_and(|output| output.status.success())
    }) else {
        eprintln!("skipped: no browser here that prints from the command line");
        return;
    };
    let dir = tempfile::tempdir().unwrap();
    // The longest that a page can be: forty channels, long texts, and many ranges.
    let mut full = hostile();
    let page = full.pages.iter().max_by_key(|page| page.channels.len()).unwrap().clone();
    let longest = full.pages.iter_mut().max_by_key(|page| page.visit.fetch.len()).unwrap();
    longest.channels = page.channels.iter().cycle().take(40).cloned().collect();
    for channel in &mut longest.channels {
        channel.expected = Some((i32::MIN, i32::MAX));
    }
    let (heard, now) = embankment();
    for (name, sheet) in
        [("plain", sheet::read(&heard.config, &[], GatewayTime(now)).unwrap()), ("full", full)]
    {
        for size in ["A4", "letter"] {
            let html = dir.path().join(format!("{name}-{size}.html"));
            let pdf = html.with_extension("pdf");
            // What the printer's dialogue would say.
            let text =
                written(&sheet, SheetForm::Html).replace("@page {", &format!("@page {{ size: {size};"));
            std::fs::write(&html, text).unwrap();
            let output = std::process::Command::new(browser)
                .args(["--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer"])
                .arg(format!("--user-data-dir={}", dir.path().join("profile").display()))
                .arg(format!("--print-to-pdf={}", pdf.display()))
                .arg(format!("file://{}", html.display()))
                .output()
                .unwrap();
            let bytes = std::fs::read(&pdf)
                .unwrap_or_else(|error| panic!("{error}: {}", String::from_utf8_lossy(&output.stderr)));
            let pages = String::from_utf8_lossy(&bytes).matches("/Type /Page\n").count();
            assert_eq!(pages, sheet.pages.len(), "{name} on {size}");
            if let Some(keep) = std::env::var_os("KEEP_SHEETS") {
                std::fs::copy(&pdf, Path::new(&keep).join(format!("{name}-{size}.pdf"))).unwrap();
            }
        }
    }
}

// --------------------------------------------------------------------------------------------------- the command

#[test]
fn a_sheet_is_written_whole_and_never_over_another_file_unless_asked() {
    let field = FieldPlan::harrow_tarn(21, 3, TrueTime(1_780_000_000), 2).without_incidents();
    let site = Site::new(&field, "/nowhere/radio", 1.0, "");
    drop(Ledger::open(&site.ledger()).unwrap());
    let file = site.path("walk.html");
    let name = file.to_str().unwrap();
    let run = |args: &[&str]| {
        let output = site.output(args);
        let text =
            format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
        (output.status.code().unwrap(), text)
    };
    assert_eq!(run(&["visits", "--logger", "11", "--sheet", name]).0, 0);
    assert!(std::fs::read_to_string(&file).unwrap().starts_with("<!DOCTYPE html>"));
    std::fs::write(&file, "mine").unwrap();
    let (code, text) = run(&["visits", "--sheet", name]);
    assert!(code == 3 && text.contains("is there already") && text.contains("--force"), "{text}");
    assert_eq!(std::fs::read_to_string(&file).unwrap(), "mine");
    assert_eq!(run(&["visits", "--logger", "11", "--sheet", name, "--force"]).0, 0);
    assert!(std::fs::read_to_string(&file).unwrap().contains("<section"));
    let (code, text) = run(&["visits", "--sheet", site.path("walk.pdf").to_str().unwrap()]);
    assert!(code == 2 && text.contains(".html") && text.contains(".txt"), "{text}");
    let (code, text) = run(&["visits", "--sheet", "/nowhere/walk.txt"]);
    assert!(code == 3 && text.contains("could not be written"), "{text}");
    let (code, text) = run(&["visits", "--logger", "11", "--sheet", "-"]);
    assert!(code == 0 && text.contains("reader clock"), "{text}");
    let (code, text) = run(&["visits", "--logger", "99"]);
    assert!(code == 2 && text.contains("not on the roster"), "{text}");
    assert_eq!(run(&["visits"]).0, 0);
    let parts = std::fs::read_dir(site.dir.path()).unwrap();
    assert!(parts.flatten().all(|entry| !entry.file_name().to_string_lossy().ends_with(".part")));
    // The ledger is never accepted as a file to be replaced.
    let ledger = site.path("ledger.html");
    std::os::unix::fs::symlink(site.ledger(), &ledger).unwrap();
    let (code, text) = run(&["visits", "--sheet", ledger.to_str().unwrap(), "--force"]);
    assert!(code == 2 && text.contains("stonechat's own"), "{text}");
}
