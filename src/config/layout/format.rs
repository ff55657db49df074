//! How a time is written: a subset of `strftime`, and two forms that are plain numbers.

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
    /// `%b`, a month's name or its abbreviation, in one of four languages.
    MonthName,
    /// `%d`, one or two digits.
    Day,
    /// `%j`, the day of the year, one to three digits.
    DayOfYear,
    /// `%a`, a weekday's name or its abbreviation, which must be that of the date.
    Weekday,
    /// `%H`, 0 to 23; 24 with nothing after it is the end of the day.
    Hour,
    /// `%I`, 1 to 12.
    HalfHour,
    /// `%p`, AM or PM, also as a.m. and p.m.
    Half,
    /// `%M`, two digits.
    Minute,
    /// `%S`, two digits.
    Second,
    /// `%f`, a fraction of a second; it may be missing, together with the mark before it.
    Fraction,
    /// `%z`, `+hh:mm`, `+hhmm`, `+hh`, `Z`, UTC or GMT, also UTC or GMT before an offset.
    Offset,
    /// `%Z`, the abbreviation of a zone, whose offset the layout must give.
    ZoneName,
    /// `%s`, seconds since 1970 in UTC.
    Unix,
    /// `%Q`, milliseconds since 1970 in UTC.
    UnixMillis,
    /// `serial`, days since 30 December 1899 with decimals, as spreadsheets count them.
    Serial,
}

/// The word for [`Piece::Serial`].
const SERIAL: &str = "serial";

/// The letters after `%`, and what each is.
const CODES: [(u8, Piece); 17] = [
    (b'Y', Piece::Year),
    (b'y', Piece::ShortYear),
    (b'm', Piece::Month),
    (b'b', Piece::MonthName),
    (b'd', Piece::Day),
    (b'j', Piece::DayOfYear),
    (b'a', Piece::Weekday),
    (b'H', Piece::Hour),
    (b'I', Piece::HalfHour),
    (b'p', Piece::Half),
    (b'M', Piece::Minute),
    (b'S', Piece::Second),
    (b'f', Piece::Fraction),
    (b'z', Piece::Offset),
    (b'Z', Piece::ZoneName),
    (b's', Piece::Unix),
    (b'Q', Piece::UnixMillis),
];

impl Piece {
    /// What the piece is, for messages about a cell that does not have it.
    pub fn what(self) -> String {
        match self {
            Self::Literal(byte) => format!("{:?}", char::from(byte)),
            Self::Year => "a year of four digits (%Y)".to_owned(),
            Self::ShortYear => "a year of two digits (%y)".to_owned(),
            Self::Month => "the number of a month (%m)".to_owned(),
            Self::MonthName => "the name of a month (%b)".to_owned(),
            Self::Day => "the day of the month (%d)".to_owned(),
            Self::DayOfYear => "the day of the year (%j)".to_owned(),
            Self::Weekday => "a weekday (%a)".to_owned(),
            Self::Hour => "the hour (%H)".to_owned(),
            Self::HalfHour => "the hour from 1 to 12 (%I)".to_owned(),
            Self::Half => "AM or PM (%p)".to_owned(),
            Self::Minute => "the minute, two digits (%M)".to_owned(),
            Self::Second => "the second, two digits (%S)".to_owned(),
            Self::Fraction => "a fraction of a second (%f)".to_owned(),
            Self::Offset => "an offset from UTC (%z)".to_owned(),
            Self::ZoneName => "the abbreviation of a zone (%Z)".to_owned(),
            Self::Unix => "seconds since 1970 (%s)".to_owned(),
            Self::UnixMillis => "milliseconds since 1970 (%Q)".to_owned(),
            Self::Serial => "days since 30 December 1899 (serial)".to_owned(),
        }
    }

    /// Whether it is a part of the day.
    fn is_of_day(self) -> bool {
        matches!(
            self,
            Self::Year
                | Self::ShortYear
                | Self::Month
                | Self::MonthName
                | Self::Day
                | Self::DayOfYear
                | Self::Weekday
        )
    }

    /// Whether it is a part of the time of day.
    fn is_of_clock(self) -> bool {
        matches!(
            self,
            Self::Hour
                | Self::HalfHour
                | Self::Half
                | Self::Minute
                | Self::Second
                | Self::Fraction
                | Self::Offset
                | Self::ZoneName
        )
    }

    /// Whether it is a whole time by itself.
    fn is_number(self) -> bool {
        matches!(self, Self::Unix | Self::UnixMillis | Self::Serial)
    }
}

