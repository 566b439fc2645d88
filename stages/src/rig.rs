//! From the antenna to the target: ledger of lengths, attitude, lever arms, second streams.
//!
//! * [`antex`]: antenna calibrations.
//! * [`ledger`]: every length from the phase centre to the target, with one owner.
//! * [`calibration`]: boresight, lever arm, zero and pole from looks at marks.
//! * [`north`]: from the sensor's own north to true north.

pub(crate) mod antex;
pub(crate) mod calibrate_rig;
pub(crate) mod calibration;
pub(crate) mod daily_check;
pub(crate) mod estimate_lag;
pub(crate) mod heading_age;
pub(crate) mod heading_gate;
pub(crate) mod ledger;
pub(crate) mod north;
pub(crate) mod target;
pub(crate) mod tilt_correct;
pub(crate) mod time_join;

#[cfg(test)]
pub(crate) mod testing;

use pipeline_core::stage::{StageKind, kind};
use std::sync::Arc;

/// The stages of this family, in the order of the reference page.
#[must_use]
pub(crate) fn kinds() -> Vec<Arc<dyn StageKind>> {
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
