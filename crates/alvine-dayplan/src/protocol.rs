//! A day protocol: the rules from which the schedule of an examination follows.

use jiff::SignedDuration;
use jiff::civil::{Time, Weekday};

use crate::protocol_file::{self, ProtocolError};
use crate::step::Audience;

/// How the antennas are held on the body.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sites {
    /// Each stuck to the skin.
    Adhesive,
    /// All in a belt.
    Belt,
}

impl Sites {
    /// As it is written in files and options.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Sites::Adhesive => "adhesive",
            Sites::Belt => "belt",
        }
    }
}

/// A time of day, so many days before the day of the swallow: a rule by the clock on the wall.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DayTime {
    /// How many days before; 0 is the day itself.
    pub days_before: u8,
    /// What the clock shows.
    pub at: Time,
}

/// Food, liquids and medicines.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Food {
    /// When the last solid food is eaten; from then on clear liquids only.
    pub last_solids: DayTime,
    /// How long nothing is eaten or drunk before the swallow.
    pub fast: SignedDuration,
    /// How long before the swallow allowed medicines may be taken at the latest.
    pub last_medicines: SignedDuration,
    /// How long after the swallow clear liquids are allowed again.
    pub clear_liquids_after: SignedDuration,
    /// How long after the swallow a light snack is.
    pub snack_after: SignedDuration,
}

/// Antennas, recorder and capsule.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Recorder {
    /// How long before the swallow the antennas are put on.
    pub fit_before: SignedDuration,
    /// How long before the swallow the capsule is switched on.
    pub capsule_on_before: SignedDuration,
    /// Life of the capsule's battery from then.
    pub battery: SignedDuration,
    /// How often the recorder is looked at.
    pub look_every: SignedDuration,
    /// The time of day beyond which no recording may last, where there is one.
    pub not_after: Option<Time>,
}

/// What happens to the equipment after its return.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Equipment {
    /// How long cleaning takes.
    pub cleaning: SignedDuration,
    /// How long it dries after cleaning.
    pub drying: SignedDuration,
}

/// When the unit is open, by the clock on the wall.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OpeningHours {
    /// From.
    pub from: Time,
    /// Until.
    pub until: Time,
    /// On which days of the week.
    pub days: Vec<Weekday>,
}

/// When a step of the local protocol is due.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum When {
    /// By the clock on the wall.
    WallClock(DayTime),
    /// By time that passes from the swallow; negative before it.
    Elapsed(SignedDuration),
}

/// A step that the local protocol has besides.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LocalStep {
    /// A few words.
    pub title: String,
    /// What to do, in plain words.
    pub words: String,
    /// When.
    pub when: When,
    /// How long before it to remind.
    pub remind: Option<SignedDuration>,
    /// The kind of sites that it is for; all where there is none.
    pub sites: Option<Sites>,
    /// Whose step it is.
    pub audience: Audience,
}

/// A day protocol.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Protocol {
    /// Its name.
    pub name: String,
    /// Where its values come from, shown with every plan.
    pub origin: String,
    /// Food, liquids and medicines.
    pub food: Food,
    /// Antennas, recorder and capsule.
    pub recorder: Recorder,
    /// What happens to the equipment after its return.
    pub equipment: Equipment,
    /// When the unit is open, where the protocol says so.
    pub hours: Option<OpeningHours>,
    /// Whom the patient may ask, where the protocol says so.
    pub contact: Option<String>,
    /// What the local protocol has besides.
    pub steps: Vec<LocalStep>,
}

impl Protocol {
    /// Reads a protocol from the text of its file; [`crate::USUAL_PROTOCOL`] documents every key.
    ///
    /// # Errors
    ///
    /// [`ProtocolError`] with line and column of the first fault.
    pub fn parse(text: &str) -> Result<Self, ProtocolError> {
        protocol_file::parse(text)
    }

    /// The usual day: common practice without a source, to be checked against the local protocol.
    ///
    /// # Panics
    ///
    /// Never: its text is part of the program, and a test reads it.
    #[must_use]
    #[expect(clippy::expect_used, reason = "a constant text that the tests parse")]
    pub fn usual() -> Self {
        Self::parse(protocol_file::USUAL_PROTOCOL).expect("the built-in protocol is sound")
    }
}
