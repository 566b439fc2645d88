//! What the comparison of occupations says.

use super::achieved::{FEWEST, Factor};
use super::judge::{Judgement, Pair, Rules};
use super::occasion::{Evidence, Occasion, useful_after};
use crate::occupation::notes_time::clock;
use crate::rows;
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::table::Table;

/// Fewest pairs from which a factor above 1 is a warning.
const ENOUGH: usize = 10;

/// The mark that a finding is about.
pub(super) struct About<'a> {
    /// Its name.
    pub name: &'a str,
    /// Its occupations, in the order of time.
    pub mark: &'a [&'a Occasion],
    /// The table that they are rows of.
    pub table: &'a Table,
    /// What is asked of a pair.
    pub rules: &'a Rules,
}

/// A time between occupations in words.
fn gap(seconds: f64) -> String {
    if seconds < 120.0 {
        format!("{seconds:.0} s")
    } else if seconds < 7200.0 {
        format!("{:.0} min", seconds / 60.0)
    } else if seconds < 172_800.0 {
        format!("{:.1} h", seconds / 3600.0)
    } else {
        format!("{:.1} d", seconds / 86_400.0)
    }
}

/// The evidence of a pair, for and against.
fn evidence(pair: &Pair) -> String {
    let words = pair.evidence.iter().filter(|(e, _)| *e != Evidence::TimeGap).map(|(e, seen)| e.words(*seen));
    format!("{} apart in time, {}", gap(pair.gap_s), words.collect::<Vec<_>>().join(", "))
}

impl About<'_> {
    fn start(&self, code: &str, verdict: Verdict, what: String) -> Diagnostic {
        let place: Vec<String> =
            self.mark.iter().take(6).map(|o| format!("{} {} to {} UTC", o.title(), clock(o.time.0), clock(o.time.1))).collect();
        let more = if self.mark.len() > 6 { format!(" and {} more", self.mark.len() - 6) } else { String::new() };
        let mut d =
            Diagnostic::new(code, verdict, what).point(self.name).place(format!("point `{}`: {}{more}", self.name, place.join(", ")));
        d.labels = rows::labels(self.table, &self.mark.iter().map(|o| o.row).collect::<Vec<_>>(), "an occupation of it");
        d
    }

    fn pair(&self, p: &Pair) -> String {
        let [h, u] = p.difference.sizes();
        format!(
            "{} and {} differ by {h:.3} m horizontally and {u:.3} m in height ({})",
            self.mark[p.of.0].title(),
            self.mark[p.of.1].title(),
            evidence(p)
        )
    }

    fn worst<'a>(&self, pairs: impl Iterator<Item = &'a Pair>) -> Option<&'a Pair> {
        pairs.max_by(|a, b| a.difference.factor().total_cmp(&b.difference.factor()))
    }

    /// How large a difference is, with the statistic of the test.
    fn size(&self, p: &Pair) -> String {
        let d = &p.difference;
        let [h, u] = d.sizes();
        format!(
            "{h:.3} m horizontally against a combined 95 % bound of {:.3} m (chi-square {:.1}, 2 degrees of freedom), {u:.3} m in height against {:.3} m (chi-square {:.1}, 1 degree): {:.1} times the bound",
            d.bound_95[0],
            d.statistic[0],
            d.bound_95[1],
            d.statistic[1],
            d.factor()
        )
    }

    /// The occupations do not agree and no majority decides.
    pub(super) fn disagree(&self, judged: &Judgement) -> Diagnostic {
        let worst = self.worst(judged.pairs.iter().filter(|p| p.too_large));
        let close = judged.pairs.iter().find(|p| !p.too_large && !p.independent);
        let what = match (close, worst) {
            (Some(close), Some(worst)) => format!("{}, so they count as one; {}", self.pair(close), self.pair(worst)),
            (None, Some(worst)) => self.pair(worst),
            _ => format!("{} occupations do not agree", self.mark.len()),
        };
        let now = self.mark.iter().map(|o| o.time.1).max().unwrap_or_default();
        self.start("repeats/disagree", Verdict::Reshoot, what)
            .size(worst.map_or_else(String::new, |p| self.size(p)))
            .why(if close.is_some() {
                "shots on one ambiguity fix share its error, so they agree with each other even when it is wrong"
            } else {
                "one of them has a wrong fix, or the pole or the aim was not on the mark; nothing in the log tells which"
            })
            .fix(format!(
                "occupy `{}` again with a fresh fix (best after {} UTC): two of three must agree from independent fixes; or waive `repeats/disagree` for it",
                self.name,
                clock(useful_after(now, self.rules.min_gap_s))
            ))
    }

    /// Independent occupations agree and others do not agree with them.
    pub(super) fn outvoted(&self, judged: &Judgement) -> Diagnostic {
        let names = |list: &[usize]| list.iter().map(|i| self.mark[*i].title()).collect::<Vec<_>>().join(", ");
        let worst = self.worst(judged.pairs.iter().filter(|p| p.too_large));
        self.start(
            "repeats/outvoted",
            Verdict::Warn,
            format!("{} agree from independent fixes, and {} does not agree with them", names(&judged.kept), names(&judged.outvoted)),
        )
        .size(worst.map_or_else(String::new, |p| self.size(p)))
        .why("a wrong fix looks as steady as a right one; two independent fixes seldom have the same error")
        .fix("none needed: the odd one is set aside and the others are used")
    }

    /// Repeated without the evidence.
    pub(super) fn in_name_only(&self, judged: &Judgement) -> Diagnostic {
        let best = judged.pairs.iter().max_by_key(|p| p.strength());
        let what = best.map_or_else(|| "the repeats share their errors".to_owned(), |p| format!("{}: checked in name only", self.pair(p)));
        self.start("repeats/in-name-only", Verdict::Warn, what)
            .size("not known: a wrong fix of decimetres would be the same in all of them")
            .why(format!("a check needs {}; two shots on one fix agree even when it is wrong", self.needed()))
            .fix(self.again())
    }

    /// Held because it is not checked.
    pub(super) fn not_checked(&self, judged: &Judgement) -> Diagnostic {
        let what = match judged.pairs.first() {
            Some(_) => format!("{} occupations share their errors, and the job asks for an independent second one", self.mark.len()),
            None => "there is one occupation, and the job asks for an independent second one".to_owned(),
        };
        self.start("repeats/not-checked", Verdict::Hold, what)
            .size("not known: a wrong fix is wrong by decimetres and looks like any other")
            .why(format!("`if_unchecked: hold`; a check needs {}", self.needed()))
            .fix(format!("{}; or waive `repeats/not-checked` for it", self.again()))
    }

    fn needed(&self) -> String {
        self.rules.need.iter().map(|e| e.words(Some(true))).collect::<Vec<_>>().join(" and ")
    }

    fn again(&self) -> String {
        let last = self.mark.iter().map(|o| o.time.1).max().unwrap_or_default();
        format!("occupy `{}` again after {} UTC, with a fresh fix", self.name, clock(useful_after(last, self.rules.min_gap_s)))
    }
}

