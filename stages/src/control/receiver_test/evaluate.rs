//! The arithmetic of the two test procedures.

use serde::Serialize;
use survey_mathematics::distributions::{chi_square, fisher};

/// One measurement of both marks: east, north, up of each, m.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Set {
    /// Series, from 1.
    pub series: usize,
    /// Set in its series, from 1.
    pub number: usize,
    /// The two marks.
    pub marks: [[f64; 3]; 2],
}

impl Set {
    /// Horizontal distance and height difference of the second mark from the first, m.
    #[must_use]
    pub(super) fn span(&self) -> (f64, f64) {
        let [a, b] = self.marks;
        ((b[0] - a[0]).hypot(b[1] - a[1]), b[2] - a[2])
    }
}

/// What is claimed and what is known.
#[derive(Clone, Copy, Debug, Serialize)]
pub(super) struct Claim {
    /// Standard deviation of a position in plan, east and north together, m.
    pub sigma_horizontal_m: f64,
    /// Standard deviation of a height, m.
    pub sigma_up_m: f64,
    /// Horizontal distance of the marks, m.
    pub distance_m: f64,
    /// Height of the second mark above the first, m.
    pub height_difference_m: f64,
}

impl Claim {
    /// Largest deviations of a good set in distance and height difference, m: 2.5 standard deviations of a difference.
    #[must_use]
    pub(super) fn limits(&self) -> (f64, f64) {
        let factor = 2.5 * std::f64::consts::SQRT_2;
        (factor * self.sigma_horizontal_m, factor * self.sigma_up_m)
    }

    /// Deviations of a set from the known distance and height difference, m.
    #[must_use]
    pub(super) fn deviations(&self, set: &Set) -> (f64, f64) {
        let (distance, height) = set.span();
        (distance - self.distance_m, height - self.height_difference_m)
    }

    /// Whether a set holds a gross error.
    #[must_use]
    pub(super) fn gross(&self, set: &Set) -> bool {
        let ((plan, up), (most_plan, most_up)) = (self.deviations(set), self.limits());
        plan.abs() > most_plan || up.abs() > most_up
    }
}

/// Standard deviations of a full test.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub(super) struct Experimental {
    /// East, m.
    pub east_m: f64,
    /// North, m.
    pub north_m: f64,
    /// Both together, m.
    pub horizontal_m: f64,
    /// Up, m.
    pub up_m: f64,
    /// Degrees of freedom of each coordinate.
    pub freedom: usize,
    /// Mean distance of the marks, m.
    pub distance_m: f64,
    /// Mean height difference, m.
    pub height_difference_m: f64,
}

/// Standard deviations about the mean of each mark: (sets - 1) degrees of freedom for each coordinate of each mark.
/// `None` for fewer than two sets.
#[must_use]
#[allow(clippy::cast_precision_loss)]
pub(super) fn experimental(sets: &[Set]) -> Option<Experimental> {
    let n = sets.len();
    if n < 2 {
        return None;
    }
    let mean = |mark: usize, axis: usize| sets.iter().map(|s| s.marks[mark][axis]).sum::<f64>() / n as f64;
    let freedom = 2 * (n - 1);
    let deviation = |axis: usize| {
        let squares: f64 = (0..2)
            .map(|mark| {
                let centre = mean(mark, axis);
                sets.iter().map(|s| (s.marks[mark][axis] - centre).powi(2)).sum::<f64>()
            })
            .sum();
        (squares / freedom as f64).sqrt()
    };
    let (east_m, north_m, up_m) = (deviation(0), deviation(1), deviation(2));
    let centre = |mark: usize| [mean(mark, 0), mean(mark, 1), mean(mark, 2)];
    let (distance_m, height_difference_m) = Set { series: 0, number: 0, marks: [centre(0), centre(1)] }.span();
    Some(Experimental { east_m, north_m, horizontal_m: east_m.hypot(north_m), up_m, freedom, distance_m, height_difference_m })
}

/// One statistical question and its answer.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub(super) struct Question {
    /// In words.
    pub asks: &'static str,
    /// What was measured: m, or a ratio of variances.
    pub value: f64,
    /// Smallest value that passes.
    pub least: f64,
    /// Largest value that passes.
    pub most: f64,
    /// Whether it passes.
    pub passes: bool,
}

