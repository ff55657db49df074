//! The Debian package: its contents; that installing, upgrading and removing it keeps every record; and that the daemon
//! works under the restrictions of its unit.

use crate::util::daemon::{Site, is_root};
use crate::util::truth::verified;
use crate::{documents, has, pages, project, read, succeeds};
use std::collections::{BTreeMap, BTreeSet};
use std::fs::File;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::OnceLock;
use stonechat::sim::{FaultRates, Field, FieldPlan};

const BINARY: &str = env!("CARGO_BIN_EXE_stonechat");

/// The package with this test's binary, built once; nothing where the tools for it are missing.
pub fn package() -> Option<&'static Path> {
    static BUILT: OnceLock<Option<(tempfile::TempDir, PathBuf)>> = OnceLock::new();
    let built = BUILT.get_or_init(|| {
        if !["dpkg", "dpkg-deb", "gzip", "strip", "bash"].iter().all(|tool| has(tool)) {
            return None;
        }
        let dir = tempfile::tempdir().unwrap();
        for (name, text) in pages::all(&project().join("config")).unwrap() {
            let path = dir.path().join("pages").join(name);
            std::fs::create_dir_all(path.parent().unwrap()).unwrap();
            std::fs::write(path, text).unwrap();
        }
        let file = build(dir.path(), "one");
        Some((dir, file))
    });
    built.as_ref().map(|(_, file)| file.as_path())
}

/// Builds it into a folder below `dir`, where the pages are.
fn build(dir: &Path, name: &str) -> PathBuf {
    let mut command = Command::new(project().join("deploy/package"));
    command.args(["--binary", BINARY, "--pages"]).arg(dir.join("pages"));
    let said = succeeds(command.arg("--output").arg(dir.join(name)));
    PathBuf::from(said.trim())
}

/// Every file below `root` by its path, with its mode.
fn modes(root: &Path) -> BTreeMap<String, u32> {
    let mut found = BTreeMap::new();
    let mut folders = vec![root.to_path_buf()];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            let metadata = path.symlink_metadata().unwrap();
            if metadata.is_dir() {
                folders.push(path);
            } else {
                let name = path.strip_prefix(root).unwrap().to_str().unwrap().to_owned();
                found.insert(name, metadata.permissions().mode() & 0o7777);
            }
        }
    }
    found
}

#[test]
fn the_package_has_everything_in_its_place_and_nothing_that_others_may_write() {
    let Some(package) = package() else { return };
    let dir = tempfile::tempdir().unwrap();
    succeeds(Command::new("dpkg-deb").arg("-x").arg(package).arg(dir.path()));
    let files = modes(dir.path());
    for (name, mode) in &files {
        let wanted = if name == "usr/bin/stonechat" { 0o755 } else { 0o644 };
        assert_eq!(*mode, wanted, "{name}: {mode:o}");
        // dpkg must never remove the ledger or the configuration.
        assert!(!name.starts_with("var/") && !name.starts_with("etc/stonechat"), "{name}");
    }
    for name in [
        "usr/lib/systemd/system/stonechat.service",
        "usr/lib/sysusers.d/stonechat.conf",
        "usr/lib/tmpfiles.d/stonechat.conf",
        "etc/udev/rules.d/60-stonechat.rules",
        "usr/share/man/man1/stonechat.1.gz",
        "usr/share/man/man1/stonechat-key-derive.1.gz",
        "usr/share/man/man5/stonechat-site.5.gz",
        "usr/share/bash-completion/completions/stonechat",
        "usr/share/zsh/vendor-completions/_stonechat",
        "usr/share/fish/vendor_completions.d/stonechat.fish",
        "usr/share/doc/stonechat/handbook.md",
        "usr/share/doc/stonechat/README.md",
        "usr/share/doc/stonechat/pictures/repaired.svg",
        "usr/share/doc/stonechat/copyright",
        "usr/share/doc/stonechat/licences.txt.gz",
        "usr/share/doc/stonechat/LICENSE-MIT",
        "usr/share/doc/stonechat/LICENSE-APACHE",
        "usr/share/doc/stonechat/examples/tcp-radio.conf",
        "usr/share/doc/stonechat/examples/site.toml",
    ] {
        assert!(files.contains_key(name), "there is no {name}");
    }
    let documents = dir.path().join("usr/share/doc/stonechat");
    let links = documents::links_lead_to_files(&documents::markdown(&documents));
    assert!(links >= 25, "{links}");
    let pages = files.keys().filter(|name| name.starts_with("usr/share/man/man1/")).count();
    assert!(pages > 25, "{pages}");
    // Stripped: no table of symbols is left (ELF section .symtab).
    let binary = std::fs::read(dir.path().join("usr/bin/stonechat")).unwrap();
    assert!(!binary.windows(8).any(|bytes| bytes == b".symtab\0"));
    let says = succeeds(Command::new(dir.path().join("usr/bin/stonechat")).arg("--version"));
    assert_eq!(says.trim(), format!("stonechat {}", env!("CARGO_PKG_VERSION")));

    let field =
        |name: &str| succeeds(Command::new("dpkg-deb").args(["-f"]).arg(package).arg(name)).trim().to_owned();
    assert_eq!(field("Version"), env!("CARGO_PKG_VERSION"));
    assert!(field("Depends").starts_with("libc6 (>= 2."), "{}", field("Depends"));
    let conffiles = succeeds(Command::new("dpkg-deb").arg("-I").arg(package).arg("conffiles"));
    assert_eq!(conffiles.trim(), "/etc/udev/rules.d/60-stonechat.rules");
    let owners = succeeds(Command::new("dpkg-deb").arg("-c").arg(package));
    assert!(owners.lines().all(|line| line.contains(" root/root ")), "{owners}");
}

