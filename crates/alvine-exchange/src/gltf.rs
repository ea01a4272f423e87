//! The path as a glTF 2.0 scene in one binary file: a line a phase, the sites as points, and rings that show the torso.
//!
//! glTF counts in metres, with y up and the front towards +z. A place (x, y, z) of the body, mm, is at (x, z, −y) / 1000 there.
//! Each vertex of the path carries its time and the radius that holds the capsule with 90 %, as the attributes `_TIME_S` and
//! `_RADIUS90_MM`.
//!
//! # Source
//!
//! The Khronos Group, *glTF 2.0 Specification*, sections 3 (concepts) and 4 (GLB file format).

use std::f64::consts::TAU;

use alvine::{Layout, Phase, Torso, Track, TrackPoint};
use serde_json::{Value, json};

/// The square root of the 90 % point of χ² with three degrees of freedom.
const RADIUS90: f64 = 2.500_277_6;
/// Points further apart than this, s, are not joined.
const GAP_S: f64 = 60.0;

/// A phase in time, and the colour of its line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PhaseSpan {
    /// The phase.
    pub phase: Phase,
    /// From when, s.
    pub start_s: f64,
    /// Until when, s.
    pub end_s: f64,
    /// sRGB.
    pub colour: [u8; 3],
}

/// A scene of a track, as a `.glb` file.
#[must_use]
pub fn scene(study: &str, track: &Track, spans: &[PhaseSpan], layout: &Layout, torso: &Torso) -> Vec<u8> {
    let mut scene = Scene::default();
    scene.path(track, spans);
    scene.sites(layout);
    scene.torso(torso);
    scene.finish(study)
}

/// A scene in the making: its binary data, and the lists of its description.
#[derive(Default)]
struct Scene {
    bytes: Vec<u8>,
    views: Vec<Value>,
    accessors: Vec<Value>,
    materials: Vec<Value>,
    meshes: Vec<Value>,
    nodes: Vec<Value>,
}

const POINTS: u32 = 0;
const LINE_LOOP: u32 = 2;
const LINE_STRIP: u32 = 3;

impl Scene {
    fn path(&mut self, track: &Track, spans: &[PhaseSpan]) {
        let mut primitives = Vec::new();
        for span in spans {
            let within = |point: &&TrackPoint| (span.start_s..=span.end_s).contains(&point.time_s);
            let points: Vec<&TrackPoint> = track.points.iter().filter(within).collect();
            let lines = points.chunk_by(|one, other| other.time_s - one.time_s <= GAP_S);
            let lines: Vec<&[&TrackPoint]> = lines.filter(|line| line.len() >= 2).collect();
            if lines.is_empty() {
                continue;
            }
            let material = self.material(span.phase.as_str(), span.colour);
            for line in lines {
                let places = line.iter().map(|point| point.position_mm.into()).collect::<Vec<_>>();
                let times = line.iter().map(|point| point.time_s);
                let radii = line
                    .iter()
                    .map(|point| RADIUS90 * (point.covariance_mm2.trace() / 3.0).max(0.0).sqrt());
                let attributes = json!({
                    "POSITION": self.places(&places),
                    "_TIME_S": self.scalars(times),
                    "_RADIUS90_MM": self.scalars(radii),
                });
                primitives.push(json!({ "attributes": attributes, "mode": LINE_STRIP, "material": material }));
            }
        }
        self.add("path", primitives);
    }

    fn sites(&mut self, layout: &Layout) {
        let material = self.material("sites", [0x1F, 0x3B, 0x57]);
        for site in layout.sites() {
            let position = self.places(&[site.position_mm.into()]);
            let primitive = json!({ "attributes": { "POSITION": position }, "mode": POINTS, "material": material });
            self.add(&format!("site {}", site.name), vec![primitive]);
        }
    }

