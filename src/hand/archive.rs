//! Archives: the files in a zip archive or a gzip file, read where they are. Nothing is unpacked to the disk, so names in
//! an archive never become paths: they are only shown.
//!
//! Input: a file. Output: readers of its parts, bounded by what the archive says about them and by
//! [`UNPACKED_MAX_BYTES`]. Archives in archives and other kinds of archives are not read: they are only recognised, so
//! that a person learns what to do.

use crate::files::{self, OpenFile};
use flate2::read::MultiGzDecoder;
use std::cell::RefCell;
use std::io::{Error, ErrorKind, Read, Result};
use std::path::Path;
use std::rc::Rc;
use zip::ZipArchive;
use zip::result::ZipError;

/// The most bytes that one archive may unpack to: as much as one import can take. What is made to unpack to more is no
/// download.
pub(super) const UNPACKED_MAX_BYTES: u64 = 4 << 30;
/// The most files of one archive, as many as of one call.
const PARTS_MAX: usize = 20_000;

/// A kind of archive.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum ArchiveKind {
    Zip,
    Gzip,
    /// One that is not read, by its usual name.
    Other(&'static str),
}

/// The kind of archive that begins like this.
///
/// Sources: PKWARE APPNOTE 6.3.10, 4.3.7 and 4.3.16 (zip); RFC 1952, 2.3.1 (gzip); RFC 8878, 3.1.1 (zstd); POSIX.1-2017,
/// pax, "ustar Interchange Format" (tar). From memory: 7z, rar, xz, bzip2.
pub(super) fn kind(head: &[u8]) -> Option<ArchiveKind> {
    let begins = |with: &[u8]| head.starts_with(with);
    if begins(b"PK\x03\x04") || begins(b"PK\x05\x06") {
        Some(ArchiveKind::Zip)
    } else if begins(b"\x1f\x8b\x08") {
        Some(ArchiveKind::Gzip)
    } else if begins(b"7z\xbc\xaf\x27\x1c") {
        Some(ArchiveKind::Other("7z"))
    } else if begins(b"Rar!\x1a\x07") {
        Some(ArchiveKind::Other("rar"))
    } else if begins(b"\xfd7zXZ\0") {
        Some(ArchiveKind::Other("xz"))
    } else if begins(b"BZh") && head.get(4..10) == Some(b"1AY&SY") {
        Some(ArchiveKind::Other("bzip2"))
    } else if begins(b"\x28\xb5\x2f\xfd") {
        Some(ArchiveKind::Other("zstd"))
    } else if head.get(257..262) == Some(b"ustar") {
        Some(ArchiveKind::Other("tar"))
    } else {
        None
    }
}

/// Opens a gzip file.
pub(super) fn gzip(path: &Path) -> Result<impl Read> {
    Ok(Bounded { inner: MultiGzDecoder::new(files::open(path)?), left: UNPACKED_MAX_BYTES })
}

/// An open zip archive, shared by its parts.
#[derive(Clone)]
pub(super) struct Zip(Rc<RefCell<ZipArchive<OpenFile>>>);

/// A file in a zip archive.
pub(super) struct Part {
    pub(super) number: usize,
    /// Its name, as the archive has it: it may be anything.
    pub(super) name: String,
    /// Its size, as the archive says.
    pub(super) size: u64,
    /// Why it cannot be read.
    pub(super) why_not: Option<String>,
}

/// What documents of office programs have in them: they are zip archives, too.
///
/// Sources: ISO/IEC 29500-2 (`[Content_Types].xml`), OASIS OpenDocument 1.3, part 2, 3.3 (`mimetype`).
const OFFICE: [&str; 2] = ["[Content_Types].xml", "mimetype"];
/// And those of them that are spreadsheets.
const SPREADSHEETS: [&str; 2] = ["xl/workbook.xml", "xl/workbook.bin"];

/// What a zip archive is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum ZipContent {
    Files,
    Spreadsheet,
    Document,
}

