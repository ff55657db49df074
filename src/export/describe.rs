//! The descriptor next to the data: what is in the file, according to the Frictionless Data Package standard, version 1
//! (<https://specs.frictionlessdata.io/data-package/>).
//!
//! CSV is a *tabular data resource*; JSON Lines and Parquet are plain *data resources* with the same schema, because
//! the standard's tabular resources are CSV only. What the standard does not define is in keys of our own, which it
//! allows: `unit` (a UCUM code) of a field, `channels`, `provenance`, `gaps`, `given_up`.

use super::convert::ucum;
use super::file::Written;
use super::request::{Clock, Format, OfLogger, Request, Shape, Summary};
use super::table::{Column, ColumnKind};
use crate::record::coverage::LoggerRange;
use crate::report::gaps::{Gap, GapState};
use crate::text::as_rfc3339;
use crate::time::GatewayTime;
use crate::wire::seq::{Address, Epoch};
use serde::Serialize;
use std::collections::BTreeMap;

/// How many gaps are listed; beyond this, only their number is given.
const GAPS_MAX: usize = 10_000;

/// The parts of the descriptor that are not about the file's own content.
#[derive(Clone, Debug, Default)]
pub struct Provenance {
    pub site: String,
    /// The file's name, relative to the descriptor.
    pub file: String,
    pub ledger: LedgerFacts,
    /// The sources of values in units: name and digest.
    pub units: Vec<(String, String)>,
    /// Further files next to it: name, what they are, columns.
    pub notes: Vec<(String, Written, Vec<Column>)>,
}

/// A ledger's schema, and its newest backup.
#[derive(Clone, Debug, Default, Serialize)]
pub struct LedgerFacts {
    /// The version of its schema.
    pub schema: u32,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub newest_backup: Option<BackupFacts>,
}

/// A backup of the ledger.
#[derive(Clone, Debug, Serialize)]
pub struct BackupFacts {
    pub file: String,
    pub sha256: String,
    #[serde(serialize_with = "as_rfc3339")]
    pub made_at: GatewayTime,
}

/// The descriptor.
#[derive(Serialize)]
pub struct Package<'a> {
    profile: &'static str,
    name: String,
    title: String,
    #[serde(serialize_with = "as_rfc3339")]
    created: GatewayTime,
    resources: Vec<Resource<'a>>,
    provenance: ProvenanceJson<'a>,
    channels: Vec<LoggerChannels<'a>>,
    gaps: Option<Vec<GapJson>>,
    gaps_total: Option<usize>,
    given_up: Vec<LoggerRange>,
}

/// A file. The last three fields exist for some formats only, and for the readings only.
#[derive(Serialize)]
struct Resource<'a> {
    profile: &'static str,
    name: String,
    path: &'a str,
    format: &'static str,
    mediatype: &'static str,
    bytes: u64,
    hash: String,
    schema: Schema<'a>,
    #[serde(skip_serializing_if = "Option::is_none")]
    encoding: Option<&'static str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    dialect: Option<Dialect>,
    #[serde(skip_serializing_if = "Option::is_none")]
    rows: Option<u64>,
}

#[derive(Serialize)]
#[serde(rename_all = "camelCase")]
struct Schema<'a> {
    fields: Vec<Field<'a>>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    missing_values: Vec<String>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    primary_key: Vec<&'static str>,
}

#[derive(Serialize)]
struct Field<'a> {
    name: &'a str,
    r#type: &'static str,
    description: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    unit: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    constraints: Option<Constraints>,
}

#[derive(Serialize)]
struct Constraints {
    required: bool,
}

#[derive(Serialize)]
#[serde(rename_all = "camelCase")]
struct Dialect {
    delimiter: &'static str,
    quote_char: &'static str,
    double_quote: bool,
    line_terminator: &'static str,
    header: bool,
}

const DIALECT: Dialect =
    Dialect { delimiter: ",", quote_char: "\"", double_quote: true, line_terminator: "\n", header: true };

