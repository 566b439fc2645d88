//! An operation written into the reference: it is held to the same checks as one of the registry.

use super::Operation;
use crate::area::Area;
use crate::crs::block;
use crate::grid_lookup;
use crate::grid_lookup::margin_text;
use crate::grids::ChosenGrid;
use crate::operation::request::{OperationRequest, here, place_of, shift};
use crate::proj_context::{Object, ObjectKind};
use crate::{packages, pins};
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::problem::Problem;
use pipeline_base::reference::Operation as Written;

/// No change of frame moves a point further, m; a larger move is a swapped axis or a wrong unit. Common practice:
/// the largest shifts between a national datum and a world-wide one are some hundred metres.
const FARTHEST_M: f64 = 2_000.0;

fn bad(what: impl Into<String>) -> Problem {
    Problem::new("frame/bad-pipeline", what).reference_key("operation.pipeline")
}

impl Operation {
    pub(super) fn by_hand(mut self, wish: &OperationRequest, written: &Written) -> Result<Self, Box<Problem>> {
        let files = super::files_of(&written.pipeline, wish.folders, wish.locality).map_err(|why| match why {
            super::UnknownFiles::Text(why) => bad(format!("the pipeline written by hand cannot be used: {why}"))
                .size("unknown in m; the result would hang on what lies about on the machine")
                .why("a pipeline is its text and its grids, and nothing else")
                .fix("correct `operation.pipeline`"),
            super::UnknownFiles::Missing(missing) => missing_grids(written, &missing),
            super::UnknownFiles::Problem(problem) => problem.reference_key("operation.pipeline"),
        })?;
        let proj = pins::proj(&files)?;
        let object = proj.create(&written.pipeline).map_err(|e| {
            bad(format!("the pipeline written by hand cannot be used: {e}"))
                .size("no coordinates")
                .why("the geodesy library does not understand it, or one of its grids is damaged")
                .fix("correct `operation.pipeline`; its grids must lie beside the reference file or in the grid store")
        })?;
        if object.kind() != ObjectKind::NotCrs || object.uses_radians() {
            return Err(Box::new(
                bad("the pipeline written by hand does not take and give degrees")
                    .size("a factor of 57.3, or a point on the grid in place of latitude and longitude")
                    .why("longitude and latitude go in and come out in degrees; a step without unit conversion takes radians")
                    .fix("begin with `+step +proj=unitconvert +xy_in=deg +xy_out=rad` and end with the reverse"),
            ));
        }
        if written.accuracy_m > wish.budget_m {
            return Err(Box::new(
                block(
                    "frame/accuracy-over-budget",
                    format!("the operation of {} states {:.3} m; the budget is {:.3} m", written.source, written.accuracy_m, wish.budget_m),
                )
                .reference_key("operation.accuracy_m")
                .size(format!("{:.1} times the budget", written.accuracy_m / wish.budget_m))
                .fix("use a better operation, or raise `budget.operation_m` if the client accepts it"),
            ));
        }
        self.within_area(wish, written)?;
        for check in &written.checks {
            hold_to(&object, written, check)?;
        }
        self.say_what_is_not_stated(written);
        if let Some(place) = wish.locality {
            let moved = object.carry(here(place, &self.time)).map_err(|e| {
                block("frame/operation-fails", format!("the pipeline written by hand gives no result at {}: {e}", place_of(place)))
                    .reference_key("operation.pipeline")
                    .size("no coordinates")
                    .why("its grids do not reach the work, or a step fails there")
                    .fix("correct `operation.pipeline`")
            })?;
            let (horizontal, up) = shift([place.longitude_deg, place.latitude_deg, place.height_m.unwrap_or(0.0)], moved);
            if horizontal.hypot(up) > FARTHEST_M {
                return Err(Box::new(
                    block(
                        "frame/bad-pipeline",
                        format!(
                            "the pipeline written by hand moves a point at {} by {horizontal:.0} m horizontally and {up:+.0} m in height",
                            place_of(place)
                        ),
                    )
                    .reference_key("operation.pipeline")
                    .size(format!("{horizontal:.0} m"))
                    .why("no change of frame is so large: axes are swapped, a unit is missing, or the result is on a grid")
                    .fix("longitude, latitude (degrees), ellipsoidal height (m) go in, and must come out"),
                ));
            }
            self.areas.push(format!("moves a point here by {horizontal:.3} m horizontally and {up:+.3} m in height"));
            self.areas.extend(super::coverages(&files, place));
        }
        self.files = files;
        self.name = format!("by hand, after {}", written.source);
        self.pipeline.clone_from(&written.pipeline);
        self.accuracy_m = written.accuracy_m;
        Ok(self)
    }