impl Format {
    /// By a subset of `strftime`, or the word `serial`.
    pub fn parse(text: &str) -> Result<Self, String> {
        if text == SERIAL {
            return Ok(Self { text: text.to_owned(), pieces: vec![Piece::Serial] });
        }
        let mut pieces = Vec::new();
        let mut bytes = text.bytes();
        while let Some(byte) = bytes.next() {
            if byte != b'%' {
                pieces.push(Piece::Literal(byte));
                continue;
            }
            let code = bytes.next();
            let piece = CODES.iter().find(|(letter, _)| Some(*letter) == code).map(|&(_, piece)| piece);
            pieces.push(match (code, piece) {
                (_, Some(piece)) => piece,
                (Some(b'%'), None) => Piece::Literal(b'%'),
                _ => {
                    return Err(
                        "has a `%` that is none of %Y %y %m %b %d %j %a %H %I %p %M %S %f %z %Z %s %Q %%; \
                                a spreadsheet's day numbers are `serial`"
                            .to_owned(),
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
        [Piece::Offset, Piece::ZoneName, Piece::Unix, Piece::UnixMillis].iter().any(|&piece| self.has(piece))
    }

    /// Whether it can show seconds.
    pub fn has_seconds(&self) -> bool {
        [Piece::Second, Piece::Unix, Piece::UnixMillis, Piece::Serial].iter().any(|&piece| self.has(piece))
    }

    /// Whether it has parts of a day, and parts of a time of day.
    pub fn parts(&self) -> (bool, bool) {
        let any = |is: fn(Piece) -> bool| self.pieces.iter().any(|&piece| is(piece) || piece.is_number());
        (any(Piece::is_of_day), any(Piece::is_of_clock))
    }

    /// What is too much in a column that has only a day, only a time of day, or both.
    pub(super) fn exceeds(&self, day: bool, clock: bool) -> Option<&'static str> {
        if self.pieces.iter().any(|piece| piece.is_number()) {
            let alone = self.pieces.iter().all(|piece| {
                piece.is_number() || matches!(piece, Piece::Fraction | Piece::Literal(b'.' | b','))
            });
            return (!(alone && day && clock)).then_some(
                "has %s, %Q or serial, which must be the only part, and in a column that is `time`",
            );
        }
        match self.parts() {
            (true, _) if !day => Some("has parts of a day, which belong into a column that is `date`"),
            (_, true) if !clock => {
                Some("has parts of a time of day, which belong into a column that is `clock`")
            }
            (false, false) => Some("has no part of a time"),
            _ => None,
        }
    }
}

/// What is missing or too much in the formats of all columns of times, taken together.
pub(super) fn lacks(formats: &[&Format]) -> Option<&'static str> {
    let all = || formats.iter().flat_map(|format| format.pieces.iter().copied());
    if all().any(Piece::is_number) {
        return None;
    }
    let count = |pieces: &[Piece]| all().filter(|piece| pieces.contains(piece)).count();
    let years = count(&[Piece::Year, Piece::ShortYear]);
    let months = count(&[Piece::Month, Piece::MonthName]);
    let (days, of_year) = (count(&[Piece::Day]), count(&[Piece::DayOfYear]));
    if !matches!((years, months, days, of_year), (1, 1, 1, 0) | (1, 0, 0, 1)) {
        return Some(
            "needs one year (%Y or %y), one month (%m or %b) and the day (%d), in the file's order; or a year and the \
             day of the year (%j)",
        );
    }
    let halves = count(&[Piece::Half]);
    if count(&[Piece::Hour, Piece::HalfHour]) != 1 || count(&[Piece::Minute]) != 1 {
        return Some("needs one hour (%H, or %I with %p) and the minute (%M)");
    }
    if count(&[Piece::HalfHour]) != halves {
        return Some("needs %I and %p together, or %H alone");
    }
    let once = [Piece::Second, Piece::Fraction, Piece::Offset, Piece::ZoneName, Piece::Weekday];
    if once.iter().any(|&piece| count(&[piece]) > 1) {
        return Some("has one part twice");
    }
    if count(&[Piece::Offset, Piece::ZoneName]) > 1 {
        return Some("has %z and %Z; keep one of the two");
    }
    (count(&[Piece::Fraction]) > count(&[Piece::Second]))
        .then_some("has a fraction (%f), and no seconds (%S) before it")
}
