//! The gap report as JSON.

use super::outages::cause;
use crate::record::damaged::DamagedLedger;
use crate::record::unread::Opaque;
use crate::record::written::{Manual, Remark};
use crate::report::ask::history::GapAsked;
use crate::report::gaps::{BadEnd, Gap, GapState, Silence, UnclosedGap};
use crate::report::memory::InMemory;
use crate::report::notes::{Notes, NotesSpan};
use crate::report::outage::{Outage, Part};
use crate::report::selection::GapsFound;
use crate::report::service::Service;
use crate::report::verdict::Verdict;
use crate::text::as_rfc3339;
use crate::time::GatewayTime;
use crate::view::asked::AskingJson;
use crate::view::frame::Frame;
use crate::view::gateway::{FirstToOverwrite, GatewayJson};
use crate::view::notes::WriteOffJson;
use crate::view::unread::OpaqueJson;
use crate::wire::seq::Address;
use serde::Serialize;

#[derive(Serialize)]
struct GapsJson<'a> {
    visit: Verdict,
    site: &'a str,
    #[serde(serialize_with = "as_rfc3339")]
    generated_at: GatewayTime,
    gateway: GatewayJson<'a>,
    if_the_gateway_stays_so: Option<FirstToOverwrite>,
    opaque: Vec<OpaqueOf<'a>>,
    gaps: Vec<GapJson<'a>>,
    unclosed: Vec<UnclosedJson<'a>>,
    silent: Vec<SilenceJson<'a>>,
    outages: Vec<OutageJson<'a>>,
    visit_order: Vec<Address>,
    ledgers_set_aside: &'a [DamagedLedger],
    firmware_faults: Vec<BadEndJson<'a>>,
    totals: Totals,
    asking: AskingJson<'a>,
    #[serde(flatten)]
    service: &'a Service,
}

#[derive(Serialize)]
struct Totals {
    gaps: usize,
    records: u64,
    unclosed: usize,
    silent: usize,
}

#[derive(Serialize)]
struct OpaqueOf<'a> {
    logger: Address,
    name: &'a str,
    #[serde(flatten)]
    opaque: OpaqueJson,
}

#[derive(Serialize)]
struct GapJson<'a> {
    name: &'a str,
    records: u64,
    #[serde(serialize_with = "as_rfc3339")]
    all_overwritten_latest: Option<GatewayTime>,
    records_gone: u64,
    records_certain: u64,
    written_off: Vec<WriteOffJson<'a>>,
    perhaps_in: Option<&'a str>,
    over_the_radio: Option<GapAsked>,
    #[serde(flatten)]
    gap: &'a Gap,
    #[serde(flatten)]
    notes: NotesJson<'a>,
}

#[derive(Serialize)]
struct UnclosedJson<'a> {
    name: &'a str,
    written_off: Vec<WriteOffJson<'a>>,
    #[serde(flatten)]
    open: &'a UnclosedGap,
    #[serde(flatten)]
    notes: NotesJson<'a>,
}

#[derive(Serialize)]
struct SilenceJson<'a> {
    logger: Address,
    name: &'a str,
    #[serde(serialize_with = "as_rfc3339")]
    last_heard: Option<GatewayTime>,
    presumed_readings: Option<u64>,
    expected_quiet: Option<&'a Remark>,
    written_off: Option<WriteOffJson<'a>>,
    #[serde(flatten)]
    in_memory: InMemory,
    #[serde(flatten)]
    notes: NotesJson<'a>,
}

#[derive(Serialize)]
struct OutageJson<'a> {
    #[serde(serialize_with = "as_rfc3339")]
    from: GatewayTime,
    #[serde(serialize_with = "as_rfc3339")]
    to: GatewayTime,
    cause: &'static str,
    loggers: &'a [Address],
    records: u64,
    missing: u64,
    brought: u64,
    written_off: u64,
    repaired: bool,
    parts: &'a [Part],
    times_corrected: bool,
}

#[derive(Serialize)]
struct BadEndJson<'a> {
    name: &'a str,
    #[serde(flatten)]
    bad: &'a BadEnd,
}

/// What people wrote down about it.
#[derive(Serialize)]
struct NotesJson<'a> {
    remarks: Vec<&'a Remark>,
    manual: Vec<&'a Manual>,
}

