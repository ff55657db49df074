//! The real binary from end to end: bytes through a pseudo-terminal or TCP into a ledger, against the truth; killed at
//! random instants; together with other processes; without its port; asked to stop.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use std::collections::BTreeSet;
use std::io::Write;
use std::net::TcpListener;
use std::os::unix::net::UnixDatagram;
use std::os::unix::process::CommandExt;
use std::time::{Duration, Instant};
use stonechat::ledger::read::snapshot::Reader;
use stonechat::link::pty::PtyMaster;
use stonechat::sim::{FaultRates, Field, FieldPlan, TrueTime};
use stonechat::state::Phase;
use stonechat::time::GatewayTime;
use util::daemon::{Daemon, PATIENCE, Site, is_root};
use util::truth::{held_equals_truth, ledger_equals_truth, verified};

/// 255 loggers at high speed: a fifth lost, a twentieth doubled, noise, forgeries, replays.
fn harsh(seed: u64, readings: u32) -> FieldPlan {
    FieldPlan::dense(seed, 255, readings, 0.2, 0.05, 0.03)
}

fn send(pty: &mut PtyMaster, bytes: &[u8]) {
    pty.write_within(bytes, PATIENCE).unwrap();
    pty.wait_drained(PATIENCE).unwrap();
}

/// Feeds a whole field, waits until every frame has its outcome, and stops the daemon.
fn run_field(site: &Site, field: Field, plan: &FieldPlan, mut write: impl FnMut(&[u8])) {
    let mut daemon = site.start();
    daemon.wait_listening();
    let run = field.run_out();
    write(&run.line());
    let state = daemon.wait_frames(run.tally.frames());
    assert_eq!(daemon.stop().code(), Some(0), "{}", daemon.log());

    // Outcomes sum to frames in, and each is what an independent witness counted at the line.
    let of = |name: &str| state.outcomes[name];
    assert_eq!(state.outcomes.values().sum::<u64>(), state.frames_in);
    assert_eq!(state.frames_in, run.tally.frames());
    assert_eq!(of("stored"), run.tally.stored);
    assert_eq!(of("duplicate"), run.tally.duplicate);
    assert_eq!(of("unopened"), run.tally.unopened);
    assert_eq!(of("foreign"), run.tally.foreign);
    assert_eq!(of("noise"), run.tally.noise);
    assert_eq!((of("conflict"), of("opaque"), of("skipped")), (0, 0, 0));
    for rate in [run.tally.duplicate, run.tally.unopened, run.tally.foreign, run.tally.noise] {
        assert!(rate > 0, "the field is too tame: {:?}", run.tally);
    }
    ledger_equals_truth(&site.ledger(), &run.truth, &plan.to_roster());

    // The ledger's own count of frames is the same.
    let reader = Reader::open(&site.ledger()).unwrap();
    let totals = reader.read(|snapshot| snapshot.radio_totals()).unwrap();
    assert_eq!(totals.len(), 1);
    assert_eq!(totals[0].tally.frames(), run.tally.frames());
    assert_eq!(totals[0].noise_bytes, run.tally.noise_bytes);
}

#[test]
fn through_a_pseudo_terminal_the_ledger_equals_the_truth_minus_the_losses() {
    let plan = harsh(11, 60);
    let (site, mut pty) = Site::with_pty(&plan, 0.2, "settle_rows = 2000");
    run_field(&site, Field::new(plan.clone()), &plan, |bytes| send(&mut pty, bytes));
}

#[test]
fn through_tcp_the_ledger_equals_the_truth_minus_the_losses() {
    let plan = harsh(12, 60);
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = format!("tcp://{}", listener.local_addr().unwrap());
    let site = Site::new(&plan, &port, 0.2, "settle_rows = 3000");
    let mut stream = None;
    run_field(&site, Field::new(plan.clone()), &plan, |bytes| {
        let (accepted, _) = listener.accept().unwrap();
        stream.insert(accepted).write_all(bytes).unwrap();
    });
}

