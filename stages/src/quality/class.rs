//! The stage `quality-class`; see [`QualityClass::SPEC`] for its reference page.

use super::class_table::{self, Class, Measure, NO_CLASS, Needs, Table as Classes};
use crate::budget::{self, Budget, Contributor, Parts};
use crate::export::promise;
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::problem::Problem;
use pipeline_base::table::schema::{Column, Holds, Role, Schema, Unit};
use pipeline_base::table::{Table, TableBuilder};
use pipeline_core::stage::{BindCx, Bound, Cx, Example, Grain, Inputs, Resource, ResourceRole, Spec, Stage};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Options of `quality-class`.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Options {
    /// File that declares the classes: YAML (`quality_classes: 1`), or CSV with the columns `class`, `horizontal_m`, `vertical_m`, `needs`.
    pub classes: String,
    /// For a CSV table: what its limits are limits of, `95-percent` or `1-sigma`. A YAML table says it itself.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub measure: Option<Measure>,
    /// A point below this class is held. Left out: every point is delivered with the class that it reaches.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hold_below: Option<String>,
}

/// The stage, bound.
pub(crate) struct QualityClass {
    classes: Classes,
    hold_below: Option<usize>,
    point: String,
    check: Option<String>,
    resource: Resource,
    output: Arc<Schema>,
}

impl Stage for QualityClass {
    type Options = Options;
    const SPEC: Spec = Spec {
        name: "quality-class",
        version: 1,
        summary: "Gives each point the quality class that its error budget reaches, from a table of the client or the country",
        doc: DOC,
        inputs: Inputs::One,
        delivers: false,
        examples: &[
            Example { title: "Classes of the client", options: "classes: classes/client.yaml\n" },
            Example {
                title: "A national table as CSV, and nothing below class B",
                options: "classes: classes/national.csv\nmeasure: 1-sigma\nhold_below: B\n",
            },
        ],
    };

    fn bind(options: Options, cx: &BindCx) -> Result<Bound<Self>, Vec<Problem>> {
        let schema = cx.input()?;
        let mut problems = vec![];
        let need = |found: Option<&Column>, what: &str| {
            found.map(|c| c.name.clone()).ok_or_else(|| {
                Problem::new("plan/missing-role", format!("`quality-class` needs {what}, and no column holds it"))
                    .fix("put it after `average`")
            })
        };
        let point = need(schema.role(Role::Point), "the point name").map_err(|p| problems.push(p));
        if !budget::has(schema, Contributor::GnssNoise) {
            problems.extend(need(None, "the error budget of each point").err());
        }
        if let (Some(frame), Some(reference)) = (&schema.frame, cx.reference)
            && !promise::check(frame, reference, cx.locality, true).is_empty()
        {
            problems.push(
                Problem::new(
                    "classes/too-early",
                    "the points are not in the system of the delivery yet, and later steps add to their uncertainty",
                )
                .why("geoid and change of frame have uncertainties of their own; a class without them would be too good")
                .fix("put `quality-class` after `height-convert` and `reproject`, before the exports"),
            );
        }
        if schema.named("quality_class").is_some() {
            problems.push(
                Problem::new("plan/column-exists", "the input already has the column `quality_class`").fix("use `quality-class` once"),
            );
        }
        let loaded = load(&options, cx).map_err(|p| problems.extend(p));
        let check = schema.named("check").filter(|c| c.holds == Holds::Text).map(|c| c.name.clone());
        let mut hold_below = None;
        if let Ok((classes, _)) = &loaded {
            if check.is_none() && classes.classes.iter().any(|c| c.needs == Needs::Checked) {
                problems.push(
                    Problem::new(
                        "classes/no-check",
                        format!("a class of `{}` needs checked points, and no step says which points are checked", options.classes),
                    )
                    .option("classes")
                    .fix("put `compare-occupations` between `average` and `height-convert`"),
                );
            }
            if let Some(name) = &options.hold_below {
                hold_below = classes.classes.iter().position(|c| c.class == *name);
                if hold_below.is_none() {
                    let names: Vec<&str> = classes.classes.iter().map(|c| c.class.as_str()).collect();
                    problems.push(
                        Problem::new("job/unknown-value", format!("`{}` declares no class `{name}`", options.classes))
                            .option("hold_below")
                            .fix(format!("its classes are {}", names.join(", "))),
                    );
                }
            }
        }
        let (Ok(point), Ok((classes, resource)), true) = (point, loaded, problems.is_empty()) else { return Err(problems) };
        let mut output = schema.clone();
        output.columns.push(Column::always("quality_class", Holds::Text, Unit::None, Role::Other));
        output.columns.push(Column::maybe("class_limited_by", Holds::Text, Unit::None, Role::Other));
        let decided = serde_json::to_value(&classes).map_err(|e| vec![Problem::broken(e)])?;
        let stage = Self { classes, hold_below, point, check, resource, output: Arc::new(output.clone()) };
        Ok(Bound::new(stage, output, Grain::Whole).decided("classes", decided))
    }

