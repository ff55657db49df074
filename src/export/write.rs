//! Reads the ledger stretch by stretch and writes the rows of the file.

use super::convert::{Convert, Count, Value};
use super::error::ExportError;
use super::file::Target;
use super::request::{Clock, Format, Request, Shape, Summary};
use super::shape::{Context, Given, Missing, Rows};
use super::table;
use super::table::Sink;
use super::{csv, jsonl};
#[cfg(feature = "desk")]
use super::{describe, parquet};
use crate::ledger::read::extract::{self, Extract, ExtractWanted, Next, Stretch};
use crate::ledger::read::readings::{EpochTimes, Known, Readings};
use crate::ledger::read::snapshot::Reader;
use crate::record::clock;
use crate::record::coverage::RangeSet;
use crate::record::raw_unit::{Passing, RawUnits};
use crate::record::roster::Roster;
use crate::report::gaps::{self, Gap};
use crate::report::inputs::ReadError;
use crate::time::GatewayTime;
use crate::wire::seq::{Address, Epoch, Identity, Sequence};
use std::collections::BTreeMap;
use std::rc::Rc;
use std::sync::Arc;
use std::sync::mpsc::sync_channel;

/// How many fault codes a descriptor lists; only a few exist.
const FAULT_CODES_MAX: usize = 1_000;

/// Writes what is requested. `progress` receives the number of rows from time to time. `known` is the one that
/// `convert` uses too, so that a reading and what corrects it have times of one clock.
pub fn write(
    (reader, known): (&Reader, &Known),
    roster: &Roster,
    request: &Request,
    convert: &mut dyn Convert,
    target: &mut Target,
    mut progress: impl FnMut(u64),
) -> Result<Summary, ExportError> {
    let beginning = Beginning::look(reader, roster, request, convert)?;
    let source = Source { reader, known, roster };
    let wanted = ExtractWanted {
        loggers: (!request.loggers.is_empty()).then(|| request.loggers.clone()),
        // A corrected time does not limit the recorded one closely, so all rows are read then.
        recorded: request
            .span
            .filter(|_| request.clock == Clock::Logger)
            .map(|(from, to)| (clock::recorded_if_right(from), clock::recorded_if_right(to))),
        possible: request.possible(),
        as_of: request.as_of,
        // The long shape has columns for it, and receptions are needed to correct clocks.
        whence: request.shape == Shape::Long || beginning.needs_made,
    };
    let mut extract = Extract::begin(reader, wanted)?;
    let is_raw_wide = request.shape == Shape::Wide && convert.points().is_none();
    let mut channels = crate::wire::record::CHANNELS_MAX;
    if is_raw_wide {
        channels = source.channels(&extract)?;
    }
    if is_raw_wide && target.is_stdout() {
        // Bytes that have been sent cannot be taken back, so everything is checked first.
        channels = extract.most_channels()?;
    }
    loop {
        let mut rows =
            Rows::new(request.shape, request.format, request.clock, request.gaps, channels, convert);
        if let Some(name) = table::double(rows.columns()) {
            return Err(ExportError::Collides(name));
        }
        let mut work = Work {
            request,
            roster,
            beginning: &beginning,
            resolutions: extract.resolutions().clone(),
            summary: Summary {
                gaps: beginning.gaps.clone(),
                given_up: beginning.given_up(request),
                columns: rows.columns().to_vec(),
                ..Default::default()
            },
            gap: (0, 0),
        };
        let walk = Walk { request, source, beginning: &beginning, extract: &mut extract, channels, convert };
        match attempt(walk, &mut work, &mut rows, target, &mut progress)? {
            None => return Ok(work.summary),
            // A reading is wider than profiles and roster said, so the header must change.
            Some(wider) => {
                channels = wider;
                extract.rewind();
                if !target.restart()? {
                    return Err(std::io::Error::other(
                        "a reading with more channels was stored in the meantime; run it again",
                    )
                    .into());
                }
            }
        }
    }
}

