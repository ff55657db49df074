//! Why records are missing: a report must give the true cause of an outage, independent of what was brought by hand
//! later, and of the part of the report that is requested. Simulated fields know what happened to each record.
//!
//! `STONECHAT_TEST_FIELDS=N` sets the number of fields; a field that fails is named.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use stonechat::daemon::intake::Intake;
use stonechat::ledger::{Ledger, Stamp};
use stonechat::sim::plan::FROM;
use stonechat::sim::plan::{BatterySwap, ClockSet};
use stonechat::sim::{FaultRates, Field, FieldPlan, RestartPlan, Span, TrueTime, Truth, TruthRecord, What};
use stonechat::wire::seq::Address;
use util::daemon::Site;
use util::random::Random;
use util::{hand, shim};

const HOUR: i64 = 3600;
const DAY: i64 = 86_400;
/// The fields of an ordinary run: the first ones, and some in which a cause was once wrong.
const FIELDS: [u64; 8] = [0, 2, 3, 62, 173, 210, 213, 308];

const GATEWAY: &str = "gateway not running";
const STORM: &str = "nothing heard while the gateway listened (antenna, radio or interference?)";
const ALONE: &str = "one logger only";
const PORT: &str = "a radio was not listening";
const NOT_KNOWN: &str = "not known: what was heard meanwhile does not show it";

fn address(number: u16) -> Address {
    Address::new(number).unwrap()
}

fn time(unix_s: i64) -> String {
    stonechat::text::rfc3339(unix_s)
}

fn quiet_plan(seed: u64, loggers: usize, days: u32) -> FieldPlan {
    FieldPlan::harrow_tarn(seed, loggers, FROM, days).without_incidents().with_faults(FaultRates::none())
}

/// A second radio: the loggers that only it hears, and when its port was lost.
#[derive(Default)]
struct Hut {
    loggers: BTreeSet<Address>,
    lost: Vec<Span>,
}

impl Hut {
    fn is_lost(&self, at: i64) -> bool {
        self.lost.iter().any(|span| span.contains(TrueTime(at)))
    }
}

/// Whose frame it is.
fn sender(what: What) -> Option<Address> {
    match what {
        What::Whole(id) | What::Repeated(id) | What::Answered(id) | What::Damaged(id) => Some(id.address),
        What::Foreign(_) | What::Forged(_) | What::Replayed(_) | What::Noise | What::RadioStatus => None,
    }
}

/// A site, what happened there, and what its ledger was given by radio.
struct Scene {
    site: Site,
    truth: Truth,
    plan: FieldPlan,
    off: Vec<Span>,
    /// When the gateway's clock was not synchronised, and by how much it was wrong.
    wrong: Option<(Span, i64)>,
    hut: Hut,
    /// By logger and its place among the records of that logger.
    heard: BTreeSet<(u16, u32, u32)>,
}

impl Scene {
    /// Runs a field past a gateway that is off in some spans.
    fn new(plan: FieldPlan, off: Vec<Span>) -> Self {
        Self::with_clock(plan, off, None, Hut::default())
    }

    /// The same with a gateway whose clock is not synchronised for a time, and off by so many seconds. It restarts at
    /// both ends.
    fn with_clock(plan: FieldPlan, off: Vec<Span>, wrong: Option<(Span, i64)>, hut: Hut) -> Self {
        let site = Site::new(&plan, "tcp://127.0.0.1:1", 1.0, "");
        let run = Field::new(plan.clone()).run_out();
        let (roster, mut keyring) = (plan.to_roster(), hand::keyring(&plan));
        let mut ledger = Ledger::open(&site.ledger()).unwrap();
        let radios = if hut.loggers.is_empty() { &["mast"][..] } else { &["mast", "hut"] };
        let mut intake = Intake::new(&ledger.radios(radios).unwrap());
        let stamp = |unix_s: i64| match wrong {
            Some((span, by)) if span.contains(TrueTime(unix_s)) => {
                Stamp { unix_s: unix_s + by, synchronised: false }
            }
            _ => Stamp { unix_s, synchronised: true },
        };
        // When a radio goes on or off. At one instant, off before on.
        let mut switches: Vec<(i64, bool, usize)> = Vec::new();
        for radio in 0..radios.len() {
            switches.push((plan.from.unix_s(), true, radio));
            for span in &off {
                switches.extend([(span.from.unix_s(), false, radio), (span.to.unix_s(), true, radio)]);
            }
            if let Some((span, _)) = wrong {
                for at in [span.from.unix_s(), span.to.unix_s()] {
                    switches.extend([(at - 1, false, radio), (at, true, radio)]);
                }
            }
        }
        switches
            .extend(hut.lost.iter().flat_map(|of| [(of.from.unix_s(), false, 1), (of.to.unix_s(), true, 1)]));
        switches.sort_unstable();
        let is_off = |at: i64| off.iter().any(|span| span.contains(TrueTime(at)));
        let mut switches = switches.into_iter().peekable();
        for emission in run.emissions.iter().filter(|emission| emission.at.unix_s() < plan.end().unix_s()) {
            while let Some((at, on, radio)) = switches.next_if(|(at, ..)| *at <= emission.at.unix_s()) {
                let goes_on = on && !is_off(at) && !(radio == 1 && hut.is_lost(at));
                if goes_on { intake.up(radio, stamp(at)) } else { intake.down(radio, stamp(at)) }
            }
            let radio =
                usize::from(sender(emission.what).is_some_and(|logger| hut.loggers.contains(&logger)));
            let is_deaf = is_off(emission.at.unix_s()) || (radio == 1 && hut.is_lost(emission.at.unix_s()));
            if !is_deaf {
                intake.bytes(radio, &emission.bytes, &roster, &mut keyring, stamp(emission.at.unix_s()));
            }
        }
        let end = stamp(plan.end().unix_s());
        intake.close_windows(end);
        ledger.append(&intake.batch, &roster, end).unwrap();
        util::daemon::seems_to_run(&site.path("run"), end.unix_s);
        drop(ledger);
        let heard = hand::rows(&site.ledger(), "SELECT logger, epoch, sequence FROM journal WHERE kind > 0");
        let number = |text: &str| text.trim_matches(|c: char| !c.is_ascii_digit()).parse::<u32>().unwrap();
        let heard = heard
            .iter()
            .map(|row| {
                let mut parts = row.split_whitespace().map(number);
                let logger = u16::try_from(parts.next().unwrap()).unwrap();
                (logger, parts.next().unwrap(), parts.next().unwrap())
            })
            .collect();
        Self { site, truth: run.truth, plan, off, wrong, hut, heard }
    }

