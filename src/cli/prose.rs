//! Words in lines of a terminal's width.

use std::io::IsTerminal;

/// How wide a report is that nobody looks at on a terminal.
pub const PIPED_COLUMNS: usize = 100;

/// How wide the terminal is, or what stands in for it.
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

/// Words in lines of at most `columns`, the first line after `indent` spaces, the others after `indent_next`.
pub fn wrapped(words: &str, indent: usize, indent_next: usize, columns: usize) -> String {
    let mut text = String::new();
    let mut line = " ".repeat(indent);
    let mut is_empty = true;
    for word in words.split_whitespace() {
        let room = line.chars().count() + usize::from(!is_empty) + word.chars().count() <= columns;
        if !room && !is_empty {
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
    text
}

/// At most so many characters; an ellipsis says that there were more.
pub fn cut(text: &str, most: usize) -> String {
    if text.chars().count() <= most {
        return text.to_owned();
    }
    let mut short: String = text.chars().take(most.saturating_sub(1)).collect();
    short.push('…');
    short
}
