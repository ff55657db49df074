//! Will the radio reach, in words: one path, all loggers, and what a picture of a section says.

use super::{ARITHMETIC, flowing};
use crate::report::plan::path::{
    CLEAR_SHARE, EvenGround, Link, LinkCase, LoggerPath, NoCourse, PathPlan, Reach, Remedy,
};
use crate::text::counted;
use crate::view::term::{Column, SCREEN_LINES, Table};
use crate::view::units::{CalculationJson, calculation_json};
use crate::wire::seq::Address;
use serde::Serialize;

/// A distance with its unit.
pub fn distance(metres: f64) -> String {
    if metres >= 2_000.0 { format!("{:.2} km", metres / 1000.0) } else { format!("{metres:.0} m") }
}

fn answer(margin_db: f64) -> String {
    match Reach::of(margin_db) {
        Reach::Yes => format!("Yes: {margin_db:.1} dB more arrive than the receiver needs."),
        Reach::Probably => {
            format!("Probably: {margin_db:.1} dB more arrive than the receiver needs; 20 dB would be safe.")
        }
        Reach::Doubtful => {
            format!(
                "Doubtful: only {margin_db:.1} dB more arrive than the receiver needs; 10 dB is the least to plan for."
            )
        }
        Reach::No => format!("No: {:.1} dB are missing.", -margin_db),
    }
}

fn word(reach: Reach) -> &'static str {
    match reach {
        Reach::Yes => "yes",
        Reach::Probably => "probably",
        Reach::Doubtful => "doubtful",
        Reach::No => "no",
    }
}

fn level(of: Option<f64>) -> String {
    of.map_or_else(|| "-".to_owned(), |metres| format!("{metres:.1} m"))
}

/// One path on one screen.
pub fn text(plan: &PathPlan, columns: usize) -> String {
    let link = &plan.link;
    let mut text = flowing(&format!("Does it reach? {}", answer(link.margin_db())), 0, columns);
    let (a, b) = (plan.course.logger_antenna_m, plan.course.mast_antenna_m);
    let of = format!(
        "{}: {}, {} MHz; antennas {a} m (logger) and {b} m (mast) above the ground",
        plan.name,
        distance(link.length_m),
        plan.radio.frequency_mhz
    );
    text += &flowing(&of, 2, columns);
    text.push('\n');
    text += &budget(plan);
    text.push('\n');
    text += &cases(link, columns);
    for remedy in link.remedies.iter().filter(|remedy| remedy.gain_db > 0.0) {
        text += &flowing(&remedied(remedy), 2, columns);
    }
    for caution in &link.cautions {
        text += &flowing(&format!("Note: {caution}."), 2, columns);
    }
    text + &flowing(ARITHMETIC, 0, columns)
}

/// The sum that gives the margin.
fn budget(plan: &PathPlan) -> String {
    let link = &plan.link;
    let mut text = String::new();
    let mut line = |what: &str, value: f64, unit: &str, more: &str| {
        text += format!("  {what:<22}{value:>8.1} {unit:<4} {more}").trim_end();
        text.push('\n');
    };
    line("radiated", link.eirp_dbm, "dBm", &format!("EIRP; {:.1} dBm ERP", link.erp_dbm));
    line("free space", -link.free_space_db, "dB", "");
    if let Some(case) = link.counts() {
        let by = match case.two_ray_db {
            Some(two_ray) if two_ray >= case.delta.loss_db => "reflection by even ground (plane earth)",
            _ => "diffraction (delta-Bullington)",
        };
        line("terrain", 0.0 - case.excess_db, "dB", if case.excess_db == 0.0 { "" } else { by });
    }
    if link.woodland_db + link.clutter_db > 0.0 {
        line("woodland, clutter", -(link.woodland_db + link.clutter_db), "dB", "");
    }
    let mast = plan.radio.mast;
    line("mast's antenna, cable", mast.gain_dbi - mast.cable_loss_db, "dB", "");
    if let Some(case) = link.counts() {
        let needs = format!("the receiver needs {:.1} dBm", link.sensitivity_dbm);
        line("received", case.received_dbm, "dBm", &needs);
    }
    text
}

/// Every earth and water level.
fn cases(link: &Link, columns: usize) -> String {
    let has_water = link.cases.iter().any(|case| case.water_m.is_some());
    let mut headings = vec![Column::new("k").right()];
    if has_water {
        headings.push(Column::new("water").right());
    }
    headings.extend([
        Column::new("line").gives_up(2),
        Column::new("least clear").right(),
        Column::new("at").right(),
        Column::new("of zone").right(),
        Column::new("one edge").right().gives_up(1),
        Column::new("terrain").right(),
        Column::new("margin").right(),
    ]);
    let mut table = Table::of(headings);
    for case in &link.cases {
        let mut cells = vec![format!("{:.2}", case.k)];
        if has_water {
            cells.push(level(case.water_m));
        }
        cells.push(if case.is_in_sight() { "free" } else { "blocked" }.to_owned());
        match case.edge {
            Some(edge) => cells.extend([
                format!("{:.1} m", edge.clearance_m),
                distance(edge.at_m),
                format!(
                    "{:.0} %{}",
                    100.0 * edge.clearance_m / edge.fresnel_m,
                    if case.is_clear() { "" } else { " !" }
                ),
                format!("{:.1} dB", edge.loss_db),
            ]),
            None => cells.extend(["-", "-", "-", "-"].map(str::to_owned)),
        }
        cells.extend([format!("{:.1} dB", case.excess_db), format!("{:.1} dB", case.margin_db)]);
        table.row(cells);
    }
    let mut text = table.fitted(columns, '…');
    if link.cases.iter().any(|case| !case.is_clear()) {
        let percent = CLEAR_SHARE * 100.0;
        text +=
            &flowing(&format!("!: less than {percent:.0} % of the first Fresnel zone is free"), 0, columns);
    }
    text
}

