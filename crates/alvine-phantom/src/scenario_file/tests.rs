//! Files that read back as what was written, and faults with their places.

use super::*;
use crate::RadioProfile;
use alvine::{DistanceAndTissue, FreeSpace, Law, Layout, Torso};
use proptest::prelude::*;

fn read(text: &str) -> Result<Scenario, ScenarioFileError> {
    NamedScenario::from_toml(text, 1).map(|named| named.scenario)
}

#[test]
fn an_empty_file_is_the_default_scenario() {
    assert_eq!(read("").unwrap(), Scenario::named("default", 1).unwrap());
    assert_eq!(NamedScenario::from_toml("", 1).unwrap().name, "default");
    let named = NamedScenario::from_toml("base = \"demo\"\nradio = \"matched\"", 3).unwrap();
    assert_eq!(named.scenario, Scenario::demo(3).with_radio(RadioProfile::Matched));
    assert_eq!(named.name, "demo-matched");
}

#[test]
fn every_named_scenario_with_every_radio_reads_back_as_written() {
    for name in Scenario::NAMES.into_iter().chain(["demo"]) {
        for radio in RadioProfile::ALL {
            let named = NamedScenario::of(name, u64::MAX - 5).unwrap();
            let named = NamedScenario {
                scenario: named.scenario.with_radio(radio),
                ..named
            };
            let read_back = NamedScenario::from_toml(&named.to_toml(), 0).unwrap();
            assert_eq!(read_back, named, "{}", named.to_toml());
            assert_eq!(read_back.to_toml(), named.to_toml());
        }
    }
}

#[test]
fn other_laws_sites_tails_and_loosenings_read_back_as_written() {
    let torso = Torso::new(301.5, 207.25).unwrap();
    for (law, tails) in [
        (
            Law::FreeSpace(FreeSpace::new(868.0).unwrap()),
            crate::Tails::Student { degrees: 4 },
        ),
        (
            Law::DistanceAndTissue(DistanceAndTissue::new(40.0, 41.0, 2.0, 1.7).unwrap()),
            crate::Tails::None,
        ),
    ] {
        let mut named = NamedScenario::of("started-late", 9).unwrap();
        named.scenario.law = law;
        named.scenario.effects.tails = tails;
        named.scenario.torso = crate::TorsoChoice::Fixed(torso);
        named.scenario.anatomy = crate::Anatomy::CtWhole;
        named.scenario.posture_mm = 20.0;
        named.scenario.layout = Some(Layout::default_eight(&torso));
        named.scenario.loosening = crate::Loosening::Fixed {
            site: 3,
            start_s: 10.0,
            end_s: f64::INFINITY,
            grows_s: 1.5,
            loss_db: 14.0,
        };
        assert_eq!(NamedScenario::from_toml(&named.to_toml(), 0).unwrap(), named);
    }
}

#[test]
fn faults_are_told_with_line_and_column() {
    for (text, expected) in [
        ("rate_hz = ", "1:11: "),
        (
            "rate_hz = 2\nduration_hours = 3.0",
            "2:1: unknown field `duration_hours`, expected one of",
        ),
        (
            "[noise]\nshadowing_db = \"much\"",
            "2:16: invalid type: string \"much\", expected f64",
        ),
        (
            "[noise]\nshadowing_db = 99",
            "2:16: shadowing_db is 99 dB; expected 0 to 40 dB",
        ),
        (
            "\n  duration_h = 500",
            "2:16: scenario duration_h is 500; expected 0.01 to 240 h",
        ),
        (
            "duration_h = 240\nrate_hz = 50",
            "2:11: scenario rate_hz × duration_h is 43200000",
        ),
        (
            "base = \"gastric\"",
            "1:8: no scenario is named `gastric`; expected one of",
        ),
        (
            "radio = \"ideal\"",
            "1:9: no radio is named `ideal`; expected one of usual, matched, realistic",
        ),
        ("name = \"a/b\"", "1:8: name is \"a/b\"; expected 1 to 60 letters"),
        ("format = 2", "1:10: found format 2; expected 1"),
        (
            "[transit]\nstomach = { median_s = 3 }",
            "2:11: transit.stomach needs median_s and sd_ln",
        ),
        (
            "[transit]\ncolon = { fixed_s = -3 }",
            "2:9: scenario transit.colon is -3; expected 0 to 10000000 s",
        ),
        (
            "[torso]\nbreadth_mm = 300",
            "1:1: torso needs drawn = true, or survey, or breadth_mm and depth_mm",
        ),
        (
            "[loosening]\nwhich = \"seldom\"",
            "2:9: loosening.which is \"seldom\"; expected one of none",
        ),
        (
            "[loosening]\nmanner = \"odd\"",
            "2:10: loosening.manner is \"odd\"; expected one of ramp",
        ),
        ("[tails]\nkind = \"student\"", "1:1: tails needs share and factor"),
        (
            "[tails]\ndegrees = 2",
            "2:11: scenario tails.degrees is 2; expected 3 to 100",
        ),
        (
            "[layers]\nbowel_share = nan",
            "2:15: scenario layers.bowel_share is NaN; expected 0 to 1",
        ),
        (
            "[[site]]\nname = \"a\"\nposition_mm = [0, 0, 0]",
            "1:1: 1 sites; a layout needs at least",
        ),
        (
            "[propagation]\nmodel = \"cubic\"",
            "2:9: propagation.model is \"cubic\"; expected one of log-distance",
        ),
        (
            "[packets]\nshare = 1.5",
            "2:9: scenario packets.share is 1.5; expected 0 to 0.99",
        ),
    ] {
        let error = read(text).unwrap_err().to_string();
        assert!(error.starts_with(expected), "{text}\n{error}");
    }
}

#[test]
fn single_numbers_replace_those_of_the_base() {
    let text = "radio = \"realistic\"\n[propagation]\nexponent = 3.5\n[layers]\nfat_mm = 40\n[tumbling]\non = false\n\
                [receiver]\nstep_db = 0\n[transmitter]\nbattery_h = inf\n[transit]\nstomach = { endless = true }";
    let scenario = read(text).unwrap();
    let Law::LogDistance(law) = scenario.law else { panic!() };
    assert_eq!((law.exponent(), law.loss_at_reference_db()), (3.5, 47.14));
    assert_eq!(scenario.effects.layers.unwrap().fat_mm, 40.0);
    assert_eq!(scenario.effects.layers.unwrap().muscle_mm, 12.0);
    assert_eq!(scenario.effects.tumbling, None);
    assert_eq!(
        (scenario.receiver.step_db(), scenario.transmitter.battery_h()),
        (None, None)
    );
    assert_eq!(scenario.transit.stomach, crate::Residence::Endless);
}

proptest! {
    #[test]
    fn no_text_makes_the_reader_panic(text in "\\PC{0,200}") {
        let _ = read(&text);
    }

    #[test]
    fn no_number_makes_the_reader_panic_and_what_it_takes_reads_back(
        rate_hz in any::<f64>(), share in any::<f64>(), fat_mm in any::<f64>(), length_mm in any::<[f64; 2]>(),
    ) {
        let [least, most] = length_mm;
        let text = format!(
            "rate_hz = {rate_hz:?}\n[packets]\nshare = {share:?}\n[layers]\nfat_mm = {fat_mm:?}\n\
             [noise]\nshadowing_correlation_mm = [{least:?}, {most:?}]"
        ).replace("NaN", "nan");
        if let Ok(named) = NamedScenario::from_toml(&text, 0) {
            prop_assert_eq!(NamedScenario::from_toml(&named.to_toml(), 0), Ok(named));
        }
    }
}
