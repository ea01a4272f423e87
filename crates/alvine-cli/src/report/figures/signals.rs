//! The signals: what every site heard over the whole recording, one strip a site on common axes.

use alvine::Reading;

use crate::report::axes::{TICK_PX, TimeAxis, round_ticks, signed};
use crate::report::canvas::{Anchor, Canvas, Type};
use crate::report::clock::Clock;
use crate::report::colour::{BELOW_FLOOR, GRID, INK, NOTHING, PAPER, SIGNAL, SOFT_INK};
use crate::report::envelope::Envelope;
use crate::report::{Figure, ReportError, ReportInput, words};

use super::{WIDE_PX, phase_strip, recording_axis, shade_phases};

const LEFT_PX: f64 = 210.0;
const RIGHT_PX: f64 = WIDE_PX - 20.0;
const TOP_PX: f64 = 62.0;
/// Height of the ribbon of silence under each strip, px.
const RIBBON_PX: f64 = 8.0;
const GAP_PX: f64 = 7.0;

/// How many instants of one column fell to each kind of silence, and how many there were.
#[derive(Debug, Clone, Copy, Default)]
struct Silence {
    instants: u32,
    below_floor: u32,
    missing: u32,
    saturated: u32,
}

/// One site's strip.
struct Strip {
    heard: Envelope,
    silence: Vec<Silence>,
}

/// Draws the signals.
pub fn draw(input: &ReportInput<'_>) -> Result<Figure, ReportError> {
    let (study, summary) = (input.study, input.summary);
    let clock = Clock::of(input);
    let axis = recording_axis(input, LEFT_PX, RIGHT_PX);
    let strips = collect(input, &axis);
    let levels = Levels::of(input, &strips);
    // Many sites get lower strips, so that all of them can be compared on one page.
    let strip_px = (416.0 / strips.len() as f64 - RIBBON_PX - GAP_PX).clamp(16.0, 72.0);
    let pitch_px = strip_px + RIBBON_PX + GAP_PX;
    let bottom_px = TOP_PX + pitch_px * strips.len() as f64;
    let mut canvas = Canvas::new(WIDE_PX, bottom_px + 78.0);

    axis.draw_wall(&mut canvas, &clock, 30.0);
    phase_strip(&mut canvas, summary, &axis, 36.0, 54.0);
    canvas.text(
        (LEFT_PX - 14.0, 45.0),
        "Phase",
        Type::new(12.0, INK).anchored(Anchor::End),
    );
    let span = format!("{} to {} dBm", signed(levels.least_dbm), signed(levels.greatest_dbm));
    canvas.text((10.0, 45.0), span, Type::new(11.5, SOFT_INK));
    let columns = axis.columns(study.recording.len());
    let step_s = summary.quality.median_step_s.unwrap_or(0.0);
    let bridged = axis.columns_between(3.0 * step_s, columns);
    for (site, strip) in strips.iter().enumerate() {
        let top_px = TOP_PX + pitch_px * site as f64;
        let panel = Panel {
            top_px,
            bottom_px: top_px + strip_px,
            axis,
            levels,
        };
        shade_phases(&mut canvas, summary, &axis, panel.top_px, panel.bottom_px + RIBBON_PX);
        panel.draw_frame(&mut canvas, input, site, &clock);
        panel.draw_strip(&mut canvas, strip, bridged);
        panel.draw_loosenings(&mut canvas, input, site);
    }
    for dropout in &summary.quality.dropouts {
        let (left, right) = (axis.x_px(dropout.start_s), axis.x_px(dropout.end_s));
        if right - left >= 1.0 {
            canvas.rectangle((left, TOP_PX), (right, bottom_px - GAP_PX), NOTHING.veil(0.28));
        }
    }
    axis.draw_elapsed(&mut canvas, &clock, bottom_px);
    draw_key(&mut canvas, bottom_px + 58.0);

    let title = "Signal at each site".to_owned();
    let description = describe(input, levels);
    Figure::drawn(canvas, "signals", title, description)
}

/// One pass over the recording: every reading into its column.
fn collect(input: &ReportInput<'_>, axis: &TimeAxis) -> Vec<Strip> {
    let (recording, receiver) = (&input.study.recording, &input.study.setup.receiver);
    let columns = axis.columns(recording.len());
    let mut strips: Vec<Strip> = (0..recording.sites())
        .map(|_| Strip {
            heard: Envelope::new(columns),
            silence: vec![Silence::default(); columns],
        })
        .collect();
    for (&time_s, levels) in recording.time_s().iter().zip(recording.rssi_dbm().outer_iter()) {
        let column = axis.column(time_s, columns);
        for (strip, &level) in strips.iter_mut().zip(levels) {
            let silence = &mut strip.silence[column];
            silence.instants += 1;
            match receiver.read(level) {
                Reading::Heard(level_dbm) => strip.heard.add(column, level_dbm),
                Reading::Saturated(level_dbm) => {
                    strip.heard.add(column, level_dbm);
                    silence.saturated += 1;
                }
                Reading::BelowFloor(_) => silence.below_floor += 1,
                Reading::Missing => silence.missing += 1,
            }
        }
    }
    strips
}

