//! From the datum of a delivery to WGS 84 without a realisation, for the one format that allows
//! nothing else.

use pipeline_base::pin::{GivesIn, Locked, Pin, ProbeAt};
use pipeline_base::place::Locality;
use pipeline_base::problem::Problem;
use pipeline_base::table::schema::{Epoch, Frame};
use survey_geodesy::crs::{block, define, open};
use survey_geodesy::decimal_year;
use survey_geodesy::pins;
use survey_geodesy::pins::Pipeline;
use survey_geodesy::proj_context::{Object, ObjectKind};
use survey_mathematics::angle::wrap;

/// Accuracy of WGS 84 as a name without a realisation, m: the ensemble of all its realisations.
///
/// Source: EPSG dataset, datum ensemble 6326, ensemble accuracy 2.0 m.
pub(crate) const ENSEMBLE_M: f64 = 2.0;
/// WGS 84, geographic 3D.
const WGS84_3D: &str = "EPSG:4979";
/// Operations whose stated accuracies differ by less are equally good, m.
const AS_GOOD_M: f64 = 0.1;
/// No position that can be shown on a map moves further, m; a larger move is a wrong operation.
const FARTHEST_M: f64 = 2_000.0;

/// Latitude, longitude in degrees, ellipsoidal height in metres when known.
pub(crate) type Place = (f64, f64, Option<f64>);

/// How positions come to WGS 84.
#[derive(Clone, Debug)]
pub(crate) struct ToWgs84 {
    /// The operation of the registry.
    pub operation: String,
    /// Its pipeline: longitude, latitude (deg), height (m), decimal year in; the first three out.
    pub pipeline: String,
    /// Accuracy of a position on the map, m: the worse of the operation and of WGS 84 itself.
    pub accuracy_m: f64,
    /// Whether the datum knows ellipsoidal heights; otherwise the third value is left out.
    pub has_heights: bool,
    epoch: Epoch,
    from: String,
}

/// Part of a step's lock.
const PART: &str = "to-wgs84";

impl ToWgs84 {
    /// Chooses the operation from the datum of a frame: usable here, with a stated accuracy, the best
    /// of the registry; among equally good ones that which moves the work least.
    ///
    /// # Errors
    /// `export/geojson-no-operation`.
    pub(crate) fn plan(frame: &Frame, locality: Option<Locality>) -> Result<Self, Problem> {
        let none = |what: String| {
            block("export/geojson-no-operation", what)
                .why("RFC 7946, section 4: the coordinate system of all GeoJSON coordinates is WGS 84, so positions must be carried there")
                .fix("use `export-geopackage`, which holds the delivered system itself")
        };
        let proj = open(&[])?;
        let target = define(&proj, WGS84_3D)?;
        let source =
            define(&proj, &frame.crs)?.geodetic().filter(|g| matches!(g.kind(), ObjectKind::Geographic2D | ObjectKind::Geographic3D));
        let source =
            source.and_then(|g| g.to_3d()).ok_or_else(|| none(format!("`{}` has no latitude and longitude below it", frame.crs)))?;
        let has_heights = source.id().is_some();
        let place = locality.map(|l| (l.latitude_deg, l.longitude_deg));
        let inside = |o: &Object| match (o.area(), place) {
            (Some(area), Some((latitude, longitude))) => area.contains(latitude, longitude),
            _ => true,
        };
        let year = locality.and_then(|l| l.decimal_year);
        let mut best: Option<(f64, f64, String, String)> = None;
        for found in proj.operations(&source, &target, place, false) {
            let (Some(accuracy), false, true) = (found.accuracy_m(), found.is_ballpark(), found.grids().iter().all(|g| g.found)) else {
                continue;
            };
            let Some(pipeline) = found.normalized().and_then(|n| n.proj_text()).filter(|_| inside(&found)) else { continue };
            let Ok(pinned) = proj.create(&pipeline) else { continue };
            let time = match frame.epoch {
                Epoch::Fixed(year) => year,
                Epoch::EachObservation => year.unwrap_or(f64::INFINITY),
                Epoch::Static => f64::INFINITY,
            };
            let moves = match place {
                // A test point of the operation's own: the place of the work.
                Some((latitude, longitude)) => match pinned.carry([longitude, latitude, 0.0, time]) {
                    Ok([x, y, _]) => metres((latitude, longitude), (y, x)),
                    Err(_) => continue,
                },
                None => 0.0,
            };
            let better = match &best {
                None => true,
                Some((best_accuracy, best_moves, ..)) => {
                    accuracy < best_accuracy - AS_GOOD_M || ((accuracy - best_accuracy).abs() <= AS_GOOD_M && moves < *best_moves)
                }
            };
            if moves <= FARTHEST_M && better {
                best = Some((accuracy, moves, found.name(), pipeline));
            }
        }
        let Some((accuracy, _, operation, pipeline)) = best else {
            return Err(none(format!("the registry has no usable operation from `{}` to WGS 84 here", source.name())));
        };
        Ok(Self { operation, pipeline, accuracy_m: accuracy.max(ENSEMBLE_M), has_heights, epoch: frame.epoch, from: frame.crs.clone() })
    }

