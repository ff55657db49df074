//! The files of an import: folders are walked, archives are read in place, and each file is recognised by its content.
//!
//! The ledger's own files are never opened: closing one would drop the locks with which SQLite keeps this process and
//! the daemon apart (DEVELOPERS.md, "no second way to the ledger's files").

use super::archive::{self, ArchiveKind, Zip, ZipContent};
use super::leftover::{self, Leftover, NotTaken};
use crate::files;
use crate::hand::dump::holds_frames;
use crate::hand::recognise::{HEAD_BYTES, Looks, recognise};
use std::io::{Cursor, Read};
use std::path::{Path, PathBuf};

/// The most files of one call; more than this is probably a whole disk and not a stick.
const FILES_MAX: usize = 20_000;
/// The most archives with downloads of one call: each stays open until the end, and a process may have some 1,000 files.
const ARCHIVES_MAX: usize = 256;
/// The deepest folder that is searched.
const DEPTH_MAX: usize = 16;

/// One file that may be a download.
pub struct Input {
    /// As the person gave it, or below the folder or the archive that the person gave; control characters are escaped.
    pub name: String,
    pub looks: Looks,
    /// Its size in bytes, if known.
    pub size: Option<u64>,
    /// About how many bytes will be read of it; 0 if nothing is known.
    weight: u64,
    /// What it is if it turns out to be no download.
    pub otherwise: Leftover,
    source: Source,
}

enum Source {
    File(PathBuf),
    Gzip(PathBuf),
    /// A file in an archive, by its number.
    Zip(Zip, usize),
    /// Standard input, with its first bytes, which have already been read.
    Standard(Vec<u8>),
}

impl Source {
    fn read<R>(&self, take: impl FnOnce(&mut dyn Read) -> R) -> std::io::Result<R> {
        Ok(match self {
            Self::File(path) => take(&mut files::open(path)?),
            Self::Gzip(path) => take(&mut archive::gzip(path)?),
            Self::Zip(zip, part) => zip.read(*part, take)?,
            Self::Standard(head) => take(&mut Cursor::new(head.clone()).chain(std::io::stdin())),
        })
    }

    /// Whether it really is such an archive.
    fn opens_as(&self, kind: ArchiveKind) -> bool {
        match (kind, self) {
            (ArchiveKind::Zip, Self::File(path)) => Zip::open(path).is_ok(),
            (ArchiveKind::Gzip, Self::File(path)) => Self::Gzip(path.clone()).head().is_ok(),
            _ => true,
        }
    }

    /// About how many bytes a gzip file unpacks to: its own length does not say it.
    fn unpacked(&self) -> u64 {
        /// How many times smaller text of readings becomes.
        const USUAL: u64 = 6;
        match self {
            Self::Gzip(path) => files::length(path).unwrap_or(0).saturating_mul(USUAL),
            _ => 0,
        }
    }

    /// Its first bytes.
    fn head(&self) -> std::io::Result<Vec<u8>> {
        if let Self::Standard(head) = self {
            return Ok(head.clone());
        }
        self.read(|reader| {
            let mut head = Vec::new();
            reader.take(HEAD_BYTES as u64).read_to_end(&mut head).map(|_| head)
        })?
    }
}

impl Input {
    /// About how many bytes will be read of it; 0 if nothing is known.
    pub fn weight(&self) -> u64 {
        self.weight
    }

    /// Reads it from its beginning.
    pub fn read<R>(&self, take: impl FnOnce(&mut dyn Read) -> R) -> std::io::Result<R> {
        self.source.read(take)
    }

    /// Its first bytes.
    pub fn head(&self) -> std::io::Result<Vec<u8>> {
        self.source.head()
    }

    /// That it is not imported after all, and why.
    pub fn not_taken(&self, why: impl Into<String>) -> NotTaken {
        NotTaken::new(self.name.clone(), why, self.otherwise)
    }
}

/// The files to import, sealed dumps first.
pub struct Inputs {
    pub inputs: Vec<Input>,
    /// Files that are not downloads.
    pub not_taken: Vec<NotTaken>,
    by_layout: bool,
    archives: usize,
}

