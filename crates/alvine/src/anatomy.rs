//! The words of the gut: phases, parts and the landmarks between them.
//!
//! ```text
//!  outside │ oesophagus │ stomach │ small-bowel │ colon │ outside
//!       swallow      cardia    pylorus   ileocaecal-valve  expulsion
//! ```

use std::fmt;
use std::str::FromStr;

use thiserror::Error;

/// A name that is none of the known ones.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error("`{found}` is not one of {known}")]
pub struct UnknownName {
    /// The name that was found.
    pub found: String,
    /// The names that would do, separated by commas.
    pub known: String,
}

/// Where along the gut the capsule is, as coarsely as an examination is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Phase {
    /// Before the swallow, or after expulsion.
    Outside,
    /// Between the swallow and the cardia.
    Oesophagus,
    /// Between the cardia and the pylorus.
    Stomach,
    /// Between the pylorus and the ileocaecal valve.
    SmallBowel,
    /// Beyond the ileocaecal valve.
    Colon,
}

impl Phase {
    /// The phases inside the body, from mouth to rectum.
    pub const INSIDE: [Phase; 4] = [Phase::Oesophagus, Phase::Stomach, Phase::SmallBowel, Phase::Colon];

    /// Every phase, once.
    pub const ALL: [Phase; 5] = [
        Phase::Outside,
        Phase::Oesophagus,
        Phase::Stomach,
        Phase::SmallBowel,
        Phase::Colon,
    ];

    /// The name used in files and on screens.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Phase::Outside => "outside",
            Phase::Oesophagus => "oesophagus",
            Phase::Stomach => "stomach",
            Phase::SmallBowel => "small-bowel",
            Phase::Colon => "colon",
        }
    }

    /// The landmark that opens this phase; `None` for [`Phase::Outside`], which has no single one.
    #[must_use]
    pub const fn opened_by(self) -> Option<LandmarkKind> {
        match self {
            Phase::Outside => None,
            Phase::Oesophagus => Some(LandmarkKind::Swallow),
            Phase::Stomach => Some(LandmarkKind::Cardia),
            Phase::SmallBowel => Some(LandmarkKind::Pylorus),
            Phase::Colon => Some(LandmarkKind::IleocaecalValve),
        }
    }
}

/// A finer division of the gut than [`Phase`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Part {
    /// Pylorus to duodenojejunal flexure.
    Duodenum,
    /// Oral part of the mesenteric small bowel.
    Jejunum,
    /// Aboral part of the mesenteric small bowel, to the ileocaecal valve.
    Ileum,
    /// Pouch below the ileocaecal valve.
    Caecum,
    /// Caecum to hepatic flexure.
    Ascending,
    /// Hepatic to splenic flexure.
    Transverse,
    /// Splenic flexure to the pelvic brim.
    Descending,
    /// Sigmoid colon and rectum.
    Rectosigmoid,
}

impl Part {
    /// Every part, from pylorus to anus.
    pub const ALL: [Part; 8] = [
        Part::Duodenum,
        Part::Jejunum,
        Part::Ileum,
        Part::Caecum,
        Part::Ascending,
        Part::Transverse,
        Part::Descending,
        Part::Rectosigmoid,
    ];

    /// The name used in files and on screens.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Part::Duodenum => "duodenum",
            Part::Jejunum => "jejunum",
            Part::Ileum => "ileum",
            Part::Caecum => "caecum",
            Part::Ascending => "ascending",
            Part::Transverse => "transverse",
            Part::Descending => "descending",
            Part::Rectosigmoid => "rectosigmoid",
        }
    }
}

/// A place along the gut whose passage has a time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum LandmarkKind {
    /// The capsule leaves the mouth.
    Swallow,
    /// Oesophagus to stomach.
    Cardia,
    /// Stomach to duodenum.
    Pylorus,
    /// Duodenum to jejunum.
    DuodenojejunalFlexure,
    /// Ileum to caecum.
    IleocaecalValve,
    /// The capsule leaves the body.
    Expulsion,
}

impl LandmarkKind {
    /// Every landmark, in the order of passage.
    pub const ALL: [LandmarkKind; 6] = [
        LandmarkKind::Swallow,
        LandmarkKind::Cardia,
        LandmarkKind::Pylorus,
        LandmarkKind::DuodenojejunalFlexure,
        LandmarkKind::IleocaecalValve,
        LandmarkKind::Expulsion,
    ];

    /// The name used in files and on screens.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            LandmarkKind::Swallow => "swallow",
            LandmarkKind::Cardia => "cardia",
            LandmarkKind::Pylorus => "pylorus",
            LandmarkKind::DuodenojejunalFlexure => "duodenojejunal-flexure",
            LandmarkKind::IleocaecalValve => "ileocaecal-valve",
            LandmarkKind::Expulsion => "expulsion",
        }
    }
}

/// Looks `found` up among named values.
fn by_name<T: Copy>(all: &[T], name: fn(T) -> &'static str, found: &str) -> Result<T, UnknownName> {
    all.iter()
        .copied()
        .find(|&value| name(value) == found)
        .ok_or_else(|| UnknownName {
            found: found.to_owned(),
            known: all.iter().map(|&value| name(value)).collect::<Vec<_>>().join(", "),
        })
}

impl FromStr for Phase {
    type Err = UnknownName;

    fn from_str(found: &str) -> Result<Self, UnknownName> {
        by_name(&Self::ALL, Self::as_str, found)
    }
}

impl FromStr for Part {
    type Err = UnknownName;

    fn from_str(found: &str) -> Result<Self, UnknownName> {
        by_name(&Self::ALL, Self::as_str, found)
    }
}

impl FromStr for LandmarkKind {
    type Err = UnknownName;

    fn from_str(found: &str) -> Result<Self, UnknownName> {
        by_name(&Self::ALL, Self::as_str, found)
    }
}

impl fmt::Display for Phase {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.as_str())
    }
}

impl fmt::Display for Part {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.as_str())
    }
}

impl fmt::Display for LandmarkKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.as_str())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_name_reads_back_as_itself() {
        for phase in Phase::ALL {
            assert_eq!(phase.as_str().parse(), Ok(phase));
        }
        for part in Part::ALL {
            assert_eq!(part.as_str().parse(), Ok(part));
        }
        for kind in LandmarkKind::ALL {
            assert_eq!(kind.as_str().parse(), Ok(kind));
        }
    }

    #[test]
    fn an_unknown_name_lists_the_known_ones() {
        let error = "colon-ascendens".parse::<Part>().unwrap_err();
        assert!(error.to_string().contains("ascending"));
    }
}
