//! Named blunders and how well each explains the differences at the marks.
//!
//! A cause predicts a displacement at every shot on a mark: a constant (a pole length counted twice), or a
//! constant plus a few unknowns with a plausible size (a heading bias). [`list::hypotheses`] writes the predictions down,
//! [`rank::rank`] compares them by one measure. Nothing is ever applied.

pub mod chain;
pub mod list;
pub mod places;
pub mod rank;
#[cfg(test)]
mod tests;

use chain::{Sample, Setup};

/// What a shot was aimed with.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Aim {
    /// Tip of the pole.
    Tip,
    /// Laser.
    Laser,
}

/// One shot on a mark, with everything that predictions are made of.
#[derive(Clone, Debug)]
pub struct Shot {
    /// Name of the mark.
    pub point: String,
    /// Number of the mark.
    pub mark: usize,
    /// Number of the session.
    pub session: usize,
    /// Delivered minus known: east, north, up, m; up is NaN where the mark has no height.
    pub residual_m: [f64; 3],
    /// Standard deviations of the shot: east, north, up, m.
    pub sigma_m: [f64; 3],
    /// Correlation of east and north.
    pub correlation: f64,
    /// Standard deviations of the mark: each horizontal axis, up, m.
    pub mark_sigma_m: [f64; 2],
    /// Easting and northing in the mark's grid, m; NaN without a grid.
    pub grid_m: [f64; 2],
    /// Grid convergence, deg.
    pub convergence_deg: f64,
    /// Scale factor of the grid.
    pub scale: f64,
    /// Delivered height, m; NaN without one.
    pub height_m: f64,
    /// Height above the ellipsoid, m.
    pub ellipsoidal_m: f64,
    /// Separation of the geoid model of the delivery, m; NaN where heights are ellipsoidal.
    pub separation_m: f64,
    /// Separation that the receiver reported, m; NaN where unknown.
    pub receiver_separation_m: f64,
    /// What it was aimed with.
    pub aim: Aim,
    /// Attitude and range while the shot was taken; empty when unknown.
    pub samples: Vec<Sample>,
}

/// A displacement at every shot that another setting would have made: delivered minus true, m.
#[derive(Clone, Debug)]
pub struct Alternative {
    /// Short name, unique.
    pub id: String,
    /// What it is, in words.
    pub title: String,
    /// Key of the job, rig or reference that would mend it.
    pub key: String,
    /// East, north, up at each shot, m.
    pub enu_m: Vec<[f64; 3]>,
}

/// What is known of a job besides the shots.
#[derive(Clone, Debug, Default)]
pub struct Facts {
    /// How the job goes from the antenna to the target, when it has a rig.
    pub setup: Option<Setup>,
    /// Standard deviations that all shots share (base, geoid, operation): horizontal of each axis, up, m.
    pub common_m: [f64; 2],
    /// Displacements by biases of the rig that are declared, one sigma each, m: they belong to the noise.
    pub declared: Vec<Vec<[f64; 3]>>,
    /// Other frames of the corrections or of the control.
    pub frames: Vec<Alternative>,
    /// Displacement for one year of the wrong epoch, m.
    pub year: Option<Vec<[f64; 3]>>,
    /// Other geoid models, zones and whatever else is a constant.
    pub others: Vec<Alternative>,
    /// Displacement for each lag (s) of the attitude behind the position, m.
    pub lags: Vec<(f64, Vec<[f64; 3]>)>,
    /// Declination at the site, when somebody gave it, deg.
    pub declination_deg: Option<f64>,
    /// Whether delivered heights are above a vertical datum.
    pub vertical_datum: bool,
}