/// A file that a person wants to be examined, and its name as shown; any content is accepted.
pub fn one(path: &Path) -> Result<(Input, String), String> {
    let (name, size, source) = if path.as_os_str() == "-" {
        ("standard input".to_owned(), None, Source::Standard(Vec::new()))
    } else {
        let found = files::look(path).map_err(|error| format!("cannot be opened: {error}"))?;
        if let Some(what) = files::what_else(&found) {
            return Err(no_file(what));
        }
        (shown(&path.to_string_lossy()), Some(found.len()), Source::File(path.to_owned()))
    };
    let (looks, size, source) = match source {
        // If it cannot be read, the code that reads the whole file reports it.
        Source::File(path) => match head_of(&path) {
            Err(_) => (Looks::OtherText, size, Source::File(path)),
            Ok(head) => match archive::kind(&head) {
                Some(ArchiveKind::Gzip) => (Looks::OtherText, None, Source::Gzip(path)),
                Some(_) => return Err("is an archive; unpack it, and name one of its files".to_owned()),
                None => (recognise(&head), size, Source::File(path)),
            },
        },
        source => (Looks::OtherText, size, source),
    };
    let weight = size.unwrap_or_else(|| source.unpacked());
    Ok((Input { name: name.clone(), looks, size, weight, otherwise: Leftover::Named, source }, name))
}

fn no_file(what: &str) -> String {
    format!("is {what} and not a file; name a file, or pipe it in with `-`")
}

fn head_of(path: &Path) -> std::io::Result<Vec<u8>> {
    Source::File(path.to_owned()).head()
}

/// How a file is recognised. UTF-16 has a zero in every other byte, and a dump has some zeros too; an import by
/// layout may contain UTF-16.
fn looks_like(head: &[u8], by_layout: bool) -> Looks {
    match recognise(head) {
        Looks::Frames if by_layout && !holds_frames(head) => Looks::OtherText,
        looks => looks,
    }
}

/// Finds and recognises the files.
///
/// `by_layout`: text in another style is a download as well.
pub fn gather(paths: &[PathBuf], ledger: &Path, by_layout: bool) -> Inputs {
    let own = own_files(ledger);
    let mut all = Inputs { inputs: Vec::new(), not_taken: Vec::new(), by_layout, archives: 0 };
    let mut standard_is_read = false;
    for path in paths {
        if path.as_os_str() == "-" {
            // It can be read only once, and the first use reads it to its end.
            if !std::mem::replace(&mut standard_is_read, true) {
                standard(&mut all);
            }
        } else {
            walk(path, &own, 0, &mut all);
        }
    }
    // A CSV needs a sealed record of its epoch, so dumps come first. Within a kind, the given order is kept.
    all.inputs.sort_by_key(|input| matches!(input.looks, Looks::OwnCsv | Looks::OtherText));
    all.not_taken.sort_by_key(|file| file.what);
    all
}

/// (device, inode) of the ledger and of the files that belong to it.
fn own_files(ledger: &Path) -> Vec<(u64, u64)> {
    ["", "-wal", "-shm", ".lock"]
        .iter()
        .filter_map(|suffix| files::place(&files::with_tail(ledger, suffix)))
        .collect()
}

fn shown(name: &str) -> String {
    name.chars()
        .flat_map(
            |c| if crate::text::is_obeyed(c) { c.escape_default().collect::<Vec<_>>() } else { vec![c] },
        )
        .collect()
}

