//! LIKE and ILIKE: `%` stands for any text, `_` for one character. There is no escape character.

/// A pattern, read.
#[derive(Debug)]
pub(super) struct Pattern {
    parts: Vec<Part>,
    any_case: bool,
}

#[derive(Debug, PartialEq, Eq)]
enum Part {
    Run,
    One,
    This(char),
}

impl Pattern {
    /// Reads a pattern; `any_case` is ILIKE.
    pub(super) fn new(text: &str, any_case: bool) -> Self {
        let mut parts: Vec<Part> = text
            .chars()
            .map(|c| match c {
                '%' => Part::Run,
                '_' => Part::One,
                _ if any_case => Part::This(fold(c)),
                _ => Part::This(c),
            })
            .collect();
        parts.dedup_by(|a, b| *a == Part::Run && *b == Part::Run);
        Self { parts, any_case }
    }

    /// Whether the whole text fits. `buffer` is used again for the next text.
    pub(super) fn fits(&self, text: &str, buffer: &mut Vec<char>) -> bool {
        buffer.clear();
        buffer.extend(text.chars().map(|c| if self.any_case { fold(c) } else { c }));
        let (mut at, mut part) = (0, 0);
        // Where to go on when the text after the last run does not fit: one character further.
        let mut back: Option<(usize, usize)> = None;
        while at < buffer.len() {
            match self.parts.get(part) {
                Some(Part::Run) => {
                    part += 1;
                    back = Some((part, at));
                }
                Some(Part::One) => (at, part) = (at + 1, part + 1),
                Some(Part::This(c)) if *c == buffer[at] => (at, part) = (at + 1, part + 1),
                _ => match back {
                    Some((after, from)) => {
                        (at, part) = (from + 1, after);
                        back = Some((after, from + 1));
                    }
                    None => return false,
                },
            }
        }
        self.parts[part..].iter().all(|p| *p == Part::Run)
    }
}

/// The letter that stands for all its cases, character by character.
fn fold(c: char) -> char {
    let single = |mut letters: std::iter::Take<std::char::ToUppercase>| match (letters.next(), letters.next()) {
        (Some(one), None) => one,
        _ => c,
    };
    // The dotless i is a letter of its own.
    if c.is_ascii() || c == 'ı' {
        return c.to_ascii_lowercase();
    }
    let upper = single(c.to_uppercase().take(2));
    let mut lower = upper.to_lowercase();
    match (lower.next(), lower.next()) {
        (Some(one), None) => one,
        _ => upper,
    }
}
