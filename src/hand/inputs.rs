//! The files of an import: folders are walked, and each file is recognised by its content.
//!
//! The ledger's own files are never opened: closing one would drop the locks with which SQLite keeps this process and
//! the daemon apart (DEVELOPERS.md, "no second way to the ledger's files").

use crate::files;
use crate::hand::dump::holds_frames;
use crate::hand::recognise::{HEAD_BYTES, Looks, recognise};
use std::io::{Cursor, Read};
use std::path::{Path, PathBuf};

/// The most files of one call; more than this is probably a whole disk and not a stick.
const FILES_MAX: usize = 20_000;
/// The deepest folder that is searched.
const DEPTH_MAX: usize = 16;

/// One file that may be a download.
pub struct Input {
    /// As the person gave it, or below the folder that the person gave; control characters are escaped.
    pub name: String,
    pub looks: Looks,
    /// Its size in bytes, if known.
    pub size: Option<u64>,
    source: Source,
}

enum Source {
    File(PathBuf),
    /// Standard input, with its first bytes, which have already been read.
    Standard(Vec<u8>),
}

impl Input {
    /// Opens it at its beginning.
    pub fn open(&self) -> std::io::Result<Box<dyn Read>> {
        Ok(match &self.source {
            Source::File(path) => Box::new(files::open(path)?),
            Source::Standard(head) => Box::new(Cursor::new(head.clone()).chain(std::io::stdin())),
        })
    }
}

/// A file from which nothing is imported, and why.
#[derive(serde::Serialize)]
pub struct NotTaken {
    /// The file.
    #[serde(rename = "file")]
    pub name: String,
    pub why: String,
    /// Whether it is a mistake; otherwise it was found in a folder and is not a download.
    pub is_mistake: bool,
}

/// The files to import, sealed dumps first.
pub struct Inputs {
    pub inputs: Vec<Input>,
    /// Files that are not downloads.
    pub not_taken: Vec<NotTaken>,
    by_layout: bool,
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
        (shown(path), Some(found.len()), Source::File(path.to_owned()))
    };
    let looks = match &source {
        // If it cannot be read, the code that reads the whole file reports it.
        Source::File(path) => head_of(path).map_or(Looks::OtherText, |head| recognise(&head)),
        Source::Standard(_) => Looks::OtherText,
    };
    Ok((Input { name: name.clone(), looks, size, source }, name))
}

fn no_file(what: &str) -> String {
    format!("is {what} and not a file; name a file, or pipe it in with `-`")
}

fn head_of(path: &Path) -> std::io::Result<Vec<u8>> {
    let mut head = Vec::new();
    files::open(path)?.take(HEAD_BYTES as u64).read_to_end(&mut head)?;
    Ok(head)
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
    let mut all = Inputs { inputs: Vec::new(), not_taken: Vec::new(), by_layout };
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
    all
}

/// (device, inode) of the ledger and of the files that belong to it.
fn own_files(ledger: &Path) -> Vec<(u64, u64)> {
    ["", "-wal", "-shm", ".lock"]
        .iter()
        .filter_map(|suffix| files::place(&files::with_tail(ledger, suffix)))
        .collect()
}

fn shown(path: &Path) -> String {
    path.to_string_lossy()
        .chars()
        .flat_map(
            |c| if crate::text::is_obeyed(c) { c.escape_default().collect::<Vec<_>>() } else { vec![c] },
        )
        .collect()
}

fn walk(path: &Path, own: &[(u64, u64)], depth: usize, all: &mut Inputs) {
    let name = shown(path);
    // A file that is named is meant; a file found in a folder may be anything.
    let is_named = depth == 0;
    let mut refuse = |why: String, is_mistake: bool| {
        all.not_taken.push(NotTaken { name: name.clone(), why, is_mistake });
    };
    let found = match files::look(path) {
        Ok(found) => found,
        Err(error) => return refuse(format!("cannot be opened: {error}"), true),
    };
    if found.is_dir() {
        if depth > DEPTH_MAX {
            return refuse(format!("is more than {DEPTH_MAX} folders deep; name it directly"), true);
        }
        let names = match files::list(path) {
            Ok(names) => names,
            Err(error) => return refuse(format!("cannot be listed: {error}"), true),
        };
        let before = all.inputs.len();
        for name in &names {
            walk(name, own, depth + 1, all);
        }
        if is_named && all.inputs.len() == before {
            all.not_taken.push(NotTaken { name, why: "contains no download".to_owned(), is_mistake: true });
        }
        return;
    }
    if let Some(what) = files::what_else(&found) {
        return refuse(no_file(what), is_named);
    }
    if files::place(path).is_some_and(|place| own.contains(&place)) {
        return refuse("belongs to the ledger itself and is not touched".to_owned(), is_named);
    }
    if all.inputs.len() >= FILES_MAX {
        return refuse(format!("comes after {FILES_MAX} other files; import fewer files at a time"), true);
    }
    let head = match head_of(path) {
        Ok(head) => head,
        Err(error) => return refuse(format!("cannot be read: {error}"), true),
    };
    // SQLite's file format, section 1.3.
    if head.starts_with(b"SQLite format 3\0") {
        let remedy = "is a database and not a download; to take over what a backup or a damaged ledger has, use \
                      `stonechat salvage`";
        return refuse(remedy.to_owned(), is_named);
    }
    match looks_like(&head, all.by_layout) {
        Looks::Empty => refuse("is empty; copy it from the reader again".to_owned(), is_named),
        Looks::OtherText if !all.by_layout => refuse(other_text().to_owned(), is_named),
        // In a folder, only a file that begins like a dump is one; a named file is searched through.
        Looks::Frames if !is_named && !holds_frames(&head) => {
            refuse("is not a download".to_owned(), false);
        }
        looks => {
            let source = Source::File(path.to_owned());
            all.inputs.push(Input { name, looks, size: Some(found.len()), source });
        }
    }
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
        (Ok(_), Looks::OtherText) if !all.by_layout => other_text().to_owned(),
        (Ok(_), looks) => {
            all.inputs.push(Input { name, looks, size: None, source: Source::Standard(head) });
            return;
        }
    };
    all.not_taken.push(NotTaken { name, why, is_mistake: true });
}