/// Writes all rows with these columns; if the columns are too few, returns the number of channels that a row has.
fn attempt(
    walk: Walk<'_, '_>,
    work: &mut Work<'_>,
    rows: &mut Rows,
    target: &mut Target,
    progress: &mut impl FnMut(u64),
) -> Result<Option<usize>, ExportError> {
    let request = work.request;
    let columns = work.summary.columns.clone();
    let mut sink: Box<dyn Sink + Send + '_> = match request.format {
        Format::Csv => Box::new(csv::Csv::new(target, &columns, request.offset_s, request.leave_formulas)),
        Format::JsonLines => Box::new(jsonl::JsonLines::new(target, &columns, request.offset_s)),
        #[cfg(feature = "desk")]
        Format::Parquet => Box::new(parquet::Parquet::new(
            target,
            &columns,
            vec![("stonechat:unit".to_owned(), describe::units_json(&columns))],
        )?),
    };
    let wider = side_by_side(walk, work, rows, sink.as_mut(), progress)?;
    if wider.is_none() && request.gaps {
        work.rest_missing(rows, sink.as_mut())?;
    }
    // Without rows there is no file, and no header on standard output either.
    if wider.is_none() && work.summary.rows > 0 {
        sink.finish()?;
    }
    Ok(wider)
}

/// Reads a stretch while the rows of the previous one are made; if the columns are too few, returns the number of
/// channels that a row has.
fn side_by_side(
    mut walk: Walk<'_, '_>,
    work: &mut Work<'_>,
    rows: &mut Rows,
    sink: &mut (dyn Sink + Send),
    progress: &mut impl FnMut(u64),
) -> Result<Option<usize>, ExportError> {
    // The channel has no buffer, so there are two pieces: one being read and one being written.
    let (pieces, incoming) = sync_channel::<Piece>(0);
    let (outgoing, used) = sync_channel::<(Piece, u64)>(1);
    std::thread::scope(|scope| {
        let form = move || -> Result<(), ExportError> {
            for piece in incoming {
                work.take(&piece, rows, sink)?;
                let _ = outgoing.try_send((piece, work.summary.rows));
            }
            Ok(())
        };
        let forming = std::thread::Builder::new().name("export rows".into()).spawn_scoped(scope, form)?;
        let mut left_behind = Left::default();
        let read = loop {
            let mut piece = match used.try_recv() {
                Ok((piece, rows)) => {
                    progress(rows);
                    piece
                }
                Err(_) => Piece::default(),
            };
            match walk.next(&mut left_behind, &mut piece) {
                Ok(Next::End) => break Ok(None),
                Ok(Next::TooWide(wider)) => break Ok(Some(wider)),
                // The other thread has met an error, which is returned below.
                Ok(Next::Rows) if pieces.send(piece).is_err() => break Ok(None),
                Ok(Next::Rows) => {}
                Err(error) => break Err(error),
            }
        };
        drop(pieces);
        let formed = forming.join();
        formed
            .unwrap_or_else(|_| Err(std::io::Error::other("the thread that makes rows has failed").into()))?;
        read
    })
}

/// A stretch, with everything that its rows need.
#[derive(Default)]
struct Piece {
    stretch: Stretch,
    /// Raw units of its logger.
    units: Arc<RawUnits>,
    /// When each was made, corrected as far as needed.
    made: Vec<GatewayTime>,
    counts: Vec<Count>,
    values: Vec<Value>,
}

/// What is kept from one stretch to the next.
#[derive(Default)]
struct Left {
    of: Option<(Address, Epoch)>,
    units: Arc<RawUnits>,
    times: Option<Rc<EpochTimes>>,
}

/// The ledger, and what was looked up in it once.
#[derive(Clone, Copy)]
struct Source<'a> {
    reader: &'a Reader,
    known: &'a Known,
    roster: &'a Roster,
}

impl Source<'_> {
    fn times(&self, (logger, epoch): (Address, Epoch)) -> Result<Rc<EpochTimes>, ReadError> {
        self.reader.read(|snapshot| Readings::new(snapshot, self.roster, self.known).times(logger, epoch))
    }

    fn units(&self, logger: Address) -> Result<Arc<RawUnits>, ReadError> {
        self.reader.read(|snapshot| Readings::new(snapshot, self.roster, self.known).raw_units(logger))
    }

    /// The largest number of counts in a reading, by profiles and roster.
    fn channels(&self, extract: &Extract<'_>) -> Result<usize, ReadError> {
        self.reader.read(|snapshot| {
            let readings = Readings::new(snapshot, self.roster, self.known);
            let mut most = 1;
            for &logger in extract.loggers() {
                most = most.max(readings.raw_units(logger)?.channels());
            }
            Ok(most.min(crate::wire::record::CHANNELS_MAX))
        })
    }
}

/// The reading half: reads the ledger and converts.
struct Walk<'a, 'b> {
    request: &'a Request,
    source: Source<'a>,
    beginning: &'a Beginning,
    extract: &'a mut Extract<'b>,
    channels: usize,
    convert: &'a mut dyn Convert,
}

