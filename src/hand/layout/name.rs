//! Finds the logger in a file's name.

use crate::wire::seq::Address;

/// The logger's address in a file's name, by a pattern with `{logger}` and `*`.
pub fn logger_of_name(pattern: &str, path: &str) -> Option<Address> {
    let name = path.rsplit('/').next().unwrap_or(path);
    let (before, after) = pattern.split_once("{logger}")?;
    let starts: Vec<usize> = name.char_indices().map(|(at, _)| at).collect();
    let mut found = None;
    for &start in &starts {
        let len = name[start..].bytes().take_while(u8::is_ascii_digit).count();
        let begins = start == 0 || !name.as_bytes()[start - 1].is_ascii_digit();
        if len > 0 && begins && fits(before, &name[..start]) && fits(after, &name[start + len..]) {
            let address = name[start..start + len].parse().ok().and_then(Address::new);
            // If a name can be read in two ways, it counts as not readable.
            if found.is_some_and(|other| Some(other) != address) {
                return None;
            }
            found = address;
        }
    }
    found
}

/// Whether a text matches a pattern in which `*` is any text.
fn fits(pattern: &str, text: &str) -> bool {
    match pattern.split_once('*') {
        None => pattern == text,
        Some((start, rest)) => text.strip_prefix(start).is_some_and(|left| {
            (0..=left.len()).any(|at| left.is_char_boundary(at) && fits(rest, &left[at..]))
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_loggers_number_is_read_out_of_a_name_only_where_it_is_plain() {
        let of = |pattern, name| logger_of_name(pattern, name).map(Address::number);
        assert_eq!(of("P-{logger}_*.csv", "/media/stick/P-17_2026-05.csv"), Some(17));
        assert_eq!(of("*_{logger}.csv", "a_b_17.csv"), Some(17));
        assert_eq!(of("P-{logger}_*.csv", "P-x_2026.csv"), None);
        assert_eq!(of("P-{logger}.csv", "P-70000.csv"), None);
        assert_eq!(of("*{logger}*", "P-17_2026.csv"), None, "17 or 2026");
    }
}
