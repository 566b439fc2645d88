#![doc = include_str!("geopackage.md")]

mod blob;
mod tables;

use super::cells::{self, Cells, Got, Values, all_placed, compare, differs, file_names};
use super::deliver;
use super::deliver::Ready;
use super::srs::{self, Srs};
use super::statement::{Subject, agrees, statement};
use super::{instant, meaning};
use crate::export::file::{cannot_read, cannot_write};
use pipeline_base::problem::Problem;
use pipeline_base::table::Table;
use pipeline_base::table::schema::{Column, Epoch, Holds, Role};
use pipeline_core::stage::{BindCx, Bound, Cx, Example, Grain, Inputs, OutFile, Spec, Stage};
use polars::prelude::ChunkAgg;
use rusqlite::types::{Value, ValueRef};
use rusqlite::{Connection, OpenFlags, params, params_from_iter};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use tables::{APPLICATION_ID, OWN_SRS, USER_VERSION, quoted};

/// Columns that the format adds.
const KEY: &str = "fid";
const GEOMETRY: &str = "geom";
/// Half a millisecond: times are written with three decimals of a second.
const HALF_MS: i64 = 500_000;
/// Standard that the metadata follows: this program's own statement of reference.
const STATEMENT_URI: &str = "urn:gunter:statement-of-reference:1";

/// Options of `export-geopackage`.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Options {
    /// Name of the file, below the results folder of the job; must end in `.gpkg`.
    path: String,
    /// Name of the layer.
    #[serde(default = "points")]
    layer: String,
    /// Whether the layer's coordinate system holds the heights too, as a horizontal and a vertical system together. Such a pair
    /// has no code of its own, and some programs then show the layer as having a custom system. Left out: the layer has the
    /// code of the horizontal system, and the descriptions in the file say what the heights are.
    #[serde(default)]
    vertical_in_crs: bool,
}

fn points() -> String {
    "points".to_owned()
}

/// The stage `export-geopackage`.
pub(crate) struct GeoPackage {
    options: Options,
    ready: Ready,
    srs: Srs,
}

/// What goes into a file.
struct Content<'a> {
    layer: &'a str,
    table: &'a Table,
    cells: &'a [Cells<'a>],
    position: [&'a Column; 3],
    srs: Srs,
    srs_id: i32,
    /// What the third coordinate is, in words.
    height: String,
    epoch: Option<f64>,
    /// ISO 8601, from the data.
    last_change: String,
    statement: &'a str,
}

impl Content<'_> {
    fn xyz(&self) -> Result<Vec<[f64; 3]>, Problem> {
        let [x, y, z] = self.position.map(|c| self.table.floats(&c.name));
        Ok(x?.iter().zip(y?.iter()).zip(z?.iter()).map(|((x, y), z)| [*x, *y, *z]).collect())
    }
}

/// Smallest and largest easting and northing; `None` without rows.
fn extent(xyz: &[[f64; 3]]) -> [Option<f64>; 4] {
    let edge = |i: usize, pick: fn(f64, f64) -> f64| xyz.iter().map(|p| p[i]).reduce(pick);
    [edge(0, f64::min), edge(1, f64::min), edge(0, f64::max), edge(1, f64::max)]
}

/// The latest time in the table; the first instant of 1970 where there is none.
fn last_change(cells: &[Cells]) -> i64 {
    let times = cells.iter().filter(|c| c.spec.role == Role::Time).chain(cells.iter().filter(|c| c.spec.role != Role::Time));
    times
        .filter_map(|c| match &c.values {
            Values::Instant(v) => v.max(),
            _ => None,
        })
        .next()
        .unwrap_or(0)
}

const fn sql_type(holds: Holds) -> &'static str {
    match holds {
        Holds::Bool => "BOOLEAN",
        Holds::Int => "INTEGER",
        Holds::Float => "DOUBLE",
        Holds::Text => "TEXT",
        Holds::Instant => "DATETIME",
    }
}

fn value(cells: &Cells, row: usize) -> Value {
    match &cells.values {
        Values::Bool(v) => v.get(row).map(|v| Value::Integer(i64::from(v))),
        Values::Int(v) => v.get(row).map(Value::Integer),
        Values::Float(v) => v.get(row).map(Value::Real),
        Values::Text(v) => v.get(row).map(|v| Value::Text(v.to_owned())),
        Values::Instant(v) => v.get(row).map(|v| Value::Text(instant::iso_ms(v))),
    }
    .unwrap_or(Value::Null)
}

