//! What a file is that is not imported, by its first bytes and its name: whether a person must look at it, because it may
//! hold readings, or whether it is one of the photographs and documents that are on every stick.
//!
//! Input: the beginning of a file. Output: a [`Leftover`]. In doubt, a file may hold readings. This is not the recognition of
//! downloads; `recognise` does that first.

use encoding_rs::{UTF_16BE, UTF_16LE};

/// What a file is from which nothing is imported. The order is that in which files are listed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Leftover {
    /// A person named it.
    Named,
    /// It cannot be read.
    Unreadable,
    /// It is empty, or has only zeros.
    Empty,
    /// It has the name of a sealed dump, and no frame.
    Sealed,
    Archive,
    /// Text in columns, with numbers.
    Table,
    Spreadsheet,
    Photograph,
    /// Sound or film.
    Recording,
    Document,
    Other,
}

impl Leftover {
    /// Whether it may hold readings, so that a person must look at it.
    pub fn needs_a_look(self) -> bool {
        self <= Self::Spreadsheet
    }
}

/// A file from which nothing is imported, and why.
#[derive(Clone, Debug, serde::Serialize)]
pub struct NotTaken {
    /// The file.
    #[serde(rename = "file")]
    pub name: String,
    /// A predicate: "is empty; …".
    pub why: String,
    /// Whether a person must look at it.
    pub is_mistake: bool,
    pub what: Leftover,
}

impl NotTaken {
    pub fn new(name: impl Into<String>, why: impl Into<String>, what: Leftover) -> Self {
        Self { name: name.into(), why: why.into(), is_mistake: what.needs_a_look(), what }
    }
}

/// The last part of a name, and the part after its last dot in lower case.
fn parts_of(name: &str) -> (&str, String) {
    let own = name.rsplit('/').next().unwrap_or(name);
    (own, own.rsplit_once('.').map_or(String::new(), |(_, extension)| extension.to_ascii_lowercase()))
}

/// Whether a file has the name of a sealed dump.
pub(super) fn is_called_sealed(name: &str) -> bool {
    parts_of(name).1 == "sealed"
}

/// Whether a file has a name that systems give to their own files: those begin with a dot.
pub(super) fn is_hidden(name: &str) -> bool {
    parts_of(name).0.starts_with('.')
}

/// What a file is that is certainly no download, by its first bytes: a photograph, a document, a spreadsheet of an old kind.
///
/// Sources: ITU-T T.81, B.1.1.3 (JPEG); W3C PNG 3, 5.2; ISO/IEC 14496-12, 4.3 (`ftyp`); ISO 32000-2, 7.5.2 (PDF);
/// RFC 3533, 6 (Ogg); [MS-CFB] 2.2. From memory: GIF, TIFF, RIFF, ID3, FLAC.
pub(super) fn by_content(head: &[u8], name: &str) -> Option<Leftover> {
    let begins = |with: &[u8]| head.starts_with(with);
    let at = |from: usize, what: &[u8]| head.get(from..from + what.len()) == Some(what);
    let photograph = begins(b"\xff\xd8\xff")
        || begins(b"\x89PNG\r\n\x1a\n")
        || begins(b"GIF8")
        || begins(b"II*\0")
        || begins(b"MM\0*")
        || (begins(b"RIFF") && at(8, b"WEBP"))
        || (at(4, b"ftyp") && [&b"heic"[..], b"heix", b"mif1", b"avif"].iter().any(|brand| at(8, brand)));
    let recording = begins(b"RIFF") || at(4, b"ftyp") || begins(b"ID3") || begins(b"OggS") || begins(b"fLaC");
    let document = begins(b"%PDF-") || begins(b"{\\rtf");
    if photograph {
        Some(Leftover::Photograph)
    } else if recording {
        Some(Leftover::Recording)
    } else if begins(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1") {
        Some(if parts_of(name).1 == "xls" { Leftover::Spreadsheet } else { Leftover::Document })
    } else if document {
        Some(Leftover::Document)
    } else {
        None
    }
}

/// Whether the first bytes are text in columns with numbers, as readers write it.
pub(super) fn is_table(head: &[u8], name: &str) -> bool {
    match parts_of(name).1.as_str() {
        "csv" | "tsv" => true,
        // The site's own files have lists of numbers, and no reader writes such files.
        "toml" | "json" => false,
        _ => has_rows(&text_of(head)),
    }
}

/// The first bytes as text, whatever they are.
fn text_of(head: &[u8]) -> String {
    match encoding_rs::Encoding::for_bom(head) {
        Some((encoding, _)) if encoding == UTF_16LE || encoding == UTF_16BE => {
            encoding.decode(head).0.into_owned()
        }
        _ => String::from_utf8_lossy(head).into_owned(),
    }
}

/// Rows in a sequence that make a table.
const ROWS_MIN: usize = 3;
/// How many lines are looked at.
const LINES_MAX: usize = 400;

/// Whether some lines, one after the other, have the same number of cells, and two or more numbers each. A time is a number.
fn has_rows(text: &str) -> bool {
    let is_number = |cell: &str| {
        let cell = cell.trim().trim_matches(['"', '\'']);
        cell.trim_start_matches(['+', '-', '−', '<', '>']).starts_with(|c: char| c.is_ascii_digit())
    };
    let shape = |line: &str, by: Option<char>| -> Option<usize> {
        let cells: Vec<&str> = match by {
            Some(by) => line.split(by).collect(),
            None => line.split_whitespace().collect(),
        };
        let least = if by.is_some() { 2 } else { 3 };
        let numbers = cells.iter().filter(|cell| is_number(cell)).count();
        (cells.len() >= least && numbers >= 2).then_some(cells.len())
    };
    [Some(','), Some(';'), Some('\t'), Some('|'), None].into_iter().any(|by| {
        let (mut run, mut cells) = (0, None);
        text.split(['\n', '\r']).filter(|line| !line.trim().is_empty()).take(LINES_MAX).any(|line| {
            let found = shape(line, by);
            run = match found {
                None => 0,
                Some(_) if found == cells => run + 1,
                Some(_) => 1,
            };
            cells = found;
            run >= ROWS_MIN
        })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_of_readers_are_tables_and_what_people_write_is_not() {
        for table in [
            "Station 4\nDate;Clock;Frequency\n20.11.2026;00:34;2951,9\n20.11.2026;00:49;2951,9\n20.11.2026;01:04;2952,0\n",
            "2026-11-20 00:34  2951.9  7291\n2026-11-20 00:49  2951.9  7291\n2026-11-20 01:04  2952.0  7291\n",
            "\"1\",\"2951.9\"\n\"2\",\"2951.9\"\n\"3\",\"2951.9\"\n",
            "1\t-2.5\r2\t-2.6\r3\t-2.7\r",
        ] {
            assert!(is_table(table.as_bytes(), "stick/readings.txt"), "{table}");
        }
        let wide: Vec<u8> = std::iter::once(0xfeff)
            .chain("1;2\n3;4\n5;6\n".encode_utf16())
            .flat_map(u16::to_le_bytes)
            .collect();
        assert!(is_table(&wide, "readings.txt"));
        for text in [
            "gate open at ten\nclosed at 11, with A. Surveyor\n",
            "# a layout\nskip_before = 1\nskip_after = 1\nresolution = 60\nchannel = 0\n",
            "1. Go to P-17.\n2. Open the lid.\n3. Copy the memory.\n",
            "",
        ] {
            assert!(!is_table(text.as_bytes(), "stick/notes.txt"), "{text}");
        }
        assert!(is_table(b"", "P-17.CSV"));
    }
}
