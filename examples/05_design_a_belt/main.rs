//! Eight sites, a stoma to keep clear of, and one that may fail: where should they go?

use alvine::siting::{Criterion, Design, DesignSpace, KeepOut, Objective};
use alvine::{NoiseModel, Position, Receiver, Setup, Torso};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let torso = Torso::new(330.0, 230.0)?;
    let setup = Setup::default_eight(torso, NoiseModel::new(7.85, 2.0)?, Receiver::new(-100.0, None, None)?);
    let stoma = KeepOut {
        centre_mm: Position::new(-70.0, 11.0, -40.0),
        radius_mm: 60.0,
    };
    // A wrap that goes all round.
    let space = DesignSpace {
        widest_deg: 180.0,
        keep_out: vec![stoma],
        ..DesignSpace::default()
    };

    for survive_loss in [false, true] {
        let objective = Objective {
            criterion: Criterion::Percentile95,
            survive_loss,
            ..Objective::default()
        };
        let design = Design::new(&setup, space.clone(), objective)?;
        let designed = design.place(8, &|_| {})?;
        let what = if survive_loss {
            "after the worst loss of one site"
        } else {
            "with all sites"
        };
        println!(
            "95th percentile of the error over the gut {what}: {:.0} mm designed, {:.0} mm for the default eight",
            designed.value_mm,
            design.value_mm(&setup.layout)
        );
        for site in designed.layout.sites() {
            // Adding nought turns a negative nought into a plain one.
            let place = site.position_mm.map(|mm| mm.round() + 0.0);
            println!(
                "  {}  x {:4.0}, y {:3.0}, z {:4.0} mm",
                site.name, place.x, place.y, place.z
            );
        }
    }

    // How many sites are worth having.
    let design = Design::new(&setup, space, Objective::default())?;
    println!("mean error over the gut by number of sites:");
    for point in design.curve(&[4, 6, 8, 12, 16, 24], &|_| {})? {
        println!("  {:2} sites {:5.1} mm", point.sites, point.value_mm);
    }
    Ok(())
}
