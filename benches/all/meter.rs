//! Bytes that reach a storage device: the kernel's count of sectors written, which no cache and no file system
//! hides from.
//!
//! As root, the bench replaces a memory card by a loop device with an ext4 file system (made in the data folder), so
//! that only its own writes count. Without root, it reads the counter of the disk under the data folder, which includes
//! all other writes of the machine; the notes say which it was. It also reads the bytes that the process itself dirtied
//! (`write_bytes` of `/proc/self/io`): the difference comes from the file system, mostly its journal.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// Size of the stand-in for a card; sparse.
const CARD: &str = "3G";

pub struct Meter {
    dir: PathBuf,
    device: String,
    card: bool,
}

impl Meter {
    pub fn new(data: &Path) -> Self {
        card(data).unwrap_or_else(|| {
            use std::os::unix::fs::MetadataExt;
            let device = std::fs::metadata(data).map(|meta| meta.dev()).unwrap_or(0);
            let (major, minor) = (rustix::fs::major(device), rustix::fs::minor(device));
            // A partition's counter is next to its disk's.
            let link = std::fs::read_link(format!("/sys/dev/block/{major}:{minor}")).unwrap_or_default();
            let device = link.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
            let dir = data.join("card");
            std::fs::create_dir_all(&dir).expect("a folder");
            Self { dir, device, card: false }
        })
    }

    /// Where to write what shall be measured.
    pub fn dir(&self) -> &Path {
        &self.dir
    }

    /// Bytes written to the device since it is there, everything that was pending included.
    pub fn written(&self) -> u64 {
        let dir = std::fs::File::open(&self.dir).expect("the folder is there");
        rustix::fs::syncfs(&dir).expect("a sync");
        let stat = format!("/sys/class/block/{}/stat", self.device);
        let text = std::fs::read_to_string(stat).unwrap_or_default();
        text.split_whitespace().nth(6).and_then(|sectors| sectors.parse::<u64>().ok()).unwrap_or(0) * 512
    }

    /// Bytes that this process has dirtied for any device.
    pub fn dirtied() -> u64 {
        let text = std::fs::read_to_string("/proc/self/io").unwrap_or_default();
        let line = text.lines().find_map(|line| line.strip_prefix("write_bytes: "));
        line.and_then(|bytes| bytes.parse().ok()).unwrap_or(0)
    }

    pub fn name(&self) -> String {
        let what = if self.card { "own ext4" } else { "disk shared with others" };
        format!("sectors written of {} ({what})", self.device)
    }

    /// Waits until the kernel's clock for files has moved on, as it has between two commits in life: else two
    /// syncs would look like one to the file system's journal.
    pub fn tick() {
        std::thread::sleep(std::time::Duration::from_millis(5));
    }
}

impl Drop for Meter {
    fn drop(&mut self) {
        if self.card {
            let _ = Command::new("umount").arg(&self.dir).status();
        }
    }
}

fn card(data: &Path) -> Option<Meter> {
    let image = data.join("card.img");
    let dir = data.join("card-mounted");
    std::fs::create_dir_all(&dir).ok()?;
    // Of a run that was killed.
    let _ = quiet(Command::new("umount").arg(&dir));
    let _ = std::fs::remove_file(&image);
    quiet(Command::new("truncate").args(["-s", CARD]).arg(&image))?;
    quiet(
        Command::new("mkfs.ext4").args(["-q", "-E", "lazy_itable_init=0,lazy_journal_init=0"]).arg(&image),
    )?;
    quiet(Command::new("mount").args(["-o", "loop,noatime"]).arg(&image).arg(&dir))?;
    let meter = |device: String| Meter { dir: dir.clone(), device, card: true };
    let output = Command::new("findmnt").args(["-n", "-o", "SOURCE"]).arg(&dir).output().ok()?;
    let device = String::from_utf8_lossy(&output.stdout).trim().strip_prefix("/dev/")?.to_owned();
    Some(meter(device))
}

fn quiet(command: &mut Command) -> Option<()> {
    let status = command.stdout(Stdio::null()).stderr(Stdio::null()).status().ok()?;
    status.success().then_some(())
}