    fn now(&self) -> String {
        time(self.plan.end().unix_s())
    }

    fn gaps(&self, more: &[&str]) -> Value {
        let now = self.now();
        let args: Vec<&str> =
            ["gaps", "--json", "--now", &now].into_iter().chain(more.iter().copied()).collect();
        self.site.json(&args)
    }

    fn text(&self, more: &[&str]) -> String {
        let now = self.now();
        let args: Vec<&str> =
            ["gaps", "--all", "--now", &now].into_iter().chain(more.iter().copied()).collect();
        let output = self.site.output(&args);
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(output.stdout).unwrap().split_whitespace().collect::<Vec<_>>().join(" ")
    }

    /// Brings the whole memory of a logger by hand.
    fn import(&self, logger: Address) {
        let file = self.site.path(&format!("{logger}.sealed"));
        std::fs::write(&file, hand::dump(&self.truth, self.truth.records_of(logger))).unwrap();
        let output = self.site.output(&["import", "--by", "R. Dale", file.to_str().unwrap()]);
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    }

    /// Brings what another reader made of a logger's readings: without profiles and events.
    fn import_csv(&self, logger: Address) {
        let file = self.site.path(&format!("{logger}.csv"));
        std::fs::write(&file, hand::own_csv(self.truth.records_of(logger))).unwrap();
        let output = self.site.output(&["import", "--by", "R. Dale", file.to_str().unwrap()]);
        // Rows of an epoch of which nothing else is held are refused.
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(matches!(output.status.code(), Some(0 | 1)), "{said}");
    }

    /// Gives up the first half of a gap.
    fn write_off(&self, gap: &Value) {
        let text = |key: &str| gap[key].to_string();
        let last = (number(&gap["first"]) + number(&gap["last"])) / 2;
        let (logger, epoch, first, last) = (text("logger"), text("epoch"), text("first"), last.to_string());
        let of = ["--logger", &logger, "--epoch", &epoch, "--first", &first, "--last", &last];
        let who = ["--by", "R. Dale", "--reason", "given up", "--now", &self.now()];
        let output = self.site.output(&[&["write-off"][..], &of, &who].concat());
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    }

    fn settle(&self) {
        Ledger::open(&self.site.ledger()).unwrap().settle(u32::MAX, 1).unwrap();
    }

    /// What happened and what a report made of it, in hours since the field began: to analyse a failure.
    fn happened(&self, json: &Value) -> String {
        let hours = |unix_s: i64| (unix_s - FROM.unix_s()) as f64 / HOUR as f64;
        let span =
            |span: &Span| format!("{:.1} to {:.1} h", hours(span.from.unix_s()), hours(span.to.unix_s()));
        let mut lines: Vec<String> = Vec::new();
        lines.extend(self.off.iter().map(|off| format!("gateway off: {}", span(off))));
        lines.extend(
            self.wrong.iter().map(|(of, by)| format!("gateway's clock wrong by {by} s: {}", span(of))),
        );
        lines.extend(self.plan.radio_outages.iter().map(|of| format!("storm: {}", span(of))));
        lines
            .extend(self.hut.lost.iter().map(|of| format!("hut lost: {}, {:?}", span(of), self.hut.loggers)));
        lines
            .extend(self.plan.logger_outages.iter().map(|(of, at)| format!("logger {of} out: {}", span(at))));
        let at = |what: &str, logger: Address, at: i64| format!("logger {logger} {what}: {:.1} h", hours(at));
        lines.extend(self.plan.restarts.iter().map(|of| at("restarts", of.address, of.at.unix_s())));
        lines.extend(
            self.plan
                .battery_swaps
                .iter()
                .map(|of| format!("{} {of:?}", at("gets a new cell", of.address, of.at.unix_s()))),
        );
        lines.extend(self.plan.clock_sets.iter().map(|of| {
            format!("{} by {} s", at("has its clock set", of.address, of.at.unix_s()), of.seconds_added)
        }));
        lines.extend(
            self.plan.loggers.iter().map(|of| format!("logger {}: every {} s", of.address, of.interval_s)),
        );
        for outage in outages(json) {
            let time = |key: &str| hours(typed(&outage[key]));
            lines.push(format!("said: {:.1} to {:.1} h: {}", time("from"), time("to"), outage["cause"]));
            for part in outage["parts"].as_array().unwrap() {
                let made = |key: &str| {
                    let (logger, epoch) = (number(&part["logger"]) as u16, number(&part["epoch"]) as u32);
                    let id = stonechat::wire::seq::Identity::new(logger, epoch, number(&part[key]) as u32);
                    self.truth.record(id.unwrap()).map_or(f64::NAN, |record| hours(record.made_at.unix_s()))
                };
                lines.push(format!("  made {:.1} to {:.1} h: {part}", made("first"), made("last")));
            }
        }
        lines.join("\n")
    }

