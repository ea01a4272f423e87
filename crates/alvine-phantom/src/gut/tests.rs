//! Random guts against what is known of real ones.

use std::sync::LazyLock;

use super::*;
use crate::body::TorsoChoice;

/// Two hundred guts in torsos as people have them.
static DRAWN: LazyLock<Vec<Gut>> = LazyLock::new(|| {
    let gut = |seed| Gut::new(TorsoChoice::Drawn.torso(seed).unwrap(), seed);
    (0..200).map(gut).collect()
});

/// The thinned midlines of two people's CTs, and the foremost skin by height.
const CENTRELINES: &str = include_str!("../../../../datasets/gut-centrelines/centrelines.csv");
const FRONT_SKIN: &str = include_str!("../../../../datasets/gut-centrelines/front_skin.csv");
const BODIES: [&str; 2] = ["ct-whole", "ct-inflated"];

/// A point of a CT midline: body, path, part, arc and place.
struct CtPoint {
    body: &'static str,
    part: &'static str,
    arc_mm: f64,
    place_mm: Position,
}

fn ct_points() -> Vec<CtPoint> {
    CENTRELINES
        .lines()
        .skip(1)
        .map(|line| {
            let cells: Vec<&'static str> = line.split(',').collect();
            let [arc_mm, x, y, z] = [3, 4, 5, 6].map(|column| cells[column].parse().unwrap());
            CtPoint {
                body: cells[0],
                part: cells[2],
                arc_mm,
                place_mm: Position::new(x, y, z),
            }
        })
        .collect()
}

/// How far a CT point lies behind the foremost skin of its height, mm.
fn ct_depth_mm(point: &CtPoint) -> f64 {
    let slab = (point.place_mm.z / 10.0).floor() * 10.0;
    let skin_mm = FRONT_SKIN.lines().skip(1).find_map(|line| {
        let cells: Vec<&str> = line.split(',').collect();
        (cells[0] == point.body && cells[1].parse() == Ok(slab)).then(|| cells[2].parse::<f64>().unwrap())
    });
    point.place_mm.y - skin_mm.unwrap()
}

fn quantile(values: &mut [f64], share: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    values[((values.len() - 1) as f64 * share).round() as usize]
}

/// Places every few millimetres between two landmarks.
fn between(gut: &Gut, from: LandmarkKind, to: LandmarkKind, every_mm: f64) -> Vec<Position> {
    let (start_mm, end_mm) = (gut.landmark_mm(from), gut.landmark_mm(to));
    let count = ((end_mm - start_mm) / every_mm) as usize;
    (0..=count)
        .map(|step| gut.at(start_mm + every_mm * step as f64))
        .collect()
}

#[test]
fn the_gut_stays_in_the_cavity_and_out_of_the_spine_for_two_hundred_seeds() {
    for (seed, gut) in DRAWN.iter().enumerate() {
        let cavity = Cavity::new(*gut.torso(), 1.0);
        for place in between(gut, LandmarkKind::Cardia, LandmarkKind::Expulsion, 3.0) {
            assert!(gut.torso().radial(&place) < 0.9, "seed {seed}: {place}");
            assert!(
                (Torso::LOWEST_MM..=Torso::HIGHEST_MM).contains(&place.z),
                "seed {seed}: {place}"
            );
            assert!(!cavity.in_spine(&place), "seed {seed}: {place}");
        }
    }
}

#[test]
fn landmarks_lie_in_the_order_of_passage_and_parts_join() {
    for (seed, gut) in DRAWN.iter().enumerate() {
        let arcs = LandmarkKind::ALL.map(|kind| gut.landmark_mm(kind));
        assert!(arcs.is_sorted_by(|a, b| a < b), "seed {seed}: {arcs:?}");
        for pair in Part::ALL.windows(2) {
            assert_eq!(gut.part_mm(pair[0]).1, gut.part_mm(pair[1]).0);
        }
        assert_eq!(gut.part_mm(Part::Rectosigmoid).1, gut.length_mm());
        assert_eq!(
            gut.part_mm(Part::Ileum).1,
            gut.landmark_mm(LandmarkKind::IleocaecalValve)
        );
        assert_eq!(gut.part_at(Phase::SmallBowel, arcs[4] - 1.0), Some(Part::Ileum));
        assert_eq!(gut.part_at(Phase::Colon, arcs[4] + 1.0), Some(Part::Caecum));
        assert_eq!(gut.part_at(Phase::Stomach, arcs[1] + 1.0), None);
    }
}

