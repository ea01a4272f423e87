//! What layers and antenna patterns add to the law's loss at a place, about their own mean at that distance.
//!
//! The law is a mean over places and directions, so it has had its share of both. The least-squares line
//! `c₀ + c₁ log₁₀ d` through what they lose over the belly and all sites is taken off; what is left has no mean and no
//! slope by distance.

use alvine::dielectric::Tissue;
use alvine::{Position, Site, Torso};

use super::effects::{AntennaPattern, TissueLayers};
use crate::error::PhantomError;

/// Where the gut lies, for the line: shares of the torso's breadth and depth, and heights, mm.
const ACROSS: [f64; 9] = [-0.32, -0.24, -0.16, -0.08, 0.0, 0.08, 0.16, 0.24, 0.32];
const BEHIND: [f64; 7] = [0.17, 0.24, 0.31, 0.38, 0.45, 0.52, 0.59];
const HEIGHTS_MM: [f64; 12] = [
    -150.0, -120.0, -90.0, -60.0, -30.0, 0.0, 30.0, 60.0, 90.0, 120.0, 150.0, 180.0,
];
/// Nearer than this no line is asked for, mm.
const NEAREST_MM: f64 = 1.0;

/// An upright ellipse about the torso's axis.
#[derive(Debug, Clone, Copy)]
struct Shell {
    half_x_mm: f64,
    half_y_mm: f64,
    axis_y_mm: f64,
    /// What absorbs from this rim inwards to the next, dB/mm.
    db_per_mm: f64,
}

impl Shell {
    /// How much of the line from `place` on by `way` lies inside, as a share of it.
    fn share_inside(&self, place: &Position, way: &Position) -> f64 {
        let (px, py) = (place.x / self.half_x_mm, (place.y - self.axis_y_mm) / self.half_y_mm);
        let (wx, wy) = (way.x / self.half_x_mm, way.y / self.half_y_mm);
        let (squared, mixed, offset) = (wx * wx + wy * wy, px * wx + py * wy, px * px + py * py - 1.0);
        if squared < 1e-18 {
            // The line runs along the axis: all of it is as far out as its beginning.
            return if offset <= 0.0 { 1.0 } else { 0.0 };
        }
        let under_root = mixed * mixed - squared * offset;
        if under_root <= 0.0 {
            return 0.0;
        }
        let root = under_root.sqrt();
        let (enters, leaves) = ((-mixed - root) / squared, (-mixed + root) / squared);
        (leaves.min(1.0) - enters.max(0.0)).max(0.0)
    }
}

/// One site: where it is, and which way is straight into the body.
#[derive(Debug, Clone, Copy)]
struct Aim {
    place_mm: Position,
    inwards: Position,
}

/// Layers and pattern about the law.
#[derive(Debug, Clone)]
pub(crate) struct Excess {
    torso: Torso,
    /// From the skin inwards.
    shells: Vec<Shell>,
    side_db: f64,
    aims: Vec<Aim>,
    /// c₀ dB and c₁ dB a decade.
    line: [f64; 2],
    spread_db: f64,
}

impl Excess {
    /// What the two cause at these sites; `None` where neither is on.
    pub(crate) fn new(
        layers: Option<&TissueLayers>,
        pattern: Option<&AntennaPattern>,
        torso: Torso,
        frequency_mhz: f64,
        sites: &[Site],
    ) -> Result<Option<Self>, PhantomError> {
        if layers.is_none() && pattern.is_none() {
            return Ok(None);
        }
        let mut excess = Self {
            torso,
            shells: layers.map_or(Ok(Vec::new()), |layers| shells(layers, torso, frequency_mhz))?,
            side_db: pattern.map_or(0.0, |pattern| pattern.side_db),
            aims: sites.iter().map(|site| aim(site, &torso)).collect(),
            line: [0.0; 2],
            spread_db: 0.0,
        };
        excess.fit_line();
        Ok(Some(excess))
    }

    /// How much more than the law a site loses of a capsule at a place, dB; nothing where that is outside the skin.
    pub(crate) fn loss_db(&self, place_mm: &Position, site: usize) -> f64 {
        if self.torso.radial(place_mm) >= 1.0 {
            return 0.0;
        }
        let (raw_db, decades) = self.raw_db(place_mm, &self.aims[site]);
        raw_db - self.line[0] - self.line[1] * decades
    }

    /// Its standard deviation over the belly and all sites, dB.
    pub(crate) const fn spread_db(&self) -> f64 {
        self.spread_db
    }

