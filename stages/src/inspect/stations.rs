//! Lists of published marks, as CSV with columns by name.

use pipeline_base::diag::{Diagnostic, Label, Verdict};
use pipeline_base::problem::Problem;
use std::path::Path;

/// A mark of a list.
#[derive(Clone, Debug, PartialEq)]
pub struct Station {
    /// Its name.
    pub name: String,
    /// Where it is.
    pub position: Position,
    /// Frame (geographic position) or grid (easting and northing): a code, WKT or PROJ text.
    pub system: String,
    /// Coordinate epoch, decimal year.
    pub epoch: Option<f64>,
}

/// Position of a mark.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Position {
    /// Latitude and longitude (deg), ellipsoidal height (m).
    Geographic(f64, f64, Option<f64>),
    /// Geocentric X, Y, Z, m.
    Geocentric(f64, f64, f64),
    /// Easting and northing, in metres by the unit in the names of the columns.
    Grid(f64, f64),
}

fn wrong(name: &str, what: impl Into<String>) -> Problem {
    Problem::from(
        Diagnostic::new("data/bad-layout", Verdict::Error, what)
            .label(Label::file(name, "this list"))
            .why("columns are found by name, and a frame or unit is never guessed")
            .fix(
                "give the columns `name`, `frame` (code such as EPSG:6319), `epoch` where the frame needs one, and `latitude_deg`, `longitude_deg`, \
                 `ellipsoidal_height_m`, or `x_m`, `y_m`, `z_m`; for grid coordinates `crs` and `easting_m`, `northing_m` (or `_ft`, `_ftUS`)",
            ),
    )
}

/// Reads a list.
///
/// # Errors
/// `data/bad-layout`, `data/unreadable-file`, `data/damaged-row`.
pub fn read(name: &str, path: &Path) -> Result<Vec<Station>, Problem> {
    let text = std::fs::read_to_string(path).map_err(|e| pipeline_base::input::unreadable(name, &e))?;
    parse(name, &text)
}

/// Columns of one kind of position.
enum Layout {
    Geographic([usize; 2], Option<usize>),
    Geocentric([usize; 3]),
    Grid([usize; 2], f64),
}

