//! From the keys of a file to a scenario.

use alvine::recording::Receiver;
use alvine::{DistanceAndTissue, FreeSpace, Law, Layout, LogDistance, NoiseModel, Position, Site, Torso, Transmitter};

use super::keys::{self, Root};
use super::{FORMAT, NamedScenario, ScenarioFault};
use crate::body::{Girth, TorsoChoice};
use crate::error::PhantomError;
use crate::gut::Anatomy;
use crate::motion::{Residence, Transit};
use crate::radio::{
    AntennaPattern, BatterySag, Loosening, LooseningManner, RadioEffects, RadioProfile, Tails, TissueLayers, Tumbling,
};
use crate::scenario::Scenario;

/// A fault, and the dotted path of the value that has it.
type At = (String, ScenarioFault);

/// The scenario of a file, checked.
pub(super) fn apply(root: Root, seed: u64) -> Result<NamedScenario, At> {
    if let Some(found) = root.format.filter(|&format| format != FORMAT) {
        return Err(("format".to_owned(), ScenarioFault::UnknownFormat { found }));
    }
    let base = root.base.as_deref().unwrap_or("default");
    let seed = root.seed.unwrap_or(seed);
    let named = NamedScenario::of(base, seed).map_err(|error| ("base".to_owned(), error.into()))?;
    let radio = root.radio.as_deref().unwrap_or(RadioProfile::Usual.as_str());
    let radio: RadioProfile = radio
        .parse()
        .map_err(|error: PhantomError| ("radio".to_owned(), error.into()))?;
    let mut scenario = named.scenario.with_radio(radio);
    let name = name(root.name.as_deref(), base, radio)?;
    set(&mut scenario.rate_hz, root.rate_hz);
    set(&mut scenario.duration_h, root.duration_h);
    set(&mut scenario.swallowed_s, root.swallowed_s);
    set(&mut scenario.findings, root.findings);
    set(&mut scenario.breath_mm, root.organs.breath_mm);
    set(&mut scenario.drift_mm, root.organs.drift_mm);
    set(&mut scenario.posture_mm, root.organs.posture_mm);
    set(&mut scenario.posture_s, root.organs.posture_s);
    body(&mut scenario, &root)?;
    if let Some(protocol) = &root.transit.protocol {
        scenario.transit = match protocol.as_str() {
            "fasting" => Transit::default(),
            "fed" => Transit::fed(),
            other => return Err(unknown_word("transit.protocol", other, &["fasting", "fed"])),
        };
    }
    set(&mut scenario.transit.stasis_s, root.transit.stasis_s);
    for (residence, keys, path) in [
        (
            &mut scenario.transit.oesophagus,
            &root.transit.oesophagus,
            "transit.oesophagus",
        ),
        (&mut scenario.transit.stomach, &root.transit.stomach, "transit.stomach"),
        (
            &mut scenario.transit.small_bowel,
            &root.transit.small_bowel,
            "transit.small_bowel",
        ),
        (&mut scenario.transit.colon, &root.transit.colon, "transit.colon"),
    ] {
        if let Some(keys) = keys {
            *residence = self::residence(keys, path)?;
        }
    }
    told(&mut scenario, &root)?;
    air(&mut scenario, &root)?;
    effects(&mut scenario.effects, &root)?;
    scenario.validate().map_err(phantom)?;
    Ok(NamedScenario { name, scenario })
}

fn set<T>(to: &mut T, from: Option<T>) {
    if let Some(value) = from {
        *to = value;
    }
}

/// The phantom names its parameters by the very keys.
fn phantom(error: PhantomError) -> At {
    let path = match &error {
        PhantomError::ImpossibleValue { what, .. } => what.split(' ').next().unwrap_or(what).to_owned(),
        PhantomError::NoSuchSite { .. } => "loosening.site".to_owned(),
        _ => String::new(),
    };
    (path, error.into())
}

/// A refusal of the core, for which one of the table's values is to blame.
fn refused(table: &str, what: Option<&str>, error: &dyn std::error::Error) -> At {
    let path = what.map_or(table.to_owned(), |what| format!("{table}.{what}"));
    let problem = error.to_string();
    (path, ScenarioFault::Refused { problem })
}

fn incomplete(table: &'static str, problem: &'static str) -> At {
    (table.to_owned(), ScenarioFault::Incomplete { table, problem })
}

