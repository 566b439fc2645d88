//! Which frame the measured numbers are in, and which geoid the receiver's separations are from.

use super::stations::{Position, Station};
use crate::archive::delivered::{Delivered, Point};
use pipeline_base::diag::Diagnostic;
use pipeline_base::place::Locality;
use pipeline_base::problem::Problem;
use pipeline_base::reference::Reference;
use pipeline_base::table::schema::Epoch;
use serde::Serialize;
use std::collections::BTreeMap;
use std::collections::btree_map::Entry;
use std::path::{Path, PathBuf};
use survey_geodesy::crs::{Crs, define, open};
use survey_geodesy::frame_comparison::{FrameAnswer, FrameCandidate, FrameQuestion, Mark, Search, StatedFrame, accuse, lineup};
use survey_geodesy::grids::GeoidGrid;
use survey_geodesy::operation::Operation;
use survey_geodesy::operation::request::OperationRequest;
use survey_geodesy::plane;
use survey_geodesy::plane::{Pair, Site};
use survey_geodesy::proj_context::{ObjectKind, OpenObjects};
use survey_geodesy::projection::Projection;
use survey_geodesy::{grids, ground, store};

/// Positions that were measured, or set in the base, of marks with names.
#[derive(Clone, Debug, PartialEq)]
pub struct Measured {
    /// Name, latitude, longitude (deg), ellipsoidal height (m).
    pub marks: Vec<(String, f64, f64, Option<f64>)>,
    /// What they are said to be.
    pub stated: Option<StatedFrame>,
    /// Decimal year of the measurement.
    pub observed: Option<f64>,
}

/// The decimal year of an epoch, where each observation's own is that of the measurement.
fn year_of(epoch: Epoch, observed: Option<f64>) -> Option<f64> {
    match epoch {
        Epoch::Static => None,
        Epoch::Fixed(year) => Some(year),
        Epoch::EachObservation => observed,
    }
}

impl Measured {
    /// Points of a delivery. With the reference of its job they are taken back to the frame of the corrections by the
    /// operation of the job, so that the numbers of the stream itself are asked about; without, they are in the datum
    /// of the delivery.
    ///
    /// # Errors
    /// When the operation of the job cannot be made again here.
    pub fn of_delivery(delivered: &Delivered, reference: Option<&Reference>) -> Result<Self, Problem> {
        Self::of_points(&delivered.points, &delivered.frame, delivered.epoch, reference)
    }

    /// Points in a geographic 3D frame at an epoch; as [`Self::of_delivery`].
    ///
    /// # Errors
    /// When the operation of the job cannot be made again here.
    pub fn of_points(points: &[Point], frame: &str, epoch: Epoch, reference: Option<&Reference>) -> Result<Self, Problem> {
        let years: Vec<f64> = points.iter().filter_map(|p| p.year).collect();
        #[allow(clippy::cast_precision_loss)]
        let observed = (!years.is_empty()).then(|| years.iter().sum::<f64>() / years.len() as f64);
        let year = |epoch: Epoch| year_of(epoch, observed);
        let plain = Self {
            marks: points.iter().map(|p| (p.name.clone(), p.latitude_deg, p.longitude_deg, p.ellipsoidal_m)).collect(),
            stated: Some(StatedFrame { frame: frame.to_owned(), epoch: year(epoch) }),
            observed,
        };
        let (Some(reference), Some(first)) = (reference, points.first()) else { return Ok(plain) };
        let corrections = &reference.corrections;
        let from_epoch = corrections.epoch.map_or(Epoch::Static, Epoch::from);
        let folders = grids::folders(&reference.folder);
        let operation = Operation::choose(&OperationRequest {
            from: &corrections.frame,
            from_epoch,
            from_key: "corrections.frame",
            from_epoch_key: "corrections.epoch",
            to: frame,
            to_epoch: reference.delivery.epoch.map(Epoch::from),
            to_key: "delivery.crs",
            locality: Some(Locality {
                latitude_deg: first.latitude_deg,
                longitude_deg: first.longitude_deg,
                height_m: first.ellipsoidal_m,
                receiver_separation_m: None,
                decimal_year: observed,
            }),
            budget_m: f64::INFINITY,
            written: reference.operation.as_ref(),
            motion: reference.motion.as_ref(),
            folders: &folders,
            locked: None,
        })
        .map_err(|found| found.into_iter().next().unwrap_or_else(|| Problem::broken("an operation was refused without a reason")))?;
        let proj = operation.proj()?;
        let pinned = proj.create(&operation.pipeline).map_err(Problem::broken)?;
        let mut marks = vec![];
        for p in points {
            let at = match operation.time {
                Epoch::Static => f64::INFINITY,
                Epoch::Fixed(year) => year,
                Epoch::EachObservation => p.year.or(observed).unwrap_or(f64::INFINITY),
            };
            let back = pinned.carry_back([p.longitude_deg, p.latitude_deg, p.ellipsoidal_m.unwrap_or(0.0), at]).map_err(|why| {
                Problem::new("frame/operation-fails", format!("`{}` cannot be taken back to the frame of the corrections: {why}", p.name))
                    .fix("leave `--reference` out, so that the points are asked about in the datum of the delivery")
            })?;
            marks.push((p.name.clone(), back[1], back[0], p.ellipsoidal_m.map(|_| back[2])));
        }
        Ok(Self { marks, stated: Some(StatedFrame { frame: corrections.frame.clone(), epoch: year(from_epoch) }), observed })
    }

