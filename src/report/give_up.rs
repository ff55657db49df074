//! What is to be written off, and whether its logger is heard now.

use crate::ledger::read::snapshot::Snapshot;
use crate::record::roster::Roster;
use crate::record::write_off::WriteOffAsked;
use crate::report::gaps::{self, GapState};
use crate::report::inputs::ReadError;
use crate::time::GatewayTime;
use crate::wire::seq::Address;

/// What a person wants to write off.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Named {
    pub logger: u16,
    pub what: NamedWhat,
}

/// Which records of a logger a person wants to write off.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NamedWhat {
    /// Sequences of an epoch, both ends included.
    Range(u32, (u32, u32)),
    /// The rest of an epoch.
    RestOf(u32),
    /// The rest of every epoch that is over and whose end is not known.
    AllUnclosed,
}

/// What is to be written off.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct GiveUp {
    pub asked: Vec<WriteOffAsked>,
    /// The logger is on the roster.
    pub is_known: bool,
    /// The rest of an epoch is to be written off although the logger is heard: its address and name.
    pub heard_now: Option<(Address, String)>,
}

/// Finds it. For a logger off the roster, one write-off is returned; the plan refuses it and says why.
pub fn give_up(
    named: Named,
    roster: &Roster,
    snapshot: &Snapshot<'_>,
    now: GatewayTime,
) -> Result<GiveUp, ReadError> {
    let one = |epoch, range| WriteOffAsked { logger: named.logger, epoch, range };
    let known = Address::new(named.logger).and_then(|address| roster.logger(address));
    let Some(logger) = known else {
        let asked = match named.what {
            NamedWhat::Range(epoch, range) => one(epoch, Some(range)),
            NamedWhat::RestOf(epoch) => one(epoch, None),
            NamedWhat::AllUnclosed => one(0, None),
        };
        return Ok(GiveUp { asked: vec![asked], is_known: false, heard_now: None });
    };
    let address = logger.address;
    let report = gaps::report(roster, snapshot.coverage(), snapshot, now, |wanted| wanted == address)?;
    let asked = match named.what {
        NamedWhat::Range(epoch, range) => vec![one(epoch, Some(range))],
        NamedWhat::RestOf(epoch) => vec![one(epoch, None)],
        NamedWhat::AllUnclosed => {
            let open = report.unclosed.iter().filter(|open| open.state == GapState::Open);
            open.map(|open| one(open.epoch.number(), None)).collect()
        }
    };
    let is_heard = snapshot.heard(address).is_some() && report.silent.is_empty();
    let gives_up_rest = !matches!(named.what, NamedWhat::Range(..));
    let heard_now = (is_heard && gives_up_rest).then(|| (address, logger.name.clone()));
    Ok(GiveUp { asked, is_known: true, heard_now })
}