#[test]
fn landmarks_lie_in_their_regions() {
    let torso = Torso::new(330.0, 230.0).unwrap();
    for seed in 0..200 {
        let gut = Gut::new(torso, seed);
        let at = |kind| gut.at(gut.landmark_mm(kind));
        let pylorus = at(LandmarkKind::Pylorus);
        assert!((-21.0..=-9.0).contains(&pylorus.x) && (88.0..=130.0).contains(&pylorus.z));
        let flexure = at(LandmarkKind::DuodenojejunalFlexure);
        assert!((19.0..=31.0).contains(&flexure.x));
        let valve = at(LandmarkKind::IleocaecalValve);
        assert!(
            (-90.0..=-65.0).contains(&valve.x) && (-66.0..=-24.0).contains(&valve.z),
            "{valve}"
        );
        assert!(at(LandmarkKind::Cardia).z > pylorus.z + 50.0);
    }
}

#[test]
fn the_gut_lies_as_deep_as_in_two_people_s_ct() {
    let mut depths_mm: Vec<f64> = DRAWN
        .iter()
        .flat_map(|gut| between(gut, LandmarkKind::Cardia, LandmarkKind::Expulsion, 5.0))
        .map(|place| place.y)
        .collect();
    let points = ct_points();
    for share in [0.05, 0.5, 0.95] {
        let in_ct = BODIES.map(|body| {
            let of_body = points.iter().filter(|point| point.body == body);
            quantile(&mut of_body.map(ct_depth_mm).collect::<Vec<f64>>(), share)
        });
        let found = quantile(&mut depths_mm, share);
        // Two people do not bound mankind: the phantom's quantiles may lie 15 mm outside what lies between the two.
        let (least, most) = (in_ct[0].min(in_ct[1]) - 15.0, in_ct[0].max(in_ct[1]) + 15.0);
        assert!((least..=most).contains(&found), "{share}: {found} against {in_ct:?}");
    }
}

/// Distance to the nearest place of the same coils more than 60 mm away along them: its median, mm.
fn median_spacing_mm(places: &[(f64, Position)]) -> f64 {
    let nearest = |&(arc_mm, place): &(f64, Position)| {
        let others = places.iter().filter(|other| (other.0 - arc_mm).abs() > 60.0);
        others
            .map(|other| (other.1 - place).norm())
            .fold(f64::INFINITY, f64::min)
    };
    quantile(&mut places.iter().map(nearest).collect::<Vec<f64>>(), 0.5)
}

#[test]
fn coils_lie_as_close_as_in_two_people_s_ct() {
    let points = ct_points();
    let in_ct = BODIES.map(|body| {
        let coils = points
            .iter()
            .filter(|point| point.body == body && ["jejunum", "ileum"].contains(&point.part))
            .map(|point| (point.arc_mm, point.place_mm));
        median_spacing_mm(&coils.collect::<Vec<_>>())
    });
    let mut spacings_mm: Vec<f64> = DRAWN[..40]
        .iter()
        .map(|gut| {
            let coils = between(
                gut,
                LandmarkKind::DuodenojejunalFlexure,
                LandmarkKind::IleocaecalValve,
                5.0,
            );
            let by_arc: Vec<_> = coils
                .into_iter()
                .enumerate()
                .map(|(k, place)| (5.0 * k as f64, place))
                .collect();
            median_spacing_mm(&by_arc)
        })
        .collect();
    let found = quantile(&mut spacings_mm, 0.5);
    let (least, most) = (in_ct[0].min(in_ct[1]) - 3.0, in_ct[0].max(in_ct[1]) + 3.0);
    assert!((least..=most).contains(&found), "{found} against {in_ct:?}");
}

/// Median length of a part over 200 guts, mm.
fn median_length_mm(part: Part) -> f64 {
    let length_mm = |gut: &Gut| {
        let (start_mm, end_mm) = gut.part_mm(part);
        end_mm - start_mm
    };
    quantile(&mut DRAWN.iter().map(length_mm).collect::<Vec<f64>>(), 0.5)
}