    /// Rings round the elliptical cylinder, every 50 mm from the groin to the ribs.
    fn torso(&mut self, torso: &Torso) {
        const CORNERS: u32 = 72;
        let material = self.material("torso", [0xB9, 0xC0, 0xCB]);
        let (half_breadth, half_depth) = (0.5 * torso.breadth_mm(), 0.5 * torso.depth_mm());
        let mut primitives = Vec::new();
        for ring in -3..=5 {
            let corner = |k: u32| {
                let (sine, cosine) = (TAU * f64::from(k) / f64::from(CORNERS)).sin_cos();
                [half_breadth * sine, half_depth * (1.0 - cosine), 50.0 * f64::from(ring)]
            };
            let places: Vec<[f64; 3]> = (0..CORNERS).map(corner).collect();
            let position = self.places(&places);
            primitives.push(json!({ "attributes": { "POSITION": position }, "mode": LINE_LOOP, "material": material }));
        }
        self.add("torso", primitives);
    }

    fn add(&mut self, name: &str, primitives: Vec<Value>) {
        if primitives.is_empty() {
            return;
        }
        self.nodes.push(json!({ "name": name, "mesh": self.meshes.len() }));
        self.meshes.push(json!({ "name": name, "primitives": primitives }));
    }

    /// A material that shines in its colour, as lines have no surface to be lit.
    fn material(&mut self, name: &str, colour: [u8; 3]) -> usize {
        let [red, green, blue] = colour.map(linear);
        self.materials.push(json!({
            "name": name,
            "pbrMetallicRoughness": { "baseColorFactor": [red, green, blue, 1.0], "metallicFactor": 0.0 },
            "emissiveFactor": [red, green, blue],
        }));
        self.materials.len() - 1
    }

    /// Places in the body, mm, as an accessor of places in the scene.
    fn places(&mut self, places: &[[f64; 3]]) -> usize {
        let moved: Vec<[f32; 3]> = places
            .iter()
            .map(|&[x, y, z]| [x, z, -y].map(|coordinate| single(coordinate / 1000.0)))
            .collect();
        let bound = |least: bool, axis: usize| {
            let coordinates = moved.iter().map(|place| place[axis]);
            f64::from(coordinates.fold(
                f32::NAN,
                |bound, next| if least { bound.min(next) } else { bound.max(next) },
            ))
        };
        let [least, greatest] = [true, false].map(|least| [0, 1, 2].map(|axis| bound(least, axis)));
        let view = self.view(moved.iter().flatten().copied());
        self.accessors.push(json!({
            "bufferView": view, "componentType": 5126, "count": moved.len(), "type": "VEC3",
            "min": least, "max": greatest,
        }));
        self.accessors.len() - 1
    }

    fn scalars(&mut self, values: impl Iterator<Item = f64>) -> usize {
        let values: Vec<f32> = values.map(single).collect();
        let view = self.view(values.iter().copied());
        self.accessors.push(json!({
            "bufferView": view, "componentType": 5126, "count": values.len(), "type": "SCALAR",
        }));
        self.accessors.len() - 1
    }

    fn view(&mut self, values: impl Iterator<Item = f32>) -> usize {
        let offset = self.bytes.len();
        self.bytes.extend(values.flat_map(f32::to_le_bytes));
        self.views.push(json!({
            "buffer": 0, "byteOffset": offset, "byteLength": self.bytes.len() - offset, "target": 34962,
        }));
        self.views.len() - 1
    }

    fn finish(self, study: &str) -> Vec<u8> {
        let nodes: Vec<usize> = (0..self.nodes.len()).collect();
        let description = json!({
            "asset": { "version": "2.0", "generator": concat!("alvine ", env!("CARGO_PKG_VERSION")) },
            "scene": 0,
            "scenes": [{ "name": study, "nodes": nodes }],
            "nodes": self.nodes,
            "meshes": self.meshes,
            "materials": self.materials,
            "accessors": self.accessors,
            "bufferViews": self.views,
            "buffers": [{ "byteLength": self.bytes.len() }],
        });
        let mut json = description.to_string().into_bytes();
        json.resize(json.len().next_multiple_of(4), b' ');
        let mut file = Vec::with_capacity(28 + json.len() + self.bytes.len());
        let word =
            |file: &mut Vec<u8>, value: usize| file.extend(u32::try_from(value).unwrap_or(u32::MAX).to_le_bytes());
        file.extend(b"glTF");
        word(&mut file, 2);
        word(&mut file, 28 + json.len() + self.bytes.len());
        word(&mut file, json.len());
        file.extend(b"JSON");
        file.extend(json);
        word(&mut file, self.bytes.len());
        file.extend(b"BIN\0");
        file.extend(self.bytes);
        file
    }
}

