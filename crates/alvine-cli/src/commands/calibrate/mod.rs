//! `calibrate`: laws of propagation from readings at known places.

mod figure;
mod json;
mod tables;
mod text;

use std::path::Path;

use alvine::calibrate::{CalibrationOptions, LawFit, SurveyFit, fit_laws};
use alvine::recording::{Receiver, ReceiverError};
use alvine::setup::TransmitterError;
use alvine::{Setup, SiteLevels, Torso, Transmitter};
use alvine_study::{Survey, read_layout, read_site_list, read_survey, usual_setup};

use super::has_extension;
use super::out_folder::{Files, Pictures};
use crate::args::CalibrateArgs;
use crate::outcome::Failure;
use crate::progress::Progress;
use crate::stdout;

/// What was read and what was fitted.
struct Calibrated<'a> {
    args: &'a CalibrateArgs,
    setup: Setup,
    survey: Survey,
    fit: SurveyFit,
}

/// Reads, fits, writes and prints.
pub fn run(args: &CalibrateArgs, quiet: bool) -> Result<(), Failure> {
    let progress = Progress::new(quiet);
    progress.begin("reading");
    let setup = setup(args)?;
    let survey = read_survey(&args.survey, &setup.layout)?;
    progress.begin("fitting");
    let options = CalibrationOptions {
        reference_mm: args.reference_mm,
        site_levels: if args.common_level {
            SiteLevels::Common
        } else {
            SiteLevels::PerSite
        },
    };
    let fit = fit_laws(
        &setup.layout,
        &setup.receiver,
        &survey.places_mm,
        survey.rssi_dbm.view(),
        &options,
    )
    .map_err(|error| Failure::Calibration {
        survey: args.survey.clone(),
        error,
    })?;
    let calibrated = Calibrated {
        args,
        setup,
        survey,
        fit,
    };
    if let Some(out) = &args.to.out {
        progress.begin("drawing");
        calibrated.write(out)?;
    }
    drop(progress);
    if args.to.json {
        return stdout::json(&calibrated.json());
    }
    if quiet {
        return Ok(());
    }
    stdout::text(&calibrated.text())
}

/// The sites with transmitter and receiver, as the layout or the options say.
fn setup(args: &CalibrateArgs) -> Result<Setup, Failure> {
    let mut setup = if has_extension(&args.layout, &["csv"]) {
        Setup {
            layout: read_site_list(&args.layout)?,
            ..usual_setup(&Torso::default())?
        }
    } else {
        read_layout(&args.layout)?
    };
    let stated = &setup.transmitter;
    setup.transmitter = Transmitter::new(
        args.frequency_mhz.unwrap_or(stated.frequency_mhz()),
        args.power_dbm.unwrap_or(stated.power_dbm()),
        stated.battery_h(),
    )
    .map_err(of_transmitter)?;
    if let Some(floor_dbm) = args.floor_dbm {
        let stated = &setup.receiver;
        setup.receiver = Receiver::new(floor_dbm, stated.ceiling_dbm(), stated.step_db()).map_err(of_receiver)?;
    }
    Ok(setup)
}

/// What is wrong with a transmitter whose other values a layout has checked.
fn of_transmitter(error: TransmitterError) -> Failure {
    match error {
        TransmitterError::ImpossibleValue {
            what: "frequency_mhz",
            found,
            expected,
        } => option("--frequency-mhz", found, expected),
        TransmitterError::ImpossibleValue { found, expected, .. } => option("--power-dbm", found, expected),
        _ => option("--power-dbm", f64::NAN, "a power that a capsule has"),
    }
}

/// What is wrong with a receiver whose other values a layout has checked.
fn of_receiver(error: ReceiverError) -> Failure {
    match error {
        ReceiverError::ImpossibleValue {
            what: "floor_dbm",
            found,
            expected,
        } => option("--floor-dbm", found, expected),
        _ => option("--floor-dbm", f64::NAN, "a level below the layout's ceiling"),
    }
}

const fn option(option: &'static str, found: f64, expected: &'static str) -> Failure {
    Failure::Option {
        option,
        found,
        expected,
    }
}