/// The common axis of level, dBm.
#[derive(Debug, Clone, Copy)]
struct Levels {
    least_dbm: f64,
    greatest_dbm: f64,
}

impl Levels {
    /// From the floor, or the weakest level heard, to the strongest one heard at any site.
    fn of(input: &ReportInput<'_>, strips: &[Strip]) -> Self {
        let floor_dbm = input.study.setup.receiver.floor_dbm();
        let heard = strips.iter().flat_map(|strip| strip.heard.columns()).flatten();
        let (least, greatest) = heard.fold((floor_dbm, floor_dbm), |(least, greatest), &(low, high)| {
            (least.min(low), greatest.max(high))
        });
        Self {
            least_dbm: least,
            greatest_dbm: (greatest + 2.0).max(least + 10.0),
        }
    }
}

/// Where one strip is drawn.
struct Panel {
    top_px: f64,
    bottom_px: f64,
    axis: TimeAxis,
    levels: Levels,
}

impl Panel {
    fn y_px(&self, level_dbm: f64) -> f64 {
        let share = (level_dbm - self.levels.least_dbm) / (self.levels.greatest_dbm - self.levels.least_dbm);
        self.bottom_px - share * (self.bottom_px - self.top_px)
    }

    /// Grid, ticks of level, and the site's name with its share heard.
    fn draw_frame(&self, canvas: &mut Canvas, input: &ReportInput<'_>, site: usize, clock: &Clock) {
        let height_px = self.bottom_px - self.top_px;
        self.axis.draw_grid(canvas, clock, self.top_px, self.bottom_px);
        let most = (height_px / 17.0).floor().max(1.0);
        let tick = Type::new(TICK_PX.min(0.62 * height_px), SOFT_INK).anchored(Anchor::End);
        for level_dbm in round_ticks(self.levels.least_dbm, self.levels.greatest_dbm, most) {
            let y = self.y_px(level_dbm);
            canvas.line([(LEFT_PX, y), (RIGHT_PX, y)], PAPER, 1.0);
            canvas.line([(LEFT_PX - 4.0, y), (LEFT_PX, y)], SOFT_INK, 1.0);
            let label_y = y.clamp(self.top_px + 4.0, self.bottom_px + 1.0);
            canvas.text((LEFT_PX - 7.0, label_y), signed(level_dbm), tick);
        }
        canvas.line([(LEFT_PX, self.top_px), (LEFT_PX, self.bottom_px)], SOFT_INK, 1.0);
        let room_px = LEFT_PX - 52.0;
        let name_style = Type::new(12.5_f64.min(0.75 * height_px), INK).bold();
        let name = input
            .study
            .setup
            .layout
            .sites()
            .get(site)
            .map_or("", |site| site.name.as_str());
        let name = format!("{} {name}", site + 1);
        let shares = input.summary.quality.sites.get(site);
        let heard = shares.map(|shares| format!("heard {}", words::percent(shares.heard)));
        match heard {
            Some(heard) if height_px >= 34.0 => {
                canvas.text((10.0, self.top_px + 12.0), name_style.fit(&name, room_px), name_style);
                canvas.text((10.0, self.top_px + 29.0), heard, Type::new(11.5, SOFT_INK));
            }
            _ => {
                let middle_px = 0.5 * (self.top_px + self.bottom_px);
                canvas.text((10.0, middle_px), name_style.fit(&name, room_px), name_style);
            }
        }
    }

    fn draw_strip(&self, canvas: &mut Canvas, strip: &Strip, bridged: usize) {
        let columns = strip.silence.len();
        let across = |column| self.axis.column_x_px(column, columns);
        strip.heard.draw(
            canvas,
            bridged,
            across,
            |level_dbm| self.y_px(level_dbm),
            SIGNAL.into(),
            1.3,
        );
        for run in runs(&strip.silence, |silence| u32::from(silence.saturated > 0)) {
            let (left, right) = (across(run.from as f64), across(run.to as f64));
            canvas.rectangle((left, self.top_px - 2.0), (right, self.top_px + 1.5), INK);
        }
        let quarter_px = RIBBON_PX / 4.0;
        let base_px = self.bottom_px + RIBBON_PX;
        for run in runs(&strip.silence, |silence| {
            quarters(silence.missing + silence.below_floor, silence.instants)
        }) {
            let (left, right) = (across(run.from as f64), across(run.to as f64));
            let top_px = base_px - quarter_px * f64::from(run.value);
            canvas.rectangle((left, top_px), (right, base_px), BELOW_FLOOR);
        }
        for run in runs(&strip.silence, |silence| quarters(silence.missing, silence.instants)) {
            let (left, right) = (across(run.from as f64), across(run.to as f64));
            let top_px = base_px - quarter_px * f64::from(run.value);
            canvas.rectangle((left, top_px), (right, base_px), NOTHING);
        }
        canvas.line([(LEFT_PX, self.bottom_px), (RIGHT_PX, self.bottom_px)], GRID, 0.7);
    }

