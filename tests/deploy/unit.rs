//! The unit, its drop-in and the other rules: checked by systemd if it is installed, and by running the daemon under
//! the restrictions of the unit.

use crate::{has, read, succeeds};
use std::process::Command;

/// Lines of a unit as (section, key, value), drop-ins after it.
fn settings(files: &[&str]) -> Vec<(String, String, String)> {
    let mut section = String::new();
    let mut found = Vec::new();
    for line in files.iter().flat_map(|file| read(file).lines().map(str::to_owned).collect::<Vec<_>>()) {
        if line.starts_with('[') {
            section = line;
        } else if let Some((key, value)) = line.split_once('=').filter(|_| !line.starts_with('#')) {
            found.push((section.clone(), key.to_owned(), value.to_owned()));
        }
    }
    found
}

fn value(key: &str) -> String {
    let found = settings(&["deploy/stonechat.service"]);
    let mut values = found.iter().filter(|(_, found, _)| found == key).map(|(_, _, value)| value.clone());
    values.next().unwrap_or_else(|| panic!("the unit has no {key}"))
}

/// The figure that `systemd-analyze security` ends with.
fn exposure(unit: &str) -> f64 {
    let mut command = Command::new("systemd-analyze");
    command.args(["security", "--offline=true", "--no-pager", unit]);
    let text = succeeds(&mut command);
    let (_, figure) = text.split_once("Overall exposure level for").expect(&text);
    figure.split_whitespace().nth(1).unwrap().parse().expect(&text)
}

#[test]
fn the_unit_leaves_little_open() {
    if !has("systemd-analyze") {
        return;
    }
    let dir = tempfile::tempdir().unwrap();
    let unit = dir.path().join("stonechat.service");
    std::fs::write(&unit, read("deploy/stonechat.service")).unwrap();
    let alone = exposure(unit.to_str().unwrap());
    assert!(alone <= 1.0, "{alone}");
    // The same with what radios behind a device server need; appended, as systemd reads drop-ins.
    std::fs::write(&unit, read("deploy/stonechat.service") + &read("deploy/tcp-radio.conf")).unwrap();
    let with_network = exposure(unit.to_str().unwrap());
    println!("exposure: {alone}, with tcp-radio.conf {with_network}");
    assert!(with_network <= 2.0, "{with_network}");
}

#[test]
fn systemd_reads_the_unit_and_its_drop_in_without_a_warning() {
    if !has("systemd-analyze") {
        return;
    }
    let dir = tempfile::tempdir().unwrap();
    let unit = dir.path().join("stonechat.service");
    // The binary of the package is not there: any program replaces it. Its manual is not there either.
    for text in
        [read("deploy/stonechat.service"), read("deploy/stonechat.service") + &read("deploy/tcp-radio.conf")]
    {
        std::fs::write(&unit, text.replace("ExecStart=/usr/bin/stonechat", "ExecStart=/bin/true")).unwrap();
        let said = succeeds(Command::new("systemd-analyze").args(["verify", "--man=no"]).arg(&unit));
        let ours: Vec<_> = said.lines().filter(|line| line.contains("stonechat")).collect();
        assert!(ours.is_empty(), "{ours:#?}");
    }
}

#[test]
fn every_line_of_the_service_says_what_it_is_for() {
    for file in
        ["deploy/stonechat.service", "deploy/tcp-radio.conf", "deploy/sysusers.conf", "deploy/tmpfiles.conf"]
    {
        let mut said = false;
        let mut section = String::new();
        for line in read(file).lines() {
            if line.starts_with('[') {
                section = line.to_owned();
                said = false;
            } else if line.starts_with('#') {
                said = !line.starts_with("# --");
            } else if line.is_empty() {
                said = false;
            } else {
                // What everybody knows: a name, and that it starts at boot.
                let plain = ["Description=", "Documentation=", "ExecStart=", "WantedBy="];
                let is_plain = plain.iter().any(|start| line.starts_with(start));
                assert!(said || is_plain || section == "[Install]", "{file}: nothing is said of {line}");
            }
        }
    }
}

#[test]
fn nothing_ends_the_service_for_good_but_a_wrong_configuration() {
    assert_eq!(value("StartLimitIntervalSec"), "0");
    assert_eq!(value("Restart"), "on-failure");
    assert_eq!(value("RestartPreventExitStatus"), stonechat::cli::USAGE.to_string());
    assert_eq!(value("RestartForceExitStatus"), stonechat::cli::DONE.to_string());
    // Half of the watchdog's time is the daemon's beat; one commit on a slow card may take a while.
    let watchdog: u64 = value("WatchdogSec").parse().unwrap();
    assert!(watchdog >= 120, "{watchdog}");
}

#[test]
fn serial_ports_of_every_kind_are_let_in_by_kind_and_their_drivers_are_there_before() {
    let settings = settings(&["deploy/stonechat.service"]);
    let of = |key: &str| -> Vec<String> {
        settings.iter().filter(|(_, found, _)| found == key).map(|(_, _, value)| value.clone()).collect()
    };
    for kind in ["ttyUSB", "ttyACM", "ttyS", "ttyAMA"] {
        assert!(of("DeviceAllow").contains(&format!("char-{kind} rw")), "{kind}");
    }
    // systemd.resource-control(5): kinds that are unknown at the start are not let in later.
    for order in ["Wants", "After"] {
        let units = of(order).join(" ");
        assert!(
            units.contains("modprobe@usbserial.service") && units.contains("modprobe@cdc_acm.service"),
            "{order}"
        );
    }
    assert!(of("PrivateDevices").is_empty(), "its /dev never shows what is plugged in later");
}

/// The rules are udev's own syntax; its verifier came with systemd 254, so a machine may have none.
#[test]
fn udev_reads_the_rules() {
    if !has("udevadm") {
        return;
    }
    let rules = crate::project().join("deploy/60-stonechat.rules");
    let output = Command::new("udevadm").arg("verify").arg(&rules).output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    if said.contains("Unknown command") || said.contains("not recognized") || said.contains("Unrecognized") {
        eprintln!("skipped: this udevadm has no verify");
        return;
    }
    assert!(output.status.success(), "{said}");
}

#[test]
fn every_rule_gives_its_port_to_the_group_that_the_unit_has() {
    let rules = read("deploy/60-stonechat.rules");
    let group = value("SupplementaryGroups");
    let naming: Vec<&str> = rules.lines().filter(|line| line.contains("SYMLINK+=")).collect();
    assert!(naming.len() >= 3, "{naming:?}");
    for line in &naming {
        assert!(line.contains(&format!("GROUP=\"{group}\"")) && line.contains("MODE=\"0660\""), "{line}");
        assert!(line.contains("SYMLINK+=\"stonechat-radio"), "{line}");
    }
    // No maker and no product: any adapter.
    for named in ["idVendor", "idProduct", "ID_VENDOR", "ID_MODEL"] {
        assert!(!rules.contains(named), "{named}");
    }
    let live = rules.lines().find(|line| line.starts_with("ENV{") && line.contains("SYMLINK")).unwrap();
    assert!(live.contains("\"stonechat-radio\""), "{live}");
    assert!(read("docs/handbook.md").contains("/dev/stonechat-radio"));
}
