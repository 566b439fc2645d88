//! The covariance of a mean, divided among its contributors.

use super::columns::Columns;
use super::estimate::Estimate;
use crate::budget::{Budget, Contributor, Kind, Part};
use survey_mathematics::covariance::Matrix;

const fn part(m: &Matrix) -> Part {
    Part::new([m[0][0], m[0][1], m[1][1], m[2][2]])
}

/// The budget of a mean of these rows. `base` is the sigma of the base, horizontal (each axis) and up, m.
///
/// GNSS noise and the excess scatter are whole parts already. The other noise of the mean is shared
/// among heading, tilt, range and time tags in proportion to their variances in one epoch, axis by axis:
/// they have one correlation time, so they shrink alike. Systematic parts are the weighted means of those
/// of the epochs. What no column divides goes to `other_noise` and `other_systematic`, so the parts
/// always add up to the whole.
pub(super) fn divide(mean: &Estimate, columns: &Columns, used: &[u32], base: [f64; 2]) -> Budget {
    let epoch = columns.parts.mean(used, &mean.weights);
    let mut out = Budget::default();
    out.add(Contributor::GnssNoise, &part(&mean.gnss));
    out.add(Contributor::ExcessScatter, &part(&mean.excess));
    share(&mut out, &epoch, &part(&mean.rest));
    let mut left = part(&mean.systematic);
    for (c, p) in epoch.iter().filter(|(c, _)| c.kind() == Kind::Systematic) {
        out.add(c, p);
        left = left.plus(&p.times(-1.0));
    }
    out.add(Contributor::OtherSystematic, &without_rounding(left, &part(&mean.systematic)));
    let [h, u] = base.map(|s| s * s);
    out.add(Contributor::Base, &Part::new([h, 0.0, h, u]));
    out
}

/// Shares the noise of the mean that is not GNSS noise among the contributors of one epoch.
fn share(out: &mut Budget, epoch: &Budget, rest: &Part) {
    let random: Vec<(Contributor, &Part)> = epoch.iter().filter(|(c, p)| c.kind() == Kind::Random && **p != Part::default()).collect();
    let one = random.iter().fold(Part::default(), |sum, (_, p)| sum.plus(p));
    let ratio = |mean: f64, one: f64| if one > 0.0 { (mean / one).max(0.0) } else { 0.0 };
    let [e, n, u] = [ratio(rest.ee, one.ee), ratio(rest.nn, one.nn), ratio(rest.uu, one.uu)];
    let cross = (e * n).sqrt();
    // Covariance that the two axes' factors do not explain: shared by variance.
    let odd = if one.horizontal() > 0.0 { (rest.en - one.en * cross) / one.horizontal() } else { 0.0 };
    let mut left = *rest;
    for (c, p) in random {
        let part = Part::new([p.ee * e, p.en * cross + odd * p.horizontal(), p.nn * n, p.uu * u]);
        left = left.plus(&part.times(-1.0));
        out.add(c, &part);
    }
    out.add(Contributor::OtherNoise, &without_rounding(left, rest));
}

/// What is left of a whole, or nothing where it is only rounding.
fn without_rounding(left: Part, whole: &Part) -> Part {
    let noise = 1e-12 * (whole.horizontal() + whole.uu);
    Part::new(left.elements().map(|v| if v.abs() <= noise { 0.0 } else { v }))
}