impl Calibrated<'_> {
    fn write(&self, out: &Path) -> Result<(), Failure> {
        let figures = self.fit.preferred().map(|law| self.figure(law)).transpose()?;
        let pictures = Pictures::of(figures.into_iter().collect(), &self.args.to)?;
        let mut files = Files::new(out)?;
        if let Ok(tables) = self.tables() {
            files.put("propagation.toml", tables.as_bytes())?;
        }
        files.put("residuals.csv", self.residuals_csv().as_bytes())?;
        files.put_json("calibration.json", &self.json())?;
        files.put_pictures(&pictures)?;
        files.commit()
    }

    /// One line a reading: what each law leaves of it.
    fn residuals_csv(&self) -> String {
        let mut text = "line,x_mm,y_mm,z_mm,site,distance_mm,heard".to_owned();
        for law in &self.fit.laws {
            text.push_str(&format!(",{}_residual_db", law.form.as_str().replace('-', "_")));
        }
        text.push('\n');
        let readings = self.fit.laws.first().map_or(0, |law| law.residuals.residuals.len());
        for reading in 0..readings {
            let of = |law: &LawFit| law.residuals.residuals[reading];
            let first = of(&self.fit.laws[0]);
            let place = &self.survey.places_mm[first.row];
            text.push_str(&format!(
                "{},{},{},{},{},{:.3},{}",
                self.survey.lines[first.row],
                place.x,
                place.y,
                place.z,
                self.setup.layout.sites()[first.site].name,
                first.distance_mm,
                u8::from(first.heard),
            ));
            for law in &self.fit.laws {
                text.push_str(&format!(",{:.3}", of(law).residual_db));
            }
            text.push('\n');
        }
        text
    }

    /// What a reader must mind, in plain sentences.
    fn cautions(&self) -> Vec<String> {
        let mut cautions = vec![
            "One survey tells of the body, tank or room it was made in. How much bodies differ is no part of its intervals."
                .to_owned(),
        ];
        cautions.extend(self.span());
        for (form, error) in &self.fit.not_fitted {
            cautions.push(format!("{} could not be fitted: {error}.", form.as_str()));
        }
        let Some(law) = self.fit.preferred() else {
            cautions
                .push("No law was fitted whose parameters a study can hold; the survey fits none of them.".to_owned());
            return cautions;
        };
        if law.shared.effective_readings < 0.5 * (self.fit.heard + self.fit.censored) as f64 {
            cautions.push(format!(
                "Neighbouring places share their shadowing: {} readings tell as much of the spread as {:.0} independent ones.",
                self.fit.heard + self.fit.censored,
                law.shared.effective_readings
            ));
        }
        let [together, error] = law.residuals.across_sites;
        if together > 0.1 && together > 3.0 * error {
            cautions.push(format!(
                "Sites err together in one row (correlation {together:.2}), as when power or attitude of the transmitter changes \
                 from place to place. Intervals take sites for independent and are too narrow then."
            ));
        }
        if law.residuals.normal_probability < 0.01 {
            cautions.push(format!(
                "Errors are not normal (skewness {:.2} ± {:.2}, excess kurtosis {:.2} ± {:.2}): look at the readings that stand out.",
                law.residuals.skewness[0],
                law.residuals.skewness[1],
                law.residuals.excess_kurtosis[0],
                law.residuals.excess_kurtosis[1]
            ));
        }
        cautions
    }

    /// Places that all lie on one spot beside the reach of the sites may be in another unit.
    fn span(&self) -> Option<String> {
        let reach = |places: &[alvine::Position]| {
            let first = places.first().copied().unwrap_or_default();
            places.iter().map(|place| (place - first).norm()).fold(0.0, f64::max)
        };
        let sites: Vec<_> = self.setup.layout.sites().iter().map(|site| site.position_mm).collect();
        let (places_mm, sites_mm) = (reach(&self.survey.places_mm), reach(&sites));
        (places_mm < 0.02 * sites_mm).then(|| {
            format!("All places lie within {places_mm:.1} mm, the sites within {sites_mm:.0} mm: are the places in millimetres?")
        })
    }
}
