//! A reader of `.gie` files, the regression files of PROJ: an operation, points that it accepts, what to expect of them.
//!
//! Lines outside `<gie>` are prose. A `#` begins a comment; a backslash at the end of a line goes on with the next one; blanks
//! around `=` and `,` of an operation mean nothing.

/// A line that does something.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Step {
    Operation(String),
    /// Numbers that go in.
    Accept(Vec<f64>),
    /// Numbers that must come out.
    Expect(Vec<f64>),
    /// No result may come out; with the name of the reason where one is given.
    Failure(Option<String>),
    /// There and back so many times, within so many metres (as the operation's tolerance when empty).
    RoundTrip(i32, Option<f64>),
    /// Metres.
    Tolerance(f64),
    /// Forward or inverse.
    Forward(bool),
    /// Whether `+init=` is expanded.
    Init(bool),
    /// A command that this reader does not know.
    Unknown(String),
}

const WORDS: [&str; 14] = [
    "operation",
    "accept",
    "expect",
    "roundtrip",
    "tolerance",
    "direction",
    "use_proj4_init_rules",
    "ignore",
    "banner",
    "echo",
    "skip",
    "verbose",
    "require_grid",
    "unknown_keyword",
];

/// Lines with their numbers, continued lines joined.
fn lines(text: &str) -> Vec<(usize, String)> {
    let (mut inside, mut strict) = (false, false);
    let mut all: Vec<(usize, String)> = vec![];
    let mut goes_on = false;
    for (i, raw) in text.lines().enumerate() {
        let line = raw.split('#').next().unwrap_or_default().trim();
        if line.starts_with("<gie") {
            (inside, strict) = (true, line.contains("strict"));
            continue;
        }
        if line.starts_with("</gie") {
            inside = false;
        }
        let rule = line.len() > 2 && line.chars().all(|c| "-=".contains(c));
        if !inside || line.is_empty() || rule {
            goes_on &= inside && !rule;
            continue;
        }
        let (part, more) = line.strip_suffix('\\').map_or((line, false), |l| (l.trim_end(), true));
        let word = part.split_whitespace().next().unwrap_or_default();
        match all.last_mut() {
            Some((_, last)) if goes_on || (!strict && !WORDS.contains(&word) && last.starts_with("operation")) => {
                last.push(' ');
                last.push_str(part);
            }
            _ => all.push((i + 1, part.to_owned())),
        }
        goes_on = more;
    }
    all
}

/// Reads a file: line numbers and steps.
pub(super) fn read(text: &str) -> Vec<(usize, Step)> {
    lines(text).into_iter().filter_map(|(at, line)| step(&line).map(|s| (at, s))).collect()
}

fn step(line: &str) -> Option<Step> {
    let (word, rest) = line.split_once(char::is_whitespace).unwrap_or((line, ""));
    let rest = rest.trim();
    Some(match word {
        "operation" => Step::Operation(tidy(rest)),
        "accept" => Step::Accept(numbers(rest)),
        "expect" if rest.starts_with("failure") => {
            let mut words = rest.split_whitespace().skip(1);
            Step::Failure(words.next().filter(|w| *w == "errno").and_then(|_| words.next()).map(str::to_owned))
        }
        "expect" => Step::Expect(numbers(rest)),
        "roundtrip" => {
            let mut words = rest.splitn(2, char::is_whitespace);
            #[allow(clippy::cast_possible_truncation)]
            let times = words.next().and_then(|w| w.parse::<f64>().ok()).map_or(100, |n| n as i32);
            Step::RoundTrip(times, words.next().and_then(metres))
        }
        "tolerance" => Step::Tolerance(metres(rest).unwrap_or(5e-4)),
        "direction" => Step::Forward(!rest.starts_with(['i', 'r'])),
        "use_proj4_init_rules" => Step::Init(rest == "true"),
        "ignore" | "banner" | "echo" | "verbose" => return None,
        _ => Step::Unknown(line.to_owned()),
    })
}

/// Text of an operation on one line, without blanks around `=` and `,`.
fn tidy(text: &str) -> String {
    let one = text.split_whitespace().collect::<Vec<_>>().join(" ");
    let mut out = one;
    for sign in ["=", ","] {
        out = out.split(sign).map(str::trim).collect::<Vec<_>>().join(sign);
    }
    out
}

/// Numbers up to the first word that is none.
fn numbers(text: &str) -> Vec<f64> {
    text.split_whitespace().map_while(number).take(4).collect()
}

/// A number, also as `12d34'56.7"W`, with `_` between digits, or `HUGE_VAL`.
fn number(text: &str) -> Option<f64> {
    let plain = text.replace('_', "");
    if text == "HUGE_VAL" {
        return Some(f64::INFINITY);
    }
    if let Ok(v) = plain.parse() {
        return Some(v);
    }
    let (digits, side) = match plain.chars().last()? {
        c @ ('N' | 'E' | 'S' | 'W') => (&plain[..plain.len() - 1], if "SW".contains(c) { -1.0 } else { 1.0 }),
        _ => (plain.as_str(), 1.0),
    };
    let (negative, digits) = digits.strip_prefix('-').map_or((1.0, digits), |d| (-1.0, d));
    let mut value = 0.0;
    let mut size = 1.0;
    for part in digits.split(['d', '\'', '"']).filter(|p| !p.is_empty()) {
        value += part.parse::<f64>().ok()? * size;
        size /= 60.0;
    }
    Some(value * negative * side)
}

/// A length with a unit, in metres; degrees and radians along the equator of GRS 80.
fn metres(text: &str) -> Option<f64> {
    // `2 mm`, `2mm` and `1e-15m` are all written: the number is the longest beginning that is one.
    let end = (1..=text.len()).rev().find(|n| text.get(..*n).is_some_and(|t| t.trim_end().parse::<f64>().is_ok()))?;
    let (value, unit) = text.split_at(end);
    let value: f64 = value.trim_end().parse().ok()?;
    const DEGREE: f64 = 111_319.490_8;
    Some(match unit.trim() {
        "km" => value * 1e3,
        "dm" => value / 10.0,
        "cm" => value / 100.0,
        "mm" => value / 1e3,
        "um" => value / 1e6,
        "nm" => value / 1e9,
        "deg" => value * DEGREE,
        "rad" => value.to_degrees() * DEGREE,
        _ => value,
    })
}

#[test]
fn tolerances_in_every_spelling() {
    for (text, want) in
        [("2 mm", 0.002), ("1cm", 0.01), ("1e-15m", 1e-15), ("0.1", 0.1), ("3e8", 3e8), ("15 cm      ", 0.15), ("50 nm", 5e-8)]
    {
        assert!((metres(text).unwrap() / want - 1.0).abs() < 1e-12, "{text}");
    }
    assert_eq!(metres("mm"), None);
}

#[test]
fn the_reader_reads() {
    let text = "prose\n<gie-strict>\n=====\noperation proj = helmert \\\n  x=1, y = 2 # shift\ntolerance 2 mm\naccept 12d30'N 1_000.5\nexpect failure errno no_inverse_op\nroundtrip 10 1 cm\ndirection inverse\n</gie-strict>\naccept 1 2\n";
    let steps: Vec<Step> = read(text).into_iter().map(|(_, s)| s).collect();
    assert_eq!(
        steps,
        [
            Step::Operation("proj=helmert x=1,y=2".to_owned()),
            Step::Tolerance(0.002),
            Step::Accept(vec![12.5, 1000.5]),
            Step::Failure(Some("no_inverse_op".to_owned())),
            Step::RoundTrip(10, Some(0.01)),
            Step::Forward(false),
        ]
    );
}
