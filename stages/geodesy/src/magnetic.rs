//! Magnetic declination from the World Magnetic Model, at a place and a day.
//!
//! The model is that of NCEI and the British Geological Survey; its coefficient files, which are in the public
//! domain, are part of the program. Each edition is good for five years; outside them there is no answer. The
//! model knows the field of the Earth's core and nothing of ore, steel or a vehicle beside the pole.
//!
//! References: The US/UK World Magnetic Model for 2025-2030, Technical Report (NCEI and BGS), section 1.2 for
//! the synthesis and 3.4 for the error model; the same of 2020-2025.

use super::ellipsoid::WGS84;
use super::epoch::decimal_year;
use pipeline_base::rig::MagneticModel;
use pipeline_base::time::{date_text, days};
use std::sync::OnceLock;

/// Declination at one place and day.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Declination {
    /// From true north clockwise to magnetic north, deg.
    pub declination_deg: f64,
    /// Standard deviation by the error model of the same edition, deg.
    pub sigma_deg: f64,
    /// Horizontal intensity, nT.
    pub horizontal_nt: f64,
}

/// Below this horizontal intensity (nT) the model calls a compass unreliable.
pub const BLACKOUT_NT: f64 = 2000.0;

/// Below this horizontal intensity (nT) the model asks for caution.
pub const CAUTION_NT: f64 = 6000.0;

/// Degree of the model.
const DEGREE: usize = 12;
/// Reference radius of the model, m.
const RADIUS_M: f64 = 6_371_200.0;

/// First and last day of an edition, days since 1970-01-01.
#[must_use]
pub fn validity(model: MagneticModel) -> (i64, i64) {
    let (first, last) = match model {
        MagneticModel::Wmm2020 => (2020, 2025),
        MagneticModel::Wmm2025 => (2025, 2030),
    };
    (days(first, 1, 1).unwrap_or(0), days(last, 1, 1).unwrap_or(0) - 1)
}

/// g, h and their yearly changes, nT, by degree and order.
struct Coefficients {
    epoch: f64,
    of: Vec<[f64; 4]>,
}

const fn index(n: usize, m: usize) -> usize {
    n * (n + 1) / 2 + m
}

impl Coefficients {
    /// Reads a coefficient file: epoch, name and date, then degree, order and the four numbers of each term.
    fn read(text: &str) -> Option<Self> {
        let mut lines = text.lines();
        let epoch = lines.next()?.split_whitespace().next()?.parse().ok()?;
        let mut of = vec![[0.0; 4]; index(DEGREE, DEGREE) + 1];
        let mut terms = 0;
        for line in lines.take_while(|l| !l.starts_with("9999")) {
            let mut words = line.split_whitespace();
            let (n, m): (usize, usize) = (words.next()?.parse().ok()?, words.next()?.parse().ok()?);
            let place = of.get_mut(index(n, m)).filter(|_| m <= n)?;
            for value in place {
                *value = words.next()?.parse().ok()?;
            }
            terms += 1;
        }
        (terms == of.len() - 1).then_some(Self { epoch, of })
    }

    fn of(model: MagneticModel) -> Option<&'static Self> {
        static OF_2020: OnceLock<Option<Coefficients>> = OnceLock::new();
        static OF_2025: OnceLock<Option<Coefficients>> = OnceLock::new();
        match model {
            MagneticModel::Wmm2020 => OF_2020.get_or_init(|| Self::read(include_str!("magnetic/WMM2020.COF"))),
            MagneticModel::Wmm2025 => OF_2025.get_or_init(|| Self::read(include_str!("magnetic/WMM2025.COF"))),
        }
        .as_ref()
    }

    /// North, east and down, nT, on the axes of the ellipsoid.
    fn field(&self, latitude_deg: f64, longitude_deg: f64, height_m: f64, year: f64) -> [f64; 3] {
        let [x, y, z] = WGS84.geocentric(latitude_deg, longitude_deg, height_m);
        let r = x.hypot(y).hypot(z);
        let (sin, cos) = (z / r, x.hypot(y) / r);
        let [p, dp, p_over_cos] = legendre(sin, cos);
        let passed = year - self.epoch;
        let (mut north, mut east, mut down) = (0.0, 0.0, 0.0);
        let mut power = (RADIUS_M / r).powi(2);
        for n in 1..=DEGREE {
            power *= RADIUS_M / r;
            for m in 0..=n {
                let i = index(n, m);
                let [g, h, dg, dh] = self.of[i];
                let (g, h) = (g + passed * dg, h + passed * dh);
                #[allow(clippy::cast_precision_loss)]
                let (n, m) = (n as f64, m as f64);
                let (sin_m, cos_m) = (m * longitude_deg.to_radians()).sin_cos();
                let (even, odd) = (g * cos_m + h * sin_m, g * sin_m - h * cos_m);
                north -= power * even * dp[i];
                east += power * m * odd * p_over_cos[i];
                down -= power * (n + 1.0) * even * p[i];
            }
        }
        // From the axes of the sphere to those of the ellipsoid.
        let turn = sin.atan2(cos) - latitude_deg.to_radians();
        let (s, c) = turn.sin_cos();
        [north * c - down * s, east, north * s + down * c]
    }
}

