//! What was checked, against what, and how far off it was at worst.

/// A published number and what came out.
#[derive(Clone, Debug)]
pub(super) struct Checked {
    /// Case id in the lists of outside values.
    pub id: &'static str,
    /// Output of the case, as the list names it.
    pub output: &'static str,
    pub want: f64,
    pub got: f64,
    pub tolerance: f64,
    /// Unit of all three.
    pub unit: &'static str,
}

/// Checks of one group of cases.
#[derive(Default)]
pub(super) struct Ledger {
    pub checked: Vec<Checked>,
}

impl Ledger {
    /// Compares and writes down.
    pub(super) fn near(&mut self, id: &'static str, output: &'static str, got: f64, want: f64, tolerance: f64, unit: &'static str) {
        assert!((got - want).abs() <= tolerance, "{id}, {output}: {got} {unit} in place of {want}, tolerance {tolerance}");
        self.checked.push(Checked { id, output, want, got, tolerance, unit });
    }
    /// The same for several outputs in metres.
    pub(super) fn metres(&mut self, id: &'static str, outputs: &[&'static str], got: &[f64], want: &[f64], tolerance: f64) {
        assert!(outputs.len() == got.len() && got.len() == want.len(), "{id}");
        for ((output, got), want) in outputs.iter().zip(got).zip(want) {
            self.near(id, output, *got, *want, tolerance, "m");
        }
    }
    /// The same for an angle in degrees whose tolerance is in seconds of arc.
    pub(super) fn angle(&mut self, id: &'static str, output: &'static str, got_deg: f64, want_deg: f64, tolerance_s: f64) {
        self.near(id, output, got_deg * 3600.0, want_deg * 3600.0, tolerance_s, "″");
    }
}

/// A line of the table of conformance.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Line {
    pub system: String,
    pub source: String,
    pub through: String,
    pub points: usize,
    pub worst: f64,
    pub unit: &'static str,
    pub tolerance: f64,
}

impl Line {
    /// Decimals that show a hundredth of the tolerance: finer digits would differ between machines.
    fn decimals(&self) -> usize {
        (0..9).find(|d| self.tolerance * 10_f64.powi(*d) >= 99.0).and_then(|d| usize::try_from(d).ok()).unwrap_or(9)
    }

    /// The line in Markdown.
    pub(super) fn markdown(&self) -> String {
        let decimals = self.decimals();
        format!(
            "| {} | {} | {} | {} | {} | {} |",
            self.system,
            self.source,
            self.through,
            self.points,
            format!("{:.decimals$} {}", self.worst, self.unit).trim_end(),
            format!("{} {}", self.tolerance, self.unit).trim_end()
        )
    }
}
