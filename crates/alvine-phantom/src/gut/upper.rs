//! Mouth, oesophagus, stomach and duodenum: control points on the reference torso.
//!
//! Places are common anatomy, no source to the millimetre: the pylorus 10 to 20 mm right of the midline on the
//! transpyloric plane, the cardia 20 to 30 mm left of it and about 10 cm deep, the duodenojejunal flexure 20 to 30 mm
//! left of it near the same plane (all from memory; the planes are [`alvine::torso::AbdominalPlanes`]). The duodenum comes out at
//! about 250 mm (textbook, from memory; 147 mm along the midline of one person's CT), the stomach at about 190 mm
//! (185 mm in the same CT).

use alvine::Position;

/// Mouth to just above the cardia.
pub(super) const OESOPHAGUS: [[f64; 3]; 6] = [
    [0.0, 40.0, 530.0],
    [0.0, 100.0, 490.0],
    [0.0, 118.0, 420.0],
    [-4.0, 128.0, 330.0],
    [4.0, 130.0, 260.0],
    [14.0, 124.0, 215.0],
];

/// The cardia.
pub(super) const CARDIA: [f64; 3] = [25.0, 112.0, 182.0];

/// Fundus, body and antrum.
pub(super) const STOMACH: [[f64; 3]; 5] = [
    [55.0, 108.0, 176.0],
    [66.0, 92.0, 148.0],
    [58.0, 74.0, 116.0],
    [34.0, 62.0, 94.0],
    [8.0, 60.0, 94.0],
];

/// The pylorus.
pub(super) const PYLORUS: [f64; 3] = [-15.0, 70.0, 109.0];

/// The C-loop round the head of the pancreas, across the spine and up again.
pub(super) const DUODENUM: [[f64; 3]; 6] = [
    [-36.0, 82.0, 116.0],
    [-52.0, 100.0, 102.0],
    [-58.0, 108.0, 68.0],
    [-46.0, 110.0, 40.0],
    [0.0, 104.0, 36.0],
    [24.0, 106.0, 62.0],
];

/// The duodenojejunal flexure.
pub(super) const FLEXURE: [f64; 3] = [25.0, 98.0, 98.0];

/// A table of control points as places.
pub(super) fn places(table: &[[f64; 3]]) -> impl Iterator<Item = Position> + '_ {
    table.iter().map(|&[x, y, z]| Position::new(x, y, z))
}
