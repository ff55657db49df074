//! The demo's shell: runs commands, and shows their output.

use super::super::exit::NO;
use std::io::Write;

/// Runs a command as a person types it, and gives its exit code.
pub type Typed = fn(&[&str], &mut dyn Write) -> Result<u8, String>;

/// Runs commands, and shows their output.
pub struct Shell<'a> {
    /// The configuration.
    pub site: String,
    pub typed: Typed,
    pub out: &'a mut dyn Write,
}

impl Shell<'_> {
    pub fn say(&mut self, text: &str) -> Result<(), String> {
        writeln!(self.out, "{text}").map_err(|error| format!("cannot print: {error}"))
    }

    pub fn run(&mut self, line: &[&str]) -> Result<(), String> {
        let shown: Vec<String> = line
            .iter()
            .map(|word| if word.contains(' ') { format!("\"{word}\"") } else { (*word).to_owned() })
            .collect();
        self.say(&format!("   $ stonechat {}", shown.join(" ")))?;
        let mut out = Vec::new();
        let code = (self.typed)(&[&["-c", self.site.as_str()], line].concat(), &mut out)?;
        let text = String::from_utf8_lossy(&out);
        for line in text.lines() {
            self.say(&if line.is_empty() { String::new() } else { format!("   {line}") })?;
        }
        // Exit code 1 is an answer too: part of the files was refused.
        if code > NO {
            return Err(format!("`stonechat {}` ended with {code}", shown.join(" ")));
        }
        Ok(())
    }
}
