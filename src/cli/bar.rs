//! One progress bar for a long command: the percent, the rate and the remaining time, on a terminal only.
//!
//! What this is not: it counts nothing itself. Its caller says how much is done of all.

use crate::text::shown;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::cell::Cell;
use std::time::{Duration, Instant};

/// What takes less time shows no bar.
const AFTER: Duration = Duration::from_millis(500);
/// The longest text before the bar, so that all of it fits in 80 columns.
const TEXT_CHARS: usize = 30;

/// The bar; it disappears when it is dropped.
pub struct Bar {
    bar: ProgressBar,
    began: Instant,
    is_shown: Cell<bool>,
}

impl Bar {
    /// A bar for so much, in bytes; 0: how much it will be is not known.
    pub fn new(all: u64) -> Self {
        let length = (all > 0).then_some(all);
        let bar = ProgressBar::with_draw_target(length, ProgressDrawTarget::hidden());
        let template = match length {
            Some(_) => "{msg:30!} {bar:16} {percent:>3} % {decimal_bytes_per_sec:>12} {eta:>4} left",
            None => "{msg:30!} {decimal_bytes} {decimal_bytes_per_sec:>12}",
        };
        if let Ok(style) = ProgressStyle::with_template(template) {
            bar.set_style(style);
        }
        Self { bar, began: Instant::now(), is_shown: Cell::new(false) }
    }

    /// So much is done; it never goes back.
    pub fn at(&self, done: u64) {
        if !self.is_shown.get() && self.began.elapsed() >= AFTER {
            self.is_shown.set(true);
            // Nothing is drawn if standard error is no terminal.
            self.bar.set_draw_target(ProgressDrawTarget::stderr());
        }
        if done > self.bar.position() {
            self.bar.set_position(done);
        }
    }

    /// What is being done: a verb, and the file.
    pub fn says(&self, verb: &str, file: &str) {
        let name = file.rsplit('/').next().unwrap_or(file);
        let text = shown(&format!("{verb} {name}"));
        let cut = match text.char_indices().nth(TEXT_CHARS) {
            None => text,
            Some(_) => text.chars().take(TEXT_CHARS - 1).chain(['…']).collect(),
        };
        self.bar.set_message(cut);
    }

    /// Takes the bar away while something is printed.
    pub fn aside<R>(&self, print: impl FnOnce() -> R) -> R {
        self.bar.suspend(print)
    }
}

impl Drop for Bar {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}