impl Question {
    fn of(asks: &'static str, value: f64, least: f64, most: f64) -> Self {
        Self { asks, value, least, most, passes: value >= least && value <= most }
    }
}

/// Standard deviations of an earlier test with the same number of sets.
#[derive(Clone, Copy, Debug)]
pub(super) struct Earlier {
    /// In plan, m.
    pub horizontal_m: f64,
    /// Up, m.
    pub up_m: f64,
}

/// The questions of the full test at 95 %: is the claim reached, and is the result that of the earlier test?
#[must_use]
#[allow(clippy::cast_precision_loss)]
pub(super) fn questions(found: &Experimental, claim: &Claim, earlier: Option<Earlier>) -> Vec<Question> {
    let up = found.freedom as f64;
    // East and north both speak for the plan.
    let plan = 2.0 * up;
    let most = |sigma: f64, freedom: f64| sigma * (chi_square(0.95, freedom) / freedom).sqrt();
    let mut all = vec![
        Question::of("the claimed precision in plan is reached", found.horizontal_m, 0.0, most(claim.sigma_horizontal_m, plan)),
        Question::of("the claimed precision in height is reached", found.up_m, 0.0, most(claim.sigma_up_m, up)),
    ];
    if let Some(earlier) = earlier {
        let mut same = |asks, now: f64, then: f64, freedom| {
            let largest = fisher(0.975, freedom, freedom);
            all.push(Question::of(asks, (now / then).powi(2), 1.0 / largest, largest));
        };
        same("the precision in plan is that of the earlier test", found.horizontal_m, earlier.horizontal_m, plan);
        same("the precision in height is that of the earlier test", found.up_m, earlier.up_m, up);
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    fn claim() -> Claim {
        Claim { sigma_horizontal_m: 0.015, sigma_up_m: 0.025, distance_m: 5.0, height_difference_m: 0.4 }
    }

    #[test]
    fn limits_of_a_gross_error() {
        // S-ISO17123-8-SIMPLE of checks/04_accuracy_statistics.csv (the factor there is from memory).
        let (plan, up) = claim().limits();
        assert!((plan - 0.053_033).abs() < 1e-6 && (up - 0.088_388).abs() < 1e-6);
        let set = |x: f64, z: f64| Set { series: 1, number: 1, marks: [[0.0; 3], [3.0 + x, 4.0, 0.4 + z]] };
        assert!(!claim().gross(&set(0.05, 0.08)));
        // 3-4-5: 0.09 m along east are 0.054 m of distance.
        assert!(claim().gross(&set(0.09, 0.0)) && claim().gross(&set(-0.09, 0.0)));
        assert!(claim().gross(&set(0.0, 0.09)) && claim().gross(&set(0.0, -0.09)));
    }

    #[test]
    fn degrees_of_freedom_of_the_full_design() {
        // S-ISO17123-8-DESIGN: (3 * 5 - 1) * 2 = 28.
        let sets: Vec<Set> = (0..15_i32)
            .map(|k| Set { series: 1, number: 1, marks: [[f64::from(k % 3), 0.0, 0.0], [10.0, f64::from(k % 2), 1.0]] })
            .collect();
        assert_eq!(experimental(&sets).unwrap().freedom, 28);
        assert!(experimental(&sets[..1]).is_none());
    }

    #[test]
    fn an_earlier_test_is_held_against_both_ends() {
        let found = Experimental {
            east_m: 0.006,
            north_m: 0.006,
            horizontal_m: 0.0085,
            up_m: 0.012,
            freedom: 28,
            distance_m: 5.0,
            height_difference_m: 0.4,
        };
        // S-ISO17123-8-QUANT: F is 1.70 and 0.59 in plan, 2.13 and 0.47 in height.
        let passes = |plan: f64, up: f64| {
            let earlier = Earlier { horizontal_m: 0.0085 / plan.sqrt(), up_m: 0.012 / up.sqrt() };
            let all = questions(&found, &claim(), Some(earlier));
            assert_eq!(all.len(), 4);
            (all[2].passes, all[3].passes)
        };
        assert_eq!(passes(1.69, 2.12), (true, true));
        assert_eq!(passes(1.71, 2.14), (false, false));
        assert_eq!(passes(0.60, 0.48), (true, true));
        assert_eq!(passes(0.58, 0.46), (false, false));
    }
}
