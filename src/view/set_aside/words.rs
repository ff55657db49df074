//! Words that the screen and the whole list have in common.

use crate::record::set_aside::DifferingField;

/// In what the two sides of a conflict differ.
pub(super) fn field(field: DifferingField) -> String {
    match field {
        DifferingField::Time(by) => format!("time (by {by} s)"),
        DifferingField::Battery => "battery".to_owned(),
        DifferingField::Board => "board temperature".to_owned(),
        DifferingField::Channels => "number of channels".to_owned(),
        DifferingField::Channel(channel) => format!("c{channel}"),
        DifferingField::Faults => "fault bits".to_owned(),
    }
}
