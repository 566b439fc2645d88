//! The table that comes out of the comparison: rows that were combined, and what is said of each.

use super::combine::Combined;
use super::judge::{Check, Judgement, Pair};
use super::occasion::Occasion;
use crate::budget::{self, Kind, Parts};
use pipeline_base::problem::Problem;
use pipeline_base::table::schema::{Column, Holds, Role, Schema, Unit};
use pipeline_base::table::{Table, TableBuilder};
use std::sync::Arc;

/// One row that comes out.
pub(super) struct Row {
    /// Rows that it is made of; the first lends its texts.
    of: Vec<u32>,
    name: String,
    check: Check,
    independence: Option<i64>,
    largest: [f64; 2],
    second_after: Option<i64>,
    combined: Option<Combined>,
    from: Option<String>,
    occupations: i64,
}

/// All rows that come out, in order, and counts.
#[derive(Default)]
pub(super) struct Verdicts {
    rows: Vec<Row>,
    /// Marks that came out.
    pub marks: usize,
    /// Of them, checked.
    pub checked: usize,
    /// Of them, checked in name only.
    pub in_name_only: usize,
}

impl Verdicts {
    /// Adds a mark whose occupations `kept` come out, as one row when they were combined.
    pub(super) fn push(
        &mut self,
        name: &str,
        kept: &[&Occasion],
        judged: &Judgement,
        second_after: Option<i64>,
        combined: Option<Combined>,
    ) {
        self.marks += 1;
        self.checked += usize::from(judged.check == Check::Checked);
        self.in_name_only += usize::from(judged.check == Check::InNameOnly);
        let inside = |p: &&Pair| judged.kept.contains(&p.of.0) && judged.kept.contains(&p.of.1);
        let independence = judged.pairs.iter().filter(inside).map(Pair::strength).max().and_then(|n| i64::try_from(n).ok());
        let sizes = || judged.pairs.iter().filter(inside).map(|p| p.difference.sizes());
        let largest = [0, 1].map(|k| sizes().map(|s| s[k]).fold(f64::NAN, f64::max));
        let occupations = i64::try_from(kept.len()).unwrap_or(i64::MAX);
        #[allow(clippy::cast_possible_truncation)]
        let number = |o: &&Occasion| o.row as u32;
        let row = |of: Vec<u32>, name: String, from: Option<String>, combined| Row {
            of,
            name,
            check: judged.check,
            independence,
            largest,
            second_after,
            combined,
            from,
            occupations,
        };
        if combined.is_some() {
            let from = kept.iter().map(|o| format!("{}/{}", o.session, o.occupation)).collect::<Vec<_>>().join(", ");
            self.rows.push(row(kept.iter().map(number).collect(), name.to_owned(), Some(from), combined));
        } else {
            self.rows.extend(kept.iter().map(|o| row(vec![number(o)], o.point.clone(), None, None)));
        }
    }

    /// Puts the rows in the order of the table that they come from.
    pub(super) fn in_order(&mut self) {
        self.rows.sort_by(|a, b| a.of.first().cmp(&b.of.first()));
    }

    /// Whether any row is made of several.
    pub(super) fn any_merged(&self) -> bool {
        self.rows.iter().any(|r| r.of.len() > 1)
    }

    /// Rows that went in and came out, alone or combined.
    pub(super) fn rows(&self) -> usize {
        self.rows.iter().map(|r| r.of.len()).sum()
    }
}

/// The columns that are added.
fn added() -> [Column; 7] {
    let other = Role::Other;
    [
        Column::always("check", Holds::Text, Unit::None, other),
        Column::always("occupations", Holds::Int, Unit::None, other),
        Column::maybe("independence", Holds::Int, Unit::None, other),
        Column::maybe("repeat_horizontal_m", Holds::Float, Unit::Metre, other),
        Column::maybe("repeat_up_m", Holds::Float, Unit::Metre, other),
        Column::maybe("second_after", Holds::Instant, Unit::None, other),
        Column::maybe(super::members::COLUMN, Holds::Text, Unit::None, other),
    ]
}

/// Refuses a table that has one of the columns already.
///
/// # Errors
/// `plan/column-exists`.
pub(super) fn check(input: &Schema) -> Result<(), Problem> {
    match added().iter().find(|c| input.named(&c.name).is_some()) {
        Some(c) => Err(Problem::new(
            "plan/column-exists",
            format!("the input already has the column `{}`, which `compare-occupations` makes", c.name),
        )
        .fix("use `compare-occupations` once")),
        None => Ok(()),
    }
}

