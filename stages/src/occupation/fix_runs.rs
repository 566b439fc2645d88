//! Unbroken runs of fixed solutions in a session: two occupations in one run stand on one and the same
//! ambiguity fix, and share its error if it is wrong.
//!
//! Only what the log shows ends a run: an epoch that is not fixed, or another base. A pause does not. The receiver may have gone on
//! behind it, and rows that an earlier step set aside leave one too; one that starts again shows epochs without a fix.

/// The fix kind that has fixed ambiguities.
const FIXED: &str = "rtk-fixed";

/// The number of the run of each row, from 1, in the order of time; `None` where a row is not fixed.
///
/// `order` are the rows in the order of time.
pub(super) fn number(order: &[u32], fix: &[Option<&str>], base: Option<&[Option<&str>]>) -> Vec<Option<i64>> {
    let mut out = vec![None; fix.len()];
    let mut run = 0;
    // Of the run that goes on: its base, where that is known.
    let mut before: Option<Option<&str>> = None;
    for row in order.iter().map(|r| *r as usize) {
        if fix[row] != Some(FIXED) {
            before = None;
            continue;
        }
        let station = base.and_then(|b| b[row]);
        if !before.is_some_and(|old| old == station || old.is_none() || station.is_none()) {
            run += 1;
        }
        out[row] = Some(run);
        before = Some(station.or(before.flatten()));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_run_ends_with_the_fix_or_another_base() {
        let f = Some("rtk-fixed");
        let fix = [f, f, Some("rtk-float"), f, f, f, f, None];
        let base = [Some("A"), None, None, Some("A"), Some("A"), None, Some("B"), Some("B")];
        let order: Vec<u32> = (0..8).collect();
        assert_eq!(number(&order, &fix, Some(&base)), [Some(1), Some(1), None, Some(2), Some(2), Some(2), Some(3), None]);
        // Without bases the last change is not seen, and the order of the rows does not matter.
        let back: Vec<u32> = (0..8).rev().collect();
        let fix_back: Vec<Option<&str>> = fix.iter().rev().copied().collect();
        let runs = number(&back, &fix_back, None);
        assert_eq!(runs.into_iter().rev().collect::<Vec<_>>(), [Some(1), Some(1), None, Some(2), Some(2), Some(2), Some(2), None]);
        // A row without a base keeps that of the row before.
        let quiet = [Some("A"), None, Some("B")];
        assert_eq!(number(&[0, 1, 2], &[f; 3], Some(&quiet)), [Some(1), Some(1), Some(2)]);
    }
}
