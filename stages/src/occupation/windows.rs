//! Occupations without notes: by event marks, by pauses in the log, by standing still.

use super::local;
use survey_geodesy::local::Tangent;

/// A run of rows that is one occupation: its name and the places of its rows in time order.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Run {
    /// Name of the point.
    pub name: String,
    /// Places in the time order, first to last, both included.
    pub rows: std::ops::RangeInclusive<usize>,
}

/// Runs of one and the same event value; a row without a value ends a run, and so does a pause.
#[must_use]
pub(super) fn by_value(times: &[i64], events: &[Option<&str>], max_pause_ns: Option<i64>) -> Vec<Run> {
    let mut runs: Vec<Run> = vec![];
    let mut open: Option<&str> = None;
    for (i, event) in events.iter().enumerate() {
        let event = event.map(str::trim).filter(|e| !e.is_empty());
        let paused = i > 0 && max_pause_ns.is_some_and(|max| times[i].saturating_sub(times[i - 1]) > max);
        match event {
            Some(e) if open == Some(e) && !paused => {
                if let Some(run) = runs.last_mut() {
                    run.rows = *run.rows.start()..=i;
                }
            }
            Some(e) => runs.push(Run { name: e.to_owned(), rows: i..=i }),
            None => {}
        }
        open = event;
    }
    runs
}

/// From each event mark on for a fixed time; a mark with another value inside ends the one before.
#[must_use]
pub(super) fn by_mark(times: &[i64], events: &[Option<&str>], length_ns: i64) -> Vec<Run> {
    let mut runs: Vec<Run> = vec![];
    let mut end = i64::MIN;
    let mut open: Option<&str> = None;
    for (i, event) in events.iter().enumerate() {
        let event = event.map(str::trim).filter(|e| !e.is_empty());
        let inside = times[i] <= end && !runs.is_empty();
        match event {
            Some(e) if !(inside && open == Some(e)) => {
                runs.push(Run { name: e.to_owned(), rows: i..=i });
                end = times[i].saturating_add(length_ns);
                open = Some(e);
            }
            _ if inside => {
                if let Some(run) = runs.last_mut() {
                    run.rows = *run.rows.start()..=i;
                }
            }
            _ => {}
        }
    }
    runs
}

/// Bursts between pauses longer than `max_gap_ns`, named S1, S2, … in order.
#[must_use]
pub(super) fn by_gap(times: &[i64], max_gap_ns: i64) -> Vec<Run> {
    let mut runs: Vec<Run> = vec![];
    for i in 0..times.len() {
        match runs.last_mut() {
            Some(run) if times[i].saturating_sub(times[i - 1]) <= max_gap_ns => run.rows = *run.rows.start()..=i,
            _ => runs.push(Run { name: format!("S{}", runs.len() + 1), rows: i..=i }),
        }
    }
    runs
}

