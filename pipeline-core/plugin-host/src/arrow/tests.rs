//! Tables go through the C interface and through files and come back the same.

#![allow(unsafe_code)]

use super::*;
use import::OwnedStream;
use pipeline_base::table::TableBuilder;
use pipeline_base::table::schema::{Column as Spec, Role, Unit};
use proptest::prelude::*;
use std::sync::{Arc, Mutex, MutexGuard};

/// The list of lent structs is one for the process, and some tests count it: whoever lends has the turn.
struct Turn(#[expect(dead_code, reason = "held, not read")] MutexGuard<'static, ()>);

fn turn() -> Turn {
    static TURN: Mutex<()> = Mutex::new(());
    Turn(TURN.lock().unwrap_or_else(std::sync::PoisonError::into_inner))
}

type Row = (Option<f64>, i64, Option<String>, bool, Option<i64>);

pub(crate) fn table(rows: &[Row]) -> Table {
    let schema = Arc::new(Schema {
        columns: vec![
            Spec::maybe("height_m", Holds::Float, Unit::Metre, Role::EllipsoidalHeight),
            Spec::always("epoch", Holds::Int, Unit::None, Role::Epoch),
            Spec::maybe("point", Holds::Text, Unit::None, Role::Point),
            Spec::always("assumed", Holds::Bool, Unit::None, Role::SigmaAssumed),
            Spec::maybe("time", Holds::Instant, Unit::None, Role::Time),
        ],
        frame: None,
    });
    let mut builder = TableBuilder::new(schema, rows.len());
    builder.floats("height_m", rows.iter().map(|r| r.0.unwrap_or(f64::NAN)).collect());
    builder.ints("epoch", rows.iter().map(|r| r.1).collect());
    builder.texts("point", rows.iter().map(|r| r.2.as_deref()));
    builder.bools("assumed", &rows.iter().map(|r| r.3).collect::<Vec<_>>());
    builder.instants_or_none("time", rows.iter().map(|r| r.4));
    builder.finish().unwrap()
}

fn rows() -> impl Strategy<Value = Vec<Row>> {
    let text = prop_oneof![Just(None), "[a-zØ漢]{0,20}".prop_map(Some)];
    let float = prop_oneof![Just(None), (-1e6..1e6).prop_map(Some)];
    prop::collection::vec((float, any::<i64>(), text, any::<bool>(), prop::option::of(any::<i64>())), 0..40)
}

/// Through the C interface; `forget` leaves out what was lent, so that every value is read again.
fn through(_: &Turn, table: &Table, forget: bool) -> Result<ReturnedTable, ReadFailure> {
    let mut lent = vec![];
    let mut stream = OwnedStream(export::stream(table, &mut lent).unwrap());
    if forget {
        lent.clear();
    }
    let inputs: Vec<&Column> = table.data.columns().iter().collect();
    import::stream(&mut stream, &lent, Some(table.rows()))?.answer(&inputs)
}

fn same(answer: ReturnedTable, table: &Table) {
    assert_eq!(answer.claim, claim_of(&table.schema));
    let back = Table::new(DataFrame::new(answer.rows, answer.columns).unwrap(), table.schema.clone()).unwrap();
    assert!(back.data.equals_missing(&table.data), "{:?}\n{:?}", back.data, table.data);
}

proptest! {
    #[test]
    fn a_table_comes_back_the_same(all in rows(), from in 0_usize..20, take in 0_usize..40) {
        let turn = turn();
        let before = export::out();
        let whole = table(&all);
        // Slices begin in the middle of a byte of bits.
        let part = Table { data: whole.data.slice(from as i64, take), schema: whole.schema.clone() };
        for t in [&whole, &part] {
            same(through(&turn, t, false).unwrap(), t);
            same(through(&turn, t, true).unwrap(), t);
            let folder = tempfile::tempdir().unwrap();
            let path = folder.path().join("t.arrow");
            ipc::write(&path, &claim_of(&t.schema), t.rows(), crate::arrow::arrays(t).unwrap()).unwrap();
            same(ipc::read(&path).unwrap(), t);
        }
        prop_assert_eq!(export::out(), before);
    }

    #[test]
    fn a_damaged_file_is_an_answer(all in rows(), at in 0_usize..4000, byte in any::<u8>(), cut in any::<bool>()) {
        let t = table(&all);
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("t.arrow");
        ipc::write(&path, &claim_of(&t.schema), t.rows(), crate::arrow::arrays(&t).unwrap()).unwrap();
        let mut bytes = std::fs::read(&path).unwrap();
        let at = at % bytes.len();
        if cut { bytes.truncate(at); } else { bytes[at] = byte; }
        std::fs::write(&path, bytes).unwrap();
        let _ = ipc::read(&path);
    }
}

fn some_rows(n: i64) -> Vec<Row> {
    (0..n).map(|i| (Some(i as f64), i, Some(format!("a text that is long enough {i}")), i % 2 == 0, None)).collect()
}

#[test]
fn what_is_lent_untouched_comes_back_as_itself() {
    let turn = turn();
    let t = table(&some_rows(100));
    let answer = through(&turn, &t, false).unwrap();
    let address = |c: &Column| c.as_materialized_series().f64().unwrap().cont_slice().unwrap().as_ptr();
    assert_eq!(address(&answer.columns[0]), address(&t.data.columns()[0]));
}

#[test]
fn a_second_release_does_nothing() {
    let _turn = turn();
    let before = export::out();
    let t = table(&some_rows(3));
    let mut lent = vec![];
    let mut stream = export::stream(&t, &mut lent).unwrap();
    let release = stream.release.unwrap();
    // SAFETY: a stream of this program; the second call is the point of the test.
    unsafe {
        release(&raw mut stream);
        release(&raw mut stream);
        assert!(stream.release.is_none());
        let mut array: gunter_plugin_abi::ArrowArray = std::mem::zeroed();
        assert_ne!(lend_next(&mut stream, &mut array), 0);
    }
    assert_eq!(export::out(), before);
}

unsafe fn lend_next(stream: &mut gunter_plugin_abi::ArrowArrayStream, array: &mut gunter_plugin_abi::ArrowArray) -> i32 {
    // SAFETY: the stream's own function.
    unsafe { stream.get_next.unwrap()(stream, array) }
}

#[test]
fn a_number_that_is_not_finite_is_named() {
    let turn = turn();
    let mut t = table(&some_rows(3));
    t.data.with_column(Series::new("height_m".into(), [1.0, f64::NAN, f64::INFINITY]).into_column()).unwrap();
    let error = through(&turn, &t, true).unwrap_err();
    assert!(error.contains("`height_m`") && error.contains("row 1") && error.contains("NaN"), "{error}");
}
