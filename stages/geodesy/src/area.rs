//! Areas of use: whether a place lies inside, and how far from the edge.

use super::ellipsoid::GRS80;
use super::local::Tangent;

/// An area of use: a box of longitudes and latitudes, deg. `west` above `east` crosses the 180th
/// meridian.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Area {
    /// Western limit.
    pub west: f64,
    /// Southern limit.
    pub south: f64,
    /// Eastern limit.
    pub east: f64,
    /// Northern limit.
    pub north: f64,
    /// Name in the registry.
    pub name: String,
}

/// Longitude from 0 to 360.
fn turn(longitude: f64) -> f64 {
    longitude.rem_euclid(360.0)
}

/// The box around places, deg.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Extent {
    /// Lowest latitude.
    pub south: f64,
    /// Highest latitude.
    pub north: f64,
    /// Lowest longitude, as it is written: a survey across the 180th meridian has a box around the earth.
    pub west: f64,
    /// Highest longitude.
    pub east: f64,
    /// Whether every place is finite. Rows that are not a number are not in the box.
    pub complete: bool,
}

impl Extent {
    /// Looks at latitudes and longitudes (deg) once.
    #[must_use]
    pub fn of(latitudes: &[f64], longitudes: &[f64]) -> Self {
        let (la, lo) = (Span::of(latitudes), Span::of(longitudes));
        Self { south: la.low, north: la.high, west: lo.low, east: lo.high, complete: la.finite && lo.finite }
    }

    /// Whether no place is in it.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.south > self.north || self.west > self.east
    }
}

/// What one look at a column of numbers tells.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Span {
    /// Lowest number; infinite when there is none.
    pub low: f64,
    /// Highest number; minus infinite when there is none.
    pub high: f64,
    /// Sum of all rows.
    pub sum: f64,
    /// Whether every row is finite, and their sum too.
    pub finite: bool,
}

impl Span {
    /// No rows.
    pub const EMPTY: Self = Self { low: f64::INFINITY, high: f64::NEG_INFINITY, sum: 0.0, finite: true };

    /// Looks at each number once, eight side by side.
    #[must_use]
    pub fn of(column: &[f64]) -> Self {
        let (mut low, mut high, mut sum) = ([f64::INFINITY; 8], [f64::NEG_INFINITY; 8], [0.0; 8]);
        let (eights, rest) = column.as_chunks();
        for eight in eights {
            look(eight, &mut low, &mut high, &mut sum);
        }
        let all = Self::EMPTY.and(low, high, sum);
        rest.iter().fold(all, |all, v| all.and([*v], [*v], [*v]))
    }

    /// Both together.
    #[must_use]
    pub fn with(self, other: Self) -> Self {
        self.and([other.low], [other.high], [other.sum])
    }

    fn and<const N: usize>(self, low: [f64; N], high: [f64; N], sum: [f64; N]) -> Self {
        let sum = sum.into_iter().fold(self.sum, |sum, v| sum + v);
        // A number that is not finite makes a sum that is not.
        Self {
            low: low.into_iter().fold(self.low, f64::min),
            high: high.into_iter().fold(self.high, f64::max),
            sum,
            finite: sum.is_finite(),
        }
    }
}

#[inline]
fn look(eight: &[f64; 8], low: &mut [f64; 8], high: &mut [f64; 8], sum: &mut [f64; 8]) {
    for k in 0..8 {
        // A comparison with NaN is false, so NaN is passed over.
        low[k] = if eight[k] < low[k] { eight[k] } else { low[k] };
        high[k] = if eight[k] > high[k] { eight[k] } else { high[k] };
        sum[k] += eight[k];
    }
}

impl Area {
    /// Width in degrees.
    fn width(&self) -> f64 {
        if self.east - self.west >= 360.0 { 360.0 } else { turn(self.east - self.west) }
    }

    /// Whether a place lies inside or on the edge.
    #[must_use]
    pub fn contains(&self, latitude: f64, longitude: f64) -> bool {
        latitude >= self.south && latitude <= self.north && turn(longitude - self.west) <= self.width()
    }

