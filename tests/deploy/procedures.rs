//! The handbook's procedures, and those of troubleshooting, as people type them: in a root of its own the package is
//! installed, and every command of the pages runs in order, as root, as the service's user or as a technician, as its step
//! says. What people do by hand in between (edit a file, bring a stick, lose a disk) is in [`BETWEEN`].
//!
//! Not covered: systemd and udev themselves (`systemctl`, `journalctl` and `udevadm` are scripts here that start the daemon
//! as the unit does: its user, its groups, its folders, the keyring handed in), `apt` (dpkg installs), the questions of
//! `enrol` (tests/enrol.rs answers them), and a logger that is heard with its new key.

use crate::handbook::lines_set_in;
use crate::package::{newer, package};
use crate::util::daemon::{binary, is_root};
use crate::{has, read, succeeds};
use std::io::Write;
use std::net::TcpListener;
use std::process::Command;

/// A command of the page.
struct Step {
    section: String,
    /// The text of the step that it belongs to, from its number on.
    said: String,
    command: String,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Who {
    Root,
    Service,
    You,
}

impl Who {
    const LABELS: [(Self, &str); 3] =
        [(Self::Root, "**root**"), (Self::Service, "**the service's user**"), (Self::You, "**you**")];

    fn of(command: &str) -> Self {
        match command {
            _ if command.starts_with("sudo -u stonechat ") => Self::Service,
            _ if command.starts_with("sudo ") => Self::Root,
            _ => Self::You,
        }
    }
}

/// Every step: those of troubleshooting before the handbook's last section, which takes the program away.
fn steps() -> Vec<Step> {
    let mut all = steps_of("docs/handbook.md");
    let last = all.iter().position(|step| step.section == "Upgrade and remove").unwrap();
    all.splice(last..last, steps_of("docs/troubleshooting.md"));
    all
}

/// Every command of a page that is on a line of its own, in order.
fn steps_of(page: &str) -> Vec<Step> {
    let (mut section, mut said, mut found) = (String::new(), String::new(), Vec::new());
    let page = read(page);
    for (line, set_in) in page.lines().zip(lines_set_in(&page)) {
        let begins = line.split_once(". ").is_some_and(|(number, _)| number.parse::<u8>().is_ok());
        if let Some(title) = line.strip_prefix("## ").or(line.strip_prefix("# ")) {
            (section, said) = (title.to_owned(), String::new());
        } else if let Some(command) = set_in {
            if !command.starts_with("port = ") {
                found.push(Step {
                    section: section.clone(),
                    said: said.clone(),
                    command: command.to_owned(),
                });
            }
        } else {
            // A step's commands may be in several parts; a new step or paragraph begins anew.
            if begins || line.starts_with("**") {
                said.clear();
            }
            said += line;
            said += "\n";
        }
    }
    found
}

#[test]
fn each_step_says_as_whom_its_commands_run() {
    let steps = steps();
    assert!(steps.len() >= 80, "{}", steps.len());
    for Step { section, said, command } in &steps {
        let who = Who::of(command);
        let label = Who::LABELS.iter().find(|(of, _)| *of == who).unwrap().1;
        assert!(said.contains(label), "{section}: `{command}` runs as {label}, but its step says: {said}");
    }
}

/// What happens before a command: its section, how it begins, and what is done then, as root in a shell.
const BETWEEN: &[(&str, &str, &str)] = &[
    (
        "Install",
        "ls -l /dev/stonechat-radio",
        r#"sed -i "s|^port = .*|port = \"tcp://127.0.0.1:$port\"|" /etc/stonechat/site.toml
           cp /sim/loggers.toml /sim/keys.toml /etc/stonechat/
           chmod 0600 /etc/stonechat/keys.toml
           ln -s pts/0 /dev/stonechat-radio"#,
    ),
    (
        "Replace a logger",
        "sudo stonechat import --dry-run",
        "mkdir -p /media/stick; cp /sim/17.sealed /media/stick/",
    ),
    (
        "Take a logger out of service",
        "sudo stonechat check",
        r#"sed -i '/^address = 18$/a out_of_service_from = "2031-09-01T10:30:00-07:00"' /etc/stonechat/loggers.toml"#,
    ),
    (
        "Key change",
        "sudo stonechat check",
        r#"n=$((n + 1))
           case $n in
           1) printf '[[key]]\naddress = 17\nslot = 1\nhex = "%064d"\n' 17 >>/etc/stonechat/keys.toml ;;
           2) printf '[[key]]\naddress = 17\nslot = 0\nlast = { epoch = 1, sequence = 90000 }\n' >>/etc/stonechat/keys.toml ;;
           esac"#,
    ),
    ("Outage day", "stonechat import --dry-run --against", "cp /sim/*.sealed /media/stick/"),
    ("Card replacement", "sudo stonechat backup", "rm /media/stick/harrow-tarn-2026-05-04.db*"),
    (
        "Damaged ledger",
        "sudo -u stonechat stonechat salvage ledger.db.damaged",
        r#"systemctl stop stonechat
           wal=/var/lib/stonechat/ledger.db-wal
           truncate -s $(($(stat -c %s $wal) / 2)) $wal
           systemctl start stonechat
           damaged=$(cd /var/lib/stonechat; ls -d ledger.db.damaged-*Z)"#,
    ),
    ("Restore", "sudo stonechat restore --dry-run", "others_files; rm /var/lib/stonechat/ledger.db*"),
    ("Moving to a new gateway", "sudo stonechat backup", "rm /media/stick/harrow-tarn-2026-05-04.db*"),
    (
        "Moving to a new gateway",
        "sudo apt install",
        r#"at=$(date -u +%Y-%m-%dT%H:%M:%SZ)
           as technician "stonechat completeness --csv --now $at" >/complete-before
           dpkg --force-depends -P stonechat >/said 2>&1 </dev/null
           rm -r /etc/stonechat /var/lib/stonechat
           chmod 0644 /media/stick/stonechat/keys.toml"#,
    ),
    (
        "Wrong key?",
        "stonechat status",
        r#"cp -p /etc/stonechat/keys.toml /right
           sed -i 's/^hex = "./hex = "f/' /etc/stonechat/keys.toml
           if cmp -s /right /etc/stonechat/keys.toml; then echo 'the key is still right'; exit 1; fi
           systemctl restart stonechat"#,
    ),
    ("Wrong key?", "sudo stonechat check", "cp -p /right /etc/stonechat/keys.toml"),
    (
        "Upgrade and remove",
        "sudo stonechat backup",
        // Nothing was lost on the way.
        r#"as technician "stonechat completeness --csv --now $at" >/complete-after
           cmp /complete-before /complete-after
           others_files
           rm /media/stick/harrow-tarn-2026-05-04.db*"#,
    ),
    ("Upgrade and remove", "sudo apt remove", "as technician 'stonechat verify'"),
];