    /// The base station, by the numbers that were set in it. `declared` is the frame of the corrections.
    #[must_use]
    pub fn of_base(name: &str, position: (f64, f64, Option<f64>), declared: Option<&Reference>, observed: Option<f64>) -> Self {
        let stated = declared.map(|r| StatedFrame {
            frame: r.corrections.frame.clone(),
            epoch: year_of(r.corrections.epoch.map_or(Epoch::Static, Epoch::from), observed),
        });
        Self { marks: vec![(name.to_owned(), position.0, position.1, position.2)], stated, observed }
    }
}

/// What a list of published marks says about measured ones.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Frames {
    /// Marks in both lists.
    pub marks: Vec<String>,
    /// Frame and epoch of the list.
    pub published: String,
    /// Largest difference of a mark as stated, m.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub as_stated: Option<FrameCandidate>,
    /// Frames that fit, the best first.
    pub fitting: Vec<FrameCandidate>,
    /// Frames that were looked at.
    pub looked_at: usize,
    /// Findings.
    pub findings: Vec<Diagnostic>,
}

/// How marks are compared.
#[derive(Clone, Copy, Debug)]
pub struct How<'a> {
    /// Distance within which two positions of a mark agree, m.
    pub tolerance_m: f64,
    /// Folders of grids.
    pub folders: &'a [PathBuf],
    /// When frames are searched for.
    pub search: Search,
}

/// Compares marks with a list. Marks are joined by name; a base that is in the list under no name of its own is
/// joined with the nearest mark within 100 m.
///
/// # Errors
/// `frame/no-marks` when nothing can be joined, and what the detective says about what is stated.
pub fn compare(list: &[Station], measured: &Measured, how: &How) -> Result<Frames, Problem> {
    let (tolerance_m, folders) = (how.tolerance_m, how.folders);
    let grid = list.iter().all(|s| matches!(s.position, Position::Grid(..)));
    let mut systems = Systems::default();
    let joined = join(list, measured, &mut systems)?;
    if joined.is_empty() {
        let names = |v: Vec<String>| v.into_iter().take(6).collect::<Vec<_>>().join(", ");
        return Err(Problem::new("frame/no-marks", "no measured mark is in the list")
            .why(format!(
                "measured: {}; listed: {}",
                names(measured.marks.iter().map(|m| m.0.clone()).collect()),
                names(list.iter().map(|s| s.name.clone()).collect())
            ))
            .fix("use the same names in both"));
    }
    let system = &joined[0].0.system;
    let epoch = joined[0].0.epoch;
    if joined.iter().any(|(s, _)| s.system != *system || s.epoch != epoch) {
        return Err(Problem::new("frame/no-marks", "the marks of the list are in several frames or epochs")
            .why("residuals of one frame are asked for at a time")
            .fix("give one list for each frame and epoch"));
    }
    let mut findings = vec![];
    if grid {
        let (pairs, site) = pairs(&joined, system, measured, folders)?;
        let explanation = plane::explain(&pairs, tolerance_m);
        let found = plane::finding(&explanation, &pairs, site);
        if let Some(found) = found.or_else(|| plane::distances_off_by_a_factor(&plane::distances(&pairs), site, tolerance_m)) {
            // A list that is no grid of this system says nothing about frames.
            findings.push(found);
            return Ok(Frames {
                marks: joined.iter().map(|(s, _)| s.name.clone()).collect(),
                published: system.clone(),
                as_stated: None,
                fitting: vec![],
                looked_at: 0,
                findings,
            });
        }
    }
    let (marks, frame) = marks(&joined, system, &mut systems)?;
    let question = FrameQuestion {
        marks: &marks,
        published: StatedFrame { frame: frame.clone(), epoch },
        measured: measured.stated.clone(),
        observed: measured.observed,
        tolerance_m,
        folders,
    };
    let found: FrameAnswer = lineup(&question, how.search)?;
    let mut fitting: Vec<FrameCandidate> = found.fitting(tolerance_m).into_iter().cloned().collect();
    if let Some(accused) = accuse(&found, &question)
        // Where nothing is declared, a frame that fits is the answer and no fault.
        && (measured.stated.is_some() || accused.suspects.is_empty())
    {
        fitting = accused.suspects;
        findings.push(accused.finding);
    }
    Ok(Frames {
        marks: marks.into_iter().map(|m| m.name).collect(),
        published: format!("{frame}{}", epoch.map_or_else(String::new, |e| format!(" at {e:.2}"))),
        as_stated: measured.stated.is_some().then_some(found.as_stated).flatten(),
        fitting,
        looked_at: found.looked_at,
        findings,
    })
}