fn unknown_word(key: &'static str, found: &str, expected: &[&str]) -> At {
    let fault = ScenarioFault::UnknownWord {
        key,
        found: found.to_owned(),
        expected: expected.join(", "),
    };
    (key.to_owned(), fault)
}

fn name(given: Option<&str>, base: &str, radio: RadioProfile) -> Result<String, At> {
    let usual = if radio == RadioProfile::Usual {
        base.to_owned()
    } else {
        format!("{base}-{}", radio.as_str())
    };
    let name = given.map_or(usual, str::to_owned);
    let fits = |letter: char| letter.is_ascii_alphanumeric() || matches!(letter, '-' | '_');
    if (1..=60).contains(&name.len()) && name.chars().all(fits) {
        Ok(name)
    } else {
        Err(("name".to_owned(), ScenarioFault::BadName { found: name }))
    }
}

fn body(scenario: &mut Scenario, root: &Root) -> Result<(), At> {
    if let Some(anatomy) = &root.anatomy {
        let known = Anatomy::ALL;
        scenario.anatomy = known
            .into_iter()
            .find(|known| known.as_str() == anatomy)
            .ok_or_else(|| unknown_word("anatomy", anatomy, &known.map(Anatomy::as_str)))?;
    }
    let keys = &root.torso;
    match (keys.drawn, keys.survey.as_deref(), keys.breadth_mm, keys.depth_mm) {
        (None | Some(false), None, Some(breadth_mm), Some(depth_mm)) => {
            let torso = Torso::new(breadth_mm, depth_mm).map_err(|error| refused("torso", None, &error))?;
            scenario.torso = TorsoChoice::Fixed(torso);
        }
        (None, None, None, None) => {}
        (Some(true), None, None, None) => scenario.torso = TorsoChoice::Drawn,
        (None | Some(false), Some(survey), None, None) => {
            let known = Girth::ALL;
            let girth = known.into_iter().find(|known| known.as_str() == survey);
            scenario.torso = TorsoChoice::Surveyed(
                girth.ok_or_else(|| unknown_word("torso.survey", survey, &known.map(Girth::as_str)))?,
            );
        }
        _ => {
            return Err(incomplete(
                "torso",
                "needs drawn = true, or survey, or breadth_mm and depth_mm",
            ));
        }
    }
    if let Some(sites) = &root.site {
        let sites = sites.iter().map(|site| Site {
            name: site.name.clone(),
            position_mm: Position::from(site.position_mm),
            gain_db: site.gain_db,
        });
        scenario.layout = Some(Layout::new(sites.collect()).map_err(|error| refused("site", None, &error))?);
    }
    Ok(())
}

fn residence(keys: &keys::Residence, path: &'static str) -> Result<Residence, At> {
    let whole = (keys.median_s, keys.sd_ln, keys.quantiles_s, keys.fixed_s, keys.endless);
    match whole {
        (Some(median_s), Some(sd_ln), None, None, None | Some(false)) => Ok(Residence::Drawn { median_s, sd_ln }),
        (None, None, Some(quantiles_s), None, None | Some(false)) => Ok(Residence::Quantiles(quantiles_s)),
        (None, None, None, Some(fixed_s), None | Some(false)) => Ok(Residence::Fixed(fixed_s)),
        (None, None, None, None, Some(true)) => Ok(Residence::Endless),
        _ => Err(incomplete(
            path,
            "needs median_s and sd_ln, or quantiles_s, or fixed_s, or endless = true",
        )),
    }
}

/// What the study is told: transmitter, receiver, law, noise.
fn told(scenario: &mut Scenario, root: &Root) -> Result<(), At> {
    let (old, keys) = (scenario.transmitter, &root.transmitter);
    let battery_h = keys.battery_h.or(old.battery_h()).filter(|hours| hours.is_finite());
    scenario.transmitter = Transmitter::new(
        keys.frequency_mhz.unwrap_or(old.frequency_mhz()),
        keys.power_dbm.unwrap_or(old.power_dbm()),
        battery_h,
    )
    .map_err(|error| refused("transmitter", None, &error))?;
    let (old, keys) = (scenario.receiver, &root.receiver);
    scenario.receiver = Receiver::new(
        keys.floor_dbm.unwrap_or(old.floor_dbm()),
        keys.ceiling_dbm.or(old.ceiling_dbm()).filter(|level| level.is_finite()),
        keys.step_db.or(old.step_db()).filter(|&step_db| step_db != 0.0),
    )
    .map_err(|error| refused("receiver", None, &error))?;
    set_law(&mut scenario.law, &root.propagation)?;
    let (old, keys) = (scenario.noise, &root.noise);
    scenario.noise = NoiseModel::new(
        keys.shadowing_db.unwrap_or(old.shadowing_db()),
        keys.noise_db.unwrap_or(old.noise_db()),
    )
    .map_err(|error| {
        let alvine::NoiseError::ImpossibleValue { what, .. } = &error else {
            return refused("noise", None, &error);
        };
        refused("noise", Some(what), &error)
    })?;
    set(&mut scenario.shadowing_correlation_mm, keys.shadowing_correlation_mm);
    set(&mut scenario.effects.shadowing_pools, keys.pools);
    Ok(())
}

