//! What every session leaves for the record, off the heap.
//!
//! Facts, set-aside rows and the rows for later steps grow with the number of sessions and are needed once more, at the end.
//! The first of them stay in memory; from a mebibyte on all go to a temporary file in the results folder,
//! which has no name or loses it when it is closed, so that a run that breaks down leaves nothing behind.

use crate::compact::CompactValue;
use serde::ser::Error;
use serde::{Serialize, Serializer};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};
use tempfile::{SpooledTempFile, spooled_tempfile_in};

/// Bytes that are kept in memory before a file is made.
const IN_MEMORY: usize = 1 << 20;

/// Where something lies on the shelf.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct StoredRange {
    at: u64,
    length: usize,
}

impl StoredRange {
    /// The first bytes, and the rest.
    #[must_use]
    pub fn split(self, length: usize) -> (Self, Self) {
        let length = length.min(self.length);
        (Self { length, ..self }, Self { at: self.at + length as u64, length: self.length - length })
    }
}

/// Bytes that are written once and read back later.
pub struct TemporaryStore {
    kept: Mutex<StoreState>,
}

struct StoreState {
    file: SpooledTempFile,
    end: u64,
    failed: Option<io::Error>,
}

impl std::fmt::Debug for TemporaryStore {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Shelf")
    }
}

impl TemporaryStore {
    /// An empty shelf, whose file would be in `folder`.
    #[must_use]
    pub fn new(folder: &Path) -> Self {
        Self { kept: Mutex::new(StoreState { file: spooled_tempfile_in(IN_MEMORY, folder), end: 0, failed: None }) }
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, StoreState> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Puts bytes on the shelf. A failure is kept for [`TemporaryStore::failure`].
    pub fn put(&self, bytes: &[u8]) -> StoredRange {
        let mut kept = self.lock();
        let slot = StoredRange { at: kept.end, length: bytes.len() };
        if kept.failed.is_none() {
            let end = kept.end;
            if let Err(e) = kept.file.seek(SeekFrom::Start(end)).and_then(|_| kept.file.write_all(bytes)) {
                kept.failed = Some(e);
            }
        }
        kept.end += bytes.len() as u64;
        slot
    }

    /// Takes bytes back.
    ///
    /// # Errors
    /// When the file cannot be read, or could not be written.
    pub fn get(&self, slot: StoredRange) -> io::Result<Vec<u8>> {
        let mut bytes = vec![0; slot.length];
        self.read(slot, &mut bytes)?;
        Ok(bytes)
    }

    /// Takes bytes back to where they are wanted, which has their length.
    ///
    /// # Errors
    /// As [`TemporaryStore::get`]; also when the lengths differ.
    pub fn read(&self, slot: StoredRange, to: &mut [u8]) -> io::Result<()> {
        let mut kept = self.lock();
        if let Some(e) = &kept.failed {
            return Err(io::Error::new(e.kind(), e.to_string()));
        }
        if to.len() != slot.length {
            return Err(io::Error::new(io::ErrorKind::InvalidInput, "what was kept has another length"));
        }
        kept.file.seek(SeekFrom::Start(slot.at))?;
        kept.file.read_exact(to)
    }

    /// Why something could not be put, once.
    pub fn failure(&self) -> Option<io::Error> {
        let kept = self.lock();
        kept.failed.as_ref().map(|e| io::Error::new(e.kind(), e.to_string()))
    }
}

/// A packed value on the shelf, taken back when it is written.
#[derive(Clone, Debug)]
pub struct StoredValue {
    shelf: Arc<TemporaryStore>,
    slot: StoredRange,
}

impl StoredValue {
    /// Puts a value on the shelf.
    #[must_use]
    pub fn put(shelf: &Arc<TemporaryStore>, value: &serde_json::Value) -> Self {
        Self { shelf: shelf.clone(), slot: shelf.put(CompactValue::from(value).bytes()) }
    }
}

impl Serialize for StoredValue {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        CompactValue::from_bytes(self.shelf.get(self.slot).map_err(S::Error::custom)?).serialize(to)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn gives_back_what_was_put_in_memory_and_on_disk() {
        let folder = tempfile::tempdir().unwrap();
        let shelf = TemporaryStore::new(folder.path());
        let piece = |n: usize| vec![u8::try_from(n % 251).unwrap(); 100_000 + n];
        let slots: Vec<StoredRange> = (0..30).map(|n| shelf.put(&piece(n))).collect();
        for (n, slot) in slots.iter().enumerate().rev() {
            assert_eq!(shelf.get(*slot).unwrap(), piece(n), "piece {n}");
        }
        let late = shelf.put(b"late");
        assert_eq!(shelf.get(late).unwrap(), b"late");
        assert_eq!(shelf.get(shelf.put(b"")).unwrap(), b"");
        assert!(shelf.failure().is_none());
    }

    #[test]
    fn a_folder_that_is_gone_is_said() {
        let folder = tempfile::tempdir().unwrap();
        let shelf = TemporaryStore::new(&folder.path().join("nowhere"));
        let slot = shelf.put(&vec![0; IN_MEMORY + 1]);
        assert!(shelf.failure().is_some());
        assert!(shelf.get(slot).is_err());
    }
}
