#![doc = include_str!("geojson.md")]

mod back;

use super::cells::{self, Cells, Got, Values, about_row, all_placed, compare, differs, file_names};
use super::deliver;
use super::deliver::Ready;
use super::instant;
use super::statement::{Subject, agrees, statement};
use super::wgs84::{Place, ToWgs84};
use crate::export::file::{cannot_read, cannot_write};
use back::Back;
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::pin::{Pin, ProbeAt};
use pipeline_base::problem::Problem;
use pipeline_base::table::Table;
use pipeline_base::table::schema::{Column, Holds, Role, Schema};
use pipeline_core::stage::{BindCx, Bound, Cx, Example, Grain, Inputs, OutFile, Spec, Stage};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value, json};
use std::collections::BTreeMap;
use std::io::Write;

/// Decimals of longitude and latitude: 1e-9 degrees are 0.1 mm.
const DECIMALS_DEG: usize = 9;
/// Decimals of the ellipsoidal height.
const DECIMALS_M: usize = 4;
/// Bytes that are read back at once.
const AT_ONCE: usize = 1 << 16;

/// Options of `export-geojson`.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Options {
    /// Name of the file, below the results folder of the job.
    path: String,
    /// How far off a point on the map may be, in metres. WGS 84 without a realisation is good to 2 m, so a smaller number is refused.
    #[schemars(range(min = 0.0))]
    accuracy_m: f64,
}

/// The stage `export-geojson`.
pub(crate) struct GeoJson {
    options: Options,
    ready: Ready,
    way: ToWgs84,
}

/// Rounds to a number of decimals.
fn round(value: f64, decimals: usize) -> f64 {
    let rounded: f64 = format!("{value:.decimals$}").parse().unwrap_or(value);
    if rounded == 0.0 { 0.0 } else { rounded }
}

/// A property of a row.
fn property(cells: &Cells, row: usize) -> Value {
    match &cells.values {
        Values::Bool(v) => json!(v.get(row)),
        Values::Int(v) => json!(v.get(row)),
        Values::Float(v) => json!(v.get(row)),
        Values::Text(v) => json!(v.get(row)),
        Values::Instant(v) => json!(v.get(row).map(instant::iso)),
    }
}

fn got(holds: Holds, value: &Value) -> Got<'_> {
    let odd = || Got::Odd(format!("`{value}`"));
    match (holds, value) {
        (_, Value::Null) => Got::Missing,
        (Holds::Bool, Value::Bool(v)) => Got::Bool(*v),
        (Holds::Int, v) => v.as_i64().map_or_else(odd, Got::Int),
        (Holds::Float, v) => v.as_f64().map_or_else(odd, |v| Got::Float(v, 0.0)),
        (Holds::Text, Value::String(v)) => Got::Text(v),
        (Holds::Instant, Value::String(v)) => instant::parse(v).map_or_else(odd, |v| Got::Instant(v, 0)),
        _ => odd(),
    }
}

/// The identifier of each row: session, point and occupation; `None` where the table has no points.
fn ids(table: &Table) -> Result<Vec<Option<String>>, Problem> {
    let mut seen: BTreeMap<String, usize> = BTreeMap::new();
    let mut out = Vec::with_capacity(table.rows());
    for row in 0..table.rows() {
        let text = |role| cells::text_of(table, role, row);
        let (session, point, occupation) = (text(Role::Session), text(Role::Point), text(Role::Occupation));
        let id = match (point, occupation) {
            (None, None) => {
                out.push(None);
                continue;
            }
            // The name of an occupation usually holds the name of its point: `V-07`, `V-07#2`.
            (Some(p), Some(o)) if !o.starts_with(p) => format!("{p}/{o}"),
            (_, Some(o)) => o.to_owned(),
            (Some(p), None) => p.to_owned(),
        };
        let id = session.map_or_else(|| id.clone(), |s| format!("{s}/{id}"));
        if let Some(first) = seen.insert(id.clone(), row) {
            return Err(about_row(
                Diagnostic::new(
                    "export/duplicate-id",
                    Verdict::Block,
                    format!("rows {} and {} would both be feature `{id}`", first + 1, row + 1),
                )
                .size("unknown: a program that meets the same identifier twice keeps one of the points")
                .why("session, point and occupation are the same in both rows")
                .fix("rename one of the two points in the field notes"),
                table,
                row,
            ));
        }
        out.push(Some(id));
    }
    Ok(out)
}

