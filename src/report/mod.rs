//! What the record means: answers as values, for commands, page, notices and files to put into words.
//!
//! Each question has one place here, and every report takes its answer from there:
//!
//! | file | question |
//! |---|---|
//! | `gaps`, `gap_state`, `silence` | what is missing, what is written off, who is silent |
//! | `memory` | what a logger still holds, and until when |
//! | `reception`, `outage` | what did not come by radio, and why |
//! | `service` | which loggers left |
//! | `visits`, `walk`, `sheet` | in which order to go, and what to take along |
//! | `gateway`, `health` | what prevents the gateway from hearing loggers |
//! | `status`, `days` | how the site is, and how each day was |
//! | `completeness`, `counted` | how much is held, and how it came |
//! | `selection`, `notes` | the gap report of a part, and what people wrote down about it |
//! | `values`, `point_check` | what a point's counts are in engineering units, and which points have none |
//! | `picture` | what is in a picture of readings in time |
//! | `give_up` | what is asked to be written off |
//!
//! Input: coverage, the roster, the time, and a few facts about held records; for values, held readings. What this is not:
//! no clock, no SQL and no text.

pub mod check;
pub mod completeness;
pub mod conditions;
pub mod counted;
pub mod days;
pub mod gap_state;
pub mod gaps;
pub mod gateway;
pub mod give_up;
pub mod health;
pub mod inputs;
pub mod key_slots;
pub mod memory;
pub mod notes;
pub mod origin;
pub mod outage;
pub mod picture;
pub mod point_check;
pub mod reception;
pub mod selection;
pub mod service;
pub mod set_aside;
pub mod sheet;
pub mod silence;
pub mod slots;
pub mod status;
pub mod values;
pub mod visits;
pub mod walk;
