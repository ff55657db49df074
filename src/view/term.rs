//! Text that fits a terminal: how wide it is, words in lines, and tables that drop their least important columns.
//!
//! Input: words and cells. Output: lines for a width, which is passed in. Widths are those of Unicode Standard Annex 11.
//! What this is not: it writes nothing.

use crate::text::shown;
use std::io::IsTerminal;
use unicode_width::{UnicodeWidthChar, UnicodeWidthStr};

/// The width of a report that is not printed on a terminal.
pub const PIPED_COLUMNS: usize = 100;

/// The lines of a report's first screen: a terminal has 24, and the prompt takes one, so the first line stays visible.
pub const SCREEN_LINES: usize = 23;

/// How wide the terminal is; of a pipe, [`PIPED_COLUMNS`].
pub fn columns() -> usize {
    let stdout = std::io::stdout();
    if !stdout.is_terminal() {
        return PIPED_COLUMNS;
    }
    match rustix::termios::tcgetwinsize(&stdout) {
        Ok(size) if size.ws_col > 0 => usize::from(size.ws_col),
        _ => 80,
    }
}

/// How many lines the terminal shows; `None` if there is none, or it does not report it.
pub fn rows() -> Option<usize> {
    let stdout = std::io::stdout();
    let rows = rustix::termios::tcgetwinsize(&stdout).ok().map(|size| usize::from(size.ws_row));
    rows.filter(|&rows| rows > 0 && stdout.is_terminal())
}

/// Whether a text has more lines than the terminal shows, with the prompt below it.
pub fn is_longer_than_terminal(text: &str) -> bool {
    let columns = columns();
    rows().is_some_and(|rows| lines(text, columns) >= rows)
}

/// How many lines of this width a text takes: a terminal breaks longer ones.
fn lines(text: &str, columns: usize) -> usize {
    text.lines().map(|line| width(line).div_ceil(columns.max(1)).max(1)).sum()
}

/// Whether reports are printed on a terminal.
pub fn is_terminal() -> bool {
    std::io::stdout().is_terminal()
}

/// How many columns of a terminal a text takes.
pub fn width(text: &str) -> usize {
    text.width()
}

/// The beginning of a text that takes at most this many columns.
pub fn beginning(text: &str, most: usize) -> &str {
    let mut taken = 0;
    let end = text.char_indices().find(|(_, c)| {
        taken += c.width().unwrap_or(1);
        taken > most
    });
    end.map_or(text, |(end, _)| text.get(..end).unwrap_or(text))
}

/// At most this many columns; `sign` at the end shows that the text is cut.
fn cut_with(text: &str, most: usize, sign: char) -> String {
    if width(text) <= most {
        return text.to_owned();
    }
    format!("{}{sign}", beginning(text, most.saturating_sub(1)))
}

/// At most this many columns; an ellipsis shows that the text is cut.
pub fn cut(text: &str, most: usize) -> String {
    cut_with(text, most, '…')
}

/// A space at which no line is broken.
const NO_BREAK: char = '\u{a0}';

/// Words in lines of at most `columns`: the first line after `first`, the others after `indent_next` spaces.
fn lines_of<'a>(
    first: String,
    indent_next: usize,
    words: impl IntoIterator<Item = &'a str>,
    columns: usize,
) -> String {
    let mut text = String::new();
    let mut line = first;
    let mut is_empty = true;
    for word in words {
        if !is_empty && width(&line) + 1 + width(word) > columns {
            text += &line;
            text.push('\n');
            line = " ".repeat(indent_next);
            is_empty = true;
        }
        if !is_empty {
            line.push(' ');
        }
        line += word;
        is_empty = false;
    }
    text += &line;
    text.push('\n');
    text.replace(NO_BREAK, " ")
}

/// Words in lines of at most `columns`, the first line after `indent` spaces, the others after `indent_next`. A word
/// that is too long stays whole: it may be a path or a command to be copied. A no-break space comes out as a plain one.
pub fn wrapped(words: &str, indent: usize, indent_next: usize, columns: usize) -> String {
    let words = words.split(|c: char| c.is_whitespace() && c != NO_BREAK).filter(|word| !word.is_empty());
    lines_of(" ".repeat(indent), indent_next, words, columns)
}

/// A paragraph of words after a label; further lines hang below its text. A no-break space in a word is printed as a
/// plain one.
pub fn paragraph<'a>(
    label: &str,
    indent: usize,
    words: impl IntoIterator<Item = &'a str>,
    columns: usize,
) -> String {
    lines_of(format!("{label:indent$}"), indent, words, columns)
}

