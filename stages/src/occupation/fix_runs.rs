//! Unbroken runs of fixed solutions in a session: two occupations in one run stand on one and the same
//! ambiguity fix, and share its error if it is wrong.

/// A pause longer than this breaks a run, ns. Common practice: a receiver that says nothing for ten
/// seconds may have started again.
const PAUSE_NS: i64 = 10_000_000_000;
/// The fix kind that has fixed ambiguities.
const FIXED: &str = "rtk-fixed";

/// The number of the run of each row, from 1, in the order of time; `None` where a row is not fixed.
///
/// A run ends where an epoch is not fixed, where the log pauses for more than ten seconds, and where the
/// base changes. `order` are the rows in the order of time.
pub fn number(order: &[u32], times: &[i64], fix: &[Option<&str>], base: Option<&[Option<&str>]>) -> Vec<Option<i64>> {
    let mut out = vec![None; times.len()];
    let mut run = 0;
    let mut before: Option<(i64, Option<&str>)> = None;
    for row in order.iter().map(|r| *r as usize) {
        if fix[row] != Some(FIXED) {
            before = None;
            continue;
        }
        let station = base.and_then(|b| b[row]);
        let goes_on = before.is_some_and(|(time, old)| {
            times[row].saturating_sub(time) <= PAUSE_NS && (old == station || old.is_none() || station.is_none())
        });
        if !goes_on {
            run += 1;
        }
        out[row] = Some(run);
        before = Some((times[row], station.or(before.and_then(|b| b.1))));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_run_ends_with_the_fix_a_pause_or_another_base() {
        let s = 1_000_000_000;
        let times = [0, s, 2 * s, 3 * s, 20 * s, 21 * s, 22 * s, 23 * s];
        let f = Some("rtk-fixed");
        let fix = [f, f, Some("rtk-float"), f, f, f, f, None];
        let base = [Some("A"), None, None, Some("A"), Some("A"), None, Some("B"), Some("B")];
        let order: Vec<u32> = (0..8).collect();
        let want = [Some(1), Some(1), None, Some(2), Some(3), Some(3), Some(4), None];
        assert_eq!(number(&order, &times, &fix, Some(&base)), want);
        // Without bases the last change is not seen, and the order of the rows does not matter.
        let back: Vec<u32> = (0..8).rev().collect();
        let reversed = |v: &[Option<&'static str>]| v.iter().rev().copied().collect::<Vec<_>>();
        let times_back: Vec<i64> = times.iter().rev().copied().collect();
        let runs = number(&back, &times_back, &reversed(&fix), None);
        assert_eq!(runs.into_iter().rev().collect::<Vec<_>>(), [Some(1), Some(1), None, Some(2), Some(3), Some(3), Some(3), None]);
    }
}