fn walk(path: &Path, own: &[(u64, u64)], depth: usize, all: &mut Inputs) {
    let name = shown(&path.to_string_lossy());
    // A file that is named is meant; a file found in a folder may be anything.
    let is_named = depth == 0;
    let or_named = |what: Leftover| if is_named { Leftover::Named } else { what };
    let mut refuse = |why: String, what: Leftover| {
        all.not_taken.push(NotTaken::new(name.clone(), why, what));
    };
    let found = match files::look(path) {
        Ok(found) => found,
        Err(error) => return refuse(format!("cannot be opened: {error}"), or_named(Leftover::Unreadable)),
    };
    if found.is_dir() {
        if depth > DEPTH_MAX {
            let why = format!("is more than {DEPTH_MAX} folders deep; name it directly");
            return refuse(why, Leftover::Unreadable);
        }
        let names = match files::list(path) {
            Ok(names) => names,
            Err(error) => {
                return refuse(format!("cannot be listed: {error}"), or_named(Leftover::Unreadable));
            }
        };
        let before = all.inputs.len();
        for name in &names {
            walk(name, own, depth + 1, all);
        }
        if is_named && all.inputs.len() == before {
            all.not_taken.push(NotTaken::new(name, "contains no download", Leftover::Named));
        }
        return;
    }
    if let Some(what) = files::what_else(&found) {
        return refuse(no_file(what), or_named(Leftover::Other));
    }
    if files::place(path).is_some_and(|place| own.contains(&place)) {
        return refuse(
            "belongs to the ledger itself and is not touched".to_owned(),
            or_named(Leftover::Other),
        );
    }
    let source = Source::File(path.to_owned());
    all.take(Found { name, size: Some(found.len()), is_named, is_in_archive: false, source });
}

/// A file before it is recognised.
struct Found {
    name: String,
    size: Option<u64>,
    is_named: bool,
    is_in_archive: bool,
    source: Source,
}

impl Inputs {
    /// Recognises a file, and takes it if it may be a download.
    fn take(&mut self, found: Found) {
        let Found { name, size, is_named, is_in_archive, source } = found;
        let or_named = |what: Leftover| if is_named { Leftover::Named } else { what };
        if self.inputs.len() >= FILES_MAX {
            let why = format!("comes after {FILES_MAX} other files; import fewer files at a time");
            return self.leave(name, why, or_named(Leftover::Unreadable));
        }
        let head = match source.head() {
            Ok(head) => head,
            Err(error) => {
                return self.leave(name, format!("cannot be read: {error}"), or_named(Leftover::Unreadable));
            }
        };
        let looks = looks_like(&head, self.by_layout);
        // A file that is stored in an archive as it is shows its frames there. A dump that is cut off may begin like an
        // archive, and cannot be opened as one.
        if let Some(kind) = archive::kind(&head)
            && (!holds_frames(&head) || source.opens_as(kind))
        {
            return self.archive(kind, Found { name, size, is_named, is_in_archive, source });
        }
        if looks != Looks::OwnCsv
            && !holds_frames(&head)
            && let Some((why, what)) = no_download(&head, &name, looks, is_named)
        {
            return self.leave(name, why, or_named(what));
        }
        let is_sealed = leftover::is_called_sealed(&name);
        let otherwise = match looks {
            Looks::OtherText if !self.by_layout && is_named => {
                return self.leave(name, other_text(), Leftover::Named);
            }
            Looks::OtherText if is_sealed && !is_named => {
                let why = "is text, and not a sealed dump; copy it from the reader again";
                return self.leave(name, why, Leftover::Sealed);
            }
            Looks::OtherText => {
                let is_table = leftover::is_table(&head, &name);
                let what = if is_table { Leftover::Table } else { Leftover::Document };
                if !self.by_layout {
                    let why = if is_table { other_text() } else { "is text without rows of numbers" };
                    return self.leave(name, why, what);
                }
                what
            }
            // In a folder, only a file that begins like a dump is one, or that has the name of one; a named file is
            // searched through.
            Looks::Frames if !is_named && !is_sealed && !holds_frames(&head) => {
                return self.leave(name, "is not a download", Leftover::Other);
            }
            Looks::Frames if is_sealed => Leftover::Sealed,
            Looks::OwnCsv | Looks::Frames | Looks::Empty => Leftover::Unreadable,
        };
        let weight = size.unwrap_or_else(|| source.unpacked());
        self.inputs.push(Input { name, looks, size, weight, otherwise: or_named(otherwise), source });
    }

    fn leave(&mut self, name: String, why: impl Into<String>, what: Leftover) {
        self.not_taken.push(NotTaken::new(name, why, what));
    }

