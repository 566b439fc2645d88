//! The statement of reference: what the numbers of a delivered file mean, in a form that a program
//! and a person can read. It travels with every file.

use super::cells::{self, file_name_of};
use super::{meaning, promise, srs};
use pipeline_base::reference::{EpochText, LengthUnit, Reference};
use pipeline_base::table::Table;
use pipeline_base::table::schema::{Axes, Column, Epoch, Frame, Heights, Holds, PhysicalPoint, Unit};
use serde_json::{Map, Value, json};

/// What a statement is about.
#[derive(Clone, Debug)]
pub(crate) struct Subject<'a> {
    /// Name of the file, below the results folder.
    pub file: &'a str,
    /// Format in words.
    pub format: &'a str,
    /// Columns in the order of the file, with the decimals that are written (`None`: every digit).
    pub columns: Vec<(&'a Column, Option<usize>)>,
    /// The table.
    pub table: &'a Table,
    /// Frame of the coordinates.
    pub frame: &'a Frame,
    /// The reference of the job.
    pub reference: &'a Reference,
}

/// The statement of reference of a file.
#[must_use]
pub(crate) fn statement(s: &Subject) -> Value {
    let mut out = Map::new();
    let mut put = |key: &str, value: Value| out.insert(key.to_owned(), value);
    put("statement_of_reference", json!(1));
    put("file", json!(s.file));
    put("format", json!(s.format));
    put("rows", json!(s.table.rows()));
    put("crs", crs(s.frame));
    if let Some(ground) = ground(s) {
        put("ground_system", ground);
    }
    put("coordinate_epoch", epoch(s.frame.epoch));
    put("heights", heights(s));
    put("physical_point", physical_point(s.frame.point));
    put("axis_order", axis_order(s));
    put("columns", s.columns.iter().map(|(c, decimals)| column(c, *decimals)).collect());
    if let Some(feet) = both_feet(s) {
        put("first_point_in_each_length_unit", feet);
    }
    put("corrections", corrections(s.reference));
    put(
        "promised_uncertainty",
        json!({
            "horizontal_95_m": s.reference.budget.horizontal_95_m,
            "vertical_95_m": s.reference.budget.vertical_95_m,
            "meaning": "95 %; horizontal is radial, vertical is one axis",
        }),
    );
    put("reference", json!(s.reference.name));
    Value::Object(out)
}

fn crs(frame: &Frame) -> Value {
    let srs = srs::of_frame(frame);
    let (kind, unit) = match frame.axes {
        Axes::Projected(unit) => ("projected", unit),
        Axes::Geographic => ("geographic", Unit::Degree),
    };
    let mut out = json!({
        "id": srs.code.as_ref().map_or_else(|| frame.crs.clone(), |_| srs.title()),
        "name": srs.name,
        "kind": kind,
        "horizontal_unit": unit.symbol(),
        "horizontal_unit_meaning": meaning::unit(unit),
    });
    if let Some(wkt2) = srs.wkt2 {
        out["wkt2"] = json!(wkt2);
    }
    out
}

/// The ground system, in numbers beside its WKT, where the table is in it.
fn ground(s: &Subject) -> Option<Value> {
    let ground = s.reference.delivery.ground.as_ref().filter(|g| g.name == s.frame.name)?;
    Some(json!({
        "name": ground.name,
        "base": s.reference.delivery.crs,
        "ground_over_grid": survey_geodesy::ground::factor(ground).ok()?,
        "origin_of_base": ground.origin,
        "added": ground.add,
        "stated_by": ground.stated_by,
        "meaning": "ground = origin + ground_over_grid * (grid - origin) + added, for easting and northing alike; the WKT of the CRS says the same",
    }))
}

fn epoch(epoch: Epoch) -> Value {
    match epoch {
        Epoch::Static => json!({ "kind": "static", "meaning": promise::epoch_words(epoch) }),
        Epoch::Fixed(year) => json!({ "kind": "fixed", "decimal_year": year, "meaning": "all coordinates are at this epoch" }),
        Epoch::EachObservation => json!({ "kind": "each-observation", "meaning": "each row is at its own time of measurement" }),
    }
}

fn heights(s: &Subject) -> Value {
    let column = cells::position(&s.table.schema, s.frame).ok().map(|[_, _, up]| file_name_of(up));
    let mut out = match &s.frame.heights {
        Heights::Ellipsoidal => {
            json!({ "surface": "ellipsoid", "meaning": "height above the ellipsoid of the datum of the CRS", "unit": "m", "unit_meaning": meaning::unit(Unit::Metre) })
        }
        Heights::ReceiverGeoid => json!({ "surface": "receiver-geoid", "meaning": "height above the receiver's own coarse geoid" }),
        Heights::Vertical { datum, sha256, unit, .. } => {
            let srs = srs::look_up(datum, datum);
            let geoid = s.reference.delivery.heights.geoid.as_ref();
            json!({
                "surface": "vertical-datum",
                "datum": datum,
                "datum_name": srs.name,
                "datum_wkt2": srs.wkt2,
                "geoid_model": s.frame.heights.model_text(),
                "geoid_name": geoid.map(|g| g.model.as_str()),
                "geoid_version": geoid.map(|g| g.version.as_str()),
                "geoid_sha256": sha256,
                "geoid_sigma_m": geoid.map(|g| g.sigma_m),
                "unit": unit.symbol(),
                "unit_meaning": meaning::unit(*unit),
            })
        }
    };
    if let Some(column) = column {
        out["column"] = json!(column);
    }
    out
}

