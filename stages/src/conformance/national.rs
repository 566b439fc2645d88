//! National lists of test points: every point, through `height-convert` and `reproject`, within the tolerance that the list
//! claims.

use super::ledger::Line;
use super::packed;
use super::through::{Out, Place, Way, heights, reproject, reproject_table};
use crate::fixture::shared;
use pipeline_base::table::schema::Epoch;
use std::collections::BTreeMap;
use std::sync::LazyLock;
use survey_geodesy::crs::Crs;
use survey_geodesy::ellipsoid::GRS80;

pub(super) static LINES: LazyLock<Vec<Line>> =
    LazyLock::new(|| [map_grid_of_australia(), reference_stations(), netherlands(), great_britain(), denmark()].concat());

#[test]
fn national_lists() {
    for line in LINES.iter() {
        eprintln!("{}", line.markdown());
        assert!(line.worst <= line.tolerance && line.points > 0, "{line:?}");
    }
}

fn text(path: &str) -> Option<String> {
    shared(&format!("data/{path}")).map(|p| std::fs::read_to_string(p).unwrap())
}

fn number(text: &str) -> f64 {
    text.trim().parse().unwrap()
}

/// Largest distance in plan.
fn worst_in_plan(got: &[[f64; 2]], want: &[[f64; 2]]) -> f64 {
    assert_eq!(got.len(), want.len());
    got.iter().zip(want).map(|(g, w)| (g[0] - w[0]).hypot(g[1] - w[1])).fold(0.0, |a, b| if b.is_nan() { f64::NAN } else { a.max(b) })
}

fn metres(system: &str, source: &str, through: &str, points: usize, worst: f64, tolerance: f64) -> Line {
    Line { system: system.to_owned(), source: source.to_owned(), through: through.to_owned(), points, worst, unit: "m", tolerance }
}

/// Points of GDA2020 on the zones of the Map Grid of Australia.
fn by_zone(points: &BTreeMap<u32, Vec<(Place, [f64; 2])>>) -> f64 {
    let worst = points.iter().map(|(zone, points)| {
        let (places, want): (Vec<Place>, Vec<[f64; 2]>) = points.iter().copied().unzip();
        // The zones reach beyond the areas of use of the codes: some stations lie in the next zone's ocean.
        let out = reproject(&Way::new("EPSG:7843", &format!("EPSG:78{zone}")), &places);
        worst_in_plan(&out.grid("m"), &want)
    });
    worst.fold(0.0, f64::max)
}

fn map_grid_of_australia() -> Vec<Line> {
    let (Some(geo), Some(grid)) =
        (text("reference_values/mga/Test_Conversion_Geo.csv"), text("reference_values/mga/Test_Conversion_Grid.csv"))
    else {
        return vec![];
    };
    let places: BTreeMap<&str, Place> = geo
        .lines()
        .map(|line| {
            let f: Vec<&str> = line.split(',').collect();
            (f[0], (packed(number(f[1])), packed(number(f[2])), 0.0))
        })
        .collect();
    let mut zones: BTreeMap<u32, Vec<(Place, [f64; 2])>> = BTreeMap::new();
    for line in grid.lines() {
        let f: Vec<&str> = line.split(',').collect();
        zones.entry(f[1].parse().unwrap()).or_default().push((places[f[0]], [number(f[2]), number(f[3])]));
    }
    let points: usize = zones.values().map(Vec::len).sum();
    assert_eq!(points, places.len());
    let source = "Geoscience Australia test conversion, all points";
    vec![metres("Map Grid of Australia 2020, plan", source, "`reproject`", points, by_zone(&zones), 0.001)]
}

fn reference_stations() -> Vec<Line> {
    let Some(list) = text("control_points/australia_reference_stations_even.txt") else { return vec![] };
    let mut zones: BTreeMap<u32, Vec<(Place, [f64; 2])>> = BTreeMap::new();
    let (mut geocentric, mut points) = (0.0_f64, 0);
    for line in list.lines() {
        let f: Vec<&str> = line.split_whitespace().collect();
        let place = (packed(number(f[5])), packed(number(f[6])), number(f[8]));
        zones.entry(f[4].parse().unwrap()).or_default().push((place, [number(f[2]), number(f[3])]));
        let got = GRS80.geocentric(place.0, place.1, place.2);
        geocentric = (0..3).map(|i| (got[i] - number(f[9 + i])).abs()).fold(geocentric, f64::max);
        points += 1;
    }
    let source = "reference stations of the national adjustment, all points";
    vec![
        metres("GDA2020 stations on MGA2020, plan", source, "`reproject`", points, by_zone(&zones), 0.001),
        metres("GDA2020 stations, geocentric", source, "ellipsoid", points, geocentric, 0.0005),
    ]
}