/// A column of a table.
pub struct Column {
    heading: String,
    /// A column of numbers, padded to the left.
    right: bool,
    /// 0: never dropped. Otherwise the column with the largest number is dropped first.
    gives_up: u8,
    /// Cells may be cut down to this width before a column is given up.
    cut_to: Option<usize>,
}

impl Column {
    /// A column that is never dropped.
    pub fn new(heading: impl AsRef<str>) -> Self {
        Self { heading: shown(heading.as_ref()), right: false, gives_up: 0, cut_to: None }
    }

    /// Aligns its cells to the right.
    pub fn right(mut self) -> Self {
        self.right = true;
        self
    }

    /// Makes it a column that is dropped if there is no room; the largest number first.
    pub fn gives_up(mut self, rank: u8) -> Self {
        self.gives_up = rank;
        self
    }

    /// Allows its cells to be cut.
    pub fn cut_to(mut self, width: usize) -> Self {
        self.cut_to = Some(width);
        self
    }
}

const BETWEEN: &str = "  ";

/// A last column of long cells.
pub struct Tails<'a> {
    /// Its heading.
    pub heading: &'a str,
    /// One cell for each row.
    pub tails: &'a [String],
    /// Their indent if they are below the rows.
    pub indent: usize,
}

/// A table under construction: columns padded to their widest cell.
pub struct Table {
    columns: Vec<Column>,
    rows: Vec<Vec<String>>,
}

impl Table {
    /// A table with these headings; `>` at the beginning of one marks a column of numbers, padded to the left.
    pub fn new(headings: &[&str]) -> Self {
        let column = |heading: &&str| match heading.strip_prefix('>') {
            Some(heading) => Column::new(heading).right(),
            None => Column::new(heading),
        };
        Self::of(headings.iter().map(column).collect())
    }

    pub fn of(columns: Vec<Column>) -> Self {
        Self { columns, rows: Vec::new() }
    }

    pub fn row(&mut self, cells: impl IntoIterator<Item = String>) {
        self.rows.push(cells.into_iter().map(|cell| shown(&cell)).collect());
    }

    /// How wide a column is.
    fn width_of(&self, at: usize) -> usize {
        let heading = self.columns.get(at).map(|column| column.heading.as_str());
        let cells = self.rows.iter().filter_map(|row| row.get(at)).map(String::as_str);
        cells.chain(heading).map(width).max().unwrap_or(0)
    }

    /// The whole table, each line after `indent` spaces.
    pub fn text(&self, indent: usize) -> String {
        let widths: Vec<usize> = (0..self.columns.len()).map(|at| self.width_of(at)).collect();
        let headings: Vec<&str> = self.columns.iter().map(|column| column.heading.as_str()).collect();
        let rows = self.rows.iter().map(|row| row.iter().map(String::as_str).collect());
        let mut text = String::new();
        for row in std::iter::once(headings).chain(rows) {
            let mut line = " ".repeat(indent);
            for (at, (column, &wide)) in self.columns.iter().zip(&widths).enumerate() {
                let cell = row.get(at).copied().unwrap_or_default();
                let pad = " ".repeat(wide.saturating_sub(width(cell)));
                line += if at > 0 { BETWEEN } else { "" };
                line += &if column.right { pad + cell } else { cell.to_owned() + &pad };
            }
            text += line.trim_end();
            text.push('\n');
        }
        text
    }

    /// The whole table with a last column of long cells: at the right if all of it fits into `columns`, below each row
    /// if not. `below` gives the lines that follow a row.
    pub fn with_tails(
        &self,
        indent: usize,
        of: &Tails<'_>,
        columns: usize,
        below: impl Fn(usize) -> String,
    ) -> String {
        let rows = self.text(indent);
        let wide = rows.lines().map(width).max().unwrap_or(0);
        // At the right of a row, the heading replaces the words that are needed below a row.
        let bare = |tail: &str| match tail.strip_prefix(of.heading) {
            Some(rest) if !of.heading.is_empty() && !rest.is_empty() => rest.trim_start().to_owned(),
            _ => tail.to_owned(),
        };
        let longest = of.tails.iter().map(|tail| width(&bare(tail))).max().unwrap_or(0);
        let fits = wide + BETWEEN.len() + longest.max(width(of.heading)) <= columns;
        let mut text = String::new();
        for (at, line) in rows.lines().enumerate() {
            let row = at.checked_sub(1);
            let tail = row.map_or(Some(of.heading), |row| of.tails.get(row).map(String::as_str));
            let Some(tail) = tail else { break };
            if fits {
                let pad = " ".repeat(wide - width(line));
                text += &format!("{line}{pad}{BETWEEN}{}\n", bare(tail));
            } else {
                text += beginning(line, columns);
                text.push('\n');
                // Below a row, the words need no heading.
                if row.is_some() {
                    text += &wrapped(tail, of.indent, of.indent + 2, columns);
                }
            }
            text += &row.map_or_else(String::new, &below);
        }
        text
    }

