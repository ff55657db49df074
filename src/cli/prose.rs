//! Words in lines of a terminal's width.

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
