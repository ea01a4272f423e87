//! The organs of the antenna bench against the phantom's random guts, which were judged against two people's CT.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use alvine::siting::{OrganRegion, OrganSet};
use alvine::{Part, Torso};
use alvine_phantom::Gut;

/// The region that a part of the gut is meant to lie in.
const fn region(part: Part) -> OrganRegion {
    match part {
        Part::Duodenum | Part::Jejunum => OrganRegion::ProximalSmallBowel,
        Part::Ileum => OrganRegion::DistalSmallBowel,
        Part::Caecum => OrganRegion::Ileocaecal,
        Part::Ascending => OrganRegion::AscendingColon,
        Part::Transverse => OrganRegion::TransverseColon,
        Part::Descending => OrganRegion::DescendingColon,
        Part::Rectosigmoid => OrganRegion::Rectosigmoid,
    }
}

#[test]
fn each_region_holds_most_of_its_part_in_random_guts_and_the_gut_is_mostly_inside_some_region() {
    let torso = Torso::new(330.0, 230.0).unwrap();
    let guts: Vec<Gut> = (0..20).map(|seed| Gut::new(torso, seed)).collect();
    let (mut inside, mut all) = (0, 0);
    for part in Part::ALL {
        let (mut own, mut count) = (0, 0);
        for gut in &guts {
            let (from_mm, to_mm) = gut.part_mm(part);
            for step in 0..100 {
                let place = gut.at(from_mm + (to_mm - from_mm) * (f64::from(step) + 0.5) / 100.0);
                let organs = OrganSet::at(&torso, &place);
                own += usize::from(organs.has(region(part)));
                inside += usize::from(organs.is_gut());
                count += 1;
            }
        }
        all += count;
        let share = own as f64 / count as f64;
        println!("{part}: {share:.3} of its midline in {}", region(part).as_str());
        // Coils wander, and parts shift by 15 mm from one gut to the next: no region can hold all of its part.
        assert!(share > 0.7, "{part}: {share}");
    }
    assert!(inside as f64 / all as f64 > 0.95, "{inside} of {all}");
}
