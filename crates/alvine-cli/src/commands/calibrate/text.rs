//! What `calibrate` prints.

use alvine::calibrate::{LawFit, NoiseFrom, Parameter};

use super::Calibrated;
use crate::plain_text::{Align, Table, paragraph};

/// No more readings that stand out are printed; all of them are in the JSON.
const MOST_OUTLIERS: usize = 10;

impl Calibrated<'_> {
    pub(super) fn text(&self) -> String {
        let mut text = self.head();
        text.push('\n');
        text.push_str(&self.parameters());
        text.push('\n');
        text.push_str(&self.criteria());
        text.push('\n');
        if let Some(law) = self.fit.preferred() {
            text.push_str(&format!("Law to take: {}\n", law.form.as_str()));
            text.push_str(&paragraph(&adequacy(law), 0));
            text.push_str(&paragraph(&spread(law), 0));
            text.push('\n');
            text.push_str(&self.sites(law));
            text.push('\n');
            text.push_str(&self.outliers(law));
        }
        text.push_str(&paragraph(
            "Intervals are 95 % (Wald's, by Student's t), with what neighbouring readings of a site share. A law is adequate where \
             the most that it may depart from the readings, by bends of level against the logarithm of distance, is at most half \
             of the spread; not adequate where it may depart by more, and chance does so less often than once in a hundred times; \
             else the survey cannot tell. Laws are set beside each other by QAICc; AICc and BIC take readings for independent.",
            0,
        ));
        for caution in self.cautions() {
            text.push_str(&paragraph(&format!("- {caution}"), 2));
        }
        text.push('\n');
        match self.tables() {
            Ok(tables) => text.push_str(&tables),
            Err(why) => text.push_str(&paragraph(&format!("No tables for a study: {why}."), 0)),
        }
        if let Some(out) = &self.args.to.out {
            text.push_str(&format!("\nFiles: {}\n", out.display()));
        }
        text
    }

    fn head(&self) -> String {
        let [near_mm, far_mm] = self.fit.distances_mm;
        let text = format!(
            "Survey {}: {} rows at {} places, {} sites; {} readings heard, {} below the floor or above the ceiling, which count by \
             their probability; {near_mm:.0} to {far_mm:.0} mm from a site. Losses and levels are stated at {} mm.",
            self.args.survey.display(),
            self.survey.lines.len(),
            self.fit.places,
            self.setup.layout.len(),
            self.fit.heard,
            self.fit.censored,
            self.args.reference_mm,
        );
        paragraph(&text, 0)
    }

    fn parameters(&self) -> String {
        let mut table = Table::new(&[
            ("Law", Align::Left),
            ("Exponent", Align::Right),
            ("Absorption, dB/cm", Align::Right),
            ("Loss, dB", Align::Right),
            ("Spread, dB", Align::Right),
        ]);
        for law in &self.fit.laws {
            let loss_db = self.setup.transmitter.power_dbm() - law.mean_level_dbm();
            table.row([
                law.form.as_str().to_owned(),
                law.exponent
                    .map_or("2, given".to_owned(), |exponent| interval(exponent, 2)),
                law.attenuation_db_per_cm
                    .map_or("none".to_owned(), |absorbed| interval(absorbed, 2)),
                format!("{loss_db:.2}"),
                interval(law.spread_db, 1),
            ]);
        }
        table.text()
    }

    fn criteria(&self) -> String {
        let mut table = Table::new(&[
            ("Law", Align::Left),
            ("ln L", Align::Right),
            ("AICc", Align::Right),
            ("BIC", Align::Right),
            ("QAICc above least", Align::Right),
            ("Weight", Align::Right),
            ("Verdict", Align::Left),
        ]);
        for law in &self.fit.laws {
            let criteria = &law.criteria;
            table.row([
                law.form.as_str().to_owned(),
                format!("{:.1}", criteria.ln_likelihood),
                format!("{:.1}", criteria.aicc),
                format!("{:.1}", criteria.bic),
                format!("{:.1}", criteria.above_least),
                format!("{:.2}", criteria.weight),
                law.adequacy.verdict.as_str().to_owned(),
            ]);
        }
        table.text()
    }

    fn sites(&self, law: &LawFit) -> String {
        let mut table = Table::new(&[
            ("Site", Align::Left),
            ("Level, dBm", Align::Right),
            ("Heard", Align::Right),
            ("Beyond", Align::Right),
            ("Mean residual, dB", Align::Right),
            ("Spread, dB", Align::Right),
        ]);
        // Adding nought turns a negative nought into a plain one.
        let optional = |value: Option<f64>| {
            value.map_or("none".to_owned(), |db| {
                format!("{:.1}", (10.0 * db).round() / 10.0 + 0.0)
            })
        };
        let sites = self.setup.layout.sites().iter().zip(&law.level_dbm);
        for ((site, level), residuals) in sites.zip(&law.residuals.sites) {
            table.row([
                site.name.clone(),
                interval(*level, 1),
                residuals.heard.to_string(),
                residuals.censored.to_string(),
                optional(residuals.mean_db),
                optional(residuals.spread_db),
            ]);
        }
        table.text()
    }

    fn outliers(&self, law: &LawFit) -> String {
        let outliers = &law.residuals.outliers;
        if outliers.is_empty() {
            return String::new();
        }
        let sites = self.setup.layout.sites();
        let mut named: Vec<String> = outliers
            .iter()
            .take(MOST_OUTLIERS)
            .map(|outlier| {
                let (line, name) = (self.survey.lines[outlier.row], &sites[outlier.site].name);
                format!("line {line}, {name} ({:+.0} dB)", outlier.residual_db)
            })
            .collect();
        if outliers.len() > MOST_OUTLIERS {
            named.push(format!("and {} more", outliers.len() - MOST_OUTLIERS));
        }
        paragraph(&format!("Readings that stand out: {}.", named.join("; ")), 2) + "\n"
    }
}

