//! Conditions by chance.

use crate::occupation::test_rows::Dice;

/// Makes expressions of a wanted kind, now and then of another.
pub(super) struct Maker {
    /// The chance.
    pub dice: Dice,
    /// How often a part is of any kind.
    pub wild: f64,
}

impl Maker {
    /// A whole number below `n`.
    pub(super) fn below(&mut self, n: usize) -> usize {
        ((self.dice.uniform() * n as f64) as usize).min(n - 1)
    }

    /// One of several.
    pub(super) fn one<'a>(&mut self, of: &[&'a str]) -> &'a str {
        of[self.below(of.len())]
    }

    /// Fills a form: ① with a number, ② with a text, ③ with a truth, ④ with an instant, ⑤ with any of them or NULL.
    fn fill(&mut self, form: &str, depth: usize) -> String {
        let mut text = String::new();
        for c in form.chars() {
            match c {
                '①' => text.push_str(&self.number(depth)),
                '②' => text.push_str(&self.text(depth)),
                '③' => text.push_str(&self.truth(depth)),
                '④' => text.push_str(&self.instant(depth)),
                '⑤' => text.push_str(&self.any(depth)),
                c => text.push(c),
            }
        }
        text
    }

    fn any(&mut self, depth: usize) -> String {
        match self.below(5) {
            0 => self.number(depth),
            1 => self.text(depth),
            2 => self.truth(depth),
            3 => self.instant(depth),
            _ => "NULL".into(),
        }
    }

    fn form(&mut self, depth: usize, leaves: &[&str], forms: &[&str]) -> String {
        if depth == 0 {
            return self.one(leaves).into();
        }
        let form = if self.dice.uniform() < self.wild { "⑤" } else { self.one(forms) };
        self.fill(form, depth - 1)
    }

    fn number(&mut self, depth: usize) -> String {
        self.form(depth, &["a", "b", "i", "j", "0", "1", "-1", "3", "0.5", "2.5"], NUMBERS)
    }

    fn text(&mut self, depth: usize) -> String {
        self.form(depth, &["s", "u", "'a'", "'abc'", "''", "'12'", "'Ü'"], TEXTS)
    }

    fn instant(&mut self, depth: usize) -> String {
        self.form(depth, &["t", "v"], INSTANTS)
    }

    /// A condition.
    pub(super) fn truth(&mut self, depth: usize) -> String {
        self.form(depth, &["p", "q", "TRUE", "a > 1", "i = 3", "s = 'abc'"], TRUTHS)
    }
}

const NUMBERS: &[&str] = &[
    "(① + ①)",
    "(① - ①)",
    "(① * ①)",
    "(① / ①)",
    "(① // ①)",
    "(① % ①)",
    "-(①)",
    "abs(①)",
    "sign(①)",
    "round(①)",
    "round(①, 2)",
    "floor(①)",
    "ceil(①)",
    "trunc(①, 1)",
    "sqrt(①)",
    "cbrt(①)",
    "exp(①)",
    "ln(①)",
    "log(①, ①)",
    "log10(①)",
    "log1p(①)",
    "pow(①, ①)",
    "sin(①)",
    "cot(①)",
    "acosd(①)",
    "atan2(①, ①)",
    "degrees(①)",
    "mod(①, ①)",
    "div(①, ①)",
    "(① & ①)",
    "coalesce(①, ①)",
    "nullif(①, ①)",
    "greatest(①, ①, ①)",
    "least(①, ①)",
    "CASE WHEN ③ THEN ① ELSE ① END",
    "CASE ① WHEN ① THEN ① WHEN ① THEN ① END",
    "if(③, ①, ①)",
    "length(②)",
    "octet_length(②)",
    "strpos(②, ②)",
    "POSITION(② IN ②)",
    "CAST(① AS BIGINT)",
    "CAST(① AS INTEGER)",
    "CAST(③ AS DOUBLE)",
    "TRY_CAST(② AS DOUBLE)",
    "TRY_CAST(② AS BIGINT)",
    "CAST(② AS SMALLINT)",
    "EXTRACT(YEAR FROM ④)",
    "EXTRACT(WEEK FROM ④)",
    "EXTRACT(DOY FROM ④)",
    "EXTRACT(MILLISECOND FROM ④)",
    "date_part('epoch', ④)",
    "CAST(④ AS BIGINT)",
    "((④ - ④) / INTERVAL '1 s')",
];

const TEXTS: &[&str] = &[
    "upper(②)",
    "lower(②)",
    "trim(②)",
    "ltrim(②, ②)",
    "TRIM(TRAILING ② FROM ②)",
    "(② || ⑤)",
    "concat(②, ⑤)",
    "concat_ws('-', ②, ⑤)",
    "replace(②, ②, ②)",
    "substr(②, ①)",
    "SUBSTRING(② FROM 2 FOR 3)",
    "left(②, 2)",
    "right(②, -1)",
    "lpad(②, 4)",
    "rpad(②, 3, 'x')",
    "CAST(⑤ AS TEXT)",
    "coalesce(②, ②)",
    "greatest(②, ②)",
    "CASE WHEN ③ THEN ② ELSE ⑤ END",
];

const INSTANTS: &[&str] = &[
    "(④ + INTERVAL '90 minutes')",
    "(④ - INTERVAL '1 week 5 ms')",
    "coalesce(④, ④)",
    "least(④, ④)",
    "CAST(④ AS DATE)",
    "CAST(④ AS TIMESTAMP(3))",
    "CASE WHEN ③ THEN ④ ELSE ④ END",
    "nullif(④, ④)",
];

const TRUTHS: &[&str] = &[
    "(① < ①)",
    "(① >= ①)",
    "(① = ①)",
    "(① <> ①)",
    "(② > ②)",
    "(② = ②)",
    "(③ <=> ③)",
    "(④ <= ④)",
    "(④ > '2026-05-04T14:00:00Z')",
    "(CAST(④ AS TIME) > '06:30')",
    "(④ - ④ > INTERVAL '1 day')",
    "(③ AND ③)",
    "(③ OR ③)",
    "(③ XOR ③)",
    "NOT ③",
    "(① BETWEEN ① AND ①)",
    "(② NOT BETWEEN ② AND ②)",
    "(① IN (1, 2.5, NULL))",
    "(② NOT IN ('a', '12'))",
    "(⑤ IS NULL)",
    "(③ IS NOT TRUE)",
    "(⑤ IS DISTINCT FROM ⑤)",
    "(② LIKE '%b_')",
    "(② NOT ILIKE 'A%')",
    "starts_with(②, ②)",
    "ends_with(②, ②)",
    "CASE WHEN ③ THEN ③ ELSE ③ END",
    "coalesce(③, ③)",
    "greatest(③, ③)",
    "CAST(① AS BOOLEAN)",
];
