//! Predictions that come from the geodesy library: other frames, epochs, zones and geoid models.

use super::Alternative;
use pipeline_base::place::Locality;
use pipeline_base::table::schema::Epoch;
use std::path::PathBuf;
use survey_geodesy::crs::Crs;
use survey_geodesy::grids::GeoidGrid;
use survey_geodesy::operation::Operation;
use survey_geodesy::operation::request::OperationRequest;
use survey_geodesy::projection::Projection;
use survey_geodesy::{GRS80, Tangent};

/// Frames that corrections and control are usually in, as geographic 3D codes.
const FRAMES: [&str; 19] = [
    "EPSG:9989",
    "EPSG:7912",
    "EPSG:7911",
    "EPSG:7910",
    "EPSG:7909",
    "EPSG:6319",
    "EPSG:4893",
    "EPSG:4957",
    "EPSG:8253",
    "EPSG:7931",
    "EPSG:8403",
    "EPSG:4937",
    "EPSG:7843",
    "EPSG:4939",
    "EPSG:4959",
    "EPSG:4988",
    "EPSG:6667",
    "EPSG:5245",
    "EPSG:5592",
];

/// Where a shot is: latitude, longitude (deg), ellipsoidal height (m), decimal year.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spot {
    /// Latitude, deg.
    pub latitude_deg: f64,
    /// Longitude, deg.
    pub longitude_deg: f64,
    /// Ellipsoidal height, m.
    pub height_m: f64,
    /// Time of measurement.
    pub year: f64,
}

/// Frames of a job.
pub struct Frames<'a> {
    /// Frame of the corrections.
    pub from: &'a str,
    /// Their epoch.
    pub from_epoch: Epoch,
    /// Geographic 3D frame of the delivery.
    pub to: &'a str,
    /// Where the work is.
    pub locality: Locality,
    /// Folders of grids.
    pub folders: &'a [PathBuf],
}

impl Frames<'_> {
    fn operation(&self, from: &str, to: &str) -> Option<Operation> {
        let dynamic = |code: &str| Crs::look_up(code).is_ok_and(|c| c.dynamic);
        let epoch = |code: &str, given: Epoch| match given {
            _ if !dynamic(code) => Epoch::Static,
            Epoch::Static => Epoch::EachObservation,
            given => given,
        };
        let operation = Operation::choose(&OperationRequest {
            from,
            from_epoch: epoch(from, self.from_epoch),
            from_key: "corrections.frame",
            from_epoch_key: "corrections.epoch",
            to,
            to_epoch: if dynamic(to) { self.locality.decimal_year.map(Epoch::Fixed) } else { None },
            to_key: "delivery.crs",
            locality: Some(self.locality),
            budget_m: 5.0,
            written: None,
            folders: self.folders,
            locked: None,
            motion: None,
        })
        .ok()?;
        Some(operation)
    }

    /// Displacements east, north, up of all spots by an operation, `later` years after their own time.
    fn moved(&self, operation: &Operation, spots: &[Spot], later: f64) -> Option<Vec<[f64; 3]>> {
        let proj = operation.proj().ok()?;
        let object = proj.create(&operation.pipeline).ok()?;
        spots
            .iter()
            .map(|s| {
                let year = match operation.time {
                    Epoch::Static => f64::INFINITY,
                    Epoch::Fixed(year) => year + later,
                    Epoch::EachObservation => s.year + later,
                };
                let [x, y, z] = object.carry([s.longitude_deg, s.latitude_deg, s.height_m, year]).ok()?;
                let enu = Tangent::new(s.latitude_deg, s.longitude_deg, s.height_m, GRS80).enu(y, x, z);
                enu.iter().all(|v| v.is_finite()).then_some(enu)
            })
            .collect()
    }

    /// The operation from the corrections to the delivery.
    #[must_use]
    pub fn own(&self) -> Option<Operation> {
        self.operation(self.from, self.to)
    }

    /// Every other frame in which the corrections or the control might be, with what that would do. `own`: see [`Self::own`].
    #[must_use]
    pub fn others(&self, own: &Operation, spots: &[Spot]) -> Vec<Alternative> {
        let Some(ours) = self.moved(own, spots, 0.0) else { return vec![] };
        let minus = |a: &[[f64; 3]], b: &[[f64; 3]]| -> Vec<[f64; 3]> {
            a.iter().zip(b).map(|(x, y)| [x[0] - y[0], x[1] - y[1], x[2] - y[2]]).collect()
        };
        let still = vec![[0.0; 3]; spots.len()];
        let mut out = vec![];
        for code in FRAMES {
            let Ok(crs) = Crs::look_up(code) else { continue };
            if !crs.area.as_ref().is_none_or(|a| a.contains(self.locality.latitude_deg, self.locality.longitude_deg)) {
                continue;
            }
            if code != self.from
                && let Some(theirs) = self.operation(code, self.to).and_then(|o| self.moved(&o, spots, 0.0))
            {
                out.push(Alternative {
                    id: format!("frame-{code}"),
                    title: format!("the corrections are in {} and not in the frame that the reference states", crs.title()),
                    key: "reference `corrections.frame`".to_owned(),
                    enu_m: minus(&ours, &theirs),
                });
            }
            if code != self.to
                && let Some(theirs) = self.operation(self.to, code).and_then(|o| self.moved(&o, spots, 0.0))
            {
                out.push(Alternative {
                    id: format!("control-frame-{code}"),
                    title: format!("the control is in {} and not in the frame that it states", crs.title()),
                    key: "control `crs`".to_owned(),
                    enu_m: minus(&still, &theirs),
                });
            }
        }
        out
    }

    /// What one year of a wrong epoch does: delivered minus true where the true epoch is a year later.
    #[must_use]
    pub fn year(&self, own: &Operation, spots: &[Spot]) -> Option<Vec<[f64; 3]>> {
        let (now, next) = (self.moved(own, spots, 0.0)?, self.moved(own, spots, 1.0)?);
        let rate: Vec<[f64; 3]> = now.iter().zip(&next).map(|(a, b)| [a[0] - b[0], a[1] - b[1], a[2] - b[2]]).collect();
        rate.iter().flatten().any(|v| v.abs() > 1e-4).then_some(rate)
    }
}

