//! How far long work is, on the error stream, and only where a person watches it.

use std::io::{self, IsTerminal};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

/// Steps of the bar: fine enough for its width.
const STEPS: u64 = 1000;

/// A bar, or nothing where no one watches.
#[derive(Debug)]
pub struct Progress {
    bar: ProgressBar,
}

impl Progress {
    /// A bar at nought, shown only when the error stream is a terminal and `quiet` is not set.
    pub fn new(quiet: bool) -> Self {
        if quiet || !io::stderr().is_terminal() {
            return Self {
                bar: ProgressBar::hidden(),
            };
        }
        let bar = ProgressBar::with_draw_target(Some(STEPS), ProgressDrawTarget::stderr());
        if let Ok(style) = ProgressStyle::with_template("{msg:16} [{bar:40}] {percent:>3} %") {
            bar.set_style(style.progress_chars("=> "));
        }
        Self { bar }
    }

    /// Begins another kind of work, named in a word or two, at nought.
    pub fn begin(&self, what: &'static str) {
        self.bar.set_message(what);
        self.bar.set_position(0);
    }

    /// Says which share of the present work is done, 0 to 1; from any thread, in any order.
    pub fn reach(&self, share: f64) {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "the share is held within 0 and 1, and a number that is none becomes 0"
        )]
        let position = (share.clamp(0.0, 1.0) * STEPS as f64) as u64;
        if position > self.bar.position() {
            self.bar.set_position(position);
        }
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_bar_never_runs_backwards_within_one_work_nor_beyond_its_end() {
        let progress = Progress {
            bar: ProgressBar::hidden(),
        };
        progress.begin("locating");
        for (share, position) in [(0.5, 500), (0.25, 500), (f64::NAN, 500), (7.0, 1000)] {
            progress.reach(share);
            assert_eq!(progress.bar.position(), position, "{share}");
        }
        progress.begin("drawing");
        assert_eq!(progress.bar.position(), 0);
    }
}
