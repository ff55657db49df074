//! Completeness in words, as CSV and as JSON. The first line says whether the record is complete. The rest of the first
//! screen shows the months, the loggers with most missing records, and what to do next. The whole report has every
//! logger and month.

mod short;

use crate::report::completeness::{Complete, Completeness, CompletenessWanted, Counts, LoggerCounts, Span};
use crate::report::service::Service;
use crate::text::{as_rfc3339, counted, csv_cell, rfc3339, thousands};
use crate::time::GatewayTime;
use crate::view;
use crate::view::frame::Frame;
use crate::view::gateway::{FirstToOverwrite, GatewayJson};
use crate::view::screen::{self, COLUMNS_MIN, prose};
use crate::view::term::{Table, beginning, cut};
use crate::wire::seq::Address;
use serde::Serialize;

/// From this width on, names have a column.
const ROOMY_COLUMNS: usize = 120;
/// Names are cut at this.
const NAME_MAX: usize = 22;

/// Rounded down, so that 100.0 means that nothing is missing.
fn percent(counts: &Counts) -> Option<String> {
    counts.permille().map(|share| format!("{}.{}", share / 10, share % 10))
}

/// The report that is being written.
struct Page<'a> {
    frame: Frame<'a>,
    wanted: &'a CompletenessWanted,
    found: &'a Completeness,
    all: Counts,
    columns: usize,
}

/// The counts as text, `columns` wide: on one screen, or all of them.
pub fn page(
    frame: Frame<'_>,
    wanted: &CompletenessWanted,
    found: &Completeness,
    is_whole: bool,
    columns: usize,
) -> String {
    let page = Page { frame, wanted, found, all: found.all(), columns: columns.max(COLUMNS_MIN) };
    if is_whole { page.whole() } else { page.short() }
}

impl Page<'_> {
    /// Every logger and month.
    fn whole(&self) -> String {
        let mut text = self.head();
        text += &self.title();
        for line in table(self.frame, self.wanted, &self.found.loggers, self.columns).text(0).lines() {
            text += beginning(line, self.columns).trim_end();
            text.push('\n');
        }
        text.push('\n');
        text + &footnotes(&self.found.loggers, self.columns)
    }

    /// The answer, the site, the span; then the gateway if it is at fault, and loggers that left.
    fn head(&self) -> String {
        let (frame, offset) = (self.frame, self.frame.utc_offset_s);
        let mut text = screen::head(&self.answer(), frame, self.columns);
        if let (false, Some(span)) = (self.wanted.by_month, self.wanted.spans.first()) {
            let from = match span.from {
                GatewayTime::MIN => "the first record".to_owned(),
                from => frame.at(from),
            };
            let span = format!("The span is from {from} to before {}.", frame.at(span.to));
            text += &prose(&span, self.columns);
        }
        let gateway = view::gateway::first_with(&self.found.gateway, self.found.first_to_overwrite, frame);
        for words in gateway.into_iter().chain(view::service::lines(&self.found.service, offset)) {
            text += &format!("\n{}", prose(&words, self.columns));
        }
        text
    }

    /// An empty line before the counts, and whether they are only what is known so far.
    fn title(&self) -> String {
        match self.found.complete() {
            Complete::NotYetKnown => {
                "\nKnown so far, counting only records that are in the ledger:\n".to_owned()
            }
            _ => "\n".to_owned(),
        }
    }

    /// Is the record complete? The first line.
    fn answer(&self) -> String {
        let all = &self.all;
        let of = if self.wanted.loggers.is_empty() { "" } else { " of these loggers" };
        let as_of = self.wanted.as_of.map(|at| format!(", as it was known at {},", self.frame.at(at)));
        let as_of = as_of.unwrap_or_default();
        let held = match all.expected() {
            1 => "the 1 expected record is held".to_owned(),
            expected => format!("all {} expected records are held", thousands(expected)),
        };
        let answer = match self.found.complete() {
            Complete::No if all.missing > 0 => format!(
                "No: {} of {} expected records {} missing; {}\u{a0}% are held.",
                thousands(all.missing),
                thousands(all.expected()),
                if all.missing == 1 { "is" } else { "are" },
                percent(all).unwrap_or_default()
            ),
            Complete::No => {
                let missing = counted(self.found.missing(), "record");
                format!("No: {missing} of loggers that are not on the roster are missing.")
            }
            Complete::NotYetKnown => view::gateway::not_yet_known(&self.found.gateway),
            Complete::Presumed => format!("Not yet known: {held}. {}.", self.presumed()),
            Complete::Empty => "No record is expected yet.".to_owned(),
            Complete::Yes if all.written_off > 0 => format!(
                "Yes, except for what was written off: {} of {} expected records.",
                thousands(all.written_off),
                thousands(all.expected())
            ),
            Complete::Yes => format!("Yes: {held}."),
        };
        format!("Is the record{of} complete{as_of}? {answer}")
    }

    /// Records that silent loggers and unclosed epochs may have made.
    fn presumed(&self) -> String {
        format!(
            "About {} may exist, made by silent loggers or before a logger restarted",
            counted(self.all.presumed, "more reading")
        )
    }
}

