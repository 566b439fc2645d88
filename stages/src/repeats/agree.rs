//! Whether two occupations agree: their difference against its own covariance.
//!
//! The covariance of the difference of two means is the sum of both less twice what they share. What they
//! share is known contributor by contributor: GNSS noise by the time between them, the base when it is the
//! same, errors of the rig by how far the pole was turned (they are fixed to the body, so half a turn gives
//! them the other sign in plan), geoid and frame in full.

use super::occasion::{Bases, Occasion};
use crate::budget::{Budget, Contributor, NORMAL_95, Part};
use survey_mathematics::correlation::correlation;
use survey_mathematics::radial::radius;

/// Beyond this turn of the pole the rig's errors upward count as unrelated, deg.
const SAME_STANCE_DEG: f64 = 45.0;

/// Correlation of a contributor's errors in two occupations: in plan and upward.
///
/// `shared`: what is not known counts as shared, so that a combination does not come out too good;
/// otherwise as unrelated, so that a difference is not called too large.
#[must_use]
pub(crate) fn shared(c: Contributor, a: &Occasion, b: &Occasion, tau_s: f64, unknown_is_shared: bool) -> [f64; 2] {
    let unknown = if unknown_is_shared { 1.0 } else { 0.0 };
    match c {
        Contributor::GnssNoise | Contributor::ExcessScatter => {
            #[allow(clippy::cast_precision_loss)]
            let dt_s = a.middle().saturating_sub(b.middle()) as f64 / 1e9;
            [correlation(dt_s, tau_s); 2]
        }
        Contributor::HeadingNoise
        | Contributor::TiltNoise
        | Contributor::RangeNoise
        | Contributor::TimeTag
        | Contributor::OtherNoise
        | Contributor::TapedDistance
        | Contributor::TapedBearing
        | Contributor::TapedHeight => [0.0; 2],
        Contributor::Base => match a.bases(b) {
            Bases::Same => [1.0; 2],
            Bases::Other => [0.0; 2],
            Bases::Mixed | Bases::Unknown => [unknown; 2],
        },
        c if c.common() => [1.0; 2],
        Contributor::HeadingBias if a.session != b.session => [0.0; 2],
        _ if matches!((&a.receiver, &b.receiver), (Some(x), Some(y)) if x != y) => [0.0; 2],
        _ => match a.turned_deg(b) {
            Some(turn) => {
                let plan = turn.to_radians().cos();
                let up = if turn < SAME_STANCE_DEG { 1.0 } else { unknown };
                [if unknown_is_shared { plan.max(0.0) } else { plan }, up]
            }
            None => [unknown; 2],
        },
    }
}

/// Covariance of two parts with a correlation in plan and upward.
#[must_use]
pub(crate) fn cross(a: &Part, b: &Part, [plan, up]: [f64; 2]) -> Part {
    let (ee, nn) = ((a.ee * b.ee).sqrt(), (a.nn * b.nn).sqrt());
    let r = |p: &Part| if p.ee > 0.0 && p.nn > 0.0 { p.en / (p.ee * p.nn).sqrt() } else { 0.0 };
    let en = 0.5 * (r(a) + r(b)) * (ee * nn).sqrt();
    Part { ee: plan * ee, en: plan * en, nn: plan * nn, uu: up * (a.uu * b.uu).sqrt() }
}

/// When a difference is too large.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Limits {
    /// Chance that two good occupations are called different.
    pub significance: f64,
    /// Flat limits, horizontal and up, m.
    pub flat_m: [Option<f64>; 2],
    /// A difference below this is never too large for the statistical test, m.
    pub never_below_m: f64,
}

/// A difference of two occupations.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Difference {
    /// East, north, up, m: the second less the first.
    pub enu: [f64; 3],
    /// Quadratic forms: horizontal (chi-square, 2 degrees of freedom) and up (1 degree).
    pub statistic: [f64; 2],
    /// Chance of a difference at least as large, when both are good: horizontal and up.
    pub chance: [f64; 2],
    /// 95 % bounds, horizontal (radial) and up, m.
    pub bound_95: [f64; 2],
}

impl Difference {
    /// Of `b` less `a`.
    #[must_use]
    pub(crate) fn of(a: &Occasion, b: &Occasion, tau_s: f64) -> Self {
        let covariance = covariance_of_difference(&a.budget, &b.budget, |c| shared(c, a, b, tau_s, false));
        Self::from(a.to(b), covariance)
    }

    fn from(enu: [f64; 3], c: Part) -> Self {
        let [e, n, u] = enu;
        let determinant = c.ee * c.nn - c.en * c.en;
        let plan = if determinant > 0.0 { (c.nn * e * e - 2.0 * c.en * e * n + c.ee * n * n) / determinant } else { f64::INFINITY };
        let up = if c.uu > 0.0 { u * u / c.uu } else { f64::INFINITY };
        Self {
            enu,
            statistic: [plan, up],
            chance: [(-0.5 * plan).exp(), libm::erfc((0.5 * up).sqrt())],
            bound_95: [radius(0.95, c.ee, c.en, c.nn), NORMAL_95 * c.uu.max(0.0).sqrt()],
        }
    }

    /// Lengths, horizontal and up, m.
    #[must_use]
    pub(crate) fn sizes(&self) -> [f64; 2] {
        [self.enu[0].hypot(self.enu[1]), self.enu[2].abs()]
    }

    /// How many 95 % bounds it is long, the worse of horizontal and up.
    #[must_use]
    pub(crate) fn factor(&self) -> f64 {
        let s = self.sizes();
        let of = |k: usize| if self.bound_95[k] > 0.0 { s[k] / self.bound_95[k] } else { f64::INFINITY };
        of(0).max(of(1))
    }

    /// Whether it is too large: two tests, each at half the significance, and the flat limits.
    #[must_use]
    pub(crate) fn too_large(&self, limits: &Limits) -> bool {
        let s = self.sizes();
        (0..2).any(|k| {
            let by_test = self.chance[k] < 0.5 * limits.significance && s[k] >= limits.never_below_m;
            by_test || limits.flat_m[k].is_some_and(|flat| s[k] > flat)
        })
    }
}

/// Covariance of the difference of two budgets that share what `shared` says of each contributor.
fn covariance_of_difference(a: &Budget, b: &Budget, shared: impl Fn(Contributor) -> [f64; 2]) -> Part {
    a.iter().fold(Part::default(), |sum, (c, pa)| {
        let pb = b.part(c);
        sum.plus(pa).plus(pb).plus(&cross(pa, pb, shared(c)).times(-2.0))
    })
}
