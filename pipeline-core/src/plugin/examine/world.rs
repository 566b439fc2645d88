//! What stands around a stage that is tried: an invented rig, an invented reference, and the files of its examples.

use crate::job::parse;
use crate::plan::files::JobFiles;
use crate::reference::Reference;
use crate::rig::Rig;
use crate::stage::{BindCx, DynBound, Files, Locality, Problem, StageKind};
use crate::table::Table;
use serde::de::DeserializeOwned;
use serde_json::Value;
use std::path::{Path, PathBuf};

const RIG: &str = "
rig: 1
name: made up
receiver_output: antenna-reference-point
pole:
  reference_point_to_tip: { x_m: 0.0, y_m: 0.0, z_m: 2.0, sigma_m: 0.001 }
laser:
  reference_point_to_laser: { x_m: 0.05, y_m: -0.02, z_m: 0.7, sigma_m: 0.001 }
  beam_azimuth_deg: 0.5
  beam_elevation_deg: -45
  beam_sigma_deg: 0.1
  zero_m: 0.01
  zero_sigma_m: 0.001
  scale: 1.0
  scale_sigma_ppm: 50
  range_sigma_m: 0.002
  shortest_m: 0.02
  longest_m: 12.0
sensors:
  heading: { sentence: HDT }
  pitch: { sentence: XDR, transducer: PTCH }
  roll: { sentence: XDR, transducer: ROLL }
  range: { sentence: XDR, transducer: RANG }
attitude:
  north: \"true\"
  heading_sigma_deg: 0.3
  tilt_sigma_deg: 0.1
  heading_bias_sigma_deg: 0.4
  heading_drift_deg_per_min: 0.2
  tilt_bias_sigma_deg: 0.1
gnss:
  assumed_sigma_horizontal_m: 0.02
  assumed_sigma_up_m: 0.035
  correlation_time_s: 100
calibration:
  date: 2026-03-01
  expires: 2026-09-01
  by: made up
";

const REFERENCE: &str = "
reference: 1
name: made up
corrections:
  frame: EPSG:9989
  epoch: observation
  stated_by: made up
delivery:
  crs: EPSG:9989
  heights: { surface: ellipsoid, unit: m }
budget:
  operation_m: 0.1
  horizontal_95_m: 5
  vertical_95_m: 5
";

fn made_up<T: DeserializeOwned>(text: &str) -> Option<T> {
    serde_json::from_value(parse::read("made up", text.as_bytes()).ok()?.value).ok()
}

/// Files that the description brings come first, then those of a folder.
struct Side {
    own: JobFiles,
    beside: JobFiles,
}

impl Files for Side {
    fn find(&self, pattern: &str) -> Result<Vec<(String, PathBuf)>, Problem> {
        self.own.find(pattern).or_else(|_| self.beside.find(pattern))
    }

    fn resolve(&self, name: &str) -> PathBuf {
        let own = self.own.resolve(name);
        if own.exists() { own } else { self.beside.resolve(name) }
    }

    fn results(&self) -> PathBuf {
        self.own.results()
    }
}

/// One surrounding.
pub(super) struct World {
    rig: Option<Rig>,
    reference: Option<Reference>,
    files: Side,
    /// What deliveries of a stage may be written to.
    pub(super) folder: tempfile::TempDir,
}

impl World {
    /// The made-up surrounding of a stage, with the files of its examples; others are looked for below `beside`.
    ///
    /// # Errors
    /// When the files cannot be written.
    pub(super) fn new(kind: &dyn StageKind, beside: &Path) -> std::io::Result<Self> {
        let folder = tempfile::tempdir()?;
        for (name, text) in kind.example_files() {
            let path = folder.path().join("files").join(name);
            if let Some(parent) = path.parent() {
                std::fs::create_dir_all(parent)?;
            }
            std::fs::write(path, text)?;
        }
        let results = folder.path().to_owned();
        let own = JobFiles { folder: folder.path().join("files"), results: results.clone() };
        let files = Side { own, beside: JobFiles { folder: beside.to_owned(), results } };
        Ok(Self { rig: made_up(RIG), reference: made_up(REFERENCE), files, folder })
    }

    /// Binds a stage in it; `bare`: without rig and reference, as in a job that names none.
    pub(super) fn bind(&self, kind: &dyn StageKind, options: &Value, tables: &[Table], bare: bool) -> Result<DynBound, Vec<Problem>> {
        let inputs: Vec<_> = tables.iter().map(|t| (*t.schema).clone()).collect();
        let place = Locality {
            latitude_deg: super::tables::PLACE.0,
            longitude_deg: super::tables::PLACE.1,
            height_m: Some(super::tables::PLACE.2),
            receiver_separation_m: None,
            decimal_year: Some(2026.2),
        };
        kind.bind(
            options.clone(),
            &BindCx {
                inputs: &inputs,
                rig: self.rig.as_ref().filter(|_| !bare),
                reference: self.reference.as_ref().filter(|_| !bare),
                locality: Some(place),
                files: &self.files,
                locked: None,
            },
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_made_up_rig_and_reference_can_be_read() {
        assert_eq!(made_up::<Rig>(RIG).unwrap().name, "made up");
        assert_eq!(made_up::<Reference>(REFERENCE).unwrap().name, "made up");
    }
}