fn got<'a>(holds: Holds, value: ValueRef<'a>) -> Got<'a> {
    match (holds, value) {
        (_, ValueRef::Null) => Got::Missing,
        (Holds::Bool, ValueRef::Integer(v @ (0 | 1))) => Got::Bool(v == 1),
        (Holds::Int, ValueRef::Integer(v)) => Got::Int(v),
        (Holds::Float, ValueRef::Real(v)) => Got::Float(v, 0.0),
        (Holds::Text, ValueRef::Text(v)) => std::str::from_utf8(v).map_or_else(|_| Got::Odd("bytes that are no text".into()), Got::Text),
        (Holds::Instant, ValueRef::Text(v)) => {
            let at = std::str::from_utf8(v).ok().and_then(instant::parse);
            at.map_or_else(|| Got::Odd("a text that is no time".into()), |v| Got::Instant(v, HALF_MS))
        }
        (_, other) => Got::Odd(format!("a value of type {}", other.data_type())),
    }
}

/// A column in one sentence, for the people who open the file.
fn describe(c: &Column) -> String {
    let parts = [meaning::of(c), meaning::unit(c.unit), meaning::confidence(c).unwrap_or_default()];
    parts.into_iter().filter(|p| !p.is_empty()).collect::<Vec<_>>().join("; ")
}

fn write(path: &std::path::Path, content: &Content) -> Result<(), rusqlite::Error> {
    let layer = content.layer;
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let mut db = Connection::open_with_flags(path, flags)?;
    // The file is new and has a temporary name, so a journal would protect nothing.
    db.execute_batch(
        "PRAGMA page_size=4096; PRAGMA encoding='UTF-8'; PRAGMA journal_mode=OFF; PRAGMA synchronous=OFF; PRAGMA temp_store=MEMORY; PRAGMA foreign_keys=ON;",
    )?;
    db.pragma_update(None, "application_id", APPLICATION_ID)?;
    db.pragma_update(None, "user_version", USER_VERSION)?;
    let tx = db.transaction()?;
    tx.execute_batch(tables::CREATE)?;
    for (name, id, organisation, wkt1, wkt2, about) in tables::ALWAYS.iter().filter(|row| row.1 != content.srs_id) {
        tx.execute("INSERT INTO gpkg_spatial_ref_sys VALUES (?,?,?,?,?,?,?,NULL)", params![name, id, organisation, id, wkt1, about, wkt2])?;
    }
    let (organisation, code) = content.srs.code.clone().unwrap_or_else(|| ("NONE".to_owned(), i64::from(OWN_SRS)));
    let undefined = || "undefined".to_owned();
    tx.execute(
        "INSERT INTO gpkg_spatial_ref_sys VALUES (?,?,?,?,?,?,?,?)",
        params![
            content.srs.name,
            content.srs_id,
            organisation,
            code,
            content.srs.wkt1.clone().unwrap_or_else(undefined),
            content.height,
            content.srs.wkt2.clone().unwrap_or_else(undefined),
            content.epoch
        ],
    )?;
    let xyz = content.xyz().unwrap_or_default();
    let [min_x, min_y, max_x, max_y] = extent(&xyz);
    tx.execute(
        "INSERT INTO gpkg_contents VALUES (?,'features',?,?,?,?,?,?,?,?)",
        params![layer, layer, content.height, content.last_change, min_x, min_y, max_x, max_y, content.srs_id],
    )?;
    let mut columns =
        vec![format!("{} INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL", quoted(KEY)), format!("{} POINT NOT NULL", quoted(GEOMETRY))];
    for c in content.cells {
        columns.push(format!("{} {}{}", quoted(&c.name), sql_type(c.spec.holds), if c.spec.nullable { "" } else { " NOT NULL" }));
    }
    tx.execute_batch(&format!("CREATE TABLE {} (\n  {}\n);", quoted(layer), columns.join(",\n  ")))?;
    tx.execute("INSERT INTO gpkg_geometry_columns VALUES (?,?,'POINT',?,1,0)", params![layer, GEOMETRY, content.srs_id])?;
    {
        let mut describe_column = tx.prepare("INSERT INTO gpkg_data_columns VALUES (?,?,NULL,NULL,?,NULL,NULL)")?;
        describe_column.execute(params![layer, GEOMETRY, content.height])?;
        for c in content.cells {
            let text = describe(c.spec);
            if !text.is_empty() {
                describe_column.execute(params![layer, c.name, text])?;
            }
        }
        let places = vec!["?"; content.cells.len() + 2].join(",");
        let mut insert = tx.prepare(&format!("INSERT INTO {} VALUES ({places})", quoted(layer)))?;
        for (row, point) in xyz.iter().enumerate() {
            let key = Value::Integer(i64::try_from(row + 1).unwrap_or(i64::MAX));
            let geometry = Value::Blob(blob::write(content.srs_id, *point));
            insert.execute(params_from_iter([key, geometry].into_iter().chain(content.cells.iter().map(|c| value(c, row)))))?;
        }
    }
    tx.execute("INSERT INTO gpkg_metadata VALUES (1,'dataset',?,'application/json',?)", params![STATEMENT_URI, content.statement])?;
    tx.execute("INSERT INTO gpkg_metadata_reference VALUES ('table',?,NULL,NULL,?,1,NULL)", params![layer, content.last_change])?;
    tx.commit()?;
    db.execute_batch("VACUUM;")?;
    db.close().map_err(|(_, e)| e)
}

