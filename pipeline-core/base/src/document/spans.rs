//! Where each key and value of a YAML text stands: dotted path to byte range.
//!
//! Values come only from the deserialiser, positions only from here. Where the two disagree the
//! worst that can happen is a missing underline.

use saphyr_parser::{Event, Parser, Span};
use std::collections::BTreeMap;
use std::ops::Range;

/// Place of one entry.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Place {
    /// Its key, for entries of a mapping.
    pub key: Option<Range<usize>>,
    /// Its value. Scalars have their exact text; collections reach from first to last child.
    pub value: Range<usize>,
}

/// Places by dotted path (`steps[2].options.max_pdop`); the whole text has the empty path.
#[derive(Clone, Debug, Default)]
pub struct Spans {
    places: BTreeMap<String, Place>,
}

/// One open collection while events are read.
enum Open {
    Map { path: String, key: Option<(String, Range<usize>)>, from: usize },
    Seq { path: String, next: usize, from: usize },
}

/// Collections may nest this deep; deeper text is refused by the caller anyway.
const DEEPEST: usize = 64;

impl Spans {
    /// Reads the places of a text. A text that is not YAML gives what was read up to the fault.
    #[must_use]
    pub fn read(text: &str) -> Self {
        // The parser counts characters and the renderer counts bytes: convert once, here.
        let bytes: Vec<usize> = text.char_indices().map(|(i, _)| i).chain([text.len()]).collect();
        let at = |character: usize| bytes.get(character).copied().unwrap_or(text.len());
        let range = |span: &Span| {
            let start = at(span.start.index());
            start..at(span.end.index()).max(start)
        };
        let mut places = BTreeMap::new();
        let mut open: Vec<Open> = vec![];
        for event in Parser::new_from_str(text) {
            let Ok((event, span)) = event else { break };
            let here = range(&span);
            match event {
                Event::Scalar(word, ..) => {
                    if let Some(Open::Map { key: key @ None, .. }) = open.last_mut() {
                        *key = Some((word.into_owned(), here));
                    } else {
                        close_value(&mut places, &mut open, here);
                    }
                }
                Event::Alias(_) => close_value(&mut places, &mut open, here),
                Event::MappingStart(..) | Event::SequenceStart(..) => {
                    if open.len() >= DEEPEST {
                        break;
                    }
                    let path = child_path(&open);
                    let from = here.start;
                    open.push(if matches!(event, Event::MappingStart(..)) {
                        Open::Map { path, key: None, from }
                    } else {
                        Open::Seq { path, next: 0, from }
                    });
                }
                Event::MappingEnd | Event::SequenceEnd => {
                    let Some(Open::Map { from, .. } | Open::Seq { from, .. }) = open.pop() else { break };
                    let end = here.end.max(from);
                    let trimmed = from + text.get(from..end).map_or(0, |t| t.trim_end().len());
                    close_value(&mut places, &mut open, from..trimmed);
                }
                _ => {}
            }
        }
        Self { places }
    }

    /// The place of a path, or of its nearest parent that has one.
    #[must_use]
    pub fn place(&self, path: &str) -> Option<&Place> {
        let mut path = path;
        loop {
            if let Some(place) = self.places.get(path) {
                return Some(place);
            }
            if path.is_empty() {
                return None;
            }
            path = path.rfind(['.', '[']).map_or("", |i| &path[..i]);
        }
    }

    /// The place of exactly this path.
    #[must_use]
    pub fn exact(&self, path: &str) -> Option<&Place> {
        self.places.get(path)
    }

    /// All paths, sorted.
    pub fn paths(&self) -> impl Iterator<Item = &str> {
        self.places.keys().map(String::as_str)
    }
}

fn child_path(open: &[Open]) -> String {
    match open.last() {
        None => String::new(),
        Some(Open::Map { path, key, .. }) => {
            let key = key.as_ref().map_or("", |(k, _)| k.as_str());
            if path.is_empty() { key.to_owned() } else { format!("{path}.{key}") }
        }
        Some(Open::Seq { path, next, .. }) => format!("{path}[{next}]"),
    }
}

fn close_value(places: &mut BTreeMap<String, Place>, open: &mut [Open], value: Range<usize>) {
    let path = child_path(open);
    let key = match open.last_mut() {
        Some(Open::Map { key, .. }) => key.take().map(|(_, range)| range),
        Some(Open::Seq { next, .. }) => {
            *next += 1;
            None
        }
        None => None,
    };
    places.entry(path).or_insert(Place { key, value });
}

#[cfg(test)]
mod tests {
    use super::*;

    fn text_at<'a>(text: &'a str, path: &str) -> &'a str {
        let spans = Spans::read(text);
        &text[spans.exact(path).unwrap_or_else(|| panic!("no {path}")).value.clone()]
    }

    #[test]
    fn block_and_flow() {
        let text = "job: 1\nsteps:\n  - id: a\n    options: {files: [x.nmea, 'y z'], n: 1.10}\n  - id: b\n";
        assert_eq!(text_at(text, "steps[0].options.files[1]"), "'y z'");
        assert_eq!(text_at(text, "steps[0].options.n"), "1.10");
        assert_eq!(text_at(text, "steps[1].id"), "b");
        assert_eq!(text_at(text, "steps[0].options"), "{files: [x.nmea, 'y z'], n: 1.10}");
    }

    #[test]
    fn characters_are_not_bytes() {
        let text = "\u{feff}name: Ørsted 🚰 pipe\r\nnext: é\r\n";
        assert_eq!(text_at(text, "name"), "Ørsted 🚰 pipe");
        assert_eq!(text_at(text, "next"), "é");
        assert!(Spans::read("").exact("a").is_none());
    }

    #[test]
    fn parents_stand_in() {
        let spans = Spans::read("a:\n  b: 1\n");
        assert_eq!(spans.place("a.c.d"), spans.exact("a"));
    }

    proptest::proptest! {
        #[test]
        fn never_panics(text in "\\PC*") {
            let spans = Spans::read(&text);
            for path in spans.paths() {
                let place = spans.exact(path).cloned();
                proptest::prop_assert!(place.is_some_and(|p| text.get(p.value).is_some()));
            }
        }
    }
}