/// A value with its interval.
fn interval(parameter: Parameter, decimals: usize) -> String {
    let [low, high] = parameter.interval95;
    format!("{:.decimals$} ({low:.decimals$} to {high:.decimals$})", parameter.value)
}

fn adequacy(law: &LawFit) -> String {
    let adequacy = &law.adequacy;
    let verdict = adequacy.verdict.as_str();
    match (adequacy.departure_db, adequacy.departure_high_db, adequacy.probability) {
        (Some(departure_db), Some(high_db), Some(probability)) => format!(
            "Verdict: {verdict}. The readings depart from it by {departure_db:.1} dB (root mean square), {high_db:.1} dB at most; \
             tolerable are {:.1} dB. Were the law right, chance would give as much in {:.0} % of surveys.",
            adequacy.tolerable_db,
            100.0 * probability
        ),
        _ => format!("Verdict: {verdict}. The distances do not let the law be bent."),
    }
}

fn spread(law: &LawFit) -> String {
    let shared = &law.shared;
    match (shared.noise_from, shared.noise_db) {
        (NoiseFrom::Repeats, Some(noise_db)) => format!(
            "Spread: static shadowing {:.1} dB, which keeps its value over about {:.0} mm; noise from sample to sample {noise_db:.1} \
             dB, from places that were read again.",
            shared.shadowing_db, shared.correlation_mm
        ),
        (NoiseFrom::Neighbours, Some(noise_db)) => format!(
            "Spread: static shadowing {:.1} dB, which keeps its value over about {:.0} mm; noise {noise_db:.1} dB, from places near to \
             each other, which takes in what changes over less than that. Read places twice to tell the two apart.",
            shared.shadowing_db, shared.correlation_mm
        ),
        _ => format!(
            "Spread: {:.1} dB in all. No place was read again, and none share their shadowing: nothing tells noise from shadowing.",
            law.spread_db.value
        ),
    }
}