fn parse(name: &str, text: &str) -> Result<Vec<Station>, Problem> {
    let lines = text.trim_start_matches('\u{feff}');
    let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).trim(csv::Trim::All).from_reader(lines.as_bytes());
    let heads = reader.headers().map_err(|e| wrong(name, format!("the list cannot be read: {e}")))?.clone();
    let column = |wanted: &str| heads.iter().position(|h| h == wanted);
    let name_column = column("name").or_else(|| column("point")).ok_or_else(|| wrong(name, "the list has no column `name`"))?;
    let pair = |a: &str, b: &str| column(a).zip(column(b)).map(|(a, b)| [a, b]);
    let layout = if let Some(columns) = pair("latitude_deg", "longitude_deg") {
        Layout::Geographic(columns, column("ellipsoidal_height_m"))
    } else if let (Some([x, y]), Some(z)) = (pair("x_m", "y_m"), column("z_m")) {
        Layout::Geocentric([x, y, z])
    } else {
        let units = [("m", 1.0), ("ft", 0.3048), ("ftUS", 1200.0 / 3937.0)];
        let found = units.iter().find_map(|(u, k)| Some((pair(&format!("easting_{u}"), &format!("northing_{u}"))?, *k)));
        let (columns, unit) = found.ok_or_else(|| wrong(name, "the list has no position"))?;
        Layout::Grid(columns, unit)
    };
    let key = if matches!(layout, Layout::Grid(..)) { "crs" } else { "frame" };
    let system =
        column(key).ok_or_else(|| wrong(name, format!("the list has no column `{key}`, so nothing says what its coordinates mean")))?;
    let epoch = column("epoch");
    let mut out = vec![];
    for record in reader.records() {
        let record = record.map_err(|e| wrong(name, format!("the list cannot be read: {e}")))?;
        let line = record.position().map_or(0, csv::Position::line);
        let damaged = |what: String| {
            Problem::from(
                Diagnostic::new("data/damaged-row", Verdict::Error, what)
                    .label(Label::lines(name, line, line, "this line"))
                    .fix("correct the line, or take it out of the list"),
            )
        };
        let text = |i: usize| record.get(i).unwrap_or_default();
        let number = |i: usize| {
            let t = text(i);
            t.parse::<f64>()
                .ok()
                .filter(|v| v.is_finite())
                .ok_or_else(|| damaged(format!("`{t}` is no number in column `{}`", heads.get(i).unwrap_or_default())))
        };
        let maybe = |i: Option<usize>| i.filter(|i| !text(*i).is_empty()).map(number).transpose();
        let position = match &layout {
            Layout::Geographic([la, lo], height) => {
                let (la, lo) = (number(*la)?, number(*lo)?);
                if la.abs() > 90.0 || lo.abs() > 360.0 {
                    return Err(damaged(format!("`{la} {lo}` is no latitude and longitude")));
                }
                Position::Geographic(la, lo, maybe(*height)?)
            }
            Layout::Geocentric([x, y, z]) => Position::Geocentric(number(*x)?, number(*y)?, number(*z)?),
            Layout::Grid([e, n], unit) => Position::Grid(number(*e)? * unit, number(*n)? * unit),
        };
        if text(system).is_empty() {
            return Err(damaged(format!("`{}` has no `{key}`", text(name_column))));
        }
        out.push(Station { name: text(name_column).to_owned(), position, system: text(system).to_owned(), epoch: maybe(epoch)? });
    }
    if out.is_empty() {
        return Err(wrong(name, "the list has no mark"));
    }
    if let Some(twice) = out.iter().enumerate().find_map(|(i, s)| out[..i].iter().any(|o| o.name == s.name).then_some(&s.name)) {
        return Err(wrong(name, format!("the mark `{twice}` is in the list twice")));
    }
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn three_kinds_of_lists() {
        let geographic = parse("s", "name,frame,epoch,latitude_deg,longitude_deg,ellipsoidal_height_m\nCP1,EPSG:6319,,42.7,-84.5,220.1\nCP2,EPSG:9989,2020.0,42.8,-84.5,\n").unwrap();
        assert_eq!(geographic[0].position, Position::Geographic(42.7, -84.5, Some(220.1)));
        assert_eq!((geographic[1].epoch, geographic[1].system.as_str()), (Some(2020.0), "EPSG:9989"));
        let geocentric = parse("s", "# from a sheet\nname, frame, x_m, y_m, z_m\nA, EPSG:4939, 1, 2, 3\n").unwrap();
        assert_eq!(geocentric[0].position, Position::Geocentric(1.0, 2.0, 3.0));
        let grid = parse("s", "point,crs,easting_ft,northing_ft\nA,EPSG:6499,10,20\n").unwrap();
        let Position::Grid(e, n) = grid[0].position else { panic!() };
        assert!((e - 3.048).abs() < 1e-12 && (n - 6.096).abs() < 1e-12);
    }

    #[test]
    fn what_is_not_said_is_asked_for() {
        for text in [
            "",
            "name,latitude_deg,longitude_deg\nA,1,2\n",
            "name,frame,easting,northing\nA,EPSG:6345,1,2\n",
            "name,crs,easting_m,northing_ft\nA,EPSG:6345,1,2\n",
            "frame,latitude_deg,longitude_deg\nEPSG:6319,1,2\n",
            "name,frame,latitude_deg,longitude_deg\n",
            "name,frame,latitude_deg,longitude_deg\nA,EPSG:6319,1,2\nA,EPSG:6319,1,3\n",
        ] {
            assert_eq!(parse("s", text).unwrap_err().finding.code, "data/bad-layout", "{text}");
        }
        for text in ["A,EPSG:6319,x,2", "A,EPSG:6319,91,2", "A,,1,2", "A,EPSG:6319,nan,2"] {
            let text = format!("name,frame,latitude_deg,longitude_deg\n{text}\n");
            let found = parse("s", &text).unwrap_err().finding;
            assert_eq!((found.code.as_str(), found.labels[0].line), ("data/damaged-row", Some(2)), "{text}");
        }
    }

    proptest! {
        #[test]
        fn any_text_is_refused_or_read_without_a_panic(text in ".{0,200}", row in ".{0,60}") {
            let _ = parse("s", &text);
            let _ = parse("s", &format!("name,frame,x_m,y_m,z_m\n{row}\n"));
        }
    }
}