fn write(file: &OutFile, head: &Value, places: &[Vec<f64>], ids: &[Option<String>], cells: &[Cells]) -> Result<(), Problem> {
    let failed = |e: std::io::Error| cannot_write(file, e);
    let mut out = super::file::open(file)?;
    writeln!(out, "{{\"type\":\"FeatureCollection\",\n\"statement_of_reference\":{head},\n\"features\":[").map_err(failed)?;
    for (row, place) in places.iter().enumerate() {
        let mut feature = Map::new();
        feature.insert("type".to_owned(), json!("Feature"));
        if let Some(Some(id)) = ids.get(row) {
            feature.insert("id".to_owned(), json!(id));
        }
        feature.insert("geometry".to_owned(), json!({ "type": "Point", "coordinates": place }));
        let properties: Map<String, Value> = cells.iter().map(|c| (c.name.clone(), property(c, row))).collect();
        feature.insert("properties".to_owned(), Value::Object(properties));
        let comma = if row + 1 < places.len() { "," } else { "" };
        writeln!(out, "{}{comma}", Value::Object(feature)).map_err(failed)?;
    }
    writeln!(out, "]}}").map_err(failed)?;
    super::file::close(out, file)
}

fn verify(
    file: &OutFile,
    table: &Table,
    head: &Value,
    places: &[Vec<f64>],
    ids: &[Option<String>],
    cells: &[Cells],
) -> Result<(), Problem> {
    let mut back = Back::new(|row, feature: &Value| {
        // One too many is counted, and said below.
        let (Some(place), Some(id)) = (places.get(row), ids.get(row)) else { return Ok(()) };
        same(file, table, row, feature, place, id.as_deref(), cells)
    });
    let opened = std::fs::File::open(&file.path).map_err(|e| cannot_read(file, e))?;
    let read = back.read(std::io::BufReader::with_capacity(AT_ONCE, opened));
    if read.is_err() && back.problem.is_none() {
        return read.map_err(|e| cannot_read(file, e));
    }
    if back.kind != "FeatureCollection" || !agrees(&back.statement, head) {
        return Err(differs(&file.name, "does not hold the statement of reference that was written"));
    }
    if let Some(problem) = back.problem {
        return Err(problem);
    }
    match back.features {
        None => Err(differs(&file.name, "has no features")),
        Some(n) if n != table.rows() => Err(differs(&file.name, format!("holds {n} features, and the table holds {} rows", table.rows()))),
        Some(_) => Ok(()),
    }
}

/// Compares a feature of the file with a row of the table.
fn same(
    file: &OutFile,
    table: &Table,
    row: usize,
    feature: &Value,
    place: &[f64],
    id: Option<&str>,
    cells: &[Cells],
) -> Result<(), Problem> {
    let name = || cells::row_name(table, row);
    if feature["id"].as_str() != id {
        return Err(differs(&file.name, format!("has identifier `{}` for {}", feature["id"], name())));
    }
    let coordinates = &feature["geometry"]["coordinates"];
    if feature["geometry"]["type"] != "Point" || !agrees(coordinates, &json!(place)) {
        return Err(differs(&file.name, format!("has the geometry {coordinates} for {}, and {place:?} was written", name())));
    }
    let properties = feature["properties"].as_object().ok_or_else(|| differs(&file.name, format!("has no properties for {}", name())))?;
    if !properties.keys().eq(cells.iter().map(|c| &c.name)) {
        return Err(differs(&file.name, format!("has other properties for {} than were written", name())));
    }
    for c in cells {
        compare(table, c, row, &got(c.spec.holds, &properties[&c.name]), &file.name)?;
    }
    Ok(())
}

/// Latitude and longitude, and the ellipsoidal height where the table has one.
fn columns(schema: &Schema) -> Result<(&Column, &Column, Option<&Column>), Problem> {
    let float = |role| schema.role(role).filter(|c| c.holds == Holds::Float);
    match (float(Role::Latitude), float(Role::Longitude)) {
        (Some(lat), Some(lon)) => Ok((lat, lon, float(Role::EllipsoidalHeight))),
        _ if float(Role::Easting).is_some() || float(Role::Northing).is_some() => Err(Problem::new(
            "export/geojson-projected",
            "the table has eastings and northings and no latitude and longitude, and GeoJSON holds only longitude and latitude in WGS 84",
        )
        .size("programs read an easting as degrees and show the point nowhere, or far away")
        .why("RFC 7946, section 4: the coordinate system of all GeoJSON coordinates is WGS 84")
        .fix("take the table of a step that keeps `latitude_deg` and `longitude_deg`, with `from`; or use `export-geopackage`")),
        _ => Err(Problem::new("plan/missing-role", "the table has no column for the latitude and the longitude")
            .fix("take the table of an earlier step that still has positions, with `from`")),
    }
}

