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
        self.rows.push(cells.map(|cell| crate::text::shown(&cell)).into());
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::text::thousands;

    #[test]
    fn numbers_are_padded_to_the_right() {
        let mut table = Table::new(&["name", ">records"]);
        table.row(["P-17".into(), "9".into()]);
        table.row(["L".into(), thousands(1_234_567)]);
        assert_eq!(table.text(2), "  name    records\n  P-17          9\n  L     1,234,567\n");
    }
}