#[test]
fn parts_of_the_colon_are_about_as_long_as_in_two_people_s_ct() {
    let points = ct_points();
    for part in &Part::ALL[3..] {
        let in_ct = BODIES.map(|body| {
            let of_part = || {
                points
                    .iter()
                    .filter(|point| point.body == body && point.part == part.as_str())
                    .map(|point| point.arc_mm)
            };
            of_part().fold(f64::MIN, f64::max) - of_part().fold(f64::MAX, f64::min)
        });
        let found = median_length_mm(*part);
        // A fifth below the shorter to a fifth above the longer, which is stretched by gas.
        let (least, most) = (0.8 * in_ct[0].min(in_ct[1]), 1.2 * in_ct[0].max(in_ct[1]));
        assert!((least..=most).contains(&found), "{part}: {found} against {in_ct:?}");
    }
}

#[test]
fn lengths_come_out_as_drawn() {
    let torso = Torso::new(330.0, 230.0).unwrap();
    let (mut coils_mm, mut colon_mm) = (0.0, 0.0);
    for seed in 0..200 {
        let gut = Gut::new(torso, seed);
        let valve_mm = gut.landmark_mm(LandmarkKind::IleocaecalValve);
        coils_mm += (valve_mm - gut.landmark_mm(LandmarkKind::DuodenojejunalFlexure)) / 200.0;
        colon_mm += (gut.length_mm() - valve_mm) / 200.0;
    }
    // Means of 200: sd 739 / √200 = 52 mm and 185 / √200 = 13 mm, four of them; the truncation of the coils' length
    // shifts its mean by 23 mm, and steps make it right to 2 %. Colons stay at least as long as their frame.
    assert!(
        (coils_mm - COILS_MEAN_MM).abs() < 4.0 * 52.0 + 23.0 + 71.0,
        "{coils_mm}"
    );
    assert!((colon_mm - COLON_MEAN_MM).abs() < 4.0 * 13.0 + 30.0, "{colon_mm}");
}

#[test]
fn one_seed_gives_one_gut() {
    let torso = Torso::new(330.0, 230.0).unwrap();
    assert_eq!(Gut::new(torso, 9).places(), Gut::new(torso, 9).places());
    assert_ne!(Gut::new(torso, 9).places(), Gut::new(torso, 10).places());
}

/// Median angle between neighbouring chords, degrees.
fn median_turn_degrees(places: &[Position]) -> f64 {
    let turn = |three: &[Position]| (three[1] - three[0]).angle(&(three[2] - three[1])).to_degrees();
    quantile(&mut places.windows(3).map(turn).collect::<Vec<f64>>(), 0.5)
}

#[test]
fn coils_bend_as_much_as_in_two_people_s_ct() {
    let points = ct_points();
    let in_ct = BODIES.map(|body| {
        // Points of the dataset are about 5 mm apart: every other one makes chords of a centimetre.
        let coils = points
            .iter()
            .filter(|point| point.body == body && ["jejunum", "ileum"].contains(&point.part))
            .map(|point| point.place_mm);
        median_turn_degrees(&coils.step_by(2).collect::<Vec<_>>())
    });
    let mut turns: Vec<f64> = DRAWN[..40]
        .iter()
        .map(|gut| {
            let (from, to) = (LandmarkKind::DuodenojejunalFlexure, LandmarkKind::IleocaecalValve);
            median_turn_degrees(&between(gut, from, to, 10.0))
        })
        .collect();
    let found = quantile(&mut turns, 0.5);
    let (least, most) = (in_ct[0].min(in_ct[1]) - 5.0, in_ct[0].max(in_ct[1]) + 5.0);
    assert!((least..=most).contains(&found), "{found} against {in_ct:?}");
}
#[test]
fn coils_are_as_long_as_asked_to_two_parts_in_a_hundred() {
    let cavity = Cavity::new(Torso::new(330.0, 230.0).unwrap(), 1.0);
    let flexure_mm = Position::from(upper::FLEXURE);
    let valve_mm = Position::new(-80.0, 84.0, -45.0);
    for seed in 0..50 {
        let asked_mm = 2300.0 + 50.0 * seed as f64;
        let mut rng = stream(seed, Purpose::Anatomy);
        let mut controls = vec![flexure_mm];
        controls.extend(coils::coils(&cavity, flexure_mm, valve_mm, asked_mm, &mut rng));
        controls.push(valve_mm);
        let found_mm = Curve::through(&controls).0.length_mm();
        assert!(
            (found_mm / asked_mm - 1.0).abs() < 0.02,
            "seed {seed}: {found_mm} of {asked_mm}"
        );
    }
}

