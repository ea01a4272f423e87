//! Recordings, answers and paths in open standards, for programs that know nothing of alvine.
//!
//! - [`edf`]: a recording as EDF+, in and out;
//! - [`fhir`]: the answers of a study as a FHIR R4 bundle;
//! - [`gltf`]: the path among the sites as a glTF 2.0 scene.
//!
//! All of them turn values in memory into text or bytes and back; nothing here opens a file.

#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used))]

pub mod edf;
pub mod fhir;
pub mod gltf;