    /// What layers and pattern lose on the line from a place to a site, dB, and log₁₀ of its length in mm.
    fn raw_db(&self, place_mm: &Position, aim: &Aim) -> (f64, f64) {
        let way = aim.place_mm - place_mm;
        let distance_mm = way.norm().max(NEAREST_MM);
        let mut absorbed_db = 0.0;
        // Each shell's tissue reaches inwards to the next shell's rim.
        let shares = self.shells.iter().map(|shell| shell.share_inside(place_mm, &way));
        let mut outer: Option<(f64, f64)> = None;
        for (share, shell) in shares.zip(&self.shells) {
            if let Some((outer_share, db_per_mm)) = outer {
                absorbed_db += db_per_mm * (outer_share - share) * distance_mm;
            }
            outer = Some((share, shell.db_per_mm));
        }
        if let Some((share, db_per_mm)) = outer {
            absorbed_db += db_per_mm * share * distance_mm;
        }
        let ahead = -way.dot(&aim.inwards) / distance_mm;
        (absorbed_db + self.side_db * (1.0 - ahead), libm::log10(distance_mm))
    }

    /// Fits the line over the belly, and the spread about it.
    fn fit_line(&mut self) {
        let mut samples = Vec::with_capacity(ACROSS.len() * BEHIND.len() * HEIGHTS_MM.len() * self.aims.len());
        for across in ACROSS {
            for behind in BEHIND {
                for z_mm in HEIGHTS_MM {
                    let place_mm =
                        Position::new(across * self.torso.breadth_mm(), behind * self.torso.depth_mm(), z_mm);
                    samples.extend(self.aims.iter().map(|aim| self.raw_db(&place_mm, aim)));
                }
            }
        }
        let count = samples.len().max(1) as f64;
        let mean = |of: &dyn Fn(&(f64, f64)) -> f64| samples.iter().map(of).sum::<f64>() / count;
        let (raw, decades) = (mean(&|sample| sample.0), mean(&|sample| sample.1));
        let mixed = mean(&|sample| (sample.0 - raw) * (sample.1 - decades));
        let squared = mean(&|sample| (sample.1 - decades) * (sample.1 - decades));
        let slope = if squared > 0.0 { mixed / squared } else { 0.0 };
        let intercept = raw - slope * decades;
        let variance = mean(&|sample| {
            let left = sample.0 - intercept - slope * sample.1;
            left * left
        });
        self.line = [intercept, slope];
        self.spread_db = variance.sqrt();
    }
}

/// The shells from the skin inwards; in a torso too small for its layers the innermost stays open by a tenth.
fn shells(layers: &TissueLayers, torso: Torso, frequency_mhz: f64) -> Result<Vec<Shell>, PhantomError> {
    let db_per_mm = |tissue: Tissue| {
        tissue
            .at(frequency_mhz)
            .map(|at| 0.1 * at.attenuation_db_per_cm())
            .map_err(|_| PhantomError::ImpossibleValue {
                what: "transmitter.frequency_mhz",
                found: frequency_mhz,
                expected: "10 to 6000 MHz, where tissue layers absorb",
            })
    };
    let (bowel, fat) = (db_per_mm(Tissue::SmallIntestine)?, db_per_mm(Tissue::Fat)?);
    let (half_x_mm, half_y_mm) = torso.semi_axes_mm();
    let depths_mm = [
        0.0,
        layers.skin_mm,
        layers.skin_mm + layers.fat_mm,
        layers.skin_mm + layers.fat_mm + layers.muscle_mm,
    ];
    let absorb = [
        db_per_mm(Tissue::Skin)?,
        fat,
        db_per_mm(Tissue::Muscle)?,
        layers.bowel_share * bowel + (1.0 - layers.bowel_share) * fat,
    ];
    let shell = |(depth_mm, db_per_mm): (f64, f64)| Shell {
        half_x_mm: (half_x_mm - depth_mm).max(0.1 * half_x_mm),
        half_y_mm: (half_y_mm - depth_mm).max(0.1 * half_y_mm),
        axis_y_mm: half_y_mm,
        db_per_mm,
    };
    Ok(depths_mm.into_iter().zip(absorb).map(shell).collect())
}

