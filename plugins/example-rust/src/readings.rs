//! The table of readings: one line for each time that the locator was read.

use gunter_plugin::Problem;
use std::collections::BTreeMap;
use std::path::Path;

/// One reading.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Reading {
    /// From the sensor to the line, m.
    pub depth_m: f64,
    /// Current on the line, mA.
    pub current_ma: f64,
}

/// Readings by point name.
pub(crate) type Readings = BTreeMap<String, Vec<Reading>>;

fn bad(name: &str, line: u64, what: &str) -> Problem {
    Problem::new("bad-reading", format!("line {line} of `{name}`: {what}")).fix("mend the line, or leave it out")
}

/// Reads a table with the columns `point`, `depth_m` and `current_ma`, in any order.
///
/// # Errors
/// The first line that cannot be read: a reading that is skipped silently would look like a point without one.
pub(crate) fn read(name: &str, path: &Path, all: &mut Readings) -> Result<(), Problem> {
    let bytes = std::fs::read(path).map_err(|e| Problem::new("no-readings", format!("`{name}` cannot be read: {e}")))?;
    parse(name, &bytes, all)
}

/// Reads the bytes of such a table.
///
/// # Errors
/// As [`read`].
pub(crate) fn parse(name: &str, bytes: &[u8], all: &mut Readings) -> Result<(), Problem> {
    let mut reader = csv::ReaderBuilder::new().trim(csv::Trim::All).from_reader(bytes);
    let head = reader.headers().map_err(|e| bad(name, 1, &e.to_string()))?.clone();
    let column = |key: &str| head.iter().position(|h| h == key).ok_or_else(|| bad(name, 1, &format!("no column `{key}`")));
    let (point, depth, current) = (column("point")?, column("depth_m")?, column("current_ma")?);
    for row in reader.records() {
        let row = row.map_err(|e| bad(name, e.position().map_or(0, csv::Position::line), &e.to_string()))?;
        let line = row.position().map_or(0, csv::Position::line);
        let text = |i: usize| row.get(i).unwrap_or_default();
        let number = |i: usize, key: &str| {
            let value = text(i).parse::<f64>().ok().filter(|v| v.is_finite() && *v >= 0.0);
            value.ok_or_else(|| bad(name, line, &format!("`{key}` is `{}` and must be a number from 0", text(i))))
        };
        if text(point).is_empty() {
            return Err(bad(name, line, "no point"));
        }
        let reading = Reading { depth_m: number(depth, "depth_m")?, current_ma: number(current, "current_ma")? };
        all.entry(text(point).to_owned()).or_default().push(reading);
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_may_stand_in_any_order() {
        let mut all = Readings::new();
        parse("r.csv", b"current_ma, point, depth_m, remark\n12, A, 1.25,\n11, A, 1.27, again\n", &mut all).unwrap();
        assert_eq!(all["A"], [Reading { depth_m: 1.25, current_ma: 12.0 }, Reading { depth_m: 1.27, current_ma: 11.0 }]);
    }

    #[test]
    fn a_bad_line_is_named() {
        let say = |text: &str| parse("r.csv", text.as_bytes(), &mut Readings::new()).unwrap_err().what().to_owned();
        assert!(say("point,depth_m\n").contains("current_ma"));
        assert!(say("point,depth_m,current_ma\nA,1.2,12\nB,deep,12\n").contains("line 3"));
        assert!(say("point,depth_m,current_ma\nA,NaN,12\n").contains("NaN"));
        assert!(say("point,depth_m,current_ma\n,1,12\n").contains("no point"));
    }
}