fn remedied(remedy: &Remedy) -> String {
    let higher = |who: &str, to: Option<f64>| to.map(|to| format!("the {who}'s antenna at {to:.1} m"));
    let ways = [higher("logger", remedy.logger_antenna_m), higher("mast", remedy.mast_antenna_m)];
    let mut all = vec![format!("{:.1} dB more gain", remedy.gain_db)];
    all.extend(ways.into_iter().flatten());
    let more = if all.len() == 1 { "; no height within 60 m is enough" } else { "" };
    format!("For {:.0} dB of margin: {}{more}.", remedy.wanted_db, all.join(", or "))
}

/// All loggers, the weakest first: one screen, or all of them.
pub fn table(paths: &[LoggerPath], all: bool, columns: usize) -> String {
    let found: Vec<&Link> = paths.iter().filter_map(|path| path.found.as_ref().ok()).collect();
    let without: Vec<(&LoggerPath, &NoCourse)> =
        paths.iter().filter_map(|path| path.found.as_ref().err().map(|why| (path, why))).collect();
    let mut text = flowing(&format!("Do they reach? {}", answers(&found, without.len())), 0, columns);
    text.push('\n');
    let mut table = Table::of(vec![
        Column::new("no.").right(),
        Column::new("logger").cut_to(10),
        Column::new("distance").right(),
        Column::new("line").gives_up(2),
        Column::new("of zone").right().gives_up(1),
        Column::new("terrain").right().gives_up(3),
        Column::new("received").right().gives_up(4),
        Column::new("margin").right(),
        Column::new("reaches"),
    ]);
    // Lines for the answer, headings, notes and the last sentence.
    let room = if all { usize::MAX } else { SCREEN_LINES.saturating_sub(12) };
    for path in paths.iter().take(room) {
        let Ok(link) = &path.found else { continue };
        let case = link.counts();
        let of = |value: Option<f64>, unit: &str| {
            value.map_or("-".to_owned(), |value| format!("{value:.1} {unit}"))
        };
        table.row([
            path.logger.to_string(),
            path.name.clone(),
            distance(link.length_m),
            case.map_or("", |case| if case.is_in_sight() { "free" } else { "blocked" }).to_owned(),
            case.and_then(LinkCase::clear_share)
                .map_or("-".to_owned(), |share| format!("{:.0} %", 100.0 * share)),
            of(case.map(|case| case.excess_db), "dB"),
            of(case.map(|case| case.received_dbm), "dBm"),
            format!("{:.1} dB", link.margin_db()),
            word(Reach::of(link.margin_db())).to_owned(),
        ]);
    }
    if !found.is_empty() {
        text += &table.fitted(columns, '…');
    }
    if found.len() > room {
        text += &format!("and {} more with larger margins; --all shows them\n", found.len() - room);
    }
    let shown = if all { usize::MAX } else { 3 };
    for (path, why) in without.iter().take(shown) {
        text +=
            &flowing(&format!("Logger {} ({}): not worked out, {why}.", path.logger, path.name), 2, columns);
    }
    if without.len() > shown {
        text +=
            &format!("and {} more that could not be worked out; --all shows them\n", without.len() - shown);
    }
    if found.iter().any(|link| link.even_ground.is_some()) {
        text += "Without --grid, even ground is assumed between logger and mast.\n";
    }
    text + &flowing(ARITHMETIC, 0, columns)
}

fn answers(found: &[&Link], without: usize) -> String {
    let mut parts = Vec::new();
    for reach in [Reach::No, Reach::Doubtful, Reach::Probably, Reach::Yes] {
        let number = found.iter().filter(|link| Reach::of(link.margin_db()) == reach).count();
        if number > 0 {
            parts.push(format!("{number} {}", word(reach)));
        }
    }
    if without > 0 {
        parts.push(format!("{without} not worked out"));
    }
    format!("Of {}: {}.", counted((found.len() + without) as u64, "logger"), parts.join(", "))
}

/// The title of the picture of a section.
pub fn title(plan: &PathPlan) -> String {
    format!("{} to the mast, {}, {} MHz", plan.name, distance(plan.link.length_m), plan.radio.frequency_mhz)
}

