//! A scenario written out: every parameter with a word on what it is.

use std::fmt::{Display, Write as _};

use alvine::{Law, Site};

use super::{FORMAT, NamedScenario};
use crate::body::TorsoChoice;
use crate::motion::Residence;
use crate::radio::{
    AntennaPattern, BatterySag, Loosening, LooseningManner, Mismatch, PacketLoss, RadioEffects, Tails, TissueLayers,
    Tumbling,
};
use crate::scenario::Scenario;

/// The whole file.
pub(super) fn written(named: &NamedScenario) -> String {
    let scenario = &named.scenario;
    let mut page = Page::default();
    page.head(named);
    page.body(scenario);
    page.passage(scenario);
    page.told(scenario);
    page.air(scenario);
    page.effects(&scenario.effects);
    page.text
}

/// The text so far.
#[derive(Default)]
struct Page {
    text: String,
}

impl Page {
    /// A table's head, with what it is about.
    fn table(&mut self, name: &str, about: &str) {
        self.text.push('\n');
        for line in about.lines() {
            let _ = writeln!(self.text, "# {}", line.trim());
        }
        let _ = writeln!(self.text, "[{name}]");
    }

    fn line(&mut self, key: &str, value: impl Display, about: &str) {
        let start = self.text.len();
        let _ = write!(self.text, "{key} = {value}");
        let width = self.text[start..].chars().count();
        if !about.is_empty() {
            let _ = write!(
                self.text,
                "{:pad$}# {about}",
                "",
                pad = 36_usize.saturating_sub(width).max(1)
            );
        }
        self.text.push('\n');
    }

    fn number(&mut self, key: &str, value: f64, about: &str) {
        self.line(key, format_args!("{value:?}"), about);
    }

    fn word(&mut self, key: &str, value: &str, about: &str) {
        self.line(key, toml::Value::from(value), about);
    }

    fn head(&mut self, named: &NamedScenario) {
        let scenario = &named.scenario;
        self.text.push_str(
            "# A scenario: everything that decides a simulated recording. What is left out is as the base has it.\n\
             # \"invented\" and \"from memory\" say which defaults have no published source.\n",
        );
        self.line("format", FORMAT, "version of this file");
        self.word("name", &named.name, "part of the name of each study");
        self.word(
            "base",
            "default",
            "the scenario that a file starts from: alvine simulate --help",
        );
        self.word(
            "radio",
            "usual",
            "usual, matched or realistic: replaces the defaults from [receiver] on",
        );
        self.line("seed", scenario.seed, "of all chance");
        self.word(
            "anatomy",
            scenario.anatomy.as_str(),
            "drawn; or ct-whole, ct-inflated: two living people's, with their torsos",
        );
        self.number("rate_hz", scenario.rate_hz, "instants a second");
        self.number("duration_h", scenario.duration_h, "length of the recording");
        self.number(
            "swallowed_s",
            scenario.swallowed_s,
            "after the recording begins; negative: before",
        );
        self.line("findings", scenario.findings, "how many to invent in the small bowel");
    }

    fn body(&mut self, scenario: &Scenario) {
        self.table(
            "torso",
            "Drawn as adults are: drawn = true between the 5th and 95th percentiles, survey = \"callipers\" or \"tape\" over
             the whole range of the survey (the ellipse of a waist's breadth and depth is 5 % shorter than the tape: one of
             the two is kept). Or of one breadth_mm and depth_mm at the navel.",
        );
        match scenario.torso {
            TorsoChoice::Drawn => self.line("drawn", true, ""),
            TorsoChoice::Surveyed(girth) => self.word("survey", girth.as_str(), ""),
            TorsoChoice::Fixed(torso) => {
                self.number("breadth_mm", torso.breadth_mm(), "side to side");
                self.number("depth_mm", torso.depth_mm(), "front to back");
            }
        }
        self.table("organs", "How organs move in the body and take the capsule along.");
        self.number(
            "breath_mm",
            scenario.breath_mm,
            "furthest, of the upper organs (from memory)",
        );
        self.number(
            "drift_mm",
            scenario.drift_mm,
            "spread of slow drift each way (invented)",
        );
        self.number(
            "posture_mm",
            scenario.posture_mm,
            "down when upright, half as far sideways on a side",
        );
        self.number(
            "posture_s",
            scenario.posture_s,
            "how long a posture is kept in the mean (invented)",
        );
        for site in scenario.layout.iter().flat_map(|layout| layout.sites()) {
            self.site(site);
        }
    }

    fn site(&mut self, site: &Site) {
        let [x, y, z]: [f64; 3] = site.position_mm.into();
        self.text.push_str("\n[[site]]\n");
        self.word("name", &site.name, "");
        self.line("position_mm", format_args!("[{x:?}, {y:?}, {z:?}]"), "");
        self.number("gain_db", site.gain_db, "");
    }

