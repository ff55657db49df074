//! The formats in which a cell may be a time.
//!
//! Input: a cell. Output: every [`Format`] by which it is a day, a time of day, or both. Nothing is decided: `times` does
//! that, from what all rows say.

use crate::config::layout::Format;
use crate::hand::layout::{Moment, month, weekday, zone};

/// Cells that are longer are not times.
const LEN_MAX: usize = 48;
/// The most formats of one cell.
const FORMS_MAX: usize = 24;
/// Orders of year, month and day that are in use; `b` is a month's name, `j` the day of the year.
const ORDERS: [&str; 15] =
    ["", "Ymd", "dmY", "mdY", "dmy", "mdy", "ymd", "Ybd", "dbY", "bdY", "dby", "bdy", "Yj", "jY", "yj"];
/// Words between the parts of a time.
const FILLERS: [&str; 10] = ["uhr", "um", "at", "de", "del", "le", "of", "h", "th", "t"];

/// What has been read of a cell.
#[derive(Clone, Default)]
struct Reading {
    text: String,
    /// The parts of the day, in their order.
    order: String,
    /// The parts of the time of day: `H`, `M`, `S`, `f`.
    clock: String,
    /// The mark between hour and minute.
    mark: Option<u8>,
    has_weekday: bool,
    has_half: bool,
    has_zone: bool,
}

impl Reading {
    fn with(&self, piece: &str) -> Self {
        let mut next = self.clone();
        next.text.push_str(piece);
        next
    }

    /// With a part of the day.
    fn day(&self, part: char) -> Self {
        let mut next = self.with(&format!("%{part}"));
        next.order.push(part);
        next
    }

    /// With a part of the time of day.
    fn time(&self, part: char) -> Self {
        let mut next = self.with(&format!("%{part}"));
        next.clock.push(part);
        next
    }

    fn is_whole_day(&self) -> bool {
        ORDERS[1..].contains(&self.order.as_str())
    }

    /// Whether the parts of the day can still become a whole day.
    fn is_possible(&self) -> bool {
        ORDERS.iter().any(|order| order.starts_with(&self.order))
    }
}

/// Every format in which a cell is a time.
pub(super) fn forms(cell: &[u8]) -> Vec<Format> {
    let digits = cell.iter().filter(|byte| byte.is_ascii_digit()).count();
    if cell.len() > LEN_MAX || digits < 3 || digits == cell.len() && !matches!(digits, 8 | 12 | 14) {
        return Vec::new();
    }
    let mut found = Vec::new();
    go(cell, 0, &Reading::default(), &mut found);
    let mut all: Vec<Format> = Vec::new();
    for text in found {
        let plain = Format::parse(&text).ok().filter(|format| is_one(format, cell));
        let Some(format) = plain else { continue };
        // Another cell may have a fraction where this one has a whole second.
        let with_fraction = |mark: &str| Format::parse(&text.replace("%S", &format!("%S{mark}%f"))).ok();
        let more = if text.contains("%S") && !text.contains("%f") {
            [".", ","].map(with_fraction)
        } else {
            [None, None]
        };
        for format in [Some(format)].into_iter().chain(more).flatten() {
            if !all.contains(&format) && all.len() < FORMS_MAX {
                all.push(format);
            }
        }
    }
    all
}

/// Whether a cell has this format, and is a time by it.
pub(super) fn is_one(format: &Format, cell: &[u8]) -> bool {
    read(format, cell).is_some()
}

/// The parts of a cell by a format, if they are a time.
pub(super) fn read(format: &Format, cell: &[u8]) -> Option<Moment> {
    let mut moment = Moment::default();
    moment.read(format, cell).ok()?;
    moment.local().map(|_| moment)
}