/// The guts of the two scans.
fn scanned(anatomy: Anatomy, seed: u64) -> Gut {
    Gut::of(anatomy, Torso::new(330.0, 230.0).unwrap(), 1.0, seed).unwrap()
}

#[test]
fn a_scanned_gut_has_the_part_lengths_of_the_scan() {
    // From the dataset's source, along the midline, mm: the splines here go through points 5 mm apart, which are short of
    // the midline's own steps by up to 2 %, and gain a little between them.
    let published = [
        (Anatomy::CtWhole, Part::Duodenum, 147.0),
        (Anatomy::CtWhole, Part::Jejunum, 1011.0),
        (Anatomy::CtWhole, Part::Ileum, 1222.0),
        (Anatomy::CtWhole, Part::Ascending, 122.0),
        (Anatomy::CtWhole, Part::Transverse, 351.0),
        (Anatomy::CtWhole, Part::Descending, 401.0),
        (Anatomy::CtWhole, Part::Rectosigmoid, 284.0),
        (Anatomy::CtInflated, Part::Ileum, 2113.0),
        (Anatomy::CtInflated, Part::Ascending, 268.0),
        (Anatomy::CtInflated, Part::Transverse, 657.0),
        (Anatomy::CtInflated, Part::Descending, 593.0),
        (Anatomy::CtInflated, Part::Rectosigmoid, 754.0),
    ];
    for (anatomy, part, expected_mm) in published {
        let (start_mm, end_mm) = scanned(anatomy, 1).part_mm(part);
        let found = (end_mm - start_mm) / expected_mm;
        assert!((found - 1.0).abs() < 0.03, "{anatomy:?} {part}: {found}");
    }
    let whole = scanned(Anatomy::CtWhole, 1);
    let stomach_mm = whole.landmark_mm(LandmarkKind::Pylorus) - whole.landmark_mm(LandmarkKind::Cardia);
    assert!((stomach_mm / 185.0 - 1.0).abs() < 0.03, "{stomach_mm}");
}

#[test]
fn a_scanned_gut_lies_in_its_own_skin_with_its_landmarks_in_order() {
    for anatomy in [Anatomy::CtWhole, Anatomy::CtInflated] {
        let gut = scanned(anatomy, 3);
        let arcs = LandmarkKind::ALL.map(|kind| gut.landmark_mm(kind));
        assert!(arcs.is_sorted_by(|a, b| a < b), "{anatomy:?} {arcs:?}");
        let (from_mm, to_mm) = gut.measured_mm().unwrap();
        assert_eq!(to_mm, gut.length_mm());
        // The scan of one begins above its cardia, of the other with its ileum.
        let begins = match anatomy {
            Anatomy::CtWhole => gut.landmark_mm(LandmarkKind::Cardia) - from_mm,
            _ => gut.part_mm(Part::Ileum).0 - from_mm,
        };
        assert!((0.0..60.0).contains(&begins), "{anatomy:?} {begins}");
        for place in between(&gut, LandmarkKind::Cardia, LandmarkKind::Expulsion, 3.0) {
            assert!(gut.torso().radial(&place) < 0.9, "{anatomy:?}: {place}");
        }
    }
    assert_eq!(Gut::new(Torso::new(330.0, 230.0).unwrap(), 1).measured_mm(), None);
}

#[test]
fn a_scan_is_the_same_for_every_seed_but_for_what_it_lacks() {
    let tail = |anatomy, seed| {
        let gut = scanned(anatomy, seed);
        let from_mm = gut.landmark_mm(LandmarkKind::IleocaecalValve);
        (0..50)
            .map(|step| gut.at(from_mm + 5.0 * f64::from(step)))
            .collect::<Vec<_>>()
    };
    assert_eq!(
        scanned(Anatomy::CtWhole, 1).places(),
        scanned(Anatomy::CtWhole, 2).places()
    );
    assert_ne!(
        scanned(Anatomy::CtInflated, 1).places(),
        scanned(Anatomy::CtInflated, 2).places()
    );
    for (one, other) in tail(Anatomy::CtInflated, 1).iter().zip(tail(Anatomy::CtInflated, 2)) {
        assert!((one - other).norm() < 0.5);
    }
}

