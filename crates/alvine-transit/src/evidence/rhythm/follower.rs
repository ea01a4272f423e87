//! Follows a rhythm's frequency and power from window to window.

use super::pattern::{Along, Pattern};
use super::window::Lines;
use super::{Band, POWERS, Ranges};

/// What one band says, window by window.
#[derive(Debug)]
pub(super) struct Speaker {
    /// The lines of the spectrum in the band.
    lines: Vec<usize>,
    pattern: Pattern,
    follower: Follower,
    is_silent: bool,
}

impl Speaker {
    /// Of windows with lines at so many cycles a minute, of readings `step_s` apart.
    pub fn new(band: Band, ranges: &Ranges, per_minute: &[f64], step_s: f64) -> Self {
        let [least, greatest] = ranges[band as usize];
        let lines: Vec<usize> = (0..per_minute.len())
            .filter(|&line| (least..=greatest).contains(&per_minute[line]))
            .collect();
        Self {
            follower: Follower::new(lines.len(), band.own_share()),
            pattern: Pattern::default(),
            lines,
            is_silent: step_s > band.longest_step_s(),
        }
    }

    /// The log-likelihood of the next window with a rhythm in the band against that without, given those before; zero where it is
    /// silent.
    pub fn take(&mut self, window: Option<&Lines>) -> f64 {
        match window {
            _ if self.is_silent => 0.0,
            None => {
                self.follower.pass();
                0.0
            }
            Some(window) => {
                let along = self.pattern.along(window, &self.lines);
                let ln = self.follower.take(&along);
                self.pattern.remember(&along, self.follower.present(), window.sites());
                ln
            }
        }
    }
}

/// Where frequency and power are likely to be.
#[derive(Debug)]
struct Follower {
    lines: usize,
    /// What one window tells that others do not.
    own_share: f64,
    /// Lines × powers.
    shares: Vec<f64>,
}

impl Follower {
    fn new(lines: usize, own_share: f64) -> Self {
        let size = lines * POWERS.len();
        Self {
            lines,
            own_share,
            shares: vec![1.0 / size.max(1) as f64; size],
        }
    }

    /// A window on: frequency and power change a little.
    fn pass(&mut self) {
        const LINE_MOVES: f64 = 0.1;
        const POWER_MOVES: f64 = 0.15;
        const FORGETS: f64 = 0.02;
        let width = POWERS.len();
        let even = 1.0 / self.shares.len().max(1) as f64;
        let old = self.shares.clone();
        let at = |line: usize, power: usize| old[line * width + power];
        for line in 0..self.lines {
            for power in 0..width {
                let lower = at(line.saturating_sub(1), power);
                let upper = at((line + 1).min(self.lines - 1), power);
                let weaker = at(line, power.saturating_sub(1));
                let stronger = at(line, (power + 1).min(width - 1));
                let own = at(line, power);
                let moved =
                    own + LINE_MOVES * (lower + upper - 2.0 * own) + POWER_MOVES * (weaker + stronger - 2.0 * own);
                self.shares[line * width + power] = (1.0 - FORGETS) * moved + FORGETS * even;
            }
        }
    }

    /// The log-likelihood of a window given those before.
    fn take(&mut self, along: &Along) -> f64 {
        self.pass();
        let width = POWERS.len();
        let mut total = 0.0;
        for line in 0..self.lines {
            for (power, rho) in POWERS.iter().enumerate() {
                let ln = self.own_share * along.ln_likelihood(line, *rho);
                let share = &mut self.shares[line * width + power];
                *share *= ln.clamp(-30.0, 30.0).exp();
                total += *share;
            }
        }
        if total > 0.0 {
            self.shares.iter_mut().for_each(|share| *share /= total);
            total.ln()
        } else {
            0.0
        }
    }

    /// How surely the rhythm is present in each line, as a share of what is heard there.
    fn present(&self) -> impl Iterator<Item = f64> {
        self.shares.chunks_exact(POWERS.len()).map(|shares| {
            let each = shares.iter().zip(POWERS);
            each.map(|(share, rho)| share * rho / (1.0 + rho)).sum()
        })
    }
}
