//! Conditions: what they give, what is refused, and that nothing breaks them.

mod made;

use super::read::Reader;
use super::values::{Data, Rows, column, of};
use super::{Predicate, parse};
use crate::occupation::test_rows::Dice;
use made::Maker;
use pipeline_base::table::schema::{Column, Holds, Role, Schema, Unit};
use pipeline_base::table::{Table, TableBuilder};
use polars::prelude::{BooleanChunked, IntoColumn, NewChunkedArray};
use proptest::prelude::*;
use std::sync::Arc;

const N: f64 = f64::NAN;

/// Columns of every kind, two of each: `a b` numbers, `i j` whole numbers, `s u` texts, `p q` truths, `t v` instants.
fn schema() -> Schema {
    let kinds = [
        ("a", Holds::Float),
        ("b", Holds::Float),
        ("i", Holds::Int),
        ("j", Holds::Int),
        ("s", Holds::Text),
        ("u", Holds::Text),
        ("p", Holds::Bool),
        ("q", Holds::Bool),
        ("t", Holds::Instant),
        ("v", Holds::Instant),
    ];
    Schema { columns: kinds.map(|(name, holds)| Column::maybe(name, holds, Unit::None, Role::Other)).to_vec(), frame: None }
}

struct Cells {
    reals: [Vec<f64>; 2],
    wholes: [Vec<Option<i64>>; 2],
    texts: [Vec<Option<&'static str>>; 2],
    truths: [Vec<Option<bool>>; 2],
    instants: [Vec<Option<i64>>; 2],
}

fn table(cells: Cells) -> Table {
    let mut b = TableBuilder::new(Arc::new(schema()), cells.reals[0].len());
    for (name, v) in ["a", "b"].into_iter().zip(cells.reals) {
        b.floats(name, v);
    }
    for (name, v) in ["i", "j"].into_iter().zip(cells.wholes) {
        b.ints_or_none(name, v);
    }
    for (name, v) in ["s", "u"].into_iter().zip(cells.texts) {
        b.texts(name, v);
    }
    for (name, v) in ["p", "q"].into_iter().zip(cells.truths) {
        b.column(name, BooleanChunked::from_slice_options("x".into(), &v).into_column());
    }
    for (name, v) in ["t", "v"].into_iter().zip(cells.instants) {
        b.instants_or_none(name, v);
    }
    b.finish().unwrap()
}

/// The six rows that the answers of `answers.tsv` belong to.
fn six() -> Table {
    const T: i64 = 1_777_903_200_000_000_000;
    table(Cells {
        reals: [vec![1.5, -2.0, 0.0, N, 7.25, 2.5], vec![2.0, N, 0.0, 3.0, -1.5, 2.5]],
        wholes: [vec![Some(3), Some(-7), Some(0), None, Some(12), Some(1)], vec![Some(2), Some(3), Some(0), Some(5), None, Some(-4)]],
        texts: [
            vec![Some("abc"), Some(" Ab "), None, Some(""), Some("12"), Some("Ünï")],
            vec![Some("b"), Some("a"), Some("x"), Some(""), None, Some("1.5")],
        ],
        truths: [
            vec![Some(true), Some(false), None, Some(true), Some(false), None],
            vec![Some(true), Some(true), Some(true), None, Some(false), None],
        ],
        instants: [
            vec![Some(T), Some(T + 250_000_001), None, Some(0), Some(-1), Some(1_700_000_000_000_000_000)],
            vec![Some(T), None, None, Some(1_000_000_000), Some(-1), Some(1_600_000_000_000_000_000)],
        ],
    })
}

/// What any expression gives in each row, as text; `-` where it is unknown.
fn given(text: &str, table: &Table) -> Result<Vec<String>, String> {
    let parsed = parse(text).map_err(|p| p.finding.what)?;
    let mut reader = Reader::new(text, &table.schema);
    let part = reader.read(&parsed).map_err(|p| p.finding.what)?;
    let columns = reader.columns.iter().map(|(name, holds)| column(table, name, *holds).unwrap()).collect();
    let rows = Rows { columns };
    let values = rows.work_out(&part)?;
    let shown = |row| match &values.data {
        _ if !values.is_known(row) => "-".to_owned(),
        Data::Truths(v) => of(v, row).to_string(),
        Data::Wholes(v) => of(v, row).to_string(),
        Data::Reals(v) => format!("{:?}", of(v, row)),
        Data::Texts(v) => format!("{:?}", of(v, row).as_ref() as &str),
    };
    Ok((0..table.rows()).map(shown).collect())
}

/// Functions of the machine's mathematics library may differ in the last digits.
fn alike(a: &str, b: &str) -> bool {
    match (a.parse::<f64>(), b.parse::<f64>()) {
        (Ok(x), Ok(y)) => x == y || (x.is_nan() && y.is_nan()) || (x - y).abs() <= 1e-14 * x.abs(),
        _ => a == b,
    }
}

/// Answers of the query engine that worked conditions out before this one (Polars 0.55.2), in all three truths.
#[test]
fn answers_are_those_of_the_engine_before() {
    let t = six();
    let mut wrong = vec![];
    let lines: Vec<&str> = include_str!("tests/answers.tsv").lines().collect();
    assert!(lines.len() > 900);
    for line in lines {
        let (text, want) = line.split_once('\t').unwrap();
        match given(text, &t) {
            Ok(have) if want.split('\t').zip(&have).all(|(w, h)| alike(w, h)) => (),
            have => wrong.push(format!("{text}\n    want {}\n    have {have:?}", want.replace('\t', ", "))),
        }
    }
    assert!(wrong.is_empty(), "{}\n{}", wrong.len(), wrong.join("\n"));
}

/// What that engine refused and is refused still, with the same finding.
#[test]
fn refusals_are_those_of_the_engine_before() {
    let schema = schema();
    let mut wrong = vec![];
    for line in include_str!("tests/refused.tsv").lines() {
        let (text, code) = line.split_once('\t').unwrap();
        match Predicate::bind(text, &schema) {
            Err(p) if p.finding.code == code => (),
            Err(p) => wrong.push(format!("{text}\t{} {}", p.finding.code, p.finding.what)),
            Ok(_) => wrong.push(format!("{text}\taccepted")),
        }
    }
    assert!(wrong.is_empty(), "{}\n{}", wrong.len(), wrong.join("\n"));
}

/// What is understood otherwise than by that engine, and why.
#[test]
fn answers_that_are_better_now() {
    let t = six();
    for (text, want) in [
        // Whole numbers have 64 bits, also lengths and parts of instants: nothing wraps round.
        ("length(s) - 5 < 0", "true true - true true true"),
        ("EXTRACT(MONTH FROM t) * 100", "500 500 - 100 1200 1100"),
        ("pow(2, 40) > i", "true true true - true true"),
        ("9223372036854775807 + i", "- 9223372036854775800 9223372036854775807 - - -"),
        ("pow(i, 40)", "- - 0 - - 1"),
        ("-9223372036854775808 < i", "true true true - true true"),
        // The quotient is the nearest number, not a product with the reciprocal.
        ("i / 10 = 0.3", "true false false - false false"),
        ("49.0 % 49 = a", "false false true - false false"),
        // A constant may stand first.
        ("2 < a", "false false false - true true"),
        ("pi() > a", "true true true - false true"),
        // Numbers with and without decimals in one list; numbers with an exponent.
        ("i IN (1, 2.5, 3)", "true false false - false true"),
        ("a < 1e1", "true true true - true true"),
        // Instants and texts of ISO 8601; a TIMESTAMP is UTC.
        ("t > '2026-05-04T14:00:00Z'", "false true - false false false"),
        ("t >= '2026-05-04T16:00:00+02:00'", "true true - false false false"),
        ("t BETWEEN '2023-01-01' AND '2024-01-01 00:00'", "false false - false false true"),
        ("t IN (TIMESTAMP '2026-05-04 14:00:00', NULL)", "true - - - - -"),
        ("t < '1970-01-01'", "false false - false true false"),
        ("CAST(t AS TIMESTAMP) = t", "true false - true false true"),
        ("CAST('2026-05-04' AS DATE) < t", "true true - false false false"),
        ("TRY_CAST('2026-05-04T12:00' AS DATE) < t", "- - - - - -"),
        ("CAST(t AS DATE) + INTERVAL '1 hour' < t", "true true - false true true"),
        // Unknown texts stay unknown; positions count characters.
        ("strpos(s, 'b')", "2 3 - 0 0 0"),
        ("strpos(s, 'n')", "0 0 - 0 0 2"),
        ("left(s, 0)", "\"\" \"\" - \"\" \"\" \"\""),
        ("ltrim(s, u) IS NULL", "false false true false true false"),
        ("replace(s, 'b', u) = 'abc'", "true false - false - false"),
        ("right(s, 5) = 'abc'", "true false - false false false"),
        ("left(s, -1) = 'ab'", "true false - false false false"),
        ("left(s, i) = 'abc'", "true false - - false false"),
        ("substr(s, i - 4) = 'abc'", "true false - - false false"),
        ("substr(s, -1, 3) = 'a'", "true false - false false false"),
        ("greatest(a, sqrt(-1.0)) > 100", "true true true true true true"),
        ("(t - v) + INTERVAL '1 s' > INTERVAL '5 s'", "false - - false false true"),
    ] {
        let have = given(text, &t).map(|have| have.join(" "));
        assert_eq!(have.as_deref(), Ok(want), "{text}");
    }
}

/// What that engine understood and nobody needs.
#[test]
fn refusals_that_are_new() {
    let schema = schema();
    for (text, code, word) in [
        ("t > 5", "gate/bad-condition", "an instant cannot be compared with a whole number"),
        ("t - v > 5", "gate/bad-condition", "a length of time cannot be compared"),
        ("CASE WHEN p THEN t ELSE i END = 3", "gate/bad-condition", "cannot be both an instant and a whole number"),
        ("i AND j", "gate/bad-condition", "need true or false"),
        ("sqrt(s) > 1", "gate/bad-condition", "SQRT needs a number and not a text"),
        ("starts_with(s, i)", "gate/bad-condition", "STARTS_WITH needs a text"),
        ("CAST(a AS REAL) > 0", "gate/bad-condition", "type `REAL` is not understood"),
        ("s ~ 'a'", "gate/bad-condition", "operator `~`"),
        ("REGEXP_LIKE(s, 'a')", "gate/bad-condition", "no function `regexp_like`"),
        ("STRFTIME(t, '%Y') = '2026'", "gate/bad-condition", "no function `strftime`"),
        ("t - INTERVAL '1 month' > v", "gate/bad-condition", "in weeks or shorter"),
        ("abs(a) OVER () > 1", "gate/not-one-row", "OVER"),
        ("t > '2026-02-30'", "gate/bad-condition", "`2026-02-30` is no date and time"),
        ("s SIMILAR TO 'a'", "gate/bad-condition", "LIKE and ILIKE"),
        ("i = ANY(ARRAY[1, 2])", "gate/bad-condition", "after IN only"),
        ("a IN (b, 3)", "gate/bad-condition", "no columns"),
    ] {
        let p = Predicate::bind(text, &schema).map(|_| ()).unwrap_err();
        assert!(p.finding.code == code && p.finding.what.contains(word), "{text}: {} {}", p.finding.code, p.finding.what);
    }
}

#[test]
fn a_value_that_cannot_be_taken_is_said() {
    let t = six();
    for (text, word) in [
        ("CAST(s AS INTEGER) > 1", "`abc` cannot be made a whole number"),
        ("CAST(a / 0 AS INTEGER) > 1", "`inf` cannot be made a whole number"),
        ("CAST(i * 1000000000 AS INTEGER) > 1", "`3000000000` cannot"),
        ("pow(i, j) > 1", "to the power of -4"),
        ("substr(s, 1, j) = 'a'", "no negative length such as -4"),
        ("lpad(s, i) = 'a'", "filled up to -7 characters"),
        ("CAST(u AS DATE) < t", "`b` cannot be made a date"),
    ] {
        let p = Predicate::bind(text, &t.schema).and_then(|p| p.test(&t)).unwrap_err();
        assert!(p.finding.code == "gate/bad-condition" && p.finding.what.contains(word), "{text}: {}", p.finding.what);
    }
    // A constant is found when the job is planned.
    assert!(Predicate::bind("i > CAST('x' AS INTEGER)", &t.schema).is_err());
}

#[test]
fn length_and_depth_are_bounded() {
    let t = six();
    let long = vec!["a < 3"; 400].join(" AND ");
    assert_eq!(Predicate::bind(&long, &t.schema).unwrap().test(&t).unwrap(), [true, true, true, false, false, true]);
    let mut between = "a".to_owned();
    while between.len() < 600 {
        between = format!("({between} BETWEEN 0 AND 1)");
    }
    let deep = [
        vec!["a"; 1000].join(" + ") + " > 1",
        vec!["s"; 1000].join(" || ") + " > 'a'",
        vec!["a"; 1000].join(" < "),
        vec!["a"; 900].join(" + ") + " SIMILAR TO 'a'",
        vec!["a"; 900].join(" + ") + " AT TIME ZONE 'UTC'",
        format!("abs({}) OVER () > 1", vec!["a"; 900].join(" + ")),
        vec!["p"; 300].join(" AND q OR "),
        "NOT ".repeat(900) + "p",
        "- ".repeat(1500) + "a > 1",
        "(".repeat(1500) + "p" + &")".repeat(1500),
        "CASE WHEN ".repeat(300) + "p",
        "abs(".repeat(900) + "a" + &")".repeat(900) + " > 1",
        between,
        format!("{}s{} = 'a'", "replace(".repeat(45), ", '', 'xxxxxxxx')".repeat(45)),
    ];
    for text in deep {
        if let Ok(p) = Predicate::bind(&text, &t.schema) {
            let _ = p.test(&t);
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn no_text_breaks_it(text in "(\\PC{0,40}|([a-z]|'|\"|<|=|\\(|\\)|,|[0-9]|\\.| |IN|AND|NOT|CAST|AS|INTERVAL|EXTRACT|FROM|::|\\|\\|){0,30})") {
        let t = six();
        if let Ok(p) = Predicate::bind(&text, &t.schema) {
            let _ = p.test(&t);
        }
    }

    /// A row has the same answer alone and among others, and a condition fails on the whole when it fails on a row.
    #[test]
    fn a_row_does_not_depend_on_others(seed in any::<u64>()) {
        let t = six();
        let mut maker = Maker { dice: Dice(seed), wild: 0.03 };
        let depth = 1 + maker.below(4);
        let text = maker.truth(depth);
        if let Ok(p) = Predicate::bind(&text, &t.schema) {
            let together = p.test(&t).ok();
            let alone: Option<Vec<bool>> = (0..t.rows())
                .map(|row| {
                    let one = t.filter(&(0..t.rows()).map(|r| r == row).collect::<Vec<_>>()).unwrap();
                    p.test(&one).ok().map(|answer| answer[0])
                })
                .collect();
            prop_assert_eq!(together, alone, "{}", text);
        }
    }
}