fn set_law(law: &mut Law, keys: &keys::Propagation) -> Result<(), At> {
    const MODELS: [&str; 3] = ["log-distance", "free-space", "distance-and-tissue"];
    const WHOLE: &str = "needs every number of its model when the model is named";
    let given = [
        keys.reference_mm,
        keys.loss_at_reference_db,
        keys.exponent,
        keys.attenuation_db_per_cm,
        keys.frequency_mhz,
    ];
    let refused_law = |error: alvine::PropagationError| refused("propagation", None, &error);
    let made = match (keys.model.as_deref(), *law, given) {
        (None, _, [None, None, None, None, None]) => return Ok(()),
        // Single numbers of the base's law may be replaced.
        (None, Law::LogDistance(old), [reference_mm, loss_db, exponent, None, None]) => LogDistance::new(
            reference_mm.unwrap_or(old.reference_mm()),
            loss_db.unwrap_or(old.loss_at_reference_db()),
            exponent.unwrap_or(old.exponent()),
        )
        .map(Law::LogDistance),
        (Some("log-distance"), _, [Some(reference_mm), Some(loss_db), Some(exponent), None, None]) => {
            LogDistance::new(reference_mm, loss_db, exponent).map(Law::LogDistance)
        }
        (Some("distance-and-tissue"), _, [Some(reference_mm), Some(loss_db), Some(exponent), Some(absorbs), None]) => {
            DistanceAndTissue::new(reference_mm, loss_db, exponent, absorbs).map(Law::DistanceAndTissue)
        }
        (Some("free-space"), _, [None, None, None, None, Some(frequency_mhz)]) => {
            FreeSpace::new(frequency_mhz).map(Law::FreeSpace)
        }
        (Some(model), ..) if !MODELS.contains(&model) => {
            return Err(unknown_word("propagation.model", model, &MODELS));
        }
        _ => return Err(incomplete("propagation", WHOLE)),
    };
    *law = made.map_err(refused_law)?;
    Ok(())
}

/// What the study is not told but that the air did before there were effects: attitude, mounting, packets, loosening.
fn air(scenario: &mut Scenario, root: &Root) -> Result<(), At> {
    set(&mut scenario.attitude_db, root.attitude.spread_db);
    set(&mut scenario.attitude_correlation_s, root.attitude.memory_s);
    set(&mut scenario.gain_spread_db, root.mounting.gain_spread_db);
    set(&mut scenario.placement_spread_mm, root.mounting.placement_spread_mm);
    set(&mut scenario.packet_loss.share, root.packets.share);
    set(&mut scenario.packet_loss.burst_s, root.packets.burst_s);
    set(&mut scenario.packet_loss.common_share, root.packets.common_share);
    set(&mut scenario.packet_loss.common_burst_s, root.packets.common_burst_s);
    let keys = &root.loosening;
    if let Some(manner) = &keys.manner {
        let known = LooseningManner::ALL;
        scenario.loosening_manner = known
            .into_iter()
            .find(|known| known.as_str() == manner)
            .ok_or_else(|| unknown_word("loosening.manner", manner, &known.map(LooseningManner::as_str)))?;
    }
    let fixed = [
        keys.start_s,
        keys.end_s,
        keys.grows_s,
        keys.loss_db,
        keys.site.map(|site| site as f64),
    ];
    scenario.loosening = match (keys.which.as_deref(), keys.chance, fixed) {
        (None, None, [None, None, None, None, None]) => return Ok(()),
        (Some("none"), None, [None, None, None, None, None]) => Loosening::None,
        (Some("random"), None, [None, None, None, None, None]) => Loosening::Random,
        (None | Some("sometimes"), Some(chance), [None, None, None, None, None]) => Loosening::Sometimes(chance),
        (None | Some("fixed"), None, [Some(start_s), Some(end_s), Some(grows_s), Some(loss_db), Some(_)]) => {
            Loosening::Fixed {
                site: keys.site.unwrap_or(0),
                start_s,
                end_s,
                grows_s,
                loss_db,
            }
        }
        (Some(which), ..) if !WHICH.contains(&which) => return Err(unknown_word("loosening.which", which, &WHICH)),
        _ => {
            return Err(incomplete(
                "loosening",
                "needs chance where which is \"sometimes\"; site, start_s, end_s, grows_s and loss_db where it is \
                 \"fixed\"; and neither elsewhere",
            ));
        }
    };
    Ok(())
}

