//! The logbook in words and as JSON.

use crate::record::acts::{Act, Actor};
use crate::text::{as_rfc3339, local, shown, thousands};
use crate::time::GatewayTime;
use serde::Serialize;
use std::collections::BTreeMap;

/// One line of the logbook.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Line {
    /// On the site's clock.
    pub when: String,
    /// What, with its number.
    pub what: String,
    /// The name that a person gave.
    pub by: String,
    /// Who was logged in, and where.
    pub login: String,
    pub about: String,
}

/// An act on one line, without control characters.
pub fn line(act: &Act, utc_offset_s: i32) -> Line {
    let about: Vec<String> = [
        act.logger.map(|logger| format!("logger {logger}")),
        act.file.as_deref().map(shown),
        Some(words(act)).filter(|text| !text.is_empty()),
    ]
    .into_iter()
    .flatten()
    .collect();
    Line {
        when: local(act.at, utc_offset_s),
        what: match act.number {
            Some(number) => format!("{} {number}", shown(&act.kind)),
            None => shown(&act.kind),
        },
        by: act.by.as_deref().map_or(String::new(), shown),
        login: login(&act.actor),
        about: about.join(": "),
    }
}

/// `dale (1007) as root on gateway-1`; empty if nothing is known.
fn login(actor: &Actor) -> String {
    let mut text = match (&actor.login, actor.uid) {
        (Some(login), _) => shown(login),
        (None, Some(uid)) => format!("user {uid}"),
        (None, None) => return String::new(),
    };
    if let Some(ran_as) = &actor.ran_as {
        text += &format!(" as {}", shown(ran_as));
    }
    if let Some(host) = &actor.host {
        text += &format!(" on {}", shown(host));
    }
    text
}

/// An import's outcomes in words; the rest as it is.
fn words(act: &Act) -> String {
    let of_import = || {
        let (kind, outcomes) = act.text.split_once(": ").filter(|_| act.kind == "import")?;
        let counts: BTreeMap<String, u64> = serde_json::from_str(outcomes).ok()?;
        let counts: Vec<String> =
            counts.iter().map(|(name, count)| format!("{} {name}", thousands(*count))).collect();
        Some(match counts.is_empty() {
            true => format!("{kind}, nothing new"),
            false => format!("{kind}, {}", counts.join(", ")),
        })
    };
    shown(&of_import().unwrap_or_else(|| act.text.clone()))
}

#[derive(Serialize)]
struct ActJson<'a> {
    #[serde(serialize_with = "as_rfc3339")]
    at: GatewayTime,
    kind: &'a str,
    number: Option<i64>,
    by: Option<&'a str>,
    #[serde(flatten)]
    actor: &'a Actor,
    logger: Option<u16>,
    file: Option<&'a str>,
    text: String,
}

/// An act as JSON.
pub fn as_json(act: &Act) -> impl Serialize {
    ActJson {
        at: act.at,
        kind: &act.kind,
        number: act.number,
        by: act.by.as_deref(),
        actor: &act.actor,
        logger: act.logger,
        file: act.file.as_deref(),
        text: words(act),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn a_line_says_what_was_done_by_whom_and_under_which_login_and_obeys_nothing() {
        let act = Act {
            at: GatewayTime(1_767_262_500),
            kind: "import".into(),
            number: Some(5),
            by: Some("R. Dale\u{1b}[2J".into()),
            actor: Actor {
                login: Some("dale".into()),
                uid: Some(1007),
                ran_as: Some("root".into()),
                host: Some("gateway-1".into()),
            },
            logger: None,
            file: Some("P-17\n.csv".into()),
            text: "csv: {\"stored\":1200,\"duplicate\":3}".into(),
        };
        let line = line(&act, -7 * 3600);
        assert_eq!((line.when.as_str(), line.what.as_str()), ("2026-01-01 03:15", "import 5"));
        assert_eq!(line.by, "R. Dale [2J");
        assert_eq!(line.login, "dale as root on gateway-1");
        assert_eq!(line.about, "P-17 .csv: csv, 3 duplicate, 1,200 stored");
        let json = json!(as_json(&act));
        assert_eq!((&json["uid"], &json["at"]), (&json!(1007), &json!("2026-01-01T10:15:00Z")));
    }
}
