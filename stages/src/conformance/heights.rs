//! The cases of `03_heights_geoid.csv`, through `height-convert`.

// Numbers stand as their sources print them.
#![allow(clippy::inconsistent_digit_grouping)]

use super::ledger::Ledger;
use super::through::{Place, heights};
use crate::fixture::{shared, write_gtx};
use crate::ingest::nmea::tests::ellipsoidal_heights;
use pipeline_base::table::schema::Epoch;
use std::path::Path;
use std::sync::LazyLock;

pub(super) static LEDGER: LazyLock<Ledger> = LazyLock::new(|| {
    let mut l = Ledger::default();
    received(&mut l);
    constant_models(&mut l);
    one_cell(&mut l);
    if let Some(grid) = shared("data/grids/us_nga_egm96_15.tif") {
        egm96(&mut l, &grid);
    }
    l
});

#[test]
fn cases_of_the_third_list() {
    assert!(LEDGER.checked.len() > 5, "{}", LEDGER.checked.len());
}

/// Separation and height of one place, ITRF2014 at 2020.0.
fn convert(grid: &Path, datum: &str, place: Place) -> (f64, f64) {
    let out = heights("EPSG:7912", Epoch::Fixed(2020.0), grid, datum, "m", 0.05, &[place]).undisturbed();
    (out.column("geoid_separation_m")[0], out.column("height_m")[0])
}

/// Altitude plus separation is what `ingest-nmea` makes of a sentence; a date stands before it, as the reader demands.
fn received(l: &mut Ledger) {
    for (id, rmc, gga, want) in [
        (
            "S-HEIGHT-GGA-1",
            "GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W",
            "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
            592.300,
        ),
        (
            "S-HEIGHT-GGA-2",
            "GPRMC,092750.000,A,5321.68020,N,00630.33720,W,0.02,31.66,280511,,,A",
            "$GPGGA,092750.000,5321.68020,N,00630.33720,W,1,8,1.03,61.7,M,55.2,M,,*76",
            116.900,
        ),
    ] {
        let sum = rmc.bytes().fold(0, |a, b| a ^ b);
        let heights = ellipsoidal_heights(&format!("${rmc}*{sum:02X}\r\n{gga}\r\n"));
        assert_eq!(heights.len(), 1, "{id}");
        l.near(id, "ellipsoidal height", heights[0], want, 1e-6, "m");
    }
}

/// Cases that state N: no grid is needed, the arithmetic and its sign are.
fn constant_models(l: &mut Ledger) {
    let folder = tempfile::tempdir().unwrap();
    let flat = |name: &str, n: f64| {
        let path = folder.path().join(name);
        write_gtx(&path, -36.0, 149.0, 0.5, 3, 3, |_, _| n);
        path
    };
    // Canberra in GDA2020. N of AUSGeoid2020 as the case implies it; AVWS lies 0.127 m lower.
    let place = (-35.344_052_12, 149.158_476_73, 594.495);
    let (n, ahd) = convert(&flat("ahd.gtx", 594.495 - 575.176), "INVENTED", place);
    l.near("S-AHD-CANBERRA", "AHD height", ahd, 575.176, 0.005, "m");
    l.near("S-AHD-CANBERRA", "N implied", n, 19.319, 0.005, "m");
    let (_, avws) = convert(&flat("avws.gtx", 594.495 - 575.303), "INVENTED", place);
    l.near("S-AHD-CANBERRA", "AVWS height", avws, 575.303, 0.005, "m");
}

fn one_cell(l: &mut Ledger) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("cell.gtx");
    write_gtx(&path, 40.0, -100.0, 1.0, 2, 2, |la, lo| match (la > 40.5, lo > -99.5) {
        (false, false) => -28.114,
        (false, true) => -28.236,
        (true, false) => -28.051,
        (true, true) => -28.19,
    });
    let (n, _) = convert(&path, "INVENTED", (40.6, -99.75, 0.0));
    l.near("S-BILINEAR-A", "N", n, -28.109_250, 1e-6, "m");
}

/// The 15-minute grid, bilinear: the case allows this method 0.6 m against the harmonic model itself.
fn egm96(l: &mut Ledger, grid: &Path) {
    const BILINEAR: f64 = 0.6;
    for (id, latitude, longitude, n15) in [
        ("S-EGM96-1", 38.628_155, 269.779_155, -31.628),
        ("S-EGM96-3", 46.874_319, 102.448_729, -43.575),
        ("S-EGM96-4", -23.617_446, 133.874_712, 15.871),
        ("S-EGM96-6", -0.466_744, 0.002_3, 17.329),
    ] {
        let east = if longitude > 180.0 { longitude - 360.0 } else { longitude };
        let (n, _) = convert(grid, "EPSG:5773", (latitude, east, 100.0));
        l.near(id, "N from 15-minute grid", n, n15, BILINEAR, "m");
    }
    // The sign of S-EGM96-PROJ-1; its value is that of a coarser grid (see coverage.rs). The node of the grid holds 36.021305.
    let (n, height) = convert(grid, "EPSG:5773", (55.5, 12.5, 0.0));
    assert!((n - 36.021_305).abs() < 1e-5 && (height + n).abs() < 1e-12, "{n} {height}");
    // Places of the NGA test points 2 and 5 (from memory; the values stand in the case).
    let (low, _) = convert(grid, "EPSG:5773", (-14.621_217, -54.978_886, 0.0));
    let (high, _) = convert(grid, "EPSG:5773", (38.625_473, -0.000_5, 0.0));
    assert!((low.abs() - 2.969).abs() < BILINEAR && (high.abs() - 50.066).abs() < BILINEAR, "{low} {high}");
}
