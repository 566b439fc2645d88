//! From the antenna to the target: ledger of lengths, attitude, lever arms, second streams.
//!
//! * [`antex`]: antenna calibrations.
//! * [`attitude`]: every kind of attitude, as heading, pitch and roll.
//! * [`ledger`]: every length from the phase centre to the target, with one owner.
//! * [`rotation`] and [`target`]: the mathematics of one epoch, with its covariance.
//! * [`calibration`]: boresight, lever arm, zero and pole from looks at marks.
//! * [`north`]: from the sensor's own north to true north.
//! * [`clock`] and [`delimited`]: times and lines of delimited text, also for `ingest-csv`.

pub mod antex;
pub mod attitude;
pub mod calibrate_rig;
pub mod calibration;
pub mod clock;
pub mod daily_check;
pub mod delimited;
pub mod estimate_lag;
pub mod heading_age;
pub mod heading_gate;
pub mod ledger;
pub mod north;
mod peak;
pub mod quantity;
pub mod rotation;
pub mod target;
pub mod tilt_correct;
pub mod time_join;

#[cfg(test)]
pub(crate) mod testing;

use pipeline_core::stage::{StageKind, kind};
use std::sync::Arc;

/// The stages of this family, in the order of the reference page.
#[must_use]
pub fn kinds() -> Vec<Arc<dyn StageKind>> {
    vec![
        kind::<estimate_lag::EstimateLag>(),
        kind::<time_join::TimeJoin>(),
        kind::<heading_age::HeadingAge>(),
        kind::<tilt_correct::TiltCorrect>(),
        kind::<heading_gate::HeadingGate>(),
        kind::<calibrate_rig::CalibrateRig>(),
        kind::<daily_check::DailyCheck>(),
    ]
}
