//! The descriptor beside the data: what is in the file, by the Frictionless Data Package standard, version 1
//! (<https://specs.frictionlessdata.io/data-package/>).
//!
//! CSV is a *tabular data resource*; JSON Lines and Parquet are plain *data resources* with the same schema, since the
//! standard's tabular ones are CSV only. What the standard has no word for stands in keys of our own, which it allows:
//! `unit` (a UCUM code) of a field, `channels`, `provenance`, `gaps`, `given_up`.

use super::convert::ucum;
use super::file::Written;
use super::request::{Clock, Format, Request, Shape, Summary};
use super::table::{Column, Kind};
use crate::text::rfc3339;
use crate::time::GatewayTime;
use serde_json::{Value, json};
use std::collections::BTreeMap;

/// Gaps that are listed; of more, their number is told.
const GAPS_MAX: usize = 10_000;

/// What the descriptor says beyond the file's own content.
#[derive(Clone, Debug, Default)]
pub struct Provenance {
    /// The site's name.
    pub site: String,
    /// The file's name, relative to the descriptor.
    pub file: String,
    /// Where the ledger lies, and its schema.
    pub ledger: BTreeMap<String, Value>,
    /// What values in units rest on: name and digest.
    pub units: Vec<(String, String)>,
    /// Further files beside it: name, what they are, columns.
    pub beside: Vec<(String, Written, Vec<Column>)>,
}

/// The descriptor.
pub fn package(request: &Request, summary: &Summary, written: &Written, of: &Provenance) -> Value {
    let is_csv = request.format == Format::Csv;
    let mut resources = vec![data(request, summary, written, &of.file)];
    for (file, written, columns) in &of.beside {
        resources.push(self::resource(file, columns, written, Format::Csv));
    }
    let profile = if is_csv { "tabular-data-package" } else { "data-package" };
    json!({
        "profile": profile,
        "name": slug(&of.file),
        "title": format!("Readings of {}", of.site),
        "created": rfc3339(request.now),
        "resources": resources,
        "provenance": provenance(request, summary, of),
        "channels": channels(summary),
        // What was missing at an earlier time, nobody has kept.
        "gaps": request.as_of.is_none().then(|| gaps(summary)),
        "gaps_total": request.as_of.is_none().then_some(summary.gaps.len()),
        "given_up": given_up(summary),
    })
}

/// The readings' file.
fn data(request: &Request, summary: &Summary, written: &Written, file: &str) -> Value {
    let mut resource = resource(file, &summary.columns, written, request.format);
    let mut missing_values = vec![String::new()];
    if request.format == Format::Csv && request.shape == Shape::Wide {
        missing_values.extend(summary.fault_codes.iter().map(|code| format!("!{code}")));
    }
    resource["schema"]["missingValues"] = json!(missing_values);
    let mut key = vec!["logger", "epoch", "sequence"];
    let has_points = summary.columns.iter().any(|column| column.name == "point");
    if request.shape == Shape::Long {
        key.push("channel");
        // A channel may lead derived points too.
        key.extend(has_points.then_some("point"));
    }
    // A gap of raw counts has no channel, and a key must have all its parts.
    if !(request.gaps && request.shape == Shape::Long && !has_points) {
        resource["schema"]["primaryKey"] = json!(key);
    }
    resource["rows"] = json!(summary.rows);
    resource
}

/// Where the readings come from, and what was asked for.
fn provenance(request: &Request, summary: &Summary, of: &Provenance) -> Value {
    let units: BTreeMap<&str, &str> =
        of.units.iter().map(|(name, digest)| (name.as_str(), digest.as_str())).collect();
    json!({
        "program": concat!("stonechat ", env!("CARGO_PKG_VERSION")),
        "site": of.site,
        "ledger": of.ledger,
        "exported_at": rfc3339(request.now),
        "as_of": time(request.as_of),
        "from": time(request.span.map(|span| span.0).filter(|&at| at != GatewayTime::MIN)),
        "to_before": time(request.span.map(|span| span.1).filter(|&at| at != GatewayTime::MAX)),
        "clock": match request.clock { Clock::Logger => "logger", Clock::Corrected => "corrected" },
        "order": "logger, epoch, sequence",
        "readings": summary.readings,
        "missing_rows": summary.missing,
        "first": time(summary.times.map(|times| times.0)),
        "last": time(summary.times.map(|times| times.1)),
        "impossible_times": summary.impossible,
        "impossible_times_left_out": summary.impossible_left_out,
        "corrected_times": summary.corrected,
        "units": units,
    })
}

