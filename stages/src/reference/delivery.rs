//! What a table is against what the reference promises. Exports call it when the job is planned.

use super::promised;
use pipeline_base::place::Locality;
use pipeline_base::problem::Problem;
use pipeline_base::reference::{HeightSurface, Reference};
use pipeline_base::table::schema::{Axes, Epoch, Frame, Heights, PhysicalPoint};
use survey_geodesy::crs::{Crs, block, metres, open};
use survey_geodesy::grids;
use survey_geodesy::ground;
use survey_geodesy::operation::Operation;
use survey_geodesy::operation::request::OperationRequest;
use survey_geodesy::proj_context::ObjectKind;
use survey_geodesy::projection::Projection;

/// Compares the frame of a table that is about to be delivered with what the reference promises:
/// horizontal system, surface, datum and unit of the heights, and the physical point. One problem
/// for each mismatch, with its size at the place of the work.
#[must_use]
pub(crate) fn check_delivery(frame: &Frame, reference: &Reference, locality: Option<&Locality>) -> Vec<Problem> {
    let place = locality.copied();
    let mut problems = promised::contradictions(reference, place);
    problems.extend(heights(frame, reference, place).map(Problem::about_input));
    problems.extend(system(frame, reference, place).map(Problem::about_input));
    problems.extend(point(frame).map(Problem::about_input));
    problems
}

/// How far apart two references are at a place, in words; for the finding of a step that would join them.
#[must_use]
pub(crate) fn apart(a: &Frame, b: &Frame, place: Option<Locality>) -> Option<String> {
    let mut said = vec![];
    let three = |f: &Frame| Crs::look_up(&f.crs).ok().and_then(|c| c.geographic_3d);
    if let (Some(x), Some(y)) = (three(a), three(b))
        && x != y
        && let Some(size) = shift_from(&x, a.epoch, &y, Some(b.epoch).filter(|e| *e != Epoch::Static), &[], place)
    {
        said.push(format!("{size} between the two frames"));
    }
    if let (Epoch::Fixed(x), Epoch::Fixed(y)) = (a.epoch, b.epoch)
        && !a.epoch.same(b.epoch)
    {
        said.push(format!("{:.2} years of plate motion, 0.01 to 0.10 m a year", (x - y).abs()));
    }
    let vertical = |f: &Frame| matches!(f.heights, Heights::Vertical { .. });
    if vertical(a) != vertical(b) {
        let n = place.and_then(|l| l.receiver_separation_m);
        said.push(n.map_or_else(
            || "N, tens of metres at most places".to_owned(),
            |n| format!("N, {n:.1} m here by the receiver's own separation"),
        ));
    }
    let (x, y) = (a.heights.unit(), b.heights.unit());
    if x != y {
        let (x, y) = (metres(x), metres(y));
        said.push(format!("a factor of {:.6} in height", if x > y { x / y } else { y / x }));
    }
    if let (Axes::Projected(x), Axes::Projected(y)) = (a.axes, b.axes)
        && x != y
    {
        let (x, y) = (metres(x), metres(y));
        said.push(format!("a factor of {:.6} in easting and northing", if x > y { x / y } else { y / x }));
    }
    if a.point != b.point {
        said.push("the length of the pole or of the beam between the two points".to_owned());
    }
    (!said.is_empty()).then(|| said.join("; "))
}