    /// The area that its source states, with the margin.
    fn within_area(&mut self, wish: &OperationRequest, written: &Written) -> Result<(), Box<Problem>> {
        let Some(a) = written.area else { return Ok(()) };
        let area = Area { west: a.west, south: a.south, east: a.east, north: a.north, name: format!("stated by {}", written.source) };
        if let Some(place) = wish.locality {
            let (km, side) = area.margin(place.latitude_deg, place.longitude_deg);
            if km < 0.0 {
                return Err(Box::new(
                    block(
                        "frame/outside-area",
                        format!(
                            "the operation of {} is for an area whose {}ern limit is {}; the work at {} is {:.1} km outside",
                            written.source,
                            side.word(),
                            area.limit(side),
                            place_of(place),
                            -km
                        ),
                    )
                    .reference_key("operation.area")
                    .size("unknown in m; nobody states how good the operation is there")
                    .why("the geodesy library computes outside an area of use without a word")
                    .fix("use an operation that is made for this place, or correct `operation.area`"),
                ));
            }
            self.areas.push(margin_text("operation", &area, place, "area of use"));
        }
        self.limits.push(("the operation written by hand".to_owned(), area));
        Ok(())
    }

    fn say_what_is_not_stated(&mut self, written: &Written) {
        let noop = written.pipeline.trim().trim_start_matches('+') == "proj=noop";
        let missing: Vec<&str> =
            [(written.area.is_none(), "no area of use"), (written.checks.is_empty() && !noop, "no point with its published result")]
                .into_iter()
                .filter_map(|(absent, what)| absent.then_some(what))
                .collect();
        if missing.is_empty() {
            return;
        }
        self.notes.push(
            Problem::from(Diagnostic::new(
                "frame/pipeline-unproved",
                Verdict::Warn,
                format!("the operation of {} is taken as written: {} is given", written.source, missing.join(" and ")),
            ))
            .reference_key("operation")
            .size("unknown in m; a sign or a parameter mistyped is not seen")
            .why("the registry states both for its own operations; for one written by hand only its source can")
            .fix("add `operation.area` and `operation.checks` from the document that publishes it"),
        );
    }
}

fn missing_grids(written: &Written, missing: &[String]) -> Problem {
    block(
        "frame/grid-missing",
        format!("the operation of {} needs the grid `{}`, which is not on this machine", written.source, missing.join("`, `")),
    )
    .reference_key("operation.pipeline")
    .size("no coordinates; without the grid the shift would be left out, 100 m or more for an old datum")
    .why("the network is never used, and a step without its grid is never left out")
    .fix(missing.iter().map(|m| packages::how_to_get(m)).collect::<Vec<_>>().join("; "))
}

/// One point with its published result.
fn hold_to(object: &Object, written: &Written, check: &pipeline_base::reference::CheckPoint) -> Result<(), Box<Problem>> {
    let [latitude, longitude, height] = check.at;
    let year = check.year.unwrap_or(f64::INFINITY);
    let fails = |what: String, size: String| {
        Box::new(
            block("frame/pipeline-check", what)
                .reference_key("operation.checks")
                .size(size)
                .why(format!(
                    "the text is not the operation that {} publishes: a sign, a unit, an order of steps, another grid",
                    written.source
                ))
                .fix("compare `operation.pipeline` and the check point with the publication"),
        )
    };
    let out = object.carry([longitude, latitude, height, year]).map_err(|e| {
        fails(
            format!("the pipeline written by hand gives no result at the check point {latitude} {longitude}: {e}"),
            "no coordinates there".to_owned(),
        )
    })?;
    let (horizontal, up) = shift([check.gives[1], check.gives[0], check.gives[2]], out);
    if !(horizontal <= check.tolerance_m && up.abs() <= check.tolerance_m) {
        return Err(fails(
            format!(
                "the pipeline written by hand gives {:.9} {:.9} {:.4} at the check point {latitude} {longitude} {height}; published is {} {} {}",
                out[1], out[0], out[2], check.gives[0], check.gives[1], check.gives[2]
            ),
            format!("{horizontal:.3} m horizontally and {up:+.3} m in height; {:.3} m is allowed", check.tolerance_m),
        ));
    }
    Ok(())
}

/// Coverage of files at a place, where their heads tell.
pub(super) fn coverages(files: &[ChosenGrid], place: pipeline_base::place::Locality) -> Vec<String> {
    files.iter().filter_map(|f| crate::gridfile::read(&f.path).ok().map(|g| grid_lookup::coverage(&f.name, &g.area, place))).collect()
}