type Joined<'a> = Vec<(&'a Station, Place)>;

fn join<'a>(list: &'a [Station], measured: &Measured, systems: &mut Systems) -> Result<Joined<'a>, Problem> {
    let mut out = vec![];
    for (name, la, lo, h) in &measured.marks {
        if let Some(station) = list.iter().find(|s| s.name == *name) {
            out.push((station, (*la, *lo, *h)));
        }
    }
    if let ([(_, la, lo, h)], true) = (measured.marks.as_slice(), out.is_empty()) {
        let mut best: Option<(f64, &Station)> = None;
        for station in list {
            let (a, o, _) = systems.geographic(station)?.0;
            let away = survey_geodesy::geodesic::between((*la, *lo), (a, o), survey_geodesy::GRS80).length_m;
            if away < 100.0 && best.is_none_or(|(b, _)| away < b) {
                best = Some((away, station));
            }
        }
        out.extend(best.map(|(_, s)| (s, (*la, *lo, *h))));
    }
    Ok(out)
}

/// Latitude, longitude (deg) and ellipsoidal height (m).
type Place = (f64, f64, Option<f64>);

/// Systems of a list, each looked up once.
#[derive(Default)]
struct Systems(BTreeMap<String, System>);

struct System {
    crs: Crs,
    /// The way from a grid back to latitude and longitude, once it was needed.
    back: Option<OpenObjects<1>>,
}

impl Systems {
    /// Where a station is, and the geographic 3D frame that it is in.
    fn geographic(&mut self, station: &Station) -> Result<(Place, String), Problem> {
        let system = match self.0.entry(station.system.clone()) {
            Entry::Occupied(known) => known.into_mut(),
            Entry::Vacant(new) => new.insert(System { crs: Crs::look_up(&station.system)?, back: None }),
        };
        let System { crs, back } = system;
        let three = || crs.geographic_3d.clone().unwrap_or_else(|| station.system.clone());
        Ok(match station.position {
            Position::Geographic(la, lo, h) => ((la, lo, h), three()),
            Position::Geocentric(x, y, z) => {
                let (la, lo, h) = crs.ellipsoid.geodetic(x, y, z);
                ((la, lo, Some(h)), three())
            }
            Position::Grid(e, n) => {
                let unit = crs.horizontal_unit().map_or(1.0, survey_geodesy::crs::metres);
                let [back] = match back {
                    Some(back) => back,
                    None => back.insert(way_back(&station.system, crs)?),
                }
                .objects();
                let [lo, la, _] = back.carry([e / unit, n / unit, 0.0, f64::INFINITY]).map_err(|why| {
                    Problem::new("frame/operation-fails", format!("`{}` lies nowhere in {}: {why}", station.name, crs.title()))
                        .fix("check the coordinates, their unit and their order")
                })?;
                ((la, lo, None), three())
            }
        })
    }
}

