//! Whether values of one occupation fall into two groups: a beam on two surfaces, a wrong fix.

/// One group of values.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Group {
    /// Places of its members in the input, ascending.
    pub members: Vec<usize>,
    /// Mean.
    pub mean: f64,
    /// Standard deviation within the group (n - 1); 0 for a single value.
    pub spread: f64,
}

/// What counts as two groups.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Rule {
    /// Smallest empty stretch between the groups, in the unit of the values.
    pub gap: f64,
    /// Fewest members of each group.
    pub fewest: usize,
    /// Smallest share of all values in each group.
    pub smallest_share: f64,
}

/// The two largest groups, the lower one first, when there are two.
///
/// The sorted values are cut wherever neighbours are further apart than the gap. Two of the pieces
/// are groups when each is large enough and their means differ by more than five times the spread
/// within the pieces, so that the far tail of one wide cloud is not taken for a second surface.
/// Single wild values make pieces of their own and disturb neither count nor spread.
#[must_use]
pub(crate) fn two_groups(values: &[f64], rule: Rule) -> Option<(Group, Group)> {
    let mut order: Vec<usize> = (0..values.len()).filter(|i| values[*i].is_finite()).collect();
    if order.len() < 2 * rule.fewest.max(1) {
        return None;
    }
    order.sort_by(|a, b| values[*a].total_cmp(&values[*b]).then(a.cmp(b)));
    let mut pieces: Vec<Vec<usize>> = vec![vec![]];
    for (k, i) in order.iter().enumerate() {
        if k > 0 && values[*i] - values[order[k - 1]] > rule.gap {
            pieces.push(vec![]);
        }
        if let Some(piece) = pieces.last_mut() {
            piece.push(*i);
        }
    }
    if pieces.len() < 2 {
        return None;
    }
    let groups: Vec<Group> = pieces.into_iter().map(|members| group(values, members)).collect();
    #[allow(clippy::cast_precision_loss)]
    let pooled = {
        let (square, freedom) = groups.iter().fold((0.0, 0.0), |(s, f), g| {
            let k = g.members.len() as f64 - 1.0;
            (s + g.spread * g.spread * k, f + k)
        });
        if freedom > 0.0 { (square / freedom).sqrt() } else { 0.0 }
    };
    #[allow(clippy::cast_precision_loss)]
    let enough = |g: &&Group| g.members.len() >= rule.fewest && g.members.len() as f64 >= rule.smallest_share * order.len() as f64;
    let mut large: Vec<&Group> = groups.iter().filter(enough).collect();
    large.sort_by(|a, b| b.members.len().cmp(&a.members.len()).then(a.mean.total_cmp(&b.mean)));
    let [first, second, ..] = large.as_slice() else { return None };
    if (first.mean - second.mean).abs() <= 5.0 * pooled {
        return None;
    }
    let (low, high) = if first.mean < second.mean { (first, second) } else { (second, first) };
    Some(((*low).clone(), (*high).clone()))
}

fn group(values: &[f64], mut members: Vec<usize>) -> Group {
    members.sort_unstable();
    #[allow(clippy::cast_precision_loss)]
    let n = members.len() as f64;
    // The mean is taken about one member, so that large values lose no digits.
    let start = members.first().map_or(0.0, |i| values[*i]);
    let mean = start + members.iter().map(|i| values[*i] - start).sum::<f64>() / n;
    let square: f64 = members.iter().map(|i| (values[*i] - mean).powi(2)).sum();
    Group { mean, spread: if n > 1.0 { (square / (n - 1.0)).sqrt() } else { 0.0 }, members }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const RANGE: Rule = Rule { gap: 0.05, fewest: 2, smallest_share: 0.0 };

    fn wiggle(k: usize) -> f64 {
        0.004 * ((k * 37 % 11) as f64 / 10.0 - 0.5)
    }

    #[test]
    fn a_wall_and_a_boot_are_two_and_a_sweep_is_one() {
        let two: Vec<f64> = (0..21).map(|k| if k % 7 < 4 { 3.310 } else { 2.902 } + wiggle(k)).collect();
        let (low, high) = two_groups(&two, RANGE).unwrap();
        assert_eq!((low.members.len(), high.members.len()), (9, 12));
        assert!((high.mean - low.mean - 0.408).abs() < 0.002);
        // The same with a wild value, and with a third surface.
        let mut wild = two.clone();
        wild.push(47.0);
        assert_eq!(two_groups(&wild, RANGE).unwrap().1.members.len(), 12);
        let three: Vec<f64> = (0..30).map(|k| [1.8, 2.4, 3.0][k % 3] + wiggle(k)).collect();
        assert!(two_groups(&three, RANGE).is_some());
        // A steady sweep with steps of 0.06 m is one cloud, and so is a wide cloud with a far tail.
        assert!(two_groups(&(0..20).map(|k| 0.06 * f64::from(k)).collect::<Vec<_>>(), RANGE).is_none());
        let mut tail: Vec<f64> = (0..40).map(|k| 0.02 * f64::from(k)).collect();
        tail.extend([0.87, 0.88]);
        assert!(two_groups(&tail, RANGE).is_none());
        assert!(two_groups(&[1.0, 2.0], RANGE).is_none());
        assert!(two_groups(&[1.0, 2.0, f64::NAN], RANGE).is_none());
        assert!(two_groups(&[], RANGE).is_none());
    }

    proptest! {
        #[test]
        fn one_steady_surface_is_never_two(noise in prop::collection::vec(-0.012..0.012_f64, 1..80), range in 0.2..50.0_f64) {
            let values: Vec<f64> = noise.iter().map(|n| range + n).collect();
            prop_assert!(two_groups(&values, RANGE).is_none());
        }
    }
}
