//! Text that fits a width: a table that gives up its least important columns, and paragraphs that hang.

/// A column under construction.
pub struct Column {
    heading: String,
    /// A column of numbers, padded to the left.
    right: bool,
    /// 0: it stays; else the one with the largest number goes first.
    gives_up: u8,
    /// Cells may be cut down to this width before a column is given up.
    cut_to: Option<usize>,
    cells: Vec<String>,
}

impl Column {
    /// A column that stays.
    pub fn new(heading: impl Into<String>, cells: impl Iterator<Item = String>) -> Self {
        Self { heading: heading.into(), right: false, gives_up: 0, cut_to: None, cells: cells.collect() }
    }

    /// With its cells to the right.
    pub fn right(mut self) -> Self {
        self.right = true;
        self
    }

    /// One that goes when there is no room; the largest number first.
    pub fn gives_up(mut self, rank: u8) -> Self {
        self.gives_up = rank;
        self
    }

    /// One whose cells may be cut.
    pub fn cut_to(mut self, width: usize) -> Self {
        self.cut_to = Some(width);
        self
    }

    fn width(&self) -> usize {
        let cells = self.cells.iter().chain([&self.heading]);
        cells.map(|cell| cell.chars().count()).max().unwrap_or(0)
    }

    fn least(&self) -> usize {
        self.cut_to.map_or(self.width(), |least| self.width().min(least))
    }
}

const BETWEEN: &str = "  ";

/// The table: as many of the columns as fit, by importance.
pub fn table(mut columns: Vec<Column>, width: usize, ellipsis: char) -> String {
    let all = |widths: &mut dyn Iterator<Item = usize>| -> usize {
        let widths: Vec<usize> = widths.collect();
        widths.iter().sum::<usize>() + BETWEEN.len() * widths.len().saturating_sub(1)
    };
    while all(&mut columns.iter().map(Column::least)) > width {
        let first = columns.iter().enumerate().max_by_key(|(_, column)| column.gives_up);
        match first {
            Some((at, column)) if column.gives_up > 0 => drop(columns.remove(at)),
            _ => break,
        }
    }
    let mut excess = all(&mut columns.iter().map(Column::width)).saturating_sub(width);
    for column in &mut columns {
        let (now, least) = (column.width(), column.least());
        let to = now.saturating_sub(excess).max(least);
        excess -= now - to;
        for cell in column.cells.iter_mut().filter(|cell| cell.chars().count() > to) {
            *cell = cell.chars().take(to.saturating_sub(1)).chain([ellipsis]).collect();
        }
    }
    let rows = columns.iter().map(|column| column.cells.len()).max().unwrap_or(0);
    let widths: Vec<usize> = columns.iter().map(Column::width).collect();
    let mut text = String::new();
    for row in 0..=rows {
        let mut line = String::new();
        for (at, (column, width)) in columns.iter().zip(&widths).enumerate() {
            let cell = match row.checked_sub(1) {
                None => column.heading.as_str(),
                Some(row) => column.cells.get(row).map_or("", String::as_str),
            };
            let pad = " ".repeat(width - cell.chars().count());
            line += if at > 0 { BETWEEN } else { "" };
            line += &if column.right { pad + cell } else { cell.to_owned() + &pad };
        }
        text += line.trim_end();
        text.push('\n');
    }
    text
}

/// A paragraph of words after a label; further lines hang below its text. A word that is too long stays whole: it
/// may be a path or a command that somebody wants to copy. A no-break space in a word comes out as a plain one.
pub fn paragraph<'a>(
    label: &str,
    indent: usize,
    words: impl IntoIterator<Item = &'a str>,
    width: usize,
) -> String {
    let mut lines = String::new();
    let mut line = format!("{label:indent$}");
    let mut is_empty = true;
    for word in words {
        if !is_empty && line.chars().count() + 1 + word.chars().count() > width {
            lines += line.trim_end();
            lines.push('\n');
            line = " ".repeat(indent);
            is_empty = true;
        }
        if !is_empty {
            line.push(' ');
        }
        line += word;
        is_empty = false;
    }
    lines += line.trim_end();
    lines.push('\n');
    lines.replace('\u{a0}', " ")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn columns() -> Vec<Column> {
        let of = |cells: [&str; 2]| cells.map(str::to_owned).into_iter();
        vec![
            Column::new("no.", of(["7", "117"])).right(),
            Column::new("name", of(["a long name", "short"])).cut_to(6),
            Column::new("kept", of(["1", "2"])),
            Column::new("second", of(["3", "4"])).gives_up(1),
            Column::new("first", of(["5", "6"])).gives_up(2),
        ]
    }

    #[test]
    fn columns_go_by_importance_and_names_are_cut_last_to_what_fits() {
        assert_eq!(table(columns(), 80, '~').lines().next(), Some("no.  name         kept  second  first"));
        assert_eq!(table(columns(), 34, '~').lines().nth(1), Some("  7  a long ~  1     3       5"));
        assert_eq!(table(columns(), 33, '~').lines().nth(1), Some("  7  a long~  1     3       5"));
        assert_eq!(table(columns(), 30, '~').lines().next(), Some("no.  name         kept  second"));
        assert_eq!(table(columns(), 17, '~').lines().nth(1), Some("  7  a lon~  1"));
        // Narrower than what stays: it stays all the same.
        assert_eq!(table(columns(), 3, '~').lines().nth(1), Some("  7  a lon~  1"));
        for width in 17..50 {
            let text = table(columns(), width, '~');
            assert!(text.lines().all(|line| line.chars().count() <= width), "{width}:\n{text}");
        }
    }

    #[test]
    fn a_paragraph_hangs_below_its_text_and_never_cuts_a_word() {
        assert_eq!(paragraph("port", 6, ["one", "two", "three"], 12), "port  one\n      two\n      three\n");
        assert_eq!(paragraph("", 2, ["on", "5\u{a0}May"], 7), "  on\n  5 May\n");
        assert_eq!(paragraph("x", 2, ["/a/long/path", "end"], 6), "x /a/long/path\n  end\n");
    }
}
