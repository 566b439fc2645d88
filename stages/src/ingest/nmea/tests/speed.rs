//! How fast the reader is; not run by default.
//!
//! `cargo test --release -p stages speed -- --ignored --nocapture`

use super::*;

#[test]
#[ignore = "a measurement, not a test"]
fn megabytes_per_second() {
    let text = logs::day(200_000);
    let bytes = text.as_bytes();
    let settings = Settings::new(Some(UntimedRule::AfterTime), ChecksumRule::default(), HeightRule::default(), Some(&rig()));
    let schema = Arc::new(epoch_schema(&reference(), Some(&rig()), false));
    for _ in 0..5 {
        let start = std::time::Instant::now();
        let mut scan = Scan::new(&settings);
        let mut from = bytes;
        scan.read("log", &mut from, None, &mut |_| true).unwrap();
        let mut log = scan.finish();
        log.settle();
        assert!(matches!(date(&mut log, None), Dated::Yes { .. }));
        let read = start.elapsed().as_secs_f64();
        assert_eq!(log.columns.rows(), 200_000);
        log.columns.files = vec!["log".to_owned()];
        let table = log.columns.into_table(schema.clone(), "s").unwrap();
        let whole = start.elapsed().as_secs_f64();
        assert_eq!(table.rows(), 200_000);
        let mb = bytes.len() as f64 / 1e6;
        eprintln!("{mb:.0} MB: {:.0} MB/s into columns, {:.0} MB/s into a table", mb / read, mb / whole);
    }
}
