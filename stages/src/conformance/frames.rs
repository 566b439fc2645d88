//! The cases of `02_frames.csv` and the parameters of `02_frame_parameters.csv`. Each operation is the one that the product
//! chooses for the two codes; where the registry has none, the published parameters stand in the reference as a pipeline.

// Numbers stand as their sources print them.
#![allow(clippy::inconsistent_digit_grouping)]

use super::dms;
use super::ledger::Ledger;
use super::through::{Place, Way, around, reproject};
use std::sync::LazyLock;
use survey_geodesy::Tangent;
use survey_geodesy::ellipsoid::GRS80;

pub(super) static LEDGER: LazyLock<Ledger> = LazyLock::new(|| {
    let mut l = Ledger::default();
    australia(&mut l);
    international(&mut l);
    north_america(&mut l);
    l
});

#[test]
fn cases_of_the_second_list() {
    assert!(LEDGER.checked.len() > 30, "{}", LEDGER.checked.len());
}

const XYZ: [&str; 3] = ["X", "Y", "Z"];

fn xyz(place: Place) -> [f64; 3] {
    GRS80.geocentric(place.0, place.1, place.2)
}

fn moved(way: &Way, start: Place) -> Place {
    reproject(way, &[start]).undisturbed().places()[0]
}

fn australia(l: &mut Ledger) {
    // ICSM GDA2020 Technical Manual 3.1.1 and 3.3.1, Alice Springs.
    let gda94 = GRS80.geodetic(-4_052_051.7643, 4_212_836.2017, -2_545_106.0245);
    let want = [-4_052_052.7379, 4_212_835.9897, -2_545_104.5898];
    l.metres("S-GDA94-GDA2020-ALIC", &XYZ, &xyz(moved(&Way::new("EPSG:4939", "EPSG:7843"), gda94)), &want, 1e-4);
    // The same point on the grids of both datums; the input of the case is what the first grid gives.
    let [e, n] = reproject(&Way::new("EPSG:4939", "EPSG:28353"), &[gda94]).undisturbed().grid("m")[0];
    assert!((e - 386_352.3979).abs() < 2e-4 && (n - 7_381_850.7689).abs() < 2e-4 && (gda94.2 - 603.3466).abs() < 2e-4, "{e} {n}");
    let out = reproject(&Way::new("EPSG:4939", "EPSG:7853"), &[gda94]).undisturbed();
    let [e, n] = out.grid("m")[0];
    let outputs = ["MGA2020 E", "MGA2020 N", "h"];
    l.metres("S-GDA94-GDA2020-ALIC-MGA", &outputs, &[e, n, out.places()[0].2], &[386_353.2343, 7_381_852.2986, 603.2489], 2e-4);
    let itrf = GRS80.geodetic(-4_052_052.6588, 4_212_835.9938, -2_545_104.6946);
    let want = [-4_052_052.7373, 4_212_835.9835, -2_545_104.5867];
    l.metres("S-ITRF2014-GDA2020-ALIC", &XYZ, &xyz(moved(&Way::new("EPSG:7912", "EPSG:7843").at(2018.0), itrf)), &want, 1e-4);
}

fn international(l: &mut Ledger) {
    // EPN tutorial, example 5. The registry states 0 m for the definition of a realisation.
    let epn = GRS80.geodetic(4_027_894.006, 307_045.600, 4_919_474.910);
    let want = [4_027_894.3662, 307_045.2530, 4_919_474.6263];
    l.metres("S-ITRF2014-ETRF2000-EPN5", &XYZ, &xyz(moved(&Way::new("EPSG:7912", "EPSG:7931").at(2012.0), epn)), &want, 2e-4);
    let by_hand = |from: &str, to: &str, step: &str, year: f64, start: [f64; 3]| {
        let pipeline = around("+ellps=GRS80", step, "+ellps=GRS80");
        xyz(moved(&Way::new(from, to).at(year).by_hand(&pipeline), GRS80.geodetic(start[0], start[1], start[2])))
    };
    // Published 14 parameters, Onsala at 2017.0.
    let step = "+proj=helmert +x=0.0127 +y=0.0065 +z=-0.0209 +dx=-0.0029 +dy=-0.0002 +dz=-0.0006 +rx=-0.00039 +ry=0.0008 +rz=-0.00114 +drx=-0.00011 +dry=-0.00019 +drz=0.00007 +s=0.00195 +ds=0.00001 +t_epoch=1988 +convention=position_vector";
    let got = by_hand("EPSG:7909", "EPSG:7905", step, 2017.0, [3_370_658.378, 711_877.314, 5_349_787.086]);
    l.metres("S-ITRF2000-ITRF93-ONSALA-2017", &XYZ, &got, &[3_370_658.188_90, 711_877.423_70, 5_349_787.124_30], 1e-4);
    let step = "+proj=helmert +x=-0.0019 +y=-0.0017 +z=-0.0105 +s=0.00134 +dx=0.0001 +dy=0.0001 +dz=-0.0018 +ds=0.00008 +t_epoch=2000 +convention=position_vector";
    let got = by_hand("EPSG:7910", "EPSG:7909", step, 2008.75, [3_513_638.1938, 778_956.4525, 5_248_216.4690]);
    l.metres("S-ITRF2005-ITRF2000-2333", &XYZ, &got, &[3_513_638.1999, 778_956.4533, 5_248_216.4535], 1e-4);
}

fn north_america(l: &mut Ledger) {
    // NGS data sheet KG0640: geographic to geocentric, the product's own ellipsoid.
    let meades = GRS80.geocentric(dms(39.0, 13.0, 26.7122), -dms(98.0, 32.0, 31.7454), 573.961);
    l.metres("S-MEADES-RANCH-XYZ", &XYZ, &meades, &[-734_972.563, -4_893_188.492, 4_011_982.811], 0.001);
    // NGS parameters, as the registry has them.
    let shifts = ["shift east", "shift north", "shift up"];
    for (id, from, year, start, want, enu) in [
        (
            "S-ITRF2014-NAD83-Kansas",
            "EPSG:7912",
            2010.0,
            (39.224, -98.542, 573.961),
            [-734_959.7747, -4_893_197.8076, 4_011_975.4489],
            [0.9462, -0.6992, 1.0095],
        ),
        (
            "S-ITRF2014-NAD83-Boulder",
            "EPSG:7912",
            2024.5,
            (40.0, -105.25, 1600.0),
            [-1_287_256.2019, -4_721_606.0861, 4_079_014.1734],
            [1.3169, -0.5288, 0.8498],
        ),
        (
            "S-ITRF2020-NAD83-Seattle",
            "EPSG:9989",
            2024.5,
            (47.61, -122.33, 50.0),
            [-2_303_829.5232, -3_640_079.6639, 4_687_788.5231],
            [1.5536, -0.2620, 0.3106],
        ),
    ] {
        let got = moved(&Way::new(from, "EPSG:6319").at(year), start);
        l.metres(id, &XYZ, &xyz(got), &want, 2e-4);
        l.metres(id, &shifts, &Tangent::new(start.0, start.1, start.2, GRS80).enu(got.0, got.1, got.2), &enu, 5e-4);
    }
}
