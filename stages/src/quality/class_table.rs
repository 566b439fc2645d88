//! Quality classes as a data file declares them: the tables of a country or a client, never of this program.

use pipeline_base::diag::{Diagnostic, Label, Verdict};
use pipeline_base::{conform, document as parse};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What the limits of a table are limits of.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub(crate) enum Measure {
    /// Uncertainty at 95 %: horizontal radial, vertical one axis.
    #[serde(rename = "95-percent")]
    Percent95,
    /// One sigma: horizontal the root of the sum of the variances of both axes, vertical one axis.
    #[serde(rename = "1-sigma")]
    OneSigma,
}

impl Measure {
    /// In words.
    #[must_use]
    pub(crate) const fn words(self) -> &'static str {
        match self {
            Self::Percent95 => "at 95 %",
            Self::OneSigma => "at 1 sigma",
        }
    }
}

/// How a point of a class must be checked.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Needs {
    /// Not at all.
    #[default]
    Nothing,
    /// By an independent second occupation.
    Checked,
}

/// One class.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Class {
    /// Its name.
    pub class: String,
    /// Largest horizontal uncertainty, m. Left out: no limit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub horizontal_m: Option<f64>,
    /// Largest vertical uncertainty, m. Left out: no limit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub vertical_m: Option<f64>,
    /// What checks it: `nothing` or `checked` (an independent second occupation).
    #[serde(default)]
    pub needs: Needs,
}

/// A file of classes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Table {
    /// Version of the file format: 1.
    #[schemars(range(min = 1, max = 1))]
    pub quality_classes: u32,
    /// Name of the table.
    pub name: String,
    /// Who published it, and when.
    pub source: String,
    /// What the limits are limits of: `95-percent` or `1-sigma`.
    pub measure: Measure,
    /// The classes, the best first.
    pub classes: Vec<Class>,
}

fn bad(name: &str, line: Option<u64>, what: String) -> Diagnostic {
    let label = line.map_or_else(|| Label::file(name, "this table"), |l| Label::lines(name, l, l, "here"));
    Diagnostic::new("classes/bad-table", Verdict::Error, what).label(label)
}

/// Reads a table: YAML, or CSV with the columns `class`, `horizontal_m`, `vertical_m` and `needs`, whose measure
/// the job must then state.
///
/// # Errors
/// Everything that is wrong with it.
pub(crate) fn read(name: &str, bytes: &[u8], measure: Option<Measure>) -> Result<Table, Vec<Diagnostic>> {
    let table =
        if name.to_ascii_lowercase().ends_with(".csv") { from_csv(name, bytes, measure)? } else { from_yaml(name, bytes, measure)? };
    let mut found = vec![];
    if table.classes.is_empty() {
        found.push(bad(name, None, format!("`{name}` declares no class")));
    }
    for (k, c) in table.classes.iter().enumerate() {
        if c.class.trim().is_empty() || c.class == NO_CLASS {
            found.push(bad(
                name,
                None,
                format!("class {} of `{name}` has no name of its own (`{NO_CLASS}` is what a point without a class gets)", k + 1),
            ));
        }
        if [c.horizontal_m, c.vertical_m].into_iter().flatten().any(|v| !v.is_finite() || v <= 0.0) {
            found.push(bad(name, None, format!("a limit of class `{}` is not a length above 0", c.class)));
        }
        if table.classes[..k].iter().any(|d| d.class == c.class) {
            found.push(bad(name, None, format!("class `{}` is declared twice", c.class)));
        }
        let stricter = |limit: Option<f64>, before: Option<f64>| match (limit, before) {
            (Some(l), Some(b)) => l < b,
            (Some(_), None) => true,
            (None, _) => false,
        };
        if let Some(before) = k.checked_sub(1).map(|j| &table.classes[j])
            && (stricter(c.horizontal_m, before.horizontal_m) || stricter(c.vertical_m, before.vertical_m) || c.needs > before.needs)
        {
            let what = format!("class `{}` asks for more than `{}` before it, so a point could be in neither order", c.class, before.class);
            found.push(bad(name, None, what).fix("put the strictest class first, and let no later one be stricter in any respect"));
        }
    }
    if found.is_empty() { Ok(table) } else { Err(found) }
}

/// What a point without a class gets.
pub(crate) const NO_CLASS: &str = "none";

fn from_yaml(name: &str, bytes: &[u8], measure: Option<Measure>) -> Result<Table, Vec<Diagnostic>> {
    let document = parse::read(name, bytes).map_err(|d| vec![*d])?;
    let schema = schemars::schema_for!(Table);
    let found = conform::conform(&document, "", &document.value, schema.as_value());
    if !found.is_empty() {
        return Err(found);
    }
    let table: Table =
        serde_json::from_value(document.value.clone()).map_err(|e| vec![bad(name, None, format!("`{name}` cannot be read: {e}"))])?;
    if measure.is_some_and(|m| m != table.measure) {
        return Err(vec![
            bad(
                name,
                None,
                format!(
                    "the job says that the limits are {}, and `{name}` says {}",
                    measure.map_or("", Measure::words),
                    table.measure.words()
                ),
            )
            .fix("leave `measure` out of the options: the file states it"),
        ]);
    }
    Ok(table)
}