    fn resources(&self) -> Vec<Resource> {
        vec![self.resource.clone()]
    }

    fn run(&self, inputs: &[Table], cx: &Cx) -> Result<Table, Problem> {
        let Some(table) = inputs.first() else { return Err(Problem::broken("`quality-class` was run without a table")) };
        let parts = Parts::read(table)?;
        let names = table.texts(&self.point)?;
        let check = self.check.as_ref().map(|c| table.texts(c)).transpose()?;
        let classes = &self.classes.classes;
        let (mut keep, mut words, mut limits) = (vec![true; table.rows()], vec![], vec![]);
        let mut counts: BTreeMap<usize, u64> = BTreeMap::new();
        let mut without = vec![];
        for row in 0..table.rows() {
            let checked = check.as_ref().is_some_and(|c| c[row] == Some("checked"));
            let budget = parts.row(row);
            let reached = classes.iter().position(|c| self.short_of(c, &budget, checked).is_empty());
            let place = reached.unwrap_or(classes.len());
            let better = place.checked_sub(1).and_then(|k| classes.get(k));
            let limited = better.map(|c| format!("{}: {}", c.class, join(&self.short_of(c, &budget, checked))));
            let point = names[row].unwrap_or_default();
            if reached.is_none() {
                without.push(point);
            }
            if self.hold_below.is_some_and(|least| place > least) {
                let mut finding = self.below(point, classes.get(place), &budget, checked);
                finding.waived = cx.waiver("classes/below", point);
                keep[row] = finding.waived.is_some();
                cx.find(finding);
            }
            *counts.entry(place).or_default() += 1;
            words.push(classes.get(place).map_or(NO_CLASS, |c| c.class.as_str()));
            limits.push(limited);
        }
        if self.hold_below.is_none() && !without.is_empty() {
            cx.find(self.none(&without, table.rows()));
        }
        let fact: serde_json::Map<String, serde_json::Value> =
            counts.iter().map(|(k, n)| (classes.get(*k).map_or(NO_CLASS, |c| c.class.as_str()).to_owned(), (*n).into())).collect();
        cx.fact("points_by_class", fact.into());
        cx.set_aside_others(table, &keep, "below-class", "the point is held; see the finding")?;
        let kept = table.filter(&keep)?;
        let mut b = TableBuilder::from_table(self.output.clone(), &kept);
        let of_kept = || keep.iter().enumerate().filter(|(_, k)| **k).map(|(i, _)| i);
        b.texts("quality_class", of_kept().map(|i| Some(words[i])));
        b.texts("class_limited_by", of_kept().map(|i| limits[i].as_deref()));
        b.finish()
    }
}

/// What a point lacks for a class.
struct Lack {
    words: String,
    /// What makes it smaller.
    help: &'static str,
}

fn join(short: &[Lack]) -> String {
    short.iter().map(|l| l.words.as_str()).collect::<Vec<_>>().join("; ")
}