    fn passage(&mut self, scenario: &Scenario) {
        self.table(
            "transit",
            "How long the capsule stays: log-normal { median_s, sd_ln }, { quantiles_s } at 5, 25, 50, 75 and 95 %,\n\
             { fixed_s }, or { endless = true }. protocol = \"fasting\" or \"fed\" stands for all of them at once.\n\
             The defaults are of fasting healthy people; their sources stand in the documentation of Residence.",
        );
        let transit = &scenario.transit;
        for (key, residence, about) in [
            ("oesophagus", transit.oesophagus, "swallow to cardia"),
            ("stomach", transit.stomach, "cardia to pylorus"),
            ("small_bowel", transit.small_bowel, "pylorus to ileocaecal valve"),
            ("colon", transit.colon, "valve to expulsion"),
        ] {
            match residence {
                Residence::Drawn { median_s, sd_ln } => {
                    self.line(
                        key,
                        format_args!("{{ median_s = {median_s:?}, sd_ln = {sd_ln:?} }}"),
                        about,
                    );
                }
                Residence::Quantiles([a, b, c, d, e]) => {
                    let quantiles_s = format_args!("{{ quantiles_s = [{a:?}, {b:?}, {c:?}, {d:?}, {e:?}] }}");
                    self.line(key, quantiles_s, about);
                }
                Residence::Fixed(fixed_s) => self.line(key, format_args!("{{ fixed_s = {fixed_s:?} }}"), about),
                Residence::Endless => self.line(key, "{ endless = true }", about),
            }
        }
        self.number("stasis_s", transit.stasis_s, "of rest just before the valve, on top");
    }

    fn told(&mut self, scenario: &Scenario) {
        let transmitter = &scenario.transmitter;
        self.table("transmitter", "What the study is told of the capsule.");
        self.number("frequency_mhz", transmitter.frequency_mhz(), "");
        self.number("power_dbm", transmitter.power_dbm(), "");
        self.number(
            "battery_h",
            transmitter.battery_h().unwrap_or(f64::INFINITY),
            "rated life; inf: unknown",
        );
        let receiver = &scenario.receiver;
        self.table("receiver", "What the belt can hear.");
        self.number("floor_dbm", receiver.floor_dbm(), "");
        self.number(
            "ceiling_dbm",
            receiver.ceiling_dbm().unwrap_or(f64::INFINITY),
            "inf: never saturates",
        );
        self.number("step_db", receiver.step_db().unwrap_or(0.0), "0: no steps");
        self.table(
            "propagation",
            "The law that the study is told; the true one differs from it by [mismatch].",
        );
        self.law(&scenario.law);
        self.table(
            "noise",
            "What the law leaves out; the study is told both spreads, and not the field.",
        );
        let noise = &scenario.noise;
        let [least_mm, most_mm] = scenario.shadowing_correlation_mm;
        self.number("shadowing_db", noise.shadowing_db(), "fixed in place, a site apart");
        self.number("noise_db", noise.noise_db(), "from sample to sample");
        self.line(
            "shadowing_correlation_mm",
            format_args!("[{least_mm:?}, {most_mm:?}]"),
            "drawn between the two",
        );
        self.line(
            "pools",
            scenario.effects.shadowing_pools,
            "whether layers, pattern, tumbling are part of shadowing_db",
        );
    }

    fn law(&mut self, law: &Law) {
        match law {
            Law::LogDistance(law) => {
                self.word("model", "log-distance", "or \"free-space\", \"distance-and-tissue\"");
                self.number("reference_mm", law.reference_mm(), "");
                self.number("loss_at_reference_db", law.loss_at_reference_db(), "");
                self.number("exponent", law.exponent(), "");
            }
            Law::FreeSpace(law) => {
                self.word("model", "free-space", "or \"log-distance\", \"distance-and-tissue\"");
                self.number("frequency_mhz", law.frequency_mhz(), "");
            }
            Law::DistanceAndTissue(law) => {
                self.word("model", "distance-and-tissue", "or \"log-distance\", \"free-space\"");
                self.number("reference_mm", law.reference_mm(), "");
                self.number("loss_at_reference_db", law.loss_at_reference_db(), "");
                self.number("exponent", law.exponent(), "");
                self.number("attenuation_db_per_cm", law.attenuation_db_per_cm(), "");
            }
        }
    }