/// Schmidt semi-normalised functions of the sine of the geocentric latitude, their derivatives by the
/// latitude, and the functions divided by the cosine (for orders above 0), which have a limit at the poles.
fn legendre(sin: f64, cos: f64) -> [Vec<f64>; 3] {
    let mut p = vec![0.0; index(DEGREE, DEGREE) + 1];
    let (mut dp, mut q) = (p.clone(), p.clone());
    p[0] = 1.0;
    for n in 1..=DEGREE {
        for m in 0..=n {
            let i = index(n, m);
            #[allow(clippy::cast_precision_loss)]
            let (nf, mf) = (n as f64, m as f64);
            if m == n {
                let k = if n == 1 { 1.0 } else { ((2.0 * nf - 1.0) / (2.0 * nf)).sqrt() };
                let before = index(n - 1, n - 1);
                p[i] = k * cos * p[before];
                dp[i] = k * (cos * dp[before] - sin * p[before]);
                q[i] = if n == 1 { 1.0 } else { k * cos * q[before] };
                continue;
            }
            let root = (nf * nf - mf * mf).sqrt();
            let one = index(n - 1, m);
            let (two, back) = if m + 2 <= n { (index(n - 2, m), ((nf - 1.0).powi(2) - mf * mf).sqrt()) } else { (0, 0.0) };
            p[i] = ((2.0 * nf - 1.0) * sin * p[one] - back * p[two]) / root;
            dp[i] = ((2.0 * nf - 1.0) * (cos * p[one] + sin * dp[one]) - back * dp[two]) / root;
            q[i] = ((2.0 * nf - 1.0) * sin * q[one] - back * q[two]) / root;
        }
    }
    [p, dp, q]
}

/// Declination at a latitude and longitude (deg), ellipsoidal height (m) and day (days since 1970-01-01).
///
/// # Errors
/// In words, when the day is outside the edition, or the place or height outside what it is made for (1 km below the
/// ellipsoid to 850 km above).
pub fn declination(model: MagneticModel, latitude_deg: f64, longitude_deg: f64, height_m: f64, day: i64) -> Result<Declination, String> {
    let (first, last) = validity(model);
    if !(first..=last).contains(&day) {
        return Err(format!(
            "{} is valid from {} to {}, and the day is {}",
            model.word(),
            date_text(first),
            date_text(last),
            date_text(day)
        ));
    }
    if !(latitude_deg.abs() <= 90.0 && longitude_deg.is_finite() && (-1_000.0..=850_000.0).contains(&height_m)) {
        return Err("the place is outside the model".to_owned());
    }
    let coefficients = Coefficients::of(model).ok_or("its coefficients cannot be read")?;
    let year = decimal_year(day * 86_400_000_000_000);
    let [north, east, _] = coefficients.field(latitude_deg, longitude_deg, height_m, year);
    let horizontal_nt = north.hypot(east);
    // Technical reports, section 3.4: a floor, and a part that grows as the horizontal field fades.
    let fading = match model {
        MagneticModel::Wmm2020 => 5625.0,
        MagneticModel::Wmm2025 => 5417.0,
    };
    let sigma_deg = 0.26_f64.hypot(fading / horizontal_nt).min(180.0);
    Ok(Declination { declination_deg: east.atan2(north).to_degrees(), sigma_deg, horizontal_nt })
}

#[cfg(test)]
mod tests {
    use super::*;
    use pipeline_base::time::days;

    /// Latitude, longitude, height (km), year, month, day, declination.
    type Case = (f64, f64, f64, i64, i64, i64, f64);

