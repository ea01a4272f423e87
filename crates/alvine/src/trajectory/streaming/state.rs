//! Everything that a stream must keep to go on, and its form as bytes.
//!
//! ```text
//! "alvine stream 1\n", then fields in the order of `State::code`: u64 and the bits of f64, f32, little-endian;
//! a list is its length and its items; then the FNV-1a sum of all before it, u64
//! ```
//!
//! The same function writes and reads each part, so that the two cannot differ.

use std::collections::VecDeque;

use nalgebra::{Matrix3, SMatrix};
use thiserror::Error;

use super::StreamingCounts;
use super::head::{Head, Newest, Told};
use super::window::{CellsSoFar, Window};
use crate::fix::PositionPrior;
use crate::torso::Position;
use crate::track::Flags;
use crate::trajectory::Remarks;
use crate::trajectory::cells::Start;
use crate::trajectory::knots::{Gathering, Heard, Knots};
use crate::trajectory::objective::{BIAS, Before, States};

/// Why bytes, or a state, are not one of such a stream.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
#[non_exhaustive]
pub enum StateError {
    /// Something else, or another version of it.
    #[error("this is no state of a stream, or one of another version; begin anew")]
    Foreign,
    /// The end is missing.
    #[error("the state of the stream is cut short; begin anew")]
    CutShort,
    /// The bytes are not those that were written.
    #[error("the state of the stream is damaged; begin anew")]
    Damaged,
    /// A state of another layout or torso.
    #[error("the state of the stream is of another setup: {what}")]
    OtherSetup {
        /// What differs.
        what: &'static str,
    },
}

/// Everything that a stream must keep to go on after a stop: plain numbers, as large as its window.
#[derive(Debug, Clone, PartialEq)]
pub struct StreamingState {
    pub(super) counts: StreamingCounts,
    pub(super) last_s: Option<f64>,
    pub(super) place: Option<PositionPrior>,
    pub(super) left_out: Vec<bool>,
    pub(super) block: Option<Block>,
    pub(super) rows: VecDeque<Remarks>,
    pub(super) window: Window,
    pub(super) head: Head,
    pub(super) cells: CellsSoFar,
}

/// The rows of the block that is open.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Block {
    /// Which block: the time over the spacing of knots, rounded down.
    pub index: f64,
    pub rows: u64,
    pub sum_s: f64,
    pub gathered: Vec<Gathering>,
}

impl Block {
    pub fn is_heard(&self) -> bool {
        self.gathered.iter().any(Gathering::is_heard)
    }
}

const MAGIC: &[u8] = b"alvine stream 2\n";

impl StreamingState {
    pub(super) fn new(sites: usize, cells: usize, spacing_mm: f64) -> Self {
        Self {
            counts: StreamingCounts::default(),
            last_s: None,
            place: None,
            left_out: vec![false; sites],
            block: None,
            rows: VecDeque::new(),
            window: Window::new(sites),
            head: Head::new(BIAS + sites),
            cells: CellsSoFar::new(cells, spacing_mm),
        }
    }

    /// What has been counted so far.
    #[must_use]
    pub const fn counts(&self) -> StreamingCounts {
        self.counts
    }

    /// The time of the last row taken, s.
    #[must_use]
    pub const fn last_s(&self) -> Option<f64> {
        self.last_s
    }

    /// As bytes, for a file.
    #[must_use]
    pub fn to_bytes(&self) -> Vec<u8> {
        let mut writer = Writer(MAGIC.to_vec());
        // Writing changes nothing and cannot fail.
        let _ = self.clone().code(&mut writer);
        let sum = fnv_1a(&writer.0);
        writer.0.extend_from_slice(&sum.to_le_bytes());
        writer.0
    }

    /// From the bytes that [`StreamingState::to_bytes`] made.
    ///
    /// # Errors
    ///
    /// [`StateError`] where they are not such bytes, whole and undamaged.
    pub fn from_bytes(bytes: &[u8]) -> Result<Self, StateError> {
        let body = bytes.strip_prefix(MAGIC).ok_or(StateError::Foreign)?;
        let (body, sum) = body.split_last_chunk::<8>().ok_or(StateError::CutShort)?;
        if fnv_1a(&bytes[..MAGIC.len() + body.len()]) != u64::from_le_bytes(*sum) {
            return Err(StateError::Damaged);
        }
        let mut state = Self::new(0, 0, 0.0);
        let mut reader = Reader(body);
        state.code(&mut reader)?;
        if reader.0.is_empty() {
            Ok(state)
        } else {
            Err(StateError::Damaged)
        }
    }