fn verify(file: &OutFile, content: &Content) -> Result<(), Problem> {
    let sql = |e: rusqlite::Error| cannot_read(file, e);
    let db = Connection::open_with_flags(&file.path, OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX).map_err(sql)?;
    let integrity: String = db.query_row("PRAGMA integrity_check", [], |r| r.get(0)).map_err(sql)?;
    if integrity != "ok" {
        return Err(differs(&file.name, format!("fails the integrity check: {integrity}")));
    }
    for (pragma, want) in [("application_id", APPLICATION_ID), ("user_version", USER_VERSION)] {
        let have: i64 = db.pragma_query_value(None, pragma, |r| r.get(0)).map_err(sql)?;
        if have != want {
            return Err(differs(&file.name, format!("has {pragma} {have}, and {want} was written")));
        }
    }
    if db.prepare("PRAGMA foreign_key_check").and_then(|mut s| s.exists([])).map_err(sql)? {
        return Err(differs(&file.name, "has a reference to a row that does not exist"));
    }
    let srs: (i32, i64, i64, i64) = db
        .query_row(
            "SELECT g.srs_id, g.z, g.m, (SELECT count(*) FROM gpkg_spatial_ref_sys s WHERE s.srs_id = g.srs_id) FROM gpkg_geometry_columns g WHERE table_name = ?",
            [content.layer],
            |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?)),
        )
        .map_err(sql)?;
    if srs != (content.srs_id, 1, 0, 1) {
        return Err(differs(&file.name, "names another coordinate system or geometry for its layer than was written"));
    }
    let kept: String = db
        .query_row(
            "SELECT m.metadata FROM gpkg_metadata m JOIN gpkg_metadata_reference r ON r.md_file_id = m.id WHERE r.table_name = ?",
            [content.layer],
            |r| r.get(0),
        )
        .map_err(sql)?;
    let parse = |t: &str| serde_json::from_str::<serde_json::Value>(t).ok();
    if !matches!((parse(&kept), parse(content.statement)), (Some(a), Some(b)) if agrees(&a, &b)) {
        return Err(differs(&file.name, "does not hold the statement of reference that was written"));
    }
    let mut select = db.prepare(&format!("SELECT * FROM {} ORDER BY {}", quoted(content.layer), quoted(KEY))).map_err(sql)?;
    let names = select.column_names();
    if !names.iter().copied().eq([KEY, GEOMETRY].into_iter().chain(content.cells.iter().map(|c| c.name.as_str()))) {
        return Err(differs(&file.name, "has other columns than were written"));
    }
    let xyz = content.xyz()?;
    let mut rows = select.query([]).map_err(sql)?;
    let mut at = 0;
    while let Some(row) = rows.next().map_err(sql)? {
        let Some(want) = xyz.get(at) else {
            return Err(differs(&file.name, format!("holds more than the {} rows of the table", xyz.len())));
        };
        let geometry = row.get_ref(1).ok().and_then(|v| v.as_blob().ok().and_then(blob::read));
        let Some((srs, point)) = geometry else {
            return Err(differs(&file.name, format!("has no point in the geometry of {}", cells::row_name(content.table, at))));
        };
        if srs != content.srs_id || point.iter().zip(want).any(|(a, b)| a.to_bits() != b.to_bits()) {
            return Err(differs(
                &file.name,
                format!("has the point {point:?} in the geometry of {}, and the table holds {want:?}", cells::row_name(content.table, at)),
            ));
        }
        for (i, c) in content.cells.iter().enumerate() {
            let value = row.get_ref(i + 2).map_err(sql)?;
            compare(content.table, c, at, &got(c.spec.holds, value), &file.name)?;
        }
        at += 1;
    }
    if at == xyz.len() { Ok(()) } else { Err(differs(&file.name, format!("holds {at} rows, and the table holds {}", xyz.len()))) }
}

