//! Ten sites as one might sew them into a belt: how well could they tell where a capsule is, and what would be lost with a cable?

use alvine::siting::{OrganRegion, RivalOptions, SurveyOptions, Volume, compare, rivals, survey};
use alvine::{Law, Layout, LogDistance, NoiseModel, Position, Receiver, Setup, Site, Torso, Transmitter};

/// Two rows of five, from flank to flank: degrees from the front midline, and heights in mm above the navel.
const ANGLES_DEG: [f64; 5] = [-80.0, -40.0, 0.0, 40.0, 80.0];
const HEIGHTS_MM: [f64; 2] = [95.0, -55.0];

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let torso = Torso::new(320.0, 225.0)?;
    let setup = Setup {
        torso,
        room: None,
        layout: belt(&torso)?,
        law: Law::LogDistance(LogDistance::DEEP_TISSUE_TO_SURFACE),
        noise: NoiseModel::new(7.85, 2.0)?,
        transmitter: Transmitter::new(433.0, -20.0, None)?,
        receiver: Receiver::new(-100.0, None, None)?,
    };

    let survey = survey(&setup, Volume::new(torso, 5.0)?, &SurveyOptions::default());
    println!("{} places, 5 mm apart; least error of one fix, mm", survey.volume.len());
    println!("{:22} {:>5} {:>5} {:>6}", "", "mean", "95 %", "worst");
    for region in OrganRegion::ALL {
        if let Some(organ) = survey.organ(region) {
            println!(
                "{:22} {:5.0} {:5.0} {:6.0}",
                region.as_str(),
                organ.mean_mm,
                organ.percentile95_mm,
                organ.worst_mm
            );
        }
    }
    let gut = survey.gut();
    println!(
        "all of the gut: {:.0} mm; {:.0} if the level sent were known, {:.0} if it were not known at all",
        gut.mean_mm, gut.mean_level_known_mm, gut.mean_level_unknown_mm
    );

    let alike = rivals(&setup, &RivalOptions::default())?;
    println!(
        "one fix prefers the place most like the true one, 60 mm or more away, with {:.0} %",
        100.0 * alike.mean_mistaken()
    );

    let compared = compare(&setup, &torso, 10.0, &SurveyOptions::default())?;
    if let Some(worst) = compared.worst_loss()
        && let Ok(left) = &worst.left
    {
        println!(
            "a site lost costs {:.0} mm on average; the one missed most is {}, which leaves {:.0} mm",
            compared.mean_loss_mm() - compared.whole.mean_mm,
            worst.name,
            left.mean_mm
        );
    }
    Ok(())
}

/// Sites on the skin of an elliptical torso.
fn belt(torso: &Torso) -> Result<Layout, alvine::LayoutError> {
    let (a, b) = torso.semi_axes_mm();
    let mut sites = Vec::new();
    for (row, z_mm) in HEIGHTS_MM.into_iter().enumerate() {
        for (column, angle_deg) in ANGLES_DEG.into_iter().enumerate() {
            let (sin, cos) = angle_deg.to_radians().sin_cos();
            let place_mm = Position::new(a * sin, b * (1.0 - cos), z_mm);
            sites.push(Site::new(format!("row-{}-{}", row + 1, column + 1), place_mm));
        }
    }
    Layout::new(sites)
}
