//! The visit list as JSON.

use crate::report::memory::InLogger;
use crate::report::service::Service;
use crate::report::verdict::Verdict;
use crate::report::visits::{Class, Fetch, Stake, Visit};
use crate::report::walk::VisitList;
use crate::text::as_rfc3339;
use crate::time::GatewayTime;
use crate::view::asked::AskingJson;
use crate::view::frame::Frame;
use crate::view::gateway::{FirstToOverwrite, GatewayJson};
use crate::wire::seq::{Address, Epoch};
use serde::Serialize;

/// `fetch` is all that a computer without ledger and keys needs to judge what is on a stick.
#[derive(Serialize)]
struct VisitsJson<'a> {
    site: &'a str,
    #[serde(serialize_with = "as_rfc3339")]
    generated_at: GatewayTime,
    visit: Verdict,
    gateway: GatewayJson<'a>,
    if_the_gateway_stays_so: Option<FirstToOverwrite>,
    visits: Vec<VisitJson<'a>>,
    fetch: Vec<Range>,
    no_longer_in_the_loggers: Vec<Range>,
    asking: AskingJson<'a>,
    #[serde(flatten)]
    service: &'a Service,
}

#[derive(Serialize)]
struct VisitJson<'a> {
    logger: Address,
    name: &'a str,
    class: Class,
    #[serde(serialize_with = "as_rfc3339")]
    go_before_earliest: Option<GatewayTime>,
    #[serde(serialize_with = "as_rfc3339")]
    go_before_latest: Option<GatewayTime>,
    in_logger: InLogger,
    is_certain: bool,
    days_left: Option<i64>,
    #[serde(serialize_with = "as_rfc3339")]
    can_wait_until: Option<GatewayTime>,
    #[serde(serialize_with = "as_rfc3339")]
    nothing_left_by: Option<GatewayTime>,
    silent: bool,
    unclosed_epochs: u64,
    at_stake: &'a Stake,
    unit: Option<String>,
    #[serde(serialize_with = "as_rfc3339")]
    last_heard: Option<GatewayTime>,
    battery_mv: Option<u16>,
    #[serde(serialize_with = "as_rfc3339")]
    battery_measured_at: Option<GatewayTime>,
    battery_installed: Option<&'a str>,
    area: Option<&'a str>,
    access: Option<&'a str>,
    fetch: &'a [Fetch],
    no_longer_in_the_logger: &'a [Fetch],
    in_another_unit: &'a [Fetch],
}

/// What a computer that judges a stick needs: no times. `last` of null: to the end of the epoch, which is not known.
#[derive(Serialize)]
struct Range {
    logger: Address,
    epoch: Epoch,
    first: u32,
    last: Option<u32>,
}

/// The list as JSON.
pub fn as_json<'a>(frame: Frame<'a>, list: &'a VisitList) -> impl Serialize + use<'a> {
    let visits = &list.visits;
    VisitsJson {
        site: frame.site,
        generated_at: frame.now,
        visit: list.verdict,
        gateway: (&list.gateway).into(),
        if_the_gateway_stays_so: list.first_to_overwrite.map(FirstToOverwrite::from),
        visits: visits.iter().map(|visit| visit_json(frame, list, visit)).collect(),
        fetch: visits.iter().flat_map(|visit| &visit.fetch).map(range).collect(),
        no_longer_in_the_loggers: visits.iter().flat_map(|visit| &visit.look_for).map(range).collect(),
        asking: (&list.asked).into(),
        service: &list.service,
    }
}

fn visit_json<'a>(frame: Frame<'a>, list: &VisitList, visit: &'a Visit) -> VisitJson<'a> {
    let (battery_mv, battery_measured_at) = visit.battery.unzip();
    VisitJson {
        logger: visit.logger,
        name: frame.name(visit.logger),
        class: visit.class,
        go_before_earliest: visit.deadline.earliest,
        go_before_latest: visit.deadline.latest,
        in_logger: visit.in_logger,
        is_certain: visit.is_certain,
        days_left: visit.days_left(frame.now),
        can_wait_until: list.asked.loggers.get(&visit.logger).and_then(|of| of.can_wait_until),
        nothing_left_by: visit.nothing_left_by,
        silent: visit.is_silent,
        unclosed_epochs: visit.unclosed,
        at_stake: &visit.stake,
        unit: visit.unit.map(|unit| unit.to_string()),
        last_heard: visit.last_heard,
        battery_mv,
        battery_measured_at,
        battery_installed: visit.battery_installed.as_deref(),
        area: visit.area.as_deref(),
        access: visit.access.as_deref(),
        fetch: &visit.fetch,
        no_longer_in_the_logger: &visit.look_for,
        in_another_unit: &visit.elsewhere,
    }
}

fn range(fetch: &Fetch) -> Range {
    let Fetch { logger, epoch, first, last, .. } = *fetch;
    Range { logger, epoch, first, last }
}
