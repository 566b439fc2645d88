//! JSON values in few bytes.
//!
//! Facts of every session wait on the shelf of the run until the record is written. Numbers are kept bit by bit, which a
//! way through JSON text would not promise, and what is written in the end is what the tree would have written.

use serde::ser::{Error, SerializeMap, SerializeSeq};
use serde::{Serialize, Serializer};
use serde_json::Value;
use std::cell::Cell;

/// A value that can be written and is not looked into any more.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CompactValue(Box<[u8]>);

const NULL: u8 = 0;
const FALSE: u8 = 1;
const TRUE: u8 = 2;
const UNSIGNED: u8 = 3;
const SIGNED: u8 = 4;
const FLOAT: u8 = 5;
const TEXT: u8 = 6;
const LIST: u8 = 7;
const MAP: u8 = 8;

impl CompactValue {
    /// What was packed before, from its bytes.
    #[must_use]
    pub fn from_bytes(bytes: Vec<u8>) -> Self {
        Self(bytes.into_boxed_slice())
    }

    /// The bytes.
    #[must_use]
    pub fn bytes(&self) -> &[u8] {
        &self.0
    }
}

impl From<&Value> for CompactValue {
    fn from(value: &Value) -> Self {
        let mut out = vec![];
        put(value, &mut out);
        Self(out.into_boxed_slice())
    }
}

fn put(value: &Value, out: &mut Vec<u8>) {
    match value {
        Value::Null => out.push(NULL),
        Value::Bool(false) => out.push(FALSE),
        Value::Bool(true) => out.push(TRUE),
        Value::Number(n) => {
            let (kind, bits) = if let Some(n) = n.as_u64() {
                (UNSIGNED, n.to_le_bytes())
            } else if let Some(n) = n.as_i64() {
                (SIGNED, n.to_le_bytes())
            } else {
                (FLOAT, n.as_f64().unwrap_or(f64::NAN).to_le_bytes())
            };
            out.push(kind);
            out.extend(bits);
        }
        Value::String(text) => {
            out.push(TEXT);
            put_text(text, out);
        }
        Value::Array(list) => {
            out.push(LIST);
            put_size(list.len(), out);
            list.iter().for_each(|v| put(v, out));
        }
        Value::Object(map) => {
            out.push(MAP);
            put_size(map.len(), out);
            for (key, value) in map {
                put_text(key, out);
                put(value, out);
            }
        }
    }
}

/// Seven bits at a time, the low ones first.
fn put_size(mut size: usize, out: &mut Vec<u8>) {
    #[allow(clippy::cast_possible_truncation)]
    while size >= 0x80 {
        out.push(size as u8 | 0x80);
        size >>= 7;
    }
    #[allow(clippy::cast_possible_truncation)]
    out.push(size as u8);
}

fn put_text(text: &str, out: &mut Vec<u8>) {
    put_size(text.len(), out);
    out.extend(text.as_bytes());
}

/// Walks over the bytes. `None` does not happen with bytes that [`put`] made.
struct CompactReader<'a> {
    rest: Cell<&'a [u8]>,
}

impl<'a> CompactReader<'a> {
    fn take(&self, n: usize) -> Option<&'a [u8]> {
        let (head, tail) = self.rest.get().split_at_checked(n)?;
        self.rest.set(tail);
        Some(head)
    }

    fn eight(&self) -> Option<[u8; 8]> {
        self.take(8)?.try_into().ok()
    }

    fn size(&self) -> Option<usize> {
        let mut size = 0;
        for shift in (0..usize::BITS).step_by(7) {
            let byte = *self.take(1)?.first()?;
            size |= usize::from(byte & 0x7f) << shift;
            if byte < 0x80 {
                return Some(size);
            }
        }
        None
    }

    fn text(&self) -> Option<&'a str> {
        std::str::from_utf8(self.take(self.size()?)?).ok()
    }
}

impl Serialize for CompactReader<'_> {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        let broken = || S::Error::custom("a packed value is broken");
        match self.take(1).and_then(|b| b.first().copied()).ok_or_else(broken)? {
            NULL => to.serialize_unit(),
            FALSE => to.serialize_bool(false),
            TRUE => to.serialize_bool(true),
            UNSIGNED => to.serialize_u64(u64::from_le_bytes(self.eight().ok_or_else(broken)?)),
            SIGNED => to.serialize_i64(i64::from_le_bytes(self.eight().ok_or_else(broken)?)),
            FLOAT => to.serialize_f64(f64::from_le_bytes(self.eight().ok_or_else(broken)?)),
            TEXT => to.serialize_str(self.text().ok_or_else(broken)?),
            LIST => {
                let size = self.size().ok_or_else(broken)?;
                let mut list = to.serialize_seq(Some(size))?;
                for _ in 0..size {
                    list.serialize_element(self)?;
                }
                list.end()
            }
            MAP => {
                let size = self.size().ok_or_else(broken)?;
                let mut map = to.serialize_map(Some(size))?;
                for _ in 0..size {
                    map.serialize_entry(self.text().ok_or_else(broken)?, self)?;
                }
                map.end()
            }
            _ => Err(broken()),
        }
    }
}

impl Serialize for CompactValue {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        CompactReader { rest: Cell::new(&self.0) }.serialize(to)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn writes_what_the_tree_writes() {
        let long = "x".repeat(20_000);
        let value = serde_json::json!({
            "z": [null, true, false, 0, -1, u64::MAX, i64::MIN, 0.1, -0.0, 1e300, 5e-324, "", "ä\"\n"],
            "a": {"inner": {}, "list": [], "long": long},
            "": [[[1]], {"k": [2.5]}]
        });
        let packed = CompactValue::from(&value);
        assert_eq!(serde_json::to_string_pretty(&packed).unwrap(), serde_json::to_string_pretty(&value).unwrap());
        assert_eq!(serde_json::to_value(&packed).unwrap(), value);
    }

    #[test]
    fn broken_bytes_are_an_error() {
        for bytes in [&[][..], &[LIST, 3], &[TEXT, 0xff, 0xff], &[MAP, 1, 1], &[9], &[FLOAT, 0], &[TEXT, 1, 0xff]] {
            assert!(serde_json::to_string(&CompactValue(bytes.into())).is_err());
        }
    }
}
