//! What a person watching sees: a panel that is drawn again, or a line an event where there is no terminal.

use std::io::{self, IsTerminal, Write};
use std::time::{Duration, Instant};

use terminal_size::{Height, Width, terminal_size};

use super::View;
use super::event::{Event, NextLandmark};
use super::hearing::State;
use crate::plain_text::{WIDTH, beside, paragraph};
use crate::report::escape::printable;

/// The panel is drawn no more often.
const DRAW_EVERY: Duration = Duration::from_millis(250);
/// How many events it shows.
const RECENT: usize = 6;
/// Columns of the names, and of the times of events.
const NAME: usize = 15;

/// What a person watching sees.
#[derive(Debug)]
pub struct Display {
    is_terminal: bool,
    recent: Vec<Told>,
    drawn: Option<Drawn>,
    /// Whether something has happened since.
    is_due: bool,
}

/// An event as it is shown.
#[derive(Debug)]
struct Told {
    when: String,
    what: String,
}

/// The panel that stands on the screen.
#[derive(Debug)]
struct Drawn {
    at: Instant,
    lines: usize,
    screen: Screen,
}

/// Columns and rows of a terminal.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Screen {
    columns: usize,
    rows: usize,
}

impl Screen {
    /// That of standard output; the usual one where it does not say.
    fn now() -> Self {
        let (columns, rows) = terminal_size().map_or((80, 24), |(Width(columns), Height(rows))| (columns, rows));
        Self {
            columns: usize::from(columns),
            rows: usize::from(rows),
        }
    }

    /// The widest line: the last column is left free, as terminals differ in what they do once it is written.
    fn width(self) -> usize {
        WIDTH.min(self.columns.saturating_sub(1))
    }
}

impl Display {
    /// A panel on a terminal; lines elsewhere.
    pub fn new() -> Self {
        Self {
            is_terminal: io::stdout().is_terminal(),
            recent: Vec::new(),
            drawn: None,
            is_due: true,
        }
    }

    /// Takes events.
    pub fn tell(&mut self, events: &[Event]) -> io::Result<()> {
        let mut out = io::stdout().lock();
        for event in events.iter().filter(|event| event.what.is_notable()) {
            // Names and rows come from elsewhere, and could steer the terminal.
            let (when, what) = (clock(event.time_s), printable(&event.what.words()).into_owned());
            if !self.is_terminal {
                out.write_all(paragraph(&format!("{when}  {what}"), 10).as_bytes())?;
                continue;
            }
            self.recent.push(Told { when, what });
            if self.recent.len() > RECENT {
                self.recent.remove(0);
            }
            self.is_due = true;
        }
        out.flush()
    }

    /// Draws the panel for the last time.
    pub fn finish(&mut self, view: &View<'_>) -> io::Result<()> {
        self.is_due = true;
        self.draw(view)
    }

    /// Draws the panel, where there is one and it is time.
    pub fn draw(&mut self, view: &View<'_>) -> io::Result<()> {
        let is_due = |drawn: &Drawn| self.is_due || drawn.at.elapsed() >= DRAW_EVERY;
        if !self.is_terminal || !self.drawn.as_ref().is_none_or(is_due) {
            return Ok(());
        }
        let screen = Screen::now();
        let lines = fitted(&panel(view, screen.width()), &self.recent, screen);
        let mut out = io::stdout().lock();
        match &self.drawn {
            // Up to the panel's first line, and everything below it away.
            Some(drawn) if drawn.screen == screen && drawn.lines > 0 => write!(out, "\x1b[{}A\x1b[J", drawn.lines)?,
            // A terminal whose size has changed has broken the lines otherwise: where the panel begins is not known any more.
            Some(_) => write!(out, "\x1b[H\x1b[2J")?,
            None => {}
        }
        for line in &lines {
            writeln!(out, "{line}")?;
        }
        self.drawn = Some(Drawn {
            at: Instant::now(),
            lines: lines.len(),
            screen,
        });
        self.is_due = false;
        out.flush()
    }
}