    /// Refuses a state that no stream of so many sites and cells so far apart was ever in.
    pub(super) fn check(&self, sites: usize, cells: usize, spacing_mm: f64) -> Result<(), StateError> {
        let other = |what| Err(StateError::OtherSetup { what });
        let size = BIAS + sites;
        let knots = self.window.knots.time_s.len();
        let gathered = self.block.as_ref().map_or(sites, |block| block.gathered.len());
        if [self.left_out.len(), self.window.knots.sites, gathered]
            .iter()
            .any(|&of| of != sites)
        {
            return other("the number of sites");
        }
        if self.cells.probability.len() != cells || self.cells.spacing_mm.to_bits() != spacing_mm.to_bits() {
            return other("the space that is searched");
        }
        let told = self.head.told.as_ref().map(|told| &told.before);
        let befores = [self.window.before.as_ref(), told];
        let told_right = befores
            .into_iter()
            .flatten()
            .all(|before| before.mean.len() == size && before.information.len() == size * size);
        let counted = [
            self.window.knots.instants.len(),
            self.window.places.len(),
            self.window.ambiguous.len(),
            self.window.knots.readings.len() / sites,
            self.window.states.values.len() / size,
        ];
        let sized = [self.window.states.size, self.head.states.size];
        let rows = self.head.states.values.len();
        let newest_right = self.head.newest.as_ref().is_none_or(|newest| newest.row.len() == size);
        let fits = told_right
            && newest_right
            && counted.iter().all(|&of| of == knots)
            && sized.iter().all(|&of| of == size)
            && rows.is_multiple_of(size)
            && rows <= size * (1 + usize::from(self.head.told.is_some()))
            && self.cells.unused <= knots;
        if fits { Ok(()) } else { Err(StateError::Damaged) }
    }

    fn code<C: Coder>(&mut self, coder: &mut C) -> Result<(), StateError> {
        let counts = &mut self.counts;
        for count in [
            &mut counts.rows,
            &mut counts.refused,
            &mut counts.silent,
            &mut counts.knots,
            &mut counts.restarts,
            &mut counts.unsettled,
        ] {
            coder.count(count)?;
        }
        option(coder, &mut self.last_s, Coder::number)?;
        option(coder, &mut self.place, prior)?;
        list(coder, &mut self.left_out, flag)?;
        option(coder, &mut self.block, block)?;
        let mut rows: Vec<Remarks> = self.rows.iter().copied().collect();
        list(coder, &mut rows, remarks)?;
        self.rows = rows.into();
        window(coder, &mut self.window)?;
        head(coder, &mut self.head)?;
        cells(coder, &mut self.cells)
    }
}

fn block<C: Coder>(coder: &mut C, block: &mut Block) -> Result<(), StateError> {
    coder.number(&mut block.index)?;
    coder.count(&mut block.rows)?;
    coder.number(&mut block.sum_s)?;
    list(coder, &mut block.gathered, |coder, of| {
        list(coder, &mut of.levels_dbm, Coder::half_number)?;
        small(coder, &mut of.below)?;
        small(coder, &mut of.saturated)
    })
}

fn remarks<C: Coder>(coder: &mut C, row: &mut Remarks) -> Result<(), StateError> {
    index(coder, &mut row.instant)?;
    coder.number(&mut row.time_s)?;
    let mut sites = u32::from(row.sites_used);
    small(coder, &mut sites)?;
    row.sites_used = u16::try_from(sites).map_err(|_| StateError::Damaged)?;
    let mut bits = u32::from(row.flags.bits());
    small(coder, &mut bits)?;
    row.flags = Flags::from_bits(u16::try_from(bits).map_err(|_| StateError::Damaged)?);
    Ok(())
}

