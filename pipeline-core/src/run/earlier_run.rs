//! What an earlier run left in the results folder.

use super::SET_ASIDE;
use pipeline_base::diag::{Diagnostic, Verdict};
use serde::Deserialize;
use std::io::BufReader;
use std::path::Path;

/// The parts of a record that tell: the rest, which may be many megabytes, is passed over as it is read.
#[derive(Deserialize)]
struct EarlierRecord {
    decided: EarlierDecided,
}

#[derive(Deserialize)]
struct EarlierDecided {
    result: String,
    products: Vec<EarlierFile>,
}

#[derive(Deserialize)]
struct EarlierFile {
    name: String,
}

/// A delivery that is in the folder with its record.
pub(super) struct EarlierRun {
    /// Names of its files.
    products: Vec<String>,
}

impl EarlierRun {
    /// The delivery of a record; `None` where there is no record, or that of a run that failed. A record that cannot be read counts as one
    /// that nobody may replace unasked.
    pub(super) fn read(record_path: &Path) -> Option<Self> {
        let record =
            std::fs::File::open(record_path).ok().and_then(|f| serde_json::from_reader::<_, EarlierRecord>(BufReader::new(f)).ok());
        match record {
            Some(record) if record.decided.result == "failed" => None,
            Some(record) => Some(Self { products: record.decided.products.into_iter().map(|p| p.name).collect() }),
            None => record_path.exists().then(|| Self { products: vec![] }),
        }
    }

    /// Says which of its files are still there and not replaced: nothing tells any more what they are.
    pub(super) fn left_over(&self, folder: &Path, folder_name: &str, replaced: impl Fn(&str) -> bool) -> Option<Diagnostic> {
        let stays = |name: &&String| name.as_str() != SET_ASIDE && !replaced(name) && folder.join(name).is_file();
        let left: Vec<String> = self.products.iter().filter(stays).map(|name| format!("`{name}`")).collect();
        let are = if left.len() == 1 { "is" } else { "are" };
        let what = format!("{} of an earlier run {are} still there and not part of this delivery", left.join(", "));
        (!left.is_empty()).then(|| {
            Diagnostic::new("export/left-over", Verdict::Warn, what)
                .place(format!("folder `{folder_name}`"))
                .size("coordinates of another job, reference or day beside those of this one")
                .why("the job does not deliver them any more, and the record that says what they are is replaced")
                .fix("move them away; a `results` folder of its own for each job keeps deliveries apart")
        })
    }
}
