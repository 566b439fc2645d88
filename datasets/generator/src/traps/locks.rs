//! Locks of jobs, as another machine might have written them.

use super::INLAND;
use crate::earth::{Geodetic, geocentric, geodetic, itrf2020_to_nad83, utm};
use sha2::{Digest, Sha256};
use std::fmt::Write as _;

/// SHA-256 in hexadecimal.
pub(super) fn sha256(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().fold(String::new(), |mut out, b| {
        let _ = write!(out, "{b:02x}");
        out
    })
}

/// The shift as the registry has it and PROJ writes it.
const SHIFT: &str = "+proj=pipeline +step +proj=unitconvert +xy_in=deg +z_in=m +xy_out=rad +z_out=m +step +proj=cart +ellps=GRS80 +step +proj=helmert +x=1.0039 +y=-1.90961 +z=-0.54117 +rx=0.02678138 +ry=-0.00042027 +rz=0.01093206 +s=-5.109e-05 +dx=0.00079 +dy=-0.0007 +dz=-0.00124 +drx=6.667e-05 +dry=-0.00075744 +drz=-5.133e-05 +ds=-7.201e-05 +t_epoch=2010 +convention=coordinate_frame +step +inv +proj=cart +ellps=GRS80 +step +proj=unitconvert +xy_in=rad +z_in=m +xy_out=deg +z_out=m";
const GRID: &str = "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad +step +proj=utm +zone=16 +ellps=GRS80";
/// Central meridian of the zone.
const MERIDIAN: f64 = -87.0;
/// Time of the work, and the reference epoch of the parameters.
const YEARS: (f64, f64) = (2026.442, 2010.0);

/// A lock whose shift was taken at the parameters' own epoch and not at that of the work.
pub(super) fn older_library(job: &str, reference: &str) -> String {
    let corners = [(0.0, 0.0), (-0.001, -0.001), (-0.001, 0.001), (0.001, -0.001), (0.001, 0.001)];
    let places = corners.map(|(y, x)| Geodetic { latitude: INLAND[0] + y, longitude: INLAND[1] + x, height: INLAND[2] });
    let probes = |year: bool, out: &dyn Fn(Geodetic) -> [String; 3]| {
        let one = |g: &Geodetic| {
            let year = if year { format!(", \"year\": {}", YEARS.0) } else { String::new() };
            let [a, b, c] = out(*g);
            format!(
                "        {{ \"at\": {{ \"longitude_deg\": {:.4}, \"latitude_deg\": {:.4}, \"height_m\": {:.4}{year} }}, \"gives\": [{a}, {b}, {c}] }}",
                g.longitude, g.latitude, g.height
            )
        };
        places.iter().map(one).collect::<Vec<_>>().join(",\n")
    };
    let shifted = probes(true, &|g| {
        let out = geodetic(itrf2020_to_nad83(geocentric(g), YEARS.1));
        [format!("{:.10}", out.longitude), format!("{:.10}", out.latitude), format!("{:.4}", out.height)]
    });
    let gridded = probes(false, &|g| {
        let (east, north) = utm(g, MERIDIAN);
        [format!("{east:.4}"), format!("{north:.4}"), format!("{:.4}", g.height)]
    });
    format!(
        r#"{{
  "lock": 1,
  "made_with": {{ "program": "gunter 0.0.9", "library": "PROJ 8.0.0", "registry": "EPSG v10.008" }},
  "job": {{ "file": "job.yaml", "sha256": "{}" }},
  "reference": {{ "file": "reference.yaml", "sha256": "{}" }},
  "area": {{ "west": {:.3}, "south": {:.3}, "east": {:.3}, "north": {:.3}, "low_m": {:.1}, "high_m": {:.1} }},
  "operations": [
    {{
      "step": "grid", "part": "operation", "name": "ITRF2020 to NAD83(2011) (1)", "from": "EPSG:9989", "to": "EPSG:6319",
      "pipeline": "{SHIFT}",
      "accuracy_m": 0.0, "grids": [], "gives_in": "deg",
      "probes": [
{shifted}
      ]
    }},
    {{
      "step": "grid", "part": "conversion", "name": "NAD83(2011) / UTM zone 16N", "from": "EPSG:6319", "to": "EPSG:6345",
      "pipeline": "{GRID}",
      "grids": [], "gives_in": "m",
      "probes": [
{gridded}
      ]
    }}
  ]
}}
"#,
        sha256(job.as_bytes()),
        sha256(reference.as_bytes()),
        INLAND[1] - 0.001,
        INLAND[0] - 0.001,
        INLAND[1] + 0.001,
        INLAND[0] + 0.001,
        INLAND[2] - 1.0,
        INLAND[2] + 1.0
    )
}