/// What must be true after any kill: each held value equals the truth, held records and gaps together are everything
/// from 1 to the largest held, and nothing that was reported committed is gone.
fn after_a_kill(site: &Site, field: &Field, plan: &FieldPlan, before: usize, reported: u64) -> usize {
    let held = held_equals_truth(&site.ledger(), field.truth());
    assert!(
        held.len() as u64 >= before as u64 + reported,
        "{} held, {before} before, {reported} reported committed since",
        held.len()
    );
    verified(&site.ledger());
    let roster = plan.to_roster();
    let reader = Reader::open(&site.ledger()).unwrap();
    let report = reader
        .read(|snapshot| {
            stonechat::report::gaps::report(
                &roster,
                snapshot.coverage(),
                snapshot,
                GatewayTime(plan.end().unix_s()),
                |_| true,
            )
        })
        .unwrap();
    let mut both = held.clone();
    for gap in &report.gaps {
        for sequence in gap.first..=gap.last {
            let fresh = both.insert((gap.logger.number(), gap.epoch.number(), sequence));
            assert!(fresh, "a held record is reported missing");
        }
    }
    let mut largest = std::collections::BTreeMap::<(u16, u32), u32>::new();
    for &(address, epoch, sequence) in &both {
        let entry = largest.entry((address, epoch)).or_default();
        *entry = (*entry).max(sequence);
    }
    let all: BTreeSet<(u16, u32, u32)> = largest
        .into_iter()
        .flat_map(|((address, epoch), last)| (1..=last).map(move |sequence| (address, epoch, sequence)))
        .collect();
    assert_eq!(both, all);
    held.len()
}

#[test]
fn killed_at_any_instant_it_keeps_what_it_reported_as_committed() {
    const KILLS: usize = 20;
    const KILLS_IN_SETTLE: usize = 5;
    let seed = std::env::var("STONECHAT_TEST_SEED").ok().and_then(|seed| seed.parse().ok()).unwrap_or(7_u64);
    println!("seed {seed}");
    let plan = harsh(seed, 40);
    let (site, mut pty) = Site::with_pty(&plan, 0.05, "settle_rows = 100");
    let mut field = Field::new(plan.clone());
    let (mut kills, mut in_settle, mut held) = (0, 0, 0);
    let mut random = seed;
    while kills < KILLS || in_settle < KILLS_IN_SETTLE {
        assert!(kills < 200, "only {in_settle} of {kills} kills fell into a settle");
        random = random.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let mut daemon = site.start();
        daemon.wait_listening();
        let mut bytes = Vec::new();
        while bytes.len() < 24_000 {
            match field.next() {
                Some(emission) => bytes.extend(emission.bytes),
                // The field has ended: sending it again gives duplicates, and fills what kills have lost.
                None => field = Field::new(plan.clone()),
            }
        }
        send(&mut pty, &bytes);
        if kills % 2 == 0 {
            await_settle(&mut daemon);
        } else {
            // Anywhere within the next two commits.
            std::thread::sleep(Duration::from_micros(random >> 47));
        }
        daemon.kill();
        let state = daemon.state();
        let reported = state.as_ref().and_then(|state| state.commit).map_or(0, |commit| commit.records);
        let log = daemon.log();
        let inside = log.matches("settle begins").count() > log.matches("settle ends").count();
        kills += 1;
        in_settle += usize::from(inside);
        held = after_a_kill(&site, &field, &plan, held, reported);
    }
    println!("{kills} kills, {in_settle} of them inside a settle, {held} records held in the end");
    assert!(held > 1000);
    // After everything that happened, the last daemon stops normally and still has everything.
    let mut daemon = site.start();
    daemon.wait_listening();
    assert_eq!(daemon.stop().code(), Some(0));
    after_a_kill(&site, &field, &plan, held, 0);
}

/// Waits for the log line that a settle has begun (or until nothing is left to settle).
fn await_settle(daemon: &mut Daemon) {
    let before = daemon.log().matches("settle begins").count();
    let give_up = Instant::now() + Duration::from_secs(2);
    while daemon.log().matches("settle begins").count() == before && Instant::now() < give_up {
        std::hint::spin_loop();
    }
}

#[test]
fn a_second_daemon_is_refused_and_reported_who_has_the_ledger() {
    let plan = FieldPlan::harrow_tarn(3, 2, TrueTime(1_780_000_000), 1);
    let (site, _pty) = Site::with_pty(&plan, 0.1, "");
    let mut first = site.start();
    first.wait_listening();
    let second = site.output(&["run"]);
    assert_eq!(second.status.code(), Some(3));
    let text = String::from_utf8_lossy(&second.stderr);
    let expected = format!("another daemon holds it (process {}, stonechat, on ", first.child.id());
    assert!(text.contains(&expected) && text.contains("ledger.db); stop that one first"), "{text}");
    assert_eq!(first.stop().code(), Some(0));
}