fn from_csv(name: &str, bytes: &[u8], measure: Option<Measure>) -> Result<Table, Vec<Diagnostic>> {
    let Some(measure) = measure else {
        return Err(vec![
            bad(name, None, format!("`{name}` cannot say whether its limits are at 95 % or at 1 sigma"))
                .why("the factor between the two is about 2, which is a class or two")
                .fix("set `measure: 95-percent` or `measure: 1-sigma` in the options, as the publisher of the table says"),
        ]);
    };
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    let mut reader = csv::ReaderBuilder::new().trim(csv::Trim::All).from_reader(bytes);
    let mut found = vec![];
    let mut classes = vec![];
    let header = match reader.headers() {
        Ok(h) => h.clone(),
        Err(e) => return Err(vec![bad(name, Some(1), format!("`{name}` has no header line: {e}"))]),
    };
    let place = |column: &str| header.iter().position(|h| h == column);
    let Some(class) = place("class") else {
        return Err(vec![
            bad(name, Some(1), format!("`{name}` has no column `class`")).fix("the columns are class, horizontal_m, vertical_m, needs"),
        ]);
    };
    let (plan, up, needs) = (place("horizontal_m"), place("vertical_m"), place("needs"));
    if let Some(odd) = header.iter().find(|h| !["class", "horizontal_m", "vertical_m", "needs"].contains(h)) {
        found.push(
            bad(name, Some(1), format!("`{name}` has the column `{odd}`, which means nothing here"))
                .fix("the columns are class, horizontal_m, vertical_m, needs"),
        );
    }
    for record in reader.records() {
        let record = match record {
            Ok(r) => r,
            Err(e) => {
                found.push(bad(name, e.position().map(csv::Position::line), format!("a line of `{name}` cannot be read: {e}")));
                break;
            }
        };
        let line = record.position().map(csv::Position::line);
        let field = |k: Option<usize>| k.and_then(|k| record.get(k)).filter(|t| !t.is_empty());
        let mut limit = |k: Option<usize>| match field(k).map(|t| (t, t.parse::<f64>())) {
            None => None,
            Some((_, Ok(v))) => Some(v),
            Some((t, Err(_))) => {
                found.push(bad(name, line, format!("`{t}` is not a length in metres")));
                None
            }
        };
        let (horizontal_m, vertical_m) = (limit(plan), limit(up));
        let needs = match field(needs) {
            None | Some("nothing") => Needs::Nothing,
            Some("checked") => Needs::Checked,
            Some(other) => {
                found.push(bad(name, line, format!("`{other}` is neither `nothing` nor `checked`")));
                Needs::Nothing
            }
        };
        classes.push(Class { class: field(Some(class)).unwrap_or_default().to_owned(), horizontal_m, vertical_m, needs });
    }
    if found.is_empty() {
        Ok(Table { quality_classes: 1, name: name.to_owned(), source: name.to_owned(), measure, classes })
    } else {
        Err(found)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const YAML: &str = "quality_classes: 1\nname: Invented\nsource: nobody\nmeasure: 95-percent\nclasses:\n  - { class: A, horizontal_m: 0.03, vertical_m: 0.04, needs: checked }\n  - { class: B, horizontal_m: 0.1, vertical_m: 0.1 }\n";

    fn what(r: Result<Table, Vec<Diagnostic>>) -> String {
        r.err().unwrap().iter().map(|d| format!("{} {}", d.code, d.what)).collect::<Vec<_>>().join("\n")
    }

    #[test]
    fn both_forms_say_the_same() {
        let yaml = read("c.yaml", YAML.as_bytes(), None).unwrap();
        let csv =
            read("c.csv", b"class,horizontal_m,vertical_m,needs\nA,0.03,0.04,checked\nB,0.1,0.1,\n", Some(Measure::Percent95)).unwrap();
        assert_eq!(yaml.classes, csv.classes);
        assert!(what(read("c.csv", b"class\nA\n", None)).contains("95 % or at 1 sigma"));
        assert!(what(read("c.yaml", YAML.as_bytes(), Some(Measure::OneSigma))).contains("at 1 sigma"));
    }

    #[test]
    fn everything_wrong_is_said() {
        assert!(what(read("c.yaml", YAML.replace("needs: checked", "need: checked").as_bytes(), None)).contains("job/unknown-key"));
        assert!(what(read("c.yaml", YAML.replace("0.1,", "0.02,").as_bytes(), None)).contains("asks for more"));
        assert!(what(read("c.yaml", YAML.replace("class: B", "class: A").as_bytes(), None)).contains("twice"));
        assert!(what(read("c.yaml", YAML.replace("class: B", "class: none").as_bytes(), None)).contains("no name of its own"));
        assert!(
            what(read("c.yaml", b"quality_classes: 1\nname: x\nsource: x\nmeasure: 1-sigma\nclasses: []\n", None))
                .contains("declares no class")
        );
        let csv = what(read("c.csv", b"class,horizontal_m,grade\nA,3 cm,x\n,-1,\n", Some(Measure::OneSigma)));
        assert!(csv.contains("`grade`") && csv.contains("`3 cm`"), "{csv}");
    }

    proptest! {
        #[test]
        fn no_bytes_break_it(bytes in prop::collection::vec(any::<u8>(), 0..300), csv in any::<bool>()) {
            let _ = read(if csv { "c.csv" } else { "c.yaml" }, &bytes, Some(Measure::Percent95));
        }
    }
}