/// The report as JSON; times in UTC.
pub fn as_json<'a>(frame: Frame<'a>, found: &'a GapsFound) -> impl Serialize + use<'a> {
    let report = &found.report;
    let name = |logger| frame.name(logger);
    let opaque = |opaque: &Opaque| OpaqueOf {
        logger: opaque.logger,
        name: name(opaque.logger),
        opaque: Some(opaque).into(),
    };
    let is_open = |state| state == GapState::Open;
    GapsJson {
        visit: found.verdict,
        site: frame.site,
        generated_at: frame.now,
        gateway: (&found.gateway).into(),
        if_the_gateway_stays_so: found.first_to_overwrite.map(FirstToOverwrite::from),
        opaque: found.opaque.iter().map(opaque).collect(),
        gaps: report.gaps.iter().map(|gap| gap_json(frame, found, gap)).collect(),
        unclosed: report.unclosed.iter().map(|open| unclosed_json(frame, found, open)).collect(),
        silent: report.silent.iter().map(|silence| silence_json(frame, found, silence)).collect(),
        outages: report.outages.iter().map(outage_json).collect(),
        visit_order: found.visits.iter().map(|visit| visit.logger).collect(),
        ledgers_set_aside: &found.aside,
        firmware_faults: report
            .bad_ends
            .iter()
            .map(|bad| BadEndJson { name: name(bad.logger), bad })
            .collect(),
        totals: Totals {
            gaps: report.gaps.iter().filter(|gap| is_open(gap.state)).count(),
            records: report.open_records(),
            unclosed: report.unclosed.iter().filter(|open| is_open(open.state)).count(),
            silent: report.silent.len(),
        },
        asking: (&found.asked).into(),
        service: &report.service,
    }
}

fn gap_json<'a>(frame: Frame<'a>, found: &'a GapsFound, gap: &'a Gap) -> GapJson<'a> {
    let notes = &found.notes;
    GapJson {
        name: frame.name(gap.logger),
        records: gap.records(),
        all_overwritten_latest: gap.in_memory.all_latest,
        records_gone: gap.in_memory.gone,
        records_certain: gap.in_memory.certain,
        written_off: notes.writes_off(gap).map(WriteOffJson::from).collect(),
        over_the_radio: found.asked.of_gap(gap),
        perhaps_in: found.perhaps_in(gap).map(|aside| aside.file.as_str()),
        gap,
        notes: notes_json(notes, notes.of_gap(gap)),
    }
}

fn unclosed_json<'a>(frame: Frame<'a>, found: &'a GapsFound, open: &'a UnclosedGap) -> UnclosedJson<'a> {
    let notes = &found.notes;
    UnclosedJson {
        name: frame.name(open.logger),
        written_off: notes.writes_rest_off(open).map(WriteOffJson::from).collect(),
        open,
        notes: notes_json(notes, notes.of_unclosed(open)),
    }
}

fn silence_json<'a>(frame: Frame<'a>, found: &'a GapsFound, silence: &Silence) -> SilenceJson<'a> {
    let notes = &found.notes;
    SilenceJson {
        logger: silence.logger,
        name: frame.name(silence.logger),
        last_heard: silence.last_heard,
        presumed_readings: silence.presumed_readings,
        expected_quiet: notes.quiet(silence.logger),
        written_off: notes.given_up(silence.logger).map(WriteOffJson::from),
        in_memory: silence.in_memory,
        notes: notes_json(notes, Some(notes.of_silence(silence, frame.now))),
    }
}

fn outage_json(outage: &Outage) -> OutageJson<'_> {
    OutageJson {
        from: outage.from,
        to: outage.to,
        cause: cause(outage.cause),
        loggers: &outage.loggers,
        records: outage.records(),
        missing: outage.missing(),
        brought: outage.brought(),
        written_off: outage.written_off(),
        repaired: outage.is_repaired(),
        parts: &outage.parts,
        times_corrected: outage.is_corrected,
    }
}

fn notes_json(notes: &Notes, span: Option<NotesSpan>) -> NotesJson<'_> {
    NotesJson {
        remarks: span.into_iter().flat_map(|span| notes.remarks(span)).collect(),
        manual: span.into_iter().flat_map(|span| notes.manual(span)).collect(),
    }
}
