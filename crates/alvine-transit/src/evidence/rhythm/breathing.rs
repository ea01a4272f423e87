//! What many lines near each other have in common over the sites: breathing, 12 to 20 times a minute, whose broad hump reaches down to the
//! rhythm of the jejunum.
//!
//! Without a rhythm the sites' lines were taken to be independent. The breath of a capsule at rest in the colon is not: all sites hear it in
//! one phase, as they would a rhythm. A rhythm is a line, though, and a breath a hump, whose pattern over the sites is heard in the lines
//! beside as well. What stands out in it is brought down to the level of noise:
//!
//! ```text
//! S ← κ S + (1 − κ) mean over the lines around of Re z zᴴ,   S = V diag(λ) Vᵀ,   z ← V diag(w) Vᵀ z,   w = 1/√λ where λ > ℓ, 1 elsewhere
//! z the sites' lines over the noise nearby, of which without rhythm and breath E Re z zᴴ = 1
//! κ 0.95 a window, two thirds of an hour;   around: 0.45 to 1.5 cycles a minute away;   ℓ 1.8, beyond what noise alone would do
//! ```
//!
//! all by common practice, no source; ℓ and κ were chosen on simulated studies, of which ℓ = 1 brought down rhythms too. One that stays at a
//! line for hours is not: it is narrower than what is left out around it.
//!
//! # Source
//!
//! Detection in noise that is correlated between sensors, by whitening: S. M. Kay, *Fundamentals of Statistical Signal Processing:
//! Detection Theory* (1998), ch. 4, from memory.

use nalgebra::DMatrix;
use rustfft::num_complex::Complex;

use super::window::Lines;

/// Lines that are slower are no breathing, cycles a minute.
pub(super) const SLOWEST_PER_MINUTE: f64 = 6.0;
/// Lines within this share what stands around them, cycles a minute.
const GROUP_PER_MINUTE: f64 = 0.25;
/// From where to where lines count as around a group, from its middle, cycles a minute: a Hann window of 480 s spreads a rhythm over 0.25.
const NEAREST_PER_MINUTE: f64 = 0.45;
/// The further end.
pub(super) const FURTHEST_PER_MINUTE: f64 = 1.5;
/// What is kept from window to window.
const KEPT: f64 = 0.95;
/// What stands out over noise of variance one.
const STANDS_OUT: f64 = 1.8;

/// The breathing as far as it was heard.
#[derive(Debug)]
pub(super) struct Breathing {
    groups: Vec<Group>,
}

/// Lines that share what stands around them.
#[derive(Debug)]
struct Group {
    lines: Vec<usize>,
    around: Vec<usize>,
    /// Sites × sites.
    heard: DMatrix<f64>,
}

impl Breathing {
    /// Of windows with lines at so many cycles a minute, of which some are heard.
    pub fn new(per_minute: &[f64], is_heard: impl Fn(usize) -> bool) -> Self {
        let heard: Vec<usize> = (0..per_minute.len())
            .filter(|&line| per_minute[line] >= SLOWEST_PER_MINUTE && is_heard(line))
            .collect();
        let group = |line: usize| (per_minute[line] / GROUP_PER_MINUTE).round() as usize;
        let groups = heard.chunk_by(|&one, &other| group(one) == group(other)).map(|lines| {
            let middle = GROUP_PER_MINUTE * group(lines[0]) as f64;
            let is_around =
                |line: &usize| (NEAREST_PER_MINUTE..=FURTHEST_PER_MINUTE).contains(&(per_minute[*line] - middle).abs());
            Group {
                lines: lines.to_vec(),
                around: heard.iter().copied().filter(is_around).collect(),
                heard: DMatrix::zeros(0, 0),
            }
        });
        Self {
            groups: groups.collect(),
        }
    }

    /// Hears a window, and brings down in it what stands out.
    pub fn bring_down(&mut self, lines: &mut Lines) {
        for group in &mut self.groups {
            group.hear(lines);
        }
        for group in &self.groups {
            group.bring_down(lines);
        }
    }
}