impl QualityClass {
    /// Horizontal and vertical uncertainty by the measure of the table, m.
    fn sizes(&self, b: &Budget) -> [f64; 2] {
        let t = b.total();
        match self.classes.measure {
            Measure::Percent95 => b.bounds_95(),
            Measure::OneSigma => [t.horizontal().max(0.0).sqrt(), t.uu.max(0.0).sqrt()],
        }
    }

    /// What a point lacks for a class; empty when it is in it. A limit itself is in the class.
    fn short_of(&self, class: &Class, budget: &Budget, checked: bool) -> Vec<Lack> {
        let size = self.sizes(budget);
        let most = budget.largest();
        let mut short = vec![];
        for (k, (limit, word)) in [(class.horizontal_m, "horizontal"), (class.vertical_m, "vertical")].into_iter().enumerate() {
            if let Some(limit) = limit.filter(|limit| size[k] > *limit || size[k].is_nan()) {
                let (c, share) = most[k];
                let words = format!("{word} {:.4} m above {limit} m, mostly {} ({:.0} %)", size[k], c.words(), share * 100.0);
                short.push(Lack { words, help: c.help() });
            }
        }
        if class.needs == Needs::Checked && !checked {
            let words = "no independent second occupation".to_owned();
            short.push(Lack { words, help: "occupy it a second time, with a fresh fix" });
        }
        short
    }

    fn below(&self, point: &str, reached: Option<&Class>, budget: &Budget, checked: bool) -> Diagnostic {
        let least = self.hold_below.and_then(|k| self.classes.classes.get(k));
        let (name, short) = least.map_or_else(Default::default, |c| (c.class.as_str(), self.short_of(c, budget, checked)));
        let size = self.sizes(budget);
        let mut fixes: Vec<&str> = vec![];
        for lack in &short {
            if !fixes.contains(&lack.help) {
                fixes.push(lack.help);
            }
        }
        Diagnostic::new(
            "classes/below",
            Verdict::Hold,
            format!(
                "the point is in class `{}`, and the job asks for `{name}`: {}",
                reached.map_or(NO_CLASS, |c| c.class.as_str()),
                join(&short)
            ),
        )
        .point(point)
        .place(format!("point `{point}`"))
        .size(format!("{:.3} m horizontal and {:.3} m vertical {}", size[0], size[1], self.classes.measure.words()))
        .why(format!("`hold_below: {name}` of `{}`", self.classes.name))
        .fix(format!("{}; or waive `classes/below` for `{point}`", fixes.join("; ")))
    }

    fn none(&self, without: &[&str], all: usize) -> Diagnostic {
        let shown: Vec<String> = without.iter().take(6).map(|p| format!("`{p}`")).collect();
        let more = if without.len() > shown.len() { format!(" and {} more", without.len() - shown.len()) } else { String::new() };
        Diagnostic::new(
            "classes/none",
            Verdict::Warn,
            format!("{} of {all} points reach no class of `{}`", without.len(), self.classes.name),
        )
        .place(format!("{}{more}", shown.join(", ")))
        .size("the column `class_limited_by` says by how much each misses the last class")
        .why("the class follows from the error budget of the point and from nothing else")
        .fix("improve what the budget names, or deliver them outside the classes")
    }
}

/// The table of classes and the file that it is in. Small and needed to plan, so it is read now; the run
/// digests it.
fn load(options: &Options, cx: &BindCx) -> Result<(Classes, Resource), Vec<Problem>> {
    let found = cx.files.find(&options.classes).map_err(|p| vec![p.option("classes")])?;
    let [(name, path)] = found.as_slice() else {
        return Err(vec![
            Problem::new("job/bad-value", format!("`{}` names {} files, and one table of classes is needed", options.classes, found.len()))
                .option("classes"),
        ]);
    };
    let bytes = std::fs::read(path).map_err(|e| vec![pipeline_base::input::unreadable(name, &e).option("classes")])?;
    let classes = class_table::read(name, &bytes, options.measure)
        .map_err(|all| all.into_iter().map(|d| Problem::from(d).option("classes")).collect::<Vec<_>>())?;
    Ok((classes, Resource { name: name.clone(), path: path.clone(), role: ResourceRole::Table, option: "classes".to_owned() }))
}

