//! The ellipsoid, its local frames, the change of frame and the map projection, written from the textbook
//! formulae. Angles are degrees at the borders, lengths metres.

use libm::{asinh, atan, atan2, atanh, cos, cosh, sin, sinh, sqrt};

/// Semi-major axis of GRS 80, m (Moritz 1980).
pub const A: f64 = 6_378_137.0;
/// Flattening of GRS 80 (Moritz 1980).
pub const F: f64 = 1.0 / 298.257_222_101;
const E2: f64 = F * (2.0 - F);
const RAD: f64 = core::f64::consts::PI / 180.0;

/// A vector: geocentric, or east north up, or body axes, as its name says.
pub type V3 = [f64; 3];

/// Sum.
#[must_use]
pub fn add(a: V3, b: V3) -> V3 {
    [a[0] + b[0], a[1] + b[1], a[2] + b[2]]
}

/// Difference.
#[must_use]
pub fn sub(a: V3, b: V3) -> V3 {
    [a[0] - b[0], a[1] - b[1], a[2] - b[2]]
}

/// Multiple.
#[must_use]
pub fn times(k: f64, a: V3) -> V3 {
    [k * a[0], k * a[1], k * a[2]]
}

/// Scalar product.
#[must_use]
pub fn dot(a: V3, b: V3) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

/// Length.
#[must_use]
pub fn length(a: V3) -> f64 {
    sqrt(dot(a, a))
}

/// A place on the ellipsoid.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Geodetic {
    /// Latitude, deg.
    pub latitude: f64,
    /// Longitude, deg.
    pub longitude: f64,
    /// Ellipsoidal height, m.
    pub height: f64,
}

/// GDA2020 to GDA94, geocentric: the inverse of the published seven parameters, by iteration.
///
/// Source: ICSM, GDA2020 Technical Manual, section 3.1.1 (coordinate frame rotation).
#[must_use]
pub fn gda2020_to_gda94(x: V3) -> V3 {
    const SHIFT: V3 = [0.061_55, -0.010_87, -0.040_19];
    const TURN: V3 = [-0.039_492_4, -0.032_722_1, -0.032_897_9];
    let [rx, ry, rz] = TURN.map(|s| s / 3600.0 * RAD);
    let forward = |[a, b, c]: V3| {
        let turned = [a + rz * b - ry * c, -rz * a + b + rx * c, ry * a - rx * b + c];
        add(SHIFT, times(1.0 - 0.009_994e-6, turned))
    };
    let mut old = x;
    for _ in 0..5 {
        old = add(old, sub(x, forward(old)));
    }
    old
}

/// Geodetic to geocentric.
#[must_use]
pub fn geocentric(g: Geodetic) -> V3 {
    let (sf, cf) = (sin(g.latitude * RAD), cos(g.latitude * RAD));
    let (sl, cl) = (sin(g.longitude * RAD), cos(g.longitude * RAD));
    let n = A / sqrt(1.0 - E2 * sf * sf);
    [(n + g.height) * cf * cl, (n + g.height) * cf * sl, (n * (1.0 - E2) + g.height) * sf]
}

/// Geocentric to geodetic, by iteration on the latitude until it stands.
#[must_use]
pub fn geodetic(x: V3) -> Geodetic {
    let p = sqrt(x[0] * x[0] + x[1] * x[1]);
    let mut f = atan2(x[2], p * (1.0 - E2));
    let mut h = 0.0;
    for _ in 0..12 {
        let (s, c) = (sin(f), cos(f));
        let n = A / sqrt(1.0 - E2 * s * s);
        // Height from both parts, so that it is good at each latitude.
        h = p * c + x[2] * s - A * A / n;
        f = atan2(x[2] * (n + h), p * (n * (1.0 - E2) + h));
    }
    Geodetic { latitude: f / RAD, longitude: atan2(x[1], x[0]) / RAD, height: h }
}

/// East, north and up axes at a place, as rows in geocentric axes.
#[must_use]
pub fn axes(g: Geodetic) -> [V3; 3] {
    let (sf, cf) = (sin(g.latitude * RAD), cos(g.latitude * RAD));
    let (sl, cl) = (sin(g.longitude * RAD), cos(g.longitude * RAD));
    [[-sl, cl, 0.0], [-sf * cl, -sf * sl, cf], [cf * cl, cf * sl, sf]]
}

/// A local east north up frame with its origin on the ground.
#[derive(Clone, Copy, Debug)]
pub struct Local {
    origin: V3,
    rows: [V3; 3],
}

impl Local {
    /// The frame at a place.
    #[must_use]
    pub fn at(g: Geodetic) -> Self {
        Self { origin: geocentric(g), rows: axes(g) }
    }