/// The lines of panel and events that a screen holds above the cursor: the oldest events are left away first.
fn fitted(panel: &str, recent: &[Told], screen: Screen) -> Vec<String> {
    let width = screen.width();
    let room = screen.rows.saturating_sub(1);
    let mut events: Vec<String> = Vec::new();
    for told in recent.iter().rev() {
        let mut lines: Vec<String> = beside(&told.when, &told.what, NAME, width)
            .lines()
            .map(str::to_owned)
            .collect();
        if panel.lines().count() + events.len() + lines.len() > room {
            break;
        }
        lines.append(&mut events);
        events = lines;
    }
    let all = panel.lines().map(str::to_owned).chain(events).take(room);
    // A word that is wider than the screen is cut, as it would take a second line.
    all.map(|line| line.chars().take(width).collect()).collect()
}

/// The panel as text, no wider than `width` where its words allow it.
fn panel(view: &View<'_>, width: usize) -> String {
    let mut text = String::new();
    let mut line = |name: &str, value: &str| text.push_str(&beside(name, &printable(value), NAME, width));
    line("Study", &view.live.id);
    let Some(now_s) = view.now_s else {
        line("Recording", "waiting for the first row");
        return text;
    };
    let state = if view.ended { "ENDED" } else { "running" };
    line("Recording", &format!("{state}, {} since it began", clock(now_s)));
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
        format!("{} {:.0}\u{A0}%{state}", site.name, 100.0 * share)
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

#[cfg(test)]
mod tests {
    use std::path::Path;

    use alvine_study::{LiveStudy, read_live_study};
    use alvine_transit::Prior;

    use super::super::{Due, Watcher};
    use super::*;

    fn demo() -> LiveStudy {
        read_live_study(&Path::new(env!("CARGO_MANIFEST_DIR")).join("../../datasets/demo")).unwrap()
    }

    fn screen(columns: usize, rows: usize) -> Screen {
        Screen { columns, rows }
    }

    #[test]
    fn names_stand_in_a_column_and_no_line_is_wider_than_the_screen_however_long_the_pseudonym() {
        let mut live = demo();
        live.id = "ward-".repeat(8);
        let mut watcher = Watcher::new(&live, Due::default(), Prior::fasting()).unwrap();
        let waiting = panel(&watcher.view(), 59);
        assert!(
            waiting.contains("\nRecording      waiting for the first row\n"),
            "{waiting}"
        );
        let levels = vec![-80.0; live.setup.layout.len()];
        let row = alvine_study::LiveRow {
            time_s: 0.0,
            rssi_dbm: levels,
        };
        watcher.row(&row, &mut Vec::new());
        for width in [59, 99] {
            let text = panel(&watcher.view(), width);
            assert!(
                text.contains("Recording      running, 0:00:00 since it began\n"),
                "{text}"
            );
            for line in text.lines() {
                assert!(line.chars().count() <= width, "{line}");
                let (name, value) = line.split_at(NAME);
                assert!(name.ends_with(' ') && !value.starts_with(' '), "{line}");
            }
        }
    }

    #[test]
    fn a_small_screen_keeps_the_panel_and_the_newest_events_that_have_room() {
        let told = |when: &str, what: &str| Told {
            when: when.to_owned(),
            what: what.to_owned(),
        };
        let recent = [
            told("0:01:00", "oldest"),
            told("0:02:00", "older"),
            told("0:03:00", &"newest ".repeat(10)),
        ];
        let drawn = |rows| fitted("Study          a\nPlace          b\n", &recent, screen(60, rows));
        assert_eq!(drawn(24).len(), 6);
        let small = drawn(6);
        assert_eq!(small.len(), 5);
        assert!(small[2].starts_with("0:02:00        older") && small[3].starts_with("0:03:00        newest"));
        assert_eq!(drawn(2), ["Study          a"]);
        let long = fitted(&"w".repeat(300), &[], screen(60, 24));
        assert_eq!(long, ["w".repeat(59)]);
    }
}