impl Walk<'_, '_> {
    fn next(&mut self, left: &mut Left, into: &mut Piece) -> Result<Next, ExportError> {
        into.made.clear();
        into.counts.clear();
        into.values.clear();
        let next = self.extract.next(&mut into.stretch, self.channels)?;
        let (Next::Rows, Some((logger, epoch))) = (next, into.stretch.of) else { return Ok(next) };
        if left.of.is_none_or(|(of, _)| of != logger) {
            left.units = self.source.units(logger)?;
        }
        into.units = Arc::clone(&left.units);
        if left.of != Some((logger, epoch)) {
            left.of = Some((logger, epoch));
            left.times = match self.beginning.needs_made {
                true => Some(self.source.times((logger, epoch))?),
                false => None,
            };
        }
        for held in &into.stretch.rows {
            into.made.push(match &left.times {
                None => clock::as_if_right(held.time),
                Some(times) => {
                    let received_at = held.received_synchronised();
                    times.clock().made(held.sequence, held.time, received_at).time
                }
            });
        }
        if self.convert.points().is_none() {
            return Ok(next);
        }
        let mut names = Names::new(self.source.roster, &into.units);
        for (held, &made) in into.stretch.rows.iter().zip(&into.made) {
            let Some(identity) = Identity::new(logger.number(), epoch.number(), held.sequence) else {
                continue;
            };
            if self.request.takes(self.request.time(held.time, made)) {
                into.counts.extend(counts_of(&into.stretch, held, identity, made, names.at(identity)));
            }
        }
        self.convert.values(&into.counts, &mut into.values)?;
        Ok(next)
    }
}

/// Names and units in force along a logger's readings.
struct Names<'a> {
    roster: &'a Roster,
    units: &'a RawUnits,
    passing: Passing,
    context: Context,
    is_begun: bool,
}

impl<'a> Names<'a> {
    fn new(roster: &'a Roster, units: &'a RawUnits) -> Self {
        Self { roster, units, passing: Passing::default(), context: Context::default(), is_begun: false }
    }

    /// Names and units at a reading; all readings are of one logger.
    fn at(&mut self, at: Identity) -> &Context {
        if !self.is_begun {
            self.is_begun = true;
            if let Some(logger) = self.roster.logger(at.address) {
                self.context.name.clone_from(&logger.name);
                self.context.channel_names =
                    logger.channels.iter().map(|channel| channel.name.clone()).collect();
            }
        }
        let units = self.passing.at(self.units, at).units();
        if !Arc::ptr_eq(units, &self.context.units) {
            self.context.units = Arc::clone(units);
        }
        &self.context
    }
}

/// What is read in one transaction before anything is written.
struct Beginning {
    /// By identity.
    gaps: Vec<Gap>,
    /// The gaps that get rows, by identity.
    holes: Vec<Hole>,
    /// Whether the time at which a reading was made is needed.
    needs_made: bool,
    given_up: Vec<(u16, u32, u32, u32)>,
}

/// A gap that gets rows of its own: one for each point, or a single one if no points are wanted.
struct Hole {
    gap: Gap,
    /// The column of the point with its channel, and the sequences that may have been its readings.
    parts: Vec<HolePart>,
}

/// A point's column and channel (`None`: no points are wanted), the first and the last sequence.
type HolePart = (Option<(usize, u8)>, u32, u32);

impl Hole {
    /// The part of a gap that is requested; `None` if none is.
    fn of(gap: Gap, request: &Request, convert: &dyn Convert) -> Option<Self> {
        let span = request.span;
        let (first, last) = match span {
            None => (gap.first, gap.last),
            Some(span) => made_in(&gap, span, false)?,
        };
        let mut parts = Vec::new();
        match convert.points() {
            None => parts.push((None, first, last)),
            Some(_) => {
                for lacks in convert.lacks(gap.logger) {
                    if let Some((a, b)) = made_in(&gap, (lacks.from, lacks.to), true)
                        && a.max(first) <= b.min(last)
                    {
                        parts.push((Some((lacks.point, lacks.channel)), a.max(first), b.min(last)));
                    }
                }
                if request.shape == Shape::Wide && !parts.is_empty() {
                    // One row for all points of the table.
                    let (a, b) =
                        parts.iter().fold((u32::MAX, 0), |(a, b), part| (a.min(part.1), b.max(part.2)));
                    parts = vec![(None, a, b)];
                }
            }
        }
        (!parts.is_empty()).then_some(Self { gap, parts })
    }
}