/// The source of the readings, and what was requested.
#[derive(Serialize)]
struct ProvenanceJson<'a> {
    program: &'static str,
    site: &'a str,
    ledger: &'a LedgerFacts,
    #[serde(serialize_with = "as_rfc3339")]
    exported_at: GatewayTime,
    #[serde(serialize_with = "as_rfc3339")]
    as_of: Option<GatewayTime>,
    #[serde(serialize_with = "as_rfc3339")]
    from: Option<GatewayTime>,
    #[serde(serialize_with = "as_rfc3339")]
    to_before: Option<GatewayTime>,
    clock: &'static str,
    order: &'static str,
    readings: u64,
    missing_rows: u64,
    #[serde(serialize_with = "as_rfc3339")]
    first: Option<GatewayTime>,
    #[serde(serialize_with = "as_rfc3339")]
    last: Option<GatewayTime>,
    impossible_times: u64,
    impossible_times_left_out: u64,
    corrected_times: u64,
    units: BTreeMap<&'a str, &'a str>,
}

#[derive(Serialize)]
struct GapJson {
    logger: Address,
    epoch: Epoch,
    first: u32,
    last: u32,
    records: u64,
    readings: Option<u64>,
    #[serde(serialize_with = "as_rfc3339")]
    from: Option<GatewayTime>,
    #[serde(serialize_with = "as_rfc3339")]
    to: Option<GatewayTime>,
    state: GapState,
}

#[derive(Serialize)]
struct LoggerChannels<'a> {
    logger: u16,
    name: &'a str,
    readings: u64,
    channels: Vec<Channel<'a>>,
}

#[derive(Serialize)]
struct Channel<'a> {
    channel: usize,
    name: &'a str,
    raw_unit: Option<&'static str>,
    unit: Option<&'static str>,
}

/// The descriptor.
pub fn package<'a>(
    request: &Request,
    summary: &'a Summary,
    written: &Written,
    of: &'a Provenance,
) -> Package<'a> {
    let is_csv = request.format == Format::Csv;
    let mut resources = vec![data(request, summary, written, &of.file)];
    for (file, written, columns) in &of.notes {
        resources.push(resource(file, columns, written, Format::Csv));
    }
    Package {
        profile: if is_csv { "tabular-data-package" } else { "data-package" },
        name: slug(&of.file),
        title: format!("Readings of {}", of.site),
        created: request.now,
        resources,
        provenance: provenance(request, summary, of),
        channels: summary.loggers.iter().map(|(&logger, of)| channels(logger, of)).collect(),
        // What was missing at an earlier time is not stored.
        gaps: request.as_of.is_none().then(|| gaps(summary)),
        gaps_total: request.as_of.is_none().then_some(summary.gaps.len()),
        given_up: summary
            .given_up
            .iter()
            .map(|&(logger, epoch, first, last)| LoggerRange { logger, epoch, first, last })
            .collect(),
    }
}

/// The readings' file.
fn data<'a>(request: &Request, summary: &'a Summary, written: &Written, file: &'a str) -> Resource<'a> {
    let mut resource = resource(file, &summary.columns, written, request.format);
    let missing_values = &mut resource.schema.missing_values;
    missing_values.push(String::new());
    if request.format == Format::Csv && request.shape == Shape::Wide {
        missing_values.extend(summary.fault_codes.iter().map(|code| format!("!{code}")));
    }
    let mut key = vec!["logger", "epoch", "sequence"];
    let has_points = summary.columns.iter().any(|column| column.name == "point");
    if request.shape == Shape::Long {
        key.push("channel");
        // A channel may lead derived points too.
        key.extend(has_points.then_some("point"));
    }
    // A gap of raw counts has no channel, and a key must have all its parts.
    if !(request.gaps && request.shape == Shape::Long && !has_points) {
        resource.schema.primary_key = key;
    }
    resource.rows = Some(summary.rows);
    resource
}