/// The lines below the picture of a section.
pub fn captions(plan: &PathPlan, case: &LinkCase) -> Vec<String> {
    let mut lines = vec![
        format!(
            "Grey: the terrain, raised by the curve of the earth with k = {:.2}. Thick line: the ray. Around it the first \
             Fresnel zone; dashed: 60 % of it.",
            case.k
        ),
        format!(
            "Margin {:.1} dB: {:.1} dBm received, {:.1} dBm needed; {:.1} dB lost in free space, {:.1} dB by the terrain.",
            case.margin_db,
            case.received_dbm,
            plan.link.sensitivity_dbm,
            plan.link.free_space_db,
            case.excess_db
        ),
    ];
    if let Some(edge) = case.edge {
        lines.push(format!(
            "Triangle: the point that takes most of the zone, at {}; {:.1} m clear, {:.0} % of the radius of {:.1} m.",
            distance(edge.at_m),
            edge.clearance_m,
            100.0 * edge.clearance_m / edge.fresnel_m,
            edge.fresnel_m
        ));
    }
    if let Some(water) = case.water_m {
        lines.push(format!("Waves: water at {water:.1} m."));
    }
    lines.push(ARITHMETIC.to_owned());
    lines
}

#[derive(Serialize)]
struct PathJson<'a> {
    name: &'a str,
    frequency_mhz: f64,
    logger_antenna_m: f64,
    mast_antenna_m: f64,
    #[serde(flatten)]
    link: LinkJson<'a>,
    remedies: &'a [Remedy],
    #[serde(skip_serializing_if = "Option::is_none")]
    calculation: Option<CalculationJson<'a>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    file: Option<String>,
}

#[derive(Serialize)]
struct LinkJson<'a> {
    reaches: &'static str,
    margin_db: f64,
    length_m: f64,
    eirp_dbm: f64,
    eirp_w: f64,
    erp_dbm: f64,
    free_space_db: f64,
    woodland_db: f64,
    clutter_db: f64,
    thermal_noise_dbm: Option<f64>,
    noise_floor_dbm: Option<f64>,
    sensitivity_dbm: f64,
    sensitivity_w: f64,
    horizon_m: f64,
    even_ground: Option<EvenGround>,
    /// The index in `cases` of the one that counts.
    counts: usize,
    cases: Vec<CaseJson<'a>>,
    cautions: Vec<String>,
}

#[derive(Serialize)]
struct CaseJson<'a> {
    #[serde(flatten)]
    case: &'a LinkCase,
    clear_share: Option<f64>,
    in_sight: bool,
    clear: bool,
}

fn link_json(link: &Link) -> LinkJson<'_> {
    let case = |case| CaseJson {
        case,
        clear_share: case.clear_share(),
        in_sight: case.is_in_sight(),
        clear: case.is_clear(),
    };
    LinkJson {
        reaches: word(Reach::of(link.margin_db())),
        margin_db: link.margin_db(),
        length_m: link.length_m,
        eirp_dbm: link.eirp_dbm,
        eirp_w: link.eirp_w,
        erp_dbm: link.erp_dbm,
        free_space_db: link.free_space_db,
        woodland_db: link.woodland_db,
        clutter_db: link.clutter_db,
        thermal_noise_dbm: link.noise_dbm.map(|(thermal, _)| thermal),
        noise_floor_dbm: link.noise_dbm.map(|(_, floor)| floor),
        sensitivity_dbm: link.sensitivity_dbm,
        sensitivity_w: link.sensitivity_w,
        horizon_m: link.horizon_m,
        even_ground: link.even_ground,
        counts: link.worst,
        cases: link.cases.iter().map(case).collect(),
        cautions: link.cautions.iter().map(ToString::to_string).collect(),
    }
}

/// A path as JSON; with `explains`, with its calculation.
pub fn as_json(plan: &PathPlan, explains: bool, file: Option<String>) -> impl Serialize {
    PathJson {
        name: &plan.name,
        frequency_mhz: plan.radio.frequency_mhz,
        logger_antenna_m: plan.course.logger_antenna_m,
        mast_antenna_m: plan.course.mast_antenna_m,
        link: link_json(&plan.link),
        remedies: &plan.link.remedies,
        calculation: explains.then(|| calculation_json(&plan.steps)),
        file,
    }
}

#[derive(Serialize)]
struct TableJson<'a> {
    loggers: Vec<LoggerJson<'a>>,
}

#[derive(Serialize)]
struct LoggerJson<'a> {
    logger: Address,
    name: &'a str,
    #[serde(flatten)]
    link: Option<LinkJson<'a>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    not_worked_out: Option<String>,
}

/// All loggers as JSON.
pub fn table_json(paths: &[LoggerPath]) -> impl Serialize {
    let loggers = paths.iter().map(|path| LoggerJson {
        logger: path.logger,
        name: &path.name,
        link: path.found.as_ref().ok().map(link_json),
        not_worked_out: path.found.as_ref().err().map(ToString::to_string),
    });
    TableJson { loggers: loggers.collect() }
}