fn window<C: Coder>(coder: &mut C, window: &mut Window) -> Result<(), StateError> {
    knots(coder, &mut window.knots)?;
    list(coder, &mut window.places, |coder, place| option(coder, place, prior))?;
    list(coder, &mut window.ambiguous, flag)?;
    states(coder, &mut window.states)?;
    option(coder, &mut window.before, before)?;
    flag(coder, &mut window.settled)
}

fn knots<C: Coder>(coder: &mut C, knots: &mut Knots) -> Result<(), StateError> {
    index(coder, &mut knots.sites)?;
    list(coder, &mut knots.time_s, Coder::number)?;
    list(coder, &mut knots.instants, |coder, (first, end)| {
        index(coder, first)?;
        index(coder, end)
    })?;
    list(coder, &mut knots.readings, |coder, heard: &mut Heard| {
        small(coder, &mut heard.heard)?;
        coder.number(&mut heard.mean_dbm)?;
        small(coder, &mut heard.below)?;
        small(coder, &mut heard.saturated)
    })
}

fn states<C: Coder>(coder: &mut C, states: &mut States) -> Result<(), StateError> {
    index(coder, &mut states.size)?;
    list(coder, &mut states.values, Coder::number)
}

fn before<C: Coder>(coder: &mut C, before: &mut Before) -> Result<(), StateError> {
    list(coder, &mut before.mean, Coder::number)?;
    list(coder, &mut before.information, Coder::number)?;
    coder.number(&mut before.keep)?;
    flag(coder, &mut before.with_own)?;
    list(coder, &mut before.path, |coder, (time_s, place_mm)| {
        coder.number(time_s)?;
        numbers(coder, place_mm.as_mut_slice())
    })
}

fn head<C: Coder>(coder: &mut C, head: &mut Head) -> Result<(), StateError> {
    option(coder, &mut head.told, |coder, told| {
        coder.number(&mut told.time_s)?;
        before(coder, &mut told.before)
    })?;
    states(coder, &mut head.states)?;
    option(coder, &mut head.newest, |coder, newest: &mut Newest| {
        coder.number(&mut newest.time_s)?;
        list(coder, &mut newest.row, Coder::number)?;
        numbers(coder, newest.covariance.as_mut_slice())?;
        numbers(coder, newest.lasting_mm2.as_mut_slice())?;
        coder.number(&mut newest.least_weight)
    })
}

fn cells<C: Coder>(coder: &mut C, cells: &mut CellsSoFar) -> Result<(), StateError> {
    coder.number(&mut cells.spacing_mm)?;
    list(coder, &mut cells.probability, Coder::half_number)?;
    option(coder, &mut cells.last_s, Coder::number)?;
    list(coder, &mut cells.starts, |coder, start: &mut Start| {
        coder.number(&mut start.time_s)?;
        numbers(coder, start.place_mm.as_mut_slice())?;
        flag(coder, &mut start.ambiguous)
    })?;
    index(coder, &mut cells.unused)?;
    coder.number(&mut cells.not_before_s)?;
    flag(coder, &mut cells.ambiguous)
}

fn prior<C: Coder>(coder: &mut C, prior: &mut PositionPrior) -> Result<(), StateError> {
    numbers(coder, prior.mean_mm.as_mut_slice())?;
    numbers(coder, prior.information_per_mm2.as_mut_slice())
}

/// Writes the fields it is shown, or reads them into their places.
trait Coder: Sized {
    fn count(&mut self, value: &mut u64) -> Result<(), StateError>;

    fn number(&mut self, value: &mut f64) -> Result<(), StateError> {
        let mut bits = value.to_bits();
        self.count(&mut bits)?;
        *value = f64::from_bits(bits);
        Ok(())
    }

    fn half_number(&mut self, value: &mut f32) -> Result<(), StateError> {
        let mut bits = value.to_bits();
        small(self, &mut bits)?;
        *value = f32::from_bits(bits);
        Ok(())
    }

    /// The length of a list, once it is sure that so many items may follow.
    fn length(&mut self, length: usize) -> Result<usize, StateError>;
}

struct Writer(Vec<u8>);

impl Coder for Writer {
    fn count(&mut self, value: &mut u64) -> Result<(), StateError> {
        self.0.extend_from_slice(&value.to_le_bytes());
        Ok(())
    }

    fn length(&mut self, length: usize) -> Result<usize, StateError> {
        self.count(&mut (length as u64))?;
        Ok(length)
    }
}

