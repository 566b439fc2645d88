//! The table of looks, and what became of every row.

use crate::rig::calibration::table::Looks;
use crate::rig::calibration::{Chain, Fitted};
use crate::rig::ledger::Aim;
use pipeline_base::problem::Problem;
use pipeline_base::table::schema::{Column, Holds, Role, Schema, Unit};
use pipeline_base::table::{Table, TableBuilder};
use pipeline_core::stage::Cx;
use std::sync::Arc;

/// Columns of one look.
pub(crate) fn schema() -> Schema {
    let metre = |name| Column::maybe(name, Holds::Float, Unit::Metre, Role::Other);
    let degree = |name| Column::always(name, Holds::Float, Unit::Degree, Role::Other);
    let columns = vec![
        Column::always("point", Holds::Text, Unit::None, Role::Point),
        Column::always("aim", Holds::Text, Unit::None, Role::Aim),
        Column::always("time", Holds::Instant, Unit::None, Role::Time),
        Column::always("epochs_used", Holds::Int, Unit::None, Role::Other),
        degree("heading_deg"),
        degree("pitch_deg"),
        degree("roll_deg"),
        metre("range_m"),
        metre("off_east_m"),
        metre("off_north_m"),
        metre("off_up_m"),
        metre("off_along_beam_m"),
        metre("off_across_beam_m"),
        metre("sigma_east_m"),
        metre("sigma_north_m"),
        metre("sigma_up_m"),
        Column::maybe("test", Holds::Float, Unit::None, Role::Other),
        Column::always("used", Holds::Bool, Unit::None, Role::Other),
    ];
    Schema { columns, frame: None }
}

/// Says what became of every row.
///
/// # Errors
/// When the set-aside table cannot be written.
pub(crate) fn account(looks: &Looks, input: &Table, cx: &Cx) -> Result<(), Problem> {
    for (reason, rows) in &looks.aside {
        let detail = match *reason {
            "range-off" => "the range is further than `range_off_m` from the median of its look",
            "no-aim" => "the `aim` column says neither `tip` nor `laser`",
            "aim-not-in-rig" => "the rig declares nothing for this aim",
            "no-position" => "the epoch has no latitude and longitude",
            "no-height" => "the epoch has no ellipsoidal height",
            "no-attitude" => "the epoch has no complete heading, pitch and roll",
            "no-range" => "the epoch has no laser range",
            "range-outside-instrument" => "the range is outside `laser.shortest_m` and `laser.longest_m`",
            "not-a-check-shot" => "the point is none of the check shots",
            _ => "the epoch belongs to no occupation",
        };
        cx.set_aside_rows(input, rows, reason, detail)?;
    }
    cx.used(looks.used);
    Ok(())
}

/// A vector's part along the beam in the world, and what is left across it, m.
fn along_and_across(look: &crate::rig::calibration::Look, chain: &Chain, off: [f64; 3]) -> (f64, f64) {
    let beam = chain.beam_axes()[0];
    let world = crate::rig::calibration::looks::times(&look.turn, beam);
    let along: f64 = (0..3).map(|k| world[k] * off[k]).sum();
    let whole: f64 = off.iter().map(|v| v * v).sum();
    (along, (whole - along * along).max(0.0).sqrt())
}

/// The looks with their residuals.
///
/// # Errors
/// A broken promise.
pub(crate) fn table(looks: &Looks, done: &Fitted, chain: &Chain, schema: Arc<Schema>) -> Result<Table, Problem> {
    let n = looks.seen.len();
    let mut b = TableBuilder::new(schema, n);
    let seen = &looks.seen;
    b.texts("point", seen.iter().map(|s| Some(s.point.as_str())));
    b.texts("aim", seen.iter().map(|s| Some(if s.look.aim == Aim::Laser { "laser" } else { "tip" })));
    b.instants("time", seen.iter().map(|s| s.start).collect());
    b.ints("epochs_used", seen.iter().map(|s| i64::try_from(s.look.epochs).unwrap_or(i64::MAX)).collect());
    for (i, name) in ["heading_deg", "pitch_deg", "roll_deg", "range_m"].iter().enumerate() {
        b.floats(name, seen.iter().map(|s| if i == 0 { s.pose[0].rem_euclid(360.0) } else { s.pose[i] }).collect());
    }
    for (i, axis) in ["east", "north", "up"].iter().enumerate() {
        b.floats(&format!("off_{axis}_m"), done.misclosure.iter().map(|m| m[i]).collect());
        b.floats(&format!("sigma_{axis}_m"), seen.iter().map(|s| (s.look.noise[i][i] + s.look.gnss[i][i]).sqrt()).collect());
    }
    let beam: Vec<(f64, f64)> = seen
        .iter()
        .zip(&done.misclosure)
        .map(|(s, m)| if s.look.aim == Aim::Laser { along_and_across(&s.look, chain, *m) } else { (f64::NAN, f64::NAN) })
        .collect();
    b.floats("off_along_beam_m", beam.iter().map(|v| v.0).collect());
    b.floats("off_across_beam_m", beam.iter().map(|v| v.1).collect());
    b.floats("test", done.test.iter().map(|t| if t.is_finite() { *t } else { f64::NAN }).collect());
    b.bools("used", &done.used);
    b.finish()
}
