//! What a plug-in says while it runs, checked and handed on: the same for both hosts.

use super::super::description::is_word;
use super::super::{CallReporter, reported};
use pipeline_base::diag::Verdict;
use pipeline_base::table::Table;
use pipeline_core::plugin::PluginInfo;
use pipeline_core::stage::{Cx, Grain};
use std::sync::{Mutex, MutexGuard, PoisonError};

type ReportFault = (&'static str, String);

#[derive(Default)]
struct ReportState {
    /// Which rows of the first input were set aside.
    aside: Vec<bool>,
    refused: u64,
    used: Option<u64>,
    wrong: Option<ReportFault>,
}

/// The desk of one call.
pub(super) struct CallReports<'a> {
    cx: &'a Cx<'a>,
    table: &'a Table,
    info: &'a PluginInfo,
    stage: &'a str,
    grain: Grain,
    kept: Mutex<ReportState>,
}

/// Where the rows of the first input went.
pub(super) struct RowAccount {
    rows_in: u64,
    refused: u64,
    used: Option<u64>,
}

impl RowAccount {
    /// Whether every row is in exactly one place.
    pub(super) fn holds(&self, rows_out: usize) -> Result<(), ReportFault> {
        let rest = self.used.unwrap_or(rows_out as u64);
        if rest.checked_add(self.refused) == Some(self.rows_in) {
            return Ok(());
        }
        let words = self.used.map_or_else(|| format!("{rows_out} came back"), |u| format!("{u} were used"));
        Err(("plugin/rows-lost", format!("{} rows went in, {words} and {} were set aside", self.rows_in, self.refused)))
    }
}

impl<'a> CallReports<'a> {
    pub(super) fn new(cx: &'a Cx<'a>, table: &'a Table, info: &'a PluginInfo, stage: &'a str, grain: Grain) -> Self {
        Self { cx, table, info, stage, grain, kept: Mutex::default() }
    }

    fn kept(&self) -> MutexGuard<'_, ReportState> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn refuse(&self, code: &'static str, what: impl Into<String>) {
        self.kept().wrong.get_or_insert_with(|| (code, what.into()));
    }

    /// Ends the call: what was said wrongly, or where the rows went.
    pub(super) fn close(self) -> Result<RowAccount, ReportFault> {
        let kept = self.kept.into_inner().unwrap_or_else(PoisonError::into_inner);
        match kept.wrong {
            Some(wrong) => Err(wrong),
            None => Ok(RowAccount { rows_in: self.table.rows() as u64, refused: kept.refused, used: kept.used }),
        }
    }
}

impl CallReporter for CallReports<'_> {
    fn set_aside(&self, rows: &[u64], reason: &str, detail: &str) {
        if !is_word(reason) {
            return self.refuse(
                "plugin/bad-data",
                format!("it set rows aside for `{reason}`; a reason has lower-case letters, digits and hyphens"),
            );
        }
        let mut numbers = Vec::with_capacity(rows.len());
        {
            let mut kept = self.kept();
            kept.aside.resize(self.table.rows(), false);
            for row in rows {
                let Some(place) = usize::try_from(*row).ok().and_then(|i| kept.aside.get_mut(i)) else {
                    kept.wrong.get_or_insert_with(|| ("plugin/bad-data", format!("it set row {row} aside, which is beyond the end")));
                    return;
                };
                if std::mem::replace(place, true) {
                    kept.wrong.get_or_insert_with(|| ("plugin/rows-lost", format!("it set row {row} aside twice")));
                    return;
                }
                numbers.push(u32::try_from(*row).unwrap_or(u32::MAX));
            }
            kept.refused += rows.len() as u64;
        }
        if let Err(problem) = self.cx.set_aside_rows(self.table, &numbers, reason, detail) {
            self.refuse("plugin/bad-data", problem.finding.what);
        }
    }

    fn used(&self, rows: u64) {
        if self.grain == Grain::Rows {
            return self.refuse("plugin/rows-lost", "it says that rows were used up, which a stage of grain `rows` never does");
        }
        {
            let mut kept = self.kept();
            kept.used = Some(kept.used.unwrap_or(0).saturating_add(rows));
        }
        self.cx.used(usize::try_from(rows).unwrap_or(usize::MAX));
    }

    fn find(&self, json: &str) {
        for mut problem in reported::problems(json, Verdict::Warn, self.info, self.stage, Some(self.table)) {
            // A stage that cannot go on fails; what it says in passing does not end the run as a mistake in the job.
            if problem.finding.verdict == Verdict::Error {
                problem.finding.verdict = Verdict::Block;
            }
            self.cx.find(*problem.finding);
        }
    }

    fn fact(&self, key: &str, json: &str) {
        match serde_json::from_str(json) {
            Ok(value) => self.cx.fact(key, value),
            Err(_) => self.refuse("plugin/bad-data", format!("its fact `{key}` is no JSON")),
        }
    }

    fn cancelled(&self) -> bool {
        self.cx.cancelled()
    }
}
