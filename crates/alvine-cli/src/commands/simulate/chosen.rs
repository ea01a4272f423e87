//! Which scenario is meant: one of a name or a file, with what the options change.

use std::fs;
use std::path::Path;

use alvine::NoiseModel;
use alvine_phantom::{NamedScenario, PhantomError, RadioProfile};

use crate::args::SimulateArgs;
use crate::commands::has_extension;
use crate::outcome::Failure;

/// The seed where neither an option nor a file gives one.
const SEED: u64 = 1;

/// The scenario that the arguments ask for, checked.
pub(super) fn scenario(args: &SimulateArgs) -> Result<NamedScenario, Failure> {
    let wanted = args.cohort.as_deref().unwrap_or(&args.scenario);
    let mut named = if has_extension(Path::new(wanted), &["toml"]) {
        read(Path::new(wanted))?
    } else {
        NamedScenario::of(wanted, SEED)?
    };
    if let Some(radio) = &args.radio {
        let radio: RadioProfile = radio.parse()?;
        named.scenario = named.scenario.with_radio(radio);
        if radio != RadioProfile::Usual {
            named.name = format!("{}-{}", named.name, radio.as_str());
        }
    }
    let scenario = &mut named.scenario;
    scenario.seed = args.seed.unwrap_or(scenario.seed);
    scenario.duration_h = args.hours.unwrap_or(scenario.duration_h);
    scenario.rate_hz = args.rate_hz.unwrap_or(scenario.rate_hz);
    if let Some(shadowing_db) = args.shadowing_db {
        scenario.noise = NoiseModel::new(shadowing_db, scenario.noise.noise_db())?;
    }
    scenario.validate().map_err(in_words_of_the_options)?;
    Ok(named)
}

fn read(file: &Path) -> Result<NamedScenario, Failure> {
    let text = fs::read_to_string(file).map_err(|source| Failure::Read {
        file: file.to_owned(),
        source,
    })?;
    NamedScenario::from_toml(&text, SEED).map_err(|error| Failure::Scenario {
        file: file.to_owned(),
        error,
    })
}

/// The same fault, named as it was typed.
fn in_words_of_the_options(error: PhantomError) -> Failure {
    match error {
        PhantomError::ImpossibleValue { what, found, expected } => {
            let option = match what {
                "duration_h" => "--hours",
                "rate_hz" => "--rate-hz",
                "rate_hz × duration_h" => "--rate-hz × --hours",
                other => other,
            };
            Failure::Option {
                option,
                found,
                expected,
            }
        }
        other => other.into(),
    }
}