/// The schema that comes out. A combined row has no range, heading or fix run of its own.
#[must_use]
pub(super) fn schema(input: &Schema) -> Schema {
    let mut schema = input.clone();
    for column in &mut schema.columns {
        let own = [Role::Range, Role::Heading].contains(&column.role) || column.name.starts_with("fix_run_");
        column.nullable |= own;
    }
    schema.columns.extend(added());
    schema
}

/// How the values of several occupations become one.
#[derive(Clone, Copy)]
enum How {
    Sum,
    Largest,
    Mean,
    RootMeanSquare,
    Nothing,
}

impl How {
    fn of(self, values: &[f64]) -> f64 {
        let known: Vec<f64> = values.iter().copied().filter(|v| !v.is_nan()).collect();
        if known.is_empty() {
            return f64::NAN;
        }
        #[allow(clippy::cast_precision_loss)]
        let n = known.len() as f64;
        match self {
            Self::Sum => known.iter().sum(),
            Self::Largest => known.iter().copied().fold(f64::NEG_INFINITY, f64::max),
            Self::Mean => known.iter().sum::<f64>() / n,
            Self::RootMeanSquare => (known.iter().map(|v| v * v).sum::<f64>() / n).sqrt(),
            Self::Nothing => f64::NAN,
        }
    }
}

fn how(column: &Column) -> Option<How> {
    match column.role {
        Role::Range | Role::Heading => return Some(How::Nothing),
        Role::ReceiverSeparation => return Some(How::Mean),
        Role::Other => {}
        _ => return None,
    }
    match column.name.as_str() {
        "effective_epochs" | "span_s" => Some(How::Sum),
        "scatter_horizontal_m" | "scatter_up_m" | "formal_horizontal_m" | "formal_up_m" => Some(How::RootMeanSquare),
        "scatter_ratio" | "pdop_max" | "tilt_max_deg" => Some(How::Largest),
        _ => None,
    }
}

/// The table that comes out.
///
/// # Errors
/// When a column does not hold what its name says.
pub(super) fn table(input: &Table, output: Arc<Schema>, verdicts: &Verdicts) -> Result<Table, Problem> {
    let rows = &verdicts.rows;
    let taken = input.take(&rows.iter().filter_map(|r| r.of.first().copied()).collect::<Vec<_>>())?;
    let mut b = TableBuilder::from_table(output, &taken);
    if verdicts.any_merged() {
        numbers(input, &mut b, rows)?;
        uncertainty(input, &mut b, rows)?;
        times(input, &mut b, rows)?;
        bases(input, &mut b, rows)?;
    }
    let name = input.schema.role(Role::Point).map(|c| c.name.clone()).unwrap_or_default();
    b.texts(&name, rows.iter().map(|r| Some(r.name.as_str())))
        .texts("check", rows.iter().map(|r| Some(r.check.word())))
        .ints("occupations", rows.iter().map(|r| r.occupations).collect())
        .ints_or_none("independence", rows.iter().map(|r| r.independence))
        .floats("repeat_horizontal_m", rows.iter().map(|r| r.largest[0]).collect())
        .floats("repeat_up_m", rows.iter().map(|r| r.largest[1]).collect())
        .instants_or_none("second_after", rows.iter().map(|r| r.second_after))
        .texts(super::members::COLUMN, rows.iter().map(|r| r.from.as_deref()));
    b.finish()
}

/// Columns of numbers that several occupations make together.
fn numbers(input: &Table, b: &mut TableBuilder, rows: &[Row]) -> Result<(), Problem> {
    for column in &input.schema.columns {
        let name = &column.name;
        match column.holds {
            Holds::Float => {
                if let Some(how) = how(column) {
                    let values = input.floats(name)?;
                    let one = |r: &Row| match r.of.as_slice() {
                        [only] => values[*only as usize],
                        many => how.of(&many.iter().map(|i| values[*i as usize]).collect::<Vec<_>>()),
                    };
                    b.floats(name, rows.iter().map(one).collect());
                }
            }
            Holds::Int if matches!(name.as_str(), "epochs_used" | "epochs_set_aside") => {
                let values = input.ints(name)?;
                b.ints(name, rows.iter().map(|r| r.of.iter().filter_map(|i| values[*i as usize]).sum()).collect());
            }
            Holds::Int if name.starts_with("fix_run_") => {
                let values = input.ints(name)?;
                b.ints_or_none(name, rows.iter().map(|r| if let [only] = r.of.as_slice() { values[*only as usize] } else { None }));
            }
            Holds::Bool if column.role == Role::SigmaAssumed => {
                let values = input.bools(name)?;
                b.bools(name, &rows.iter().map(|r| r.of.iter().any(|i| values[*i as usize] == Some(true))).collect::<Vec<_>>());
            }
            _ => {}
        }
    }
    Ok(())
}