/// Neighbouring zones: the marks' numbers in the zone before and after theirs, by the registry's own numbering.
#[must_use]
pub fn zones(crs: &str, spots: &[Spot]) -> Vec<Alternative> {
    let Some((authority, number)) = crs.split_once(':').and_then(|(a, n)| Some((a, n.parse::<i64>().ok()?))) else { return vec![] };
    let Ok(own) = Projection::plan(crs) else { return vec![] };
    let metres = survey_geodesy::crs::metres;
    let mut out = vec![];
    for step in [-1, 1] {
        let code = format!("{authority}:{}", number + step);
        let Ok(other) = Projection::plan(&code) else { continue };
        if other.base != own.base {
            continue;
        }
        let enu: Option<Vec<[f64; 3]>> = spots
            .iter()
            .map(|s| {
                let (a, b) = (own.at(s.latitude_deg, s.longitude_deg).ok()?, other.at(s.latitude_deg, s.longitude_deg).ok()?);
                let (u, v) = (metres(own.unit), metres(other.unit));
                let (e, n) = (a.easting * u - b.easting * v, a.northing * u - b.northing * v);
                let (sin, cos) = a.factors.convergence_deg.to_radians().sin_cos();
                Some([(e * cos + n * sin) / a.factors.meridional, (n * cos - e * sin) / a.factors.meridional, 0.0])
            })
            .collect();
        if let Some(enu_m) = enu {
            out.push(Alternative {
                id: format!("zone-{code}"),
                title: format!("the control is in the zone {} and not in the one that it states", other.crs.title()),
                key: "control `crs`; reference `delivery.crs`".to_owned(),
                enu_m,
            });
        }
    }
    out
}

/// Another geoid model: `have` are the separations (m) that the delivery used.
#[must_use]
pub fn geoid(name: &str, path: &std::path::Path, spots: &[Spot], have: &[f64]) -> Option<Alternative> {
    let grid = GeoidGrid::at(path).ok()?;
    let open = grid.open().ok()?;
    let enu_m: Option<Vec<[f64; 3]>> = spots
        .iter()
        .zip(have)
        .map(|(s, n)| open.separation(s.latitude_deg, s.longitude_deg).ok().map(|other| [0.0, 0.0, other - n]))
        .collect();
    Some(Alternative {
        id: format!("geoid-{name}"),
        title: format!("the control was levelled to the geoid `{name}`, and the delivery uses another one"),
        key: "reference `delivery.heights.geoid`".to_owned(),
        enu_m: enu_m?,
    })
}