const DOC: &str = "\
# What it does
Reads a table of quality classes, the best first, each with its largest horizontal and vertical uncertainty and whether it needs
an independent second occupation, and gives every point the first class that its error budget reaches: `quality_class`, or
`none`. `class_limited_by` says what keeps the point from the next better class, with the largest contributor. With
`hold_below`, points of a lower class are held.

The class is computed and never typed in. The table belongs to a client or a country; this program has none of its own.

# When to use it
After `height-convert` and `reproject`, when everything that adds to the uncertainty is in, and before the exports. With
`compare-occupations` earlier in the job where a class needs checked points.

# What it promises
A point at a limit is in the class. Whether limits are at 95 % or at 1 sigma is stated, by the YAML table or for a CSV by the
job, and never guessed. Tables whose classes are not ordered, or double, are refused. The table goes into the record with its
digest.

# References
Horizontal at 95 % is the radius of the circle that holds 95 %, vertical one axis; at 1 sigma, horizontal is the root of the sum
of both variances.
";

#[cfg(test)]
mod tests {
    use super::*;
    use crate::budget::Part;
    use crate::occupation::test_rows::{Folder, reasons};
    use pipeline_core::stage::cx::Collect;

    const YAML: &str = "quality_classes: 1\nname: Invented\nsource: nobody\nmeasure: MEASURE\nclasses:\n  - { class: A, horizontal_m: 0.05, vertical_m: 0.04, needs: checked }\n  - { class: B, horizontal_m: 0.05, vertical_m: 0.04 }\n  - { class: C, horizontal_m: 0.2 }\n";

    fn table(points: &[(&str, f64, f64, &str)]) -> Table {
        let mut columns = vec![
            Column::always("point", Holds::Text, Unit::None, Role::Point),
            Column::always("check", Holds::Text, Unit::None, Role::Other),
        ];
        columns.extend(budget::columns());
        let budgets: Vec<Budget> = points
            .iter()
            .map(|(_, h, u, _)| {
                let mut b = Budget::default();
                b.add(Contributor::HeadingBias, &Part::new([h * h / 2.0, 0.0, h * h / 2.0, u * u]));
                b
            })
            .collect();
        let mut b = TableBuilder::new(Arc::new(Schema { columns, frame: None }), points.len());
        b.texts("point", points.iter().map(|p| Some(p.0))).texts("check", points.iter().map(|p| Some(p.3)));
        budget::fill(&mut b, &budgets);
        b.finish().unwrap()
    }