/// Position, budget and what follows from it.
fn uncertainty(input: &Table, b: &mut TableBuilder, rows: &[Row]) -> Result<(), Problem> {
    let parts = Parts::read(input)?;
    let budgets: Vec<budget::Budget> =
        rows.iter().map(|r| r.combined.as_ref().map_or_else(|| parts.row(r.of.first().map_or(0, |i| *i as usize)), |c| c.budget)).collect();
    budget::fill(b, &budgets);
    let mut set = |name: Option<String>, of: &dyn Fn(&budget::Budget, &Combined) -> f64| -> Result<(), Problem> {
        let Some(name) = name.filter(|n| input.schema.named(n).is_some()) else { return Ok(()) };
        let old = input.floats(&name)?;
        let value = |(r, budget): (&Row, &budget::Budget)| {
            r.combined.as_ref().map_or_else(|| r.of.first().map_or(f64::NAN, |i| old[*i as usize]), |c| of(budget, c))
        };
        b.floats(&name, rows.iter().zip(&budgets).map(value).collect());
        Ok(())
    };
    let role = |r: Role| input.schema.role(r).map(|c| c.name.clone());
    let named = |n: &str| Some(n.to_owned());
    set(role(Role::Latitude), &|_, c| c.position[0])?;
    set(role(Role::Longitude), &|_, c| c.position[1])?;
    set(role(Role::EllipsoidalHeight), &|_, c| c.position[2])?;
    set(role(Role::SigmaEast), &|b, _| b.total().ee.max(0.0).sqrt())?;
    set(role(Role::SigmaNorth), &|b, _| b.total().nn.max(0.0).sqrt())?;
    set(role(Role::SigmaUp), &|b, _| b.total().uu.max(0.0).sqrt())?;
    set(role(Role::CorrelationEastNorth), &|b, _| {
        let t = b.total();
        if t.ee * t.nn > 0.0 { (t.en / (t.ee * t.nn).sqrt()).clamp(-1.0, 1.0) } else { 0.0 }
    })?;
    set(named("random_horizontal_m"), &|b, _| b.of_kind(Kind::Random).horizontal().max(0.0).sqrt())?;
    set(named("random_up_m"), &|b, _| b.of_kind(Kind::Random).uu.max(0.0).sqrt())?;
    set(named("systematic_horizontal_m"), &|b, _| b.of_kind(Kind::Systematic).horizontal().max(0.0).sqrt())?;
    set(named("systematic_up_m"), &|b, _| b.of_kind(Kind::Systematic).uu.max(0.0).sqrt())?;
    set(named("horizontal_95_m"), &|b, _| b.bounds_95()[0])?;
    set(named("vertical_95_m"), &|b, _| b.bounds_95()[1])
}

/// First, weighted mean and last time.
fn times(input: &Table, b: &mut TableBuilder, rows: &[Row]) -> Result<(), Problem> {
    let Some(time) = input.schema.role(Role::Time).map(|c| c.name.clone()) else { return Ok(()) };
    for name in [time.as_str(), "time_first", "time_last"] {
        if input.schema.named(name).is_none_or(|c| c.holds != Holds::Instant) {
            continue;
        }
        let values = input.instants(name)?;
        let one = |r: &Row| {
            let own = || r.of.iter().filter_map(|i| values[*i as usize]);
            match (&r.combined, name) {
                (Some(_), "time_first") => own().min(),
                (Some(_), "time_last") => own().max(),
                (Some(c), _) => own().next().map(|first| {
                    #[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation)]
                    let later: f64 = own().zip(&c.weights).map(|(t, w)| w * t.saturating_sub(first) as f64).sum();
                    #[allow(clippy::cast_possible_truncation)]
                    // To the millisecond, as the deliveries write it; some readers know no more than microseconds.
                    let later = (later / 1e6).round() as i64 * 1_000_000;
                    first.saturating_add(later)
                }),
                (None, _) => own().next(),
            }
        };
        b.instants_or_none(name, rows.iter().map(one));
    }
    Ok(())
}

/// All bases of a combined row, each once.
fn bases(input: &Table, b: &mut TableBuilder, rows: &[Row]) -> Result<(), Problem> {
    let Some(name) = input.schema.role(Role::BaseStation).map(|c| c.name.clone()) else { return Ok(()) };
    let values = input.texts(&name)?;
    let joined: Vec<Option<String>> = rows
        .iter()
        .map(|r| {
            let mut seen: Vec<&str> = vec![];
            for base in r.of.iter().filter_map(|i| values[*i as usize]).flat_map(|t| t.split(", ")) {
                if !seen.contains(&base) {
                    seen.push(base);
                }
            }
            (!seen.is_empty()).then(|| seen.join(", "))
        })
        .collect();
    b.texts(&name, joined.iter().map(Option::as_deref));
    Ok(())
}