fn go(cell: &[u8], at: usize, so_far: &Reading, found: &mut Vec<String>) {
    if found.len() >= FORMS_MAX {
        return;
    }
    let rest = &cell[at..];
    let Some(&first) = rest.first() else {
        let is_clock = matches!(so_far.clock.as_str(), "HM" | "HMS" | "HMSf");
        let is_day = so_far.is_whole_day();
        // A number such as 12.05 is no time of day by itself.
        let is_number = so_far.mark == Some(b'.') && so_far.clock == "HM" && !is_day;
        if (is_clock || so_far.clock.is_empty())
            && (is_day || (so_far.order.is_empty() && is_clock))
            && !is_number
        {
            found.push(if so_far.has_half { so_far.text.replace("%H", "%I") } else { so_far.text.clone() });
        }
        return;
    };
    if first.is_ascii_digit() {
        digits(cell, at, so_far, found);
    } else if first.is_ascii_alphabetic() || first >= 0x80 {
        letters(cell, at, so_far, found);
    } else {
        mark(cell, at, first, so_far, found);
    }
}

fn digits(cell: &[u8], at: usize, so_far: &Reading, found: &mut Vec<String>) {
    let rest = &cell[at..];
    let len = rest.iter().take_while(|byte| byte.is_ascii_digit()).count();
    let to = at + len;
    let next = cell.get(to).copied();
    let mut on = |reading: Reading| {
        if reading.is_possible() {
            go(cell, to, &reading, found);
        }
    };
    let after_mark = so_far.mark.is_some() && at > 0 && cell.get(at - 1) == so_far.mark.as_ref();
    match so_far.clock.as_str() {
        "H" => {
            if len == 2 {
                on(so_far.time('M'));
            }
            return;
        }
        "HM" if after_mark => {
            if len == 2 {
                on(so_far.time('S'));
            }
            return;
        }
        "HMS" if at > 0 && b".,".contains(&cell[at - 1]) && Some(cell[at - 1]) != so_far.mark => {
            return on(so_far.time('f'));
        }
        _ => {}
    }
    let is_first = so_far.order.is_empty() && so_far.clock.is_empty();
    match len {
        14 if is_first => on(so_far.day('Y').day('m').day('d').time('H').time('M').time('S')),
        12 if is_first => on(so_far.day('Y').day('m').day('d').time('H').time('M')),
        8 if is_first => on(so_far.day('Y').day('m').day('d')),
        6 if so_far.is_whole_day() && so_far.clock.is_empty() => {
            on(so_far.time('H').time('M').time('S'));
        }
        4 => {
            if so_far.is_whole_day() && so_far.clock.is_empty() {
                on(so_far.time('H').time('M'));
            }
            on(so_far.day('Y'));
        }
        3 => on(so_far.day('j')),
        1 | 2 => {
            let before_minute = matches!(next, Some(b':' | b'.' | b'h'))
                && cell.get(to + 1..to + 3).is_some_and(|two| two.iter().all(u8::is_ascii_digit));
            if so_far.clock.is_empty() && before_minute {
                let mut hour = so_far.time('H');
                hour.mark = next;
                on(hour);
            }
            for part in ['d', 'm', 'y'] {
                if part != 'y' || len == 2 {
                    on(so_far.day(part));
                }
            }
        }
        _ => {}
    }
}