    #[test]
    fn places_of_the_published_test_table() {
        // The three places and two dates of the test tables in the WMM reports. The declinations are computed from the
        // published coefficient files by pygeomag 1.1.0 in double precision; the printed tables, from memory, have the
        // same numbers to two decimals (WMM2020: -1.28, 0.16, 69.36, -1.70, 0.16, 68.78, 0.01, -0.06, 69.13, -0.41, -0.05, 68.55).
        const CASES: [Case; 24] = [
            (80.0, 0.0, 0.0, 2020, 1, 1, -1.275_824),
            (0.0, 120.0, 0.0, 2020, 1, 1, 0.158_878),
            (-80.0, 240.0, 0.0, 2020, 1, 1, 69.361_056),
            (80.0, 0.0, 100.0, 2020, 1, 1, -1.696_957),
            (0.0, 120.0, 100.0, 2020, 1, 1, 0.159_706),
            (-80.0, 240.0, 100.0, 2020, 1, 1, 68.784_748),
            (80.0, 0.0, 0.0, 2022, 7, 2, 0.009_573),
            (0.0, 120.0, 0.0, 2022, 7, 2, -0.060_940),
            (-80.0, 240.0, 0.0, 2022, 7, 2, 69.125_406),
            (80.0, 0.0, 100.0, 2022, 7, 2, -0.409_438),
            (0.0, 120.0, 100.0, 2022, 7, 2, -0.053_707),
            (-80.0, 240.0, 100.0, 2022, 7, 2, 68.553_891),
            (80.0, 0.0, 0.0, 2025, 1, 1, 1.281_482),
            (0.0, 120.0, 0.0, 2025, 1, 1, -0.158_274),
            (-80.0, 240.0, 0.0, 2025, 1, 1, 68.775_385),
            (80.0, 0.0, 100.0, 2025, 1, 1, 0.852_035),
            (0.0, 120.0, 100.0, 2025, 1, 1, -0.146_294),
            (-80.0, 240.0, 100.0, 2025, 1, 1, 68.213_684),
            (80.0, 0.0, 0.0, 2027, 7, 2, 2.594_134),
            (0.0, 120.0, 0.0, 2027, 7, 2, -0.241_539),
            (-80.0, 240.0, 0.0, 2027, 7, 2, 68.486_117),
            (80.0, 0.0, 100.0, 2027, 7, 2, 2.160_497),
            (0.0, 120.0, 100.0, 2027, 7, 2, -0.225_918),
            (-80.0, 240.0, 100.0, 2027, 7, 2, 67.931_643),
        ];
        for (latitude, longitude, km, year, month, day, want) in CASES {
            let model = if year < 2025 { MagneticModel::Wmm2020 } else { MagneticModel::Wmm2025 };
            let found = declination(model, latitude, longitude, km * 1000.0, days(year, month, day).unwrap()).unwrap();
            assert!((found.declination_deg - want).abs() < 0.001, "{latitude} {longitude} {km} {year}: {}", found.declination_deg);
            // The error model of both editions has a floor of 0.26 deg.
            assert!(found.sigma_deg > 0.26, "{}", found.sigma_deg);
        }
    }

    #[test]
    fn nothing_outside_the_years_of_an_edition() {
        for (model, first, last) in
            [(MagneticModel::Wmm2020, (2020, 1, 1), (2024, 12, 31)), (MagneticModel::Wmm2025, (2025, 1, 1), (2029, 12, 31))]
        {
            let (first, last) = (days(first.0, first.1, first.2).unwrap(), days(last.0, last.1, last.2).unwrap());
            assert_eq!(validity(model), (first, last));
            assert!(declination(model, 42.7, -84.5, 0.0, first).is_ok() && declination(model, 42.7, -84.5, 0.0, last).is_ok());
            assert!(declination(model, 42.7, -84.5, 0.0, first - 1).unwrap_err().contains("valid from"));
            assert!(declination(model, 42.7, -84.5, 0.0, last + 1).is_err());
        }
        let day = days(2026, 6, 11).unwrap();
        assert!(declination(MagneticModel::Wmm2025, 91.0, 0.0, 0.0, day).is_err());
        assert!(declination(MagneticModel::Wmm2025, f64::NAN, 0.0, 0.0, day).is_err());
        assert!(declination(MagneticModel::Wmm2025, 42.7, 275.5, 1e7, day).is_err());
        // The same place on either side of the 180th meridian.
        let at = |longitude: f64| declination(MagneticModel::Wmm2025, -17.0, longitude, 0.0, day).unwrap().declination_deg;
        assert!((at(180.0) - at(-180.0)).abs() < 1e-9);
        // At the pole itself there is a number, and it turns with the longitude.
        let pole = |longitude: f64| declination(MagneticModel::Wmm2025, -90.0, longitude, 0.0, day).unwrap().declination_deg;
        assert!(((pole(10.0) - pole(0.0) + 180.0).rem_euclid(360.0) - 180.0).abs() - 10.0 < 1e-6);
        // WMM2025: the north magnetic pole lies near 86 N 139 E; the field there is no use for a compass.
        assert!(declination(MagneticModel::Wmm2025, 85.7, 139.0, 0.0, day).unwrap().horizontal_nt < BLACKOUT_NT);
    }
}
