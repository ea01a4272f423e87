//! The day of an examination: what is due when, before, during and after the swallow.
//!
//! ```text
//! protocol + planned swallow (with its time zone) + kind of sites ──> DayPlan ──> text, page for the patient, calendar
//! ```
//!
//! # Two kinds of rule, and the night of a clock change
//!
//! A rule about the body or the battery is *elapsed time*: a fast of ten hours is ten hours that pass, and so are two hours
//! for medicines and twelve for a battery. A rule about the day is *wall clock*: "midday the day before" and the hours at
//! which a unit is open name what the clock shows. On most days both agree. Between them lies an hour on the night of a clock
//! change: a fast of ten hours before a swallow at 08:00 begins at 22:00, at 21:00 where the clocks go forward in between
//! (the night is an hour short), and at 23:00 where they go back. Counting the ten hours on the wall instead would make the
//! one fast of nine hours, and the other of eleven.
//!
//! A wall-clock rule may name a time that the clock skips or shows twice. To stop something, the earlier reading holds; to
//! begin something, the later one: both keep the rule whichever was meant. A planned swallow at such a time is refused unless
//! its offset from UTC says which is meant.
//!
//! # Time zones
//!
//! The rules of all zones are built in (the IANA database, as of the build), so that a plan is the same on every machine,
//! one without a database of its own included. A zone whose government changed its clocks since then is wrong by that much.
//!
//! # What it does not decide
//!
//! Which medicines to take, and everything about diabetes, swallowing trouble, implants, pregnancy and known strictures, is
//! for the clinician. Every form of the plan says so.

#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used))]

mod calendar;
mod local_time;
mod page;
mod plan;
mod protocol;
mod protocol_file;
mod record;
mod step;
mod text;
mod words;

pub use calendar::calendar;
pub use local_time::{MomentError, moment, zone};
pub use page::page;
pub use plan::{DayPlan, Facts, PlanError, Remark, plan};
pub use protocol::{DayTime, Equipment, Food, LocalStep, OpeningHours, Protocol, Recorder, Sites, When};
pub use protocol_file::{ProtocolError, ProtocolFault, USUAL_PROTOCOL};
pub use record::{PlanRecord, StepRecord};
pub use step::{Audience, Rule, Step};
pub use text::text;
pub use words::CLINICIAN_DECIDES;