fn aim(site: &Site, torso: &Torso) -> Aim {
    let (half_x_mm, half_y_mm) = torso.semi_axes_mm();
    let outwards = Position::new(
        site.position_mm.x / (half_x_mm * half_x_mm),
        (site.position_mm.y - half_y_mm) / (half_y_mm * half_y_mm),
        0.0,
    );
    Aim {
        place_mm: site.position_mm,
        // A site on the axis has no inside of its own; such a one hears alike all round.
        inwards: -outwards.try_normalize(1e-12).unwrap_or_else(Position::zeros),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use alvine::Layout;
    use approx::assert_relative_eq;
    use proptest::prelude::*;

    fn torso() -> Torso {
        Torso::new(330.0, 230.0).unwrap()
    }

    fn excess(layers: Option<TissueLayers>, pattern: Option<AntennaPattern>) -> Excess {
        let layout = Layout::default_eight(&torso());
        Excess::new(layers.as_ref(), pattern.as_ref(), torso(), 433.0, layout.sites())
            .unwrap()
            .unwrap()
    }

    #[test]
    fn straight_in_from_the_navel_the_layers_add_up_by_hand() {
        let site = Site::new("front", Position::zeros());
        let layers = TissueLayers::USUAL;
        let excess = Excess::new(Some(&layers), None, torso(), 433.0, &[site])
            .unwrap()
            .unwrap();
        // 2 mm of skin, 18 of fat, 12 of muscle, and 68 of cavity, at 1.6193, 0.2855, 1.6803 and (3.4260 + 0.2855) / 2
        // dB/cm.
        let by_hand = 0.2 * 1.6193 + 1.8 * 0.2855 + 1.2 * 1.6803 + 6.8 * 0.5 * (3.4260 + 0.2855);
        let (found_db, decades) = excess.raw_db(&Position::new(0.0, 100.0, 0.0), &excess.aims[0]);
        assert_relative_eq!(found_db, by_hand, max_relative = 1e-4);
        assert_relative_eq!(decades, 2.0, epsilon = 1e-12);
    }

    #[test]
    fn neither_mean_nor_slope_is_left_beside_the_law() {
        let excess = excess(Some(TissueLayers::USUAL), Some(AntennaPattern { side_db: 4.0 }));
        let (mut sum, mut mixed, mut count) = (0.0, 0.0, 0.0);
        for across in ACROSS {
            for behind in BEHIND {
                for z_mm in HEIGHTS_MM {
                    let place_mm = Position::new(330.0 * across, 230.0 * behind, z_mm);
                    for site in 0..8 {
                        let distance_mm = (place_mm - excess.aims[site].place_mm).norm();
                        sum += excess.loss_db(&place_mm, site);
                        mixed += excess.loss_db(&place_mm, site) * distance_mm.log10();
                        count += 1.0;
                    }
                }
            }
        }
        assert!((sum / count).abs() < 1e-9 && (mixed / count).abs() < 1e-9);
        // It does vary, by several decibels.
        assert!((1.0..8.0).contains(&excess.spread_db()), "{}", excess.spread_db());
    }

    #[test]
    fn a_site_hears_best_straight_ahead() {
        let excess = excess(None, Some(AntennaPattern { side_db: 6.0 }));
        // The epigastric site at (0, 0, 115) looks along y; two places as far from it, one ahead and one upwards.
        let ahead = excess.loss_db(&Position::new(0.0, 60.0, 115.0), 1);
        let aslant = excess.loss_db(&Position::new(0.0, 36.0, 163.0), 1);
        // cos θ is 1 and 36 / 60.
        assert_relative_eq!(aslant - ahead, 6.0 * 0.4, epsilon = 1e-9);
    }

    #[test]
    fn a_frequency_without_dielectrics_is_named() {
        let layout = Layout::default_eight(&torso());
        let error = Excess::new(Some(&TissueLayers::USUAL), None, torso(), 9000.0, layout.sites()).unwrap_err();
        assert!(error.to_string().contains("transmitter.frequency_mhz"), "{error}");
    }

    /// The same line cut into many pieces, each asked for its tissue.
    fn by_pieces_db(excess: &Excess, place: &Position, aim: &Aim) -> f64 {
        let way = aim.place_mm - place;
        let pieces = 20_000;
        (0..pieces)
            .map(|piece| place + way * ((f64::from(piece) + 0.5) / f64::from(pieces)))
            .filter_map(|at| {
                let holds = |shell: &&Shell| {
                    (at.x / shell.half_x_mm).powi(2) + ((at.y - shell.axis_y_mm) / shell.half_y_mm).powi(2) <= 1.0
                };
                excess.shells.iter().rfind(holds)
            })
            .map(|shell| shell.db_per_mm * way.norm() / f64::from(pieces))
            .sum()
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        #[test]
        fn absorption_matches_the_line_cut_into_pieces(
            x in -150.0..150.0_f64, y in 10.0..220.0_f64, z in -150.0..200.0_f64, site in 0_usize..8,
        ) {
            let excess = excess(Some(TissueLayers::USUAL), None);
            let place = Position::new(x, y, z);
            let (found_db, _) = excess.raw_db(&place, &excess.aims[site]);
            let pieces_db = by_pieces_db(&excess, &place, &excess.aims[site]);
            // Up to seven borders, each off by at most a piece of 400 mm / 20 000 at 0.34 dB/mm.
            prop_assert!((found_db - pieces_db).abs() < 0.05, "{found_db} against {pieces_db}");
        }
    }
}