#[test]
fn the_same_binary_gives_the_same_package() {
    let Some(package) = package() else { return };
    let dir = package.parent().unwrap().parent().unwrap();
    let again = build(dir, "two");
    assert!(std::fs::read(package).unwrap() == std::fs::read(again).unwrap());
}

/// Puts the next release, the same with a larger number, into a folder as `newer.deb`.
pub fn newer(package: &Path, dir: &Path) {
    let unpacked = dir.join("newer");
    succeeds(Command::new("dpkg-deb").arg("-R").arg(package).arg(&unpacked));
    let control = unpacked.join("DEBIAN/control");
    let text = std::fs::read_to_string(&control).unwrap();
    let version = format!("Version: {}", env!("CARGO_PKG_VERSION"));
    assert!(text.contains(&version));
    std::fs::write(&control, text.replace(&version, &format!("{version}+next"))).unwrap();
    let package = dir.join("newer.deb");
    succeeds(
        Command::new("dpkg-deb").args(["-Znone", "--root-owner-group", "-b"]).arg(&unpacked).arg(&package),
    );
}

/// What is done in a root of its own: a layer over this machine's, gone afterwards. `systemctl` is one that writes down
/// what it is asked. $1 and $2 are the package and a newer one.
const STORY: &str = r#"
set -e
say() { echo "story: $*" >&2; }
export PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin LC_ALL=C DEBIAN_FRONTEND=noninteractive
mkdir -p /run/systemd/system
printf '#!/bin/sh\necho "$*" >>/asked\n' >/usr/local/bin/systemctl
chmod 755 /usr/local/bin/systemctl
asked() { grep -q -- "$1" /asked; }

say install
# A machine without systemd or the right libc is told so by dpkg; here only the package is tried.
dpkg --force-depends -i "$1" >/said 2>&1 || { cat /said; exit 1; }
grep -q 'stonechat init' /said
[ "$(stonechat --version)" = "stonechat $3" ]
[ "$(stat -c '%U:%G %a' /var/lib/stonechat)" = 'stonechat:stonechat 750' ]
[ "$(stat -c '%U:%G %a' /etc/stonechat)" = 'root:root 755' ]
[ "$(getent passwd stonechat | cut -d : -f 7)" = /usr/sbin/nologin ]
getent group dialout >/dev/null
asked daemon-reload
if asked start; then say 'started without a configuration'; exit 1; fi
number=$(id -u stonechat)

