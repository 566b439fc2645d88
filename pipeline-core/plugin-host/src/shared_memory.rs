//! Memory that this process and one child share: a nameless file, mapped by who reads it.
//!
//! The child opens it by the path below `/proc` that its maker tells, so nothing is left behind whoever dies first. What the
//! child wrote is sealed before it is looked at: from then on nobody can change or shorten it, so that what was found
//! good stays good. What goes in is in `segment/lent.rs`.

#![allow(unsafe_code)]

mod outgoing;

pub(super) use outgoing::{IncomingMemory, OutgoingMemory};
use polars_buffer::Buffer;
use std::fs::File;
use std::io::{self, Read};
use std::path::{Path, PathBuf};

/// One piece of shared memory.
pub(super) struct MemoryPiece {
    file: File,
    path: PathBuf,
    /// Set where the system has no nameless files, or hides those of a process: then it is a file that goes when this does.
    named: Option<tempfile::TempPath>,
}

#[cfg(target_os = "linux")]
fn nameless() -> io::Result<(File, PathBuf)> {
    use std::os::fd::{AsRawFd, FromRawFd, OwnedFd};
    // SAFETY: a plain call with a text that ends with a zero byte.
    let made = unsafe { libc::memfd_create(c"gunter-table".as_ptr(), libc::MFD_CLOEXEC | libc::MFD_ALLOW_SEALING) };
    if made < 0 {
        return Err(io::Error::last_os_error());
    }
    // SAFETY: the descriptor was just made and is nobody else's.
    let file = File::from(unsafe { OwnedFd::from_raw_fd(made) });
    let path = PathBuf::from(format!("/proc/{}/fd/{}", std::process::id(), file.as_raw_fd()));
    File::open(&path)?;
    Ok((file, path))
}

#[cfg(not(target_os = "linux"))]
fn nameless() -> io::Result<(File, PathBuf)> {
    Err(io::ErrorKind::Unsupported.into())
}

/// Against whom the bytes of a file are sealed.
#[derive(Clone, Copy)]
enum SealAgainst {
    /// Everybody; fails while somebody has it mapped for writing.
    All,
    /// Everybody but who has it mapped for writing already.
    Others,
}

/// From here on the length of the file stays as it is, and its bytes can be changed by nobody, or by nobody else.
fn seal(file: &File, against: SealAgainst) -> io::Result<()> {
    #[cfg(target_os = "linux")]
    {
        use std::os::fd::AsRawFd;
        let write = match against {
            SealAgainst::All => libc::F_SEAL_WRITE,
            SealAgainst::Others => libc::F_SEAL_FUTURE_WRITE,
        };
        let seals = libc::F_SEAL_SEAL | libc::F_SEAL_SHRINK | libc::F_SEAL_GROW | write;
        // SAFETY: a plain call on a descriptor that is open.
        if unsafe { libc::fcntl(file.as_raw_fd(), libc::F_ADD_SEALS, seals) } != 0 {
            return Err(io::Error::last_os_error());
        }
    }
    let _ = (file, against);
    Ok(())
}

/// Maps a file for reading.
///
/// # Safety
///
/// Nobody may change or shorten the file as long as what is returned lives.
unsafe fn mapped(file: &File) -> io::Result<Buffer<u8>> {
    if file.metadata()?.len() == 0 {
        return Ok(Buffer::new());
    }
    // SAFETY: the caller's promise.
    Ok(Buffer::from_owner(unsafe { memmap2::Mmap::map(file)? }))
}

impl MemoryPiece {
    /// An empty one.
    pub(super) fn new() -> io::Result<Self> {
        if let Ok((file, path)) = nameless() {
            return Ok(Self { file, path, named: None });
        }
        let (file, path) = tempfile::NamedTempFile::new()?.into_parts();
        Ok(Self { file, path: path.to_path_buf(), named: Some(path) })
    }

    /// How the other process opens it.
    pub(super) fn path(&self) -> &Path {
        &self.path
    }

    /// To write to it, from its beginning.
    pub(super) const fn file(&self) -> &File {
        &self.file
    }

    /// What the other process wrote, when nobody can change it any more.
    pub(super) fn settle(self) -> io::Result<Buffer<u8>> {
        if self.named.is_none() {
            seal(&self.file, SealAgainst::All)?;
            // SAFETY: sealed against writing and shortening, also through other descriptors and maps.
            return unsafe { mapped(&self.file) };
        }
        // A file of the disk cannot be sealed: it is copied, into memory that begins where numbers may begin.
        let mut file = File::open(&self.path)?;
        let length = usize::try_from(file.metadata()?.len()).map_err(io::Error::other)?;
        let mut whole = vec![0_u64; length.div_ceil(8)];
        file.read_exact(&mut bytemuck::cast_slice_mut(&mut whole)[..length])?;
        let bytes = Buffer::from(whole).try_transmute::<u8>().map_err(|_| io::Error::other("numbers are not bytes"))?;
        Ok(bytes.sliced(..length))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Write;

    #[test]
    fn what_was_settled_cannot_be_changed() {
        let segment = MemoryPiece::new().unwrap();
        let path = segment.path().to_owned();
        let open = || File::options().read(true).write(true).open(&path).unwrap();
        let mut writer = open();
        writer.write_all(b"as it was").unwrap();
        // A map for writing that somebody keeps: refused.
        // SAFETY: nobody shortens the file in this test.
        let kept = unsafe { memmap2::MmapMut::map_mut(&writer).unwrap() };
        assert!(seal(segment.file(), SealAgainst::All).is_err());
        drop(kept);
        let read = IncomingMemory::open(None, 1, &path).unwrap();
        assert_eq!(&read.bytes()[..], b"as it was");
        drop(read);
        let second = open();
        let settled = segment.settle().unwrap();
        assert!(writer.write_all(b"more").is_err());
        assert!(second.set_len(1).is_err());
        // SAFETY: expected to fail.
        assert!(unsafe { memmap2::MmapMut::map_mut(&second) }.is_err());
        assert_eq!(&settled[..], b"as it was");
    }

    #[test]
    fn a_file_of_the_disk_is_copied() {
        let (file, path) = tempfile::NamedTempFile::new().unwrap().into_parts();
        let segment = MemoryPiece { file, path: path.to_path_buf(), named: Some(path) };
        std::fs::write(segment.path(), b"123456789").unwrap();
        let path = segment.path().to_owned();
        let settled = segment.settle().unwrap();
        assert_eq!(&settled[..], b"123456789");
        assert!(!path.exists());
        assert!(MemoryPiece::new().unwrap().settle().unwrap().is_empty());
    }
}
