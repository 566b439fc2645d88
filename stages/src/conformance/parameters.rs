//! The published parameters of `02_frame_parameters.csv`, against what the product chooses for the codes of the frames.

use super::ledger::Line;
use super::through::{Place, Way, around, reproject};
use crate::fixture::shared;
use std::sync::LazyLock;
use survey_geodesy::ellipsoid::GRS80;

/// Motions of plates have no epoch of their own; any will do.
const NO_EPOCH: f64 = 2020.0;

/// A row of `02_frame_parameters.csv`: metres, radians, parts, and their change in a year.
pub(super) struct Parameters {
    pub from: String,
    pub to: String,
    coordinate_frame: bool,
    at_epoch: [f64; 7],
    a_year: [f64; 7],
    epoch: Option<f64>,
}

/// Reads the list.
pub(super) fn parameters(text: &str) -> Vec<Parameters> {
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let rows = reader.records().map(|record| {
        let record = record.unwrap();
        let number = |i: usize| record[i].parse::<f64>().unwrap_or(0.0);
        let mas = (1.0_f64 / 3.6e6).to_radians();
        let units = [1e-3, 1e-3, 1e-3, mas, mas, mas, 1e-9];
        Parameters {
            from: record[0].to_owned(),
            to: record[1].to_owned(),
            coordinate_frame: &record[2] == "coordinate_frame",
            at_epoch: std::array::from_fn(|i| number(3 + i) * units[i]),
            a_year: std::array::from_fn(|i| number(10 + i) * units[i]),
            epoch: record[17].parse().ok(),
        }
    });
    rows.collect()
}

impl Parameters {
    /// The transformation written out here, so that neither registry nor library is its own judge.
    pub(super) fn apply(&self, p: [f64; 3], year: f64) -> [f64; 3] {
        let years = year - self.epoch.unwrap_or(NO_EPOCH);
        let v: [f64; 7] = std::array::from_fn(|i| self.at_epoch[i] + self.a_year[i] * years);
        let sign = if self.coordinate_frame { -1.0 } else { 1.0 };
        let [rx, ry, rz] = [v[3] * sign, v[4] * sign, v[5] * sign];
        let turned = [p[0] - rz * p[1] + ry * p[2], rz * p[0] + p[1] - rx * p[2], -ry * p[0] + rx * p[1] + p[2]];
        std::array::from_fn(|i| v[i] + (1.0 + v[6]) * turned[i])
    }

    /// The same as a PROJ step.
    pub(super) fn proj(&self) -> String {
        let arc = |v: f64| v.to_degrees() * 3600.0;
        let (c, r) = (self.at_epoch, self.a_year);
        format!(
            "+proj=helmert +x={} +y={} +z={} +rx={} +ry={} +rz={} +s={} +dx={} +dy={} +dz={} +drx={} +dry={} +drz={} +ds={} +t_epoch={} +convention={}",
            c[0],
            c[1],
            c[2],
            arc(c[3]),
            arc(c[4]),
            arc(c[5]),
            c[6] * 1e6,
            r[0],
            r[1],
            r[2],
            arc(r[3]),
            arc(r[4]),
            arc(r[5]),
            r[6] * 1e6,
            self.epoch.unwrap_or(NO_EPOCH),
            if self.coordinate_frame { "coordinate_frame" } else { "position_vector" }
        )
    }
}

/// Geographic 3D code of a frame and a place where it is used.
fn frame(name: &str) -> Option<(&'static str, Place)> {
    let (europe, america, australia) = ((55.7, 12.5, 40.0), (42.7, -84.5, 220.0), (-25.3, 134.1, 500.0));
    Some(match name {
        "ITRF2000" => ("EPSG:7909", europe),
        "ITRF2005" => ("EPSG:7910", europe),
        "ITRF2008" => ("EPSG:7911", europe),
        "ITRF2014" => ("EPSG:7912", europe),
        "ITRF2020" => ("EPSG:9989", europe),
        "ETRF2000" => ("EPSG:7931", europe),
        "ETRF2014" => ("EPSG:8403", europe),
        "NAD83(2011)" => ("EPSG:6319", america),
        "NAD83(CSRS)v7" => ("EPSG:8254", (50.0, -100.0, 250.0)),
        "GDA94" => ("EPSG:4939", australia),
        "GDA2020" => ("EPSG:7843", australia),
        _ => return None,
    })
}

/// Every row, at two dates; `None` without the list.
pub(super) static LINES: LazyLock<Vec<Line>> = LazyLock::new(|| {
    let Some(path) = shared("checks/02_frame_parameters.csv") else { return vec![] };
    let rows = parameters(&std::fs::read_to_string(path).unwrap());
    let mut worst = 0.0_f64;
    for row in &rows {
        let title = format!("{} to {}", row.from, row.to);
        for year in [2012.0, 2025.5] {
            // The motion of a plate is a pipeline of the reference that stays in its frame.
            let plate = row.from.contains(" plate ");
            let (from, to, place) = if plate {
                ("EPSG:7912", "EPSG:7912", (48.0, 11.0, 500.0))
            } else {
                let (to, place) = frame(&row.to).unwrap_or_else(|| panic!("{title}: no code for the frame"));
                (frame(&row.from).unwrap_or_else(|| panic!("{title}: no code for the frame")).0, to, place)
            };
            let pipeline = around("+ellps=GRS80", &row.proj(), "+ellps=GRS80");
            let way = Way::new(from, to).at(year).budget(0.2);
            let way = if plate { way.by_hand(&pipeline) } else { way };
            let got = reproject(&way, &[place]).undisturbed().places()[0];
            let want = row.apply(GRS80.geocentric(place.0, place.1, place.2), year);
            let got = GRS80.geocentric(got.0, got.1, got.2);
            for (g, w) in got.iter().zip(&want) {
                worst = worst.max((g - w).abs());
                assert!((g - w).abs() < 1e-4, "{title} at {year}: {got:?} in place of {want:?}");
            }
        }
    }
    vec![Line {
        system: "frames of ITRF, ETRF, NAD 83 and GDA, and motions of plates".to_owned(),
        source: "02_frame_parameters.csv: published parameters, written out in the test".to_owned(),
        through: "`reproject`".to_owned(),
        points: rows.len() * 2,
        worst,
        unit: "m",
        tolerance: 1e-4,
    }]
});

#[test]
fn published_parameters_of_frames() {
    assert!(LINES.iter().all(|l| l.points >= 36));
}
