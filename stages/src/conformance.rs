//! Published values: map projections, transformations, heights and national systems. Each case names its source;
//! `stages/CONFORMANCE.md` is the table of them all.
//!
//! * `projections`, `frames`, `parameters`, `heights`: the lists of outside values beside the repository.
//! * `coverage`: no case of those lists is left out without a reason.
//! * `national`: national lists of test points.
//! * `gie`, `gie_files`: the regression files of PROJ.
//! * `second`: an engine that shares no code with PROJ.
//! * `laws`: there and back, order of rows.
//! * `through`: how a case goes through the stages; `ledger` and `table`: what came of it.

mod coverage;
mod frames;
mod gie;
mod gie_files;
mod heights;
mod laws;
mod ledger;
mod national;
mod parameters;
mod projections;
mod second;
mod study;
mod table;
mod through;

use survey_geodesy::proj_context::ProjContext;

/// Degrees of degrees, minutes and seconds.
const fn dms(d: f64, m: f64, s: f64) -> f64 {
    d + m / 60.0 + s / 3600.0
}

/// Degrees of a number written as DDD.MMSSsss.
fn packed(v: f64) -> f64 {
    let a = v.abs() + 1e-12;
    let (d, m) = (a.trunc(), ((a.fract()) * 100.0).trunc());
    let s = ((a.fract()) * 100.0 - m) * 100.0;
    dms(d, m, s) * v.signum()
}

/// Runs a pipeline on one point, for methods that no stage has.
fn pipe(text: &str, point: [f64; 4]) -> [f64; 3] {
    let proj = ProjContext::new(&[]).unwrap();
    let object = proj.create(text).unwrap_or_else(|e| panic!("{text}: {e}"));
    object.carry(point).unwrap_or_else(|e| panic!("{text}: {e}"))
}
