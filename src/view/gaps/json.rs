//! The gap report as JSON.

use super::outages::cause;
use crate::report::gaps::{BadEnd, Gap, GapState, Silence, UnclosedGap};
use crate::report::memory::InMemory;
use crate::report::notes::{Notes, NotesSpan};
use crate::report::outage::Outage;
use crate::report::selection::GapsFound;
use crate::text::rfc3339;
use crate::time::GatewayTime;
use crate::view;
use crate::view::frame::Frame;
use serde_json::{Value, json};

/// The report as JSON; times in UTC.
pub fn as_json(frame: Frame<'_>, found: &GapsFound) -> Value {
    let report = &found.report;
    let opaque: Vec<Value> = found
        .opaque
        .iter()
        .map(|opaque| {
            let mut value = view::unread::opaque_json(Some(opaque));
            value["logger"] = json!(opaque.logger);
            value["name"] = json!(frame.name(opaque.logger));
            value
        })
        .collect();
    let open_gaps = report.gaps.iter().filter(|gap| gap.state == GapState::Open).count();
    let value = json!({
        "site": frame.site, "generated_at": rfc3339(frame.now),
        "gateway": view::gateway::as_json(&found.gateway), "opaque": opaque,
        "gaps": report.gaps.iter().map(|gap| gap_json(frame, found, gap)).collect::<Vec<_>>(),
        "unclosed": report.unclosed.iter().map(|open| unclosed_json(frame, found, open)).collect::<Vec<_>>(),
        "silent": report.silent.iter().map(|silence| silence_json(frame, found, silence)).collect::<Vec<_>>(),
        "outages": report.outages.iter().map(outage_json).collect::<Vec<_>>(),
        "visit_order": found.visits.iter().map(|visit| visit.logger).collect::<Vec<_>>(),
        "ledgers_set_aside": found.aside,
        "firmware_faults": report.bad_ends.iter().map(|bad| bad_end_json(frame, bad)).collect::<Vec<_>>(),
        "totals": {
            "gaps": open_gaps, "records": report.open_records(),
            "unclosed": report.unclosed.iter().filter(|open| open.state == GapState::Open).count(),
            "silent": report.silent.len(),
        },
    });
    view::service::with_json(value, &report.service)
}

fn gap_json(frame: Frame<'_>, found: &GapsFound, gap: &Gap) -> Value {
    let notes = &found.notes;
    let off: Vec<Value> = notes.writes_off(gap).map(view::notes::write_off_json).collect();
    let value = json!({
        "logger": gap.logger, "name": frame.name(gap.logger), "epoch": gap.epoch,
        "first": gap.first, "last": gap.last, "records": gap.records(), "readings": gap.readings,
        "from": time(gap.from), "to": time(gap.to), "state": gap.state,
        "all_overwritten_latest": time(gap.in_memory.all_latest),
        "records_gone": gap.in_memory.gone, "records_certain": gap.in_memory.certain,
        "times_corrected": gap.is_corrected, "written_off": off,
        "perhaps_in": found.perhaps_in(gap).map(|aside| aside.file.as_str()),
    });
    with_notes(with_memory(value, &gap.in_memory), notes, notes.of_gap(gap))
}

fn unclosed_json(frame: Frame<'_>, found: &GapsFound, open: &UnclosedGap) -> Value {
    let notes = &found.notes;
    let off: Vec<Value> = notes.writes_rest_off(open).map(view::notes::write_off_json).collect();
    let value = json!({
        "logger": open.logger, "name": frame.name(open.logger), "epoch": open.epoch,
        "last": open.last, "next_epoch": open.next_epoch,
        "from": time(open.from), "to": time(open.to),
        "presumed_readings": open.presumed_readings, "state": open.state,
        "times_corrected": open.is_corrected, "written_off": off,
    });
    with_notes(with_memory(value, &open.in_memory), notes, notes.of_unclosed(open))
}

fn silence_json(frame: Frame<'_>, found: &GapsFound, silence: &Silence) -> Value {
    let notes = &found.notes;
    let value = json!({
        "logger": silence.logger, "name": frame.name(silence.logger),
        "last_heard": time(silence.last_heard), "presumed_readings": silence.presumed_readings,
        "expected_quiet": notes.quiet(silence.logger).map(view::notes::remark_json),
        "written_off": notes.given_up(silence.logger).map(view::notes::write_off_json),
    });
    let value = with_memory(value, &silence.in_memory);
    with_notes(value, notes, Some(notes.of_silence(silence, frame.now)))
}

fn outage_json(outage: &Outage) -> Value {
    json!({
        "from": rfc3339(outage.from), "to": rfc3339(outage.to), "cause": cause(outage.cause),
        "loggers": outage.loggers,
        "records": outage.records(), "missing": outage.missing(), "brought": outage.brought(),
        "written_off": outage.written_off(), "repaired": outage.is_repaired(),
        "parts": outage.parts,
        "times_corrected": outage.is_corrected,
    })
}

/// Adds what people wrote down about it, as two keys.
fn with_notes(mut value: Value, notes: &Notes, span: Option<NotesSpan>) -> Value {
    if let Some(object) = value.as_object_mut() {
        let remarks = span.into_iter().flat_map(|span| notes.remarks(span)).map(view::notes::remark_json);
        let manual = span.into_iter().flat_map(|span| notes.manual(span)).map(view::notes::manual_json);
        object.insert("remarks".to_owned(), remarks.collect());
        object.insert("manual".to_owned(), manual.collect());
    }
    value
}

fn time(at: Option<GatewayTime>) -> Option<String> {
    at.map(rfc3339)
}

/// Adds what the logger still holds of it and until when: the same keys in every list.
fn with_memory(mut value: Value, memory: &InMemory) -> Value {
    value["in_logger"] = json!(memory.in_logger);
    value["in_another_unit"] = json!(memory.is_elsewhere);
    value["overwritten_earliest"] = json!(time(memory.earliest));
    value["overwritten_latest"] = json!(time(memory.latest));
    value
}

fn bad_end_json(frame: Frame<'_>, bad: &BadEnd) -> Value {
    let mut value = json!(bad);
    value["name"] = json!(frame.name(bad.logger));
    value
}