fn letters(cell: &[u8], at: usize, so_far: &Reading, found: &mut Vec<String>) {
    let rest = &cell[at..];
    if let Some((_, len)) = month(rest).filter(|_| !so_far.order.contains(['m', 'b', 'j'])) {
        go(cell, at + len, &so_far.day('b'), found);
    }
    if let Some((_, len)) = weekday(rest).filter(|_| !so_far.has_weekday) {
        let mut next = so_far.with("%a");
        next.has_weekday = true;
        go(cell, at + len, &next, found);
    }
    let is_clock = so_far.clock.len() >= 2;
    if let Some((_, len)) = crate::hand::layout::half(rest).filter(|_| is_clock && !so_far.has_half) {
        let mut next = so_far.with("%p");
        next.has_half = true;
        return go(cell, at + len, &next, found);
    }
    if is_clock && so_far.is_whole_day() && !so_far.has_zone {
        let mut next = so_far.clone();
        next.has_zone = true;
        if rest.starts_with(b"UTC") || rest.starts_with(b"GMT") || rest == b"Z" {
            next.text.push_str("%z");
            let len = if rest == b"Z" { 1 } else { 3 };
            return go(cell, at + len + offset_len(&rest[len..]), &next, found);
        }
        if let Some(zone) = zone(rest) {
            next.text.push_str("%Z");
            return go(cell, at + zone.len(), &next, found);
        }
    }
    let len = rest.iter().take_while(|byte| byte.is_ascii_alphabetic()).count();
    let word = String::from_utf8_lossy(&rest[..len]).into_owned();
    if FILLERS.contains(&word.to_lowercase().as_str()) {
        go(cell, at + len, &so_far.with(&word), found);
    }
}

fn mark(cell: &[u8], at: usize, mark: u8, so_far: &Reading, found: &mut Vec<String>) {
    let is_clock = so_far.clock.len() >= 2;
    if b"+-".contains(&mark) && is_clock && so_far.is_whole_day() && !so_far.has_zone {
        let len = offset_len(&cell[at..]);
        if len > 0 {
            let mut next = so_far.with("%z");
            next.has_zone = true;
            go(cell, at + len, &next, found);
        }
        return;
    }
    if b" ./-,:;_()'".contains(&mark) {
        // Spaces that fill up a short number belong to the number.
        let is_fill = mark == b' ' && at > 0 && cell[at - 1] == b' ';
        let next = if is_fill { so_far.clone() } else { so_far.with(&char::from(mark).to_string()) };
        go(cell, at + 1, &next, found);
    }
}

/// The length of an offset such as `-07:00`, `+0200` or `+2`; 0 if there is none.
fn offset_len(text: &[u8]) -> usize {
    if !matches!(text.first(), Some(b'+' | b'-')) {
        return 0;
    }
    let digits = |from: usize| text[from..].iter().take_while(|byte| byte.is_ascii_digit()).count();
    match (digits(1), text.get(3)) {
        (2, Some(b':')) if digits(4) == 2 => 6,
        (len @ (1 | 2 | 4), _) => 1 + len,
        _ => 0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(cell: &str) -> Vec<String> {
        let all = forms(cell.as_bytes()).into_iter().map(|format| format.text);
        all.filter(|text| !text.contains("%f") || cell.contains('5')).collect()
    }

    #[test]
    fn a_cell_has_the_formats_by_which_it_is_a_time_and_no_others() {
        assert_eq!(of("2026-08-18T20:26:40"), ["%Y-%m-%dT%H:%M:%S"]);
        assert_eq!(of("18.08.2026 20:26"), ["%d.%m.%Y %H:%M"]);
        assert_eq!(of("04/08/2026"), ["%d/%m/%Y", "%m/%d/%Y"]);
        assert_eq!(of("Tue 18 Aug 2026 08:26:40 p.m."), ["%a %d %b %Y %I:%M:%S %p"]);
        assert_eq!(of("20260818202640"), ["%Y%m%d%H%M%S"]);
        assert_eq!(of("2026-230 20:26:40"), ["%Y-%j %H:%M:%S"]);
        assert_eq!(of("2026-08-18 20:26:40 MST"), ["%Y-%m-%d %H:%M:%S %Z"]);
        assert_eq!(of("2026-08-18 20:26:40-07"), ["%Y-%m-%d %H:%M:%S%z"]);
        assert_eq!(of("20:26:40"), ["%H:%M:%S"]);
        assert_eq!(of("18. August 2026, 20.26 Uhr"), ["%d. %b %Y, %H.%M Uhr"]);
        for number in ["2951.859", "12.05", "-9999", "1780000000", "17", "0.0", "3591", "P-17"] {
            assert_eq!(of(number), Vec::<String>::new(), "{number}");
        }
    }
}
