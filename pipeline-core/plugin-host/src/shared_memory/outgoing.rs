//! The memory of what goes to a child, which is the same from call to call.
//!
//! For fresh pages the kernel needs several times longer than a copy takes, so the tables of a call are written over those
//! of the call before, when they fit and the child has let go of them. It is sealed against everybody but this process, which
//! has it mapped before: a child that opens it for writing can neither change nor cut it.

use super::{MemoryPiece, SealAgainst, seal};
use crate::arrow::shared_table::Writer;
use polars_buffer::Buffer;
use std::fs::File;
use std::io;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

/// This part of the computer's memory at most is kept, of all children together.
const SHARE: u64 = 8;

/// Bytes that are kept now.
static KEPT: AtomicU64 = AtomicU64::new(0);

/// Counts for [`KEPT`].
struct CountedBytes(u64);

impl CountedBytes {
    /// Unless it would be too much.
    fn new(length: u64) -> Option<Self> {
        let counted = Self(length);
        (KEPT.fetch_add(length, Ordering::Relaxed).saturating_add(length) <= most_kept()).then_some(counted)
    }
}

impl Drop for CountedBytes {
    fn drop(&mut self) {
        KEPT.fetch_sub(self.0, Ordering::Relaxed);
    }
}

fn most_kept() -> u64 {
    // SAFETY: plain calls.
    let (pages, size) = unsafe { (libc::sysconf(libc::_SC_PHYS_PAGES), libc::sysconf(libc::_SC_PAGESIZE)) };
    u64::try_from(pages).unwrap_or(0).saturating_mul(u64::try_from(size).unwrap_or(0)) / SHARE
}

/// Pages that can be written again.
struct ReusableMemory {
    map: memmap2::MmapMut,
    /// Whether the kernel was asked to map them all: one by one, at the first touch, takes four times as long.
    mapped: bool,
    _counted: CountedBytes,
}

impl ReusableMemory {
    /// Those of a segment that is written already; none when too much is kept or the system cannot seal them.
    fn keep(segment: &MemoryPiece, length: u64) -> Option<Self> {
        if segment.named.is_some() || length == 0 {
            return None;
        }
        let counted = CountedBytes::new(length)?;
        // SAFETY: nobody else knows the file yet, and once it is sealed nobody can shorten it.
        let map = unsafe { memmap2::MmapMut::map_mut(&segment.file) }.ok()?;
        seal(&segment.file, SealAgainst::Others).ok()?;
        Some(Self { map, mapped: false, _counted: counted })
    }

    fn write(&mut self, writer: Writer) -> io::Result<()> {
        #[cfg(target_os = "linux")]
        if !self.mapped {
            // The pages are there, so that reading them maps them for writing, too. Older kernels map them one by one.
            let _ = self.map.advise(memmap2::Advice::PopulateRead);
            self.mapped = true;
        }
        writer.fill(&mut self.map)
    }
}

/// The memory of what goes to one child.
pub(in super::super) struct OutgoingMemory {
    segment: MemoryPiece,
    pages: Option<ReusableMemory>,
    number: u64,
}

static NEXT: AtomicU64 = AtomicU64::new(1);

impl OutgoingMemory {
    /// Writes to the memory of an earlier call, which the child has let go of, when it is large enough; else to fresh memory.
    pub(in super::super) fn written(earlier: Option<Self>, writer: Writer) -> io::Result<Self> {
        let length = writer.length();
        if let Some(mut same) = earlier
            && let Some(pages) = same.pages.as_mut().filter(|p| p.map.len() as u64 >= length)
        {
            pages.write(writer)?;
            return Ok(same);
        }
        let segment = MemoryPiece::new()?;
        writer.finish(segment.file())?;
        let pages = ReusableMemory::keep(&segment, length);
        Ok(Self { segment, pages, number: NEXT.fetch_add(1, Ordering::Relaxed) })
    }

    /// How the child opens it.
    pub(in super::super) fn path(&self) -> &Path {
        self.segment.path()
    }

    /// Its number: under the same number it is the same memory.
    pub(in super::super) const fn number(&self) -> u64 {
        self.number
    }
}

/// The memory that the program handed to this process, its child.
pub(in super::super) struct IncomingMemory {
    number: u64,
    map: Arc<memmap2::Mmap>,
}

/// Who has it holds on to the memory.
struct MemoryGuard(Arc<memmap2::Mmap>);

