//! Which file of a stream belongs to which session.

/// What stands for the name of the session in a pattern.
pub(super) const SESSION: &str = "{session}";

/// The pattern under which files of all sessions are looked for.
#[must_use]
pub(super) fn search(pattern: &str) -> String {
    // Two stars side by side mean folders at any depth, which nobody asked for here.
    let mut plain = pattern.to_owned();
    for pair in [format!("*{SESSION}"), format!("{SESSION}*")] {
        while plain.contains(&pair) {
            plain = plain.replace(&pair, SESSION);
        }
    }
    plain.replace(&SESSION.repeat(2), SESSION).replace(SESSION, "*")
}

/// Whether a file name fits a pattern for a session. `*` is any text, `?` one character; the name of
/// the session is taken to the letter, whatever characters it has.
#[must_use]
pub(super) fn matches(pattern: &str, session: &str, name: &str) -> bool {
    let plain = |s: &str| s.strip_prefix("./").unwrap_or(s).replace('\\', "/");
    let mut tokens = vec![];
    for (i, part) in plain(pattern).split(SESSION).enumerate() {
        if i > 0 {
            tokens.extend(session.chars().map(Token::Char));
        }
        tokens.extend(part.chars().map(|c| match c {
            '*' => Token::Any,
            '?' => Token::One,
            c => Token::Char(c),
        }));
    }
    let name: Vec<char> = plain(name).chars().collect();
    // The usual two pointers: on a mismatch the last `*` takes one character more.
    let (mut t, mut n, mut star) = (0, 0, None);
    while n < name.len() {
        match tokens.get(t) {
            Some(Token::Any) => {
                star = Some((t, n));
                t += 1;
            }
            Some(Token::One) => (t, n) = (t + 1, n + 1),
            Some(Token::Char(c)) if *c == name[n] => (t, n) = (t + 1, n + 1),
            _ => match star {
                Some((at, from)) => {
                    star = Some((at, from + 1));
                    (t, n) = (at + 1, from + 1);
                }
                None => return false,
            },
        }
    }
    tokens[t..].iter().all(|x| matches!(x, Token::Any))
}

enum Token {
    Any,
    One,
    Char(char),
}

#[cfg(test)]
mod tests {
    use super::{matches, search};

    #[test]
    fn names() {
        assert_eq!(search("a/*{session}*.csv"), "a/*.csv");
        assert_eq!(search("**/{session}-?.csv"), "**/*-?.csv");
        assert!(matches("a/{session}-imu*.csv", "day1", "a/day1-imu-2.csv"));
        assert!(!matches("a/{session}-imu*.csv", "day1", "a/day10-imu.csv"));
        assert!(matches("./{session}.csv", "day[1]*", "day[1]*.csv"));
        assert!(!matches("{session}.csv", "day*", "day1.csv"));
        assert!(matches("*/{session}/*.csv.gz", "d", "x/y/d/z.csv.gz"));
        assert!(!matches("{session}", "", "x") && matches("{session}", "", ""));
    }
}