impl Beginning {
    fn look(
        reader: &Reader,
        roster: &Roster,
        request: &Request,
        convert: &dyn Convert,
    ) -> Result<Self, ReadError> {
        let is_wanted = |logger: Address| request.loggers.is_empty() || request.loggers.contains(&logger);
        let mut gaps = reader.read(|snapshot| {
            Ok(gaps::report(roster, snapshot.coverage(), snapshot, request.now, is_wanted)?.gaps)
        })?;
        // What was missing at that time is not known.
        gaps.retain(|gap| {
            request.as_of.is_none()
                && request.span.is_none_or(|(from, to)| {
                    gap.to.is_none_or(|last| last >= from) && gap.from.is_none_or(|first| first < to)
                })
        });
        gaps.sort_by_key(|gap| (gap.logger, gap.epoch, gap.first));
        let holes = match request.gaps {
            true => gaps.iter().filter_map(|gap| Hole::of(*gap, request, convert)).collect(),
            false => Vec::new(),
        };
        let needs_made = request.clock == Clock::Corrected || convert.points().is_some();
        Ok(Self { gaps, holes, needs_made, given_up: extract::given_up(reader)? })
    }

    fn given_up(&self, request: &Request) -> Vec<(u16, u32, u32, u32)> {
        let is_wanted = |number: u16| {
            request.loggers.is_empty() || request.loggers.iter().any(|logger| logger.number() == number)
        };
        self.given_up.iter().filter(|range| is_wanted(range.0)).copied().collect()
    }
}

/// The writing half: makes rows, and counts them.
struct Work<'a> {
    request: &'a Request,
    roster: &'a Roster,
    beginning: &'a Beginning,
    /// The rounding of files.
    resolutions: BTreeMap<i64, String>,
    summary: Summary,
    /// The index of the next hole, and the sequence in it from which to continue.
    gap: (usize, u32),
}

impl Work<'_> {
    /// Passes the rows of a stretch on.
    fn take(&mut self, piece: &Piece, rows: &mut Rows, sink: &mut dyn Sink) -> Result<(), ExportError> {
        let Some((logger, epoch)) = piece.stretch.of else { return Ok(()) };
        let (possible_from, possible_to) = self.request.possible();
        let mut names = Names::new(self.roster, &piece.units);
        let mut value_at = 0;
        for (held, &made) in piece.stretch.rows.iter().zip(&piece.made) {
            let Some(sequence) = Sequence::new(held.sequence) else { continue };
            let identity = Identity { address: logger, epoch, sequence };
            let is_possible = (possible_from..possible_to).contains(&held.time);
            let time = self.request.time(held.time, made);
            if !self.request.takes(time) {
                self.summary.impossible_left_out += u64::from(!is_possible);
                continue;
            }
            if self.request.gaps {
                self.missing_before(identity, rows, sink)?;
            }
            let context = names.at(identity);
            // An empty Vec allocates nothing.
            let mut of_reading: Vec<(u8, &Value)> = Vec::new();
            while let Some(value) = piece.values.get(value_at) {
                let Some(count) = piece.counts.get(value.count).filter(|count| count.identity == identity)
                else {
                    break;
                };
                of_reading.push((count.channel, value));
                value_at += 1;
            }
            let resolution = held.resolution.and_then(|id| self.resolutions.get(&id));
            let given = Given {
                identity,
                held,
                counts: piece.stretch.counts(held),
                time,
                values: &of_reading,
                context,
                resolution: resolution.map(String::as_str),
            };
            let written = rows.reading(&given, sink)?;
            if written > 0 {
                Self::count(&mut self.summary, &given, written, is_possible);
            }
        }
        Ok(())
    }

    fn count(summary: &mut Summary, given: &Given<'_>, rows: u64, is_possible: bool) {
        let context = given.context;
        summary.rows += rows;
        summary.readings += 1;
        summary.impossible += u64::from(!is_possible);
        summary.corrected += u64::from(!clock::is_recorded(given.time, given.held.time));
        let (first, last) = summary.times.unwrap_or((given.time, given.time));
        summary.times = Some((first.min(given.time), last.max(given.time)));
        if given.held.faults != 0 && summary.fault_codes.len() <= FAULT_CODES_MAX {
            for (channel, &code) in given.counts.iter().enumerate() {
                if given.held.faults >> channel & 1 == 1 {
                    summary.fault_codes.insert(code);
                }
            }
        }
        let logger = summary.loggers.entry(given.identity.address.number()).or_default();
        logger.readings += 1;
        for (known, unit) in logger.channels.iter_mut().zip(context.units.iter()) {
            known.1 = unit.or(known.1);
        }
        if logger.channels.len() < given.counts.len() {
            logger.name.clone_from(&context.name);
            for channel in logger.channels.len()..given.counts.len() {
                let name = context.channel_names.get(channel).cloned().unwrap_or_default();
                logger.channels.push((name, context.units.get(channel).copied().flatten()));
            }
        }
    }

    /// Writes the rows of what is missing before a reading.
    fn missing_before(&mut self, at: Identity, rows: &Rows, sink: &mut dyn Sink) -> Result<(), ExportError> {
        while let Some(hole) = self.beginning.holes.get(self.gap.0) {
            let gap = &hole.gap;
            let here = (at.address, at.epoch, at.sequence.number());
            let first = self.gap.1.max(gap.first);
            if (gap.logger, gap.epoch, first) > here {
                break;
            }
            let in_it = (gap.logger, gap.epoch) == (at.address, at.epoch) && here.2 <= gap.last;
            let last = if in_it { here.2 - 1 } else { gap.last };
            self.missing(hole, first, last, rows, sink)?;
            if in_it {
                // It was stored in the meantime.
                self.gap.1 = here.2.saturating_add(1);
                if here.2 < gap.last {
                    break;
                }
            }
            self.gap = (self.gap.0 + 1, 0);
        }
        Ok(())
    }

    fn rest_missing(&mut self, rows: &Rows, sink: &mut dyn Sink) -> Result<(), ExportError> {
        while let Some(hole) = self.beginning.holes.get(self.gap.0) {
            self.missing(hole, self.gap.1.max(hole.gap.first), hole.gap.last, rows, sink)?;
            self.gap = (self.gap.0 + 1, 0);
        }
        Ok(())
    }

    /// Writes one row for each point for these sequences of a gap, however many they are.
    fn missing(
        &mut self,
        hole: &Hole,
        first: u32,
        last: u32,
        rows: &Rows,
        sink: &mut dyn Sink,
    ) -> Result<(), ExportError> {
        let gap = &hole.gap;
        let mut counted = RangeSet::default();
        for &(of, from, to) in &hole.parts {
            let (first, last) = (first.max(from), last.min(to));
            if first > last {
                continue;
            }
            let name = self.roster.logger(gap.logger);
            let missing = Missing {
                logger: gap.logger.number(),
                name: name.map_or("", |logger| logger.name.as_str()),
                epoch: gap.epoch,
                sequences: (first, last),
                times: gap.time_of(first).zip(gap.time_of(last)),
                of,
            };
            rows.missing(&missing, sink)?;
            self.summary.rows += 1;
            counted.insert_range(first, last);
        }
        self.summary.missing += counted.count();
        Ok(())
    }
}

