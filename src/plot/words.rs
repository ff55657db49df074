//! The texts of a picture: labels of gaps, how much is held, and the captions below.

use crate::report::picture::{Band, Missing, Panel};
use crate::time::GatewayTime;

/// A remark that is marked by its number.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Note {
    pub from: GatewayTime,
    /// The end; `None` if open-ended.
    pub to: Option<GatewayTime>,
    pub text: String,
}

/// The captions below the panels.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Captions {
    /// Remarks of the span, by time.
    pub notes: Vec<Note>,
    /// What is not drawn: manual readings in other units and the like.
    pub lines: Vec<String>,
    /// The last lines: when the picture was made, and the warnings.
    pub footer: Vec<String>,
}

/// The label of a gap, for a band that has room: `36 records missing`.
pub fn label(band: &Band) -> String {
    let records = |n: u64| if n == 1 { "1 record".to_owned() } else { format!("{n} records") };
    match band.missing {
        Missing::Records(n) => format!("{} missing", records(n)),
        Missing::WrittenOff(n) => format!("{} written off", records(n)),
        Missing::EndUnknown(Some(n)) => format!("about {n} readings missing"),
        Missing::EndUnknown(None) => "not known what is missing".to_owned(),
        Missing::Silent => "not heard since".to_owned(),
    }
}

/// How much of what must exist is held: `held 468 of 504 readings (92.9 %)`.
pub fn coverage(panel: &Panel) -> String {
    let expected = panel.readings + panel.missing;
    let permille = (panel.readings * 1000).checked_div(expected).unwrap_or(0);
    let readings = if expected == 1 { "reading" } else { "readings" };
    let about = if panel.is_missing_exact { "" } else { "about " };
    format!("held {} of {about}{expected} {readings} ({}.{} %)", panel.readings, permille / 10, permille % 10)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::picture::{Columns, Series};

    fn panel(readings: u64, missing: u64, is_missing_exact: bool) -> Panel {
        let series = Series::new(Columns { from: GatewayTime(0), to: GatewayTime(1), number: 1 }, vec![]);
        let panel = series.finish(String::new(), String::new(), String::new(), vec![]);
        Panel { readings, missing, is_missing_exact, ..panel }
    }

    #[test]
    fn what_is_held_is_a_share_and_an_estimate_says_so() {
        assert_eq!(coverage(&panel(22, 5, true)), "held 22 of 27 readings (81.4 %)");
        assert_eq!(coverage(&panel(22, 6, false)), "held 22 of about 28 readings (78.5 %)");
        assert_eq!(coverage(&panel(27, 10, false)), "held 27 of about 37 readings (72.9 %)");
        assert_eq!(coverage(&panel(0, 1, true)), "held 0 of 1 reading (0.0 %)");
        assert_eq!(coverage(&panel(0, 0, true)), "held 0 of 0 readings (0.0 %)");
    }

    #[test]
    fn a_gap_says_what_it_lacks() {
        let (from, to) = (GatewayTime(0), GatewayTime(1));
        let band = |missing| Band { from, to, missing, readings: None, is_part: false };
        assert_eq!(label(&band(Missing::Records(6))), "6 records missing");
        assert_eq!(label(&band(Missing::WrittenOff(1))), "1 record written off");
        assert_eq!(label(&band(Missing::EndUnknown(Some(3)))), "about 3 readings missing");
        assert_eq!(label(&band(Missing::EndUnknown(None))), "not known what is missing");
        assert_eq!(label(&band(Missing::Silent)), "not heard since");
    }
}
