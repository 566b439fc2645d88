use super::*;
use proptest::prelude::*;

const HEAD: &str = "point,easting_m,northing_m,height_m,height_datum,crs,epoch,sigma_horizontal_m,sigma_up_m,source,date,use\n";

fn codes(problems: &[Problem]) -> Vec<&str> {
    problems.iter().map(|p| p.finding.code.as_str()).collect()
}

#[test]
fn a_list_in_metres_and_one_in_feet() {
    let text = format!(
        "{HEAD}CP1,538502.501,3044100.693,2.217,Saltgrass 2026,EPSG:6345,,0.004,0.005,static survey,2026-02-11,\nB1,1,2,,,EPSG:6345,,0.01,,deed,1998-05-01,base\n"
    );
    let marks = parse("c.csv", text.as_bytes()).unwrap();
    assert_eq!(marks.len(), 2);
    assert_eq!(marks[0].place, Place::Grid { easting_m: 538_502.501, northing_m: 3_044_100.693, unit: Unit::Metre });
    assert_eq!(marks[0].height.as_ref().unwrap().datum.as_deref(), Some("Saltgrass 2026"));
    assert_eq!((marks[1].used_as, marks[1].height.clone(), marks[1].at), (Use::Base, None, At::Line(3)));
    let feet = "point,easting_ftUS,northing_ftUS,crs,sigma_horizontal_m,source,date\nA,3937,3937,EPSG:2225,0.01,x,2026-01-01\n";
    let marks = parse("c.csv", feet.as_bytes()).unwrap();
    // S-FOOT-RATIO of checks/05_fault_magnitudes.csv: the US survey foot is 1200/3937 m.
    assert!(matches!(marks[0].place, Place::Grid { easting_m, unit: Unit::UsSurveyFoot, .. } if (easting_m - 1200.0).abs() < 1e-9));
}

#[test]
fn nothing_is_assumed() {
    let line = |l: &str| parse("c.csv", format!("{HEAD}{l}\n").as_bytes()).unwrap_err();
    let none = line("CP1,1,2,3,,,,,,,,");
    assert_eq!(codes(&none), vec!["control/no-column"; 5], "{none:#?}");
    assert_eq!(codes(&line("A,1,2,3,ellipsoid,EPSG:1,,0.01,0.01,x,11.2.2026,")), ["control/bad-value"]);
    assert_eq!(codes(&line("A,1,NaN,,,EPSG:1,,0.01,,x,2026-02-11,")), ["control/bad-value"]);
    assert_eq!(codes(&line("A,1,2,,,EPSG:1,,-1,,x,2026-02-11,")), ["control/bad-value"]);
    assert_eq!(codes(&line("A,1,2,,,EPSG:1,,0.1,,x,2026-02-11,maybe")), ["control/bad-value"]);
    assert_eq!(codes(&parse("c.csv", b"name,easting_m\nA,1\n").unwrap_err()), ["control/no-column"]);
    assert_eq!(codes(&parse("c.csv", HEAD.as_bytes()).unwrap_err()), ["control/no-marks"]);
    assert_eq!(codes(&parse("c.csv", &[0xff, 0xfe, 0x00]).unwrap_err()), ["control/unreadable"]);
}

#[test]
fn geojson_needs_the_frame_that_the_format_cannot_say() {
    let feature = |crs: &str| {
        format!(
            r#"{{"type":"FeatureCollection","features":[{{"type":"Feature","geometry":{{"type":"Point","coordinates":[-86.61,27.52,-22.4]}},
            "properties":{{"point":"CP1",{crs}"sigma_horizontal_m":0.004,"sigma_up_m":0.005,"source":"x","date":"2026-02-11"}}}}]}}"#
        )
    };
    let marks = parse("c.geojson", feature(r#""crs":"EPSG:6319","#).as_bytes()).unwrap();
    assert_eq!(marks[0].place, Place::Geographic { latitude_deg: 27.52, longitude_deg: -86.61 });
    assert_eq!(marks[0].height.as_ref().unwrap().datum, None);
    assert_eq!(marks[0].at, At::Feature(1));
    let refused = parse("c.geojson", feature("").as_bytes()).unwrap_err();
    assert_eq!(codes(&refused), ["control/no-column"]);
    // A feature is named by its number, and never as a line.
    let label = &refused[0].finding.labels[0];
    assert!(label.line.is_none() && label.text.contains("feature 1"), "{label:?}");
    assert_eq!(codes(&parse("c.json", b"[1]").unwrap_err()), ["control/unreadable"]);
    // Grid coordinates in the geometry: no frame makes degrees of them.
    let grid = feature(r#""crs":"EPSG:6345","#).replace("[-86.61,27.52,", "[538502.5,3044100.7,");
    let said = parse("c.geojson", grid.as_bytes()).unwrap_err();
    assert_eq!(codes(&said), ["control/projected-geojson"]);
    assert!(said[0].finding.what.contains("`CP1`") && said[0].finding.what.contains("538502.5 3044100.7"), "{said:?}");
}

proptest! {
    #[test]
    fn no_bytes_break_it(bytes in prop::collection::vec(any::<u8>(), 0..400), json in any::<bool>()) {
        let _ = parse(if json { "a.geojson" } else { "a.csv" }, &bytes);
    }

    #[test]
    fn no_cells_break_it(cells in prop::collection::vec("[-0-9a-zA-Z.:,\"\n é]{0,12}", 1..14)) {
        let _ = parse("a.csv", format!("{HEAD}{}\n", cells.join(",")).as_bytes());
    }
}