#[test]
fn another_user_with_group_read_opens_the_ledger_with_the_daemon_up_stopped_and_killed() {
    let plan = FieldPlan::harrow_tarn(4, 3, TrueTime(1_780_000_000), 1).without_incidents();
    let (site, mut pty) = Site::with_pty(&plan, 0.1, "");
    // Others may enter the folder and read the configuration, but write nothing there.
    use std::os::unix::fs::PermissionsExt;
    std::fs::set_permissions(site.dir.path(), std::fs::Permissions::from_mode(0o755)).unwrap();
    let run = Field::new(plan.with_faults(FaultRates::none())).run_out();
    let report = |when: &str| {
        for args in [&["gaps", "--json"][..], &["status"][..], &["verify"][..]] {
            let mut command = site.command(args);
            if is_root() {
                // The user `nobody`, in the group of the ledger.
                command.uid(65_534).gid(rustix::process::getegid().as_raw());
            }
            let output = command.output().unwrap();
            let text = String::from_utf8_lossy(&output.stderr);
            assert_eq!(output.status.code(), Some(0), "{args:?}, daemon {when}: {text}");
        }
        let mut command = site.command(&["verify", "--json"]);
        let found: serde_json::Value = serde_json::from_slice(&command.output().unwrap().stdout).unwrap();
        assert_eq!(found["records"], run.tally.stored, "daemon {when}");
    };
    let mut daemon = site.start();
    daemon.wait_listening();
    send(&mut pty, &run.line());
    daemon.wait_frames(run.tally.frames());
    report("up");
    assert_eq!(daemon.stop().code(), Some(0));
    report("stopped");
    let mut daemon = site.start();
    daemon.wait_listening();
    send(&mut pty, &run.line());
    daemon.wait_frames(run.tally.frames());
    daemon.kill();
    report("killed");
}

#[test]
fn when_stopped_it_commits_at_once_and_says_so() {
    let plan = FieldPlan::harrow_tarn(5, 12, TrueTime(1_780_000_000), 1).without_incidents();
    let (site, mut pty) = Site::with_pty(&plan, 3600.0, "");
    let socket_path = site.path("notify");
    let socket = UnixDatagram::bind(&socket_path).unwrap();
    socket.set_read_timeout(Some(PATIENCE)).unwrap();
    let reported = || {
        let mut buffer = [0; 256];
        let len = socket.recv(&mut buffer).unwrap();
        String::from_utf8_lossy(&buffer[..len]).into_owned()
    };
    let mut daemon = site.start_with(|command| {
        command.env("NOTIFY_SOCKET", &socket_path);
    });
    assert!(reported().starts_with("READY=1"));
    daemon.wait_listening();
    let run = Field::new(plan.clone().with_faults(FaultRates::none())).run_out();
    send(&mut pty, &run.line());
    assert_eq!(daemon.state().unwrap().commits, 0, "an hour's window is not over");
    assert_eq!(daemon.stop().code(), Some(0), "{}", daemon.log());
    assert!(reported().starts_with("STOPPING=1"));
    ledger_equals_truth(&site.ledger(), &run.truth, &plan.to_roster());
    let state = stonechat::state::DaemonState::read(&site.path("run")).unwrap();
    assert_eq!((state.phase, state.waiting), (Phase::Stopped, 0));
}

#[test]
fn a_port_that_vanishes_is_reported_once_tried_again_and_heard_again() {
    let plan = FieldPlan::harrow_tarn(6, 4, TrueTime(1_780_000_000), 2).without_incidents();
    let plan = plan.with_faults(FaultRates::none());
    let (site, mut pty) = Site::with_pty(&plan, 0.05, "");
    let run = Field::new(plan.clone()).run_out();
    let line = run.line();
    let half = run.emissions.len() / 2;
    let half: usize = run.emissions[..half].iter().map(|emission| emission.bytes.len()).sum();
    let mut daemon = site.start();
    daemon.wait_listening();
    // Half of the frames, plus half a frame: an unfinished frame of a closing port is not counted.
    send(&mut pty, &line[..half + 5]);
    let frames = run.emissions.len() as u64 / 2;
    daemon.wait_frames(frames);
    drop(pty);
    daemon.wait_for("lost port", |state| !state.radios[0].up && state.radios[0].reason.is_some());
    let notices = |site: &Site| site.json(&["status", "--json"])["notices"].as_array().unwrap().len();
    assert_eq!(notices(&site), 1);
    let mut pty = PtyMaster::open().unwrap();
    pty.link_at(&site.path("radio")).unwrap();
    daemon.wait_listening();
    send(&mut pty, &line[half..]);
    let state = daemon.wait_frames(run.tally.frames());
    assert_eq!(state.frames_in, run.tally.frames());
    assert_eq!(notices(&site), 0);
    assert_eq!(daemon.stop().code(), Some(0));
    ledger_equals_truth(&site.ledger(), &run.truth, &plan.to_roster());
}