const WHICH: [&str; 4] = ["none", "random", "sometimes", "fixed"];

/// Whether an effect is to be on: as it says, or because one of its numbers is given, or as it was.
fn is_on(on: Option<bool>, given: bool, before: bool) -> bool {
    on.unwrap_or(given || before)
}

fn effects(effects: &mut RadioEffects, root: &Root) -> Result<(), At> {
    let keys = &root.layers;
    let given = keys
        .skin_mm
        .or(keys.fat_mm)
        .or(keys.muscle_mm)
        .or(keys.bowel_share)
        .is_some();
    let mut layers = effects.layers.unwrap_or(TissueLayers::USUAL);
    set(&mut layers.skin_mm, keys.skin_mm);
    set(&mut layers.fat_mm, keys.fat_mm);
    set(&mut layers.muscle_mm, keys.muscle_mm);
    set(&mut layers.bowel_share, keys.bowel_share);
    effects.layers = is_on(keys.on, given, effects.layers.is_some()).then_some(layers);

    let keys = &root.pattern;
    let mut pattern = effects.pattern.unwrap_or(AntennaPattern::USUAL);
    set(&mut pattern.side_db, keys.side_db);
    effects.pattern = is_on(keys.on, keys.side_db.is_some(), effects.pattern.is_some()).then_some(pattern);

    let keys = &root.tumbling;
    let mut tumbling = effects.tumbling.unwrap_or(Tumbling::USUAL);
    set(&mut tumbling.memory_s, keys.memory_s);
    set(&mut tumbling.null_share, keys.null_share);
    let given = keys.memory_s.or(keys.null_share).is_some();
    effects.tumbling = is_on(keys.on, given, effects.tumbling.is_some()).then_some(tumbling);

    let keys = &root.battery;
    let mut battery = effects.battery.unwrap_or(BatterySag::USUAL);
    set(&mut battery.slope_db, keys.slope_db);
    set(&mut battery.knee_db, keys.knee_db);
    let given = keys.slope_db.or(keys.knee_db).is_some();
    effects.battery = is_on(keys.on, given, effects.battery.is_some()).then_some(battery);

    let keys = &root.mismatch;
    set(&mut effects.mismatch.exponent, keys.exponent);
    set(&mut effects.mismatch.exponent_spread, keys.exponent_spread);
    set(&mut effects.mismatch.level_db, keys.level_db);
    set(&mut effects.mismatch.level_spread_db, keys.level_spread_db);
    set_tails(&mut effects.tails, &root.tails)
}

fn set_tails(tails: &mut Tails, keys: &keys::Tails) -> Result<(), At> {
    const KINDS: [&str; 3] = ["none", "contaminated", "student"];
    *tails = match (keys.kind.as_deref(), keys.share, keys.factor, keys.degrees) {
        (None, None, None, None) => return Ok(()),
        (Some("none"), None, None, None) => Tails::None,
        (None | Some("contaminated"), Some(share), Some(factor), None) => Tails::Contaminated { share, factor },
        (None | Some("student"), None, None, Some(degrees)) => Tails::Student { degrees },
        (Some(kind), ..) if !KINDS.contains(&kind) => return Err(unknown_word("tails.kind", kind, &KINDS)),
        _ => {
            return Err(incomplete(
                "tails",
                "needs share and factor where kind is \"contaminated\", degrees where it is \"student\", and neither \
                 elsewhere",
            ));
        }
    };
    Ok(())
}
