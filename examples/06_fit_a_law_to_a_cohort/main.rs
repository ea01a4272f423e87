//! A cohort of simulated studies, the law fitted to each, and what the fits' standard errors are worth.

use alvine::calibrate::{CalibrationOptions, SiteLevels};
use alvine::{Position, calibrate};
use alvine_phantom::{NamedScenario, PhantomError, RadioProfile, Scenario, Simulated, simulate};
use ndarray::Array2;

/// What the studies are told, and how the air really is: half a unit more exponent, 3 dB less level.
const SCENARIO: &str = "\
name = \"wrong-law\"
duration_h = 10.0
rate_hz = 0.05
[mismatch]
exponent = 0.5
exponent_spread = 0.0
level_db = -3.0
level_spread_db = 0.0
[battery]
on = false
";
const STUDIES: u64 = 24;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let told = NamedScenario::from_toml(SCENARIO, 1)?;
    for radio in [RadioProfile::Matched, RadioProfile::Realistic] {
        println!("{} radio", radio.as_str());
        let fits: Vec<Fit> = (0..STUDIES)
            .map(|index| fit(&scenario(&told, radio, 100 + index)))
            .collect::<Result<_, _>>()?;
        tell("exponent", "", &fits, |fit| fit.exponent);
        tell("level at 50 mm", " dBm", &fits, |fit| fit.level_dbm);
        let spread_db = fits.iter().map(|fit| fit.spread_db).sum::<f64>() / STUDIES as f64;
        println!("    spread about the law {spread_db:.1} dB\n");
    }
    Ok(())
}

/// The told scenario with a radio, but wrong by the same mismatch.
fn scenario(told: &NamedScenario, radio: RadioProfile, seed: u64) -> Scenario {
    let mut scenario = Scenario {
        seed,
        ..told.scenario.clone().with_radio(radio)
    };
    scenario.effects.mismatch = told.scenario.effects.mismatch;
    scenario.effects.battery = None;
    scenario
}

/// One quantity of one study: true, fitted, and the fit's own standard error.
#[derive(Clone, Copy)]
struct Found {
    truth: f64,
    value: f64,
    standard_error: f64,
}

struct Fit {
    exponent: Found,
    level_dbm: Found,
    spread_db: f64,
}

/// Simulates a study and fits its law to the readings at the places that the truth knows.
fn fit(scenario: &Scenario) -> Result<Fit, Box<dyn std::error::Error>> {
    let simulated: Simulated = simulate(scenario).map_err(|error: PhantomError| error.to_string())?;
    let (places_mm, levels_dbm) = at_known_places(&simulated);
    let setup = &simulated.setup;
    let options = CalibrationOptions {
        reference_mm: 50.0,
        site_levels: SiteLevels::Common,
    };
    let fitted = calibrate(&setup.layout, &setup.receiver, &places_mm, levels_dbm.view(), &options)?;
    let told = alvine::LogDistance::DEEP_TISSUE_TO_SURFACE;
    Ok(Fit {
        exponent: Found {
            truth: told.exponent() + simulated.radio.exponent_excess,
            value: fitted.exponent.value,
            standard_error: fitted.exponent.standard_error,
        },
        level_dbm: Found {
            truth: setup.transmitter.power_dbm() - told.loss_at_reference_db() + simulated.radio.level_excess_db,
            value: fitted.mean_level_dbm(),
            standard_error: fitted.level_dbm[0].standard_error,
        },
        spread_db: fitted.spread_db.value,
    })
}

/// The instants at which the capsule was in the body: places and levels.
fn at_known_places(simulated: &Simulated) -> (Vec<Position>, Array2<f32>) {
    let inside = simulated.truth.points.iter().enumerate();
    let inside: Vec<(usize, Position)> = inside
        .filter_map(|(row, point)| Some((row, point.position_mm?)))
        .collect();
    let levels_dbm = Array2::from_shape_fn((inside.len(), simulated.recording.sites()), |(row, site)| {
        simulated.recording.row(inside[row].0)[site]
    });
    (inside.into_iter().map(|(_, place_mm)| place_mm).collect(), levels_dbm)
}

/// How far the fits err, beside how far each says that it may.
fn tell(what: &str, unit: &str, fits: &[Fit], of: impl Fn(&Fit) -> Found) {
    let found: Vec<Found> = fits.iter().map(of).collect();
    let mean = |of: &dyn Fn(&Found) -> f64| found.iter().map(of).sum::<f64>() / found.len() as f64;
    let rms = mean(&|found| (found.value - found.truth).powi(2)).sqrt();
    println!(
        "    {what:<15} true {:.2}{unit}, fitted {:.2}{unit} in the mean of {} studies; one errs by {rms:.2} (rms) and says {:.2}",
        mean(&|found| found.truth),
        mean(&|found| found.value),
        found.len(),
        mean(&|found| found.standard_error),
    );
}