fn heights(frame: &Frame, reference: &Reference, place: Option<Locality>) -> Option<Problem> {
    let promised = &reference.delivery.heights;
    let wanted = promised::datum(reference);
    let datum = wanted.as_deref().unwrap_or("a vertical datum");
    let receiver = place.and_then(|l| l.receiver_separation_m);
    let model = crate::height::findings::separation_here(reference, place);
    match (&frame.heights, promised.surface) {
        (Heights::Ellipsoidal | Heights::ReceiverGeoid, HeightSurface::VerticalDatum) => {
            let name = promised.geoid.as_ref().map_or_else(|| "the declared model".to_owned(), |g| format!("{} {}", g.model, g.version));
            let ellipsoidal = frame.heights == Heights::Ellipsoidal;
            let here = match (receiver, model) {
                (Some(r), Some(m)) => format!("; the receiver's own separation is {r:.3} m here, {name} gives {m:.3} m"),
                (Some(r), None) => format!("; the receiver's own separation is {r:.3} m here"),
                (None, Some(m)) => format!("; {name} gives a separation of {m:.3} m here"),
                (None, None) => String::new(),
            };
            let best = model.or(receiver);
            let size = match (ellipsoidal, best, receiver, model) {
                (true, Some(n), Some(r), Some(m)) => {
                    format!(
                        "delivered heights would be wrong by {n:+.3} m (N); with the receiver's own separation still by {:.3} m",
                        (r - m).abs()
                    )
                }
                (true, Some(n), _, _) => format!("delivered heights would be wrong by {n:+.3} m (N)"),
                (false, _, Some(r), Some(m)) => format!("delivered heights would be wrong by {:.3} m", (r - m).abs()),
                (false, ..) => "decimetres to more than a metre".to_owned(),
                (true, None, ..) => "delivered heights would be wrong by N, tens of metres at most places".to_owned(),
            };
            let surface = if ellipsoidal { "above the ellipsoid" } else { "above the receiver's own geoid" };
            Some(
                block("height/receiver-geoid", format!("heights {surface} would be delivered as heights above `{datum}`{here}"))
                    .reference_key("delivery.heights.surface")
                    .size(size)
                    .why("no step converts the heights, and the receiver's model is a coarse global one that nobody agreed to")
                    .fix("put `height-convert` between `average` and this step"),
            )
        }
        (Heights::Vertical { datum: have, .. }, HeightSurface::Ellipsoid) => Some(
            block("height/surface-mismatch", format!("heights above `{have}` would be delivered as heights above the ellipsoid"))
                .reference_key("delivery.heights.surface")
                .size(model.or(receiver).map_or_else(|| "N, tens of metres at most places".to_owned(), |n| format!("N, {n:.3} m here")))
                .why("the reference promises ellipsoidal heights")
                .fix("remove `height-convert`, or set `delivery.heights.surface: vertical-datum`"),
        ),
        (Heights::Vertical { datum: have, .. }, HeightSurface::VerticalDatum) if wanted.as_ref().is_some_and(|d| d != have) => Some(
            block("height/datum-mismatch", format!("heights above `{have}` would be delivered as heights above `{datum}`"))
                .reference_key("delivery.heights.datum")
                .size("the distance between the two datums, centimetres to metres")
                .fix("leave `datum` out of the options of `height-convert`, or change the reference"),
        ),
        (Heights::Vertical { unit, .. }, HeightSurface::VerticalDatum) if *unit != promised.unit.unit() => {
            Some(unit_mismatch(unit.symbol(), promised.unit.unit().symbol()))
        }
        (Heights::Ellipsoidal, HeightSurface::Ellipsoid) if promised.unit.metres() < 1.0 => {
            Some(unit_mismatch("m", promised.unit.unit().symbol()))
        }
        _ => None,
    }
}

fn unit_mismatch(have: &str, want: &str) -> Problem {
    block("frame/mixed-units", format!("heights in {have} would be delivered where the reference promises {want}"))
        .reference_key("delivery.heights.unit")
        .size(if have == "m" || want == "m" { "a factor of 3.28" } else { "2 ppm of the height" })
        .fix("let `height-convert` give the heights in the unit of the reference, or change `delivery.heights.unit`")
}

fn system(frame: &Frame, reference: &Reference, place: Option<Locality>) -> Option<Problem> {
    let want = match ground::delivery_crs(reference).and_then(|text| Crs::look_up(&text)) {
        Ok(crs) => crs,
        Err(problem) => return Some(if problem.reference_key.is_some() { problem } else { problem.reference_key("delivery.crs") }),
    };
    let have = Crs::look_up(&frame.crs).ok()?;
    if have.code() == want.code() || same(&have, &want) {
        return None;
    }
    let size = match (&have.geographic_3d, &want.geographic_3d) {
        (Some(a), Some(b)) if a != b => {
            shift_between(a, b, frame, reference, place).unwrap_or_else(|| "the shift between the two datums, up to some metres".to_owned())
        }
        (Some(_), None) | (None, Some(_)) => "the shift between the two datums, often 100 m or more".to_owned(),
        _ => numbers(frame, &want, place),
    };
    Some(
        block(
            "frame/not-as-promised",
            format!("coordinates in {} would be delivered where the reference promises {}", have.title(), want.title()),
        )
        .reference_key("delivery.crs")
        .size(size)
        .why("no step takes the points to the system of the delivery")
        .fix("put `reproject` before this step, without `to`"),
    )
}

