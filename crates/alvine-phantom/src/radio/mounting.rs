//! How the belt really sits: each antenna a little off its place, and a little better or worse than the next.

use alvine::{Position, Site, Torso};

use crate::chance::normal;
use crate::streams::{Purpose, stream};

/// Each site as it really is: moved along the skin, with its own gain.
///
/// `placement_mm` is the standard deviation along x and along z, `gain_db` that of the gain.
pub(crate) fn mounted(sites: &[Site], torso: &Torso, placement_mm: f64, gain_db: f64, seed: u64) -> Vec<Site> {
    let mut rng = stream(seed, Purpose::Mounting);
    sites
        .iter()
        .map(|site| {
            let [across, along, gain] = [0; 3].map(|_| normal(&mut rng));
            let x_mm = site.position_mm.x + placement_mm * across;
            let inwards_mm = torso.front_skin_y_mm(x_mm) - torso.front_skin_y_mm(site.position_mm.x);
            // Sites behind the flanks follow the back skin, which lies the other way.
            let front = site.position_mm.y <= torso.semi_axes_mm().1;
            let y_mm = site.position_mm.y + if front { inwards_mm } else { -inwards_mm };
            Site {
                name: site.name.clone(),
                position_mm: Position::new(x_mm, y_mm, site.position_mm.z + placement_mm * along),
                gain_db: site.gain_db + gain_db * gain,
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use alvine::Layout;

    #[test]
    fn moved_sites_stay_on_the_skin() {
        let torso = Torso::new(330.0, 230.0).unwrap();
        let layout = Layout::default_eight(&torso);
        for seed in 0..50 {
            for site in mounted(layout.sites(), &torso, 8.0, 1.0, seed) {
                assert!((torso.radial(&site.position_mm) - 1.0).abs() < 1e-9);
            }
        }
    }

    #[test]
    fn spreads_are_as_asked() {
        let torso = Torso::new(330.0, 230.0).unwrap();
        let layout = Layout::default_eight(&torso);
        let (mut gains, mut heights) = (0.0, 0.0);
        for seed in 0..200 {
            for (site, planned) in mounted(layout.sites(), &torso, 8.0, 1.5, seed)
                .iter()
                .zip(layout.sites())
            {
                gains += site.gain_db.powi(2) / 1600.0;
                heights += (site.position_mm.z - planned.position_mm.z).powi(2) / 1600.0;
            }
        }
        // 1600 draws: relative sd of a variance 3.5 %; four of them.
        assert!((gains / 2.25 - 1.0).abs() < 0.14 && (heights / 64.0 - 1.0).abs() < 0.14);
    }
}
