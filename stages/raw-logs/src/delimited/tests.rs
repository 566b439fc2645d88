use super::*;
use proptest::prelude::*;

fn fields(text: &str, delimiter: Delimiter) -> Option<Vec<String>> {
    let mut out = vec![String::from("old"); 9];
    split(text, delimiter, &mut out).then_some(out)
}

#[test]
fn fields_of_a_line() {
    assert_eq!(fields("a, b ,\"c,\"\"d\"\"\",", Delimiter::Comma).unwrap(), ["a", "b", "c,\"d\"", ""]);
    assert_eq!(fields("  a   b\tc ", Delimiter::Blanks).unwrap(), ["a", "b", "c"]);
    assert_eq!(fields("a\t\tb", Delimiter::Tab).unwrap(), ["a", "", "b"]);
    assert_eq!(fields("1,5;2", Delimiter::Semicolon).unwrap(), ["1,5", "2"]);
    assert_eq!(fields("\"open,b", Delimiter::Comma), None);
    assert_eq!(fields("\"a\"b,c", Delimiter::Comma), None);
}

#[test]
fn numbers() {
    assert_eq!(number("1,25", true), Ok(Some(1.25)));
    assert_eq!(number("1.25", true), Ok(Some(1.25)));
    assert_eq!(number("1.234,5", true), Err(NotANumber::Text));
    assert_eq!(number("", false), Ok(None));
    for text in ["nan", "NaN", "inf", "-infinity", "1e999"] {
        assert_eq!(number(text, false), Err(NotANumber::NotFinite), "{text}");
    }
    assert_eq!(number("1.2.3", false), Err(NotANumber::Text));
}

pub(super) fn read(bytes: &[u8], layout: &Layout, wanted: Vec<&str>) -> Result<(LineCount, Vec<String>, usize), Problem> {
    let mut lines = Lines::new(Box::new(std::io::Cursor::new(bytes.to_vec())), "t.csv", layout, wanted)?;
    let mut rows = vec![];
    while lines.next_row()? {
        rows.push(lines.row().text(0).to_owned());
        lines.used();
    }
    Ok((lines.count.clone(), rows, lines.findings.len()))
}

#[test]
fn every_line_has_a_fate() {
    let layout = Layout { remark: Some("#".into()), skip_lines: 1, ..Layout::default() };
    let text = b"made by a logger\n# remark\nt,v\r\n1,2\n\n# more\n3\n\xff,1\n\"x,1\n4,5";
    let (count, rows, findings) = read(text, &layout, vec!["t"]).unwrap();
    assert_eq!(rows, ["1", "4"]);
    assert_eq!((count.total, count.used, findings), (10, 2, 3));
    assert_eq!(
        count.ignored.iter().map(|(k, v)| (k.as_str(), *v)).collect::<Vec<_>>(),
        [("before-header", 1), ("blank", 1), ("header", 1), ("remark", 2)]
    );
    assert_eq!(count.damaged.iter().map(|(k, v)| (k.as_str(), *v)).collect::<Vec<_>>(), [("fields", 1), ("not-text", 1), ("quote", 1)]);
    assert_eq!(count.total, count.used + count.ignored.values().sum::<u64>() + count.damaged.values().sum::<u64>());
}

#[test]
fn columns_by_name() {
    let layout = Layout::default();
    let problem = read(b"time,speed\n1,2\n", &layout, vec!["time", "heading"]).unwrap_err();
    assert_eq!(problem.finding.code, "data/missing-column");
    assert!(problem.finding.why.contains("`speed`") && problem.finding.what.contains("`heading`"));
    assert!(read(b"t,t\n1,2\n", &layout, vec!["t"]).is_err());
    assert!(read(b"", &layout, vec!["t"]).is_err());
    let named = Layout { names: Some(vec!["a".into(), "b".into()]), ..Layout::default() };
    assert_eq!(read(b"1,2\n", &named, vec!["b"]).unwrap().1, ["2"]);
    assert_eq!(read(b"\xef\xbb\xbft,v\n1,2\n", &layout, vec!["t"]).unwrap().1, ["1"]);
}

proptest! {
    #[test]
    fn any_bytes_are_counted(bytes in prop::collection::vec(prop_oneof![Just(b'\n'), Just(b','), Just(b'"'), Just(b' '), Just(b'\r'), Just(b'1'), any::<u8>()], 0..200)) {
        for delimiter in [Delimiter::Comma, Delimiter::Blanks, Delimiter::Tab] {
            let layout = Layout { delimiter, names: Some(vec!["a".into(), "b".into()]), ..Layout::default() };
            let (count, ..) = read(&bytes, &layout, vec!["b"]).unwrap();
            let breaks = bytes.iter().filter(|b| **b == b'\n').count() as u64;
            let last = u64::from(bytes.last().is_some_and(|b| *b != b'\n'));
            prop_assert_eq!(count.total, breaks + last);
            prop_assert_eq!(count.total, count.used + count.ignored.values().sum::<u64>() + count.damaged.values().sum::<u64>());
        }
    }
}
