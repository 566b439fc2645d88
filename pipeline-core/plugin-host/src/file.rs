//! What kind of file a plug-in is, and its digest: found out before anything of it is loaded.

use pipeline_base::digest::sha256_hex;
use std::path::{Path, PathBuf};

/// Shared library or program.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum FileKind {
    /// A shared library.
    Library,
    /// A program, or a script that names its interpreter.
    Program,
}

/// A plug-in's file.
pub(crate) struct PluginFile {
    /// Absolute path without links.
    pub(crate) path: PathBuf,
    pub(crate) sha256: String,
    pub(crate) bytes: u64,
    pub(crate) kind: FileKind,
}

/// Looks at a file: is it there, what is it, for which processor.
pub(crate) fn look(path: &Path) -> Result<PluginFile, (&'static str, String)> {
    let absolute = path.canonicalize().map_err(|e| ("plugin/not-found", format!("cannot be read: {e}")))?;
    if absolute.is_dir() {
        return Err(("plugin/not-found", "is a folder and not a file".into()));
    }
    let bytes = std::fs::read(&absolute).map_err(|e| ("plugin/not-found", format!("cannot be read: {e}")))?;
    let kind = kind(&bytes)?;
    #[cfg(unix)]
    if kind == FileKind::Program {
        use std::os::unix::fs::PermissionsExt;
        let mode = std::fs::metadata(&absolute).map_or(0, |m| m.permissions().mode());
        if mode & 0o111 == 0 {
            return Err(("plugin/cannot-start", "is a program and may not be executed: `chmod +x` is missing".into()));
        }
    }
    Ok(PluginFile { path: absolute, sha256: sha256_hex(&bytes), bytes: bytes.len() as u64, kind })
}

fn kind(bytes: &[u8]) -> Result<FileKind, (&'static str, String)> {
    if bytes.starts_with(b"#!") {
        return Ok(FileKind::Program);
    }
    if cfg!(target_os = "linux") { elf(bytes) } else { Ok(FileKind::Library) }
}

/// Processor numbers of the ELF format (System V ABI, field `e_machine`).
const MACHINES: [(u16, &str); 8] =
    [(3, "x86"), (8, "mips"), (20, "powerpc"), (21, "powerpc64"), (40, "arm"), (62, "x86_64"), (183, "aarch64"), (243, "riscv64")];

fn elf(bytes: &[u8]) -> Result<FileKind, (&'static str, String)> {
    const NOT: &str = "plugin/not-a-library";
    let Some(head) = bytes.get(..64).filter(|h| h.starts_with(b"\x7fELF")) else {
        return Err((NOT, "is neither a shared library nor a program with a `#!` line".into()));
    };
    let (class, order) = (head[4], head[5]);
    let here = MACHINES.iter().find(|(_, n)| *n == std::env::consts::ARCH).map(|(m, _)| *m);
    let little = order == 1;
    let u16_at = |at: usize| {
        let pair = [head[at], head[at + 1]];
        if little { u16::from_le_bytes(pair) } else { u16::from_be_bytes(pair) }
    };
    let machine = u16_at(18);
    let own_class = if cfg!(target_pointer_width = "64") { 2 } else { 1 };
    if here.is_some_and(|h| h != machine) || class != own_class || little != cfg!(target_endian = "little") {
        let word = MACHINES.iter().find(|(m, _)| *m == machine).map_or_else(|| format!("processor {machine}"), |(_, n)| (*n).to_owned());
        let bits = if class == 1 { ", 32 bits" } else { "" };
        return Err(("plugin/wrong-architecture", format!("is built for {word}{bits}, and this machine is {}", std::env::consts::ARCH)));
    }
    match u16_at(16) {
        2 => Ok(FileKind::Program),
        3 if has_interpreter(bytes) => Ok(FileKind::Program),
        3 => Ok(FileKind::Library),
        _ => Err((NOT, "is an object file that was not linked to a shared library".into())),
    }
}

/// Whether the program headers name an interpreter: a program that can be moved in memory has the same type as a library.
fn has_interpreter(bytes: &[u8]) -> bool {
    const PT_INTERP: u32 = 3;
    // Only reached for the class and byte order of this machine.
    let (at, size, count) = if cfg!(target_pointer_width = "64") { (32, 54, 56) } else { (28, 42, 44) };
    let half = |i: usize| bytes.get(i..i + 2).map_or(0, |b| u16::from_ne_bytes([b[0], b[1]]));
    let start = if cfg!(target_pointer_width = "64") {
        bytes.get(at..at + 8).and_then(|b| b.try_into().ok()).map_or(0, u64::from_ne_bytes)
    } else {
        bytes.get(at..at + 4).and_then(|b| b.try_into().ok()).map_or(0, |b| u64::from(u32::from_ne_bytes(b)))
    };
    (0..u64::from(half(count))).any(|i| {
        let place = usize::try_from(start.saturating_add(i * u64::from(half(size)))).unwrap_or(usize::MAX);
        place.checked_add(4).and_then(|end| bytes.get(place..end)).is_some_and(|b| b == PT_INTERP.to_ne_bytes())
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn files_are_told_apart() {
        assert_eq!(kind(b"#!/bin/sh\n").unwrap(), FileKind::Program);
        assert_eq!(elf(b"\x7fELF").unwrap_err().0, "plugin/not-a-library");
        assert_eq!(elf(&[b'x'; 200]).unwrap_err().0, "plugin/not-a-library");
        let own = std::fs::read(std::env::current_exe().unwrap()).unwrap();
        if cfg!(target_os = "linux") {
            assert_eq!(elf(&own).unwrap(), FileKind::Program);
            let mut other = own.clone();
            other[18] = 0xf7; // a processor that nobody runs this on
            assert_eq!(elf(&other).unwrap_err().0, "plugin/wrong-architecture");
            let mut narrow = own.clone();
            narrow[4] = 1;
            assert_eq!(elf(&narrow).unwrap_err().0, "plugin/wrong-architecture");
            let mut object = own;
            object[16] = 1;
            assert_eq!(elf(&object).unwrap_err().0, "plugin/not-a-library");
        }
    }

    #[test]
    fn no_bytes_break_it() {
        let mut bytes = b"\x7fELF\x02\x01\x01".to_vec();
        bytes.resize(64, 0xff);
        bytes[16..20].copy_from_slice(&[3, 0, 62, 0]);
        let _ = elf(&bytes);
    }
}