    /// The study is told of nothing from here on.
    fn air(&mut self, scenario: &Scenario) {
        self.table(
            "attitude",
            "Level common to all sites, wandering as the capsule turns (invented). Not told.",
        );
        self.number("spread_db", scenario.attitude_db, "");
        self.number("memory_s", scenario.attitude_correlation_s, "");
        self.table(
            "mounting",
            "How the belt really sits about what the study says (invented). Not told.",
        );
        self.number("gain_spread_db", scenario.gain_spread_db, "");
        self.number(
            "placement_spread_mm",
            scenario.placement_spread_mm,
            "across and along, each",
        );
        let PacketLoss {
            share,
            burst_s,
            common_share,
            common_burst_s,
        } = scenario.packet_loss;
        self.table(
            "packets",
            "Packets lost in bursts, at single sites and at all (invented).",
        );
        self.number("share", share, "of time, a site");
        self.number("burst_s", burst_s, "mean length");
        self.number("common_share", common_share, "of time, all sites together");
        self.number("common_burst_s", common_burst_s, "mean length");
        self.loosening(&scenario.loosening, scenario.loosening_manner);
    }

    fn loosening(&mut self, loosening: &Loosening, manner: LooseningManner) {
        self.table(
            "loosening",
            "Which antenna works loose: \"none\", \"random\", \"sometimes\" with a chance, or\n\
             \"fixed\" with site (from 0), start_s, end_s, grows_s, loss_db.",
        );
        match *loosening {
            Loosening::None => self.word("which", "none", ""),
            Loosening::Random => self.word("which", "random", ""),
            Loosening::Sometimes(chance) => {
                self.word("which", "sometimes", "");
                self.number("chance", chance, "");
            }
            Loosening::Fixed {
                site,
                start_s,
                end_s,
                grows_s,
                loss_db,
            } => {
                self.word("which", "fixed", "");
                self.line("site", site, "");
                for (key, value) in [
                    ("start_s", start_s),
                    ("end_s", end_s),
                    ("grows_s", grows_s),
                    ("loss_db", loss_db),
                ] {
                    self.number(key, value, "");
                }
            }
        }
        self.word("manner", manner.as_str(), "ramp, step, creep, intermittent or any");
    }

    fn effects(&mut self, effects: &RadioEffects) {
        let layers = effects.layers.unwrap_or(TissueLayers::USUAL);
        self.table(
            "layers",
            "Absorption by tissue along the straight line, about the law's own (thicknesses invented).",
        );
        self.line("on", effects.layers.is_some(), "");
        self.number("skin_mm", layers.skin_mm, "");
        self.number("fat_mm", layers.fat_mm, "");
        self.number("muscle_mm", layers.muscle_mm, "");
        self.number(
            "bowel_share",
            layers.bowel_share,
            "of the cavity; the rest absorbs as fat does",
        );
        self.table("pattern", "The sites' antennas hear less well sideways (invented).");
        self.line("on", effects.pattern.is_some(), "");
        self.number(
            "side_db",
            effects.pattern.unwrap_or(AntennaPattern::USUAL).side_db,
            "less along the skin",
        );
        let tumbling = effects.tumbling.unwrap_or(Tumbling::USUAL);
        self.table(
            "tumbling",
            "The capsule's dipole turns by rotational diffusion (invented).",
        );
        self.line("on", effects.tumbling.is_some(), "");
        self.number("memory_s", tumbling.memory_s, "");
        self.number("null_share", tumbling.null_share, "power left along the axis");
        self.tails(effects.tails);
        let Mismatch {
            exponent,
            exponent_spread,
            level_db,
            level_spread_db,
        } = effects.mismatch;
        self.table(
            "mismatch",
            "How law and level really are, less what the study is told (invented).",
        );
        self.number("exponent", exponent, "");
        self.number("exponent_spread", exponent_spread, "between studies");
        self.number("level_db", level_db, "");
        self.number("level_spread_db", level_spread_db, "between studies");
        let battery = effects.battery.unwrap_or(BatterySag::USUAL);
        self.table("battery", "How the capsule weakens as its battery empties (invented).");
        self.line("on", effects.battery.is_some(), "");
        self.number("slope_db", battery.slope_db, "over the whole life");
        self.number("knee_db", battery.knee_db, "more over its last tenth");
    }

    fn tails(&mut self, tails: Tails) {
        self.table(
            "tails",
            "Noise far larger than usual: \"none\", \"contaminated\" with share and factor, \"student\" with degrees.",
        );
        match tails {
            Tails::None => self.word("kind", "none", ""),
            Tails::Contaminated { share, factor } => {
                self.word("kind", "contaminated", "");
                self.number("share", share, "of the samples");
                self.number("factor", factor, "by which their noise is larger");
            }
            Tails::Student { degrees } => {
                self.word("kind", "student", "");
                self.line("degrees", degrees, "of freedom");
            }
        }
    }
}