/// A ledger that was set aside, by the name that the page gives it.
const SET_ASIDE: &str = "ledger.db.damaged-20260504T120000Z";

/// Commands that do not end with 0, and why.
const OTHER_CODES: &[(&str, u8)] = &[
    // Something is missing.
    ("stonechat gaps --fail-if-open", 1),
];

/// What replaces the system: users, the service, its journal.
const AROUND: &str = r#"
set -eu
export PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin LC_ALL=C DEBIAN_FRONTEND=noninteractive PAGER=cat
export port=$1
mkdir -p /run/systemd/system /sim
useradd --create-home technician
tar -x -C /sim -f /sim.tar
cat >/usr/local/bin/systemctl <<'END'
#!/bin/sh
# The service as its unit runs it, without systemd.
set -eu
pid=$(cat /daemon.pid 2>/dev/null || true)
runs() { [ -n "$pid" ] && grep -q '^State:.[^Z]' "/proc/$pid/status" 2>/dev/null; }
stop() {
    runs || return 0
    kill -TERM "$pid"
    while runs; do sleep 0.05; done
}
start() {
    runs && return 0
    credentials=/run/credentials/stonechat.service
    rm -rf $credentials
    mkdir -p $credentials /run/stonechat
    install -m 0440 -g stonechat /etc/stonechat/keys.toml $credentials/
    chown root:stonechat $credentials; chmod 0750 $credentials
    chown stonechat:stonechat /run/stonechat; chmod 0750 /run/stonechat
    said=$(wc -l </journal)
    (
        umask 0027
        cd /
        exec env -i PATH="$PATH" CREDENTIALS_DIRECTORY=$credentials RUNTIME_DIRECTORY=/run/stonechat \
            setpriv --reuid stonechat --regid stonechat --groups stonechat,dialout --bounding-set=-all --no-new-privs \
            /usr/bin/stonechat run >>/journal 2>&1 </dev/null
    ) &
    pid=$!
    echo $pid >/daemon.pid
    # It says so when the ledger is open.
    until tail -n +$((said + 1)) /journal | grep -q ' started '; do
        runs || { cat /journal; exit 1; }
        sleep 0.05
    done
}
case $* in
'enable --now stonechat' | 'start stonechat') start ;;
'disable --now stonechat' | 'stop stonechat' | 'stop stonechat.service') stop ;;
'restart stonechat') stop; start ;;
'try-restart stonechat.service') if runs; then stop; start; fi ;;
'reload stonechat') runs; kill -HUP "$pid" ;;
'status stonechat') runs ;;
daemon-reload | 'disable --quiet stonechat.service') ;;
*) echo "systemctl: $*" >&2; exit 1 ;;
esac
END
# The journal of a service is for root, and for members of groups that a technician need not be in.
printf '#!/bin/sh\n[ "$(id -u)" = 0 ] && cat /journal\n' >/usr/local/bin/journalctl
printf '#!/bin/sh\n' >/usr/local/bin/udevadm
cat >/usr/local/bin/apt <<'END'
#!/bin/sh
set -eu
case $* in
'install ./stonechat_0.1.0_'*) dpkg --force-depends -i /first.deb ;;
'install ./stonechat_0.2.0_'*) dpkg --force-depends -i /newer.deb ;;
'remove stonechat') dpkg --force-depends -r stonechat ;;
*) echo "apt: $*" >&2; exit 1 ;;
esac
END
chmod 755 /usr/local/bin/*
touch /journal

# Runs a line as a user, in that person's own folder; on a terminal, where a key may be shown.
as() {
    [ "$1" = root ] || set -- "$1" "$2" setpriv --reuid "$1" --regid "$1" --init-groups
    line=$2; user=$1; shift 2
    cd /home/technician 2>/dev/null || cd /
    case $line in
    'stonechat key new' | 'stonechat key derive '*) script -qec "$line" /dev/null </dev/null ;;
    *) "$@" sh -c "$line" </dev/null ;;
    esac
}
# The daemon could not write what belongs to another user.
others_files() {
    others=$(find /var/lib/stonechat ! -user stonechat)
    [ -z "$others" ] || { echo "not the daemon's: $others"; exit 1; }
}
# step CODE USER SECTION LINE
step() {
    echo "== $3, as $2: $4"
    code=0
    as "$2" "$4" >/said 2>&1 || code=$?
    [ "$code" = "$1" ] || { echo "ended with $code, not $1:"; cat /said; echo '-- journal:'; tail -n 30 /journal; exit 1; }
}
n=0
"#;

/// A word that the shell takes as it is.
fn quoted(text: &str) -> String {
    format!("'{}'", text.replace('\'', r"'\''"))
}

/// The script that follows the page.
fn script() -> String {
    let mut script = AROUND.to_owned();
    let mut met = vec![false; BETWEEN.len()];
    for Step { section, command, .. } in steps() {
        for (index, (of, begins, what)) in BETWEEN.iter().enumerate() {
            if *of == section && command.starts_with(begins) && (!met[index] || section == "Key change") {
                met[index] = true;
                script += &format!("{what}\n");
            }
        }
        // Its questions need answers.
        if command == "sudo stonechat enrol" {
            continue;
        }
        let (user, line) = match Who::of(&command) {
            Who::Root => ("root", command.trim_start_matches("sudo ")),
            Who::Service => ("stonechat", command.trim_start_matches("sudo -u stonechat ")),
            Who::You => ("technician", command.as_str()),
        };
        let code = OTHER_CODES.iter().find(|(other, _)| *other == command).map_or(0, |(_, code)| *code);
        // The name of the ledger that was set aside has the present date.
        let line = quoted(&line.replace(" NAME", " technician")).replace(SET_ASIDE, "'\"$damaged\"'");
        script += &format!("step {code} {user} {} {line}\n", quoted(&section));
    }
    let missed: Vec<_> =
        BETWEEN.iter().zip(met).filter(|(_, met)| !met).map(|(between, _)| between).collect();
    assert!(missed.is_empty(), "the page has no such commands: {missed:?}");
    script + "echo 'the page is done'\n"
}

/// Sends the line to everyone who connects, and keeps the connection, as a radio behind a device server does.
fn radio(line: Vec<u8>) -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    std::thread::spawn(move || {
        let mut kept = Vec::new();
        for stream in listener.incoming() {
            let Ok(mut stream) = stream else { continue };
            // `check` connects too, and does not wait for the end.
            if stream.write_all(&line).is_ok() {
                kept.push(stream);
            }
        }
    });
    port
}

#[test]
fn the_handbooks_procedures_can_be_followed_from_installing_to_removing() {
    let tools = ["unshare", "mount", "chroot", "setpriv", "script", "useradd", "tar"];
    if !is_root() || !tools.iter().all(|tool| has(tool)) {
        eprintln!("skipped: only root can try procedures in a root of its own");
        return;
    }
    let Some(package) = package() else { return };
    let dir = tempfile::tempdir().unwrap();
    let path = |name: &str| dir.path().join(name);
    newer(package, dir.path());
    let simulate = ["simulate", "--days", "2", "--loggers", "9", "--dir"];
    succeeds(binary().args(simulate).arg(path("sim")).arg("--to").arg(path("line")));
    succeeds(
        Command::new("tar").arg("-c").arg("-f").arg(path("sim.tar")).arg("-C").arg(path("sim")).arg("."),
    );
    let port = radio(std::fs::read(path("line")).unwrap());
    std::fs::write(path("story"), script()).unwrap();
    std::fs::create_dir(path("layer")).unwrap();
    let layered = r#"set -e
        mount -t tmpfs none "$1/layer"
        root=$1/layer/root
        mkdir "$1/layer/upper" "$1/layer/work" "$root"
        mount -t overlay none -o "lowerdir=/,upperdir=$1/layer/upper,workdir=$1/layer/work" "$root" || exit 99
        mount -t proc none "$root/proc"
        mount -t tmpfs none "$root/run"
        mount -t tmpfs none "$root/media"
        # Devices of its own, so that a port's name can be given without a trace.
        mount -t tmpfs none "$root/dev"
        for each in null zero full random urandom tty; do
            : >"$root/dev/$each"; mount --bind "/dev/$each" "$root/dev/$each"
        done
        mkdir "$root/dev/pts"; ln -s pts/ptmx "$root/dev/ptmx"
        mount -t devpts -o newinstance,ptmxmode=0666 none "$root/dev/pts"
        cp "$2" "$root/first.deb"
        cp "$1/newer.deb" "$1/sim.tar" "$1/story" "$root/"
        exec chroot "$root" /bin/sh /story "$3""#;
    let output = Command::new("unshare")
        .args([
            "--mount",
            "--propagation",
            "private",
            "--fork",
            "--pid",
            "--kill-child",
            "sh",
            "-c",
            layered,
            "sh",
        ])
        .arg(dir.path())
        .arg(package)
        .arg(port.to_string())
        .output()
        .unwrap();
    if output.status.code() == Some(99) {
        eprintln!("skipped: this machine lays no file system over another");
        return;
    }
    let said =
        String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success() && said.contains("the page is done"), "{}\n{said}", output.status);
    println!("{said}");
}
