//! Laws that hold whatever the numbers are: there and back is where one began, the order of rows means nothing, and a table
//! in two halves is the table.

use super::through::{Place, Way, heights, reproject};
use crate::fixture::write_gtx;
use pipeline_base::table::schema::Epoch;
use proptest::prelude::*;
use survey_geodesy::Tangent;
use survey_geodesy::ellipsoid::GRS80;

/// Distance of two positions, m.
fn apart(a: Place, b: Place) -> f64 {
    Tangent::new(a.0, a.1, a.2, GRS80).enu(b.0, b.1, b.2).iter().map(|v| v * v).sum::<f64>().sqrt()
}

fn places(latitude: std::ops::Range<f64>, longitude: std::ops::Range<f64>) -> impl Strategy<Value = Vec<Place>> {
    prop::collection::vec((latitude, longitude, -100.0..3000.0_f64), 1..12)
}

/// There by one pair of codes, back by the other.
fn there_and_back(there: &Way, back: &Way, places: &[Place]) -> f64 {
    let away = reproject(there, places).undisturbed().places();
    let home = reproject(back, &away).undisturbed().places();
    places.iter().zip(home).map(|(a, b)| apart(*a, b)).fold(0.0, f64::max)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]

    #[test]
    fn static_frames_there_and_back(places in places(-38.0..-12.0, 115.0..152.0)) {
        let off = there_and_back(&Way::new("EPSG:4939", "EPSG:7843"), &Way::new("EPSG:7843", "EPSG:4939"), &places);
        // The seven parameters are linear; their product leaves less than a tenth of a millimetre.
        prop_assert!(off < 1e-4, "{off}");
    }

    #[test]
    fn frames_that_move_there_and_back(places in places(26.0..48.0, -122.0..-70.0), year in 2000.0..2040.0_f64) {
        let there = Way::new("EPSG:9989", "EPSG:6319").at(year);
        let back = Way { to_epoch: Some(year), ..Way::new("EPSG:6319", "EPSG:9989") };
        let off = there_and_back(&there, &back, &places);
        prop_assert!(off < 1e-4, "{off}");
    }

    #[test]
    fn one_way_or_by_a_third_frame(places in places(36.0..65.0, -8.0..25.0), year in 2005.0..2035.0_f64) {
        // ITRF2020 to ITRF2014 to ETRF2000 is ITRF2020 to ETRF2000, within what the published parameters are rounded to.
        let by = reproject(&Way { to_epoch: Some(year), ..Way::new("EPSG:9989", "EPSG:7912").at(year) }, &places).undisturbed().places();
        let two = reproject(&Way::new("EPSG:7912", "EPSG:7931").at(year), &by).undisturbed().places();
        let one = reproject(&Way::new("EPSG:9989", "EPSG:7931").at(year), &places).undisturbed().places();
        let off = one.iter().zip(&two).map(|(a, b)| apart(*a, *b)).fold(0.0, f64::max);
        prop_assert!(off < 2e-3, "{off}");
    }

    #[test]
    fn the_order_of_rows_and_the_cut_mean_nothing(places in places(41.75..43.5, -86.0..-83.0), cut in 0..12_usize, turn in 0..12_usize) {
        let way = Way::new("EPSG:9989", "EPSG:6498").at(2025.5);
        let all = |places: &[Place]| -> Vec<[u64; 5]> {
            if places.is_empty() {
                return vec![];
            }
            let out = reproject(&way, places).undisturbed();
            let (grid, places, scale) = (out.grid("m"), out.places(), out.column("scale_factor"));
            (0..grid.len()).map(|i| [grid[i][0], grid[i][1], places[i].0, places[i].2, scale[i]].map(f64::to_bits)).collect()
        };
        let whole = all(&places);
        let (cut, turn) = (cut % places.len(), turn % places.len());
        let halves = [all(&places[..cut]), all(&places[cut..])].concat();
        prop_assert_eq!(&whole, &halves);
        let mut turned = places.clone();
        turned.rotate_left(turn);
        turned.reverse();
        let mut want = whole;
        want.rotate_left(turn);
        want.reverse();
        prop_assert_eq!(all(&turned), want);
    }

    #[test]
    fn heights_of_a_plane_are_the_plane(places in places(27.05..28.4, -88.4..-86.1), cut in 0..12_usize) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("plane.gtx");
        write_gtx(&path, 26.0, -89.0, 0.5, 6, 7, crate::fixture::plane);
        let convert = |places: &[Place]| -> Vec<f64> {
            if places.is_empty() {
                return vec![];
            }
            heights("EPSG:6319", Epoch::Static, &path, "INVENTED", "m", 0.05, places).undisturbed().column("height_m")
        };
        let whole = convert(&places);
        for (p, height) in places.iter().zip(&whole) {
            // The nodes hold 32 bits: 1e-6 m at 26 m.
            prop_assert!((height - (p.2 - crate::fixture::plane(p.0, p.1))).abs() < 3e-6);
        }
        let cut = cut % places.len();
        prop_assert_eq!(&whole, &[convert(&places[..cut]), convert(&places[cut..])].concat());
    }
}