    /// The table with as many columns as fit, the most important first; `sign` marks the end of a cell that is cut.
    pub fn fitted(mut self, columns: usize, sign: char) -> String {
        let mut widths: Vec<usize> = (0..self.columns.len()).map(|at| self.width_of(at)).collect();
        let all = |widths: &mut dyn Iterator<Item = usize>| -> usize {
            let widths: Vec<usize> = widths.collect();
            widths.iter().sum::<usize>() + BETWEEN.len() * widths.len().saturating_sub(1)
        };
        let least = |column: &Column, wide: usize| column.cut_to.map_or(wide, |least| wide.min(least));
        while all(&mut self.columns.iter().zip(&widths).map(|(column, &wide)| least(column, wide))) > columns
        {
            let first = self.columns.iter().enumerate().max_by_key(|(_, column)| column.gives_up);
            let Some((at, _)) = first.filter(|(_, column)| column.gives_up > 0) else { break };
            self.columns.remove(at);
            widths.remove(at);
            for row in self.rows.iter_mut().filter(|row| at < row.len()) {
                row.remove(at);
            }
        }
        let mut excess = all(&mut widths.iter().copied()).saturating_sub(columns);
        for (at, (column, &wide)) in self.columns.iter().zip(&widths).enumerate() {
            let to = wide.saturating_sub(excess).max(least(column, wide));
            excess -= wide - to;
            for cell in self.rows.iter_mut().filter_map(|row| row.get_mut(at)) {
                *cell = cut_with(cell, to, sign);
            }
        }
        self.text(0)
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

    #[test]
    fn a_line_that_the_terminal_breaks_counts_as_often_as_it_is_broken() {
        assert_eq!([lines("", 4), lines("\n\n", 4), lines("abcd\nabcde\n", 4)], [0, 2, 3]);
    }

    #[test]
    fn widths_are_those_of_a_terminal() {
        // "é" as a letter and a combining accent is one column wide; a full-width letter is two.
        assert_eq!((width("e\u{301}"), width("\u{ff21}"), width("█…")), (1, 2, 2));
        assert_eq!(cut("\u{ff21}\u{ff22}", 3), "\u{ff21}…");
        assert_eq!((cut("short", 5).as_str(), cut("longer", 5).as_str()), ("short", "long…"));
    }

    fn table() -> Table {
        let mut table = Table::of(vec![
            Column::new("no.").right(),
            Column::new("name").cut_to(6),
            Column::new("kept"),
            Column::new("second").gives_up(1),
            Column::new("first").gives_up(2),
        ]);
        table.row(["7", "a long name", "1", "3", "5"].map(str::to_owned));
        table.row(["117", "short", "2", "4", "6"].map(str::to_owned));
        table
    }

    #[test]
    fn columns_go_by_importance_and_names_are_cut_last_to_what_fits() {
        assert_eq!(table().fitted(80, '~').lines().next(), Some("no.  name         kept  second  first"));
        assert_eq!(table().fitted(34, '~').lines().nth(1), Some("  7  a long ~  1     3       5"));
        assert_eq!(table().fitted(33, '~').lines().nth(1), Some("  7  a long~  1     3       5"));
        assert_eq!(table().fitted(30, '~').lines().next(), Some("no.  name         kept  second"));
        assert_eq!(table().fitted(17, '~').lines().nth(1), Some("  7  a lon~  1"));
        // Columns that are never dropped stay even if they do not fit.
        assert_eq!(table().fitted(3, '~').lines().nth(1), Some("  7  a lon~  1"));
        for columns in 17..50 {
            let text = table().fitted(columns, '~');
            assert!(text.lines().all(|line| width(line) <= columns), "{columns}:\n{text}");
        }
    }

    #[test]
    fn a_paragraph_hangs_below_its_text_and_never_cuts_a_word() {
        assert_eq!(paragraph("port", 6, ["one", "two", "three"], 12), "port  one\n      two\n      three\n");
        assert_eq!(paragraph("", 2, ["on", "5\u{a0}May"], 7), "  on\n  5 May\n");
        assert_eq!(paragraph("x", 2, ["/a/long/path", "end"], 6), "x /a/long/path\n  end\n");
    }
}