/// Equivalent definitions, for example a code and its own WKT; a 2D and a 3D geographic system of one
/// datum differ only in heights, which are compared apart.
fn same(a: &Crs, b: &Crs) -> bool {
    let geographic = |c: &Crs| matches!(c.kind, ObjectKind::Geographic2D | ObjectKind::Geographic3D);
    if geographic(a) && geographic(b) && a.geographic_3d.is_some() && a.geographic_3d == b.geographic_3d {
        return true;
    }
    let Ok(proj) = open(&[]) else { return false };
    let (Ok(x), Ok(y)) = (survey_geodesy::crs::define(&proj, &a.text), survey_geodesy::crs::define(&proj, &b.text)) else { return false };
    x.same_as(&y)
}

fn shift_between(from: &str, to: &str, frame: &Frame, reference: &Reference, place: Option<Locality>) -> Option<String> {
    let folders = grids::folders(&reference.folder);
    shift_from(from, frame.epoch, to, reference.delivery.epoch.map(Epoch::from), &folders, place)
}

fn shift_from(
    from: &str,
    from_epoch: Epoch,
    to: &str,
    to_epoch: Option<Epoch>,
    folders: &[std::path::PathBuf],
    place: Option<Locality>,
) -> Option<String> {
    let operation = Operation::choose(&OperationRequest {
        from,
        from_epoch,
        from_key: "corrections.frame",
        from_epoch_key: "corrections.epoch",
        to,
        to_epoch,
        to_key: "delivery.crs",
        locality: place,
        budget_m: f64::INFINITY,
        written: None,
        motion: None,
        folders,
        locked: None,
    })
    .ok()?;
    let place = place?;
    let proj = operation.proj().ok()?;
    let start = survey_geodesy::operation::request::here(place, &operation.time);
    let out = proj.create(&operation.pipeline).ok()?.carry(start).ok()?;
    let (horizontal, up) = survey_geodesy::operation::request::shift([start[0], start[1], start[2]], out);
    Some(format!("{horizontal:.3} m horizontally and {up:+.3} m in height here"))
}

fn numbers(frame: &Frame, want: &Crs, place: Option<Locality>) -> String {
    let degrees = frame.axes == Axes::Geographic;
    let here =
        place.and_then(|l| Projection::plan(&want.text).ok().and_then(|p| p.at(l.latitude_deg, l.longitude_deg).ok().map(|g| (g, p.unit))));
    match here {
        Some((g, unit)) if degrees => format!("degrees in place of E {:.3} {u} N {:.3} {u}", g.easting, g.northing, u = unit.symbol()),
        Some((g, unit)) => format!("E {:.3} {u} N {:.3} {u} is promised here", g.easting, g.northing, u = unit.symbol()),
        None => "other numbers altogether".to_owned(),
    }
}

fn point(frame: &Frame) -> Option<Problem> {
    let what = match frame.point {
        PhysicalPoint::Target | PhysicalPoint::Mark => return None,
        PhysicalPoint::AntennaPhaseCentre => "the phase centre of the antenna",
        PhysicalPoint::AntennaReferencePoint => "the reference point of the antenna",
        PhysicalPoint::PoleTip => "the tip of the pole, also where the laser was aimed at something else",
    };
    Some(
        block("frame/not-the-target", format!("the coordinates mean {what}, not the target"))
            .size("the length of the pole in height, and the lean of the pole and the laser range in plan")
            .why("no step carries the positions down to the target")
            .fix("put `tilt-correct` after `occupations`"),
    )
}