/// The gaps of the span.
fn gaps(summary: &Summary) -> Vec<Value> {
    summary
        .gaps
        .iter()
        .take(GAPS_MAX)
        .map(|gap| {
            json!({
                "logger": gap.logger.number(), "epoch": gap.epoch.number(),
                "first": gap.first, "last": gap.last, "records": gap.records(), "readings": gap.readings,
                "from": time(gap.from), "to": time(gap.to), "state": gap.state.name(),
            })
        })
        .collect()
}

/// The loggers, and what their channels are.
fn channels(summary: &Summary) -> Vec<Value> {
    summary
        .loggers
        .iter()
        .map(|(number, logger)| {
            let channels: Vec<Value> = logger
                .channels
                .iter()
                .enumerate()
                .map(|(at, (name, unit))| {
                    json!({"channel": at, "name": name, "raw_unit": unit.map(|unit| unit.name()),
                        "unit": unit.map(ucum)})
                })
                .collect();
            json!({"logger": number, "name": logger.name, "readings": logger.readings, "channels": channels})
        })
        .collect()
}

/// What was given up to backups.
fn given_up(summary: &Summary) -> Vec<Value> {
    summary
        .given_up
        .iter()
        .map(|(logger, epoch, first, last)| {
            json!({"logger": logger, "epoch": epoch, "first": first, "last": last})
        })
        .collect()
}

/// A time, where there is one.
fn time(at: Option<GatewayTime>) -> Option<String> {
    at.map(rfc3339)
}

fn resource(file: &str, columns: &[Column], written: &Written, format: Format) -> Value {
    let (profile, name, mediatype) = match format {
        Format::Csv => ("tabular-data-resource", "csv", "text/csv"),
        Format::JsonLines => ("data-resource", "jsonl", "application/jsonl"),
        #[cfg(feature = "desk")]
        Format::Parquet => ("data-resource", "parquet", "application/vnd.apache.parquet"),
    };
    let mut resource = json!({
        "profile": profile, "name": slug(file), "path": file, "format": name, "mediatype": mediatype,
        "bytes": written.bytes, "hash": format!("sha256:{}", written.sha256),
        "schema": {"fields": columns.iter().map(field).collect::<Vec<_>>()},
    });
    if format.is_text() {
        resource["encoding"] = json!("utf-8");
    }
    if format == Format::Csv {
        resource["dialect"] = json!({"delimiter": ",", "quoteChar": "\"", "doubleQuote": true,
            "lineTerminator": "\n", "header": true});
    }
    resource
}

fn field(column: &Column) -> Value {
    let kind = match column.kind {
        Kind::Int => "integer",
        Kind::Hundredths | Kind::Real => "number",
        Kind::Time => "datetime",
        Kind::Text => "string",
        Kind::Bool => "boolean",
    };
    let mut field = json!({"name": column.name, "type": kind, "description": column.about});
    if let Some(unit) = &column.unit {
        field["unit"] = json!(unit);
    }
    if column.is_required {
        field["constraints"] = json!({"required": true});
    }
    field
}

/// The units of columns as JSON, for formats that can carry words of their own.
pub fn units_json(columns: &[Column]) -> String {
    let units: BTreeMap<&str, &str> =
        columns.iter().filter_map(|column| Some((column.name.as_ref(), column.unit.as_deref()?))).collect();
    json!(units).to_string()
}

/// A name as the standard wants it: lower case letters, digits, `-`, `_` and `.`.
fn slug(file: &str) -> String {
    let stem = file.rsplit_once('.').map_or(file, |(stem, _)| stem);
    let slug: String = stem
        .chars()
        .map(|c| match c.to_ascii_lowercase() {
            c @ ('a'..='z' | '0'..='9' | '-' | '_' | '.') => c,
            _ => '-',
        })
        .collect();
    if slug.is_empty() { "readings".to_owned() } else { slug }
}
