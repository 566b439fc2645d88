//! What a plug-in says, as findings.

use super::description::is_word;
use pipeline_base::diag::{Diagnostic, Label, Verdict};
use pipeline_base::problem::Problem;
use pipeline_base::table::Table;
use pipeline_base::table::schema::Role;
use pipeline_core::plugin::PluginInfo;
use serde::Deserialize;
use serde_json::Value;

/// Texts longer than this are cut.
const LONGEST: usize = 2000;

#[derive(Default, Deserialize)]
#[serde(default)]
struct ReportedFinding {
    code: Option<String>,
    verdict: Option<Verdict>,
    what: String,
    option: Option<String>,
    row: Option<u64>,
    place: String,
    size: String,
    why: String,
    fix: String,
    point: Option<String>,
}

fn short(text: &str) -> String {
    let text = text.replace('\0', " ");
    if text.chars().count() <= LONGEST { text } else { text.chars().take(LONGEST).chain(['…']).collect() }
}

fn parse(json: &str) -> Vec<ReportedFinding> {
    let one = |v: Value| {
        let shown = v.as_str().map_or_else(|| v.to_string(), str::to_owned);
        match serde_json::from_value::<ReportedFinding>(v) {
            Ok(said) if !said.what.trim().is_empty() => said,
            _ => ReportedFinding { what: shown, ..ReportedFinding::default() },
        }
    };
    let mut all: Vec<ReportedFinding> = match serde_json::from_str(json) {
        Ok(Value::Array(items)) => items.into_iter().map(one).collect(),
        Ok(value) => vec![one(value)],
        Err(_) => vec![ReportedFinding { what: json.to_owned(), ..ReportedFinding::default() }],
    };
    all.retain(|s| !s.what.trim().is_empty());
    if all.is_empty() {
        all.push(ReportedFinding { what: "it failed and does not say why".into(), ..ReportedFinding::default() });
    }
    all
}

/// Only the words of it.
pub(crate) fn plain(json: &str) -> String {
    parse(json).iter().map(|s| short(&s.what)).collect::<Vec<_>>().join("; ")
}

/// Findings of a plug-in, drawn like those of a built-in stage: at the option in the job file, at the row in the raw log.
pub(crate) fn problems(json: &str, default: Verdict, plugin: &PluginInfo, stage: &str, table: Option<&Table>) -> Vec<Problem> {
    parse(json)
        .into_iter()
        .map(|said| {
            let own = |code: &String| code.split_once('/').is_some_and(|(area, what)| area == plugin.name && is_word(what));
            let code = said.code.filter(own).unwrap_or_else(|| "plugin/said".into());
            let mut finding = Diagnostic::new(&code, said.verdict.unwrap_or(default), short(&said.what));
            let mut places: Vec<String> = [short(&said.place)].into_iter().filter(|p| !p.is_empty()).collect();
            if let (Some(row), Some(table)) = (said.row, table) {
                place_of_row(row, table, &mut finding, &mut places);
            }
            finding.point = said.point.or(finding.point);
            if let Some(point) = finding.point.as_ref().filter(|p| !said.place.contains(p.as_str())) {
                places.insert(0, format!("point `{}`", short(point)));
            }
            places.push(format!("plug-in `{}` {}, stage `{stage}`", plugin.name, plugin.version));
            finding.place = places.join(", ");
            (finding.size, finding.why, finding.fix) = (short(&said.size), short(&said.why), short(&said.fix));
            let mut problem = Problem::from(finding);
            problem.option = said.option;
            problem
        })
        .collect()
}

fn place_of_row(row: u64, table: &Table, finding: &mut Diagnostic, places: &mut Vec<String>) {
    let Some(i) = usize::try_from(row).ok().filter(|i| *i < table.rows()) else {
        places.push(format!("row {row}, which is beyond the end"));
        return;
    };
    // The one row: a finding for every row must not read every column anew.
    let offset = i64::try_from(i).unwrap_or(i64::MAX);
    let one = Table { data: table.data.slice(offset, 1), schema: table.schema.clone() };
    let name = |role| one.schema.role(role).map(|c| c.name.clone());
    let text = |role| name(role).and_then(|n| one.texts(&n).ok().and_then(|t| t.first().copied().flatten().map(str::to_owned)));
    let number = |role| name(role).and_then(|n| one.ints(&n).ok()?.first().copied().flatten()).and_then(|n| u64::try_from(n).ok());
    if let (Some(file), Some(first)) = (text(Role::File), number(Role::LineFirst)) {
        finding.labels.push(Label::lines(&file, first, number(Role::LineLast).unwrap_or(first), "here"));
    }
    finding.point = text(Role::Point);
    match number(Role::Epoch) {
        Some(epoch) => places.push(format!("epoch {epoch}")),
        // A point says more than a number of a row.
        None if finding.point.is_some() => {}
        None => places.push(format!("row {row}")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn info() -> PluginInfo {
        PluginInfo {
            name: "acme".into(),
            version: "1.0".into(),
            license: String::new(),
            path: "p.so".into(),
            sha256: String::new(),
            bytes: 0,
            abi: "1.0".into(),
            isolated: false,
        }
    }

    fn codes(json: &str) -> Vec<(String, String, Option<String>)> {
        problems(json, Verdict::Error, &info(), "acme/x", None).into_iter().map(|p| (p.finding.code, p.finding.what, p.option)).collect()
    }

    #[test]
    fn any_text_becomes_a_finding() {
        assert_eq!(codes("plain words")[0], ("plugin/said".into(), "plain words".into(), None));
        assert_eq!(codes("")[0].1, "it failed and does not say why");
        assert_eq!(codes("[]")[0].1, "it failed and does not say why");
        assert_eq!(codes("{\"what\": 3}")[0].1, "{\"what\":3}");
        let two = codes(r#"[{"code":"acme/even","what":"even","option":"window"},{"code":"height/geoid-twice","what":"taken name"}]"#);
        assert_eq!(two[0], ("acme/even".into(), "even".into(), Some("window".into())));
        assert_eq!(two[1].0, "plugin/said");
        assert!(codes(&"x".repeat(9000))[0].1.chars().count() < 2010);
    }
}
