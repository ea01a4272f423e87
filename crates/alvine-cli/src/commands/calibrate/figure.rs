//! Level against distance with the fitted laws, and below it what the law to take leaves of the readings.

use alvine::calibrate::{LawFit, LawForm, Residual};

use super::Calibrated;
use crate::layout_figures::chart::Chart;
use crate::report::canvas::{Anchor, Canvas, Type};
use crate::report::colour::{BELOW_FLOOR, Colour, INK, NOTHING, SIGNAL, SOFT_INK};
use crate::report::placement::Area;
use crate::report::{Figure, ReportError};

const NAME: &str = "calibration";
const WIDTH_PX: f64 = 720.0;
const HEIGHT_PX: f64 = 656.0;
const LEFT_PX: f64 = 78.0;
const RIGHT_PX: f64 = WIDTH_PX - 30.0;
/// Where the upper panel ends and the lower one begins, px.
const UPPER_PX: (f64, f64) = (74.0, 372.0);
const LOWER_PX: (f64, f64) = (446.0, HEIGHT_PX - 56.0);
/// No more readings are drawn: every so manyth of a large survey.
const MOST_POINTS: usize = 3000;
/// Points of a curve.
const STEPS: u32 = 120;

/// A law's colour; the one to take has the signal's and the widest line.
const fn colour(form: LawForm) -> Colour {
    match form {
        LawForm::LogDistance => SIGNAL,
        LawForm::DistanceAndTissue => Colour::hex(0x9A5B12),
        LawForm::FreeSpace => NOTHING,
    }
}

