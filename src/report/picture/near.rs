//! Finds the names that were probably meant by a name that does not exist.

/// How many letters differ, ignoring case. Letters that one name has in addition at its start or end count little.
pub(super) fn distance(a: &str, b: &str) -> usize {
    let (a, b): (Vec<char>, Vec<char>) =
        (a.to_lowercase().chars().collect(), b.to_lowercase().chars().collect());
    // The usual table of edits, one row at a time (Wagner and Fischer 1974).
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.iter().enumerate() {
        let mut before = row.first().copied().unwrap_or(0);
        if let Some(first) = row.first_mut() {
            *first = i + 1;
        }
        for (j, y) in b.iter().enumerate() {
            let (above, left) = (row.get(j + 1).copied().unwrap_or(0), row.get(j).copied().unwrap_or(0));
            let cost = (before + usize::from(x != y)).min(above + 1).min(left + 1);
            before = above;
            if let Some(cell) = row.get_mut(j + 1) {
                *cell = cost;
            }
        }
    }
    let edits = 4 * row.last().copied().unwrap_or(0);
    let is_part = !a.is_empty() && b.windows(a.len()).any(|part| part == a.as_slice());
    if is_part { edits / 4 } else { edits }
}

#[cfg(test)]
mod tests {
    use super::distance;

    #[test]
    fn the_nearest_names_are_those_that_were_meant() {
        let nearest = |typed: &str| {
            let names = ["P-11 pore pressure", "P-11 temperature", "P-12 pore pressure", "air pressure"];
            names.into_iter().min_by_key(|name| distance(typed, name)).unwrap()
        };
        assert_eq!(nearest("p-11 pore presure"), "P-11 pore pressure");
        assert_eq!(nearest("P-12"), "P-12 pore pressure");
        assert_eq!(nearest("Air"), "air pressure");
        assert_eq!(distance("kitten", "sitting"), 12, "three edits: the textbooks' example");
    }
}
