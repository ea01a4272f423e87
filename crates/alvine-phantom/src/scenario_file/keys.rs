//! The keys of a scenario file. Each may be left out: then it is as the named base has it.

use serde::Deserialize;

/// The whole file.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Root {
    pub(super) format: Option<u32>,
    pub(super) name: Option<String>,
    pub(super) base: Option<String>,
    pub(super) radio: Option<String>,
    pub(super) seed: Option<u64>,
    pub(super) anatomy: Option<String>,
    pub(super) rate_hz: Option<f64>,
    pub(super) duration_h: Option<f64>,
    pub(super) swallowed_s: Option<f64>,
    pub(super) findings: Option<usize>,
    pub(super) torso: Torso,
    pub(super) site: Option<Vec<Site>>,
    pub(super) organs: Organs,
    pub(super) transit: Transit,
    pub(super) transmitter: Transmitter,
    pub(super) receiver: Receiver,
    pub(super) propagation: Propagation,
    pub(super) noise: Noise,
    pub(super) attitude: Attitude,
    pub(super) mounting: Mounting,
    pub(super) packets: Packets,
    pub(super) loosening: Loosening,
    pub(super) layers: Layers,
    pub(super) pattern: Pattern,
    pub(super) tumbling: Tumbling,
    pub(super) tails: Tails,
    pub(super) mismatch: Mismatch,
    pub(super) battery: Battery,
}

/// A table of keys that may each be left out.
macro_rules! table {
    ($name:ident { $($key:ident: $kind:ty),+ $(,)? }) => {
        #[derive(Debug, Default, Deserialize)]
        #[serde(deny_unknown_fields, default)]
        pub(super) struct $name {
            $(pub(super) $key: Option<$kind>),+
        }
    };
}

table!(Torso {
    drawn: bool,
    survey: String,
    breadth_mm: f64,
    depth_mm: f64
});
table!(Organs {
    breath_mm: f64,
    drift_mm: f64,
    posture_mm: f64,
    posture_s: f64
});
table!(Transit {
    protocol: String,
    oesophagus: Residence,
    stomach: Residence,
    small_bowel: Residence,
    colon: Residence,
    stasis_s: f64
});
table!(Residence {
    median_s: f64,
    sd_ln: f64,
    quantiles_s: [f64; 5],
    fixed_s: f64,
    endless: bool
});
table!(Transmitter {
    frequency_mhz: f64,
    power_dbm: f64,
    battery_h: f64
});
table!(Receiver {
    floor_dbm: f64,
    ceiling_dbm: f64,
    step_db: f64
});
table!(Propagation {
    model: String,
    frequency_mhz: f64,
    reference_mm: f64,
    loss_at_reference_db: f64,
    exponent: f64,
    attenuation_db_per_cm: f64,
});
table!(Noise {
    shadowing_db: f64,
    noise_db: f64,
    shadowing_correlation_mm: [f64; 2],
    pools: bool
});
table!(Attitude {
    spread_db: f64,
    memory_s: f64
});
table!(Mounting {
    gain_spread_db: f64,
    placement_spread_mm: f64
});
table!(Packets {
    share: f64,
    burst_s: f64,
    common_share: f64,
    common_burst_s: f64
});
table!(Loosening {
    which: String,
    manner: String,
    chance: f64,
    site: usize,
    start_s: f64,
    end_s: f64,
    grows_s: f64,
    loss_db: f64,
});
table!(Layers {
    on: bool,
    skin_mm: f64,
    fat_mm: f64,
    muscle_mm: f64,
    bowel_share: f64
});
table!(Pattern { on: bool, side_db: f64 });
table!(Tumbling {
    on: bool,
    memory_s: f64,
    null_share: f64
});
table!(Tails {
    kind: String,
    share: f64,
    factor: f64,
    degrees: u8
});
table!(Mismatch {
    exponent: f64,
    exponent_spread: f64,
    level_db: f64,
    level_spread_db: f64
});
table!(Battery {
    on: bool,
    slope_db: f64,
    knee_db: f64
});

/// An antenna's place.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Site {
    pub(super) name: String,
    pub(super) position_mm: [f64; 3],
    #[serde(default)]
    pub(super) gain_db: f64,
}
