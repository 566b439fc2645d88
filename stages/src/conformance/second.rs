//! A second engine: the crate `geodesy`, which shares no code with PROJ, on ten thousand random points in each of a dozen
//! systems, beside `reproject`.

use super::ledger::Line;
use super::through::{Place, Way, base_of, reproject};
use geodesy::prelude::*;
use pipeline_base::table::schema::Epoch;
use std::sync::LazyLock;
use survey_geodesy::area::Area;
use survey_geodesy::crs::Crs;
use survey_geodesy::ellipsoid::GRS80;

const POINTS: usize = 10_000;
/// Issue and design ask for 0.1 mm.
const AGREE_M: f64 = 1e-4;

/// Random places where the areas of use of two systems overlap, the same in every run.
fn places(from: &str, to: &str) -> Vec<Place> {
    let (mut area, other) = (Crs::look_up(to).unwrap().area.unwrap(), Crs::look_up(from).unwrap().area);
    if area.west > area.east {
        // From the Aleutians to the Virgin Islands: the main land will do.
        area = Area { west: -124.0, south: 25.0, east: -67.0, north: 49.0, name: area.name };
    }
    // Another box across the 180th meridian is left alone: the grids here lie well inside it.
    if let Some(other) = other.filter(|o| o.west < o.east) {
        (area.south, area.north) = (area.south.max(other.south), area.north.min(other.north));
        (area.west, area.east) = (area.west.max(other.west), area.east.min(other.east));
    }
    let mut state = 0_u64;
    let mut between = |low: f64, high: f64| {
        // SplitMix64 (Steele and others 2014): a mixed counter is random enough for places.
        state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let z = (state ^ (state >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        #[allow(clippy::cast_precision_loss)]
        let unit = ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64;
        low + (high - low) * unit
    };
    // Inside by a hair, so that no point lies outside by rounding.
    let inside = |low: f64, high: f64| (low + 1e-6, high - 1e-6);
    let ((south, north), (west, east)) = (inside(area.south, area.north), inside(area.west, area.east));
    (0..POINTS).map(|_| (between(south, north), between(west, east), between(-50.0, 2500.0))).collect()
}

/// What the second engine gives for longitude, latitude (radians), height and year.
fn second(definition: &str, points: &[Place], year: f64) -> Vec<Coor4D> {
    let mut context = Minimal::new();
    let operation = context.op(definition).unwrap_or_else(|e| panic!("{definition}: {e}"));
    let mut data: Vec<Coor4D> = points.iter().map(|p| Coor4D([p.1.to_radians(), p.0.to_radians(), p.2, year])).collect();
    assert_eq!(context.apply(operation, Fwd, &mut data).unwrap(), points.len());
    data
}

/// Code and the definition for the second engine, as the registry and the publisher of each grid have the parameters.
const GRIDS: [(&str, &str, &str); 10] = [
    ("EPSG:25832", "UTM zone 32 north, ETRS89", "utm zone=32"),
    ("EPSG:7855", "Map Grid of Australia 2020, zone 55", "utm zone=55 south"),
    (
        "EPSG:27700",
        "British National Grid",
        "tmerc ellps=6377563.396,299.3249646 lat_0=49 lon_0=-2 k_0=0.9996012717 x_0=400000 y_0=-100000",
    ),
    ("EPSG:2193", "New Zealand Transverse Mercator", "tmerc lat_0=0 lon_0=173 k_0=0.9996 x_0=1600000 y_0=10000000"),
    ("EPSG:2154", "Lambert-93", "lcc lat_1=49 lat_2=44 lat_0=46.5 lon_0=3 x_0=700000 y_0=6600000"),
    (
        "EPSG:6498",
        "Michigan South, NAD83(2011)",
        "lcc lat_1=43.66666666666666 lat_2=42.1 lat_0=41.5 lon_0=-84.36666666666666 x_0=4000000 y_0=0",
    ),
    ("EPSG:3035", "Lambert azimuthal equal area of Europe", "laea lat_0=52 lon_0=10 x_0=4321000 y_0=3210000"),
    (
        "EPSG:2056",
        "Swiss LV95",
        "somerc ellps=6377397.155,299.1528128 lat_0=46.95240555555556 lon_0=7.439583333333333 k_0=1 x_0=2600000 y_0=1200000",
    ),
    // In this method the crate takes lon_0 in radians and the false origin with the other sign: its easting is
    // 0.997 a rad(110) - 3900000, its northing -900000.
    ("EPSG:3001", "Batavia / NEIEZ, Mercator", "merc ellps=6377397.155,299.1528128 lon_0=0 k_0=0.997 x_0=8306992.416067125 y_0=-900000"),
    (
        "EPSG:6394",
        "Alaska zone 1, Hotine oblique Mercator",
        "omerc latc=57 lonc=-133.6666666666667 alpha=323.1301023611111 gamma_c=323.1301023611111 k_0=0.9999 x_0=5000000 y_0=-5000000",
    ),
];

/// Frame changes: codes, year, definition.
const FRAMES: [(&str, &str, &str, f64, &str); 3] = [
    (
        "EPSG:4939",
        "EPSG:7843",
        "GDA94 to GDA2020, seven parameters",
        2020.0,
        "helmert translation=0.06155,-0.01087,-0.04019 rotation=-0.0394924,-0.0327221,-0.0328979 scale=-0.009994 convention=coordinate_frame",
    ),
    (
        "EPSG:7912",
        "EPSG:7843",
        "ITRF2014 to GDA2020, motion of the plate",
        2027.25,
        "helmert angular_velocity=0.00150379,0.00118346,0.00120716 convention=coordinate_frame t_epoch=2020",
    ),
    (
        "EPSG:9989",
        "EPSG:6319",
        "ITRF2020 to NAD 83(2011), fourteen parameters",
        2025.5,
        "helmert translation=1.0039,-1.90961,-0.54117 velocity=0.00079,-0.0007,-0.00124 rotation=0.02678138,-0.00042027,0.01093206 angular_velocity=0.00006667,-0.00075744,-0.00005133 scale=-0.00005109 scale_trend=-0.00007201 convention=coordinate_frame t_epoch=2010",
    ),
];

fn line(system: &str, worst: f64) -> Line {
    Line {
        system: system.to_owned(),
        source: "second engine (crate `geodesy`), random points in the area of use".to_owned(),
        through: "`reproject`".to_owned(),
        points: POINTS,
        worst,
        unit: "m",
        tolerance: AGREE_M,
    }
}

pub(super) static LINES: LazyLock<Vec<Line>> = LazyLock::new(|| {
    let mut lines = vec![];
    for (code, title, definition) in GRIDS {
        let base = base_of(code);
        let places = places(&base, code);
        let way = Way { epoch: Epoch::Static, ..Way::new(&base, code) }.budget(2.0);
        let got = reproject(&way, &places).undisturbed().grid("m");
        let want = second(definition, &places, 2020.0);
        let off = got.iter().zip(&want).map(|(g, w)| (g[0] - w[0]).hypot(g[1] - w[1]));
        lines.push(line(&format!("`{code}` {title}"), off.fold(0.0, f64::max)));
    }
    for (from, to, title, year, definition) in FRAMES {
        let places = places(from, to);
        let got = reproject(&Way::new(from, to).at(year), &places).undisturbed().places();
        let want = second(&format!("cart | {definition}"), &places, year);
        let off = got.iter().zip(&want).map(|(g, w)| {
            let x = GRS80.geocentric(g.0, g.1, g.2);
            (0..3).map(|i| (x[i] - w[i]).powi(2)).sum::<f64>().sqrt()
        });
        lines.push(line(&format!("`{from}` to `{to}` {title}"), off.fold(0.0, f64::max)));
    }
    lines
});

#[test]
fn a_second_engine_agrees() {
    for line in LINES.iter() {
        eprintln!("{}", line.markdown());
    }
    for line in LINES.iter() {
        assert!(line.worst <= line.tolerance, "{line:?}");
    }
    assert!(LINES.len() >= 10);
}