    /// What kept a record from being heard: possibly several things at once, or nothing in particular.
    fn causes(&self, record: &TruthRecord) -> Vec<&'static str> {
        let at = record.made_at.unix_s();
        let logger = record.identity.address;
        let mut causes = Vec::new();
        if self.plan.logger_outages.iter().any(|(of, span)| *of == logger && span.contains(TrueTime(at))) {
            causes.push(ALONE);
        }
        if self.off.iter().any(|span| span.contains(TrueTime(at))) {
            causes.push(GATEWAY);
        }
        if self.plan.radio_outages.iter().any(|span| span.contains(TrueTime(at))) {
            causes.push(STORM);
        }
        if self.hut.loggers.contains(&logger) && self.hut.is_lost(at) {
            causes.push(PORT);
        }
        causes
    }
}

fn outages(json: &Value) -> &Vec<Value> {
    json["outages"].as_array().unwrap()
}

fn typed(time: &Value) -> i64 {
    stonechat::when::instant(time.as_str().unwrap(), 0).unwrap().unix_s()
}

fn number(value: &Value) -> u64 {
    value.as_u64().unwrap_or_else(|| panic!("{value} is not a number"))
}

/// What an outage was, whatever has been brought since.
fn story(json: &Value) -> Vec<Value> {
    let keys = ["from", "to", "cause", "loggers", "records"];
    outages(json).iter().map(|outage| keys.iter().map(|key| outage[key].clone()).collect()).collect()
}

/// Asserts that two reports give the same causes. A clock event that came by hand may give better times; without one,
/// the times do not change either.
fn same_story(one: &Value, other: &Value, context: &str) {
    let key = |outage: &Value| (outage["parts"][0]["logger"].to_string(), outage["from"].to_string());
    let sorted = |json: &Value| {
        let mut all = outages(json).clone();
        all.sort_by_key(key);
        all
    };
    let (one, other) = (sorted(one), sorted(other));
    let same = |(a, b): (&Value, &Value)| {
        ["cause", "loggers", "records"].iter().all(|key| a[key] == b[key])
            && ["from", "to"].iter().all(|key| (typed(&a[key]) - typed(&b[key])).abs() < 60)
    };
    assert!(one.len() == other.len() && one.iter().zip(&other).all(same), "{context}: {other:?}");
}

#[test]
fn an_import_leaves_the_cause_of_an_outage_and_marks_it_repaired() {
    let mut plan = quiet_plan(4, 5, 4);
    let storm = FROM.unix_s() + DAY;
    plan.radio_outages.push(Span::new(TrueTime(storm), TrueTime(storm + 9 * HOUR)));
    let scene = Scene::new(plan, Vec::new());
    let before = scene.gaps(&[]);
    let [outage] = &outages(&before)[..] else { panic!("{}", before["outages"]) };
    assert_eq!(outage["cause"], STORM);

    for (at, number) in [11, 12, 13, 14].into_iter().enumerate() {
        scene.import(address(number));
        if at == 1 {
            scene.settle();
        }
    }
    let after = scene.gaps(&[]);
    let text = scene.text(&[]);
    assert!(!text.contains("alone was not heard"), "{text}");
    assert_eq!(story(&after), story(&before), "logger 15 alone is missing now, and was not alone then");
    assert_eq!(outage["missing"], outage["records"]);
    assert_eq!(outage["repaired"], false);
    let outage = &outages(&after)[0];
    assert_eq!(outage["missing"], after["totals"]["records"]);
    assert_eq!(number(&outage["brought"]) + number(&outage["missing"]), number(&outage["records"]));
    assert!(text.contains("the gateway listened for") && text.contains("and heard no logger"), "{text}");
    assert!(text.contains("brought by hand"), "{text}");

    scene.import(address(15));
    scene.settle();
    let after = scene.gaps(&[]);
    assert_eq!(after["totals"]["records"], 0);
    assert_eq!(story(&after), story(&before));
    assert_eq!(outages(&after)[0]["repaired"], true);
    let text = scene.text(&[]);
    assert!(text.contains("Complete: every record that must exist is held"), "{text}");
    assert!(text.contains("repaired"), "{text}");
}