/// A layer name that every reader takes.
fn check_layer(layer: &str) -> Result<(), Problem> {
    let first = layer.chars().next().is_some_and(|c| c.is_alphabetic() || c == '_');
    let plain = layer.chars().all(|c| c.is_alphanumeric() || c == '_');
    let lower = layer.to_lowercase();
    let taken = ["gpkg_", "sqlite_", "rtree_"].iter().any(|p| lower.starts_with(p));
    if first && plain && !taken {
        return Ok(());
    }
    Err(Problem::new("export/bad-layer", format!("`{layer}` cannot be the name of a layer"))
        .option("layer")
        .why("a layer is a table of a database: its name starts with a letter, holds letters, digits and `_`, and does not begin with `gpkg_`, `sqlite_` or `rtree_`")
        .fix("set `layer` to a name such as `points`"))
}

impl Stage for GeoPackage {
    type Options = Options;

    const SPEC: Spec = Spec {
        name: "export-geopackage",
        version: 1,
        summary: "Writes the points as a GeoPackage layer with height, CRS, epoch and all attributes in one file",
        doc: include_str!("geopackage.md"),
        inputs: Inputs::One,
        delivers: true,
        examples: &[
            Example { title: "One layer named points", options: "path: points.gpkg\n" },
            Example { title: "A layer with the client's name", options: "path: client/as-built.gpkg\nlayer: water_fittings\n" },
            Example { title: "Horizontal and vertical system in one definition", options: "path: points.gpkg\nvertical_in_crs: true\n" },
        ],
    };

    fn bind(options: Options, cx: &BindCx) -> Result<Bound<Self>, Vec<Problem>> {
        let ready = deliver::ready(cx, &options.path, Some(".gpkg"), true);
        let schema = cx.input()?;
        let mut problems: Vec<Problem> = check_layer(&options.layer).err().into_iter().collect();
        problems.extend(file_names(&crate::budget::without(schema), &[KEY, GEOMETRY]).err());
        let ready = match ready {
            Ok(r) if problems.is_empty() => r,
            other => {
                problems.extend(other.err().into_iter().flatten());
                return Err(problems);
            }
        };
        let srs = if options.vertical_in_crs {
            srs::compound(&ready.frame).map_err(|p| vec![p.option("vertical_in_crs")])?
        } else {
            srs::of_frame(&ready.frame)
        };
        let notes = ready.notes.clone();
        let (title, height) = (srs.title(), srs::third_coordinate(&ready.frame));
        let mut bound = Bound::new(Self { options, ready, srs }, schema.clone(), Grain::Whole)
            .decided("layer_crs", title)
            .decided("third_coordinate", height);
        bound.notes = notes;
        Ok(bound)
    }

    fn run(&self, inputs: &[Table], cx: &Cx) -> Result<Table, Problem> {
        let table = inputs.first().ok_or_else(|| Problem::broken("a delivery was run without a table"))?;
        deliver::same_frame(table, &self.ready.frame)?;
        let columns = crate::budget::without(&table.schema);
        let cells = cells::cells(table, &columns, &self.options.path)?;
        let position =
            cells::position(&table.schema, &self.ready.frame).map_err(|_| Problem::broken("the table lost its position columns"))?;
        all_placed(table, &position, &self.options.path)?;
        let subject = Subject {
            file: &self.options.path,
            format: "OGC GeoPackage 1.4",
            columns: columns.iter().map(|c| (*c, None)).collect(),
            table,
            frame: &self.ready.frame,
            reference: &self.ready.reference,
        };
        let words = statement(&subject);
        let text = words.to_string();
        let (srs, height) = (self.srs.clone(), srs::third_coordinate(&self.ready.frame));
        let srs_id = match &srs.code {
            Some((registry, code)) if registry == "EPSG" => i32::try_from(*code).unwrap_or(OWN_SRS),
            _ => OWN_SRS,
        };
        let epoch = match self.ready.frame.epoch {
            Epoch::Fixed(year) => Some(year),
            Epoch::Static | Epoch::EachObservation => None,
        };
        let last_change = instant::iso_ms(last_change(&cells));
        let content = Content {
            layer: &self.options.layer,
            table,
            cells: &cells,
            position,
            srs,
            srs_id,
            height,
            epoch,
            last_change,
            statement: &text,
        };
        let file = cx.create(&self.options.path, "path")?;
        super::file::close(super::file::open(&file)?, &file)?;
        write(&file.path, &content).map_err(|e| cannot_write(&file, e))?;
        super::file::sync(&std::fs::File::open(&file.path).map_err(|e| cannot_write(&file, e))?, &file)?;
        verify(&file, &content)?;
        deliver::finish(cx, &file, &subject, &words)?;
        Ok(table.clone())
    }
}

#[cfg(test)]
mod tests;
