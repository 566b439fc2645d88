//! What stands around a stage that is tried: invented rigs and references, the files of its examples, an invented geoid and
//! marks of control.

use super::tables::{DATUM, ON_GRID, PLACE, point};
use pipeline_base::document as parse;
use pipeline_base::place::Locality;
use pipeline_base::problem::Problem;
use pipeline_base::reference::Reference;
use pipeline_base::rig::Rig;
use pipeline_base::table::Table;
use pipeline_core::plan::files::JobFiles;
use pipeline_core::stage::{BindCx, DynBound, Files, StageKind};
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
";

/// The end of both rigs.
const RECEIVER: &str = "
gnss:
  assumed_sigma_horizontal_m: 0.02
  assumed_sigma_up_m: 0.035
  correlation_time_s: 100
calibration:
  date: 2026-03-01
  expires: 2026-09-01
  by: made up
";

/// A pole that is held upright by a bubble.
const UPRIGHT: &str = "
rig: 1
name: made up, upright
receiver_output: antenna-reference-point
pole:
  reference_point_to_tip: { x_m: 0.0, y_m: 0.0, z_m: 2.0, sigma_m: 0.001 }
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

/// A delivery on a grid, with heights by a geoid.
const ON_A_GRID: &str = "
reference: 1
name: made up, on a grid
corrections:
  frame: EPSG:9989
  epoch: observation
  stated_by: made up