#[expect(clippy::cast_possible_truncation, reason = "glTF holds single precision")]
fn single(value: f64) -> f32 {
    value as f32
}

/// A channel of sRGB as linear light, 0 to 1 (IEC 61966-2-1), to four decimals.
fn linear(channel: u8) -> f64 {
    let share = f64::from(channel) / 255.0;
    let linear = if share <= 0.040_45 {
        share / 12.92
    } else {
        ((share + 0.055) / 1.055).powf(2.4)
    };
    (linear * 1e4).round() / 1e4
}

#[cfg(test)]
mod tests {
    use super::*;
    use alvine::{Flags, Position};
    use nalgebra::Matrix3;

    fn track() -> Track {
        let point = |k: usize, time_s: f64| TrackPoint {
            instant: k,
            time_s,
            position_mm: Position::new(10.0 * k as f64, 80.0, -20.0),
            covariance_mm2: Matrix3::identity() * 100.0,
            sites_used: 8,
            flags: Flags::NONE,
        };
        let times = [0.0, 10.0, 20.0, 500.0, 510.0, 700.0];
        Track {
            points: times.iter().enumerate().map(|(k, &time_s)| point(k, time_s)).collect(),
        }
    }

    fn parts(file: &[u8]) -> (Value, Vec<u8>) {
        let word = |at: usize| u32::from_le_bytes(file[at..at + 4].try_into().unwrap()) as usize;
        assert_eq!((&file[..4], word(4), word(8)), (&b"glTF"[..], 2, file.len()));
        let json = word(12);
        assert_eq!(
            (&file[16..20], &file[24 + json..28 + json]),
            (&b"JSON"[..], &b"BIN\0"[..])
        );
        (
            serde_json::from_slice(&file[20..20 + json]).unwrap(),
            file[28 + json..].to_vec(),
        )
    }

    #[test]
    fn the_path_is_cut_at_gaps_and_stands_upright_facing_forward() {
        let torso = Torso::new(330.0, 230.0).unwrap();
        let layout = Layout::default_eight(&torso);
        let span = PhaseSpan {
            phase: Phase::Stomach,
            start_s: 0.0,
            end_s: 800.0,
            colour: [0, 255, 128],
        };
        let (scene, bytes) = parts(&scene("one", &track(), &[span], &layout, &torso));
        // Three points, two points; the last one stands alone and is no line.
        let lines = scene["meshes"][0]["primitives"].as_array().unwrap();
        let counts: Vec<u64> = lines
            .iter()
            .map(|line| {
                scene["accessors"][line["attributes"]["POSITION"].as_u64().unwrap() as usize]["count"]
                    .as_u64()
                    .unwrap()
            })
            .collect();
        assert_eq!(counts, [3, 2]);
        let second: Vec<f32> = bytes[12..24]
            .chunks(4)
            .map(|b| f32::from_le_bytes(b.try_into().unwrap()))
            .collect();
        assert_eq!(second, [0.01, -0.02, -0.08]);
        assert_eq!(scene["nodes"].as_array().unwrap().len(), 1 + 8 + 1);
        assert_eq!(
            scene["buffers"][0]["byteLength"].as_u64().unwrap() as usize,
            bytes.len()
        );
    }

    #[test]
    fn colours_are_linear_light() {
        assert_eq!((linear(0), linear(255)), (0.0, 1.0));
        // Half-way in sRGB is about 21.4 % of the light.
        assert!((linear(127) - 0.2122).abs() < 1e-4);
    }
}