/// From a grid to its own latitude and longitude.
fn way_back(system: &str, crs: &Crs) -> Result<OpenObjects<1>, Problem> {
    OpenObjects::new(open(&[])?, |proj| {
        let grid = define(proj, system)?;
        if grid.kind() != ObjectKind::Projected {
            return Err(Problem::new("frame/not-horizontal", format!("{} has no easting and northing", crs.title()))
                .fix("name the grid in column `crs`"));
        }
        let flat = grid.geodetic().and_then(|g| g.to_2d()).ok_or_else(|| Problem::broken("a grid without a geographic system"))?;
        let back = proj.operations(&grid, &flat, None, false).into_iter().next().and_then(|o| o.normalized());
        Ok([back.ok_or_else(|| Problem::broken("a grid without a way back"))?])
    })
}

fn marks(joined: &Joined, system: &str, systems: &mut Systems) -> Result<(Vec<Mark>, String), Problem> {
    let mut frame = system.to_owned();
    let mut out = vec![];
    for (station, measured) in joined {
        let (published, three) = systems.geographic(station)?;
        frame = three;
        out.push(Mark { name: station.name.clone(), published, measured: *measured });
    }
    Ok((out, frame))
}

/// Measured positions on the grid of the list, and the factors of the grid at the first of them. They are brought to the
/// datum of the grid from the frame that is stated for them, by the registry's best operation here; where there is
/// none they are taken as they are, since a shift of frames is no factor and no exchange.
fn pairs(joined: &Joined, system: &str, measured: &Measured, folders: &[PathBuf]) -> Result<(Vec<Pair>, Option<Site>), Problem> {
    let projection = Projection::plan(system)?;
    let open = projection.open()?;
    let unit = survey_geodesy::crs::metres(projection.unit);
    let place = joined.first().map(|(_, at)| *at);
    let operation =
        measured.stated.as_ref().zip(place).and_then(|(stated, at)| to_datum(stated, &projection.base, at, measured.observed, folders));
    let proj = operation.as_ref().map(Operation::proj).transpose()?;
    let to_datum = operation.as_ref().zip(proj.as_ref()).map(|(o, proj)| proj.create(&o.pipeline).map_err(Problem::broken)).transpose()?;
    let year = measured.stated.as_ref().and_then(|s| s.epoch).or(measured.observed).unwrap_or(f64::INFINITY);
    let (mut out, mut site) = (vec![], None);
    for (station, (la, lo, h)) in joined {
        let Position::Grid(e, n) = station.position else { continue };
        let moved = to_datum.as_ref().and_then(|o| o.carry([*lo, *la, h.unwrap_or(0.0), year]).ok());
        let (la, lo) = moved.map_or((*la, *lo), |m| (m[1], m[0]));
        let at = open.project(la, lo).map_err(|why| {
            Problem::new("frame/operation-fails", format!("`{}` lies nowhere in {}: {why}", station.name, projection.crs.title()))
                .fix("check the measured position")
        })?;
        out.push(Pair { name: station.name.clone(), measured: [at.easting * unit, at.northing * unit], given: [e, n] });
        site = site.or_else(|| {
            let scale = at.factors.meridional;
            h.map(|h| Site { scale, combined: scale * ground::elevation_factor(&projection.crs, la, h) })
        });
    }
    Ok((out, site))
}

/// The registry's best operation from a stated frame to a datum at a place, if there is one.
fn to_datum(stated: &StatedFrame, datum: &str, at: Place, observed: Option<f64>, folders: &[PathBuf]) -> Option<Operation> {
    Operation::choose(&OperationRequest {
        from: &stated.frame,
        from_epoch: stated.epoch.map_or(Epoch::Static, Epoch::Fixed),
        from_key: "corrections.frame",
        from_epoch_key: "corrections.epoch",
        to: datum,
        to_epoch: None,
        to_key: "delivery.crs",
        locality: Some(Locality {
            latitude_deg: at.0,
            longitude_deg: at.1,
            height_m: at.2,
            receiver_separation_m: None,
            decimal_year: observed,
        }),
        budget_m: f64::INFINITY,
        written: None,
        motion: None,
        folders,
        locked: None,
    })
    .ok()
}

