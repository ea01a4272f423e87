//! A day: 12 h at 6 Hz from the default eight sites.

use alvine_phantom::{PhantomError, Scenario, Simulated, simulate};
use alvine_study::Study;

/// Simulates the day: 259,200 instants of the demo's scenario.
///
/// # Errors
///
/// [`PhantomError`] if the scenario were absurd.
pub fn day() -> Result<Simulated, PhantomError> {
    simulate(&Scenario {
        rate_hz: 6.0,
        duration_h: 12.0,
        ..Scenario::demo(20)
    })
}

/// The study that a simulated examination makes.
#[must_use]
pub fn study(simulated: Simulated) -> Study {
    Study {
        id: "bench".to_owned(),
        started: None,
        swallowed_s: Some(simulated.swallowed_s),
        setup: simulated.setup,
        landmarks: Vec::new(),
        findings: Vec::new(),
        recording: simulated.recording,
        auxiliary: Vec::new(),
    }
}