impl Calibrated<'_> {
    pub(super) fn figure(&self, law: &LawFit) -> Result<Figure, ReportError> {
        let title = "Level against distance, and what the law leaves".to_owned();
        let mut canvas = Canvas::new(WIDTH_PX, HEIGHT_PX);
        canvas.text((20.0, 24.0), &title, Type::new(15.0, INK).bold());
        self.draw_levels(&mut canvas, law);
        self.draw_residuals(&mut canvas, law);
        let fitted = law
            .exponent
            .map_or("2".to_owned(), |exponent| format!("{:.2}", exponent.value));
        let description = format!(
            "Levels of {} readings from {:.0} to {:.0} mm with the fitted laws; {} with an exponent of {fitted} and a spread of {:.1} dB \
             is the one to take. Below, the residuals of that law with their means by distance.",
            self.fit.heard + self.fit.censored,
            self.fit.distances_mm[0],
            self.fit.distances_mm[1],
            law.form.as_str(),
            law.spread_db.value
        );
        Figure::drawn(canvas, NAME, title, description)
    }

    /// The readings that are drawn, with the level of each less what its site hears above the mean.
    fn points<'a>(&self, law: &'a LawFit) -> Vec<(&'a Residual, f64)> {
        let residuals = &law.residuals.residuals;
        let step = residuals.len().div_ceil(MOST_POINTS).max(1);
        let drawn = residuals.iter().step_by(step);
        drawn
            .map(|residual| (residual, mean_dbm(law, residual.distance_mm) + residual.residual_db))
            .collect()
    }

    fn across(&self) -> (f64, f64) {
        (0.0, 1.03 * self.fit.distances_mm[1].max(1.0))
    }

    fn draw_levels(&self, canvas: &mut Canvas, law: &LawFit) {
        let points = self.points(law);
        let levels = || {
            points
                .iter()
                .filter(|(residual, _)| residual.heard)
                .map(|(_, dbm)| *dbm)
        };
        let floor_dbm = self.setup.receiver.floor_dbm();
        let low = levels().fold(f64::INFINITY, f64::min) - 4.0;
        let high = levels().fold(f64::NEG_INFINITY, f64::max) + 4.0;
        let chart = Chart {
            area: Area {
                left: LEFT_PX,
                top: UPPER_PX.0,
                right: RIGHT_PX,
                bottom: UPPER_PX.1,
            },
            across: self.across(),
            up: if self.fit.censored > 0 {
                (low.min(floor_dbm - 4.0), high)
            } else {
                (low, high)
            },
        };
        chart.draw_across(canvas, "Distance from the site, mm", 9.0);
        chart.draw_up(canvas, "Level less the site's gain, dBm", 7.0);
        for (residual, dbm) in &points {
            // A censored reading stands at the edge that it is known to lie beyond.
            if residual.heard {
                canvas.disc(chart.place(residual.distance_mm, *dbm), 1.7, SIGNAL.veil(0.35));
            } else {
                let place = chart.place(residual.distance_mm, chart.up.0);
                canvas.line([place, (place.0, place.1 - 7.0)], BELOW_FLOOR, 1.0);
            }
        }
        for (k, fitted) in self.fit.laws.iter().enumerate() {
            let width_px = if fitted.form == law.form { 2.6 } else { 1.5 };
            let [near_mm, far_mm] = self.fit.distances_mm;
            let curve = (0..=STEPS).map(|step| {
                let distance_mm = near_mm + (far_mm - near_mm) * f64::from(step) / f64::from(STEPS);
                (distance_mm, mean_dbm(fitted, distance_mm))
            });
            let within = curve.filter(|(_, dbm)| (chart.up.0..=chart.up.1).contains(dbm));
            canvas.line(
                within.map(|(mm, dbm)| chart.place(mm, dbm)),
                colour(fitted.form),
                width_px,
            );
            self.draw_key(canvas, k, fitted, fitted.form == law.form);
        }
        if self.fit.censored > 0 {
            let text = "strokes at the lower edge: readings known by a limit only";
            let style = Type::new(11.0, SOFT_INK).anchored(Anchor::End);
            canvas.text((RIGHT_PX, UPPER_PX.0 - 12.0), text, style);
        }
    }

    /// A law's name, with a stroke of its colour, in the upper right corner.
    fn draw_key(&self, canvas: &mut Canvas, row: usize, law: &LawFit, taken: bool) {
        let y = UPPER_PX.0 + 16.0 + 18.0 * row as f64;
        let style = if taken {
            Type::new(11.5, INK).bold()
        } else {
            Type::new(11.5, INK)
        };
        let text = format!("{}: {}", law.form.as_str(), law.adequacy.verdict.as_str());
        let left = RIGHT_PX - 250.0;
        canvas.line(
            [(left, y), (left + 26.0, y)],
            colour(law.form),
            if taken { 2.6 } else { 1.5 },
        );
        canvas.text_on_paper((left + 34.0, y), text, style);
    }

    fn draw_residuals(&self, canvas: &mut Canvas, law: &LawFit) {
        let spread_db = law.spread_db.value;
        let points = self.points(law);
        let reach = points.iter().map(|(residual, _)| residual.residual_db.abs());
        let reach_db = 1.05 * reach.fold(2.0 * spread_db, f64::max);
        let chart = Chart {
            area: Area {
                left: LEFT_PX,
                top: LOWER_PX.0,
                right: RIGHT_PX,
                bottom: LOWER_PX.1,
            },
            across: self.across(),
            up: (-reach_db, reach_db),
        };
        let band = [
            (0.0, spread_db),
            (chart.across.1, spread_db),
            (chart.across.1, -spread_db),
            (0.0, -spread_db),
        ];
        canvas.area(band.map(|(mm, db)| chart.place(mm, db)), SIGNAL.veil(0.10));
        chart.draw_across(canvas, "Distance from the site, mm", 9.0);
        chart.draw_up(canvas, "Residual, dB", 5.0);
        for (residual, _) in &points {
            let colour = if residual.heard {
                SIGNAL.veil(0.35)
            } else {
                BELOW_FLOOR.into()
            };
            canvas.disc(chart.place(residual.distance_mm, residual.residual_db), 1.7, colour);
        }
        canvas.line([chart.place(0.0, 0.0), chart.place(chart.across.1, 0.0)], INK, 1.0);
        let means = law.residuals.by_distance.iter();
        let means: Vec<_> = means
            .map(|class| chart.place(0.5 * (class.from_mm + class.to_mm), class.mean_db))
            .collect();
        canvas.line(means.iter().copied(), Colour::hex(0xB4567A), 1.8);
        for place in means {
            canvas.disc(place, 3.4, Colour::hex(0xB4567A));
        }
        canvas.text(
            (RIGHT_PX, LOWER_PX.0 - 12.0),
            format!(
                "of {}; band: the spread; joined discs: means by distance",
                law.form.as_str()
            ),
            Type::new(11.0, SOFT_INK).anchored(Anchor::End),
        );
    }
}

/// What a law says on the mean of its sites at a distance, dBm.
fn mean_dbm(law: &LawFit, distance_mm: f64) -> f64 {
    let above_dbm = law.median_dbm(0, distance_mm) - law.level_dbm[0].value;
    law.mean_level_dbm() + above_dbm
}
