//! Serial ports: opened exclusively for this process, raw, eight bits, no parity, one stop bit, no flow
//! control.
//!
//! Input: path, rate and modem lines of the configuration. Output: a port to poll and read for `reader`, or a
//! reason that the operator can act on.
//!
//! The `serialport` crate sets the port up (any rate, modem lines, both locks). Its own read is not used: it
//! gives up on a hang-up without reading the remaining bytes, and can't be woken when the daemon ends. So the
//! port is opened twice: first by this code, because `serialport` then locks the port against further opening.

use rustix::fs::{FileType, Mode, OFlags, Stat};
use rustix::io::Errno;
use serialport::{DataBits, ErrorKind, FlowControl, Parity, SerialPort, StopBits, TTYPort};
use std::io;
use std::os::fd::{AsFd, BorrowedFd, OwnedFd};
use std::path::Path;

/// An open port. Dropping it frees the port for others.
#[derive(Debug)]
pub struct Serial {
    /// The descriptor that is polled and read; does not block.
    reading: OwnedFd,
    /// Holds the locks.
    locked: TTYPort,
}

impl Serial {
    /// Whether the port has not yet passed on all that was written to it. If the port does not say, no.
    pub fn has_unsent(&self) -> bool {
        self.locked.bytes_to_write().is_ok_and(|bytes| bytes > 0)
    }
}

impl AsFd for Serial {
    fn as_fd(&self) -> BorrowedFd<'_> {
        self.reading.as_fd()
    }
}

/// Opens the terminal at `path` at `baud` bits a second and sets those modem lines that are given.
///
/// A modem line that is not given is not changed (Linux raises both when a port is opened). Errors: the reason,
/// for the operator. A line that is given and can't be set is an error.
pub fn open(path: &Path, baud: u32, dtr: Option<bool>, rts: Option<bool>) -> Result<Serial, String> {
    let name = path.display();
    let Some(utf8_path) = path.to_str() else {
        return Err(format!("{name}: the path of a serial port must be UTF-8"));
    };
    let found = rustix::fs::stat(path).map_err(|errno| match errno {
        Errno::NOENT => format!("{name} does not exist (unplugged?)"),
        _ => format!("{name}: {}", io::Error::from(errno)),
    })?;
    // Checked before it is opened: opening a file that is not a terminal may have effects.
    if !FileType::from_raw_mode(found.st_mode).is_char_device() {
        return Err(not_a_terminal(path));
    }
    let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::NONBLOCK | OFlags::CLOEXEC;
    let reading =
        rustix::fs::open(path, flags, Mode::empty()).map_err(|errno| why_not_opened(path, errno, &found))?;
    if !rustix::termios::isatty(&reading) {
        return Err(not_a_terminal(path));
    }
    let mut locked = serialport::new(utf8_path, baud)
        .data_bits(DataBits::Eight)
        .parity(Parity::None)
        .stop_bits(StopBits::One)
        .flow_control(FlowControl::None)
        .open_native()
        .map_err(|error| match error.kind {
            // Its result for EBUSY and for a lock that is held; the rest of its kinds are set by then.
            ErrorKind::NoDevice => busy(path),
            _ => format!("{name}: cannot be set to {baud} baud, raw: {}", error.description),
        })?;
    // Not with the builder's `dtr_on_open`, which ignores the error.
    let mut set =
        |line: &str, level: Option<bool>, write: fn(&mut TTYPort, bool) -> serialport::Result<()>| {
            let Some(level) = level else { return Ok(()) };
            write(&mut locked, level).map_err(|error| {
            format!(
                "{name}: cannot set the modem line {line}: {}; a port without that line needs no `{}` in its \
                 configuration",
                error.description,
                line.to_lowercase()
            )
        })
        };
    set("DTR", dtr, TTYPort::write_data_terminal_ready)?;
    set("RTS", rts, TTYPort::write_request_to_send)?;
    Ok(Serial { reading, locked })
}

fn not_a_terminal(path: &Path) -> String {
    format!("{} is not a serial port (not a terminal)", path.display())
}

fn busy(path: &Path) -> String {
    format!("{}: another process holds it", path.display())
}

fn why_not_opened(path: &Path, errno: Errno, found: &Stat) -> String {
    let name = path.display();
    match errno {
        Errno::BUSY => busy(path),
        Errno::ACCESS if found.st_mode & 0o060 == 0o060 => {
            let gid = found.st_gid;
            let groups = groups_of_system().unwrap_or_default();
            let group = group_name(&groups, gid).map_or(format!("{gid}"), |group| format!("`{group}`"));
            format!("{name}: permission denied; add the user that runs this to the group {group}")
        }
        Errno::ACCESS => {
            format!("{name}: permission denied; only its owner may use it, which a udev rule can change")
        }
        // The result of a unit's DeviceAllow=: the file's mode would allow access.
        Errno::PERM => format!("{name}: not permitted; does DeviceAllow= of the service name it?"),
        _ => format!("{name}: {}", io::Error::from(errno)),
    }
}

/// The text of `/etc/group`; a longer list is not read to its end.
fn groups_of_system() -> Option<String> {
    const MOST_BYTES: usize = 4 << 20;
    let list = rustix::fs::open("/etc/group", OFlags::RDONLY | OFlags::CLOEXEC, Mode::empty()).ok()?;
    let (mut text, mut buffer) = (Vec::new(), [0; 4096]);
    while text.len() < MOST_BYTES {
        match rustix::io::retry_on_intr(|| rustix::io::read(&list, &mut buffer)).ok()? {
            0 => break,
            read => text.extend_from_slice(buffer.get(..read)?),
        }
    }
    String::from_utf8(text).ok()
}

/// The name of a group in the text of `/etc/group` (lines of `name:password:gid:members`).
fn group_name(groups: &str, gid: u32) -> Option<&str> {
    groups.lines().find_map(|line| {
        let mut fields = line.split(':');
        let name = fields.next()?;
        (fields.nth(1)?.parse() == Ok(gid)).then_some(name)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_group_is_found_by_its_number() {
        let groups = "root:x:0:\nbroken\ndialout:x:20:ann,bob\n";
        assert_eq!(group_name(groups, 20), Some("dialout"));
        assert_eq!(group_name(groups, 2), None);
    }

    #[test]
    fn what_is_not_a_terminal_is_told_as_such() {
        for path in ["/dev/null", "/etc"] {
            let reason = open(Path::new(path), 9600, None, None).unwrap_err();
            assert_eq!(reason, format!("{path} is not a serial port (not a terminal)"));
        }
    }
}