/// How the receiver's separations fit a geoid model.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct GeoidFit {
    /// File of the model.
    pub grid: String,
    /// Mean of receiver minus model, m.
    pub mean_m: f64,
    /// Largest difference, m.
    pub largest_m: f64,
    /// Places that were compared.
    pub places: usize,
}

/// Nearer than this the separations are from the model, m: receivers hold coarser tables of the models than their
/// publishers do.
const NEAR_M: f64 = 0.3;

impl GeoidFit {
    /// Whether the separations are from this model, in a coarser table perhaps.
    #[must_use]
    pub fn is_it(&self) -> bool {
        self.largest_m < NEAR_M
    }
}

/// Fits separations (latitude, longitude, separation) to every geoid grid of some folders, the best first. Grids that
/// do not reach all places are left out.
#[must_use]
pub fn geoids(separations: &[(f64, f64, f64)], folders: &[PathBuf]) -> Vec<GeoidFit> {
    let mut out: Vec<GeoidFit> = vec![];
    let mut seen = vec![];
    for folder in folders {
        let Ok(entries) = std::fs::read_dir(folder) else { continue };
        let mut paths: Vec<PathBuf> = entries.filter_map(|e| Some(e.ok()?.path())).collect();
        paths.sort();
        for path in paths {
            let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
            let ending = path.extension().map(|e| e.to_string_lossy().to_lowercase());
            if !matches!(ending.as_deref(), Some("gtx" | "tif" | "tiff")) || seen.contains(&name) {
                continue;
            }
            if let Some(fit) = fit(&name, &path, separations) {
                out.push(fit);
            }
            seen.push(name);
        }
    }
    out.sort_by(|a, b| a.largest_m.total_cmp(&b.largest_m).then(a.grid.cmp(&b.grid)));
    out
}

fn fit(name: &str, path: &Path, separations: &[(f64, f64, f64)]) -> Option<GeoidFit> {
    let grid = GeoidGrid::at(path).ok()?;
    let model = grid.open().ok()?;
    let mut differences = vec![];
    for (la, lo, n) in separations {
        differences.push(n - model.separation(*la, *lo).ok()?);
    }
    // Shift grids have numbers too; no geoid is that flat beside the receiver's, nor that far from it.
    let largest = differences.iter().fold(0.0_f64, |m, d| m.max(d.abs()));
    #[allow(clippy::cast_precision_loss)]
    let mean = differences.iter().sum::<f64>() / differences.len() as f64;
    (!differences.is_empty() && largest < 20.0).then(|| GeoidFit {
        grid: name.to_owned(),
        mean_m: mean,
        largest_m: largest,
        places: differences.len(),
    })
}

/// Folders in which geoids are looked for without a reference: the store and the data folders of the system.
#[must_use]
pub fn geoid_folders(reference: Option<&Reference>) -> Vec<PathBuf> {
    let mut all = grids::folders(reference.map_or(Path::new(""), |r| r.folder.as_path()));
    all.extend(store::folder().filter(|f| !all.contains(f)));
    all
}

/// The comparison in a few lines.
#[must_use]
pub fn text(frames: Option<&Frames>, geoids: &[GeoidFit]) -> String {
    let mut out = String::new();
    if let Some(best) = geoids.first() {
        let others: Vec<String> = geoids.iter().skip(1).take(2).map(|g| format!("`{}` {:.3} m", g.grid, g.largest_m)).collect();
        let others = if others.is_empty() { String::new() } else { format!("; next {}", others.join(", ")) };
        let word = match best.largest_m {
            d if d < 0.05 => "separation is that of",
            _ if best.is_it() => "separation is near that of",
            _ => "separation is of no model here; nearest",
        };
        out.push_str(&format!(
            "geoid:         {word} `{}`, within {:.3} m at {} places (mean {:+.3} m){others}\n",
            best.grid, best.largest_m, best.places, best.mean_m
        ));
    }
    let Some(frames) = frames else { return out };
    out.push_str(&format!("marks:         {} of the list, published in {}\n", frames.marks.len(), frames.published));
    if let Some(s) = &frames.as_stated {
        let up = s.mean_m.2.map_or_else(String::new, |u| format!(" dU {u:+.3}"));
        out.push_str(&format!(
            "as stated:     {}: measured minus published dE {:+.3} dN {:+.3}{up} m, rms {:.3} m\n",
            title(s),
            s.mean_m.0,
            s.mean_m.1,
            s.rms_m
        ));
    }
    for (i, s) in frames.fitting.iter().take(5).enumerate() {
        let head = if i == 0 { "frames that fit:" } else { "               " };
        let side = if s.side == survey_geodesy::frame_comparison::Side::Published { ", for the published numbers" } else { "" };
        let fitted = if s.epoch_by == survey_geodesy::frame_comparison::EpochBy::Fitted { " (epoch fitted)" } else { "" };
        out.push_str(&format!("{head} {}{fitted}: {:.3} m left over{side}\n", title(s), s.rms_m));
    }
    if frames.fitting.len() > 5 {
        out.push_str(&format!("                and {} more within the tolerance\n", frames.fitting.len() - 5));
    }
    out
}

