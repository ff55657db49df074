//! How a time is written: a subset of `strftime`.

/// How a time is written, piece by piece.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Format {
    /// The format as written.
    pub text: String,
    pub pieces: Vec<Piece>,
}

/// A piece of a format.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Piece {
    /// Exactly this byte.
    Literal(u8),
    /// `%Y`, four digits.
    Year,
    /// `%y`, two digits of this century.
    ShortYear,
    /// `%m`, one or two digits.
    Month,
    /// `%b`, three English letters.
    MonthName,
    /// `%d`, one or two digits.
    Day,
    /// `%H`, 0 to 23.
    Hour,
    /// `%I`, 1 to 12.
    HalfHour,
    /// `%p`, AM or PM.
    Half,
    /// `%M`, two digits.
    Minute,
    /// `%S`, two digits.
    Second,
    /// `%f`, a fraction of a second, which must be zero.
    Fraction,
    /// `%z`, `+hh:mm`, `+hhmm` or `Z`.
    Offset,
    /// `%s`, seconds since 1970 in UTC.
    Unix,
}

impl Format {
    /// By a subset of `strftime`.
    pub fn parse(text: &str) -> Result<Self, String> {
        let mut pieces = Vec::new();
        let mut bytes = text.bytes();
        while let Some(byte) = bytes.next() {
            if byte != b'%' {
                pieces.push(Piece::Literal(byte));
                continue;
            }
            let code = bytes.next();
            pieces.push(match code {
                Some(b'%') => Piece::Literal(b'%'),
                Some(b'Y') => Piece::Year,
                Some(b'y') => Piece::ShortYear,
                Some(b'm') => Piece::Month,
                Some(b'b') => Piece::MonthName,
                Some(b'd') => Piece::Day,
                Some(b'H') => Piece::Hour,
                Some(b'I') => Piece::HalfHour,
                Some(b'p') => Piece::Half,
                Some(b'M') => Piece::Minute,
                Some(b'S') => Piece::Second,
                Some(b'f') => Piece::Fraction,
                Some(b'z') => Piece::Offset,
                Some(b's') => Piece::Unix,
                _ => {
                    return Err(
                        "has a `%` that is none of %Y %y %m %b %d %H %I %p %M %S %f %z %s %%".to_owned()
                    );
                }
            });
        }
        let format = Self { text: text.to_owned(), pieces };
        for (at, piece) in format.pieces.iter().enumerate() {
            if !matches!(piece, Piece::Literal(_)) && format.pieces[..at].contains(piece) {
                return Err("has one part twice".to_owned());
            }
        }
        Ok(format)
    }

    pub fn has(&self, piece: Piece) -> bool {
        self.pieces.contains(&piece)
    }

    /// Whether it gives an instant without a zone.
    pub fn is_absolute(&self) -> bool {
        self.has(Piece::Offset) || self.has(Piece::Unix)
    }

    /// What is missing or too much for a day, a time of day, or both.
    pub(super) fn lacks(&self, day: bool, clock: bool) -> Option<&'static str> {
        if self.has(Piece::Unix) {
            let alone = self.pieces.len() == 1 && day && clock;
            return (!alone).then_some("has %s, which must be the only part, and in a column that is `time`");
        }
        let count = |pieces: &[Piece]| pieces.iter().filter(|&&piece| self.has(piece)).count();
        let years = count(&[Piece::Year, Piece::ShortYear]);
        let months = count(&[Piece::Month, Piece::MonthName]);
        let days = count(&[Piece::Day]);
        let hours = count(&[Piece::Hour, Piece::HalfHour]);
        if day && (years, months, days) != (1, 1, 1) {
            return Some(
                "needs one year (%Y or %y), one month (%m or %b) and the day (%d), in the file's order",
            );
        }
        if !day && years + months + days > 0 {
            return Some("has parts of a day, which belong into the column that is `date`");
        }
        if clock && (hours != 1 || count(&[Piece::Minute]) != 1) {
            return Some("needs one hour (%H, or %I with %p) and the minute (%M)");
        }
        if clock && self.has(Piece::HalfHour) != self.has(Piece::Half) {
            return Some("needs %I and %p together, or %H alone");
        }
        let clock_parts = [Piece::Minute, Piece::Second, Piece::Fraction, Piece::Half, Piece::Offset];
        if !clock && hours + count(&clock_parts) > 0 {
            return Some("has parts of a time of day, which belong into the column that is `clock`");
        }
        None
    }
}