struct Reader<'b>(&'b [u8]);

impl Coder for Reader<'_> {
    fn count(&mut self, value: &mut u64) -> Result<(), StateError> {
        let (bytes, rest) = self.0.split_first_chunk::<8>().ok_or(StateError::CutShort)?;
        *value = u64::from_le_bytes(*bytes);
        self.0 = rest;
        Ok(())
    }

    fn length(&mut self, _: usize) -> Result<usize, StateError> {
        let mut length = 0;
        self.count(&mut length)?;
        // Each item takes eight bytes at least, so that a wrong length cannot ask for the whole memory.
        usize::try_from(length)
            .ok()
            .filter(|&length| length <= self.0.len() / 8)
            .ok_or(StateError::CutShort)
    }
}

fn index<C: Coder>(coder: &mut C, value: &mut usize) -> Result<(), StateError> {
    let mut count = *value as u64;
    coder.count(&mut count)?;
    *value = usize::try_from(count).map_err(|_| StateError::Damaged)?;
    Ok(())
}

fn small<C: Coder>(coder: &mut C, value: &mut u32) -> Result<(), StateError> {
    let mut count = u64::from(*value);
    coder.count(&mut count)?;
    *value = u32::try_from(count).map_err(|_| StateError::Damaged)?;
    Ok(())
}

fn flag<C: Coder>(coder: &mut C, value: &mut bool) -> Result<(), StateError> {
    let mut count = u64::from(*value);
    coder.count(&mut count)?;
    *value = count == 1;
    Ok(())
}

fn numbers<C: Coder>(coder: &mut C, values: &mut [f64]) -> Result<(), StateError> {
    values.iter_mut().try_for_each(|value| coder.number(value))
}

fn option<C: Coder, T: Blank>(
    coder: &mut C,
    value: &mut Option<T>,
    item: impl FnOnce(&mut C, &mut T) -> Result<(), StateError>,
) -> Result<(), StateError> {
    let mut present = value.is_some();
    flag(coder, &mut present)?;
    if !present {
        *value = None;
        return Ok(());
    }
    item(coder, value.get_or_insert_with(T::blank))
}

fn list<C: Coder, T: Blank>(
    coder: &mut C,
    values: &mut Vec<T>,
    mut item: impl FnMut(&mut C, &mut T) -> Result<(), StateError>,
) -> Result<(), StateError> {
    let length = coder.length(values.len())?;
    values.resize_with(length, T::blank);
    values.iter_mut().try_for_each(|value| item(coder, value))
}

/// What a reader fills.
trait Blank {
    fn blank() -> Self;
}

macro_rules! blank {
    ($($kind:ty => $value:expr),+ $(,)?) => {
        $(impl Blank for $kind {
            fn blank() -> Self {
                $value
            }
        })+
    };
}

blank! {
    f64 => 0.0,
    f32 => 0.0,
    bool => false,
    (usize, usize) => (0, 0),
    (f64, Position) => (0.0, Position::zeros()),
    Option<PositionPrior> => None,
    PositionPrior => PositionPrior { mean_mm: Position::zeros(), information_per_mm2: Matrix3::zeros() },
    Block => Block::default(),
    Gathering => Gathering::default(),
    Heard => Heard::default(),
    Remarks => Remarks { instant: 0, time_s: 0.0, sites_used: 0, flags: Flags::NONE },
    Start => Start { time_s: 0.0, place_mm: Position::zeros(), ambiguous: false },
    Before => Before { mean: Vec::new(), information: Vec::new(), keep: 0.0, with_own: false, path: Vec::new() },
    Told => Told { time_s: 0.0, before: Before::blank() },
    Newest => Newest {
        time_s: 0.0,
        row: Vec::new(),
        covariance: SMatrix::zeros(),
        lasting_mm2: Matrix3::zeros(),
        least_weight: 0.0,
    },
}

/// The FNV-1a sum of bytes, 64 bits (Fowler, Noll and Vo; IETF draft-eastlake-fnv).
fn fnv_1a(bytes: &[u8]) -> u64 {
    bytes.iter().fold(0xcbf2_9ce4_8422_2325, |sum, &byte| {
        (sum ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
    })
}