    /// For the lock of a job.
    ///
    /// # Errors
    /// When it gives no result at a point.
    pub(crate) fn pin(&self, probes: &[ProbeAt]) -> Result<Pin, Problem> {
        Pipeline {
            part: PART,
            name: &self.operation,
            from: &self.from,
            to: WGS84_3D,
            text: &self.pipeline,
            accuracy_m: Some(self.accuracy_m),
            files: &[],
            gives_in: GivesIn::Degree,
            time: self.epoch,
        }
        .pin(probes)
    }

    /// Takes what the lock says, and what this machine would have taken when that is another.
    ///
    /// # Errors
    /// `lock/differs`, `lock/stale`.
    pub(crate) fn locked(self, locked: Option<Locked>) -> Result<(Self, Vec<Problem>), Problem> {
        let Some(locked) = locked else { return Ok((self, vec![])) };
        let pin = locked.pin(PART)?;
        pins::hold(locked, pin, (&self.from, WGS84_3D), &[], None)?;
        let other = pins::other_choice(pin, &self.operation, &self.pipeline, &[]);
        let accuracy_m = pin.accuracy_m.unwrap_or(self.accuracy_m);
        let way = Self { operation: pin.name.clone(), pipeline: pin.pipeline.clone(), accuracy_m, ..self };
        Ok((way, other.into_iter().collect()))
    }

    /// Carries positions; `times` are nanoseconds since 1970 UTC, for coordinates at each row's own time.
    ///
    /// # Errors
    /// When a position cannot be carried: its row and the library's reason.
    pub(crate) fn carry(&self, places: &[Place], times: Option<&[Option<i64>]>) -> Result<Vec<Place>, (usize, String)> {
        let proj = open(&[]).map_err(|p| (0, p.finding.what))?;
        let pipeline = proj.create(&self.pipeline).map_err(|e| (0, e))?;
        places
            .iter()
            .enumerate()
            .map(|(i, (latitude, longitude, height))| {
                let year = match self.epoch {
                    Epoch::Fixed(year) => year,
                    Epoch::Static => f64::INFINITY,
                    Epoch::EachObservation => {
                        let time = times.and_then(|t| t.get(i).copied().flatten());
                        decimal_year(time.ok_or_else(|| (i, "the row has no time".to_owned()))?)
                    }
                };
                let [x, y, z] = pipeline.carry([*longitude, *latitude, height.unwrap_or(0.0), year]).map_err(|e| (i, e))?;
                if !(x.is_finite()
                    && y.is_finite()
                    && z.is_finite()
                    && y.abs() <= 90.0
                    && metres((*latitude, *longitude), (y, x)) <= FARTHEST_M)
                {
                    return Err((i, format!("it would come to latitude {y}, longitude {x}")));
                }
                Ok((y, wrap(x), height.filter(|_| self.has_heights).map(|_| z)))
            })
            .collect()
    }
}

