//! What became of the lines of one file.

use super::line::{Reason, unpack};
use pipeline_base::input::LineCount;
use std::collections::BTreeMap;

/// Counts by a packed word. Few words occur, and in much the same order: the one that followed the
/// last word the time before is looked at first.
#[derive(Clone, Debug, Default)]
pub struct Counter {
    entries: Vec<(u128, u64)>,
    /// For each entry the one that came after it.
    after: Vec<usize>,
    last: usize,
}

impl Counter {
    /// Words beyond this many different ones are counted together, so that garbage cannot make
    /// reading slow.
    const MOST: usize = 200;

    /// Adds `n` to a word.
    #[inline]
    pub fn add(&mut self, key: u128, n: u64) {
        let guess = self.after.get(self.last).copied().unwrap_or(0);
        if let Some((k, count)) = self.entries.get_mut(guess)
            && *k == key
        {
            *count += n;
            self.last = guess;
            return;
        }
        self.find(key, n);
    }

    fn find(&mut self, key: u128, n: u64) {
        if let Some(i) = self.entries.iter().position(|(k, _)| *k == key) {
            self.entries[i].1 += n;
            self.follow(i);
        } else if self.entries.len() < Self::MOST {
            self.entries.push((key, n));
            self.after.push(0);
            self.follow(self.entries.len() - 1);
        } else {
            let rest = super::line::pack(b"others");
            match self.entries.iter_mut().find(|(k, _)| *k == rest) {
                Some((_, count)) => *count += n,
                None => self.entries.push((rest, n)),
            }
        }
    }

    fn follow(&mut self, next: usize) {
        if let Some(after) = self.after.get_mut(self.last) {
            *after = next;
        }
        self.last = next;
    }

    /// Words and counts, by name.
    #[must_use]
    pub fn by_name(&self) -> BTreeMap<String, u64> {
        self.entries.iter().filter(|(_, n)| *n > 0).map(|(k, n)| (unpack(*k), *n)).collect()
    }

    /// Sum of all counts.
    #[must_use]
    pub fn sum(&self) -> u64 {
        self.entries.iter().map(|(_, n)| n).sum()
    }

    /// Count of one word.
    #[must_use]
    pub fn of(&self, key: u128) -> u64 {
        self.entries.iter().find(|(k, _)| *k == key).map_or(0, |(_, n)| *n)
    }
}

/// A damaged line, to show.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Example {
    /// Line, counted from 1.
    pub line: u64,
    /// Its text, at most 80 characters, with `?` for bytes that are no text.
    pub text: String,
    /// Time of day that it still shows, nanoseconds.
    pub time: Option<i64>,
}

/// Lines of one file.
#[derive(Clone, Debug, Default)]
pub struct Tally {
    /// File, as the job names it.
    pub file: String,
    /// All lines.
    pub total: u64,
    /// Bytes, unpacked.
    pub bytes: u64,
    /// Bytes that are on lines without any sentence or text.
    pub binary_bytes: u64,
    /// Lines that gave a value.
    pub used: u64,
    /// Whole lines that gave none, by kind.
    pub ignored: Counter,
    /// Whole sentences by address, used or not.
    pub sentences: Counter,
    /// Those of them that had no checksum.
    pub bare: Counter,
    /// Sentences found behind other bytes on their line.
    pub behind: u64,
    /// Damaged lines by reason, in the order of [`Reason::ALL`].
    pub damaged: [u64; Reason::ALL.len()],
    /// The first damaged lines by reason.
    pub examples: [Vec<Example>; Reason::ALL.len()],
}

impl Tally {
    /// Examples kept of each reason.
    pub const EXAMPLES: usize = 5;

    /// A tally of nothing.
    #[must_use]
    pub fn new(file: &str) -> Self {
        Self { file: file.to_owned(), ..Self::default() }
    }

    /// Counts a damaged line.
    pub fn damage(&mut self, reason: Reason, line: u64, text: &[u8]) {
        self.damaged[reason as usize] += 1;
        let examples = &mut self.examples[reason as usize];
        if examples.len() < Self::EXAMPLES {
            let shown = text.iter().take(80).map(|b| if (0x20..0x7f).contains(b) { *b as char } else { '?' }).collect();
            let time = text.split(|b| *b == b',').nth(1).and_then(super::number::time_of_day);
            examples.push(Example { line, text: shown, time });
        }
    }

    /// Count of one reason.
    #[must_use]
    pub fn damaged(&self, reason: Reason) -> u64 {
        self.damaged[reason as usize]
    }

    /// In the form of the record.
    #[must_use]
    pub fn count(&self) -> LineCount {
        LineCount {
            file: self.file.clone(),
            total: self.total,
            used: self.used,
            ignored: self.ignored.by_name(),
            damaged: Reason::ALL.iter().map(|r| (r.word().to_owned(), self.damaged(*r))).filter(|(_, n)| *n > 0).collect(),
        }
    }
}