    /// A latitude and longitude inside it, off its middle line, where many grids have their central meridian.
    #[must_use]
    pub fn centre(&self) -> (f64, f64) {
        ((self.south + self.north) / 2.0, self.west + self.width() * 0.6)
    }

    /// Whether all places of a box lie inside; `false` may also mean that the box is too coarse.
    #[must_use]
    pub fn surely_contains(&self, all: &Extent) -> bool {
        if all.is_empty() {
            return true;
        }
        self.contains(all.south, all.west)
            && self.contains(all.north, all.east)
            && turn(all.west - self.west) + (all.east - all.west) <= self.width()
    }

    /// Size in square degrees, to put smaller areas first.
    #[must_use]
    pub fn size(&self) -> f64 {
        self.width() * (self.north - self.south)
    }

    /// Distance in km to one limit, and which: positive inside, to the nearest one; negative outside, to the one that is
    /// furthest behind.
    ///
    /// Straight-line distance on GRS 80 along the parallel or the meridian; good to some metres at a
    /// hundred kilometres, which is all that an area of use deserves.
    #[must_use]
    pub fn margin(&self, latitude: f64, longitude: f64) -> (f64, Side) {
        let inside = self.contains(latitude, longitude);
        let clamped_latitude = latitude.clamp(self.south, self.north);
        let from_west = turn(longitude - self.west);
        let clamped_longitude = if from_west <= self.width() {
            longitude
        } else if from_west - self.width() < 360.0 - from_west {
            self.east
        } else {
            self.west
        };
        let here = Tangent::new(latitude, longitude, 0.0, GRS80);
        let distance = |la: f64, lo: f64| here.enu(la, lo, 0.0).iter().map(|v| v * v).sum::<f64>().sqrt() / 1000.0;
        if inside {
            let mut sides = vec![(distance(self.south, longitude), Side::South), (distance(self.north, longitude), Side::North)];
            if self.width() < 360.0 {
                sides.push((distance(latitude, self.west), Side::West));
                sides.push((distance(latitude, self.east), Side::East));
            }
            return sides.into_iter().min_by(|a, b| a.0.total_cmp(&b.0)).unwrap_or((0.0, Side::South));
        }
        // Of two sides that it is beyond, the one that it is further from: the number and the word tell of one and the same limit.
        let beyond = [
            (distance(clamped_latitude, longitude), if latitude < self.south { Side::South } else { Side::North }),
            (distance(latitude, clamped_longitude), if (clamped_longitude - self.east).abs() < 1e-12 { Side::East } else { Side::West }),
        ];
        let (km, side) = if beyond[0].0 >= beyond[1].0 { beyond[0] } else { beyond[1] };
        (-km, side)
    }

    /// Its name, cut after 70 characters: some list every county.
    #[must_use]
    pub fn title(&self) -> String {
        let name = self.name.trim_end_matches('.');
        if name.chars().count() <= 70 { name.to_owned() } else { format!("{} …", name.chars().take(70).collect::<String>().trim_end()) }
    }

    /// The limit on a side, in words.
    #[must_use]
    pub fn limit(&self, side: Side) -> String {
        match side {
            Side::South => latitude_text(self.south),
            Side::North => latitude_text(self.north),
            Side::West => longitude_text(self.west),
            Side::East => longitude_text(self.east),
        }
    }
}

/// A side of an area.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// South.
    South,
    /// North.
    North,
    /// West.
    West,
    /// East.
    East,
}

impl Side {
    /// Word, as in `south of its southern limit`.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::South => "south",
            Self::North => "north",
            Self::West => "west",
            Self::East => "east",
        }
    }
}

/// `42.730 N`.
#[must_use]
pub fn latitude_text(latitude: f64) -> String {
    format!("{:.3} {}", latitude.abs(), if latitude < 0.0 { 'S' } else { 'N' })
}

/// `84.550 W`.
#[must_use]
pub fn longitude_text(longitude: f64) -> String {
    let longitude = survey_mathematics::angle::turn(0.0, longitude);
    format!("{:.3} {}", longitude.abs(), if longitude < 0.0 { 'W' } else { 'E' })
}

