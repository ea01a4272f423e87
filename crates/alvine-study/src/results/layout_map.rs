//! `map.h5` and `map.csv`: what a layout can do at every place of the abdomen.
//!
//! The HDF5 file meets the CF conventions: every variable lies in the root group over the dimensions `z_mm`, `y_mm` and
//! `x_mm`, each with the coordinate variable of its name, and has no value outside the body or where the readings do not
//! determine a place. The CSV file has one row for each place inside the body, and an empty cell for no value.
//!
//! Rivals are looked for on a coarser lattice: each place has those of the nearest place of that lattice.

use std::fs;
use std::io::{self, BufWriter, Write};
use std::path::Path;

use alvine::Setup;
use alvine::siting::{OrganSet, Outlook, RivalMap, Rivals, Survey};

use crate::fault::StudyError;
use crate::hdf5_io::Sink;

const TEMPLATE: &[u8] = include_bytes!("../../templates/map.h5");

/// A value of one place.
type Value = fn(&Outlook, Option<&Rivals>) -> f32;

/// The columns that are numbers, in the order of the files.
const VALUES: [(&str, Value); 10] = [
    ("rmse_mm", |outlook, _| outlook.rmse_mm),
    ("rmse_level_known_mm", |outlook, _| outlook.rmse_level_known_mm),
    ("rmse_level_unknown_mm", |outlook, _| outlook.rmse_level_unknown_mm),
    ("rmse_in_torso_mm", |outlook, _| outlook.rmse_in_torso_mm),
    ("dilution", |outlook, _| outlook.dilution),
    ("sites_above_floor", |outlook, _| f32::from(outlook.sites_above_floor)),
    ("sites_expected", |outlook, _| outlook.sites_expected),
    ("four_heard", |outlook, _| outlook.four_heard),
    ("rival_mistaken", |_, rivals| {
        mistaken(rivals.and_then(|rivals| rivals.rival))
    }),
    ("mirror_mistaken", |_, rivals| {
        mistaken(rivals.and_then(|rivals| rivals.mirror))
    }),
];

fn mistaken(rival: Option<alvine::siting::Rival>) -> f32 {
    rival.map_or(f32::NAN, |rival| rival.mistaken() as f32)
}

/// The maps of one layout.
#[derive(Debug, Clone, Copy)]
pub struct LayoutMap<'a> {
    /// The layout and all about it.
    pub setup: &'a Setup,
    /// The survey of the abdomen.
    pub survey: &'a Survey,
    /// The rivals.
    pub rivals: &'a RivalMap,
}

impl LayoutMap<'_> {
    /// Calls `visit` with each place, its outlook, rivals and organs, in order.
    fn for_each(
        &self,
        mut visit: impl FnMut(&alvine::Position, &Outlook, Option<&Rivals>, OrganSet) -> io::Result<()>,
    ) -> io::Result<()> {
        let survey = self.survey;
        for (index, place_mm) in survey.volume.places_mm().enumerate() {
            let nearest = self.rivals.volume.nearest(&place_mm);
            let rivals = nearest.and_then(|nearest| self.rivals.rivals.get(nearest));
            visit(&place_mm, &survey.outlooks[index], rivals, survey.organs[index])?;
        }
        Ok(())
    }
}

/// A number that is none or infinite is no value.
fn known(value: f32) -> f32 {
    if value.is_finite() { value } else { f32::NAN }
}

/// Writes the maps as CF data over x, y and z.
///
/// The file is written in place: give a path from [`crate::Staging::path`] to have it whole or not at all.
///
/// # Errors
///
/// When the file cannot be written.
pub fn write_layout_map_hdf5(map: &LayoutMap<'_>, to: &Path) -> Result<(), StudyError> {
    let sink = Sink::create(to, TEMPLATE)?;
    let volume = &map.survey.volume;
    for (axis, path) in ["/x_mm", "/y_mm", "/z_mm"].into_iter().enumerate() {
        sink.fill(path, &volume.coordinates_mm(axis))?;
    }
    let [nx, ny, nz] = volume.counts();
    let shape = [nz, ny, nx];
    let nearest: Vec<Option<usize>> = volume
        .places_mm()
        .map(|place| map.rivals.volume.nearest(&place))
        .collect();
    for (name, value) in VALUES {
        let values = map.survey.outlooks.iter().zip(&nearest).map(|(outlook, nearest)| {
            let rivals = nearest.and_then(|nearest| map.rivals.rivals.get(nearest));
            known(value(outlook, rivals))
        });
        sink.fill_volume(&format!("/{name}"), shape, &volume.spread_out(values, f32::NAN))?;
    }
    let organs = map.survey.organs.iter().map(|organs| organs.bits());
    sink.fill_volume("/organs", shape, &volume.spread_out(organs, 0))?;
    let sites = map.setup.layout.sites();
    sink.fill_texts("/site_name", sites.iter().map(|site| site.name.as_str()))?;
    for (axis, path) in ["/site_x_mm", "/site_y_mm", "/site_z_mm"].into_iter().enumerate() {
        let coordinates: Vec<f64> = sites.iter().map(|site| site.position_mm[axis]).collect();
        sink.fill(path, &coordinates)?;
    }
    let numbers: Vec<i32> = (1..).take(sites.len()).collect();
    sink.fill("/site", &numbers)?;
    sink.number("/", "torso_breadth_mm", map.setup.torso.breadth_mm())?;
    sink.number("/", "torso_depth_mm", map.setup.torso.depth_mm())?;
    sink.finish()
}

