//! The visit list as JSON.

use crate::report::visits::{Fetch, Visit};
use crate::report::walk::VisitList;
use crate::text::rfc3339;
use crate::time::GatewayTime;
use crate::view;
use crate::view::frame::Frame;
use serde_json::{Value, json};

/// The list as JSON. `fetch` is all that a computer without ledger and keys needs to judge what is on a stick; `last`
/// of null: to the end of the epoch, which is not known.
pub fn as_json(frame: Frame<'_>, list: &VisitList) -> Value {
    let visits = &list.visits;
    let value = json!({
        "site": frame.site, "generated_at": rfc3339(frame.now), "gateway": view::gateway::as_json(&list.gateway),
        "if_the_gateway_stays_so": list.first_to_overwrite.map(|(before, logger)| json!({
            "logger": logger, "go_before": rfc3339(before),
        })),
        "visits": visits.iter().map(|visit| visit_json(frame, visit)).collect::<Vec<_>>(),
        "fetch": visits.iter().flat_map(|visit| &visit.fetch).map(range).collect::<Vec<_>>(),
        "no_longer_in_the_loggers": visits.iter().flat_map(|visit| &visit.look_for).map(range).collect::<Vec<_>>(),
    });
    view::service::with_json(value, &list.service)
}

fn visit_json(frame: Frame<'_>, visit: &Visit) -> Value {
    json!({
        "logger": visit.logger, "name": frame.name(visit.logger), "class": visit.class,
        "go_before_earliest": time(visit.deadline.earliest), "go_before_latest": time(visit.deadline.latest),
        "in_logger": visit.in_logger, "is_certain": visit.is_certain, "days_left": visit.days_left(frame.now),
        "nothing_left_by": time(visit.nothing_left_by),
        "silent": visit.is_silent, "unclosed_epochs": visit.unclosed,
        "at_stake": visit.stake,
        "unit": visit.unit.map(|unit| unit.to_string()), "last_heard": time(visit.last_heard),
        "battery_mv": visit.battery.map(|(mv, _)| mv),
        "battery_measured_at": time(visit.battery.map(|(_, at)| at)),
        "battery_installed": visit.battery_installed, "area": visit.area, "access": visit.access,
        "fetch": visit.fetch,
        "no_longer_in_the_logger": visit.look_for,
        "in_another_unit": visit.elsewhere,
    })
}

/// What a computer that judges a stick needs: no times.
fn range(fetch: &Fetch) -> Value {
    json!({
        "logger": fetch.logger, "epoch": fetch.epoch, "first": fetch.first, "last": fetch.last,
    })
}

fn time(at: Option<GatewayTime>) -> Option<String> {
    at.map(rfc3339)
}
