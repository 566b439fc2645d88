//! Starting and ending processes so that none is left behind.

#![allow(unsafe_code)]

use std::fs::File;
use std::io;
use std::os::fd::{FromRawFd, OwnedFd};
use std::os::unix::process::CommandExt;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Sender, channel};
use std::sync::{LazyLock, Mutex, PoisonError};

/// What to start.
pub(super) struct Start {
    pub(super) program: PathBuf,
    pub(super) words: Vec<std::ffi::OsString>,
    pub(super) memory_limit_mb: Option<u64>,
}

type Order = (Start, Sender<io::Result<Child>>);

/// One thread starts all processes and lives as long as this one: the kernel ends a child together with the *thread* that
/// started it, and the workers of a run come and go.
static STARTER: LazyLock<Mutex<Sender<Order>>> = LazyLock::new(|| {
    let (orders, list) = channel::<Order>();
    std::thread::spawn(move || {
        for (start, answer) in list {
            let _ = answer.send(begin(start));
        }
    });
    Mutex::new(orders)
});

/// Starts a process in a group of its own, which ends with this process.
pub(super) fn start(start: Start) -> io::Result<Child> {
    let (answer, wait) = channel();
    let gone = || io::Error::other("the thread that starts processes is gone");
    STARTER.lock().unwrap_or_else(PoisonError::into_inner).send((start, answer)).map_err(|_| gone())?;
    wait.recv().map_err(|_| gone())?
}

fn begin(start: Start) -> io::Result<Child> {
    let mut command = Command::new(&start.program);
    command.args(&start.words).stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).process_group(0);
    let limit = start.memory_limit_mb.map(|mb| mb.saturating_mul(1 << 20) as libc::rlim_t);
    let parent = std::process::id();
    // SAFETY: between fork and exec only functions are called that may be called there (prctl, getppid, setrlimit).
    unsafe {
        command.pre_exec(move || {
            #[cfg(target_os = "linux")]
            {
                libc::prctl(libc::PR_SET_PDEATHSIG, libc::SIGKILL as libc::c_ulong);
                if libc::getppid().unsigned_abs() != parent {
                    return Err(io::Error::from_raw_os_error(libc::ESRCH));
                }
            }
            #[cfg(not(target_os = "linux"))]
            let _ = parent;
            // No core files of a plug-in that crashes.
            let none = libc::rlimit { rlim_cur: 0, rlim_max: 0 };
            libc::setrlimit(libc::RLIMIT_CORE, &raw const none);
            if let Some(bytes) = limit {
                // Of the private memory that is written to; shared maps of input files do not count.
                let most = libc::rlimit { rlim_cur: bytes, rlim_max: bytes };
                if libc::setrlimit(libc::RLIMIT_DATA, &raw const most) != 0 {
                    return Err(io::Error::last_os_error());
                }
            }
            Ok(())
        });
    }
    command.spawn()
}

/// Ends a process and all that it started, and waits for it.
pub(super) fn end(child: &mut Child) {
    if let Ok(group) = i32::try_from(child.id()) {
        // SAFETY: the group was made for this child, who is not waited for yet, so the number is still its own.
        unsafe { libc::kill(-group, libc::SIGKILL) };
    }
    let _ = child.wait();
}

/// Keeps standard output for the conversation: from here on whatever prints to it goes to standard error.
pub(super) fn own_stdout() -> io::Result<File> {
    // SAFETY: plain calls on descriptors that every process has.
    let copy = unsafe { libc::dup(1) };
    if copy < 0 {
        return Err(io::Error::last_os_error());
    }
    // SAFETY: `copy` was just made and is nobody else's.
    let kept = File::from(unsafe { OwnedFd::from_raw_fd(copy) });
    // SAFETY: as above.
    if unsafe { libc::dup2(2, 1) } < 0 {
        return Err(io::Error::last_os_error());
    }
    Ok(kept)
}