/// Stretches in which the antenna stays within `radius_m` (horizontal) of the running mean of the
/// stretch for at least `min_duration_ns`, named P1, P2, … in order. A pause longer than
/// `max_gap_ns` ends a stretch, and so does an epoch without a position.
#[must_use]
pub(super) fn by_standing(
    times: &[i64],
    latitude: &[f64],
    longitude: &[f64],
    radius_m: f64,
    min_duration_ns: i64,
    max_gap_ns: i64,
) -> Vec<Run> {
    let n = times.len();
    let mut local: Option<Tangent> = None;
    let positions: Vec<Option<[f64; 2]>> = (0..n)
        .map(|i| {
            if !(latitude[i].is_finite() && longitude[i].is_finite()) {
                return None;
            }
            let frame = local.get_or_insert_with(|| local::at(latitude[i], longitude[i], 0.0));
            let [e, n, _] = frame.enu(latitude[i], longitude[i], 0.0);
            Some([e, n])
        })
        .collect();
    let mut runs: Vec<Run> = vec![];
    let (mut start, mut end) = (0, 0);
    let mut sum = [0.0; 2];
    // Rows start..end are the stretch; one row is added at the end or taken from the start at a time.
    while start < n {
        let count = end - start;
        let next = (end < n)
            .then(|| positions[end])
            .flatten()
            .filter(|_| count == 0 || times[end].saturating_sub(times[end - 1]) <= max_gap_ns)
            .filter(|p| {
                #[allow(clippy::cast_precision_loss)]
                let k = count as f64;
                count == 0 || (p[0] - sum[0] / k).hypot(p[1] - sum[1] / k) <= radius_m
            });
        if let Some(p) = next {
            sum = [sum[0] + p[0], sum[1] + p[1]];
            end += 1;
            continue;
        }
        if count == 0 {
            start += 1;
            end = start;
        } else if times[end - 1].saturating_sub(times[start]) >= min_duration_ns {
            runs.push(Run { name: format!("P{}", runs.len() + 1), rows: start..=end - 1 });
            start = end;
            sum = [0.0; 2];
        } else {
            if let Some(p) = positions[start] {
                sum = [sum[0] - p[0], sum[1] - p[1]];
            }
            start += 1;
            if start == end {
                sum = [0.0; 2];
            }
        }
    }
    runs
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const S: i64 = 1_000_000_000;

    #[test]
    fn marks_values_and_pauses() {
        let times: Vec<i64> = (0..10).map(|i| i * S).collect();
        let events = [None, Some("A"), None, None, Some("B"), Some("B"), None, Some("B"), Some(" "), None];
        let names =
            |runs: &[Run]| runs.iter().map(|r| format!("{}:{}-{}", r.name, r.rows.start(), r.rows.end())).collect::<Vec<_>>().join(" ");
        assert_eq!(names(&by_value(&times, &events, None)), "A:1-1 B:4-5 B:7-7");
        assert_eq!(names(&by_mark(&times, &events, 2 * S)), "A:1-3 B:4-6 B:7-9");
        assert_eq!(names(&by_gap(&[0, S, 2 * S, 60 * S, 61 * S], 5 * S)), "S1:0-2 S2:3-4");
        assert!(by_gap(&[], S).is_empty());
    }

    #[test]
    fn standing_twice_with_a_walk_between() {
        let mut lat = vec![];
        for i in 0..20 {
            lat.push(50.0 + 1e-8 * f64::from(i % 3));
        }
        for i in 0..15 {
            lat.push(50.0 + 1.2e-5 * f64::from(i + 1));
        }
        for i in 0..25 {
            lat.push(50.0 + 1.8e-4 + 1e-8 * f64::from(i % 2));
        }
        let times: Vec<i64> = (0..60).map(|i| i * S).collect();
        let runs = by_standing(&times, &lat, &vec![8.0; 60], 0.10, 10 * S, 5 * S);
        assert_eq!(runs.len(), 2, "{runs:?}");
        assert_eq!(runs[0].rows, 0..=19);
        assert_eq!((runs[1].name.as_str(), *runs[1].rows.end()), ("P2", 59));
        assert!((34..=36).contains(runs[1].rows.start()));
    }

    proptest! {
        #[test]
        fn stretches_are_apart_and_long_enough(steps in prop::collection::vec((0_i64..4, -3.0..3.0_f64), 0..80)) {
            let mut t = 0;
            let (mut times, mut lat) = (vec![], vec![]);
            for (dt, d) in steps { t += dt * S; times.push(t); lat.push(if d > 2.5 { f64::NAN } else { 10.0 + d * 1e-6 }); }
            let runs = by_standing(&times, &lat, &vec![20.0; lat.len()], 0.15, 3 * S, 3 * S);
            let mut after = 0;
            for r in runs {
                prop_assert!(*r.rows.start() >= after && times[*r.rows.end()] - times[*r.rows.start()] >= 3 * S);
                after = r.rows.end() + 1;
            }
        }
    }
}
