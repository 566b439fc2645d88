//! The generator's own mathematics against PROJ 9.5.1 (pyproj 3.7.2, EPSG v11.022), computed outside this repository.
#![allow(missing_docs, clippy::expect_used)]

use generator::earth::{Geodetic, geocentric, geodetic, itrf2020_to_nad83, length, nad83_to_itrf2020, sub, utm};

const fn at(latitude: f64, longitude: f64, height: f64) -> Geodetic {
    Geodetic { latitude, longitude, height }
}

fn distance(a: Geodetic, b: Geodetic) -> f64 {
    length(sub(geocentric(a), geocentric(b)))
}

#[test]
fn change_of_frame() {
    // EPSG:9989 to EPSG:6319 with an epoch.
    let cases = [
        (at(27.52, -86.61, -23.6), 2026.208, at(27.519_994_808_00, -86.609_991_623_30, -22.110_87)),
        (at(42.73, -84.55, 220.0), 2025.5, at(42.729_991_402_77, -84.549_988_932_94, 221.090_27)),
        (at(34.1, -118.2, 50.0), 2020.0, at(34.099_997_535_48, -118.199_984_522_66, 50.690_20)),
    ];
    for (from, year, to) in cases {
        let got = geodetic(itrf2020_to_nad83(geocentric(from), year));
        assert!(distance(got, to) < 1e-5, "{got:?} {to:?}");
        let back = geodetic(nad83_to_itrf2020(geocentric(got), year));
        assert!(distance(back, from) < 1e-8, "{back:?}");
    }
}

#[test]
fn geocentric_both_ways() {
    let g = at(27.52, -86.61, -22.5);
    let x = geocentric(g);
    assert!(length(sub(x, [334_716.028_86, -5_650_569.914_59, 2_929_425.535_76])) < 1e-5, "{x:?}");
    for g in [g, at(0.0, 10.0, 5.0), at(-89.99, 179.9, 4000.0)] {
        assert!(distance(geodetic(geocentric(g)), g) < 1e-8);
    }
}

#[test]
fn projection() {
    // EPSG:6319 to EPSG:6345.
    for (g, e, n) in [
        (at(27.52, -86.61, 0.0), 538_514.525_475, 3_044_092.728_613),
        (at(42.73, -84.55, 0.0), 700_572.554_343, 4_733_743.193_680),
        (at(25.1, -89.7, 0.0), 227_699.756_445, 2_778_743.657_118),
    ] {
        let (x, y) = utm(g, -87.0);
        assert!((x - e).abs() < 2e-6 && (y - n).abs() < 2e-6, "{x} {y}");
    }
}

#[test]
fn geoid_grid() {
    // `vgridshift` on the committed file; it gives minus the separation.
    let grid = generator::scene::grid();
    for (latitude, longitude, height) in
        [(27.520_072_194_7, -86.610_121_465, 24.599_565), (27.4777, -86.5631, 24.835_343), (27.43, -86.7, 24.713_408)]
    {
        let n = grid.separation(at(latitude, longitude, 0.0));
        assert!((n + height).abs() < 2e-6, "{n}");
    }
}