#[test]
fn what_fell_in_an_outage_is_counted_through_the_same_filter_as_what_is_missing() {
    let mut plan = quiet_plan(4, 6, 6);
    plan.radio_outages.push(Span::new(FROM.later(DAY), FROM.later(DAY + 20 * HOUR)));
    plan.logger_outages.push((address(14), Span::new(FROM.later(3 * DAY), FROM.later(3 * DAY + 9 * HOUR))));
    let scene = Scene::new(plan, Vec::new());
    let whole = scene.gaps(&[]);
    let middle = time(FROM.unix_s() + DAY + 10 * HOUR);
    let later = time(FROM.unix_s() + 2 * DAY);
    for filter in [
        &["--logger", "14"][..],
        &["--logger", "12", "--logger", "13"],
        &["--from", &later],
        &["--logger", "14", "--to", &middle],
    ] {
        let text = scene.text(filter);
        for (at, _) in text.match_indices(" missing records fell in it") {
            let words: Vec<&str> = text[..at].rsplitn(4, ' ').collect();
            let number = |word: &str| word.replace(',', "").parse::<u64>().unwrap();
            assert!(number(words[2]) <= number(words[0]), "{filter:?}: {text}");
        }
        let says = ["missing records fell in it", "The worst: "];
        assert!(says.iter().any(|words| text.contains(words)), "{filter:?}: {text}");
        let part = scene.gaps(filter);
        let missing: u64 = outages(&part).iter().map(|outage| number(&outage["missing"])).sum();
        assert_eq!(missing, number(&part["totals"]["records"]), "{filter:?}: {}", part["outages"]);
        assert!(missing > 0, "{filter:?}");
        for outage in outages(&part) {
            let same = |other: &&Value| {
                ["from", "to", "cause", "loggers"].iter().all(|key| other[key] == outage[key])
            };
            assert!(outages(&whole).iter().any(|other| same(&other)), "{filter:?}: {outage}");
        }
    }
}

#[test]
fn that_loggers_are_heard_again_is_said_only_of_those_that_are() {
    let mut plan = quiet_plan(4, 5, 4);
    plan.radio_outages.push(Span::new(FROM.later(DAY), FROM.later(DAY + 9 * HOUR)));
    let scene = Scene::new(plan.clone(), Vec::new());
    let over = "All outages are over: every logger is being heard again.";
    assert!(scene.text(&[]).contains(over));
    let part = scene.text(&["--logger", "12"]);
    assert!(!part.contains("every logger") && part.contains("no logger of this part is silent"), "{part}");
    // The daemon has just stopped: no logger is silent yet, and none is heard.
    std::fs::remove_dir_all(scene.site.path("run")).unwrap();
    let text = scene.text(&[]);
    assert!(!text.contains("All outages are over"), "{text}");
    assert!(text.contains("Whether it is over is known only when the gateway works again"), "{text}");
    // One logger is silent since the storm: a report about another one must not say that all are heard.
    plan.logger_outages.push((address(14), Span::new(FROM.later(DAY), FROM.later(4 * DAY))));
    let scene = Scene::new(plan, Vec::new());
    assert!(scene.text(&[]).contains("1 logger is still not heard"), "{}", scene.text(&[]));
    let part = scene.text(&["--logger", "12"]);
    assert!(!part.contains("every logger"), "{part}");
}

#[test]
fn what_no_logger_could_get_through_is_not_counted_against_its_path() {
    let mut plan = quiet_plan(4, 4, 9);
    let day = |n: i64| FROM.unix_s() + n * DAY;
    plan.radio_outages.push(Span::new(TrueTime(day(5)), TrueTime(day(5) + 20 * HOUR)));
    plan.logger_outages.push((address(13), Span::new(TrueTime(day(7)), TrueTime(day(7) + 22 * HOUR))));
    let scene = Scene::new(plan, vec![Span::new(TrueTime(day(3)), TrueTime(day(4) + 12 * HOUR))]);
    let check = |when: &str| {
        let status = scene.site.json(&["status", "--json", "--now", &scene.now()]);
        for logger in status["loggers"].as_array().unwrap() {
            let (share, is_13) = (logger["heard_first_time_7d"].as_f64().unwrap(), logger["logger"] == 13);
            assert!(if is_13 { share < 0.8 } else { share > 0.98 }, "{when}: {share}: {logger}");
        }
    };
    check("before an import");
    [11, 12, 13, 14].into_iter().for_each(|number| scene.import(address(number)));
    check("after an import");
}

#[test]
fn a_time_in_which_the_gateways_clock_was_wrong_changes_no_cause_of_another_time() {
    let day = |n: i64| FROM.unix_s() + n * DAY;
    let mut plan = quiet_plan(4, 5, 6);
    let storm = Span::new(TrueTime(day(3) + 8 * HOUR), TrueTime(day(3) + 14 * HOUR));
    plan.radio_outages.push(storm);
    let off = Span::new(TrueTime(day(1) + 6 * HOUR), TrueTime(day(1) + 15 * HOUR));
    // What it stamps then lies where it was off two days before, or nowhere near, or in the time after.
    for by in [-2 * DAY, -FROM.unix_s(), 20 * HOUR] {
        let wrong = Span::new(TrueTime(day(3) + 2 * HOUR), TrueTime(day(3) + 20 * HOUR));
        let scene = Scene::with_clock(plan.clone(), vec![off], Some((wrong, by)), Hut::default());
        let json = scene.gaps(&[]);
        let mut said = outages(&json).clone();
        said.sort_by_key(|outage| outage["from"].as_str().unwrap().to_owned());
        let [first, second] = &said[..] else { panic!("{by}: {}", json["outages"]) };
        for (outage, cause, span) in [(first, GATEWAY, off), (second, STORM, storm)] {
            assert_eq!(outage["cause"], cause, "{by}: {outage}");
            for (key, at) in [("from", span.from.unix_s()), ("to", span.to.unix_s())] {
                let said = typed(&outage[key]);
                assert!((said - at).abs() < 2 * HOUR, "{by}: {key}: {said} for {at}: {outage}");
            }
        }
    }
}

