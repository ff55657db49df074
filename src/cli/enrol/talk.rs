//! Questions at a terminal, which are repeated until the answers make sense.

use super::super::exit::Exit;
use crate::view::enrol::{COLUMNS, Question};
use crate::view::term::wrapped;
use std::io::{BufRead, Read, StdinLock, Write};

/// The longest answer in bytes. Our choice: a terminal does not take longer lines.
const ANSWER_MAX_BYTES: u64 = 4096;

/// A person at a terminal.
pub struct Talk<'a> {
    input: StdinLock<'static>,
    out: Box<dyn Write + 'a>,
}

impl<'a> Talk<'a> {
    /// Questions and messages go to `out`.
    pub fn new(out: impl Write + 'a) -> Self {
        Self { input: std::io::stdin().lock(), out: Box::new(out) }
    }

    /// Says something.
    pub fn say(&mut self, text: &str) -> Result<(), Exit> {
        let said = self.out.write_all(text.as_bytes()).and_then(|()| self.out.flush());
        said.map_err(|error| Exit::could_not(format!("cannot print: {error}; nothing is written")))
    }

    /// Asks until `check` accepts the answer; an empty one means `default`.
    pub fn ask<T>(
        &mut self,
        question: Question,
        default: Option<&str>,
        mut check: impl FnMut(&str) -> Result<T, String>,
    ) -> Result<T, Exit> {
        self.say(&question.explained())?;
        loop {
            self.say(&question.prompt(default))?;
            let checked = self.line()?.and_then(|typed| match (typed.trim(), default) {
                ("", Some(default)) => check(default),
                (typed, _) => check(typed),
            });
            match checked {
                Ok(answer) => return Ok(answer),
                Err(why) => self.say(&wrapped(&why, 2, 2, COLUMNS))?,
            }
        }
    }

    /// Asks for a yes or a no; an empty answer is a yes.
    pub fn yes(&mut self, question: Question) -> Result<bool, Exit> {
        self.ask(question, None, |answer| match answer.to_ascii_lowercase().as_str() {
            "" | "y" | "yes" => Ok(true),
            "n" | "no" => Ok(false),
            _ => Err("type y or n".to_owned()),
        })
    }

    /// One typed line, or why it cannot be an answer.
    fn line(&mut self) -> Result<Result<String, String>, Exit> {
        let mut typed = Vec::new();
        let read = (&mut self.input).take(ANSWER_MAX_BYTES).read_until(b'\n', &mut typed);
        read.map_err(|error| {
            Exit::could_not(format!("cannot read the answer: {error}; nothing is written"))
        })?;
        if typed.is_empty() {
            return Err(Exit::no("the input has ended; nothing is written"));
        }
        if typed.last() != Some(&b'\n') && typed.len() as u64 == ANSWER_MAX_BYTES {
            let rest = self.input.skip_until(b'\n');
            return rest.map(|_| Err("this is too long".to_owned())).map_err(Exit::could_not);
        }
        Ok(String::from_utf8(typed).map_err(|_| "this is not UTF-8; set the terminal to UTF-8".to_owned()))
    }
}