impl AsRef<[u8]> for MemoryGuard {
    fn as_ref(&self) -> &[u8] {
        &self.0
    }
}

impl IncomingMemory {
    /// The memory of this number: that of the call before, or another.
    pub(in super::super) fn open(earlier: Option<Self>, number: u64, path: &Path) -> io::Result<Self> {
        if let Some(same) = earlier.filter(|e| e.number == number) {
            return Ok(same);
        }
        let file = File::open(path)?;
        // SAFETY: the program fills it before it names it, and writes to it again only when this process has let go of it.
        Ok(Self { number, map: Arc::new(unsafe { memmap2::Mmap::map(&file)? }) })
    }

    /// Its bytes; whoever has them holds on to it.
    pub(in super::super) fn bytes(&self) -> Buffer<u8> {
        if self.map.is_empty() { Buffer::new() } else { Buffer::from_owner(MemoryGuard(self.map.clone())) }
    }

    /// Whether nobody holds on to it.
    pub(in super::super) fn is_free(&self) -> bool {
        Arc::strong_count(&self.map) == 1
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use pipeline_base::table::schema::Holds;
    use polars_arrow::array::PrimitiveArray;
    use std::io::Write;
    use std::os::fd::AsRawFd;

    fn writer(from: i64, rows: usize) -> Writer {
        let mut writer = Writer::default();
        let numbers = PrimitiveArray::<i64>::from_vec((0..rows as i64).map(|i| from + i).collect()).boxed();
        writer.column(Holds::Int, &[numbers]).unwrap();
        writer
    }

    fn first(bytes: &[u8]) -> i64 {
        i64::from_ne_bytes(bytes[..8].try_into().unwrap())
    }

    #[test]
    fn what_goes_in_stands_in_the_same_memory_and_only_its_maker_can_change_it() {
        let out = OutgoingMemory::written(None, writer(5, 10_000)).unwrap();
        let given = IncomingMemory::open(None, out.number(), out.path()).unwrap();
        let bytes = given.bytes();
        assert_eq!(first(&bytes), 5);
        assert!(!given.is_free());
        drop(bytes);
        assert!(given.is_free());
        // A child that opens it for writing gets nowhere: it can neither write, nor map, nor cut, nor make a hole.
        let mut other = File::options().read(true).write(true).open(out.path()).unwrap();
        assert!(other.write_all(b"something else").is_err());
        // SAFETY: expected to fail.
        assert!(unsafe { memmap2::MmapMut::map_mut(&other) }.is_err());
        assert!(other.set_len(1).is_err() && other.set_len(1 << 30).is_err());
        #[cfg(target_os = "linux")]
        {
            let hole = libc::FALLOC_FL_PUNCH_HOLE | libc::FALLOC_FL_KEEP_SIZE;
            // SAFETY: a plain call on an open file.
            assert_ne!(unsafe { libc::fallocate(other.as_raw_fd(), hole, 0, 4096) }, 0);
        }
        assert_eq!(first(&given.bytes()), 5);
        // Less fits into the same memory, and the child sees it there.
        let number = out.number();
        let out = OutgoingMemory::written(Some(out), writer(-7, 9_000)).unwrap();
        assert_eq!(out.number(), number);
        let given = IncomingMemory::open(Some(given), out.number(), out.path()).unwrap();
        assert_eq!(first(&given.bytes()), -7);
        // More does not.
        let out = OutgoingMemory::written(Some(out), writer(11, 10_100)).unwrap();
        assert_ne!(out.number(), number);
        let given = IncomingMemory::open(Some(given), out.number(), out.path()).unwrap();
        assert_eq!(first(&given.bytes()), 11);
        // Nothing at all is a table, too.
        let out = OutgoingMemory::written(None, Writer::default()).unwrap();
        assert!(IncomingMemory::open(Some(given), out.number(), out.path()).unwrap().bytes().is_empty());
    }

    #[test]
    fn no_more_is_kept_than_a_share_of_the_memory() {
        assert!(CountedBytes::new(most_kept() + 1).is_none());
        assert!(CountedBytes::new(u64::MAX).is_none());
        let one = CountedBytes::new(4096).unwrap();
        assert!(KEPT.load(Ordering::Relaxed) >= 4096 && KEPT.load(Ordering::Relaxed) < most_kept());
        drop(one);
    }
}
