//! The stage `compare-occupations`; see [`CompareOccupations::SPEC`] for its reference page.

use super::achieved;
use super::agree::{Difference, Limits};
use super::combine::combine;
use super::findings::{self, About};
use super::judge::{Check, Judgement, Rules, independent, judge};
use super::merge::{self, Verdicts};
use super::occasion::{self, Evidence, Occasion, useful_after};
use pipeline_base::problem::Problem;
use pipeline_base::table::Table;
use pipeline_base::table::schema::Schema;
use pipeline_core::stage::{BindCx, Bound, Cx, Example, Grain, Inputs, Spec, Stage};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::sync::Arc;

/// What makes two occupations two of one mark.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum SameMark {
    /// The same point name.
    #[default]
    Name,
    /// Point names that are the same without one of the `suffixes`.
    Suffix,
    /// The column `mark` of the notes, which names the mark that a line measures again; the point name where it is empty.
    NotesColumn,
}

/// What becomes of a mark that is not checked.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum IfUnchecked {
    /// It is delivered, and the column `check` says so.
    #[default]
    Deliver,
    /// It is held until a second occupation or a waiver.
    Hold,
}

/// Options of `compare-occupations`.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Options {
    /// What makes two occupations two of one mark: `name`, `suffix` or `notes-column`.
    #[serde(default)]
    pub same_mark: SameMark,
    /// With `same_mark: suffix`: endings that a repeat adds to the name of its mark, such as `-2` or `_chk`.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub suffixes: Vec<String>,
    /// Occupations of one name further apart than this are taken for different marks, and said so, m.
    #[serde(default = "two")]
    #[schemars(range(min = 0.0))]
    pub one_mark_within_m: f64,
    /// Evidence that a pair needs to count as independent: `time-gap`, `new-fix`, `other-base`, `other-sky`, `pole-turned`.
    #[serde(default = "gap_and_fix")]
    pub need: Vec<Evidence>,
    /// Time between two occupations that counts as a gap, s. Common practice: 20 min and more.
    #[serde(default = "twenty_minutes")]
    #[schemars(range(min = 0.0))]
    pub min_gap_s: f64,
    /// Turn of the pole that counts as two faces, deg.
    #[serde(default = "two_faces")]
    #[schemars(range(min = 0.0, max = 180.0))]
    pub turned_deg: f64,
    /// Chance that two good occupations are called different.
    #[serde(default = "one_percent")]
    #[schemars(range(min = 0.000001, max = 0.2))]
    pub significance: f64,
    /// A difference below this is never called too large by the statistical test, m.
    #[serde(default = "one_centimetre")]
    #[schemars(range(min = 0.0))]
    pub never_below_m: f64,
    /// Flat limit of a horizontal difference, besides the test, m. Left out: none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub max_horizontal_m: Option<f64>,
    /// Flat limit of a difference in height, besides the test, m. Left out: none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub max_up_m: Option<f64>,
    /// Whether occupations of one mark that agree become one row.
    #[serde(default = "yes")]
    pub combine: bool,
    /// Feature codes whose occupations are compared and never combined, such as control that is measured before and after.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub separate_codes: Vec<String>,
    /// What becomes of marks that are unchecked or checked in name only: `deliver` or `hold`.
    #[serde(default)]
    pub if_unchecked: IfUnchecked,
}

const fn two() -> f64 {
    2.0
}
fn gap_and_fix() -> Vec<Evidence> {
    vec![Evidence::TimeGap, Evidence::NewFix]
}
const fn twenty_minutes() -> f64 {
    1200.0
}
const fn two_faces() -> f64 {
    120.0
}
const fn one_percent() -> f64 {
    0.01
}
const fn one_centimetre() -> f64 {
    0.01
}
const fn yes() -> bool {
    true
}

/// A difference of two independent occupations, with the receiver and the crew where both have the same.
type Repeat = (Difference, Option<String>, Option<String>);

/// The stage, bound.
pub(crate) struct CompareOccupations {
    options: Options,
    rules: Rules,
    output: Arc<Schema>,
}

impl Stage for CompareOccupations {
    type Options = Options;
    const SPEC: Spec = Spec {
        name: "compare-occupations",
        version: 1,
        summary: "Says which points are checked by an independent second occupation, combines what agrees and stops what does not",
        doc: DOC,
        inputs: Inputs::One,
        delivers: false,
        examples: &[
            Example { title: "Repeats carry the name of their mark", options: "{}\n" },
            Example {
                title: "Repeats end in -2 or -3, and control is not combined",
                options: "same_mark: suffix\nsuffixes: [\"-2\", \"-3\"]\nseparate_codes: [CTRL]\n",
            },
            Example {
                title: "Two faces within 10 minutes are enough, with flat limits of the client",
                options: "need: [new-fix, pole-turned]\nmax_horizontal_m: 0.03\nmax_up_m: 0.05\nif_unchecked: hold\n",
            },
        ],
    };

