//! What a person watching sees: a panel that is drawn again, or a line an event where there is no terminal.

use std::io::{self, IsTerminal, Write};
use std::time::{Duration, Instant};

use super::View;
use super::event::{Event, NextLandmark};
use super::hearing::State;
use crate::plain_text::paragraph;

/// The panel is drawn no more often.
const DRAW_EVERY: Duration = Duration::from_millis(250);
/// How many events it shows.
const RECENT: usize = 6;
/// Columns of the names.
const NAME: usize = 15;

/// What a person watching sees.
#[derive(Debug)]
pub struct Display {
    is_terminal: bool,
    recent: Vec<String>,
    drawn_lines: usize,
    drawn: Option<Instant>,
}

impl Display {
    /// A panel on a terminal; lines elsewhere.
    pub fn new() -> Self {
        Self {
            is_terminal: io::stdout().is_terminal(),
            recent: Vec::new(),
            drawn_lines: 0,
            drawn: None,
        }
    }

    /// Takes events.
    pub fn tell(&mut self, events: &[Event]) -> io::Result<()> {
        let mut out = io::stdout().lock();
        for event in events.iter().filter(|event| event.what.is_notable()) {
            let line = format!("{}  {}", clock(event.time_s), event.what.words());
            if !self.is_terminal {
                out.write_all(paragraph(&line, 10).as_bytes())?;
                continue;
            }
            self.recent.push(line);
            if self.recent.len() > RECENT {
                self.recent.remove(0);
            }
            // The next drawing is due at once.
            self.drawn = None;
        }
        out.flush()
    }

    /// Draws the panel, where there is one and it is time.
    pub fn draw(&mut self, view: &View<'_>) -> io::Result<()> {
        if !self.is_terminal || self.drawn.is_some_and(|drawn| drawn.elapsed() < DRAW_EVERY) {
            return Ok(());
        }
        self.drawn = Some(Instant::now());
        let mut text = panel(view);
        for line in &self.recent {
            text.push_str(&paragraph(line, 10));
        }
        let mut out = io::stdout().lock();
        if self.drawn_lines > 0 {
            // Up to the panel's first line, and everything below it away.
            write!(out, "\x1b[{}A\x1b[J", self.drawn_lines)?;
        }
        self.drawn_lines = text.lines().count();
        out.write_all(text.as_bytes())?;
        out.flush()
    }
}

/// The panel as text.
fn panel(view: &View<'_>) -> String {
    let mut text = String::new();
    let mut line = |name: &str, value: &str| {
        text.push_str(
            &paragraph(
                &format!("{name}{}{value}", "\u{2007}".repeat(NAME - name.chars().count())),
                NAME,
            )
            .replace('\u{2007}', " "),
        )
    };
    let Some(now_s) = view.now_s else {
        line(&view.live.id, "waiting for the first row");
        return text;
    };
    let state = if view.ended { "ENDED" } else { "recording" };
    line(&view.live.id, &format!("{state}, {} since it began", clock(now_s)));
    if let Some(swallowed_s) = view.live.swallowed_s.filter(|&swallowed_s| swallowed_s <= now_s) {
        line("Swallowed", &format!("{} ago", clock(now_s - swallowed_s)));
    }
    line(
        "Place",
        &view
            .place_mm
            .map_or("not known yet".to_owned(), |place| in_words(place, view.spread_mm)),
    );
    let share =
        |share: Option<f64>| share.map_or("cannot be told".to_owned(), |share| format!("{:.0} %", 100.0 * share));
    line("Left stomach", &share(view.left_stomach));
    line("Reached colon", &share(view.reached_colon));
    if let Some(next) = &view.next_landmark {
        line("Next landmark", &expected(next, now_s));
    }
    line("Antennas", &antennas(view));
    let last = view
        .last_heard_s
        .map_or("never".to_owned(), |last_s| format!("{:.0} s ago", now_s - last_s));
    line("Heard", &format!("{last}; drop-outs so far: {}", view.dropouts));
    if view.refused > 0 {
        line("Rows", &format!("{} taken, {} left out", view.rows, view.refused));
    }
    if let Some(next) = &view.next {
        line("Next step", &format!("{} in {}", next.title, clock(next.due_s - now_s)));
    }
    text
}

/// When the next landmark is expected.
fn expected(next: &NextLandmark, now_s: f64) -> String {
    let ahead = |time_s: f64| clock((time_s - now_s).max(0.0));
    let [early_s, late_s] = next.interval90_s;
    let mut text = format!(
        "{} expected in {}, with 90 % between {} and {}",
        next.landmark,
        ahead(next.expected_s),
        ahead(early_s),
        ahead(late_s)
    );
    if next.reached < 0.95 {
        text.push_str(&format!(", if it is passed at all ({:.0} %)", 100.0 * next.reached));
    }
    text
}

fn antennas(view: &View<'_>) -> String {
    let sites = view
        .live
        .setup
        .layout
        .sites()
        .iter()
        .zip(view.hearing.shares())
        .enumerate();
    let told = sites.map(|(index, (site, share))| {
        let state = match view.hearing.state(index) {
            State::Well => "",
            State::Weak => " WEAK",
            State::Silent => " SILENT",
        };
        format!("{} {:.0} %{state}", site.name, 100.0 * share)
    });
    told.collect::<Vec<_>>().join(", ")
}

/// A place as one would point at it.
fn in_words([x_mm, y_mm, z_mm]: [f64; 3], spread_mm: Option<f64>) -> String {
    let side = if x_mm < 0.0 {
        "to the patient's right"
    } else {
        "to the patient's left"
    };
    let height = if z_mm < 0.0 { "below" } else { "above" };
    let spread = spread_mm.map_or(String::new(), |spread_mm| format!(", ± {spread_mm:.0} mm"));
    format!(
        "{:.0} mm {side}, {y_mm:.0} mm deep, {:.0} mm {height} the navel{spread}",
        x_mm.abs(),
        z_mm.abs()
    )
}

/// `0:12:30`.
fn clock(seconds: f64) -> String {
    let sign = if seconds < 0.0 { "−" } else { "" };
    let seconds = seconds.abs().floor() as u64;
    format!("{sign}{}:{:02}:{:02}", seconds / 3600, seconds / 60 % 60, seconds % 60)
}
