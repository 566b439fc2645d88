//! YAML text to a value; the only user of the YAML deserialiser.

pub mod spans;

use crate::diag::{Diagnostic, Label, Verdict};
use serde_json::{Map, Number, Value};
use spans::Spans;

/// A job, rig or reference as text, value and places.
#[derive(Clone, Debug)]
pub struct Document {
    /// The file's name for messages and the record.
    pub name: String,
    /// The text.
    pub text: String,
    /// The value.
    pub value: Value,
    /// Where keys and values stand.
    pub spans: Spans,
    /// SHA-256 of the text, in hexadecimal.
    pub sha256: String,
}

impl Document {
    /// A label on the value of a path.
    #[must_use]
    pub fn value_label(&self, path: &str, text: impl Into<String>) -> Label {
        let range = self.spans.place(path).map(|p| p.value.clone());
        self.label(range, text)
    }

    /// A label on the key of a path, or on its value when it has none.
    #[must_use]
    pub fn key_label(&self, path: &str, text: impl Into<String>) -> Label {
        let range = self.spans.place(path).map(|p| p.key.clone().unwrap_or_else(|| p.value.clone()));
        self.label(range, text)
    }

    fn label(&self, range: Option<std::ops::Range<usize>>, text: impl Into<String>) -> Label {
        // A whole block would bury the message: underline its first line only.
        let range = range.map(|r| {
            let first = self.text.get(r.clone()).and_then(|t| t.lines().next()).map_or(0, |l| l.trim_end().len());
            r.start..r.start + first
        });
        let (line, column) = range.as_ref().map_or((None, None), |r| {
            let before = self.text.get(..r.start).unwrap_or("");
            let line = before.matches('\n').count() as u64 + 1;
            let column = before.rsplit('\n').next().unwrap_or("").chars().count() as u64 + 1;
            (Some(line), Some(column))
        });
        Label { file: self.name.clone(), range, line, column, last_line: None, text: text.into() }
    }

    /// The text of a scalar, as it was typed.
    #[must_use]
    pub fn raw(&self, path: &str) -> Option<&str> {
        self.text.get(self.spans.exact(path)?.value.clone())
    }
}

/// Largest job, rig or reference that is read, in bytes.
const LARGEST: usize = 4 << 20;

/// Reads a YAML text.
///
/// # Errors
/// A finding with its place: not UTF-8, not YAML, keys that are not text, numbers that are not finite.
pub fn read(name: &str, bytes: &[u8]) -> Result<Document, Box<Diagnostic>> {
    let fail = |what: String| Box::new(Diagnostic::new("job/syntax", Verdict::Error, what).label(Label::file(name, "this file")));
    if bytes.len() > LARGEST {
        return Err(fail(format!("`{name}` has {} bytes, which is too large for a job file", bytes.len())));
    }
    let text = std::str::from_utf8(bytes)
        .map_err(|e| {
            let line = bytes[..e.valid_up_to()].iter().filter(|b| **b == b'\n').count() as u64 + 1;
            let mut d = fail(format!("`{name}` is not UTF-8 text"));
            d.labels = vec![Label::lines(name, line, line, "not UTF-8 from here")];
            d.fix("save the file as UTF-8")
        })
        .map_err(|d| Box::new(Diagnostic::clone(&d)))?;
    let text = text.to_owned();
    let spans = Spans::read(&text);
    let sha256 = crate::digest::sha256_hex(text.as_bytes());
    let mut document = Document { name: name.to_owned(), text, value: Value::Null, spans, sha256 };
    let value: serde_yaml::Value = serde_yaml::from_str(&document.text).map_err(|e| {
        let mut message = e.to_string();
        let mut d = Diagnostic::new("job/syntax", Verdict::Error, String::new());
        if let Some(at) = e.location() {
            if let Some(cut) = message.rfind(" at line ") {
                message.truncate(cut);
            }
            let line_start = document.text.split_inclusive('\n').take(at.line().saturating_sub(1)).map(str::len).sum::<usize>();
            let line_len = document.text.get(line_start..).and_then(|t| t.lines().next()).map_or(0, |l| l.trim_end().len());
            d.labels.push(Label {
                file: name.to_owned(),
                range: Some(line_start..line_start + line_len),
                line: Some(at.line() as u64),
                column: Some(at.column() as u64),
                last_line: None,
                text: "here".into(),
            });
        } else {
            d.labels.push(Label::file(name, "this file"));
        }
        d.what = format!("this is not valid YAML: {message}");
        Box::new(d.fix("check indentation, colons and quotes at this line"))
    })?;
    if value.is_null() {
        let d = Diagnostic::new("job/syntax", Verdict::Error, format!("`{name}` holds no keys"))
            .label(Label::file(name, "empty, or comments only"));
        return Err(Box::new(d.fix("`gunter schema` prints the form of the file")));
    }
    document.value = convert(value, "", &document)?;
    Ok(document)
}