#[test]
fn stomach_and_duodenum_are_about_as_long_as_in_the_ct_that_has_them() {
    let median_mm = |from, to| {
        let length_mm = |gut: &Gut| gut.landmark_mm(to) - gut.landmark_mm(from);
        quantile(&mut DRAWN.iter().map(length_mm).collect::<Vec<f64>>(), 0.5)
    };
    // One person's: 185 mm and 147 mm. A fifth either way for the stomach; the duodenum of textbooks is 250 mm (from
    // memory), and the drawn one may lie between a fifth below the scan's and a fifth above those.
    let stomach_mm = median_mm(LandmarkKind::Cardia, LandmarkKind::Pylorus);
    assert!((148.0..=222.0).contains(&stomach_mm), "{stomach_mm}");
    let duodenum_mm = median_mm(LandmarkKind::Pylorus, LandmarkKind::DuodenojejunalFlexure);
    assert!((117.0..=300.0).contains(&duodenum_mm), "{duodenum_mm}");
}

#[test]
fn the_drawn_colon_bends_by_no_more_than_eight_degrees_a_centimetre_beyond_two_people_s_ct() {
    let points = ct_points();
    let in_ct = BODIES.map(|body| {
        let colon = points
            .iter()
            .filter(|point| point.body == body && ["ascending", "transverse", "descending"].contains(&point.part))
            .map(|point| point.place_mm);
        median_turn_degrees(&colon.step_by(2).collect::<Vec<_>>())
    });
    let mut turns: Vec<f64> = DRAWN[..40]
        .iter()
        .map(|gut| {
            let (start_mm, end_mm) = (gut.part_mm(Part::Ascending).0, gut.part_mm(Part::Descending).1);
            let places = (0..((end_mm - start_mm) / 10.0) as usize).map(|step| gut.at(start_mm + 10.0 * step as f64));
            median_turn_degrees(&places.collect::<Vec<_>>())
        })
        .collect();
    let found = quantile(&mut turns, 0.5);
    // The undulation that gives it its length bends it more than the two real ones are: 32° against 24° and 27°.
    let (least, most) = (in_ct[0].min(in_ct[1]) - 5.0, in_ct[0].max(in_ct[1]) + 8.0);
    assert!((least..=most).contains(&found), "{found} against {in_ct:?}");
}

#[test]
fn in_surveyed_torsos_the_pylorus_lies_as_high_as_the_surveyed_people_s_plane_and_the_gut_still_inside() {
    let torso = TorsoChoice::Surveyed(crate::Girth::Callipers);
    let mut heights_mm = Vec::new();
    for seed in 0..200 {
        let (skin, upwards) = (torso.torso(seed).unwrap(), torso.height_factor(seed));
        let gut = Gut::of(Anatomy::Drawn, skin, upwards, seed).unwrap();
        heights_mm.push(gut.at(gut.landmark_mm(LandmarkKind::Pylorus)).z);
        let cavity = Cavity::new(skin, upwards);
        for place in between(&gut, LandmarkKind::Cardia, LandmarkKind::Expulsion, 5.0) {
            assert!(
                gut.torso().radial(&place) < 0.9 && !cavity.in_spine(&place),
                "seed {seed}: {place}"
            );
        }
    }
    // The planes' medians are 106 and 112 mm; with a spread of 19 mm and the guts' own 10 mm the median of 200 is right to
    // 1.25 · 21 / √200 = 1.9 mm; four of them. From 5 to 95 % they cover 80 to 149 mm, and the guts' own ± 15 mm and jitter.
    let median_mm = quantile(&mut heights_mm, 0.5);
    assert!((median_mm - 109.0).abs() < 7.5, "{median_mm}");
    let (low_mm, high_mm) = (heights_mm[10], heights_mm[189]);
    assert!(
        (60.0..=95.0).contains(&low_mm) && (125.0..=170.0).contains(&high_mm),
        "{low_mm} {high_mm}"
    );
}