/// A few lines for each logger, and those of all loggers together.
fn table(frame: Frame<'_>, wanted: &CompletenessWanted, counts: &[LoggerCounts], columns: usize) -> Table {
    let has_given_up = counts.iter().any(|of| of.all.given_up > 0);
    let has_asked = counts.iter().any(|of| of.all.asked > 0);
    let is_named = columns >= ROOMY_COLUMNS;
    let month = if wanted.by_month { "month" } else { "" };
    let mut heads = match is_named {
        true => {
            let backup = if has_given_up { ">in backup" } else { ">" };
            vec![
                ">logger",
                "name",
                month,
                ">expected",
                ">by radio",
                ">by hand",
                ">written off",
                ">missing",
                ">held %",
                ">presumed",
                backup,
            ]
        }
        false => {
            let backup = if has_given_up { ">backup" } else { ">" };
            vec![
                ">logger",
                month,
                ">expected",
                ">radio",
                ">hand",
                ">off",
                ">missing",
                ">held %",
                ">presumed",
                backup,
            ]
        }
    };
    // The part of those by radio comes after them.
    let by_radio = if is_named { 4 } else { 3 };
    if has_asked {
        heads.insert(by_radio + 1, if is_named { ">asked for" } else { ">asked" });
    }
    let mut table = Table::new(&heads);
    let mut block = |logger: String, name: &str, all: &Counts, spans: &[Counts]| {
        for (at, (label, counts)) in lines(frame, wanted, all, spans).into_iter().enumerate() {
            let first = |text: &str| if at == 0 { text.to_owned() } else { String::new() };
            let mut cells = vec![first(&logger)];
            if is_named {
                cells.push(first(&cut(name, NAME_MAX)));
            }
            cells.push(label);
            cells.extend(numbers(counts, has_given_up));
            if has_asked {
                cells.insert(by_radio + 1, thousands(counts.asked));
            }
            table.row(cells);
        }
    };
    for of in counts {
        block(of.logger.to_string(), frame.name(of.logger), &of.all, &of.spans);
    }
    if counts.len() > 1 {
        let spans: Vec<Counts> = (0..wanted.spans.len())
            .map(|at| Counts::total(counts.iter().filter_map(|of| of.spans.get(at))))
            .collect();
        block("all".to_owned(), "", &Counts::total(counts.iter().map(|of| &of.all)), &spans);
    }
    table
}

/// The lines of one logger: its spans, and all time.
fn lines<'c>(
    frame: Frame<'_>,
    wanted: &CompletenessWanted,
    all: &'c Counts,
    spans: &'c [Counts],
) -> Vec<(String, &'c Counts)> {
    let mut lines: Vec<(String, &Counts)> = wanted
        .spans
        .iter()
        .zip(spans)
        .map(|(span, counts)| {
            let day = frame.at(span.from.later(86_400));
            let label = if wanted.by_month { day.chars().take(7).collect() } else { "span".to_owned() };
            (label, counts)
        })
        // A month before the logger was installed is left out.
        .filter(|(_, counts)| !wanted.by_month || counts.expected() + counts.presumed > 0)
        .collect();
    lines.push(("all time".to_owned(), all));
    lines
}

fn numbers(counts: &Counts, has_given_up: bool) -> [String; 8] {
    let optional = |number: u64| if number > 0 { thousands(number) } else { String::new() };
    [
        thousands(counts.expected()),
        thousands(counts.radio),
        thousands(counts.by_hand()),
        optional(counts.written_off),
        thousands(counts.missing),
        percent(counts).unwrap_or_else(|| "-".to_owned()),
        if counts.presumed > 0 { format!("+{}", thousands(counts.presumed)) } else { String::new() },
        if has_given_up { thousands(counts.given_up) } else { String::new() },
    ]
}

/// The meaning of the columns.
fn footnotes(counts: &[LoggerCounts], columns: usize) -> String {
    let mut text = prose(
        "Expected: records that must exist, by their sequence numbers. Held %: by radio and by hand, of expected; \
         100.0 only if none is missing.",
        columns,
    );
    if counts.iter().any(|of| of.all.asked > 0) {
        text += &prose(
            "Asked for: how many of those by radio came because the gateway asked the logger for them.",
            columns,
        );
    }
    if counts.iter().any(|of| of.all.presumed > 0) {
        text += &prose(
            "Presumed: more readings that silent loggers, and epochs whose end is not known, may have made; not \
             included in the other numbers.",
            columns,
        );
    }
    if counts.iter().any(|of| of.all.given_up > 0) {
        text += &prose(
            "In backup: held, but moved to a verified backup, or in a ledger that was set aside; how they came is not \
             known here.",
            columns,
        );
    }
    let undated = Counts::total(counts.iter().map(|of| &of.undated)).expected();
    if undated > 0 {
        let are = if undated == 1 { "record has" } else { "records have" };
        text += &prose(
            &format!("{} {are} no known time: counted in all time only.", thousands(undated)),
            columns,
        );
    }
    text
}