#[test]
fn a_new_key_opens_what_was_set_aside_when_the_configuration_is_read_again() {
    let plan = FieldPlan::harrow_tarn(8, 3, TrueTime(1_780_000_000), 7).without_incidents();
    let plan = plan.with_faults(FaultRates::none());
    let (mut site, mut pty) = Site::with_pty(&plan, 0.05, "");
    // A keyring that derives for another slot only: every frame of slot 0 waits.
    site.edit("keys.toml", "[site_key]", "[site_key]\nslots = [200]");
    let run = Field::new(plan.clone()).run_out();
    let mut daemon = site.start();
    daemon.wait_listening();
    send(&mut pty, &run.line());
    let state = daemon.wait_frames(run.tally.frames());
    assert_eq!(state.outcomes["unopened"], run.tally.frames());
    assert_eq!(state.aside_over_limit, 0);
    assert!(!held_equals_truth(&site.ledger(), &run.truth).iter().any(|_| true));

    // A broken file changes nothing and is reported.
    site.edit("keys.toml", "slots = [200]", "slots = 200");
    daemon.signal(rustix::process::Signal::HUP);
    await_log(&daemon, "not reloaded");
    site.edit("keys.toml", "slots = 200", "slots = [0, 1]");
    daemon.signal(rustix::process::Signal::HUP);
    await_log(&daemon, "tried the set-aside frames again");
    assert_eq!(daemon.stop().code(), Some(0));
    ledger_equals_truth(&site.ledger(), &run.truth, &plan.to_roster());
    let listed = site.json(&["set-aside", "list", "--json"]);
    assert_eq!(listed["set_aside"].as_array().unwrap().len(), 0);
    // The frames are counted once, as what they were when they came.
    let status = site.json(&["status", "--json"]);
    assert_eq!(status["radios"][0]["frames"], run.tally.frames());
}

/// While the ledger refuses commits, what waits for one is bounded; a flood that names one logger leaves the others theirs.
#[test]
fn a_flood_while_nothing_can_be_committed_leaves_every_logger_room_for_its_own_frames() {
    use stonechat::ledger::{RadioId, Stamp};
    use stonechat::wire::seq::{Identity, Slot};
    let plan = FieldPlan::dense(5, 3, 1, 0.0, 0.0, 0.0);
    let (roster, radio) = (plan.to_roster(), [RadioId(1)]);
    let key = stonechat::seal::Cipher::new(&stonechat::seal::SlotKey::new(&[9; 16]).unwrap());
    let mut intake = stonechat::daemon::intake::Intake::new(&radio);
    let mut keyring = stonechat::seal::keyring::Keyring::default();
    let mut send = |intake: &mut stonechat::daemon::intake::Intake,
                    logger: u16,
                    sequences: std::ops::Range<u32>| {
        let mut line = Vec::new();
        for sequence in sequences {
            let id = Identity::new(logger, 1, sequence).unwrap();
            let air = key.seal(Slot(0), id, b"anything").unwrap();
            stonechat::wire::frame::encode_line(stonechat::wire::frame::KIND_AIR, None, &air, &mut line);
        }
        intake.bytes(0, &line, &roster, &mut keyring, Stamp { unix_s: 1_780_000_000, synchronised: true });
    };
    let [flooded, other] = [0, 1].map(|at| plan.loggers[at].address.number());
    send(&mut intake, flooded, 1..6000);
    send(&mut intake, other, 1..31);
    let of_other =
        intake.batch.unopened.iter().filter(|unopened| unopened.identity.address.number() == other).count();
    assert_eq!((of_other, intake.batch.unopened.len()), (30, 4096 + 30));
    assert_eq!(intake.unopened_dropped, 5999 - 4096);
    // After a commit there is room again.
    intake.batch.clear();
    send(&mut intake, flooded, 6000..6100);
    assert_eq!(intake.batch.unopened.len(), 100);
}

fn await_log(daemon: &Daemon, text: &str) {
    let give_up = Instant::now() + PATIENCE;
    while !daemon.log().contains(text) {
        assert!(Instant::now() < give_up, "no {text:?} in\n{}", daemon.log());
        std::thread::sleep(Duration::from_millis(5));
    }
}

#[test]
fn a_line_that_floods_without_end_does_not_keep_it_from_stopping() {
    let plan = FieldPlan::harrow_tarn(9, 1, TrueTime(1_780_000_000), 1);
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = format!("tcp://{}", listener.local_addr().unwrap());
    let site = Site::new(&plan, &port, 0.2, "");
    let mut daemon = site.start();
    let (mut stream, _) = listener.accept().unwrap();
    // Ends when the daemon does.
    let flood = std::thread::spawn(move || while stream.write_all(&[0x55; 4096]).is_ok() {});
    daemon.wait_for("flood", |state| state.radios[0].bytes_in > 1_000_000);
    daemon.signal(rustix::process::Signal::TERM);
    assert_eq!(daemon.wait_end().code(), Some(0), "{}", daemon.log());
    flood.join().unwrap();
}
