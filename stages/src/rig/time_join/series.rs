//! A series of samples of one quantity, and its value at a time between two of them.

use survey_mathematics::angle::turn;

/// Samples in order of time.
#[derive(Clone, Debug, Default)]
pub(crate) struct Series {
    times: Vec<i64>,
    values: Vec<f64>,
    circular: bool,
    /// Samples that stood before an earlier one in the file.
    pub out_of_order: u64,
    /// Samples at a time that another one has already.
    pub repeats: u64,
}

impl Series {
    /// An empty series. `circular`: an angle, interpolated on the shorter arc.
    #[must_use]
    pub(crate) fn new(circular: bool) -> Self {
        Self { circular, ..Self::default() }
    }

    /// Adds a sample: time in ns, value.
    pub(crate) fn push(&mut self, time: i64, value: f64) {
        if self.times.last().is_some_and(|last| time < *last) {
            self.out_of_order += 1;
        }
        self.times.push(time);
        self.values.push(value);
    }

    /// Sorts by time and keeps the first of samples at one time, as they stood in the file.
    pub(crate) fn finish(&mut self) {
        if self.out_of_order > 0 {
            let mut order: Vec<usize> = (0..self.times.len()).collect();
            order.sort_by_key(|i| self.times[*i]);
            self.times = order.iter().map(|i| self.times[*i]).collect();
            self.values = order.iter().map(|i| self.values[*i]).collect();
        }
        let mut kept = 0;
        for i in 0..self.times.len() {
            if kept > 0 && self.times[kept - 1] == self.times[i] {
                self.repeats += 1;
                continue;
            }
            self.times[kept] = self.times[i];
            self.values[kept] = self.values[i];
            kept += 1;
        }
        self.times.truncate(kept);
        self.values.truncate(kept);
    }

    /// First and last time, ns.
    #[must_use]
    pub(crate) fn span(&self) -> Option<(i64, i64)> {
        Some((*self.times.first()?, *self.times.last()?))
    }

    /// Number of samples.
    #[must_use]
    pub(crate) fn count(&self) -> usize {
        self.times.len()
    }

    /// Median time between two samples, ns.
    #[must_use]
    pub(crate) fn typical_step(&self) -> Option<i64> {
        let mut steps: Vec<i64> = self.times.windows(2).map(|w| w[1] - w[0]).collect();
        let middle = steps.len() / 2;
        (!steps.is_empty()).then(|| *steps.select_nth_unstable(middle).1)
    }

    /// Value at a time: a sample's own, or between two samples at most `max_gap` (ns) apart. Never
    /// outside. NaN when there is none, and on a circle when both ways round are the same length.
    #[must_use]
    pub(crate) fn at(&self, time: i64, max_gap: i64) -> f64 {
        let after = self.times.partition_point(|t| *t < time);
        let Some(&next) = self.times.get(after) else { return f64::NAN };
        if next == time {
            return self.values[after];
        }
        if after == 0 {
            return f64::NAN;
        }
        let before = self.times[after - 1];
        let gap = next.saturating_sub(before);
        if gap > max_gap {
            return f64::NAN;
        }
        let (a, b) = (self.values[after - 1], self.values[after]);
        #[allow(clippy::cast_precision_loss)]
        let share = (time - before) as f64 / gap as f64;
        if !self.circular {
            return a + (b - a) * share;
        }
        let arc = turn(a, b);
        if arc == -180.0 {
            return f64::NAN;
        }
        a + arc * share
    }

    /// The samples around a time: their times and values, the same one twice when it is at the very time; `None` where [`Self::at`] has no
    /// value.
    #[must_use]
    pub(crate) fn around(&self, time: i64, max_gap: i64) -> Option<(i64, i64, f64, f64)> {
        let after = self.times.partition_point(|t| *t < time);
        let next = *self.times.get(after)?;
        if next == time {
            return Some((next, next, self.values[after], self.values[after]));
        }
        let before = after.checked_sub(1)?;
        let last = self.times[before];
        (next.saturating_sub(last) <= max_gap).then(|| (last, next, self.values[before], self.values[after]))
    }

    /// Whether there is a value at a time, without computing it.
    #[must_use]
    pub(crate) fn covers(&self, time: i64, max_gap: i64) -> bool {
        let after = self.times.partition_point(|t| *t < time);
        match self.times.get(after) {
            None => false,
            Some(next) if *next == time => true,
            Some(next) => after > 0 && next.saturating_sub(self.times[after - 1]) <= max_gap,
        }
    }

    /// Times and values.
    #[must_use]
    pub(crate) fn samples(&self) -> (&[i64], &[f64]) {
        (&self.times, &self.values)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn series(circular: bool, samples: &[(i64, f64)]) -> Series {
        let mut s = Series::new(circular);
        for (t, v) in samples {
            s.push(*t, *v);
        }
        s.finish();
        s
    }

    #[test]
    fn inside_only() {
        let s = series(false, &[(0, 1.0), (10, 2.0), (100, 3.0)]);
        assert!((s.at(5, 20) - 1.5).abs() < 1e-15 && s.at(10, 0) == 2.0);
        assert!(s.at(50, 20).is_nan() && s.at(-1, 20).is_nan() && s.at(101, 20).is_nan());
        assert!(s.covers(5, 20) && !s.covers(50, 20) && s.covers(100, 0));
        assert!(series(false, &[]).at(0, 9).is_nan());
    }

    #[test]
    fn shorter_arc() {
        let s = series(true, &[(0, 350.0), (10, 10.0), (20, 190.0)]);
        assert!((s.at(5, 20).rem_euclid(360.0)).abs() < 1e-12);
        assert!((s.at(2, 20) - 354.0).abs() < 1e-12);
        assert!(s.at(15, 20).is_nan(), "180 degrees apart: both ways round are the same");
    }

    #[test]
    fn unsorted_and_repeated() {
        let s = series(false, &[(10, 2.0), (0, 1.0), (10, 9.0), (20, 3.0)]);
        assert_eq!((s.out_of_order, s.repeats, s.count()), (1, 1, 3));
        assert!((s.at(10, 99) - 2.0).abs() < 1e-15, "the first in the file counts");
        assert_eq!(s.typical_step(), Some(10));
    }

    proptest! {
        #[test]
        fn between_its_neighbours(mut samples in prop::collection::vec((0..1000_i64, -50.0..50.0_f64), 1..40), t in -100..1100_i64, gap in 0..200_i64) {
            let s = series(false, &samples);
            samples.sort_by_key(|(t, _)| *t);
            let v = s.at(t, gap);
            prop_assert_eq!(!v.is_nan(), s.covers(t, gap));
            if !v.is_nan() {
                let (first, last) = s.span().unwrap();
                prop_assert!(first <= t && t <= last);
                let (times, values) = s.samples();
                let i = times.partition_point(|x| *x <= t);
                let (lo, hi) = (i.saturating_sub(1), i.min(times.len() - 1));
                prop_assert!(v >= values[lo].min(values[hi]) - 1e-9 && v <= values[lo].max(values[hi]) + 1e-9);
            }
        }
    }
}
