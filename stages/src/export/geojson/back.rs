//! A written file, read again one feature after the other: as one tree it would take many times the memory of its table.

use pipeline_base::problem::Problem;
use serde::de::{DeserializeSeed, Deserializer, Error, IgnoredAny, MapAccess, SeqAccess, Visitor};
use serde_json::Value;
use std::fmt;
use std::io::Read;

/// What a file holds beside its features, and how many those are.
pub struct Back<F> {
    /// The member `type`.
    pub kind: Value,
    /// The statement of reference.
    pub statement: Value,
    /// How many features there are; `None` without such a member.
    pub features: Option<usize>,
    /// What the look at a feature found.
    pub problem: Option<Problem>,
    look: F,
}

impl<F: FnMut(usize, &Value) -> Result<(), Problem>> Back<F> {
    /// Nothing yet; `look` is shown each feature and its number, from 0.
    pub fn new(look: F) -> Self {
        Self { kind: Value::Null, statement: Value::Null, features: None, problem: None, look }
    }

    /// Reads everything, or up to the first feature with a problem.
    ///
    /// # Errors
    /// When it cannot be read, is no JSON, or a problem was found.
    pub fn read(&mut self, from: impl Read) -> serde_json::Result<()> {
        let mut from = serde_json::Deserializer::from_reader(from);
        from.deserialize_map(&mut *self)?;
        from.end()
    }
}

impl<'de, F: FnMut(usize, &Value) -> Result<(), Problem>> Visitor<'de> for &mut Back<F> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter) -> fmt::Result {
        f.write_str("a collection of features")
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<(), A::Error> {
        while let Some(key) = map.next_key::<String>()? {
            match key.as_str() {
                "type" => self.kind = map.next_value()?,
                "statement_of_reference" => self.statement = map.next_value()?,
                "features" => map.next_value_seed(Features(self))?,
                _ => {
                    map.next_value::<IgnoredAny>()?;
                }
            }
        }
        Ok(())
    }
}

struct Features<'a, F>(&'a mut Back<F>);

impl<'de, F: FnMut(usize, &Value) -> Result<(), Problem>> DeserializeSeed<'de> for Features<'_, F> {
    type Value = ();

    fn deserialize<D: Deserializer<'de>>(self, from: D) -> Result<(), D::Error> {
        from.deserialize_seq(self)
    }
}

impl<'de, F: FnMut(usize, &Value) -> Result<(), Problem>> Visitor<'de> for Features<'_, F> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter) -> fmt::Result {
        f.write_str("a list of features")
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut list: A) -> Result<(), A::Error> {
        let mut count = 0;
        while let Some(feature) = list.next_element::<Value>()? {
            if let Err(problem) = (self.0.look)(count, &feature) {
                self.0.problem = Some(problem);
                return Err(A::Error::custom("a feature differs"));
            }
            count += 1;
        }
        self.0.features = Some(count);
        Ok(())
    }
}