/// The physical point in words.
fn physical_point(point: PhysicalPoint) -> Value {
    let (id, words) = match point {
        PhysicalPoint::AntennaPhaseCentre => ("antenna-phase-centre", "phase centre of the antenna, not a point on the ground"),
        PhysicalPoint::AntennaReferencePoint => ("antenna-reference-point", "antenna reference point, not a point on the ground"),
        PhysicalPoint::PoleTip => ("pole-tip", "tip of the pole"),
        PhysicalPoint::Target => ("target", "the tip of the pole or the surface that the laser hit, as column `aim` says for each row"),
        PhysicalPoint::Mark => ("mark", "mark in the ground"),
    };
    json!({ "id": id, "meaning": words })
}

fn axis_order(s: &Subject) -> Value {
    let names: Vec<String> =
        cells::position(&s.table.schema, s.frame).map(|p| p.iter().map(|c| file_name_of(c)).collect()).unwrap_or_default();
    json!({ "names": names, "meaning": "east, north, up; columns are found by name, never by place" })
}

fn column(c: &Column, decimals: Option<usize>) -> Value {
    let mut out = Map::new();
    let mut put = |key: &str, value: Value| out.insert(key.to_owned(), value);
    put("name", json!(file_name_of(c)));
    put(
        "holds",
        json!(match c.holds {
            Holds::Bool => "true or false",
            Holds::Int => "whole number",
            Holds::Float => "number",
            Holds::Text => "text",
            Holds::Instant => "time, ISO 8601, UTC",
        }),
    );
    if c.unit != Unit::None {
        put("unit", json!(c.unit.symbol()));
        put("unit_meaning", json!(meaning::unit(c.unit)));
    }
    if let Some(decimals) = decimals {
        put("decimals", json!(decimals));
    }
    if !meaning::of(c).is_empty() {
        put("meaning", json!(meaning::of(c)));
    }
    if let Some(confidence) = meaning::confidence(c) {
        put("confidence", json!(confidence));
    }
    put("may_be_empty", json!(c.nullable));
    Value::Object(out)
}

/// The first point in metres and in both feet, where the delivery is in feet: a person sees at once
/// which foot it is.
fn both_feet(s: &Subject) -> Option<Value> {
    let position = cells::position(&s.table.schema, s.frame).ok()?;
    if s.table.rows() == 0 || !position.iter().any(|c| matches!(c.unit, Unit::Foot | Unit::UsSurveyFoot)) {
        return None;
    }
    let mut out = Map::new();
    for c in position {
        let unit = match c.unit {
            Unit::Metre => LengthUnit::Metre,
            Unit::Foot => LengthUnit::Foot,
            Unit::UsSurveyFoot => LengthUnit::UsSurveyFoot,
            _ => continue,
        };
        let metres = s.table.floats(&c.name).ok()?.first()? * unit.metres();
        let text = |u: LengthUnit| format!("{:.4}", metres / u.metres());
        let other = match unit {
            LengthUnit::Foot => Some(LengthUnit::UsSurveyFoot),
            LengthUnit::UsSurveyFoot => Some(LengthUnit::Foot),
            LengthUnit::Metre => None,
        };
        // What a reader who takes the number for the other foot is off by.
        let off = other.map(|o| format!("{:+.4}", metres / unit.metres() * (o.metres() - unit.metres())));
        out.insert(
            file_name_of(c),
            json!({ "written_in": c.unit.symbol(), "m": text(LengthUnit::Metre), "ft": text(LengthUnit::Foot), "ftUS": text(LengthUnit::UsSurveyFoot), "off_if_read_as_the_other_foot_m": off }),
        );
    }
    Some(Value::Object(out))
}

fn corrections(reference: &Reference) -> Value {
    let c = &reference.corrections;
    json!({
        "frame": c.frame,
        "epoch": c.epoch.map(|e| match e {
            EpochText::Year(year) => json!(year),
            EpochText::Observation => json!("observation"),
        }),
        "stated_by": c.stated_by,
        "base_station": c.base_station,
    })
}

/// Whether two JSON values say the same, with numbers equal within the noise of parsing.
#[must_use]
pub(crate) fn agrees(a: &Value, b: &Value) -> bool {
    match (a, b) {
        (Value::Number(a), Value::Number(b)) => {
            let exact = a.as_i64().is_some() && a.as_i64() == b.as_i64();
            exact || matches!((a.as_f64(), b.as_f64()), (Some(a), Some(b)) if (a - b).abs() <= a.abs().max(b.abs()) * 2.0 * f64::EPSILON)
        }
        (Value::Array(a), Value::Array(b)) => a.len() == b.len() && a.iter().zip(b).all(|(a, b)| agrees(a, b)),
        (Value::Object(a), Value::Object(b)) => a.len() == b.len() && a.iter().zip(b).all(|((k, a), (l, b))| k == l && agrees(a, b)),
        (a, b) => a == b,
    }
}
