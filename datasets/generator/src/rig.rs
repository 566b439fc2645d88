//! The rig of the scenario: the lengths and angles as its file states them, and the same with the errors that
//! its stated sigmas allow.

use crate::earth::V3;
use crate::noise::Noise;
use libm::cos;
use std::fmt::Write;

const RAD: f64 = core::f64::consts::PI / 180.0;

/// Lengths and angles of a rig in body axes (x forward, y right, z down), metres and degrees, with 1 sigma.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rig {
    /// Antenna reference point to the tip.
    pub pole: V3,
    /// Sigma of each component.
    pub pole_sigma: f64,
    /// Antenna reference point to the origin of the range.
    pub lever: V3,
    /// Sigma of each component.
    pub lever_sigma: f64,
    /// Azimuth of the beam.
    pub azimuth: f64,
    /// Elevation of the beam.
    pub elevation: f64,
    /// Sigma of the beam's direction across each axis.
    pub beam_sigma: f64,
    /// Range zero.
    pub zero: f64,
    /// Sigma of the range zero.
    pub zero_sigma: f64,
    /// Range scale less one, parts per million.
    pub scale_ppm: f64,
    /// Sigma of the scale, parts per million.
    pub scale_sigma_ppm: f64,
    /// Noise of one range.
    pub range_sigma: f64,
    /// Noise of one heading.
    pub heading_sigma: f64,
    /// Noise of one pitch or roll.
    pub tilt_sigma: f64,
    /// Sigma of the heading's bias, one draw per session.
    pub heading_bias_sigma: f64,
    /// Sigma of the bias of pitch and roll, one draw for the rig.
    pub tilt_bias_sigma: f64,
}

/// The rig of the demo.
pub const NOMINAL: Rig = Rig {
    pole: [0.0, 0.0, 2.0],
    pole_sigma: 0.001,
    lever: [0.062, -0.018, 0.745],
    lever_sigma: 0.001,
    azimuth: 0.6,
    elevation: -45.0,
    beam_sigma: 0.1,
    zero: 0.0125,
    zero_sigma: 0.001,
    scale_ppm: 0.0,
    scale_sigma_ppm: 50.0,
    range_sigma: 0.0015,
    heading_sigma: 0.3,
    tilt_sigma: 0.1,
    heading_bias_sigma: 0.4,
    tilt_bias_sigma: 0.08,
};

impl Rig {
    /// The rig as it really is: each stated length and angle moved by a draw from its sigma.
    #[must_use]
    pub fn drawn(&self, n: &mut Noise) -> Self {
        let mut r = *self;
        for k in 0..3 {
            r.pole[k] += self.pole_sigma * n.normal();
            r.lever[k] += self.lever_sigma * n.normal();
        }
        r.elevation += self.beam_sigma * n.normal();
        r.azimuth += self.beam_sigma * n.normal() / cos(self.elevation * RAD);
        r.zero += self.zero_sigma * n.normal();
        r.scale_ppm += self.scale_sigma_ppm * n.normal();
        r
    }

    /// Direction of the beam in body axes.
    #[must_use]
    pub fn beam(&self) -> V3 {
        let (a, e) = (self.azimuth * RAD, self.elevation * RAD);
        [cos(e) * cos(a), cos(e) * libm::sin(a), -libm::sin(e)]
    }

    /// The rig file without the laser: for shots with the tip only.
    #[must_use]
    pub fn yaml_without_laser(&self, name: &str, output: &str, pole_owner: &str) -> String {
        let mut inside = false;
        let mut out = String::new();
        for line in self.yaml(name, output, pole_owner).lines() {
            // The laser's section runs to the next key that is not indented.
            inside = line == "laser:" || (inside && line.starts_with(' '));
            if !inside && !line.contains("RANG") {
                out.push_str(line);
                out.push('\n');
            }
        }
        out
    }

    /// The rig file.
    #[must_use]
    pub fn yaml(&self, name: &str, output: &str, pole_owner: &str) -> String {
        let mut s = String::new();
        let [px, py, pz] = self.pole;
        let [lx, ly, lz] = self.lever;
        // Writing to a string cannot fail.
        let _ = write!(
            s,
            "rig: 1
name: {name}
receiver_output: {output}
pole:
  reference_point_to_tip: {{ x_m: {px:.3}, y_m: {py:.3}, z_m: {pz:.3}, sigma_m: {} }}
  applied_by: {pole_owner}
laser:
  reference_point_to_laser: {{ x_m: {lx:.3}, y_m: {ly:.3}, z_m: {lz:.3}, sigma_m: {} }}
  beam_azimuth_deg: {}
  beam_elevation_deg: {}
  beam_sigma_deg: {}
  zero_m: {}
  zero_sigma_m: {}
  scale: 1.0
  scale_sigma_ppm: {}
  range_sigma_m: {}
  shortest_m: 0.3
  longest_m: 12.0
sensors:
  heading: {{ sentence: HDT }}
  pitch: {{ sentence: XDR, transducer: PTCH }}
  roll: {{ sentence: XDR, transducer: ROLL }}
  range: {{ sentence: XDR, transducer: RANG }}
attitude:
  north: true
  heading_sigma_deg: {}
  tilt_sigma_deg: {}
  heading_bias_sigma_deg: {}
  tilt_bias_sigma_deg: {}
gnss:
  assumed_sigma_horizontal_m: 0.020
  assumed_sigma_up_m: 0.035
  correlation_time_s: 115
calibration:
  date: 2026-02-20
  expires: 2026-08-20
  by: shots to a nail at eight attitudes (invented)
",
            self.pole_sigma,
            self.lever_sigma,
            self.azimuth,
            self.elevation,
            self.beam_sigma,
            self.zero,
            self.zero_sigma,
            self.scale_sigma_ppm,
            self.range_sigma,
            self.heading_sigma,
            self.tilt_sigma,
            self.heading_bias_sigma,
            self.tilt_bias_sigma,
        );
        s.replace("north: true", "north: \"true\"")
    }
}
