//! The nearest known word to a mistyped one.

/// Optimal string alignment distance: insert, delete, replace, swap of neighbours.
fn distance(a: &str, b: &str) -> usize {
    let (a, b): (Vec<char>, Vec<char>) = (a.chars().collect(), b.chars().collect());
    let mut rows = vec![vec![0_usize; b.len() + 1]; a.len() + 1];
    for (i, row) in rows.iter_mut().enumerate() {
        row[0] = i;
    }
    for (j, cell) in rows[0].iter_mut().enumerate() {
        *cell = j;
    }
    for i in 1..=a.len() {
        for j in 1..=b.len() {
            let replace = rows[i - 1][j - 1] + usize::from(a[i - 1] != b[j - 1]);
            let mut best = replace.min(rows[i - 1][j] + 1).min(rows[i][j - 1] + 1);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                best = best.min(rows[i - 2][j - 2] + 1);
            }
            rows[i][j] = best;
        }
    }
    rows[a.len()][b.len()]
}

/// The known word that was probably meant, if one is near enough.
pub fn nearest<'a>(word: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let plain = |s: &str| s.to_lowercase().replace(['-', '_', ' '], "");
    // Pathologically long words are never near a key and would cost quadratic time.
    if word.len() > 200 {
        return None;
    }
    let wanted = plain(word);
    known
        .into_iter()
        .map(|k| {
            let k_plain = plain(k);
            let inside = wanted.len() >= 4 && (k_plain.contains(&wanted) || (k_plain.len() >= 4 && wanted.contains(&k_plain)));
            let d = distance(&wanted, &k_plain);
            (if inside { d.min(1) } else { d }, k)
        })
        .filter(|(d, k)| *d <= 1 + k.len().min(word.len()) / 4)
        .min_by_key(|(d, k)| (*d, *k))
        .map(|(_, k)| k)
}

/// ` (did you mean ...)` or nothing.
pub fn hint<'a>(word: &str, known: impl IntoIterator<Item = &'a str>) -> String {
    nearest(word, known).map_or_else(String::new, |k| format!("did you mean `{k}`?"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finds_what_was_meant() {
        let known = ["max_pdop", "max_hdop", "fix", "max_correction_age_s"];
        assert_eq!(nearest("max-pdop", known), Some("max_pdop"));
        assert_eq!(nearest("fxi", known), Some("fix"));
        assert_eq!(nearest("correction_age", known), Some("max_correction_age_s"));
        assert_eq!(nearest("colour", known), None);
        assert_eq!(nearest("", known), None);
    }
}