    /// Spans in which this site seems to have worked loose: framed and named.
    fn draw_loosenings(&self, canvas: &mut Canvas, input: &ReportInput<'_>, site: usize) {
        let sites = input.study.setup.layout.sites();
        let name = sites.get(site).map_or("", |site| site.name.as_str());
        for loose in input
            .summary
            .quality
            .loosenings
            .iter()
            .filter(|loose| loose.site == name)
        {
            let left = self.axis.x_px(loose.start_s);
            let right = self.axis.x_px(loose.end_s).max(left + 2.0);
            let (top, bottom) = (self.top_px + 0.5, self.bottom_px - 0.5);
            let frame = [(left, top), (right, top), (right, bottom), (left, bottom), (left, top)];
            canvas.line(frame, INK, 1.8);
            let style = Type::new(11.0_f64.min(0.65 * (bottom - top)), INK).bold();
            let label = format!("loose? {} dB weaker", signed(loose.loss_db.abs()));
            let width_px = style.width_px(&label);
            if width_px + 8.0 < RIGHT_PX - left {
                canvas.text_on_paper((left + 5.0, top + 0.8 * style.size_px), label, style);
            } else {
                canvas.text_on_paper(
                    (right - 5.0, top + 0.8 * style.size_px),
                    label,
                    style.anchored(Anchor::End),
                );
            }
        }
    }
}

/// Neighbouring columns of one value that is not 0.
struct Run {
    from: usize,
    to: usize,
    value: u32,
}

fn runs(silence: &[Silence], value: impl Fn(&Silence) -> u32) -> Vec<Run> {
    let mut runs: Vec<Run> = Vec::new();
    for (column, silence) in silence.iter().enumerate() {
        let value = value(silence);
        match runs.last_mut() {
            Some(last) if last.value == value && last.to == column => last.to = column + 1,
            _ if value > 0 => runs.push(Run {
                from: column,
                to: column + 1,
                value,
            }),
            _ => {}
        }
    }
    runs
}

/// A share in quarters, to the nearest.
fn quarters(part: u32, whole: u32) -> u32 {
    (4 * part + whole / 2).checked_div(whole).unwrap_or(0)
}

/// What the marks mean.
fn draw_key(canvas: &mut Canvas, y_px: f64) {
    let style = Type::new(11.5, SOFT_INK);
    let mut x = 10.0;
    let mut entry = |canvas: &mut Canvas, swatch: &dyn Fn(&mut Canvas, f64), text: &str| {
        swatch(canvas, x);
        canvas.text((x + 22.0, y_px), text, style);
        x += 22.0 + style.width_px(text) + 18.0;
    };
    entry(
        canvas,
        &|canvas, x| canvas.rectangle((x, y_px - 4.0), (x + 16.0, y_px + 4.0), SIGNAL),
        "weakest to strongest in each column",
    );
    entry(
        canvas,
        &|canvas, x| canvas.rectangle((x, y_px - 4.0), (x + 16.0, y_px + 4.0), BELOW_FLOOR),
        "share below the floor",
    );
    entry(
        canvas,
        &|canvas, x| canvas.rectangle((x, y_px - 4.0), (x + 16.0, y_px + 4.0), NOTHING),
        "share without a packet",
    );
    entry(
        canvas,
        &|canvas, x| canvas.rectangle((x, y_px - 7.0), (x + 16.0, y_px + 7.0), NOTHING.veil(0.28)),
        "no site heard it",
    );
    entry(
        canvas,
        &|canvas, x| canvas.rectangle((x, y_px - 2.0), (x + 16.0, y_px + 1.5), INK),
        "saturated",
    );
}

fn describe(input: &ReportInput<'_>, levels: Levels) -> String {
    let mut text = format!(
        "Level heard at {} sites over the recording, from {} to {} dBm. In each column the band spans the weakest to \
         the strongest level; the ribbon beneath shows the share of instants below the floor and without a packet.",
        input.study.recording.sites(),
        signed(levels.least_dbm),
        signed(levels.greatest_dbm)
    );
    for site in &input.summary.quality.sites {
        text.push_str(&format!(" {} heard {}.", site.name, words::percent(site.heard)));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn runs_join_neighbours_of_one_value_and_skip_zero() {
        let silence = [0, 2, 2, 4, 0, 4].map(|missing| Silence {
            instants: 4,
            missing,
            ..Silence::default()
        });
        let found: Vec<_> = runs(&silence, |silence| quarters(silence.missing, silence.instants))
            .iter()
            .map(|run| (run.from, run.to, run.value))
            .collect();
        assert_eq!(found, vec![(1, 3, 2), (3, 4, 4), (5, 6, 4)]);
    }

    #[test]
    fn a_share_is_shown_to_the_nearest_quarter() {
        assert_eq!(quarters(3, 100), 0);
        assert_eq!(quarters(13, 100), 1);
        assert_eq!(quarters(100, 100), 4);
        assert_eq!(quarters(0, 0), 0);
    }
}
