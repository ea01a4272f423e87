//! One step of the day: what, when, by which kind of rule, and for whom.

use jiff::{SignedDuration, ZonedDateTime};

/// Whose step it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Audience {
    /// The person examined.
    Patient,
    /// The endoscopy unit.
    Unit,
}

impl Audience {
    /// As it is written in files.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Audience::Patient => "patient",
            Audience::Unit => "unit",
        }
    }
}

/// By which kind of rule a step has its time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Rule {
    /// What the clock on the wall shows.
    WallClock,
    /// Time that passes from the swallow; negative before it.
    Elapsed(SignedDuration),
}

/// One step of the day.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Step {
    /// A short name, unique within a plan.
    pub id: String,
    /// Whose it is.
    pub audience: Audience,
    /// When it is due, or begins.
    pub start: ZonedDateTime,
    /// Until when it lasts, where it does.
    pub end: Option<ZonedDateTime>,
    /// By which kind of rule.
    pub rule: Rule,
    /// A few words.
    pub title: String,
    /// What to do, in plain words.
    pub words: String,
    /// How long before it to remind; `None` for no reminder.
    pub remind: Option<SignedDuration>,
    /// How often to remind again while it lasts.
    pub repeat: Option<SignedDuration>,
}