/// One name at several places.
pub(super) fn far_apart(name: &str, places: &[Vec<&Occasion>], limit_m: f64, table: &Table) -> Diagnostic {
    let firsts: Vec<&Occasion> = places.iter().filter_map(|p| p.first().copied()).collect();
    let far = firsts.iter().skip(1).map(|o| firsts[0].to(o)).map(|[e, n, u]| e.hypot(n).hypot(u)).fold(0.0, f64::max);
    let mut d = Diagnostic::new(
        "repeats/far-apart",
        Verdict::Warn,
        format!(
            "the name `{name}` stands for {} marks: {} lie up to {far:.3} m apart",
            places.len(),
            firsts.iter().map(|o| o.title()).collect::<Vec<_>>().join(", ")
        ),
    )
    .point(name)
    .place(format!("point `{name}`"))
    .size(format!("{far:.3} m between the two, more than `one_mark_within_m: {limit_m}`"))
    .why("too far apart to be one mark, so they are neither compared nor combined")
    .fix("give each its own name in the notes; if it is one mark, one of the occupations is wrong and must be repeated");
    d.labels = rows::labels(table, &firsts.iter().map(|o| o.row).collect::<Vec<_>>(), "an occupation of this name");
    d
}

/// Marks with one occupation, said once for all.
pub(super) fn unchecked(names: &[String], all: usize) -> Diagnostic {
    let shown: Vec<String> = names.iter().take(8).map(|n| format!("`{n}`")).collect();
    let more = if names.len() > shown.len() { format!(" and {} more", names.len() - shown.len()) } else { String::new() };
    Diagnostic::new(
        "repeats/unchecked",
        Verdict::Note,
        format!("{} of {all} marks have one occupation only: nothing checks them", names.len()),
    )
    .place(format!("{}{more}", shown.join(", ")))
    .size("not known: a wrong fix is wrong by decimetres and looks like any other")
    .why("a single occupation has no redundancy of its own")
    .fix("occupy what matters a second time; `gunter run JOB --verdict` lists from when on each repeat is useful")
}

/// What is claimed against what is achieved.
pub(super) fn claims(pairs: usize, list: &[(String, Option<Factor>)]) -> Diagnostic {
    let known: Vec<(&String, &Factor)> = list.iter().filter_map(|(who, f)| f.as_ref().map(|f| (who, f))).collect();
    // From a few pairs a factor above 1 comes out by chance more often than a crew should be bothered with it.
    let worse = known.iter().any(|(_, f)| f.interval.0 > 1.0 && f.pairs >= ENOUGH);
    let words = |who: &str, f: &Factor| {
        let out = if f.left_out > 0 { format!(", {} left out as blunders", f.left_out) } else { String::new() };
        format!("{who}: {:.2} times (95 %: {:.2} to {:.2}; {} pairs{out})", f.factor, f.interval.0, f.interval.1, f.pairs)
    };
    let what = if known.is_empty() {
        format!("{pairs} independent pairs of occupations are too few to say how the claimed uncertainty stands; {FEWEST} are needed")
    } else {
        format!(
            "differences of repeats against what is claimed: {}",
            known.iter().map(|(who, f)| words(who, f)).collect::<Vec<_>>().join("; ")
        )
    };
    let d = Diagnostic::new("repeats/claimed-and-achieved", if worse { Verdict::Warn } else { Verdict::Note }, what)
        .place(format!("{pairs} independent pairs"))
        .why("receivers are often too optimistic about themselves; repeats show it");
    match known.first() {
        Some((_, all)) if worse => d
            .size(format!("the bounds of all points are about {:.1} times too small", all.factor))
            .fix(format!("multiply `gnss.sigma_factor` of the rig by {:.1}, and run again", all.factor)),
        Some((_, all)) if all.interval.0 > 1.0 => d
            .size(format!("if it stays so, the bounds of all points are about {:.1} times too small", all.factor))
            .fix(format!("repeat more points: {} pairs are few, and from {ENOUGH} on this becomes a warning", all.pairs)),
        Some(_) => d.size("the claimed bounds hold").fix("none needed"),
        None => d.size("not known").fix("repeat more points"),
    }
}
