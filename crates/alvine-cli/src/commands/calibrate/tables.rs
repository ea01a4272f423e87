//! What a study.toml needs of a calibration: the tables of law, spreads and sites.

use alvine::calibrate::{LawFit, NoiseFrom};
use alvine::{DistanceAndTissue, Law, Layout, LogDistance, NoiseModel, PropagationError};
use alvine_study::calibrated_tables;

use super::Calibrated;
use crate::plain_text::comment;

/// The least noise that a study takes, dB.
const LEAST_NOISE_DB: f64 = 0.01;

impl Calibrated<'_> {
    /// The tables of the preferred law, or why there are none.
    pub(super) fn tables(&self) -> Result<String, String> {
        let law = self.fit.preferred().ok_or("no law was fitted that a study can hold")?;
        let failed = |error: &dyn std::fmt::Display| error.to_string();
        let fitted = self.law(law).map_err(|error| failed(&error))?;
        let noise = self.noise(law).map_err(|error| failed(&error))?;
        let layout = self.layout(law)?;
        Ok(calibrated_tables(&fitted, &noise, &layout, &self.comment(law)))
    }

    /// The law, rounded far below its errors.
    fn law(&self, law: &LawFit) -> Result<Law, PropagationError> {
        let transmitter = &self.setup.transmitter;
        Ok(match law.law(transmitter.power_dbm(), transmitter.frequency_mhz())? {
            Law::LogDistance(law) => Law::LogDistance(LogDistance::new(
                law.reference_mm(),
                rounded(law.loss_at_reference_db(), 2),
                rounded(law.exponent(), 3),
            )?),
            Law::DistanceAndTissue(law) => Law::DistanceAndTissue(DistanceAndTissue::new(
                law.reference_mm(),
                rounded(law.loss_at_reference_db(), 2),
                rounded(law.exponent(), 3),
                rounded(law.attenuation_db_per_cm(), 3),
            )?),
            law @ Law::FreeSpace(_) => law,
        })
    }

    /// Both spreads; noise as the layout states it where the survey does not tell it apart.
    fn noise(&self, law: &LawFit) -> Result<NoiseModel, alvine::NoiseError> {
        let noise_db = law.shared.noise_db.unwrap_or(self.setup.noise.noise_db());
        let shadowing_db = match law.shared.noise_db {
            Some(_) => law.shared.shadowing_db,
            None => (law.spread_db.value.powi(2) - noise_db * noise_db).max(0.0).sqrt(),
        };
        NoiseModel::new(rounded(shadowing_db, 2), rounded(noise_db, 2).max(LEAST_NOISE_DB))
    }

    /// The sites with the gains that go with the law.
    fn layout(&self, law: &LawFit) -> Result<Layout, String> {
        let transmitter = &self.setup.transmitter;
        let gains_db = law
            .gains_db(transmitter.power_dbm(), transmitter.frequency_mhz())
            .map_err(|error| error.to_string())?;
        let mut sites = self.setup.layout.sites().to_vec();
        for (site, gain_db) in sites.iter_mut().zip(gains_db) {
            site.gain_db = rounded(gain_db, 2);
        }
        // Any set of sites that was read does; on a body or in a room, their places are as they were.
        Layout::new(sites.clone())
            .or_else(|_| Layout::in_room(sites))
            .map_err(|error| error.to_string())
    }

    fn comment(&self, law: &LawFit) -> String {
        let transmitter = &self.setup.transmitter;
        let noise = match law.shared.noise_from {
            NoiseFrom::Repeats => "noise_db is from places that were read again",
            NoiseFrom::Neighbours => {
                "noise_db is from places near to each other, and takes in what changes over less than that"
            }
            NoiseFrom::Nothing => {
                "nothing told noise from shadowing, so that noise_db is the layout's own and shadowing_db the rest of the spread"
            }
        };
        let text = format!(
            "Fitted by alvine calibrate to {} readings at {} places; {noise}. Not estimated: the power sent ({} dBm at {} MHz as \
             stated; readings tell power less loss, never one of them alone), the places of the sites, the receiver's floor, and \
             how much bodies differ. Gains are about the mean of all sites{}.",
            self.fit.heard + self.fit.censored,
            self.fit.places,
            transmitter.power_dbm(),
            transmitter.frequency_mhz(),
            if law.exponent.is_none() {
                ", with what the level leaves of the law's loss"
            } else {
                ""
            },
        );
        comment(&text)
    }
}

fn rounded(value: f64, decimals: i32) -> f64 {
    let scale = 10_f64.powi(decimals);
    // Adding nought turns a negative nought into a plain one.
    (value * scale).round() / scale + 0.0
}