/// Writes the maps as CSV, one row a place inside the body.
///
/// The file is written in place: give a path from [`crate::Staging::path`] to have it whole or not at all.
///
/// # Errors
///
/// When the file cannot be written.
pub fn write_layout_map_csv(map: &LayoutMap<'_>, to: &Path) -> Result<(), StudyError> {
    let failed = |error| StudyError::io(to, "written", error);
    let mut out = BufWriter::with_capacity(1 << 16, fs::File::create(to).map_err(failed)?);
    stream(map, &mut out).and_then(|()| out.flush()).map_err(failed)
}

fn stream(map: &LayoutMap<'_>, out: &mut dyn Write) -> io::Result<()> {
    let names: Vec<&str> = VALUES.iter().map(|(name, _)| *name).collect();
    writeln!(out, "x_mm,y_mm,z_mm,{},organs", names.join(","))?;
    let regions = alvine::siting::OrganRegion::ALL;
    map.for_each(|place_mm, outlook, rivals, organs| {
        write!(out, "{},{},{}", place_mm.x, place_mm.y, place_mm.z)?;
        for (_, value) in VALUES {
            let value = known(value(outlook, rivals));
            if value.is_nan() {
                out.write_all(b",")?;
            } else {
                write!(out, ",{value:.4}")?;
            }
        }
        let names: Vec<&str> = regions
            .into_iter()
            .filter(|&region| organs.has(region))
            .map(|region| region.as_str())
            .collect();
        writeln!(out, ",{}", names.join(" "))
    })
}

#[cfg(test)]
mod tests {
    use alvine::Torso;
    use alvine::siting::{RivalOptions, SurveyOptions, Volume, rivals, survey};

    use super::*;
    use crate::hdf5_io::Source;
    use crate::layout_file::usual_setup;

    #[test]
    fn both_files_hold_every_place_as_it_was_surveyed() {
        let torso = Torso::new(300.0, 210.0).unwrap();
        let setup = usual_setup(&torso).unwrap();
        let survey = survey(&setup, Volume::new(torso, 20.0).unwrap(), &SurveyOptions::default());
        let rivals = rivals(&setup, &RivalOptions::default()).unwrap();
        let map = LayoutMap {
            setup: &setup,
            survey: &survey,
            rivals: &rivals,
        };
        let dir = tempfile::tempdir().unwrap();
        let (hdf5, csv) = (dir.path().join("map.h5"), dir.path().join("map.csv"));
        write_layout_map_hdf5(&map, &hdf5).unwrap();
        write_layout_map_csv(&map, &csv).unwrap();

        let source = Source::open(&hdf5).unwrap();
        let [nx, ny, nz] = survey.volume.counts();
        let (errors, shape) = source
            .numbers::<f32, 3>("/rmse_mm", "a number a cell", |_| Ok(()))
            .unwrap();
        assert_eq!(shape, [nz, ny, nx]);
        let (organs, _) = source
            .numbers::<u8, 3>("/organs", "a number a cell", |_| Ok(()))
            .unwrap();
        let (z_mm, _) = source
            .numbers::<f64, 1>("/z_mm", "a number a layer", |_| Ok(()))
            .unwrap();
        assert_eq!(z_mm, survey.volume.coordinates_mm(2));
        for (index, outlook) in survey.outlooks.iter().enumerate() {
            let cell = survey.volume.cell(index);
            assert_eq!(errors[cell], outlook.rmse_mm);
            assert_eq!(organs[cell], survey.organs[index].bits());
        }
        assert_eq!(
            errors.iter().filter(|error| !error.is_nan()).count(),
            survey.volume.len()
        );

        let text = std::fs::read_to_string(&csv).unwrap();
        let mut lines = text.lines();
        assert_eq!(lines.next().map(|header| header.split(',').count()), Some(14));
        for (line, (place, outlook)) in lines.zip(survey.volume.places_mm().zip(&survey.outlooks)) {
            let cells: Vec<&str> = line.split(',').collect();
            let number = |column: usize| cells[column].parse::<f64>().unwrap();
            assert_eq!([number(0), number(1), number(2)], [place.x, place.y, place.z]);
            assert!((number(3) - f64::from(outlook.rmse_mm)).abs() <= 5.1e-5);
        }
        assert_eq!(text.lines().count(), survey.volume.len() + 1);
    }
}
