//! The crate `proj` calls the same library in its own way, written by others. What stands in `proj_context` must give what it gives:
//! a wrong order of axes, a wrong unit or another operation would show here.

#![allow(missing_docs, clippy::unwrap_used, clippy::panic)]

use pipeline_base::place::Locality;
use pipeline_base::table::schema::Epoch;
use proj::{Proj, ProjBuilder};
use survey_geodesy::operation::Operation;
use survey_geodesy::operation::request::OperationRequest;
use survey_geodesy::projection::Projection;

/// Longest difference of a coordinate, m or ft.
const SAME: f64 = 1e-6;
/// The same of a latitude or longitude, deg: a tenth of a millimetre.
const SAME_DEG: f64 = 1e-9;

/// The other crate, with nothing of this machine in sight.
fn theirs(from: &str, to: &str) -> Proj {
    let mut builder = ProjBuilder::new();
    builder.set_search_paths("/nonexistent").unwrap();
    builder.proj_known_crs(from, to, None).unwrap_or_else(|e| panic!("{from} to {to}: {e}"))
}

fn near(ours: (f64, f64), theirs: (f64, f64), within: f64, what: &str) {
    assert!((ours.0 - theirs.0).abs() <= within && (ours.1 - theirs.1).abs() <= within, "{what}: {ours:?} and {theirs:?}");
}

#[test]
fn a_projection_gives_what_the_crate_gives() {
    // Transverse Mercator, conic in feet, oblique, stereographic; metres and feet, both orders of axes. Places as latitude, longitude.
    let codes = [
        ("EPSG:6345", [(28.21, -86.62), (41.9, -84.2), (0.5, -89.9)]),
        ("EPSG:6499", [(42.71, -84.48), (41.72, -86.0), (43.9, -82.6)]),
        ("EPSG:27700", [(51.5, -0.12), (57.15, -2.1), (50.1, -5.5)]),
        ("EPSG:2056", [(46.95, 7.44), (46.0, 8.95), (47.6, 9.2)]),
        ("EPSG:3006", [(59.3, 18.1), (67.8, 20.2), (55.6, 13.0)]),
        ("EPSG:28992", [(52.1, 5.2), (53.4, 6.8), (51.4, 3.6)]),
        ("EPSG:2193", [(-41.3, 174.8), (-36.8, 174.7), (-46.4, 168.3)]),
    ];
    for (code, places) in codes {
        let projection = Projection::plan(code).unwrap_or_else(|p| panic!("{code}: {}", p.finding.what));
        let other = theirs(&projection.base, code);
        for (latitude, longitude) in places {
            let ours = projection.at(latitude, longitude).unwrap();
            let want = other.convert((longitude, latitude)).unwrap();
            near((ours.easting, ours.northing), want, SAME, code);
        }
    }
}

/// Frames between which the registry has an operation that needs no grid and does not depend on time: the crate hands on no
/// heights and no times.
#[test]
fn an_operation_gives_what_the_crate_gives() {
    let pairs = [
        // GDA94 to GDA2020, seven parameters.
        ("EPSG:4939", "EPSG:4283", "EPSG:7843", "EPSG:7844", "EPSG:7855", [(-37.8, 144.96), (-33.9, 146.2), (-42.9, 147.3)]),
        // ETRS89 to CH1903+, three parameters.
        ("EPSG:4937", "EPSG:4258", "EPSG:4150", "EPSG:4150", "EPSG:2056", [(46.95, 7.44), (46.0, 8.95), (47.6, 9.2)]),
        // SWEREF99 to RT90, seven parameters.
        ("EPSG:4977", "EPSG:4619", "EPSG:4124", "EPSG:4124", "EPSG:3021", [(59.3, 18.1), (63.8, 20.2), (55.6, 13.0)]),
    ];
    for (from, from_2d, to, to_2d, grid, places) in pairs {
        let (latitude_deg, longitude_deg) = places[0];
        let place = Locality { latitude_deg, longitude_deg, height_m: Some(0.0), receiver_separation_m: None, decimal_year: Some(2026.2) };
        let operation = Operation::choose(&OperationRequest {
            from,
            from_epoch: Epoch::Static,
            from_key: "",
            from_epoch_key: "",
            to,
            to_epoch: None,
            to_key: "",
            locality: Some(place),
            budget_m: 5.0,
            written: None,
            motion: None,
            folders: &[],
            locked: None,
        })
        .unwrap_or_else(|p| panic!("{from} to {to}: {:?}", p.iter().map(|p| &p.finding.what).collect::<Vec<_>>()));
        assert!(!operation.identity && !operation.pipeline.contains("grids="), "{}", operation.pipeline);
        let projection = Projection::plan(grid).unwrap_or_else(|p| panic!("{grid}: {}", p.finding.what));
        let open = operation.open().unwrap();
        let ours = open.object().unwrap();
        let (degrees, plane) = (theirs(from_2d, to_2d), theirs(from_2d, grid));
        for (latitude, longitude) in places {
            let [x, y, _] = ours.carry([longitude, latitude, 0.0, f64::INFINITY]).unwrap();
            // The two frames are metres apart, so that doing nothing would be seen.
            assert!((x - longitude).abs() > 1e-6 || (y - latitude).abs() > 1e-6, "{from} to {to} moves nothing");
            near((x, y), degrees.convert((longitude, latitude)).unwrap(), SAME_DEG, &format!("{from} to {to}"));
            let point = projection.at(y, x).unwrap();
            near((point.easting, point.northing), plane.convert((longitude, latitude)).unwrap(), SAME, &format!("{from} to {grid}"));
        }
    }
}
