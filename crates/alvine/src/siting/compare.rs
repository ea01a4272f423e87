//! Layouts side by side: one layout on several torsos, whole and with each site lost.

use super::bodies::refit;
use super::survey::{RegionSummary, SurveyOptions, survey};
use super::volume::{Volume, VolumeError};
use crate::layout::{Layout, LayoutError};
use crate::setup::Setup;
use crate::torso::Torso;

/// A layout that has lost a site.
#[derive(Debug, Clone, PartialEq)]
pub struct LostSite {
    /// The name of the site that was lost.
    pub name: String,
    /// What is left over the gut, or why the rest is no layout.
    pub left: Result<RegionSummary, LayoutError>,
}

/// One layout on one torso.
#[derive(Debug, Clone, PartialEq)]
pub struct Compared {
    /// The setup as worn on that torso.
    pub setup: Setup,
    /// The gut with all sites.
    pub whole: RegionSummary,
    /// The gut with each site lost, in the order of the sites.
    pub lost: Vec<LostSite>,
}

impl Compared {
    /// The site whose loss is felt most, by the mean error over the gut; a loss that leaves no layout comes first.
    #[must_use]
    pub fn worst_loss(&self) -> Option<&LostSite> {
        let felt = |lost: &LostSite| lost.left.as_ref().map_or(f64::INFINITY, |left| left.mean_mm);
        self.lost.iter().max_by(|one, other| felt(one).total_cmp(&felt(other)))
    }

    /// Mean over the losses of the mean error over the gut, mm; infinite where one of them leaves no layout.
    #[must_use]
    pub fn mean_loss_mm(&self) -> f64 {
        super::survey::mean(
            self.lost
                .iter()
                .map(|lost| lost.left.as_ref().map_or(f64::INFINITY, |left| left.mean_mm)),
        )
    }
}

/// Surveys a setup's layout as it is worn on another torso, whole and with each site lost.
///
/// # Errors
///
/// [`CompareError`] when the layout cannot be worn there, or the spacing does not do.
pub fn compare(
    setup: &Setup,
    torso: &Torso,
    spacing_mm: f64,
    options: &SurveyOptions,
) -> Result<Compared, CompareError> {
    let worn = Setup {
        torso: *torso,
        room: None,
        layout: refit(&setup.layout, &setup.torso, torso)?,
        ..setup.clone()
    };
    let volume = Volume::new(*torso, spacing_mm)?;
    let whole = survey(&worn, volume.clone(), options).gut();
    let lost = (0..worn.layout.len())
        .map(|index| LostSite {
            name: worn.layout.sites()[index].name.clone(),
            left: without(&worn, index).map(|left| survey(&left, volume.clone(), options).gut()),
        })
        .collect();
    Ok(Compared {
        setup: worn,
        whole,
        lost,
    })
}

/// The setup without one site.
fn without(setup: &Setup, index: usize) -> Result<Setup, LayoutError> {
    let mut sites = setup.layout.sites().to_vec();
    sites.remove(index);
    Ok(Setup {
        layout: Layout::new(sites)?,
        ..setup.clone()
    })
}

/// Why layouts cannot be compared.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum CompareError {
    /// The layout cannot be worn on that torso.
    #[error(transparent)]
    Layout(#[from] LayoutError),
    /// The spacing does not do.
    #[error(transparent)]
    Volume(#[from] VolumeError),
}

#[cfg(test)]
mod tests {
    use super::super::bodies::BodySize;
    use super::super::information::tests::default_setup;
    use super::*;

    #[test]
    fn no_loss_helps_and_symmetric_losses_cost_the_same() {
        let setup = default_setup();
        let compared = compare(&setup, &setup.torso, 15.0, &SurveyOptions::default()).unwrap();
        assert_eq!(compared.lost.len(), 8);
        for lost in &compared.lost {
            assert!(
                lost.left.as_ref().unwrap().mean_mm > compared.whole.mean_mm,
                "{}",
                lost.name
            );
        }
        assert!(compared.mean_loss_mm() > compared.whole.mean_mm);
        let worst = compared.worst_loss().unwrap().left.as_ref().unwrap().mean_mm;
        assert!(worst >= compared.mean_loss_mm());
    }

    #[test]
    fn larger_torsos_are_harder() {
        let setup = default_setup();
        let means = BodySize::ALL.map(|size| {
            let torso = size.torso().unwrap();
            compare(&setup, &torso, 15.0, &SurveyOptions::default())
                .unwrap()
                .whole
                .mean_mm
        });
        assert!(means.is_sorted(), "{means:?}");
    }

    #[test]
    fn four_sites_survive_no_loss() {
        let mut setup = default_setup();
        let sites = setup.layout.sites();
        let four = [0, 2, 4, 6].map(|index| sites[index].clone()).to_vec();
        setup.layout = Layout::new(four).unwrap();
        let compared = compare(&setup, &setup.torso, 20.0, &SurveyOptions::default()).unwrap();
        assert!(compared.lost.iter().all(|lost| lost.left.is_err()));
        assert!(compared.mean_loss_mm().is_infinite());
    }
}