    fn bind(options: &str, yaml: &str, schema: &Schema) -> Result<Bound<QualityClass>, Vec<Problem>> {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("c.yaml"), yaml).unwrap();
        let files = Folder(folder.path().to_owned());
        let options: Options = serde_json::from_str(options).unwrap();
        QualityClass::bind(
            options,
            &BindCx { inputs: std::slice::from_ref(schema), rig: None, reference: None, locality: None, files: &files, locked: None },
        )
    }

    fn classes(t: &Table, measure: &str, options: &str) -> (Table, Collect) {
        let bound = bind(options, &YAML.replace("MEASURE", measure), &t.schema).map_err(|p| format!("{p:?}")).unwrap();
        let world = Collect::default();
        let out = bound.stage.run(std::slice::from_ref(t), &Cx::new(&world, "s", None)).unwrap();
        (out, world)
    }

    /// A limit itself is in the class, a hair above is not (P13).
    #[test]
    fn at_the_boundary() {
        let points = [
            ("at", 0.05, 0.04, "checked"),
            ("plan", 0.050_001, 0.04, "checked"),
            ("up", 0.05, 0.040_001, "checked"),
            ("once", 0.05, 0.04, "unchecked"),
            ("name", 0.05, 0.04, "checked-in-name-only"),
            ("far", 0.201, 0.0, "checked"),
        ];
        // The root of the sum of two halves may differ in the last bit: set limits one part in 1e12 above.
        let yaml = YAML.replace("0.05,", "0.0500000000001,").replace("0.04,", "0.0400000000001,").replace("0.04 }", "0.0400000000001 }");
        let t = table(&points);
        let bound = bind(r#"{"classes": "c.yaml"}"#, &yaml.replace("MEASURE", "1-sigma"), &t.schema).map_err(|p| format!("{p:?}")).unwrap();
        let world = Collect::default();
        let out = bound.stage.run(std::slice::from_ref(&t), &Cx::new(&world, "s", None)).unwrap();
        let got: Vec<&str> = out.texts("quality_class").unwrap().into_iter().flatten().collect();
        assert_eq!(got, ["A", "C", "C", "B", "B", "none"]);
        let limits = out.texts("class_limited_by").unwrap();
        assert_eq!(limits[0], None);
        assert!(limits[2].unwrap().contains("B: vertical 0.0400 m above") && limits[2].unwrap().contains("bias of the heading (100 %)"));
        assert_eq!(limits[3], Some("A: no independent second occupation"));
        assert!(world.said().findings.iter().any(|f| f.code == "classes/none" && f.what.starts_with("1 of 6")));
    }

    #[test]
    fn ninety_five_percent_is_twice_as_strict() {
        let t = table(&[("P", 0.028, 0.02, "checked"), ("Q", 0.05, 0.04, "checked")]);
        let (out, _) = classes(&t, "95-percent", r#"{"classes": "c.yaml"}"#);
        // 0.028 m radial 1 sigma is a radius of 0.0485 m; 0.02 m up is 0.0392 m.
        assert_eq!(out.texts("quality_class").unwrap(), [Some("A"), Some("C")]);
    }

    #[test]
    fn points_below_the_wanted_class_are_held() {
        let t = table(&[("P", 0.03, 0.02, "checked"), ("Q", 0.12, 0.02, "checked"), ("R", 0.12, 0.02, "checked")]);
        let bound = bind(r#"{"classes": "c.yaml", "hold_below": "B"}"#, &YAML.replace("MEASURE", "1-sigma"), &t.schema)
            .map_err(|p| format!("{p:?}"))
            .unwrap();
        let world = Collect::default();
        world.said().waivers.push(("classes/below".into(), "R".into(), "C. Alder: agreed".into()));
        let out = bound.stage.run(std::slice::from_ref(&t), &Cx::new(&world, "s", None)).unwrap();
        assert_eq!((out.texts("point").unwrap(), reasons(&world).as_str()), (vec![Some("P"), Some("R")], "below-class:1"));
        let said = world.said();
        assert!(
            said.findings[0].verdict == Verdict::Hold && said.findings[0].fix.contains("waive") && said.findings[0].what.contains("`C`")
        );
        assert!(said.findings[0].fix.starts_with(Contributor::HeadingBias.help()), "{}", said.findings[0].fix);
    }

    #[test]
    fn tables_and_options_that_do_not_fit_are_refused() {
        let t = table(&[("P", 0.03, 0.02, "checked")]);
        let codes = |options: &str, yaml: &str, schema: &Schema| {
            bind(options, yaml, schema).err().unwrap().iter().map(|p| p.finding.code.clone()).collect::<Vec<_>>()
        };
        let good = YAML.replace("MEASURE", "1-sigma");
        assert_eq!(codes(r#"{"classes": "c.yaml", "hold_below": "Z"}"#, &good, &t.schema), ["job/unknown-value"]);
        assert_eq!(codes(r#"{"classes": "d.yaml"}"#, &good, &t.schema), ["data/no-file"]);
        assert_eq!(codes(r#"{"classes": "c.yaml"}"#, &good.replace("1-sigma", "rmse"), &t.schema), ["job/unknown-value"]);
        let mut bare = (*t.schema).clone();
        bare.columns.retain(|c| c.name != "check");
        assert_eq!(codes(r#"{"classes": "c.yaml"}"#, &good, &bare), ["classes/no-check"]);
    }
}
