//! Rows of unopened frames: the columns, and each value decoded only when it is needed.

use crate::time::GatewayTime;
use rusqlite::Row;

/// The columns of a frame that [`FrameView`] needs.
pub const COLUMNS: &str =
    "id, frame, received_at, radio, synchronised, rssi_dbm, snr_quarter_db, import, reason";

/// A row of [`COLUMNS`]. A damaged value is an error only when that value is needed.
#[derive(Clone, Copy)]
pub struct FrameView<'r>(pub &'r Row<'r>);

/// How a frame was received by radio, as far as this is stored.
pub struct FrameCame {
    pub at: Option<GatewayTime>,
    pub radio: Option<u8>,
    /// Whether the gateway's clock was synchronised at the time.
    pub synchronised: Option<bool>,
    /// Signal strength, and signal to noise in quarters: both or neither.
    pub signal: Option<(i8, i8)>,
}

impl FrameView<'_> {
    pub fn id(&self) -> rusqlite::Result<i64> {
        self.0.get(0)
    }

    pub fn bytes(&self) -> rusqlite::Result<Vec<u8>> {
        self.0.get(1)
    }

    pub fn came(&self) -> rusqlite::Result<FrameCame> {
        let (rssi, snr): (Option<i8>, Option<i8>) = (self.0.get(5)?, self.0.get(6)?);
        Ok(FrameCame {
            at: self.0.get(2)?,
            radio: self.0.get(3)?,
            synchronised: self.0.get(4)?,
            signal: rssi.zip(snr),
        })
    }

    pub fn import(&self) -> rusqlite::Result<Option<i64>> {
        self.0.get(7)
    }

    /// Whether the frame is stored as unopened for this reason.
    pub fn is_unopened_for(&self, reason: &str) -> rusqlite::Result<bool> {
        Ok(self.0.get_ref(8)?.as_str() == Ok(reason))
    }
}