impl Group {
    /// Sites that do not hear stay as they were.
    fn hear(&mut self, lines: &Lines) {
        if self.heard.nrows() != lines.sites() {
            self.heard = DMatrix::identity(lines.sites(), lines.sites());
        }
        let heard: Vec<(usize, &[Complex<f64>])> = lines.heard().collect();
        let count = self.around.len().max(1) as f64;
        for (one, of_one) in &heard {
            for (other, of_other) in &heard {
                let product = |&line: &usize| (of_one[line] * of_other[line].conj()).re;
                let now = self.around.iter().map(product).sum::<f64>() / count;
                let slot = &mut self.heard[(*one, *other)];
                *slot = KEPT * *slot + (1.0 - KEPT) * now;
            }
        }
    }

    fn bring_down(&self, lines: &mut Lines) {
        let used: Vec<usize> = lines.heard().map(|(site, _)| site).collect();
        let part = DMatrix::from_fn(used.len(), used.len(), |i, j| self.heard[(used[i], used[j])]);
        let mut axes = part.symmetric_eigen();
        if axes.eigenvalues.iter().all(|&value| value <= STANDS_OUT) {
            return;
        }
        axes.eigenvalues
            .apply(|value| *value = if *value > STANDS_OUT { value.sqrt().recip() } else { 1.0 });
        let whitening = axes.recompose();
        for &line in &self.lines {
            let before: Vec<Complex<f64>> = lines.heard().map(|(_, of)| of[line]).collect();
            let after = whitening
                .row_iter()
                .map(|row| row.iter().zip(&before).map(|(weight, z)| z * *weight).sum());
            lines.set(line, after);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const STEP_PER_MINUTE: f64 = 0.0625;
    const LINES: usize = 400;
    const SITES: usize = 4;

    fn line(per_minute: f64) -> usize {
        (per_minute / STEP_PER_MINUTE).round() as usize
    }

    /// What is left of a line of every site after many windows that were heard alike.
    fn left_after_many(at_per_minute: f64, of_sites: &dyn Fn(usize, f64) -> f64) -> Vec<f64> {
        let per_minute: Vec<f64> = (0..LINES).map(|line| STEP_PER_MINUTE * line as f64).collect();
        let mut breathing = Breathing::new(&per_minute, |line| (7.0..14.0).contains(&per_minute[line]));
        let mut left = Vec::new();
        for _ in 0..300 {
            let of_site = |site: usize| per_minute.iter().map(|&f| Complex::from(of_sites(site, f))).collect();
            let mut sites: Vec<Option<Vec<Complex<f64>>>> = (0..SITES).map(|site| Some(of_site(site))).collect();
            // One more that hears nothing.
            sites.push(None);
            let mut lines = Lines::new(sites);
            breathing.bring_down(&mut lines);
            left = lines.heard().map(|(_, of)| of[line(at_per_minute)].re).collect();
        }
        left
    }

    #[test]
    fn a_hump_that_the_sites_share_is_brought_down_to_noise() {
        // The same in every line of every site: S = 4 (1 1ᵀ), of one axis with λ = 16; a share of 0.95³⁰⁰ of the first S is left.
        let left = left_after_many(12.0, &|_, _| 2.0);
        // Of the pattern's length 4 an axis of variance one is left: 1/2 in each of four sites.
        assert!(left.iter().all(|z| (z - 0.5).abs() < 1e-5), "{left:?}");
    }

    #[test]
    fn a_rhythm_of_one_line_stays_however_long_it_lasts() {
        let rhythm = |_: usize, f: f64| if (f - 10.0).abs() < 0.3 { 3.0 } else { 0.5 };
        assert_eq!(left_after_many(10.0, &rhythm), vec![3.0; SITES]);
    }

    #[test]
    fn what_the_sites_do_not_share_and_is_no_louder_than_noise_stays() {
        let noise = |site: usize, f: f64| if line(f) % SITES == site { 2.0 } else { 0.0 };
        let left = left_after_many(11.0, &noise);
        assert_eq!(left, (0..SITES).map(|site| noise(site, 11.0)).collect::<Vec<_>>());
    }
}
