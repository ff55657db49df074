//! Plain tables for the terminal: columns padded to their widest cell, numbers to the right.

/// A table under construction.
pub struct Table {
    right: Vec<bool>,
    rows: Vec<Vec<String>>,
}

impl Table {
    /// With these headings; one that begins with `>` is of a column of numbers, padded to the right.
    pub fn new(headings: &[&str]) -> Self {
        Self {
            right: headings.iter().map(|heading| heading.starts_with('>')).collect(),
            rows: vec![headings.iter().map(|heading| heading.trim_start_matches('>').to_owned()).collect()],
        }
    }

    /// Adds a row.
    pub fn row<const N: usize>(&mut self, cells: [String; N]) {
        self.rows.push(cells.into());
    }

    /// The table, each line after `indent` spaces.
    pub fn text(&self, indent: usize) -> String {
        let columns = self.right.len();
        let mut widths = vec![0; columns];
        for row in &self.rows {
            for (width, cell) in widths.iter_mut().zip(row) {
                *width = (*width).max(cell.chars().count());
            }
        }
        let mut text = String::new();
        for row in &self.rows {
            let mut line = " ".repeat(indent);
            for (at, (cell, width)) in row.iter().zip(&widths).enumerate() {
                let pad = " ".repeat(width - cell.chars().count());
                if self.right.get(at).copied().unwrap_or(false) {
                    line.push_str(&pad);
                    line.push_str(cell);
                } else {
                    line.push_str(cell);
                    line.push_str(&pad);
                }
                line.push_str("  ");
            }
            text.push_str(line.trim_end());
            text.push('\n');
        }
        text
    }
}

/// 12,345,678.
pub fn thousands(number: u64) -> String {
    let digits = number.to_string();
    let mut text = String::new();
    for (at, digit) in digits.chars().enumerate() {
        if at > 0 && (digits.len() - at).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    text
}

/// A count with its noun: `1 record`, `12 records`.
pub fn counted(number: u64, noun: &str) -> String {
    let s = if number == 1 { "" } else { "s" };
    format!("{} {noun}{s}", thousands(number))
}

/// A cell of a CSV line, quoted where RFC 4180 asks for it.
pub fn csv_cell(text: &str) -> String {
    if text.contains(['"', ',', '\n', '\r']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.to_owned()
    }
}

/// A length of time, to two units: `3 d 4 h`, `12 min`, `45 s`.
pub fn duration(seconds: i64) -> String {
    let s = seconds.max(0);
    match s {
        0..60 => format!("{s} s"),
        60..3600 => format!("{} min", s / 60),
        3600..86_400 => format!("{} h {} min", s / 3600, s % 3600 / 60),
        _ => format!("{} d {} h", s / 86_400, s % 86_400 / 3600),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_stand_right_and_lengths_are_told_in_two_units() {
        let mut table = Table::new(&["name", ">records"]);
        table.row(["P-17".into(), "9".into()]);
        table.row(["L".into(), thousands(1_234_567)]);
        assert_eq!(table.text(2), "  name    records\n  P-17          9\n  L     1,234,567\n");
        assert_eq!(duration(59), "59 s");
        assert_eq!(duration(2 * 86_400 + 3 * 3600 + 1), "2 d 3 h");
        assert_eq!(counted(1, "gap"), "1 gap");
    }
}