#[test]
fn a_storm_in_which_loggers_lost_their_epoch_stays_a_storm() {
    let mut plan = quiet_plan(4, 5, 4);
    let storm = FROM.unix_s() + DAY;
    plan.radio_outages.push(Span::new(TrueTime(storm), TrueTime(storm + 9 * HOUR)));
    // It is not known how many records these made in their old epoch.
    for number in [11, 12, 13] {
        let at_unix_s = storm + 8 * HOUR + 1800;
        plan.restarts.push(RestartPlan {
            address: address(number),
            at: TrueTime(at_unix_s),
            names_previous: false,
        });
    }
    let scene = Scene::new(plan, Vec::new());
    let json = scene.gaps(&[]);
    assert!(!json["unclosed"].as_array().unwrap().is_empty());
    let causes: Vec<&Value> = outages(&json).iter().map(|outage| &outage["cause"]).collect();
    assert!(!causes.is_empty() && causes.iter().all(|cause| **cause == STORM), "{causes:?}");
}

/// Every outage of a report against what happened to each of its records.
fn compare(scene: &Scene, json: &Value, context: &str, seen: &mut BTreeMap<&'static str, u64>) {
    let mut said: BTreeMap<(u16, u32, u32), String> = BTreeMap::new();
    for outage in outages(json) {
        let cause = outage["cause"].as_str().unwrap();
        let mut total = 0;
        for part in outage["parts"].as_array().unwrap() {
            let (logger, epoch) = (number(&part["logger"]) as u16, number(&part["epoch"]) as u32);
            let (first, last) = (number(&part["first"]) as u32, number(&part["last"]) as u32);
            let (mut fits, mut misfits) = (0, 0);
            for sequence in first..=last {
                let id = stonechat::wire::seq::Identity::new(logger, epoch, sequence).unwrap();
                let record =
                    scene.truth.record(id).unwrap_or_else(|| panic!("{context}: {id} was never made"));
                assert!(
                    !scene.heard.contains(&(logger, epoch, sequence)),
                    "{context}: {id} came by radio: {part}"
                );
                let mut causes = scene.causes(record);
                if causes.is_empty() {
                    // Three frames in a row that its path lost at random.
                    causes.push(ALONE);
                }
                // If nothing shows the cause, the report says so; a check below ensures that this is rare.
                if causes.contains(&cause) || cause == NOT_KNOWN {
                    fits += 1
                } else {
                    misfits += 1
                }
                let twice = said.insert((logger, epoch, sequence), cause.to_owned());
                assert_eq!(twice, None, "{context}: {id} stands in two outages");
            }
            total += u64::from(last - first) + 1;
            for (key, sequence) in [("from", first), ("to", last)] {
                let id = stonechat::wire::seq::Identity::new(logger, epoch, sequence).unwrap();
                let made = scene.truth.record(id).unwrap().made_at.unix_s();
                let said = typed(&part[key]);
                let interval =
                    i64::from(scene.plan.logger(Address::new(logger).unwrap()).unwrap().interval_s);
                // Some records of an epoch's beginning, a setting and a day's profile may share a moment.
                assert!(
                    (said - made).abs() <= 5 * interval,
                    "{context}: {key} is {} s off: {part}\n{}",
                    said - made,
                    scene.happened(json)
                );
            }
            // At an edge a record or two may be attributed to what came before or after.
            assert!(
                misfits <= 4 && (fits > misfits || last - first < 2),
                "{context}: {cause}: {misfits} of {part}\n{}",
                scene.happened(json)
            );
            let sum: u64 = ["missing", "brought", "written_off"].iter().map(|key| number(&part[key])).sum();
            assert_eq!(sum, u64::from(last - first) + 1, "{context}: {part}");
        }
        assert_eq!(total, number(&outage["records"]), "{context}: {outage}");
        assert_eq!(outage["repaired"], number(&outage["missing"]) == 0, "{context}: {outage}");
    }
    // The other way round: if something certainly kept a record from being heard, the report says so, as far as it is
    // known that the record was made. If the record with the end of its epoch is missing too, it is only presumed.
    let ends: BTreeMap<(u16, u32), u32> = json["unclosed"]
        .as_array()
        .unwrap()
        .iter()
        .map(|open| {
            let of = (number(&open["logger"]) as u16, number(&open["epoch"]) as u32);
            (of, number(&open["last"]) as u32)
        })
        .collect();
    let mut kept: BTreeMap<(u16, &'static str), (u64, u64)> = BTreeMap::new();
    for record in scene.truth.records() {
        let id = record.identity;
        let key = (id.address.number(), id.epoch.number(), id.sequence.number());
        let [cause] = scene.causes(record)[..] else { continue };
        if scene.heard.contains(&key) || ends.get(&(key.0, key.1)).is_some_and(|&last| key.2 > last) {
            continue;
        }
        let count = kept.entry((key.0, cause)).or_default();
        count.0 += 1;
        count.1 += u64::from(said.get(&key).is_some_and(|said| said == cause));
    }
    for ((logger, cause), (all, right)) in kept {
        // Two or three records at each end of each of up to three events.
        assert!(
            right + 18 >= all,
            "{context}: logger {logger}: {right} of {all} by {cause}\n{}",
            scene.happened(json)
        );
        if all >= 24 {
            *seen.entry(cause).or_default() += 1;
        }
    }
}

/// Every other report says of the missing records what `gaps` says, in JSON and in words, with the daemon up and down.
fn reports_agree(scene: &Scene, gaps: &Value, context: &str) {
    let now = scene.now();
    let report = |command: &str| scene.site.json(&[command, "--json", "--now", &now]);
    let sum = |all: &[&Value], key: &str| all.iter().map(|one| one[key].as_u64().unwrap_or(0)).sum::<u64>();
    let (status, visits) = (report("status"), report("visits"));
    let check = |gaps: &Value, completeness: &Value, context: &str| {
        for logger in &scene.plan.loggers {
            let context = format!("{context}: logger {}", logger.address);
            let of = |all: &Value| -> Vec<Value> {
                let mine = all.as_array().unwrap().iter();
                mine.filter(|one| one["logger"] == logger.address.number()).cloned().collect()
            };
            let listed = of(&gaps["gaps"]);
            let in_state =
                |state: &str| listed.iter().filter(|gap| gap["state"] == state).collect::<Vec<_>>();
            let (missing, off) =
                (sum(&in_state("open"), "records"), sum(&in_state("written-off"), "records"));
            let counts = of(&completeness["loggers"])[0]["all_time"].clone();
            assert_eq!(number(&counts["missing"]), missing, "{context}: {counts}");
            assert_eq!(number(&counts["written_off"]), off, "{context}: {counts}");
            let held = number(&counts["expected"]) - missing - off;
            let percent = (1000 * held / number(&counts["expected"])) as f64 / 10.0;
            assert_eq!(counts["percent_held"].as_f64(), Some(percent), "{context}: {counts}");
            let open_ends = of(&gaps["unclosed"]).into_iter().filter(|open| open["state"] == "open");
            let presumed: Vec<Value> = open_ends.chain(of(&gaps["silent"])).collect();
            let presumed = sum(&presumed.iter().collect::<Vec<_>>(), "presumed_readings");
            assert_eq!(number(&counts["presumed_readings"]), presumed, "{context}: {counts}");
            let row = of(&status["loggers"])[0].clone();
            assert_eq!(number(&row["missing"]), missing, "{context}: {row}");
            let visit = of(&visits["visits"]);
            let goes = visit.first().map_or(Value::Null, |visit| visit["go_before_earliest"].clone());
            assert_eq!(row["next_deadline"], goes, "{context}: {row}");
        }
        assert_eq!(number(&completeness["all"]["missing"]), number(&gaps["totals"]["records"]), "{context}");
    };
    check(gaps, &report("completeness"), context);
    // What the gateway could not have heard is left out of each logger's share, whatever has become of it.
    let parts =
        outages(gaps).iter().filter(|outage| [GATEWAY, STORM, PORT].iter().any(|it| outage["cause"] == *it));
    let mut gateways = BTreeMap::<u64, u64>::new();
    for part in parts.flat_map(|outage| outage["parts"].as_array().unwrap()) {
        let records: u64 = ["missing", "brought", "written_off"].iter().map(|key| number(&part[key])).sum();
        *gateways.entry(number(&part["logger"])).or_default() += records;
    }
    for row in status["loggers"].as_array().unwrap() {
        let left_out: u64 =
            row["strip"].as_array().unwrap().iter().map(|day| number(&day["unheard_by_gateway"])).sum();
        if row["unheard_because_of_gateway"] == false {
            let expected = gateways.get(&number(&row["logger"])).copied().unwrap_or(0);
            assert_eq!(left_out, expected, "{context}: {row}");
        }
    }
    assert_eq!(status["totals"]["records"], gaps["totals"]["records"], "{context}");

    let text = scene.text(&[]);
    let open: Vec<&Value> =
        gaps["gaps"].as_array().unwrap().iter().filter(|gap| gap["state"] == "open").collect();
    let (records, loggers) =
        (sum(&open, "records"), open.iter().map(|gap| number(&gap["logger"])).collect::<BTreeSet<_>>());
    let counted = stonechat::text::counted;
    let words = format!(
        "{} in {}, of {}.",
        counted(records, "record"),
        counted(open.len() as u64, "gap"),
        counted(loggers.len() as u64, "logger")
    );
    assert_eq!(text.contains(&words), records > 0, "{context}: no {words:?} in {text}");
    if let Some(at) = text.find(" missing records fell in it") {
        let words: Vec<&str> = text[..at].rsplitn(4, ' ').collect();
        let number_of = |word: &str| word.replace(',', "").parse::<u64>().unwrap();
        assert_eq!(number_of(words[0]), records, "{context}: {text}");
        let most = outages(gaps).iter().map(|outage| number(&outage["missing"])).max();
        assert_eq!(Some(number_of(words[2])), most, "{context}: {text}");
    }

    // No daemon: what was received stays the same, and no logger counts as silent for what is not heard now.
    std::fs::remove_dir_all(scene.site.path("run")).unwrap();
    let down = scene.gaps(&[]);
    assert_eq!(down["outages"], gaps["outages"], "{context}, daemon down");
    assert_eq!(down["gaps"], gaps["gaps"], "{context}, daemon down");
    check(&down, &report("completeness"), &format!("{context}, daemon down"));
    util::daemon::seems_to_run(&scene.site.path("run"), scene.plan.end().unix_s());
}

/// What happens in a field, decided by a number.
fn field(seed: u64) -> (FieldPlan, Vec<Span>) {
    let mut random = Random(seed ^ 0x5ca1_ab1e);
    let loggers = 4 + random.below(4);
    let days = 8;
    let mut plan = quiet_plan(seed, loggers, days);
    plan.faults = FaultRates {
        lost: [0.0, 0.01, 0.03][random.below(3)],
        repeated: 0.01,
        reordered: 0.01,
        reorder_frames_max: 3,
        late: [0.0, 0.002][random.below(2)],
        ..FaultRates::none()
    };
    for logger in &mut plan.loggers {
        logger.interval_s = [600, 900, 1800, 3600][random.below(4)];
        logger.offset_s %= logger.interval_s;
        logger.memory_records = 20_000;
    }
    let (mut off, mut alone) = (Vec::new(), Vec::new());
    // One thing a day, on some days two that may overlap; the first and the last day are quiet.
    for day in 1..i64::from(days) - 1 {
        let begins = FROM.unix_s() + day * DAY;
        for _ in 0..1 + usize::from(random.percent(30)) {
            let from = begins + HOUR * random.below(8) as i64;
            let span = Span::new(TrueTime(from), TrueTime(from + HOUR * (5 + random.below(9) as i64)));
            match random.below(4) {
                0 if off.last().is_none_or(|last: &Span| last.to.unix_s() + 2 * HOUR < from) => {
                    off.push(span)
                }
                1 => plan.radio_outages.push(span),
                _ => alone.push((day, span)),
            }
        }
    }
    // Two loggers that fail by themselves at the same time would rightly be called several.
    let mut last_day = 0;
    for (day, span) in alone {
        if day > last_day {
            let logger = plan.loggers[random.below(loggers)].address;
            plan.logger_outages.push((logger, span));
            last_day = day;
        }
    }
    (plan, off)
}

/// Clocks of some loggers were wrong until they were set, or are in the year 2000 after a new cell; `true` if there are
/// new cells.
fn wrong_clocks(plan: &mut FieldPlan, random: &mut Random) -> bool {
    let addresses: Vec<Address> = plan.loggers.iter().map(|logger| logger.address).collect();
    for address in addresses {
        let at_unix_s = FROM.unix_s() + random.below(7 * DAY as usize) as i64;
        match random.below(5) {
            0 => {
                let seconds_added = [-9 * HOUR, -1800, 1800, 6 * HOUR, 40 * DAY][random.below(5)];
                plan.clock_sets.push(ClockSet { address, at: TrueTime(at_unix_s), seconds_added });
            }
            1 => plan.battery_swaps.push(BatterySwap {
                address,
                at: TrueTime(at_unix_s),
                names_previous: random.percent(70),
                clock_set_after_s: random.percent(60).then(|| 3600 + random.below(200_000) as u32),
            }),
            _ => {}
        }
    }
    !plan.battery_swaps.is_empty()
}

/// Some loggers that only a second radio hears. Its port is lost once, on a day without a storm on which no logger fails by
/// itself: which radio hears a logger is not asked, so all that was not heard then is put down to the port.
fn hut(plan: &FieldPlan, random: &mut Random) -> Hut {
    let number = plan.loggers.len();
    let (first, many) = (random.below(number), 1 + random.below(number - 2));
    let loggers = (first..first + many).map(|at| plan.loggers[at % number].address).collect();
    let day = FROM.unix_s() + (1 + random.below(6) as i64) * DAY;
    let from = day + HOUR * random.below(8) as i64;
    let span = Span::new(TrueTime(from), TrueTime(from + HOUR * (5 + random.below(9) as i64)));
    let others = plan.logger_outages.iter().map(|(_, of)| of).chain(&plan.radio_outages);
    let is_quiet = !others.into_iter().any(|of| (day..day + DAY).contains(&of.from.unix_s()));
    Hut { loggers, lost: if is_quiet { vec![span] } else { Vec::new() } }
}

#[test]
fn causes_are_what_happened_before_and_after_imports_filtered_and_not() {
    let many = shim::setting("STONECHAT_TEST_FIELDS", 0);
    let only: Option<u64> = std::env::var("STONECHAT_TEST_FIELD").ok().and_then(|n| n.parse().ok());
    let seen = std::sync::Mutex::new(BTreeMap::new());
    let failed = std::sync::Mutex::new(BTreeSet::new());
    let some = if many > 0 { (0..many).collect() } else { FIELDS.to_vec() };
    let seeds: Vec<u64> = only.map_or(some, |seed| vec![seed]);
    let fields = seeds.len() as u64;
    shim::in_threads(2, &seeds, |&seed| {
        // Every field that fails must be named, not only the first one.
        let run = std::panic::AssertUnwindSafe(|| {
            let mut counts = BTreeMap::new();
            run_field(seed, &mut counts);
            counts
        });
        let Ok(counts) = std::panic::catch_unwind(run) else {
            failed.lock().unwrap().insert(seed);
            return;
        };
        let mut seen = seen.lock().unwrap();
        for (cause, count) in counts {
            *seen.entry(cause).or_default() += count;
        }
    });
    let failed = failed.into_inner().unwrap();
    assert!(failed.is_empty(), "fields {failed:?} of {}; `STONECHAT_TEST_FIELD=N` runs one", seeds.len());
    let seen: BTreeMap<&str, u64> = seen.into_inner().unwrap();
    if only.is_none() {
        println!("{fields} fields: {seen:?}");
        for cause in [GATEWAY, STORM, ALONE] {
            assert!(seen.get(cause).is_some_and(|seen| *seen >= fields / 2), "{seen:?}");
        }
        for what in ["imports of CSV", "write-offs"] {
            assert!(seen.get(what).is_some_and(|seen| *seen >= fields / 6), "{seen:?}");
        }
    }
}

fn run_field(seed: u64, seen: &mut BTreeMap<&'static str, u64>) {
    let context = format!("STONECHAT_TEST_FIELD={seed}");
    let mut random = Random(seed);
    let (mut plan, off) = field(seed);
    let mut has_restarts = random.percent(30);
    if has_restarts {
        let logger = plan.loggers[random.below(plan.loggers.len())].address;
        let at = plan.from.unix_s() + DAY + random.below(5 * DAY as usize) as i64;
        plan.restarts.push(RestartPlan { address: logger, at: TrueTime(at), names_previous: true });
    }
    let has_wrong_clocks = random.percent(50);
    let mut wrong = None;
    if has_wrong_clocks {
        has_restarts |= wrong_clocks(&mut plan, &mut random);
        // Nothing happens at the ends of the time in which the gateway's clock is wrong.
        let day = |n: usize| FROM.unix_s() + n as i64 * DAY + 22 * HOUR;
        let from = random.below(5);
        let by = [0, -3 * HOUR, 5 * HOUR, -400 * DAY, -FROM.unix_s()][random.below(5)];
        wrong = random
            .percent(60)
            .then(|| (Span::new(TrueTime(day(from)), TrueTime(day(from + 1 + random.below(2)))), by));
    }
    let hut = if random.percent(40) { hut(&plan, &mut random) } else { Hut::default() };
    let scene = Scene::with_clock(plan, off, wrong, hut);
    let before = scene.gaps(&[]);
    compare(&scene, &before, &context, seen);
    filtered(&scene, &before, &mut random, &context);
    reports_agree(&scene, &before, &context);
    if random.percent(50) {
        scene.settle();
        assert_eq!(scene.gaps(&[])["outages"], before["outages"], "{context}: settled");
    }
    let loggers: Vec<Address> = scene.plan.loggers.iter().map(|logger| logger.address).collect();
    let some = random.below(loggers.len());
    for &logger in &loggers[..some] {
        if random.percent(30) {
            scene.import_csv(logger);
            *seen.entry("imports of CSV").or_default() += 1;
        }
        // Sometimes no dump follows yet.
        if random.percent(90) {
            scene.import(logger);
        }
    }
    let given_up = random.percent(50);
    let left = scene.gaps(&[]);
    if let Some(gap) = left["gaps"].as_array().unwrap().iter().find(|_| given_up) {
        scene.write_off(gap);
        *seen.entry("write-offs").or_default() += 1;
    }
    let half = scene.gaps(&[]);
    compare(&scene, &half, &context, seen);
    filtered(&scene, &half, &mut random, &context);
    reports_agree(&scene, &half, &format!("{context}: after some imports"));
    if random.percent(50) {
        scene.settle();
        assert_eq!(scene.gaps(&[])["outages"], half["outages"], "{context}: settled after an import");
    }
    loggers.iter().for_each(|&logger| scene.import(logger));
    let after = scene.gaps(&[]);
    compare(&scene, &after, &context, seen);
    assert_eq!(after["totals"]["records"], 0, "{context}");
    assert!(outages(&after).iter().all(|outage| outage["repaired"] == true), "{context}: {after}");
    if !has_restarts {
        for (when, later) in [("some", &half), ("all", &after)] {
            same_story(
                &before,
                later,
                &format!("{context}: after {when} imports\n{}", scene.happened(&before)),
            );
        }
    }
}

/// A part of the report says of each outage what the whole says of it, and counts what it selects.
fn filtered(scene: &Scene, whole: &Value, random: &mut Random, context: &str) {
    let logger = scene.plan.loggers[random.below(scene.plan.loggers.len())].address;
    let from = FROM.unix_s() + random.below(8 * DAY as usize) as i64;
    let to = from + random.below(4 * DAY as usize) as i64;
    let (logger_text, from_text, to_text) = (logger.to_string(), time(from), time(to));
    let by_time = ["--from", from_text.as_str(), "--to", to_text.as_str()];
    for filter in [&["--logger", logger_text.as_str()][..], &by_time] {
        let part = scene.gaps(filter);
        let context = format!("{context}: {filter:?}");
        let open = number(&part["totals"]["records"]);
        let in_outages: u64 = outages(&part).iter().map(|outage| number(&outage["missing"])).sum();
        assert!(in_outages <= open, "{context}: {in_outages} of {open}");
        for outage in outages(&part) {
            let same = |other: &&Value| {
                ["from", "to", "cause", "loggers"].iter().all(|key| other[key] == outage[key])
            };
            let other = outages(whole).iter().find(same).unwrap_or_else(|| panic!("{context}: {outage}"));
            for key in ["records", "missing", "brought", "written_off"] {
                assert!(number(&outage[key]) <= number(&other[key]), "{context}: {key}");
            }
        }
        if filter.len() == 2 {
            let of_logger = |json: &Value, key: &str| -> u64 {
                let parts = outages(json).iter().flat_map(|outage| outage["parts"].as_array().unwrap());
                parts.filter(|part| part["logger"] == logger.number()).map(|part| number(&part[key])).sum()
            };
            for key in ["missing", "brought"] {
                assert_eq!(of_logger(&part, key), of_logger(whole, key), "{context}: {key}");
            }
        }
    }
}