    /// Looks into an archive.
    fn archive(&mut self, kind: ArchiveKind, found: Found) {
        let Found { name, is_named, is_in_archive, source, .. } = found;
        let what = if is_named { Leftover::Named } else { Leftover::Archive };
        let path = match (kind, source) {
            (ArchiveKind::Other(kind), _) if !is_in_archive => {
                let why =
                    format!("is a {kind} archive, which is not read here; unpack it, and name the folder");
                return self.leave(name, why, what);
            }
            (_, Source::File(path)) => path,
            _ => {
                let why = "is an archive in an archive; unpack the outer one, and name the folder";
                return self.leave(name, why, Leftover::Archive);
            }
        };
        if kind == ArchiveKind::Gzip {
            let source = Source::Gzip(path);
            return self.take(Found { name, size: None, is_named, is_in_archive: true, source });
        }
        let zip = match Zip::open(&path) {
            Ok(zip) => zip,
            Err(why) => return self.leave(name, why, what),
        };
        match zip.content(&name) {
            ZipContent::Files => {}
            ZipContent::Spreadsheet => {
                let what = if is_named { Leftover::Named } else { Leftover::Spreadsheet };
                return self.leave(name, SPREADSHEET, what);
            }
            ZipContent::Document => {
                let what = if is_named { Leftover::Named } else { Leftover::Document };
                return self.leave(name, "is a document", what);
            }
        }
        if self.archives >= ARCHIVES_MAX {
            let why = format!("comes after {ARCHIVES_MAX} other archives; import fewer at a time");
            return self.leave(name, why, what);
        }
        let before = self.inputs.len();
        for part in zip.parts() {
            let name = format!("{name}/{}", shown(&part.name));
            match part.why_not {
                Some(why) => self.leave(name, why, Leftover::Archive),
                None => {
                    let source = Source::Zip(zip.clone(), part.number);
                    let size = Some(part.size);
                    self.take(Found { name, size, is_named: false, is_in_archive: true, source });
                }
            }
        }
        self.archives += usize::from(self.inputs.len() > before);
        if is_named && self.inputs.len() == before {
            self.leave(name, "contains no download", Leftover::Named);
        }
    }
}

const SPREADSHEET: &str = "is a spreadsheet; if it has readings, copy them from the reader as CSV";

/// Why a file is certainly no download, and what it is.
fn no_download(head: &[u8], name: &str, looks: Looks, is_named: bool) -> Option<(&'static str, Leftover)> {
    // SQLite's file format, section 1.3.
    if head.starts_with(b"SQLite format 3\0") {
        let remedy = "is a database and not a download; to take over what a backup or a damaged ledger has, use \
                      `stonechat salvage`";
        return Some((remedy, Leftover::Other));
    }
    if looks == Looks::Empty {
        let is_system = leftover::is_hidden(name) && !is_named;
        let what = if is_system { Leftover::Other } else { Leftover::Empty };
        return Some(("is empty; copy it from the reader again", what));
    }
    if head.iter().all(|&byte| byte == 0) {
        let why = "contains only zeros: it was not copied to its end, or the stick is damaged; copy it from the reader \
                   again";
        return Some((why, Leftover::Empty));
    }
    // A named file is searched through, whatever it is.
    let what = leftover::by_content(head, name).filter(|_| !is_named)?;
    Some((if what == Leftover::Spreadsheet { SPREADSHEET } else { "is not a download" }, what))
}

fn other_text() -> &'static str {
    "is text, but not the gateway's own CSV (`logger,epoch,sequence,time,battery_mv,board_c,c0,…`); a CSV in another \
     style is read with --layout NAME, and --describe FILE prints a layout to start from"
}

fn standard(all: &mut Inputs) {
    let name = "standard input".to_owned();
    let mut head = Vec::new();
    let read = std::io::stdin().lock().take(HEAD_BYTES as u64).read_to_end(&mut head);
    let why = match (read, looks_like(&head, all.by_layout)) {
        (Err(error), _) => format!("cannot be read: {error}"),
        (Ok(_), Looks::Empty) => "is empty".to_owned(),
        (Ok(_), _) if archive::kind(&head).is_some() => {
            "is an archive; save it as a file, and name that".to_owned()
        }
        (Ok(_), Looks::OtherText) if !all.by_layout => other_text().to_owned(),
        (Ok(_), looks) => {
            let (otherwise, source) = (Leftover::Named, Source::Standard(head));
            all.inputs.push(Input { name, looks, size: None, weight: 0, otherwise, source });
            return;
        }
    };
    all.leave(name, why, Leftover::Named);
}
