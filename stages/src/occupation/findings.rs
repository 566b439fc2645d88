//! What `average` says about an occupation. Numbers come from its epochs.

use super::groups::Group;
use super::notes_time::clock;
use pipeline_base::diag::{Diagnostic, Label, Verdict};
use std::collections::BTreeMap;

/// Who a finding is about.
pub(super) struct About<'a> {
    /// Point name.
    pub point: &'a str,
    /// Occupation.
    pub occupation: &'a str,
    /// First and last time, ns.
    pub time: (i64, i64),
    /// Raw lines by file.
    pub lines: BTreeMap<&'a str, (i64, i64)>,
}

impl About<'_> {
    fn start(&self, code: &str, verdict: Verdict, what: String) -> Diagnostic {
        let who = if self.point == self.occupation {
            format!("point `{}`", self.point)
        } else {
            format!("point `{}`, occupation `{}`", self.point, self.occupation)
        };
        let mut d = Diagnostic::new(code, verdict, what).point(self.point).place(format!(
            "{who}, {} to {} UTC",
            clock(self.time.0),
            clock(self.time.1)
        ));
        for (file, (first, last)) in &self.lines {
            d = d.label(Label::lines(file, first.unsigned_abs(), last.unsigned_abs(), "these epochs"));
        }
        d
    }

    /// The ranges of a laser shot form two groups. `targets` are the mean latitude, longitude,
    /// height of the near and the far group.
    pub(super) fn two_surfaces(&self, near: &Group, far: &Group, mean: f64, targets: &[(f64, f64, f64); 2], apart: [f64; 2]) -> Diagnostic {
        let what = format!(
            "the beam hit two surfaces: ranges near {:.3} m ({} epochs, spread {:.3} m) and near {:.3} m ({} epochs, spread {:.3} m)",
            near.mean,
            near.members.len(),
            near.spread,
            far.mean,
            far.members.len(),
            far.spread
        );
        let [a, b] = targets;
        self.start("laser/two-surfaces", Verdict::Reshoot, what)
            .size(format!(
                "the ranges are {:.3} m apart and the two targets {:.3} m horizontally and {:.3} m in height; the mean range {mean:.3} m lies on neither. near: {}; far: {}",
                far.mean - near.mean,
                apart[0],
                apart[1],
                place(a),
                place(b)
            ))
            .why("an edge, shoring, a person or water crossed the beam during the shot; both groups look equally good to the instrument")
            .fix(format!("aim at `{}` again and repeat the shot; the tool does not choose a surface for you (`two_surface_gap_m` sets the smallest distance)", self.point))
    }

    /// The positions form two groups along an axis.
    pub(super) fn two_groups(&self, axis: &str, low: &Group, high: &Group, apart: [f64; 2], when: [(i64, i64); 2]) -> Diagnostic {
        let what = format!(
            "the positions form two groups: {} epochs ({} to {}) and {} epochs ({} to {}), {:.3} m apart {axis}",
            low.members.len(),
            clock(when[0].0),
            clock(when[0].1),
            high.members.len(),
            clock(when[1].0),
            clock(when[1].1),
            high.mean - low.mean
        );
        self.start("average/two-groups", Verdict::Reshoot, what)
            .size(format!(
                "the group means are {:.3} m horizontally and {:.3} m in height apart; spreads {:.3} m and {:.3} m",
                apart[0], apart[1], low.spread, high.spread
            ))
            .why("the fix changed during the occupation (a wrong ambiguity looks as steady as a right one), or the pole was moved")
            .fix("occupy the point again with a fresh fix; two of three occupations must agree (`two_group_gap_m` sets the smallest distance)")
    }

    /// Fewer epochs or less time than the job asks for.
    pub(super) fn too_short(&self, used: usize, aside: &str, span_s: f64, rules: &[String]) -> Diagnostic {
        let what = format!("{used} epochs over {span_s:.1} s are kept{aside}; the job asks for {}", rules.join(" and "));
        self.start("average/too-short", Verdict::Reshoot, what)
            .size("the point is not delivered")
            .why("GNSS errors stay the same for minutes, so a short occupation looks better than it is")
            .fix(format!("occupy `{}` again and stay for {} after the fix is regained", self.point, rules.join(" and ")))
    }

    /// No epoch with a position and an uncertainty.
    pub(super) fn nothing(&self, without_position: usize, without_sigma: usize) -> Diagnostic {
        if without_position >= without_sigma {
            return self
                .start(
                    "average/no-position",
                    Verdict::Reshoot,
                    format!("none of {} epochs has a position", without_position + without_sigma),
                )
                .size("the point is not delivered")
                .why("the receiver had no fix, or the offset to the target could not be applied")
                .fix("occupy the point again; the set-aside table says what was missing");
        }
        self.start("average/no-sigma", Verdict::Hold, format!("none of {without_sigma} epochs has an uncertainty"))
            .size("the point is not delivered")
            .why("the log has no GST sentences and the job has no rig that declares a default")
            .fix("add a rig with `gnss.assumed_sigma_horizontal_m` and `gnss.assumed_sigma_up_m`, or let the receiver write GST")
    }

    /// Epochs far from the others were left out.
    pub(super) fn outliers(&self, out: usize, all: usize, shift: f64, farthest: f64, cut: f64) -> Diagnostic {
        self.start(
            "average/outliers",
            Verdict::Warn,
            format!("{out} of {all} epochs lie far from the others, up to {farthest:.3} m, and are not in the mean"),
        )
        .size(format!("the plain mean of all {all} would be {shift:.3} m away"))
        .why(format!("they are more than {cut} robust sigmas off (`outlier_cut`)"))
        .fix("none needed; if many points show it, look for multipath or a loose pole")
    }

    /// The base changed inside the occupation.
    pub(super) fn base_changed(&self, bases: &[(String, usize)], apart: Option<f64>) -> Diagnostic {
        let list: Vec<String> = bases.iter().map(|(b, n)| format!("`{b}` ({n} epochs)")).collect();
        let d = self
            .start("average/base-changed", Verdict::Hold, format!("the base changed during the occupation: {}", list.join(", ")))
            .why("two bases have their own coordinate errors; the jump between them is not noise")
            .fix("occupy the point again on one base, or waive `average/base-changed` for it");
        match apart {
            Some(m) => d.size(format!("the mean positions on the two bases are {m:.3} m apart")),
            None => d,
        }
    }

    /// The uncertainty is above the budget. `shares` are the largest contributor's name and share.
    pub(super) fn over_budget(&self, horizontal: (f64, f64), vertical: (f64, f64), shares: [(&str, f64); 2], advice: &str) -> Diagnostic {
        let mut parts = vec![];
        if horizontal.0 > horizontal.1 {
            parts.push(format!(
                "horizontal {:.3} m against {:.3} m (mostly {}, {:.0} % of the variance)",
                horizontal.0,
                horizontal.1,
                shares[0].0,
                shares[0].1 * 100.0
            ));
        }
        if vertical.0 > vertical.1 {
            parts.push(format!(
                "vertical {:.3} m against {:.3} m (mostly {}, {:.0} % of the variance)",
                vertical.0,
                vertical.1,
                shares[1].0,
                shares[1].1 * 100.0
            ));
        }
        let over = (horizontal.0 - horizontal.1).max(vertical.0 - vertical.1);
        self.start("average/over-budget", Verdict::Hold, format!("the 95 % uncertainty is above the budget: {}", parts.join("; ")))
            .size(format!("{over:.3} m over the budget"))
            .why("`budget.horizontal_95_m` and `budget.vertical_95_m` of the reference are what the client was promised")
            .fix(format!("{advice}; or waive `average/over-budget` for `{}`", self.point))
    }
}

fn place((lat, lon, h): &(f64, f64, f64)) -> String {
    format!("latitude {lat:.9}, longitude {lon:.9}, ellipsoidal height {h:.3} m")
}
