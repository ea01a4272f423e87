//! Sites that are possible and make no sense: another unit than millimetres, or a coordinate of the wrong sign.
//!
//! A site's place is told in a file by hand, and two slips leave a layout that passes every check of its shape: a place in
//! metres or centimetres, which puts the site at the umbilicus, and a sign that follows another frame. Each is told only
//! where the place makes no sense as it stands and makes sense once it is put right, so that belts off the skin, on other
//! bodies or of other sites are left alone. The thresholds are common practice, no source.

use alvine::{Position, Site, Torso};

/// What a place seems to be instead.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Slip {
    /// Another unit.
    Unit(&'static str),
    /// A sign: of the coordinate that is positive towards this side.
    Sign(&'static str),
}

/// A place as it might have been meant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Suspicion {
    pub slip: Slip,
    pub likely_mm: Position,
}

/// A place other than the origin with all coordinates below this is no place of an antenna in millimetres, mm.
const TINY_MM: f64 = 1.0;
/// Sites that all lie this close together, as a share of the breadth, are no belt.
const HUDDLED: f64 = 0.2;
/// A place at this share of the skin's radius is off the body.
const OFF: f64 = 1.15;
/// A place within this of the skin's radius is on it.
const ON: f64 = 0.06;
/// A coordinate may pass the plane that its region's name sets by this much, mm.
const BEYOND_MM: f64 = 20.0;

/// The first site whose place makes no sense, and what was likely meant.
pub(crate) fn suspicion(sites: &[Site], torso: &Torso) -> Option<(usize, Suspicion)> {
    let unit_of_all = huddled(sites, torso);
    sites.iter().enumerate().find_map(|(index, site)| {
        let suspicion = unit_of_all
            .map(|(factor, unit)| Suspicion {
                slip: Slip::Unit(unit),
                likely_mm: site.position_mm * factor,
            })
            .or_else(|| metres(&site.position_mm))
            .or_else(|| depth(&site.position_mm, torso))
            .or_else(|| region(site))?;
        Some((index, suspicion))
    })
}

/// The unit in which sites that all lie together would span a body.
fn huddled(sites: &[Site], torso: &Torso) -> Option<(f64, &'static str)> {
    let mut span_mm: f64 = 0.0;
    for (index, first) in sites.iter().enumerate() {
        for second in &sites[index + 1..] {
            span_mm = span_mm.max((first.position_mm - second.position_mm).norm());
        }
    }
    let spans_a_body = |factor: f64| (0.5..3.0).contains(&(factor * span_mm / torso.breadth_mm()));
    if span_mm > HUDDLED * torso.breadth_mm() {
        return None;
    }
    [(10.0, "centimetres"), (1000.0, "metres")]
        .into_iter()
        .find(|(factor, _)| spans_a_body(*factor))
}

/// One place in metres among others in millimetres.
fn metres(place_mm: &Position) -> Option<Suspicion> {
    let tiny = place_mm.amax() < TINY_MM && place_mm.norm() > 0.0;
    let likely_mm = place_mm * 1000.0;
    // Nearer than 50 mm to the umbilicus in metres is as odd as in millimetres.
    (tiny && likely_mm.norm() > 50.0).then_some(Suspicion {
        slip: Slip::Unit("metres"),
        likely_mm,
    })
}

/// A depth counted to the front in place of to the back.
fn depth(place_mm: &Position, torso: &Torso) -> Option<Suspicion> {
    let likely_mm = Position::new(place_mm.x, -place_mm.y, place_mm.z);
    let off = torso.radial(place_mm) > OFF;
    let on = (torso.radial(&likely_mm) - 1.0).abs() < ON;
    (place_mm.y < 0.0 && off && on).then_some(Suspicion {
        slip: Slip::Sign("back"),
        likely_mm,
    })
}

/// A place on another side than the abdominal region whose name the site carries.
fn region(site: &Site) -> Option<Suspicion> {
    let place = &site.position_mm;
    let above = match site.name.as_str() {
        "right-hypochondriac" | "epigastric" | "left-hypochondriac" => 1.0,
        "right-iliac" | "hypogastric" | "left-iliac" => -1.0,
        _ => 0.0,
    };
    let left = match site.name.as_str() {
        "left-hypochondriac" | "left-lumbar" | "left-iliac" => 1.0,
        "right-hypochondriac" | "right-lumbar" | "right-iliac" => -1.0,
        _ => 0.0,
    };
    if above * place.z < -BEYOND_MM {
        Some(Suspicion {
            slip: Slip::Sign("head"),
            likely_mm: Position::new(place.x, place.y, -place.z),
        })
    } else if left * place.x < -BEYOND_MM {
        Some(Suspicion {
            slip: Slip::Sign("patient's left"),
            likely_mm: Position::new(-place.x, place.y, place.z),
        })
    } else {
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use alvine::Layout;

    fn torso() -> Torso {
        Torso::new(330.0, 230.0).unwrap()
    }

    fn sites() -> Vec<Site> {
        Layout::default_eight(&torso()).sites().to_vec()
    }

    fn slip_of(index: usize, change: impl Fn(&mut Position)) -> Option<(usize, Slip)> {
        let mut sites = sites();
        change(&mut sites[index].position_mm);
        suspicion(&sites, &torso()).map(|(index, suspicion)| (index, suspicion.slip))
    }

    #[test]
    fn the_default_sites_and_a_belt_off_the_skin_raise_no_suspicion() {
        for torso in [
            torso(),
            Torso::new(260.0, 180.0).unwrap(),
            Torso::new(500.0, 400.0).unwrap(),
        ] {
            let mut sites = Layout::default_eight(&torso).sites().to_vec();
            assert_eq!(suspicion(&sites, &torso), None);
            for site in &mut sites {
                site.position_mm.y -= 15.0;
                site.position_mm.z += 15.0;
            }
            assert_eq!(suspicion(&sites, &torso), None);
        }
    }

    #[test]
    fn each_slip_is_told_with_its_site_and_the_place_that_was_meant() {
        assert_eq!(slip_of(3, |at| *at /= 1000.0), Some((3, Slip::Unit("metres"))));
        assert_eq!(slip_of(0, |at| at.z = -at.z), Some((0, Slip::Sign("head"))));
        assert_eq!(slip_of(0, |at| at.y = -at.y), Some((0, Slip::Sign("back"))));
        assert_eq!(slip_of(4, |at| at.x = -at.x), Some((4, Slip::Sign("patient's left"))));
        let meant = sites();
        for (factor, unit) in [(10.0, "centimetres"), (1000.0, "metres")] {
            let mut told = sites();
            for site in &mut told {
                site.position_mm /= factor;
            }
            let (index, found) = suspicion(&told, &torso()).unwrap();
            assert_eq!((index, found.slip), (0, Slip::Unit(unit)));
            assert!((found.likely_mm - meant[0].position_mm).norm() < 1e-9);
        }
    }
}