impl GeoJson {
    fn places(&self, table: &Table) -> Result<Vec<Vec<f64>>, Problem> {
        let (lat, lon, height) = columns(&table.schema)?;
        all_placed(table, &[lat, lon], &self.options.path)?;
        let (lats, lons) = (table.floats(&lat.name)?, table.floats(&lon.name)?);
        let heights = match height {
            Some(h) => Some(table.floats(&h.name)?),
            None => None,
        };
        let times = table.schema.role(Role::Time).map(|c| table.instants(&c.name)).transpose()?;
        let places: Vec<Place> =
            (0..table.rows()).map(|i| (lats[i], lons[i], heights.as_ref().map(|h| h[i]).filter(|h| h.is_finite()))).collect();
        let carried = self.way.carry(&places, times.as_deref()).map_err(|(row, why)| {
            about_row(
                Diagnostic::new(
                    "export/geojson-outside",
                    Verdict::Block,
                    format!("{} cannot be carried to WGS 84: {why}", cells::row_name(table, row)),
                )
                .size("unknown: there is no position on the map")
                .why(format!("operation `{}`", self.way.operation))
                .fix("look at the latitude and longitude of the point; set the row aside with a `quality-gate` step if it is wrong"),
                table,
                row,
            )
        })?;
        Ok(carried
            .into_iter()
            .map(|(lat, lon, height)| {
                let mut place = vec![round(lon, DECIMALS_DEG), round(lat, DECIMALS_DEG)];
                place.extend(height.map(|h| round(h, DECIMALS_M)));
                place
            })
            .collect())
    }

    fn geometry_words(&self) -> Value {
        json!({
            "crs": "WGS 84 (longitude, latitude, ellipsoidal height), EPSG:4979",
            "use": "for viewing; the properties hold the delivered coordinates",
            "operation": self.way.operation,
            "pipeline": self.way.pipeline,
            "accuracy_m": self.way.accuracy_m,
            "accepted_accuracy_m": self.options.accuracy_m,
        })
    }
}

impl Stage for GeoJson {
    type Options = Options;

    const SPEC: Spec = Spec {
        name: "export-geojson",
        version: 1,
        summary: "Writes the points as GeoJSON in WGS 84 for viewing on a map",
        doc: include_str!("geojson.md"),
        inputs: Inputs::One,
        delivers: true,
        examples: &[Example { title: "A file for a web map", options: "path: points.geojson\naccuracy_m: 2.0\n" }],
    };

    fn bind(options: Options, cx: &BindCx) -> Result<Bound<Self>, Vec<Problem>> {
        let ready = deliver::ready(cx, &options.path, None, false);
        let schema = cx.input()?;
        let mut problems = vec![];
        problems.extend(columns(schema).err());
        problems.extend(file_names(&crate::budget::without(schema), &[]).err());
        let (ready, way, other) = match ready {
            Ok(ready) if problems.is_empty() => match ToWgs84::plan(&ready.frame, cx.locality).and_then(|way| way.locked(cx.locked)) {
                Ok((way, other)) => (ready, way, other),
                Err(p) => return Err(vec![p]),
            },
            other => {
                problems.extend(other.err().into_iter().flatten());
                return Err(problems);
            }
        };
        // Written this way round so that a number that is not one is refused too.
        if !(options.accuracy_m >= way.accuracy_m && options.accuracy_m.is_finite()) {
            return Err(vec![
                Problem::new(
                    "export/geojson-accuracy",
                    format!("a point on the map may be {} m off and the job accepts `accuracy_m: {}`", way.accuracy_m, options.accuracy_m),
                )
                .option("accuracy_m")
                .size(format!("up to {} m between the geometry and the delivered coordinates", way.accuracy_m))
                .why("GeoJSON holds only WGS 84, a name for a group of frames that agree to 2 m; the delivered coordinates are in a better frame")
                .fix(format!("set `accuracy_m` to {} or more if the file is for viewing, else use `export-geopackage`", way.accuracy_m)),
            ]);
        }
        let mut notes = ready.notes.clone();
        notes.extend(other);
        let decided = (json!({ "operation": way.operation, "pipeline": way.pipeline }), way.accuracy_m);
        let mut bound = Bound::new(Self { options, ready, way }, schema.clone(), Grain::Whole)
            .decided("to_wgs84", decided.0)
            .decided("to_wgs84_accuracy_m", decided.1);
        bound.notes = notes;
        Ok(bound)
    }

    fn pins(&self, probes: &[ProbeAt]) -> Result<Vec<Pin>, Problem> {
        Ok(vec![self.way.pin(probes)?])
    }

    fn run(&self, inputs: &[Table], cx: &Cx) -> Result<Table, Problem> {
        let table = inputs.first().ok_or_else(|| Problem::broken("a delivery was run without a table"))?;
        deliver::same_frame(table, &self.ready.frame)?;
        let specs = crate::budget::without(&table.schema);
        let cells = cells::cells(table, &specs, &self.options.path)?;
        let places = self.places(table)?;
        let ids = ids(table)?;
        let subject = Subject {
            file: &self.options.path,
            format: "GeoJSON (RFC 7946)",
            columns: specs.iter().map(|c| (*c, None)).collect(),
            table,
            frame: &self.ready.frame,
            reference: &self.ready.reference,
        };
        let mut words = statement(&subject);
        words["geometry"] = self.geometry_words();
        let file = cx.create(&self.options.path, "path")?;
        write(&file, &words, &places, &ids, &cells)?;
        verify(&file, table, &words, &places, &ids, &cells)?;
        deliver::finish(cx, &file, &subject, &words)?;
        Ok(table.clone())
    }
}

#[cfg(test)]
mod tests;