    fn bind(options: Options, cx: &BindCx) -> Result<Bound<Self>, Vec<Problem>> {
        let input = cx.input()?;
        let mut problems = vec![];
        check_options(&options, &mut problems);
        problems.extend(occasion::check(input).err().unwrap_or_default());
        problems.extend(merge::check(input).err());
        if !problems.is_empty() {
            return Err(problems);
        }
        let output = merge::schema(input);
        let rules = Rules {
            need: options.need.clone(),
            min_gap_s: options.min_gap_s,
            turned_deg: options.turned_deg,
            limits: Limits {
                significance: options.significance,
                flat_m: [options.max_horizontal_m, options.max_up_m],
                never_below_m: options.never_below_m,
            },
            tau_s: cx.rig.map_or(crate::occupation::average::TAU_GNSS_S, |r| r.gnss.correlation_time_s),
        };
        let tau = rules.tau_s;
        let need: Vec<&str> = options.need.iter().map(|e| e.words(Some(true))).collect();
        let stage = Self { output: Arc::new(output.clone()), rules, options };
        Ok(Bound::new(stage, output, Grain::Whole).decided("independent_needs", need.join(", ")).decided("gnss_correlation_time_s", tau))
    }

    fn run(&self, inputs: &[Table], cx: &Cx) -> Result<Table, Problem> {
        let Some(table) = inputs.first() else { return Err(Problem::broken("`compare-occupations` was run without a table")) };
        let all = occasion::read(table)?;
        let mut verdicts = Verdicts::default();
        let mut aside: BTreeMap<&'static str, Vec<u32>> = BTreeMap::new();
        let mut alone = vec![];
        let mut pairs: Vec<Repeat> = vec![];
        for (name, marks) in self.marks(&all) {
            if marks.len() > 1 {
                cx.find(findings::far_apart(&name, &marks, self.options.one_mark_within_m, table));
            }
            for mark in marks {
                self.one_mark(&name, &mark, table, cx, &mut verdicts, &mut aside, &mut alone, &mut pairs);
            }
        }
        if !alone.is_empty() && self.options.if_unchecked == IfUnchecked::Deliver {
            cx.find(findings::unchecked(&alone, verdicts.marks));
        }
        self.claims(&pairs, cx);
        for (reason, mut rows) in aside {
            rows.sort_unstable();
            cx.set_aside_rows(table, &rows, reason, detail(reason))?;
        }
        verdicts.in_order();
        if verdicts.any_merged() {
            cx.used(verdicts.rows());
        }
        cx.fact("marks", serde_json::json!({ "all": verdicts.marks, "checked": verdicts.checked, "in_name_only": verdicts.in_name_only }));
        merge::table(table, self.output.clone(), &verdicts)
    }
}