impl Zip {
    /// Opens an archive; the error says why it is not read.
    pub(super) fn open(path: &Path) -> std::result::Result<Self, String> {
        let file = files::open(path).map_err(|error| format!("cannot be opened: {error}"))?;
        let damaged = |error: ZipError| {
            format!("is a damaged zip archive ({error}); copy it again, or unpack it and name the folder")
        };
        let mut archive = ZipArchive::new(file).map_err(damaged)?;
        if archive.len() > PARTS_MAX {
            return Err(format!(
                "is an archive with more than {PARTS_MAX} files; unpack it, and name the folder"
            ));
        }
        if archive.has_overlapping_files().map_err(damaged)? {
            return Err("is a zip archive whose files overlap, which no usual program writes".to_owned());
        }
        Ok(Self(Rc::new(RefCell::new(archive))))
    }

    /// Whether it is really the document of an office program.
    pub(super) fn content(&self, name: &str) -> ZipContent {
        let archive = self.0.borrow();
        let has = |part: &&str| archive.index_for_name(part).is_some();
        let name = name.to_ascii_lowercase();
        if SPREADSHEETS.iter().any(has) || name.ends_with(".ods") {
            ZipContent::Spreadsheet
        } else if OFFICE.iter().any(has) {
            ZipContent::Document
        } else {
            ZipContent::Files
        }
    }

    /// Its files, without folders and links.
    pub(super) fn parts(&self) -> Vec<Part> {
        let mut archive = self.0.borrow_mut();
        let (mut parts, mut left) = (Vec::new(), UNPACKED_MAX_BYTES);
        for number in 0..archive.len() {
            let mut part = Part { number, name: format!("file {number}"), size: 0, why_not: None };
            match archive.by_index_raw(number) {
                Ok(found) if found.is_dir() || found.is_symlink() => continue,
                Ok(found) => {
                    part.size = found.size();
                    let name = found.name().map(|name| name.into_owned());
                    part.name =
                        name.unwrap_or_else(|_| String::from_utf8_lossy(found.name_raw()).into_owned());
                    if found.encrypted() {
                        part.why_not =
                            Some("is encrypted; unpack the archive, and name the folder".to_owned());
                    } else if part.size > left {
                        let most = UNPACKED_MAX_BYTES >> 30;
                        part.why_not = Some(format!(
                            "is beyond the {most} GiB to which an archive may unpack; unpack it, and name the folder"
                        ));
                    } else {
                        left -= part.size;
                    }
                }
                Err(error) => part.why_not = Some(cannot(&error)),
            }
            parts.push(part);
        }
        parts
    }

    /// Reads one of its files.
    pub(super) fn read<R>(&self, part: usize, take: impl FnOnce(&mut dyn Read) -> R) -> Result<R> {
        let mut archive = self.0.borrow_mut();
        let found =
            archive.by_index(part).map_err(|error| Error::new(ErrorKind::InvalidData, cannot(&error)))?;
        let left = found.size();
        Ok(take(&mut Bounded { inner: found, left }))
    }
}

fn cannot(error: &ZipError) -> String {
    match error {
        ZipError::CompressionMethodNotSupported(_) | ZipError::UnsupportedArchive(_) => {
            "is packed in a way that is not read here; unpack the archive, and name the folder".to_owned()
        }
        error => format!("cannot be unpacked ({error}); copy the archive again"),
    }
}

/// Ends with an error if there is more than there should be.
struct Bounded<R> {
    inner: R,
    left: u64,
}

impl<R: Read> Read for Bounded<R> {
    fn read(&mut self, out: &mut [u8]) -> Result<usize> {
        if out.is_empty() {
            return Ok(0);
        }
        if self.left == 0 {
            return match self.inner.read(&mut [0])? {
                0 => Ok(0),
                _ => Err(Error::new(ErrorKind::FileTooLarge, "it unpacks to more than it may")),
            };
        }
        let most = usize::try_from(self.left).unwrap_or(usize::MAX).min(out.len());
        let read = self.inner.read(&mut out[..most])?;
        self.left -= read as u64;
        Ok(read)
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn what_unpacks_to_more_than_it_may_ends_with_an_error_and_not_with_less() {
        let mut exact = Vec::new();
        Bounded { inner: &b"twelve bytes"[..], left: 12 }.read_to_end(&mut exact).unwrap();
        assert_eq!(exact, b"twelve bytes");
        let error = Bounded { inner: &b"twelve bytes"[..], left: 11 }.read_to_end(&mut Vec::new());
        assert_eq!(error.unwrap_err().kind(), ErrorKind::FileTooLarge);
    }
}