fn convert(value: serde_yaml::Value, path: &str, document: &Document) -> Result<Value, Box<Diagnostic>> {
    let fail = |what: String, fix: &str| {
        Box::new(Diagnostic::new("job/syntax", Verdict::Error, what).label(document.value_label(path, "here")).fix(fix))
    };
    Ok(match value {
        serde_yaml::Value::Null => Value::Null,
        serde_yaml::Value::Bool(b) => Value::Bool(b),
        serde_yaml::Value::String(s) => Value::String(s),
        serde_yaml::Value::Number(n) => {
            if let Some(i) = n.as_i64() {
                Value::from(i)
            } else if let Some(u) = n.as_u64() {
                Value::from(u)
            } else {
                let number = n.as_f64().and_then(Number::from_f64);
                Value::Number(number.ok_or_else(|| fail(format!("`{n}` is not a finite number"), "write a number"))?)
            }
        }
        serde_yaml::Value::Sequence(items) => Value::Array(
            items.into_iter().enumerate().map(|(i, v)| convert(v, &format!("{path}[{i}]"), document)).collect::<Result<_, _>>()?,
        ),
        serde_yaml::Value::Mapping(entries) => {
            let mut map = Map::new();
            for (key, value) in entries {
                let serde_yaml::Value::String(key) = key else {
                    return Err(fail("a key must be text".into(), "put the key in quotes"));
                };
                let below = join(path, &key);
                let value = convert(value, &below, document)?;
                map.insert(key, value);
            }
            Value::Object(map)
        }
        serde_yaml::Value::Tagged(_) => return Err(fail("YAML tags are not used here".into(), "remove the word that begins with `!`")),
    })
}

/// A dotted path one key deeper.
#[must_use]
pub fn join(path: &str, key: &str) -> String {
    if path.is_empty() { key.to_owned() } else { format!("{path}.{key}") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn syntax_errors_have_a_place() {
        let e = read("j.yaml", b"a: 1\nb: [1, 2\nc: 3\n").unwrap_err();
        assert_eq!(e.code, "job/syntax");
        assert!(e.labels[0].line.is_some(), "{e:?}");
        let e = read("j.yaml", b"a: \xff\n").unwrap_err();
        assert!(e.what.contains("UTF-8"));
        let e = read("j.yaml", b"a: .nan\n").unwrap_err();
        assert!(e.what.contains("finite"));
        let e = read("j.yaml", b"a: 1\na: 2\n").unwrap_err();
        assert!(e.what.contains("duplicate"), "{}", e.what);
    }

    #[test]
    fn deep_nesting_and_alias_bombs_are_refused() {
        let deep = "[".repeat(5000);
        assert!(read("j", deep.as_bytes()).is_err());
        let mut bomb = String::from("a0: &a0 [x,x,x,x,x,x,x,x,x]\n");
        for i in 1..12 {
            bomb += &format!("a{i}: &a{i} [*a{p},*a{p},*a{p},*a{p},*a{p},*a{p},*a{p},*a{p},*a{p}]\n", p = i - 1);
        }
        assert!(read("j", bomb.as_bytes()).is_err());
    }

    #[test]
    fn both_readers_see_the_same_paths() {
        let text = "job: 1\nsteps:\n- id: a\n  options:\n    files: [x, y]\n    deep: {k: [ {z: 1} ]}\nempty: {}\nnone:\n";
        let document = read("j", text.as_bytes()).unwrap();
        fn walk(v: &Value, path: String, out: &mut Vec<String>) {
            out.push(path.clone());
            match v {
                Value::Array(items) => items.iter().enumerate().for_each(|(i, v)| walk(v, format!("{path}[{i}]"), out)),
                Value::Object(map) => map.iter().for_each(|(k, v)| walk(v, join(&path, k), out)),
                _ => {}
            }
        }
        let mut paths = vec![];
        walk(&document.value, String::new(), &mut paths);
        paths.sort();
        assert_eq!(document.spans.paths().collect::<Vec<_>>(), paths);
    }

    proptest::proptest! {
        #[test]
        fn never_panics(bytes in proptest::collection::vec(proptest::num::u8::ANY, 0..200)) {
            let _ = read("j", &bytes);
        }
    }
}