impl CompareOccupations {
    /// The occupations by name of their mark and, where they lie apart, by place; each in the order of time.
    fn marks<'a>(&self, all: &'a [Occasion]) -> Vec<(String, Vec<Vec<&'a Occasion>>)> {
        let mut by_name: BTreeMap<String, Vec<&Occasion>> = BTreeMap::new();
        let mut order: Vec<String> = vec![];
        for o in all {
            let name = self.mark_of(o);
            let list = by_name.entry(name.clone()).or_default();
            if list.is_empty() {
                order.push(name);
            }
            list.push(o);
        }
        order
            .into_iter()
            .filter_map(|name| {
                let mut list = by_name.remove(&name)?;
                list.sort_by_key(|o| (o.time, o.row));
                let mut places: Vec<Vec<&Occasion>> = vec![];
                for o in list {
                    let near = |place: &Vec<&Occasion>| place.iter().any(|p| distance(p, o) <= self.options.one_mark_within_m);
                    let (mut here, other): (Vec<_>, Vec<_>) = places.into_iter().partition(near);
                    places = other;
                    let mut whole: Vec<&Occasion> = here.drain(..).flatten().collect();
                    whole.push(o);
                    whole.sort_by_key(|o| (o.time, o.row));
                    places.push(whole);
                }
                places.sort_by_key(|p| p.first().map(|o| (o.time, o.row)));
                Some((name, places))
            })
            .collect()
    }

    fn mark_of(&self, o: &Occasion) -> String {
        match self.options.same_mark {
            SameMark::Name => o.point.clone(),
            SameMark::NotesColumn => o.mark.clone().unwrap_or_else(|| o.point.clone()),
            SameMark::Suffix => {
                let found = self.options.suffixes.iter().filter_map(|s| o.point.strip_suffix(s.as_str()).filter(|rest| !rest.is_empty()));
                found.min_by_key(|rest| rest.len()).unwrap_or(&o.point).to_owned()
            }
        }
    }

    #[allow(clippy::too_many_arguments)]
    fn one_mark(
        &self,
        name: &str,
        mark: &[&Occasion],
        table: &Table,
        cx: &Cx,
        verdicts: &mut Verdicts,
        aside: &mut BTreeMap<&'static str, Vec<u32>>,
        alone: &mut Vec<String>,
        pairs: &mut Vec<Repeat>,
    ) {
        let mut judged = judge(mark, &self.rules);
        collect_pairs(mark, &judged, pairs);
        let about = About { name, mark, table, rules: &self.rules };
        let waiver = |code: &str| mark.iter().find_map(|o| cx.waiver(code, name).or_else(|| cx.waiver(code, &o.occupation)));
        #[allow(clippy::cast_possible_truncation)]
        let rows = |places: &[usize]| places.iter().map(|i| mark[*i].row as u32).collect::<Vec<_>>();
        if judged.undecided {
            let mut finding = about.disagree(&judged);
            finding.waived = waiver("repeats/disagree");
            let waived = finding.waived.is_some();
            cx.find(finding);
            let everyone: Vec<usize> = (0..mark.len()).collect();
            if !waived {
                aside.entry("repeats-disagree").or_default().extend(rows(&everyone));
                return;
            }
            judged.kept = everyone;
        }
        if !judged.outvoted.is_empty() {
            cx.find(about.outvoted(&judged));
            aside.entry("outvoted").or_default().extend(rows(&judged.outvoted));
        }
        if judged.check != Check::Checked && self.options.if_unchecked == IfUnchecked::Hold {
            let mut finding = about.not_checked(&judged);
            finding.waived = waiver("repeats/not-checked");
            let waived = finding.waived.is_some();
            cx.find(finding);
            if !waived {
                aside.entry("not-checked").or_default().extend(rows(&judged.kept));
                return;
            }
        } else if judged.check == Check::InNameOnly && !judged.undecided {
            cx.find(about.in_name_only(&judged));
        } else if judged.check == Check::Unchecked {
            alone.push(name.to_owned());
        }
        let kept: Vec<&Occasion> = judged.kept.iter().map(|i| mark[*i]).collect();
        let last = kept.iter().map(|o| o.time.1).max().unwrap_or_default();
        let second_after = (judged.check != Check::Checked).then(|| useful_after(last, self.rules.min_gap_s));
        let separate = kept.iter().any(|o| o.code.as_ref().is_some_and(|c| self.options.separate_codes.contains(c)));
        let whole = self.options.combine && !separate && !judged.undecided && kept.len() > 1;
        let merged = if whole { combine(&kept, self.rules.tau_s) } else { None };
        verdicts.push(name, &kept, &judged, second_after, merged);
    }

    /// What is claimed against what the independent pairs achieve.
    fn claims(&self, pairs: &[Repeat], cx: &Cx) {
        let of = |keep: &dyn Fn(&Repeat) -> bool| achieved::factor(&pairs.iter().filter(|p| keep(p)).map(|p| &p.0).collect::<Vec<_>>());
        if pairs.is_empty() {
            return;
        }
        let mut list = vec![("all".to_owned(), of(&|_| true))];
        for (what, pick) in [("receiver", 1), ("crew", 2)] {
            let value = |p: &Repeat| if pick == 1 { p.1.clone() } else { p.2.clone() };
            let names: std::collections::BTreeSet<String> = pairs.iter().filter_map(value).collect();
            for name in names {
                list.push((format!("{what} {name}"), of(&|p| value(p).as_deref() == Some(name.as_str()))));
            }
        }
        let fact: Vec<serde_json::Value> = list
            .iter()
            .filter_map(|(who, f)| f.map(|f| (who, f)))
            .map(|(who, f)| serde_json::json!({"of": who, "factor": f.factor, "interval_95": [f.interval.0, f.interval.1], "pairs": f.pairs, "left_out": f.left_out}))
            .collect();
        cx.fact("claimed_and_achieved", serde_json::Value::Array(fact));
        cx.find(findings::claims(pairs.len(), &list));
    }
}

fn distance(a: &Occasion, b: &Occasion) -> f64 {
    let [e, n, u] = a.to(b);
    e.hypot(n).hypot(u)
}