/// `42.730 N 84.550 W`.
#[must_use]
pub fn place_text(latitude: f64, longitude: f64) -> String {
    format!("{} {}", latitude_text(latitude), longitude_text(longitude))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn area(west: f64, south: f64, east: f64, north: f64) -> Area {
        Area { west, south, east, north, name: String::new() }
    }

    #[test]
    fn distance_to_michigan_central() {
        // Golden value of the study: 42.730 N is 119 km south of 43.80 N.
        let (km, side) = area(-87.06, 43.80, -82.27, 45.92).margin(42.73, -84.55);
        assert_eq!(side, Side::South);
        assert!((km + 119.0).abs() < 0.5, "{km}");
    }

    #[test]
    fn inside_on_the_edge_and_a_kilometre_outside() {
        let a = area(10.0, 50.0, 11.0, 51.0);
        assert!(a.contains(50.0, 10.0) && a.contains(51.0, 11.0) && a.contains(50.5, 370.5));
        assert!(a.margin(50.5, 10.5).0 > 35.0);
        let (km, side) = a.margin(50.5, 11.0 + 1.0 / 70.9);
        assert!(side == Side::East && (km + 1.0).abs() < 0.02, "{km}");
        let (km, side) = a.margin(51.0 + 100.0 / 111.2, 10.5);
        assert!(side == Side::North && (km + 100.0).abs() < 0.3, "{km}");
        // Beyond two sides: a little south and far west.
        let (km, side) = a.margin(49.9, 9.0);
        assert!(side == Side::West && (km + 71.8).abs() < 0.3, "{km} {side:?}");
    }

    #[test]
    fn across_the_180th_meridian() {
        let a = area(166.0, -48.0, -177.0, -30.0);
        assert!(a.contains(-40.0, 179.0) && a.contains(-40.0, -179.0) && !a.contains(-40.0, 0.0));
        assert!(a.margin(-40.0, -176.0).1 == Side::East && a.margin(-40.0, 165.0).1 == Side::West);
        let world = area(-180.0, -90.0, 180.0, 90.0);
        assert!(world.contains(0.0, 180.0) && world.contains(-90.0, -180.0) && world.margin(10.0, 10.0).0 > 0.0);
    }

    proptest! {
        #[test]
        fn one_look_tells_what_row_by_row_does(column in prop::collection::vec(prop_oneof![
            8 => -400.0..400.0_f64, 1 => Just(f64::NAN), 1 => Just(f64::INFINITY), 1 => Just(f64::NEG_INFINITY)], 0..40)) {
            let span = Span::of(&column);
            prop_assert_eq!(span.finite, column.iter().all(|v| v.is_finite()));
            prop_assert_eq!(span.low, column.iter().copied().fold(f64::INFINITY, f64::min));
            prop_assert_eq!(span.high, column.iter().copied().fold(f64::NEG_INFINITY, f64::max));
            let sum = column.iter().sum::<f64>();
            prop_assert!((span.sum - sum).abs() < 1e-9 || !(span.finite || sum.is_finite()));
            let (a, b) = column.split_at(column.len() / 3);
            let parts = Span::of(a).with(Span::of(b));
            prop_assert_eq!((parts.low, parts.high, parts.finite), (span.low, span.high, span.finite));
        }

        #[test]
        fn a_box_that_is_surely_inside_has_every_place_inside(
            west in -200.0..200.0_f64, width in 0.0..360.0_f64, south in -90.0..90.0_f64, high in 0.0..90.0_f64,
            places in prop::collection::vec((-90.0..90.0_f64, -190.0..370.0_f64), 0..6),
        ) {
            let a = area(west, south, west + width, south + high);
            let (latitudes, longitudes): (Vec<f64>, Vec<f64>) = places.into_iter().unzip();
            if a.surely_contains(&Extent::of(&latitudes, &longitudes)) {
                prop_assert!(latitudes.iter().zip(&longitudes).all(|(la, lo)| a.contains(*la, *lo)));
            }
            // Places inside that do not go around the earth are told at once.
            let some: Vec<f64> = (0..5).map(|i| west + width * f64::from(i) / 5.0).collect();
            prop_assert!(a.surely_contains(&Extent::of(&[f64::midpoint(a.south, a.north); 5], &some)));
        }
    }
}