delivery:
  crs: EPSG:6345
  heights:
    surface: vertical-datum
    datum: made up
    unit: m
    geoid: { grid: geoid.gtx, model: made up, version: \"1\", frame: EPSG:6319, sigma_m: 0.01 }
budget:
  operation_m: 0.1
  horizontal_95_m: 5
  vertical_95_m: 5
";

/// Files that are there for every stage.
const GEOID: &str = "geoid.gtx";
const CONTROL: &str = "control.csv";

/// A geoid around the place as a GTX file: south, west, steps (big-endian doubles, degrees), rows and columns (whole numbers), and from
/// south to north the separations (single precision, m).
fn geoid() -> Vec<u8> {
    const SIDE: u32 = 9;
    const STEP: f64 = 0.05;
    let half = f64::from(SIDE / 2) * STEP;
    let mut bytes = vec![];
    [PLACE.0 - half, PLACE.1 - half, STEP, STEP].iter().for_each(|v| bytes.extend(v.to_be_bytes()));
    [SIDE, SIDE].iter().for_each(|n| bytes.extend(n.to_be_bytes()));
    for k in 0..SIDE * SIDE {
        let separation = PLACE.2 - ON_GRID.2 + 0.02 * (f64::from(k / SIDE) - f64::from(k % SIDE));
        bytes.extend((separation as f32).to_be_bytes());
    }
    bytes
}

/// Marks of control: the first points of the made-up tables.
fn control() -> String {
    let mut text = "point,easting_m,northing_m,height_m,crs,height_datum,sigma_horizontal_m,sigma_up_m,source,date\n".to_owned();
    for name in (0..4).map(point) {
        let (east, north, up) = ON_GRID;
        text.push_str(&format!("{name},{east},{north},{up},EPSG:6345,{DATUM},0.01,0.01,made up,2026-02-11\n"));
    }
    text
}

fn made_up<T: DeserializeOwned>(text: &str) -> Option<T> {
    serde_json::from_value(parse::read("made up", text.as_bytes()).ok()?.value).ok()
}

fn rig(sensors: &str) -> Option<Rig> {
    made_up(&format!("{sensors}{RECEIVER}"))
}

/// Files that the description brings come first, then those of a folder, then those that are there for every stage.
struct TrialFiles([JobFiles; 3]);

impl Files for TrialFiles {
    fn find(&self, pattern: &str) -> Result<Vec<(String, PathBuf)>, Problem> {
        let [own, beside, made_up] = &self.0;
        own.find(pattern).or_else(|_| beside.find(pattern)).or_else(|_| made_up.find(pattern))
    }

    fn resolve(&self, name: &str) -> PathBuf {
        let [own, beside, made_up] = &self.0;
        [own, beside, made_up].iter().map(|f| f.resolve(name)).find(|p| p.exists()).unwrap_or_else(|| beside.resolve(name))
    }

    fn results(&self) -> PathBuf {
        self.0[0].results()
    }
}

/// What a job would name beside its steps.
pub(super) struct TrialJob {
    /// In words, to stand behind the name of a table.
    pub(super) words: &'static str,
    rig: Option<Rig>,
    reference: Option<Reference>,
}

impl TrialJob {
    /// Whether deliveries are on a grid.
    pub(super) fn on_a_grid(&self) -> bool {
        self.reference.as_ref().is_some_and(|r| r.delivery.heights.geoid.is_some())
    }
}

/// One surrounding.
pub(super) struct TrialSettings {
    /// What stages are tried in, in this order.
    pub(super) arounds: Vec<TrialJob>,
    files: TrialFiles,
    /// What deliveries of a stage may be written to.
    pub(super) folder: tempfile::TempDir,
}

impl TrialSettings {
    /// The made-up surroundings of a stage, with the files of its examples; others are looked for below `beside`.
    ///
    /// # Errors
    /// When the files cannot be written.
    pub(super) fn new(own: &[(String, String)], beside: &Path) -> std::io::Result<Self> {
        let folder = tempfile::tempdir()?;
        let write = |below: &str, name: &str, bytes: &[u8]| {
            let path = folder.path().join(below).join(name);
            path.parent().map_or(Ok(()), std::fs::create_dir_all)?;
            std::fs::write(path, bytes)
        };
        own.iter().try_for_each(|(name, text)| write("files", name, text.as_bytes()))?;
        write("made-up", GEOID, &geoid())?;
        write("made-up", CONTROL, control().as_bytes())?;
        let results = folder.path().to_owned();
        let files = [folder.path().join("files"), beside.to_owned(), folder.path().join("made-up")]
            .map(|folder| JobFiles { folder, results: results.clone() });
        let on_a_grid = made_up::<Reference>(ON_A_GRID).map(|mut reference| {
            if let Some(geoid) = &mut reference.delivery.heights.geoid {
                geoid.grid = folder.path().join("made-up").join(GEOID).to_string_lossy().into_owned();
            }
            reference
        });
        let around = |words, rig, reference| TrialJob { words, rig, reference };
        let arounds = vec![
            around("", rig(RIG), made_up(REFERENCE)),
            around(", delivered on a grid with a geoid", rig(RIG), on_a_grid),
            around(", with an upright pole", rig(UPRIGHT), made_up(REFERENCE)),
            around(", without rig and reference", None, None),
        ];
        Ok(Self { arounds, files: TrialFiles(files), folder })
    }

    /// Binds a stage in it.
    pub(super) fn bind(
        &self,
        kind: &dyn StageKind,
        options: &Value,
        tables: &[Table],
        around: &TrialJob,
    ) -> Result<DynBound, Vec<Problem>> {
        let inputs: Vec<_> = tables.iter().map(|t| (*t.schema).clone()).collect();
        let place = Locality {
            latitude_deg: PLACE.0,
            longitude_deg: PLACE.1,
            height_m: Some(PLACE.2),
            receiver_separation_m: None,
            decimal_year: Some(2026.2),
        };
        kind.bind(
            options.clone(),
            &BindCx {
                inputs: &inputs,
                rig: around.rig.as_ref(),
                reference: around.reference.as_ref(),
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
    fn the_made_up_rigs_and_references_can_be_read() {
        let world = TrialSettings::new(&[], Path::new("")).unwrap();
        let [full, grid, upright, bare] = world.arounds.as_slice() else { panic!("four surroundings") };
        assert!(full.rig.as_ref().is_some_and(|r| r.name == "made up") && full.reference.is_some());
        assert!(grid.reference.as_ref().is_some_and(|r| r.delivery.heights.geoid.is_some()));
        assert!(upright.rig.is_some() && upright.reference.is_some() && bare.rig.is_none() && bare.reference.is_none());
        assert!(world.files.find("control.csv").is_ok() && world.files.resolve("geoid.gtx").exists());
    }
}
