//! One shot on a mark: its difference, how large it may be, and what to say.

use crate::control::check::limits::Limits;
use crate::control::comparison::{Comparison, Difference, dependent};
use crate::control::marks::Mark;
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::problem::Problem;
use pipeline_base::table::schema::Role;
use pipeline_base::table::{Table, by_role};

/// A shot on a mark.
#[derive(Clone, Debug)]
pub(crate) struct Shot {
    /// Delivered minus known.
    pub difference: Difference,
    /// Name of the point.
    pub point: String,
    /// Session.
    pub session: String,
    /// Time, ns since 1970 UTC.
    pub time: Option<i64>,
    /// Combined standard deviations east, north, up (true axes), m.
    pub sigma_m: [f64; 3],
    /// Why it proves nothing, when it does not.
    pub dependent: Option<&'static str>,
    /// Whether the horizontal difference is within its uncertainty, and within the flat limit.
    pub horizontal: [bool; 2],
    /// The same in height; true where there is no height.
    pub vertical: [bool; 2],
}

/// Shots of all rows that carry the name of a mark.
pub(super) fn of(
    table: &Table,
    comparison: &Comparison,
    differences: &[Difference],
    limits: &Limits,
    base: Option<&str>,
) -> Result<Vec<Shot>, Problem> {
    let schema = &table.schema;
    let name = |role: Role| by_role(schema, role).map(|c| c.name.clone());
    let (points, sessions) = (table.texts(&name(Role::Point)?)?, table.texts(&name(Role::Session)?)?);
    let times = table.instants(&name(Role::Time)?)?;
    let [east, north, up] =
        [Role::SigmaEast, Role::SigmaNorth, Role::SigmaUp].map(|r| name(r).and_then(|n| Ok(table.floats(&n)?.to_vec())));
    let (east, north, up) = (east?, north?, up?);
    let correlation = match schema.role(Role::CorrelationEastNorth) {
        Some(c) => table.floats(&c.name)?.to_vec(),
        None => vec![0.0; table.rows()],
    };
    let mut shots = vec![];
    for d in differences {
        let mark = &comparison.marks[d.mark];
        let row = d.row;
        // The accuracy of an operation: one sigma radially in plan and one in height, as everywhere.
        let flat = mark.sigma_horizontal_m.powi(2) + d.operation_m.powi(2) / 2.0;
        let covariance = finite(correlation[row]) * east[row] * north[row];
        let sigma_m = [
            (east[row].powi(2) + flat).sqrt(),
            (north[row].powi(2) + flat).sqrt(),
            mark.height.as_ref().map_or(f64::NAN, |h| (up[row].powi(2) + h.sigma_m.powi(2) + d.operation_m.powi(2)).sqrt()),
        ];
        let [e, n] = d.enu_m;
        let (ee, nn) = (sigma_m[0].powi(2), sigma_m[1].powi(2));
        let determinant = ee * nn - covariance * covariance;
        let chi = (nn * e * e - 2.0 * covariance * e * n + ee * n * n) / determinant;
        shots.push(Shot {
            difference: d.clone(),
            point: points[row].unwrap_or_default().to_owned(),
            session: sessions[row].unwrap_or_default().to_owned(),
            time: times[row],
            sigma_m,
            dependent: dependent(mark, base),
            // A comparison with NaN is false: what cannot be tested has not passed.
            horizontal: [chi <= limits.chi_plane, e.hypot(n) <= limits.horizontal_m],
            vertical: d.up_m.map_or([true; 2], |u| [u.abs() <= limits.normal * sigma_m[2], u.abs() <= limits.vertical_m]),
        });
    }
    Ok(shots)
}

fn finite(v: f64) -> f64 {
    if v.is_finite() { v } else { 0.0 }
}

impl Shot {
    /// Whether it passes every test.
    #[must_use]
    pub(crate) fn good(&self) -> bool {
        self.horizontal.iter().chain(&self.vertical).all(|t| *t)
    }

    /// Horizontal difference, m.
    #[must_use]
    pub(crate) fn horizontal_m(&self) -> f64 {
        self.difference.enu_m[0].hypot(self.difference.enu_m[1])
    }

    /// Where, in words.
    #[must_use]
    pub(crate) fn place(&self) -> String {
        let at = self.time.map_or_else(String::new, |t| format!(" at {}", crate::export::instant::iso_ms(t)));
        format!("point `{}`, session `{}`{at}", self.point, self.session)
    }

    /// The difference in words.
    #[must_use]
    pub(crate) fn words(&self) -> String {
        let [e, n] = self.difference.grid_m;
        let up = self.difference.up_m.map_or_else(String::new, |u| format!(" dH {u:+.3} m"));
        format!("dE {e:+.3} m dN {n:+.3} m{up}")
    }

    /// What to say when it fails: one finding with both kinds of limit.
    #[must_use]
    pub(crate) fn failed(&self, mark: &Mark, limits: &Limits) -> Diagnostic {
        let mut against = vec![];
        if !self.horizontal[0] {
            against.push(format!(
                "horizontal {:.3} m is more than its combined uncertainty allows (sigma {:.3} m east, {:.3} m north, {} %)",
                self.horizontal_m(),
                self.sigma_m[0],
                self.sigma_m[1],
                limits.confidence_pct
            ));
        }
        if !self.horizontal[1] {
            against.push(format!("horizontal {:.3} m is over the limit of {:.3} m", self.horizontal_m(), limits.horizontal_m));
        }
        let up = self.difference.up_m.unwrap_or(f64::NAN);
        if !self.vertical[0] {
            against.push(format!(
                "height {up:+.3} m is more than its combined uncertainty allows (sigma {:.3} m, {} %)",
                self.sigma_m[2], limits.confidence_pct
            ));
        }
        if !self.vertical[1] {
            against.push(format!("height {up:+.3} m is over the limit of {:.3} m", limits.vertical_m));
        }
        Diagnostic::new(
            "control/difference",
            Verdict::Warn,
            format!("the check on `{}` is not good: {} (delivered minus known)", mark.name, self.words()),
        )
        .place(self.place())
        .label(mark.label("this mark"))
        .size(against.join("; "))
        .why("a setting is wrong, the fix was wrong, the mark was taken for another one, or the mark has moved")
        .fix("put `find-cause` before this step: it tries the known blunders on all marks at once; look at the mark and shoot it again")
    }
}