fn netherlands() -> Vec<Line> {
    let (Some(list), Some(grid)) =
        (text("reference_values/rdnaptrans2018_validation_even.txt"), shared("data/grids/nl_nsgi_nlgeo2018.tif"))
    else {
        return vec![];
    };
    let rows: Vec<Vec<&str>> = list.lines().map(|l| l.split_whitespace().collect()).collect();
    let places: Vec<Place> = rows.iter().map(|f| (number(f[1]), number(f[2]), number(f[3]))).collect();
    // ETRS89 is a group of realisations that the registry holds to be good to 0.1 m; a tighter budget refuses it as a source.
    let high = heights("EPSG:4937", Epoch::Static, &grid, "EPSG:5709", "m", 0.1, &places);
    let way = Way::new("EPSG:4937", "EPSG:28992").place(52.1, 5.4).budget(0.1).grids(grid.parent().unwrap());
    let out = reproject_table(&way, &high.table, &places);
    let (height, at) = (high.column("height_m"), out.grid("m"));
    let area = Crs::look_up("EPSG:28992").unwrap().area.unwrap();
    let (mut plan, mut up, mut planar, mut levelled, mut refused, mut rim) = (0.0_f64, 0.0_f64, 0, 0, 0, 0);
    for (i, f) in rows.iter().enumerate() {
        if let Ok(nap) = f[6].parse::<f64>() {
            up = up.max((height[i] - nap).abs());
            assert!(up <= 0.001, "{f:?} {}", height[i]);
            levelled += 1;
        } else {
            // A star: the publisher gives no height there, so neither may the product.
            assert!(height[i].is_nan(), "{f:?}");
            refused += 1;
            continue;
        }
        let off = (at[i][0] - number(f[4])).hypot(at[i][1] - number(f[5]));
        let on_edge = |v: f64, edges: [f64; 2]| edges.iter().any(|e| (v - e).abs() < 0.002);
        if on_edge(places[i].1, [2.0, 8.0]) || on_edge(places[i].0, [50.0, 56.0]) {
            // On the rim of the grid the inverse steps off it; the area of use ends far inside, and such a point is a block.
            assert!(!area.contains(places[i].0, places[i].1), "{f:?}");
            rim += 1;
            continue;
        }
        assert!(off <= 0.001, "{f:?} {:?}", at[i]);
        plan = plan.max(off);
        planar += 1;
    }
    assert!(refused > 0 && said(&high, "height/outside-geoid") && said(&out, "frame/outside-area"));
    let source = format!("RDNAPTRANS2018 validation, all points ({rim} on the rim and {refused} outside the grid are refused)");
    vec![
        metres("Amersfoort / RD New, plan", &source, "`height-convert`, `reproject`", planar, plan, 0.001),
        metres("NAP height, NLGEO2018", &source, "`height-convert`", levelled, up, 0.001),
    ]
}

fn said(out: &Out, code: &str) -> bool {
    out.findings.iter().any(|f| f.code == code)
}

/// The projection of the British National Grid on ETRS89, to which OSTN15 adds its shifts.
const ETRS89_NATIONAL_GRID: &str = r#"PROJCRS["ETRS89 / National Grid projection",BASEGEOGCRS["ETRS89",DATUM["European Terrestrial Reference System 1989",ELLIPSOID["GRS 1980",6378137,298.257222101]],ID["EPSG",4258]],CONVERSION["British National Grid",METHOD["Transverse Mercator",ID["EPSG",9807]],PARAMETER["Latitude of natural origin",49],PARAMETER["Longitude of natural origin",-2],PARAMETER["Scale factor at natural origin",0.9996012717],PARAMETER["False easting",400000],PARAMETER["False northing",-100000]],CS[Cartesian,2],AXIS["easting (E)",east],AXIS["northing (N)",north],LENGTHUNIT["metre",1]]"#;