/// `complete` is null if it is not known, or if no record is expected yet.
#[derive(Serialize)]
struct CompletenessJson<'a> {
    site: &'a str,
    #[serde(serialize_with = "as_rfc3339")]
    generated_at: GatewayTime,
    #[serde(serialize_with = "as_rfc3339")]
    as_of: Option<GatewayTime>,
    by_month: bool,
    complete: Option<bool>,
    gateway: GatewayJson<'a>,
    if_the_gateway_stays_so: Option<FirstToOverwrite>,
    loggers: Vec<LoggerJson<'a>>,
    all: CountsJson,
    #[serde(flatten)]
    service: &'a Service,
}

#[derive(Serialize)]
struct LoggerJson<'a> {
    logger: Address,
    name: &'a str,
    all_time: CountsJson,
    spans: Vec<SpanJson>,
    undated: CountsJson,
}

#[derive(Serialize)]
struct SpanJson {
    #[serde(serialize_with = "as_rfc3339")]
    from: Option<GatewayTime>,
    #[serde(serialize_with = "as_rfc3339")]
    to: GatewayTime,
    #[serde(flatten)]
    counts: CountsJson,
}

#[derive(Serialize)]
struct CountsJson {
    expected: u64,
    by_radio: u64,
    by_radio_asked_for: u64,
    by_hand: ByHand,
    given_up: u64,
    written_off: u64,
    missing: u64,
    percent_held: Option<f64>,
    presumed_readings: u64,
}

#[derive(Serialize)]
struct ByHand {
    sealed: u64,
    csv: u64,
}

impl From<&Counts> for CountsJson {
    fn from(counts: &Counts) -> Self {
        Self {
            expected: counts.expected(),
            by_radio: counts.radio,
            by_radio_asked_for: counts.asked,
            by_hand: ByHand { sealed: counts.sealed, csv: counts.csv },
            given_up: counts.given_up,
            written_off: counts.written_off,
            missing: counts.missing,
            percent_held: counts.permille().map(|share| share as f64 / 10.0),
            presumed_readings: counts.presumed,
        }
    }
}

/// The counts as JSON.
pub fn as_json<'a>(
    frame: Frame<'a>,
    wanted: &CompletenessWanted,
    found: &'a Completeness,
) -> impl Serialize + use<'a> {
    let span = |(span, counts): (&Span, &Counts)| SpanJson {
        from: Some(span.from).filter(|&from| from > GatewayTime::MIN),
        to: span.to,
        counts: counts.into(),
    };
    let logger = |of: &LoggerCounts| LoggerJson {
        logger: of.logger,
        name: frame.name(of.logger),
        all_time: (&of.all).into(),
        spans: wanted.spans.iter().zip(&of.spans).map(span).collect(),
        undated: (&of.undated).into(),
    };
    CompletenessJson {
        site: frame.site,
        generated_at: frame.now,
        as_of: wanted.as_of,
        by_month: wanted.by_month,
        complete: match found.complete() {
            Complete::Yes => Some(true),
            Complete::No => Some(false),
            Complete::NotYetKnown | Complete::Presumed | Complete::Empty => None,
        },
        gateway: (&found.gateway).into(),
        if_the_gateway_stays_so: found.first_to_overwrite.map(FirstToOverwrite::from),
        loggers: found.loggers.iter().map(logger).collect(),
        all: (&found.all()).into(),
        service: &found.service,
    }
}

/// The counts as CSV: one line for each logger and span; for all time if from and to are empty.
pub fn csv(frame: Frame<'_>, wanted: &CompletenessWanted, counts: &[LoggerCounts]) -> String {
    let mut text = String::from(
        "logger,name,from,to,expected,by_radio,by_hand_sealed,by_hand_csv,given_up,written_off,missing,\
         percent_held,presumed_readings,by_radio_asked_for\r\n",
    );
    for of in counts {
        let spans = wanted.spans.iter().map(Some).zip(&of.spans);
        for (span, counts) in spans.chain([(None, &of.all)]) {
            let time = |at: Option<GatewayTime>| {
                at.filter(|&at| at > GatewayTime::MIN).map(rfc3339).unwrap_or_default()
            };
            text += &format!(
                "{},{},{},{},{},{},{},{},{},{},{},{},{},{}\r\n",
                of.logger,
                csv_cell(frame.name(of.logger)),
                time(span.map(|span| span.from)),
                time(span.map(|span| span.to)),
                counts.expected(),
                counts.radio,
                counts.sealed,
                counts.csv,
                counts.given_up,
                counts.written_off,
                counts.missing,
                percent(counts).unwrap_or_default(),
                counts.presumed,
                counts.asked
            );
        }
    }
    text
}
