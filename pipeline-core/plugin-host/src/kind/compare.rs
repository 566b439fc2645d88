//! What came back, held against what was promised.

use crate::arrow::{ReturnedTable, StatedColumn};
use pipeline_base::table::Table;
use pipeline_base::table::schema::{Column as Spec, Frame, Schema};
use polars::prelude::DataFrame;
use serde_json::Value;
use std::sync::Arc;

type BrokenPromise = (&'static str, String);

fn wrong(what: impl Into<String>) -> BrokenPromise {
    ("plugin/wrong-table", what.into())
}

/// The answer under the promised schema.
pub(super) fn table(answer: ReturnedTable, promised: &Arc<Schema>) -> Result<Table, BrokenPromise> {
    frame(answer.claim.frame.as_deref(), promised.frame.as_ref())?;
    columns(&answer.claim.columns, &promised.columns)?;
    let data = DataFrame::new(answer.rows, answer.columns).map_err(|e| wrong(e.to_string()))?;
    Table::new(data, promised.clone()).map_err(|p| wrong(p.finding.what))
}

fn frame(said: Option<&str>, promised: Option<&Frame>) -> Result<(), BrokenPromise> {
    let said = said.ok_or_else(|| wrong("its table does not say which frame its coordinates are in"))?;
    let said: Option<Frame> = serde_json::from_str(said).map_err(|e| wrong(format!("the frame of its table cannot be read: {e}")))?;
    match (&said, promised) {
        (None, None) => Ok(()),
        (None, Some(p)) => Err(wrong(format!("it promised coordinates in {} and dropped the frame", p.name))),
        (Some(s), None) => Err(wrong(format!("it promised no coordinates and says that they are in {}", s.name))),
        (Some(s), Some(p)) if s.same(p) => Ok(()),
        (Some(s), Some(p)) => {
            Err(wrong(format!("it promised {} and says {}", pipeline_core::plan::print::frame(p), pipeline_core::plan::print::frame(s))))
        }
    }
}

fn columns(have: &[StatedColumn], want: &[Spec]) -> Result<(), BrokenPromise> {
    if let Some(extra) = have.iter().find(|h| want.iter().all(|w| w.name != h.name)) {
        return Err(wrong(format!("it delivers the column `{}` that it did not promise", extra.name)));
    }
    if let Some(lost) = want.iter().find(|w| have.iter().all(|h| h.name != w.name)) {
        return Err(wrong(format!("it promised the column `{}` and does not deliver it", lost.name)));
    }
    if have.len() != want.len() {
        return Err(wrong(format!("it promised {} columns and delivers {}", want.len(), have.len())));
    }
    for (h, w) in have.iter().zip(want) {
        if h.name != w.name {
            return Err(wrong(format!("it promised `{}` and delivers `{}` in its place", w.name, h.name)));
        }
        if h.holds != w.holds {
            return Err(wrong(format!("it promised {:?} in column `{}` and delivers {:?}", w.holds, w.name, h.holds)));
        }
        meaning(h.meaning.as_deref(), w)?;
    }
    Ok(())
}

fn meaning(said: Option<&str>, promised: &Spec) -> Result<(), BrokenPromise> {
    let name = &promised.name;
    let said = said.ok_or_else(|| wrong(format!("its column `{name}` does not say its unit and role")))?;
    let said: Value = serde_json::from_str(said).map_err(|e| wrong(format!("unit and role of its column `{name}` cannot be read: {e}")))?;
    let word = |key: &str| said.get(key).and_then(Value::as_str).map(str::to_owned);
    let (unit, role) = (word("unit"), word("role"));
    let promised_role = serde_json::to_value(promised.role).ok().and_then(|v| v.as_str().map(str::to_owned));
    if unit.as_deref() != Some(promised.unit.symbol()) {
        let shown = |u: &str| if u.is_empty() { "no unit".to_owned() } else { format!("`{u}`") };
        let said = unit.as_deref().map_or_else(|| "says nothing".to_owned(), |u| format!("says {}", shown(u)));
        return Err(wrong(format!("it promised column `{name}` in {} and {said}", shown(promised.unit.symbol()))));
    }
    if role != promised_role {
        let (want, have) = (promised_role.unwrap_or_default(), role.unwrap_or_else(|| "nothing".into()));
        return Err(wrong(format!("it promised that column `{name}` is `{want}` and says `{have}`")));
    }
    Ok(())
}