fn great_britain() -> Vec<Line> {
    let (Some(input), Some(output), Some(grid)) = (
        text("reference_values/ostn15/OSTN15_OSGM15_TestInput_ETRStoOSGB.txt"),
        text("reference_values/ostn15/OSTN15_OSGM15_TestOutput_ETRStoOSGB.txt"),
        shared("data/grids/uk_os_OSGM15_GB.tif"),
    ) else {
        return vec![];
    };
    let split = |text: &str| text.lines().skip(1).map(|l| l.split(',').map(str::to_owned).collect()).collect::<Vec<Vec<String>>>();
    let (input, output) = (split(&input), split(&output));
    let places: Vec<Place> = input.iter().map(|f| (number(&f[1]), number(&f[2]), number(&f[3]))).collect();
    let high = heights("EPSG:4937", Epoch::Static, &grid, "EPSG:5701", "m", 0.1, &places);
    let way = Way::new("EPSG:4937", "EPSG:27700").place(52.4, -1.5).budget(0.1).grids(grid.parent().unwrap());
    let out = reproject_table(&way, &high.table, &places);
    let want: Vec<[f64; 2]> = output.iter().map(|o| [number(&o[1]), number(&o[2])]).collect();
    let plan = worst_in_plan(&out.grid("m"), &want);
    let height = high.column("height_m");
    let (mut up, mut levelled) = (0.0_f64, 0);
    for (i, o) in output.iter().enumerate() {
        assert_eq!(input[i][0], o[0]);
        // Flag 1 is the mainland; the others have datums of their own, in other grids.
        if o[4] == "1" {
            up = up.max((height[i] - number(&o[3])).abs());
            levelled += 1;
        }
    }
    // The list claims 1 mm for the original grid, which counts in metres of the projection; the file here is a form of it
    // resampled to degrees. That nothing else is off: with the shifts that the list itself has for each point (columns Se,
    // Sn), the same projection on the ellipsoid of ETRS89 gives every published coordinate.
    let flat = reproject(&Way::new("EPSG:4937", ETRS89_NATIONAL_GRID).place(52.4, -1.5).budget(0.1), &places).grid("m");
    let own: Vec<[f64; 2]> =
        output.iter().map(|o| [number(&o[1]) - number(&o[o.len() - 3]), number(&o[2]) - number(&o[o.len() - 2])]).collect();
    let source = "Ordnance Survey test files, all points; the grid file is a resampled form";
    vec![
        metres("OSGB36 / British National Grid, OSTN15, plan", source, "`height-convert`, `reproject`", want.len(), plan, 0.01),
        metres(
            "British National Grid, OSTN15 with the list's own shifts, plan",
            "Ordnance Survey test files, all points",
            "`reproject`",
            own.len(),
            worst_in_plan(&flat, &own),
            // Published coordinates and the positions that they came from are both rounded to the millimetre.
            0.0015,
        ),
        metres("ODN height, OSGM15, mainland", source, "`height-convert`", levelled, up, 0.003),
    ]
}

fn denmark() -> Vec<Line> {
    let (Some(list), Some(grid)) = (text("reference_values/denmark_dnn.gie"), shared("data/grids/dk_sdfe_dnn.tif")) else { return vec![] };
    let numbers = |l: &str| l.split_whitespace().skip(1).map(number).collect::<Vec<f64>>();
    let (mut places, mut want): (Vec<Place>, Vec<f64>) = (vec![], vec![]);
    for line in list.lines() {
        if line.starts_with("accept") {
            let v = numbers(line);
            places.push((v[1], v[0], v[2]));
        } else if line.starts_with("expect") {
            want.push(numbers(line)[2]);
        }
    }
    let out = heights("EPSG:4937", Epoch::Static, &grid, "EPSG:5733", "m", 0.1, &places).undisturbed();
    let worst = out.column("height_m").iter().zip(&want).map(|(g, w)| (g - w).abs()).fold(0.0, f64::max);
    // The list was made with the GTX form of the grid; the GeoTIFF form is resampled.
    let source = "Danish list for the DNN grid, all points; the grid file is a resampled form";
    vec![metres("DNN height", source, "`height-convert`", want.len(), worst, 0.0035)]
}
