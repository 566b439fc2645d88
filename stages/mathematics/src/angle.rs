//! Angles that go round: longitudes and headings.

/// The short way from one angle to another, deg, from -180 up to but not 180.
#[inline]
#[must_use]
pub fn turn(from_deg: f64, to_deg: f64) -> f64 {
    (to_deg - from_deg + 180.0).rem_euclid(360.0) - 180.0
}

/// An angle between -180 and 180 degrees; one that lies there already is not touched, not even 180.
#[inline]
#[must_use]
pub fn wrap(deg: f64) -> f64 {
    if (-180.0..=180.0).contains(&deg) { deg } else { turn(0.0, deg) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn limits() {
        assert_eq!((wrap(180.0), wrap(-180.0), wrap(181.0), wrap(-540.5)), (180.0, -180.0, -179.0, 179.5));
        assert_eq!((turn(350.0, 10.0), turn(10.0, 350.0), turn(0.0, 180.0)), (20.0, -20.0, -180.0));
    }

    proptest! {
        #[test]
        fn a_turn_leads_there(from in -720.0..720.0_f64, to in -720.0..720.0_f64) {
            let t = turn(from, to);
            prop_assert!((-180.0..180.0).contains(&t));
            let round = (from + t - to) / 360.0;
            prop_assert!((round - round.round()).abs() < 1e-11);
        }
    }
}