fn title(s: &FrameCandidate) -> String {
    format!("{} ({}){}", s.frame, s.name, s.epoch.map_or_else(String::new, |e| format!(" at {e:.2}")))
}

#[cfg(test)]
mod tests {
    use super::*;

    const HOW: How = How { tolerance_m: 0.03, folders: &[], search: Search::Always };
    use crate::fixture::shared;

    #[test]
    fn the_geoid_of_separations_is_named() {
        let (Some(folder), Some(log)) = (shared("data/grids"), shared("data/nmea/gpsd/nmea-rtk.log")) else { return };
        // Height of NAP by NLGEO2018 at three places: the model itself fits, EGM96 by decimetres only.
        let grid = GeoidGrid::at(&folder.join("nl_nsgi_nlgeo2018.tif")).unwrap();
        let at = |la: f64, lo: f64| (la, lo, grid.separation_at(la, lo).unwrap().unwrap());
        let fits = geoids(&[at(52.1, 5.1), at(52.9, 6.2), at(51.6, 4.4)], std::slice::from_ref(&folder));
        assert!(fits[0].grid == "nl_nsgi_nlgeo2018.tif" && fits[0].largest_m < 1e-9, "{fits:?}");
        let egm = fits.iter().find(|f| f.grid == "us_nga_egm96_15.tif").unwrap();
        assert!((0.05..2.0).contains(&egm.largest_m), "{egm:?}");
        assert!(text(None, &fits).contains("is that of `nl_nsgi_nlgeo2018.tif`"));
        // A receiver in the field that holds a table of EGM96.
        let report = crate::inspect::inspect(&[("nmea-rtk.log".to_owned(), log)]).unwrap();
        let fits = geoids(&report.separations, &[folder]);
        assert!(fits[0].grid == "us_nga_egm96_15.tif" && fits[0].largest_m < 0.1, "{fits:?}");
        assert!(text(None, &fits).contains("near that of"));
        assert!(geoids(&report.separations, &[]).is_empty());
    }

    #[test]
    fn marks_are_joined_by_name_and_a_base_by_its_place() {
        let list = |name: &str, la: f64| Station {
            name: name.into(),
            position: Position::Geographic(la, -84.48, Some(231.4)),
            system: "EPSG:6319".into(),
            epoch: None,
        };
        let base =
            |name: &str, la: f64| Measured { marks: vec![(name.into(), la, -84.48, Some(231.4))], stated: None, observed: Some(2026.4) };
        let both = [list("MI01", 42.71), list("MI02", 42.9)];
        // `0417` is no name of the list; MI01 is 11 m away, which no frame explains.
        let found = compare(&both, &base("0417", 42.7101), &HOW).unwrap();
        assert_eq!((found.marks, found.findings[0].code.as_str()), (vec!["MI01".to_owned()], "frame/no-frame-fits"));
        // Nothing is declared: the frame that fits is the answer and no fault.
        let found = compare(&both, &base("MI01", 42.71), &HOW).unwrap();
        assert!(found.findings.is_empty() && found.fitting[0].frame == "EPSG:6319", "{found:#?}");
        assert_eq!(compare(&both, &base("0417", 44.0), &HOW).unwrap_err().finding.code, "frame/no-marks");
        let mut mixed = both.to_vec();
        mixed[1].system = "EPSG:4937".into();
        let two = Measured {
            marks: vec![("MI01".into(), 42.71, -84.48, None), ("MI02".into(), 42.9, -84.48, None)],
            stated: None,
            observed: None,
        };
        assert_eq!(compare(&mixed, &two, &HOW).unwrap_err().finding.code, "frame/no-marks");
    }
}