fn provenance<'a>(request: &Request, summary: &Summary, of: &'a Provenance) -> ProvenanceJson<'a> {
    let ((from, to_before), (first, last)) = (request.span.unzip(), summary.times.unzip());
    ProvenanceJson {
        program: concat!("stonechat ", env!("CARGO_PKG_VERSION")),
        site: &of.site,
        ledger: &of.ledger,
        exported_at: request.now,
        as_of: request.as_of,
        from: from.filter(|&at| at != GatewayTime::MIN),
        to_before: to_before.filter(|&at| at != GatewayTime::MAX),
        clock: match request.clock {
            Clock::Logger => "logger",
            Clock::Corrected => "corrected",
        },
        order: "logger, epoch, sequence",
        readings: summary.readings,
        missing_rows: summary.missing,
        first,
        last,
        impossible_times: summary.impossible,
        impossible_times_left_out: summary.impossible_left_out,
        corrected_times: summary.corrected,
        units: of.units.iter().map(|(name, digest)| (name.as_str(), digest.as_str())).collect(),
    }
}

/// The gaps of the span.
fn gaps(summary: &Summary) -> Vec<GapJson> {
    let gap = |gap: &Gap| GapJson {
        logger: gap.logger,
        epoch: gap.epoch,
        first: gap.first,
        last: gap.last,
        records: gap.records(),
        readings: gap.readings,
        from: gap.from,
        to: gap.to,
        state: gap.state,
    };
    summary.gaps.iter().take(GAPS_MAX).map(gap).collect()
}

/// A logger, and what its channels are.
fn channels<'a>(logger: u16, of: &'a OfLogger) -> LoggerChannels<'a> {
    let channels = of.channels.iter().enumerate().map(|(channel, (name, unit))| Channel {
        channel,
        name,
        raw_unit: unit.map(|unit| unit.name()),
        unit: unit.map(ucum),
    });
    LoggerChannels { logger, name: &of.name, readings: of.readings, channels: channels.collect() }
}

fn resource<'a>(file: &'a str, columns: &'a [Column], written: &Written, format: Format) -> Resource<'a> {
    let (profile, name, mediatype) = match format {
        Format::Csv => ("tabular-data-resource", "csv", "text/csv"),
        Format::JsonLines => ("data-resource", "jsonl", "application/jsonl"),
        #[cfg(feature = "desk")]
        Format::Parquet => ("data-resource", "parquet", "application/vnd.apache.parquet"),
    };
    Resource {
        profile,
        name: slug(file),
        path: file,
        format: name,
        mediatype,
        bytes: written.bytes,
        hash: format!("sha256:{}", written.sha256),
        schema: Schema {
            fields: columns.iter().map(field).collect(),
            missing_values: Vec::new(),
            primary_key: Vec::new(),
        },
        encoding: format.is_text().then_some("utf-8"),
        dialect: (format == Format::Csv).then_some(DIALECT),
        rows: None,
    }
}

fn field(column: &Column) -> Field<'_> {
    let r#type = match column.kind {
        ColumnKind::Int => "integer",
        ColumnKind::Hundredths | ColumnKind::Real => "number",
        ColumnKind::Time => "datetime",
        ColumnKind::Text => "string",
        ColumnKind::Bool => "boolean",
    };
    Field {
        name: &column.name,
        r#type,
        description: &column.about,
        unit: column.unit.as_deref(),
        constraints: column.is_required.then_some(Constraints { required: true }),
    }
}

/// The units of columns as JSON, for formats that can carry text of their own.
#[cfg(feature = "desk")]
pub fn units_json(columns: &[Column]) -> String {
    let units: BTreeMap<&str, &str> =
        columns.iter().filter_map(|column| Some((column.name.as_ref(), column.unit.as_deref()?))).collect();
    serde_json::to_string(&units).unwrap_or_default()
}

/// A name as the standard requires it: lower case letters, digits, `-`, `_` and `.`.
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
