//! Names of months and weekdays in four languages (English, German, French and Spanish), and AM and PM.
//!
//! Input: the beginning of a text. Output: which one it is, and its length in bytes. Names and abbreviations as in the
//! Unicode CLDR, release 44, calendar `gregorian`, formats wide and abbreviated (written down from memory), also
//! without their dots and accents.

const MONTHS: [&[&str]; 12] = [
    &["january", "januar", "janvier", "enero", "jan", "janv", "ene", "jänner", "jän"],
    &["february", "februar", "février", "fevrier", "febrero", "feb", "févr", "fevr", "fév", "fev"],
    &["march", "märz", "maerz", "marz", "mars", "marzo", "mar", "mär", "mrz"],
    &["april", "avril", "abril", "apr", "avr", "abr"],
    &["may", "mai", "mayo"],
    &["june", "juni", "juin", "junio", "jun"],
    &["july", "juli", "juillet", "julio", "jul", "juil"],
    &["august", "août", "aout", "agosto", "aug", "aoû", "ago"],
    &["september", "septembre", "septiembre", "setiembre", "sep", "sept", "set"],
    &["october", "oktober", "octobre", "octubre", "oct", "okt"],
    &["november", "novembre", "noviembre", "nov"],
    &["december", "dezember", "décembre", "decembre", "diciembre", "dec", "dez", "déc", "dic"],
];

/// From Monday. Two letters are German.
const WEEKDAYS: [&[&str]; 7] = [
    &["monday", "montag", "lundi", "lunes", "mon", "mo", "lun"],
    &["tuesday", "dienstag", "mardi", "martes", "tue", "tues", "di", "mar"],
    &["wednesday", "mittwoch", "mercredi", "miércoles", "miercoles", "wed", "mi", "mer", "mié", "mie"],
    &["thursday", "donnerstag", "jeudi", "jueves", "thu", "thur", "thurs", "do", "jeu", "jue"],
    &["friday", "freitag", "vendredi", "viernes", "fri", "fr", "ven", "vie"],
    &["saturday", "samstag", "sonnabend", "samedi", "sábado", "sabado", "sat", "sa", "sam", "sáb", "sab"],
    &["sunday", "sonntag", "dimanche", "domingo", "sun", "so", "dim", "dom"],
];

/// The letters at the beginning of a text.
fn word(text: &[u8]) -> Option<&str> {
    let len = text.iter().take_while(|byte| byte.is_ascii_alphabetic() || **byte >= 0x80).count();
    std::str::from_utf8(&text[..len.min(24)]).ok().filter(|word| !word.is_empty())
}

fn found<const N: usize>(names: &[&[&str]; N], text: &[u8]) -> Option<(usize, usize)> {
    let word = word(text)?;
    let lower = word.to_lowercase();
    let at = names.iter().position(|names| names.contains(&lower.as_str()))?;
    let dot = usize::from(text.get(word.len()) == Some(&b'.'));
    Some((at, word.len() + dot))
}

/// The month that a text begins with, from 0, and the length of its name.
pub(crate) fn month(text: &[u8]) -> Option<(usize, usize)> {
    found(&MONTHS, text)
}

/// The weekday that a text begins with, Monday is 0, and the length of its name.
pub(crate) fn weekday(text: &[u8]) -> Option<(usize, usize)> {
    found(&WEEKDAYS, text)
}

/// Whether a text begins with PM instead of AM, and the length of that.
pub(crate) fn half(text: &[u8]) -> Option<(bool, usize)> {
    let is_pm = match text.first()?.to_ascii_lowercase() {
        b'a' => false,
        b'p' => true,
        _ => return None,
    };
    // `am`, `a.m.`, `a. m.`, also with a space that does not break lines.
    for (between, after) in [("", ""), (".", "."), (". ", "."), (".\u{a0}", "."), (".\u{202f}", ".")] {
        let rest = &text[1..];
        let Some(rest) = rest.strip_prefix(between.as_bytes()) else { continue };
        let Some(b'm' | b'M') = rest.first() else { continue };
        if rest[1..].starts_with(after.as_bytes()) {
            return Some((is_pm, 1 + between.len() + 1 + after.len()));
        }
    }
    None
}

/// The letters of a zone's abbreviation that a text begins with: two to six capital letters.
pub(crate) fn zone(text: &[u8]) -> Option<&str> {
    let len = text.iter().take_while(|byte| byte.is_ascii_uppercase()).count();
    let word = std::str::from_utf8(&text[..len]).ok()?;
    (2..=6).contains(&len).then_some(word)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_name_means_two_months_or_two_weekdays() {
        for (names, all) in [(&MONTHS[..], MONTHS.concat()), (&WEEKDAYS[..], WEEKDAYS.concat())] {
            for name in &all {
                assert_eq!(names.iter().filter(|names| names.contains(name)).count(), 1, "{name}");
            }
        }
    }

    #[test]
    fn names_are_read_with_their_dots_and_in_any_case() {
        assert_eq!(month("févr. 2026".as_bytes()), Some((1, 6)));
        assert_eq!(month("MÄRZ".as_bytes()), Some((2, 5)));
        assert_eq!(month(b"Mayor"), None);
        assert_eq!(weekday(b"Do, 28."), Some((3, 2)));
        assert_eq!(half(b"p.m."), Some((true, 4)));
        assert_eq!(half("a.\u{a0}m.".as_bytes()), Some((false, 6)));
        assert_eq!(half(b"AM"), Some((false, 2)));
        assert_eq!((zone(b"MST"), zone(b"Mst"), zone(b"T")), (Some("MST"), None, None));
    }
}
