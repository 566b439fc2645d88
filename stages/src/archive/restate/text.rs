//! The reports as a page for people.

use super::{Range, Report, Restatement, Verdict};
use std::fmt::Write as _;

impl Verdict {
    /// In plain words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Nothing => "nothing to do",
            Self::Restate => "can be restated from its coordinates",
            Self::Fetch => "can be restated when the missing grids are here",
            Self::Recompute => "must be computed again from its raw logs",
            Self::Wait => "no official way yet",
            Self::Unreadable => "cannot be read or trusted",
        }
    }
}

fn range(r: Range, sign: bool) -> String {
    if (r.largest - r.smallest).abs() < 5e-4 {
        return if sign { format!("{:+.3} m at every point", r.mean) } else { format!("{:.3} m at every point", r.mean) };
    }
    if sign {
        format!("{:+.3} to {:+.3} m, {:+.3} m on average", r.smallest, r.largest, r.mean)
    } else {
        format!("{:.3} to {:.3} m, {:.3} m on average", r.smallest, r.largest, r.mean)
    }
}

impl Restatement {
    /// The page.
    #[must_use]
    pub fn text(&self) -> String {
        let mut out = String::new();
        let _ = writeln!(out, "to:            {} ({})", self.target, self.to);
        let _ = writeln!(out, "by:            {}; nothing is changed", self.library);
        for report in &self.records {
            report.write(&mut out);
        }
        let count = |v: Verdict| self.records.iter().filter(|r| r.verdict == v).count();
        let parts: Vec<String> =
            [Verdict::Nothing, Verdict::Restate, Verdict::Fetch, Verdict::Recompute, Verdict::Wait, Verdict::Unreadable]
                .into_iter()
                .filter(|v| count(*v) > 0)
                .map(|v| format!("{} {}", count(v), v.words()))
                .collect();
        let word = if self.records.len() == 1 { "record" } else { "records" };
        let _ = writeln!(out, "\n{} {word}: {}", self.records.len(), parts.join("; "));
        out
    }
}

impl Report {
    fn write(&self, out: &mut String) {
        let job = if self.job.is_empty() { String::new() } else { format!(" (job `{}`)", self.job) };
        let _ = writeln!(out, "\n{}{job}: {}", self.record, self.verdict.words());
        if let Some(from) = &self.from {
            let _ = writeln!(out, "  from         {from}");
        }
        if let Some(o) = &self.operation {
            let _ = writeln!(out, "  operation    {} ({:.3} m)", o.name, o.accuracy_m);
        }
        if let Some(file) = self.file.as_ref().filter(|_| !self.points.is_empty()) {
            let _ = writeln!(out, "  points       {} in {file}", self.points.len());
        }
        if let Some(r) = self.horizontal_m {
            let _ = writeln!(out, "  horizontally {}", range(r, false));
        }
        if let Some(r) = self.up_m {
            let _ = writeln!(out, "  in height    {}", range(r, true));
        }
        for reason in &self.reasons {
            let _ = writeln!(out, "  - {reason}");
        }
        if matches!(self.verdict, Verdict::Recompute | Verdict::Wait) {
            for log in &self.raw_logs {
                let _ = writeln!(out, "  raw          {log}");
            }
        }
    }
}
