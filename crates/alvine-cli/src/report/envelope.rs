//! Honest thinning: the least and the greatest value within each column of pixels.
//!
//! Averaging or dropping samples hides short peaks. An envelope never does: what a column spans on the page is what
//! its samples spanned, to the last one.

use super::canvas::{Canvas, Ink, Place};

/// The least and greatest value in each column; `None` where a column holds no value.
#[derive(Debug, Clone)]
pub struct Envelope {
    columns: Vec<Option<(f64, f64)>>,
}

impl Envelope {
    /// An empty envelope of so many columns.
    pub fn new(columns: usize) -> Self {
        Self {
            columns: vec![None; columns],
        }
    }

    /// Takes one value into its column; what is no number, or lies beyond the columns, is left out.
    pub fn add(&mut self, column: usize, value: f64) {
        if !value.is_finite() {
            return;
        }
        if let Some(cell) = self.columns.get_mut(column) {
            let (least, greatest) = cell.get_or_insert((value, value));
            *least = least.min(value);
            *greatest = greatest.max(value);
        }
    }

    /// The columns, from left to right.
    pub fn columns(&self) -> &[Option<(f64, f64)>] {
        &self.columns
    }

    /// The stretches of columns that hold values, as ranges of columns. A break of up to `bridged` empty columns does
    /// not end a stretch, so that a recording with fewer samples than columns is still one line.
    pub fn stretches(&self, bridged: usize) -> Vec<std::ops::Range<usize>> {
        let mut stretches: Vec<std::ops::Range<usize>> = Vec::new();
        for (column, _) in self.columns.iter().enumerate().filter(|(_, cell)| cell.is_some()) {
            match stretches.last_mut() {
                Some(last) if column <= last.end + bridged => last.end = column + 1,
                _ => stretches.push(column..column + 1),
            }
        }
        stretches
    }

    /// Draws each stretch as a band at least `least_px` high. `across` gives the x of a column, `up` the y of a value.
    pub fn draw(
        &self,
        canvas: &mut Canvas,
        bridged: usize,
        across: impl Fn(f64) -> f64,
        up: impl Fn(f64) -> f64,
        ink: Ink,
        least_px: f64,
    ) {
        for stretch in self.stretches(bridged) {
            let held = || {
                stretch.clone().filter_map(|column| {
                    let (least, greatest) = self.columns[column]?;
                    let (low_px, high_px) = (up(least), up(greatest));
                    let pad_px = 0.5 * (least_px - (low_px - high_px)).max(0.0);
                    Some((across(column as f64 + 0.5), high_px - pad_px, low_px + pad_px))
                })
            };
            let upper = held().map(|(x, high_px, _)| (x, high_px));
            let lower = held().map(|(x, _, low_px)| (x, low_px));
            let mut outline: Vec<Place> = upper.collect();
            let lower: Vec<Place> = lower.collect();
            if let (&[(_, high_px)], &[(_, low_px)]) = (outline.as_slice(), lower.as_slice()) {
                let (left, right) = (across(stretch.start as f64), across(stretch.end as f64));
                canvas.rectangle((left, high_px), (right, low_px), ink);
                continue;
            }
            outline.extend(lower.into_iter().rev());
            canvas.area(outline, ink);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_single_peak_among_many_samples_is_kept() {
        let samples = 259_200;
        let mut envelope = Envelope::new(800);
        for i in 0..samples {
            let value = if i == 123_457 { -31.0 } else { -80.0 - (i % 3) as f64 };
            envelope.add(i * 800 / samples, value);
        }
        let peak = 123_457 * 800 / samples;
        assert_eq!(envelope.columns()[peak], Some((-82.0, -31.0)));
        assert_eq!(envelope.columns()[peak + 1], Some((-82.0, -80.0)));
    }

    #[test]
    fn gaps_break_the_band_and_short_ones_are_bridged() {
        let mut envelope = Envelope::new(10);
        for column in [0, 1, 3, 8] {
            envelope.add(column, 1.0);
        }
        assert_eq!(envelope.stretches(0), vec![0..2, 3..4, 8..9]);
        assert_eq!(envelope.stretches(1), vec![0..4, 8..9]);
    }

    #[test]
    fn what_is_no_number_leaves_no_trace() {
        let mut envelope = Envelope::new(2);
        envelope.add(0, f64::NAN);
        envelope.add(7, 1.0);
        assert_eq!(envelope.columns(), &[None, None]);
    }
}