/// A reading's counts, for conversion.
fn counts_of<'a>(
    stretch: &'a Stretch,
    held: &'a extract::HeldReading,
    identity: Identity,
    made: GatewayTime,
    context: &'a Context,
) -> impl Iterator<Item = Count> + 'a {
    stretch.counts(held).iter().enumerate().map(move |(channel, &count)| Count {
        identity,
        channel: channel as u8,
        time: made,
        is_corrected: !clock::is_recorded(made, held.time),
        count,
        is_fault: held.faults >> channel & 1 == 1,
        raw_unit: context.units.get(channel).copied().flatten(),
    })
}

/// The sequences of a gap that were made from one instant to another, end exclusive, by [`Gap::time_of`]; if times are
/// not known, all of them or none, as `unknown` says.
fn made_in(gap: &Gap, (from, to): (GatewayTime, GatewayTime), unknown: bool) -> Option<(u32, u32)> {
    let all = Some((gap.first, gap.last));
    let (Some(begins), Some(ends)) = (gap.from, gap.to) else { return all.filter(|_| unknown) };
    // If the times go back, a clock was wrong: then the gap counts where it begins.
    if ends < begins {
        return all.filter(|_| (from..to).contains(&begins));
    }
    // The first sequence that was not made before an instant, found by bisection: the times do not go back.
    let from_on = |instant: GatewayTime| {
        let (mut low, mut high) = (u64::from(gap.first), u64::from(gap.last) + 1);
        while low < high {
            let middle = low + (high - low) / 2;
            let made = u32::try_from(middle).ok().and_then(|sequence| gap.time_of(sequence));
            if made.is_some_and(|made| made < instant) {
                low = middle + 1;
            } else {
                high = middle;
            }
        }
        low
    };
    let (first, end) = (from_on(from), from_on(to));
    let last = end.checked_sub(1)?;
    (first <= last).then(|| Some((u32::try_from(first).ok()?, u32::try_from(last).ok()?))).flatten()
}