say use
stonechat init /etc/stonechat >/dev/null
printf 'the record' >/var/lib/stonechat/ledger.db
chown stonechat: /var/lib/stonechat/ledger.db
# Left by one of root's commands: the next boot gives it to the daemon.
: >/var/lib/stonechat/ledger.db-wal
chmod 644 /etc/stonechat/keys.toml
systemd-tmpfiles --create stonechat.conf
[ "$(stat -c %U /var/lib/stonechat/ledger.db-wal)" = stonechat ]
[ "$(stat -c '%U %a' /etc/stonechat/keys.toml)" = 'root 600' ]
sed -i 's/HT000417/HT000999/' /etc/udev/rules.d/60-stonechat.rules
sha256sum /etc/stonechat/* /var/lib/stonechat/ledger.db /etc/udev/rules.d/60-stonechat.rules >/kept
keeps() { sha256sum --quiet -c /kept; }

say upgrade
rm /asked
dpkg --force-depends -i "$2" >/said 2>&1 || { cat /said; exit 1; }
asked 'try-restart stonechat.service'
if asked '^stop' || asked '^disable'; then say 'an upgrade stopped it'; exit 1; fi
if grep -q 'stonechat init' /said; then say 'printed what to do first, again'; exit 1; fi
keeps

say remove
rm /asked
dpkg --force-depends -r stonechat >/said 2>&1
asked 'stop stonechat.service'
asked 'disable --quiet stonechat.service'
keeps
[ ! -e /usr/bin/stonechat ] && [ ! -e /usr/lib/systemd/system/stonechat.service ]

say purge
dpkg --force-depends -P stonechat >/said 2>&1 </dev/null
grep -q '/var/lib/stonechat is kept' /said
grep -q '/etc/stonechat is kept' /said
# Of what dpkg put in place nothing is left, and that includes the rules.
[ ! -e /etc/udev/rules.d/60-stonechat.rules ]
grep -v 60-stonechat.rules /kept >/kept-too
sha256sum --quiet -c /kept-too

say 'install again'
dpkg --force-depends -i "$2" >/said 2>&1 || { cat /said; exit 1; }
sha256sum --quiet -c /kept-too
[ "$(id -u stonechat)" = "$number" ]
[ "$(stat -c %U /var/lib/stonechat/ledger.db)" = stonechat ]
if grep -q 'stonechat init' /said; then say 'printed what to do first, on a site that is set up'; exit 1; fi
say done
"#;

#[test]
fn it_installs_upgrades_and_goes_and_the_ledger_and_the_keys_stay() {
    if !is_root() || !["unshare", "mount", "chroot"].iter().all(|tool| has(tool)) {
        eprintln!("skipped: only root can try a package in a root of its own");
        return;
    }
    let Some(package) = package() else { return };
    let dir = tempfile::tempdir().unwrap();
    newer(package, dir.path());
    std::fs::write(dir.path().join("story"), STORY).unwrap();
    std::fs::create_dir(dir.path().join("layer")).unwrap();
    let layered = r#"set -e
        mount -t tmpfs none "$1/layer"
        mkdir "$1/layer/upper" "$1/layer/work" "$1/layer/root"
        mount -t overlay none -o "lowerdir=/,upperdir=$1/layer/upper,workdir=$1/layer/work" "$1/layer/root" || exit 99
        mount -t proc none "$1/layer/root/proc"
        mount --bind /dev "$1/layer/root/dev"
        cp "$2" "$1/layer/root/first.deb"
        cp "$1/newer.deb" "$1/layer/root/newer.deb"
        cp "$1/story" "$1/layer/root/story"
        exec chroot "$1/layer/root" /bin/sh /story /first.deb /newer.deb "$3""#;
    let output = Command::new("unshare")
        .args(["--mount", "--propagation", "private", "--fork", "--pid", "sh", "-c", layered, "sh"])
        .arg(dir.path())
        .arg(package)
        .arg(env!("CARGO_PKG_VERSION"))
        .output()
        .unwrap();
    if output.status.code() == Some(99) {
        eprintln!("skipped: this machine lays no file system over another");
        return;
    }
    let said =
        String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success() && said.contains("story: done"), "{}\n{said}", output.status);
}

fn plan() -> FieldPlan {
    FieldPlan::harrow_tarn(5, 6, stonechat::sim::TrueTime(1_780_000_000), 2).with_faults(FaultRates::none())
}

/// Starts the daemon by other programs, feeds it a field, reloads and stops it, and gives what it said.
fn through_a_field(before: impl Fn(&Site) -> Vec<String>) -> Option<(Site, String)> {
    let plan = plan();
    let (site, mut pty) = Site::with_pty(&plan, 0.2, "settle_rows = 100");
    let words = before(&site);
    let mut daemon = site.start_with(|command| {
        let mut wrapped = Command::new(&words[0]);
        wrapped.args(&words[1..]).arg(command.get_program()).args(command.get_args());
        wrapped.stdin(Stdio::null()).stdout(Stdio::null());
        wrapped.stderr(File::create(site.path("daemon.log")).unwrap());
        *command = wrapped;
    });
    // The state file names the daemon's own process; other programs come before it in the list.
    let state = |wanted: &dyn Fn(&stonechat::state::DaemonState) -> bool,
                 daemon: &mut crate::util::daemon::Daemon| {
        let give_up = std::time::Instant::now() + crate::util::daemon::PATIENCE;
        loop {
            let found = stonechat::state::DaemonState::read(&site.path("run"));
            if let Some(found) = found.filter(|state| wanted(state)) {
                return found;
            }
            let ended = daemon.child.try_wait().unwrap();
            assert!(ended.is_none(), "it ended: {ended:?}\n{}", daemon.log());
            assert!(std::time::Instant::now() < give_up, "{}", daemon.log());
            std::thread::sleep(std::time::Duration::from_millis(5));
        }
    };
    state(&|state| state.radios.iter().all(|radio| radio.up), &mut daemon);
    let run = Field::new(plan.clone()).run_out();
    pty.write_within(&run.line(), crate::util::daemon::PATIENCE).unwrap();
    let frames = run.tally.frames();
    let found = state(
        &|state| {
            state.frames_in >= frames
                && state.outcomes.values().sum::<u64>() >= frames
                && state.unsettled_rows < 100
        },
        &mut daemon,
    );
    assert_eq!(found.outcomes["stored"], run.tally.stored);
    let process = rustix::process::Pid::from_raw(i32::try_from(found.pid).unwrap()).unwrap();
    rustix::process::kill_process(process, rustix::process::Signal::HUP).unwrap();
    rustix::process::kill_process(process, rustix::process::Signal::TERM).unwrap();
    assert!(daemon.wait_end().success(), "{}", daemon.log());
    verified(&site.ledger());
    let log = daemon.log();
    drop(daemon);
    Some((site, log))
}

/// The unit's surroundings as far as they can be made without systemd: no network, everything read-only but two folders,
/// nothing to execute but the binary and the libraries, another user with the port's group, no capability, no new
/// rights, the keyring handed in with the modes that systemd gives it.
#[test]
fn the_daemon_works_with_what_the_unit_leaves_it() {
    if !is_root() || !["unshare", "mount", "setpriv"].iter().all(|tool| has(tool)) {
        eprintln!("skipped: only root can take so much away");
        return;
    }
    const AROUND: &str = r#"set -e
        site=$1; binary=$2; shift 2
        mkdir -p "$site/state" "$site/run" "$site/credentials"
        mv "$site/keys.toml" "$site/credentials/keys.toml"
        chown 0:65534 "$site/credentials" "$site/credentials/keys.toml"
        chmod 0750 "$site/credentials"; chmod 0440 "$site/credentials/keys.toml"
        chmod 0755 "$site"; chmod a+r "$site"/*.toml
        chown 65534:65534 "$site/state" "$site/run"
        # The port as udev leaves it: its group may use it, nobody else.
        chgrp dialout "$(readlink -f "$site/radio")"; chmod 0660 "$(readlink -f "$site/radio")"
        # What stays writable, and what may be executed, are mounts of their own; then the rest is closed.
        for each in "$site/state" "$site/run" "$binary" /usr/lib "$(command -v setpriv)"; do mount --bind "$each" "$each"; done
        for each in "$binary" /usr/lib; do mount -o remount,bind,ro,nosuid "$each"; done
        mount -o remount,bind,ro,noexec,nosuid /
        export CREDENTIALS_DIRECTORY="$site/credentials" STONECHAT_LOG=debug
        exec setpriv --reuid 65534 --regid 65534 --groups dialout --inh-caps=-all --bounding-set=-all --no-new-privs "$@""#;
    let (site, log) = through_a_field(|site| {
        let path = site.path("site.toml");
        let text = std::fs::read_to_string(&path).unwrap();
        std::fs::write(&path, text.replace("path = \"ledger.db\"", "path = \"state/ledger.db\"")).unwrap();
        std::os::unix::fs::symlink("state/ledger.db", site.ledger()).unwrap();
        let site_dir = site.dir.path().to_str().unwrap().to_owned();
        [
            "unshare",
            "--mount",
            "--net",
            "--propagation",
            "private",
            "sh",
            "-c",
            AROUND,
            "sh",
            &site_dir,
            BINARY,
        ]
        .map(str::to_owned)
        .to_vec()
    })
    .unwrap();
    assert!(!log.contains("ERROR"), "{log}");
    assert!(site.path("state/ledger.db").exists());
}

/// Calls of a group of systemd's, as it resolves them itself.
fn calls_of(group: &str) -> BTreeSet<String> {
    let text = succeeds(Command::new("systemd-analyze").args(["syscall-filter", "--no-pager", group]));
    let mut found = BTreeSet::new();
    for line in text.lines().skip(1).map(str::trim).filter(|line| !line.starts_with('#')) {
        if line.starts_with('@') {
            found.extend(calls_of(line));
        } else {
            found.insert(line.to_owned());
        }
    }
    found
}

/// Intake, commits, a settle, a reload and a stop, with every call written down.
#[test]
fn the_daemon_makes_no_call_that_the_unit_forbids_and_no_memory_that_can_be_written_and_run() {
    if !has("strace") || !has("systemd-analyze") {
        return;
    }
    let (site, _) = through_a_field(|site| {
        let trace = site.path("trace").to_str().unwrap().to_owned();
        ["strace", "-f", "-qq", "-s", "0", "-o", &trace].map(str::to_owned).to_vec()
    })
    .unwrap();
    let unit = read("deploy/stonechat.service");
    let mut allowed = BTreeSet::new();
    for line in unit.lines().filter_map(|line| line.strip_prefix("SystemCallFilter=")) {
        let (takes, groups) = line.strip_prefix('~').map_or((false, line), |groups| (true, groups));
        for call in groups.split(' ').flat_map(calls_of) {
            if takes {
                allowed.remove(&call)
            } else {
                allowed.insert(call)
            };
        }
    }
    assert!(allowed.len() > 150, "{}", allowed.len());
    let trace = std::fs::read_to_string(site.path("trace")).unwrap();
    let mut made = BTreeSet::new();
    for line in trace.lines() {
        // `812 read(3, …`; what goes on or ends a call, a signal and an exit have no such form.
        let rest = line.split_once(' ').map_or("", |(_, rest)| rest.trim_start());
        let name = rest.split('(').next().unwrap_or_default();
        if !name.is_empty()
            && name.len() < rest.len()
            && name.chars().all(|c| c.is_ascii_alphanumeric() || c == '_')
        {
            made.insert(name.to_owned());
        }
        let runs = line.contains("PROT_EXEC") && line.contains("PROT_WRITE");
        assert!(!runs, "MemoryDenyWriteExecute= forbids: {line}");
        assert!(!line.contains("socket(AF_INET"), "RestrictAddressFamilies= forbids: {line}");
    }
    assert!(made.contains("fdatasync") && made.contains("execve") && made.len() > 40, "{made:?}");
    if is_root() {
        // SQLite gives what root makes to the ledger's owner; the daemon's user is not asked to.
        made.remove("fchown");
    }
    let forbidden: Vec<_> = made.difference(&allowed).collect();
    println!("{} calls made, {} allowed", made.len(), allowed.len());
    assert!(forbidden.is_empty(), "{forbidden:?}");
}