/// Neighbours in a largest independent set of a mark, so that no difference counts twice; with the receiver
/// and the crew, where both occupations have the same.
fn collect_pairs(mark: &[&Occasion], judged: &Judgement, pairs: &mut Vec<Repeat>) {
    let set = independent(&(0..mark.len()).collect::<Vec<_>>(), &judged.pairs);
    for two in set.windows(2) {
        let (a, b) = (mark[two[0]], mark[two[1]]);
        let both = |x: &Option<String>, y: &Option<String>| x.clone().filter(|x| Some(x) == y.as_ref());
        if let Some(pair) = judged.pairs.iter().find(|p| p.of == (two[0], two[1])) {
            pairs.push((pair.difference, both(&a.receiver, &b.receiver), both(&a.crew, &b.crew)));
        }
    }
}

fn detail(reason: &str) -> &'static str {
    match reason {
        "repeats-disagree" => "the occupations of the mark do not agree, and no independent majority decides",
        "outvoted" => "independent occupations of the same mark agree with each other and not with this one",
        _ => "the mark has no independent second occupation, and the job asks for one",
    }
}

fn check_options(o: &Options, problems: &mut Vec<Problem>) {
    let mut bad = |key: &str, why: &str| problems.push(Problem::new("job/bad-value", format!("`{key}` {why}")).option(key));
    for (key, v) in [("one_mark_within_m", o.one_mark_within_m), ("min_gap_s", o.min_gap_s), ("never_below_m", o.never_below_m)] {
        if !v.is_finite() || v < 0.0 {
            bad(key, "must be a number of at least 0");
        }
    }
    if !(o.turned_deg > 0.0 && o.turned_deg <= 180.0) {
        bad("turned_deg", "must lie between 0 and 180");
    }
    if !(o.significance > 0.0 && o.significance <= 0.2) {
        bad("significance", "must lie between 0 and 0.2");
    }
    if o.need.is_empty() {
        bad("need", "must name at least one kind of evidence: without any, every repeat would count as a check");
    }
    if o.suffixes.iter().any(String::is_empty) {
        bad("suffixes", "must not hold an empty text");
    }
    match (o.same_mark, o.suffixes.is_empty()) {
        (SameMark::Suffix, true) => problems.push(
            Problem::new("job/missing-value", "`same_mark: suffix` needs `suffixes`").option("same_mark").fix("add `suffixes: [\"-2\"]`"),
        ),
        (SameMark::Name | SameMark::NotesColumn, false) => problems.push(
            Problem::new("job/useless-key", "`suffixes` does nothing with this `same_mark`")
                .option("suffixes")
                .fix("set `same_mark: suffix`"),
        ),
        _ => {}
    }
}

const DOC: &str = "\
# What it does
Looks at all occupations of each mark, in all sessions. Two occupations are of one mark when they have the same point name,
or as `same_mark` says, and lie within `one_mark_within_m`; one name at two places is two marks, and said so.

A pair counts as independent only by evidence, never because it was logged twice: `time-gap`, `new-fix` (the log shows that
the fix was lost and regained between them, or they are of two sessions at least `min_gap_s` apart; a pause in the log is no
evidence, and an epoch without a fix that an earlier step set aside is not seen), `other-base` (no base in common), `other-sky` (the gap differs from
whole sidereal days by `min_gap_s` or more, so the satellites stand elsewhere), `pole-turned` (by `turned_deg` or more: two
faces). `need` lists what a pair must have. The column `check` says `checked` (independent occupations agree),
`checked-in-name-only` (repeated without the evidence) or `unchecked` (one occupation); `independence` counts the kinds of
evidence of the best pair, 0 to 5; `second_after` is the time from which a second occupation is useful.

Differences are tested against their own covariance: the sum of both less what they share, contributor by contributor of the
error budget. Where a difference is too large and no majority of independent occupations decides, the mark is to be shot
again (`repeats/disagree`) and none is delivered; one that is outvoted is set aside (`repeats/outvoted`). Occupations that agree
become one row: least squares with their full covariance. The name of the row is that of the mark, `time` the weighted mean
time, `combined_from` lists what went in.

Independent pairs also show how the claims stand: the differences divided by their claimed uncertainty give the factor
`repeats/claimed-and-achieved`, for all pairs, for each receiver and for each crew that the notes name.

# When to use it
Between `average` and `height-convert`: geoid and change of frame are the same for all occupations of a mark and say nothing
about a repeat.

# What it promises
Every row comes out, is combined or is set aside. Two shots on one ambiguity fix never count as a check, however well they
agree. What is the same in both occupations (base, rig, geoid) does not shrink in a combination. Positions of one mark are
taken to be at one epoch: in a frame that moves, months between occupations show as a difference.

# References
The Survey Association, Guidance Notes for GNSS Network RTK Surveying, issue 2 (2012), and Janssen, Haasdyk and McElroy 2012:
repeat after about 20 min, and 10 to 40 min. Odolinski 2012: positions stay correlated for 13 to 37 min in network solutions.
Sidereal repeat of the satellites: common practice.
";
