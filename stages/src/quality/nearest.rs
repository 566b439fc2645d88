//! The nearest of the names that exist, for messages about one that does not.

/// The candidate that takes the fewest edits to become `wanted`, when it is near enough to be a
/// slip of the keyboard: at most a third of its letters, and at least one, differ.
#[must_use]
pub(crate) fn nearest<'a>(wanted: &str, candidates: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let wanted_low = wanted.trim().to_lowercase();
    let mut best: Option<(usize, &str)> = None;
    for candidate in candidates {
        let low = candidate.trim().to_lowercase();
        let distance = if low == wanted_low { 0 } else { edits(&wanted_low, &low) };
        let part_of = !wanted_low.is_empty() && !low.is_empty() && (low.starts_with(&wanted_low) || wanted_low.starts_with(&low));
        let limit = (wanted_low.chars().count().max(low.chars().count()) / 3).max(1);
        if (distance <= limit || part_of) && best.is_none_or(|(d, _)| distance < d) {
            best = Some((distance, candidate));
        }
    }
    best.map(|(_, name)| name)
}

/// Edit distance with insertions, deletions and substitutions, over at most 64 characters.
fn edits(a: &str, b: &str) -> usize {
    let a: Vec<char> = a.chars().take(64).collect();
    let b: Vec<char> = b.chars().take(64).collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.iter().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, y) in b.iter().enumerate() {
            let substitute = diagonal + usize::from(x != y);
            diagonal = row[j + 1];
            row[j + 1] = substitute.min(row[j] + 1).min(diagonal + 1);
        }
    }
    row[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slip_finds_its_column_and_nonsense_finds_none() {
        let names = ["pdop", "hdop", "satellites", "correction_age_s"];
        assert_eq!(nearest("satelites", names), Some("satellites"));
        assert_eq!(nearest("correction_age", names), Some("correction_age_s"));
        assert_eq!(nearest("PDOP", names), Some("pdop"));
        assert_eq!(nearest("colour", names), None);
        assert_eq!(edits("kitten", "sitting"), 3);
    }
}