/// Rough distance of two positions in degrees, m; good enough to tell metres from kilometres.
fn metres(a: (f64, f64), b: (f64, f64)) -> f64 {
    let east = wrap(b.1 - a.1) * a.0.to_radians().cos();
    (b.0 - a.0).hypot(east) * 111_200.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::export::sample::frame;

    fn plan(crs: &str, latitude_deg: f64, longitude_deg: f64) -> Result<ToWgs84, Problem> {
        let place = Locality { latitude_deg, longitude_deg, height_m: None, receiver_separation_m: None, decimal_year: Some(2026.4) };
        ToWgs84::plan(&Frame { crs: crs.into(), ..frame() }, Some(place))
    }

    #[test]
    fn longitudes_wrap() {
        for (from, to) in [(180.0, 180.0), (-180.0, -180.0), (190.0, -170.0), (-190.0, 170.0), (359.5, -0.5), (540.0, -180.0), (0.0, 0.0)] {
            assert_eq!(wrap(from), to);
        }
        assert!(metres((0.0, 179.999_99), (0.0, -179.999_99)) < 3.0);
    }

    #[test]
    fn the_ensemble_bounds_every_accuracy() {
        // EPSG: NAD83(2011) to WGS 84 (1), accuracy 2 m, and ETRS89 to WGS 84 (1), accuracy 1 m: null transformations.
        let nad = plan("EPSG:6345", 42.73, -86.55).unwrap();
        assert_eq!((nad.operation.as_str(), nad.accuracy_m, nad.has_heights), ("NAD83(2011) to WGS 84 (1)", 2.0, true));
        assert_eq!(plan("EPSG:25832", 52.0, 9.0).unwrap().accuracy_m, 2.0);
        // EPSG: GDA2020 to WGS 84 (2), accuracy 3 m.
        assert_eq!(plan("EPSG:7855", -37.0, 145.0).unwrap().accuracy_m, 3.0);
    }

    #[test]
    fn a_global_frame_is_not_led_through_a_national_one() {
        // The registry's first path from ITRF2020 goes through NAD83(2011) and moves the point by 1.3 m for nothing.
        let itrf = plan("EPSG:9989", 42.7, -86.5).unwrap();
        let (lat, lon, h) = itrf.carry(&[(42.7, -86.5, Some(100.0))], None).unwrap()[0];
        assert!(metres((42.7, -86.5), (lat, lon)) < 0.02 && (h.unwrap() - 100.0).abs() < 0.02, "{itrf:?}");
    }

    #[test]
    fn an_old_datum_moves_and_has_no_ellipsoidal_height() {
        // EPSG: OSGB36 to WGS 84 (6), accuracy 2 m, without a grid; about 120 m at 52 N 1 W.
        let osgb = plan("EPSG:27700", 52.0, -1.0).unwrap();
        assert_eq!(osgb.operation, "OSGB36 to WGS 84 (6)");
        let (lat, lon, h) = osgb.carry(&[(52.0, -1.0, Some(50.0))], None).unwrap()[0];
        assert!((100.0..130.0).contains(&metres((52.0, -1.0), (lat, lon))) && h.is_none());
    }

    #[test]
    fn a_datum_that_nothing_is_known_of_is_refused() {
        let problem = plan("+proj=utm +zone=16 +ellps=GRS80 +type=crs", 42.0, -86.0).unwrap_err();
        assert_eq!(problem.finding.code, "export/geojson-no-operation");
    }

    #[test]
    fn bad_positions_are_named() {
        let nad = plan("EPSG:6345", 42.73, -86.55).unwrap();
        assert_eq!(nad.carry(&[(42.0, -86.0, None), (95.0, -86.0, None)], None).unwrap_err().0, 1);
        let (_, lon, _) = nad.carry(&[(42.0, 190.0, None)], None).unwrap()[0];
        assert!((lon + 170.0).abs() < 1e-9);
    }
}