    /// Local to geocentric.
    #[must_use]
    pub fn xyz(&self, enu: V3) -> V3 {
        let mut x = self.origin;
        for (row, k) in self.rows.iter().zip(enu) {
            x = add(x, times(k, *row));
        }
        x
    }

    /// Geocentric to local.
    #[must_use]
    pub fn enu(&self, x: V3) -> V3 {
        let d = sub(x, self.origin);
        [dot(self.rows[0], d), dot(self.rows[1], d), dot(self.rows[2], d)]
    }
}

/// ITRF2020 to NAD83(2011), as published by NGS and registered as "ITRF2020 to NAD83(2011) (1)":
/// translation mm, rotation milliarc-seconds, scale parts per billion at 2010.0, and rates per year; the
/// signs are those of the coordinate frame rotation.
const T_MM: V3 = [1003.9, -1909.61, -541.17];
const R_MAS: V3 = [26.781_38, -0.420_27, 10.932_06];
const S_PPB: f64 = -0.051_09;
const DT_MM: V3 = [0.79, -0.7, -1.24];
const DR_MAS: V3 = [0.066_67, -0.757_44, -0.051_33];
const DS_PPB: f64 = -0.072_01;

struct Helmert {
    t: V3,
    r: V3,
    scale: f64,
}

fn helmert(year: f64) -> Helmert {
    let dt = year - 2010.0;
    let mas = RAD / 3_600_000.0;
    let at = |a: V3, b: V3, k: f64| [(a[0] + dt * b[0]) * k, (a[1] + dt * b[1]) * k, (a[2] + dt * b[2]) * k];
    Helmert { t: at(T_MM, DT_MM, 1e-3), r: at(R_MAS, DR_MAS, mas), scale: 1.0 + (S_PPB + dt * DS_PPB) * 1e-9 }
}

/// ITRF2020 at a decimal year to NAD83(2011) epoch 2010.00, geocentric.
#[must_use]
pub fn itrf2020_to_nad83(x: V3, year: f64) -> V3 {
    let h = helmert(year);
    let [rx, ry, rz] = h.r;
    // Coordinate frame rotation: the axes turn, so the signs are opposite to the position vector's.
    let turned = [x[0] + rz * x[1] - ry * x[2], -rz * x[0] + x[1] + rx * x[2], ry * x[0] - rx * x[1] + x[2]];
    add(h.t, times(h.scale, turned))
}

/// NAD83(2011) epoch 2010.00 to ITRF2020 at a decimal year: the inverse by fixed-point iteration, which
/// converges by a factor of 10 million each time.
#[must_use]
pub fn nad83_to_itrf2020(y: V3, year: f64) -> V3 {
    let mut x = y;
    for _ in 0..4 {
        x = add(x, sub(y, itrf2020_to_nad83(x, year)));
    }
    x
}

/// Transverse Mercator with the scale and false easting of UTM, by the series of Krüger (1912) in the third
/// flattening to the fourth power (below 1 micrometre within 3 degrees of the meridian).
#[must_use]
pub fn utm(g: Geodetic, central_meridian: f64) -> (f64, f64) {
    let n = F / (2.0 - F);
    let (n2, n3, n4) = (n * n, n * n * n, n * n * n * n);
    let radius = A / (1.0 + n) * (1.0 + n2 / 4.0 + n4 / 64.0);
    let series = [
        n / 2.0 - 2.0 / 3.0 * n2 + 5.0 / 16.0 * n3 + 41.0 / 180.0 * n4,
        13.0 / 48.0 * n2 - 3.0 / 5.0 * n3 + 557.0 / 1440.0 * n4,
        61.0 / 240.0 * n3 - 103.0 / 140.0 * n4,
        49561.0 / 161_280.0 * n4,
    ];
    let e = sqrt(E2);
    let s = sin(g.latitude * RAD);
    let l = (g.longitude - central_meridian) * RAD;
    let t = sinh(atanh(s) - e * atanh(e * s));
    let xi = atan2(t, cos(l));
    let eta = asinh(sin(l) / sqrt(t * t + cos(l) * cos(l)));
    let (mut x, mut y) = (eta, xi);
    for (j, a) in (1..=4).zip(series) {
        let k = 2.0 * f64::from(j);
        x += a * cos(k * xi) * sinh(k * eta);
        y += a * sin(k * xi) * cosh(k * eta);
    }
    (500_000.0 + 0.9996 * radius * x, 0.9996 * radius * y)
}

/// Angle of a slope, deg.
#[must_use]
pub fn slope_deg(rise: f64, run: f64) -> f64 {
    atan(rise / run) / RAD
}
