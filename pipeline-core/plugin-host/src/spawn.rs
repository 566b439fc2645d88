//! Starting and ending processes so that none is left behind.

#![allow(unsafe_code)]

use std::fs::File;
use std::io;
use std::os::fd::{FromRawFd, OwnedFd};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Sender, channel};
use std::sync::{LazyLock, Mutex, PoisonError};

/// What to start.
pub(super) struct StartCommand {
    pub(super) program: PathBuf,
    pub(super) words: Vec<std::ffi::OsString>,
    /// This program, which can keep watch over what is started.
    pub(super) watchman: Option<PathBuf>,
    pub(super) memory_limit_mb: Option<u64>,
    /// Whether the limit holds for each file that it writes, too: shared memory is a file and counts as no other memory.
    pub(super) files_too: bool,
}

/// A process that was started. Whatever it starts itself inherits its mark, also when it leaves the group.
pub(super) struct StartedProcess {
    pub(super) child: Child,
    mark: String,
}

/// Name of the environment variable that carries the mark.
const MARK: &str = "GUNTER_PLUGIN_PROCESS";
static NEXT_MARK: AtomicU64 = AtomicU64::new(1);

type StartRequest = (StartCommand, Sender<io::Result<StartedProcess>>);

/// One thread starts all processes and lives as long as this one: the kernel ends a child together with the *thread* that
/// started it, and the workers of a run come and go.
static STARTER: LazyLock<Mutex<Sender<StartRequest>>> = LazyLock::new(|| {
    let (orders, list) = channel::<StartRequest>();
    std::thread::spawn(move || {
        for (start, answer) in list {
            let _ = answer.send(begin(start));
        }
    });
    Mutex::new(orders)
});

/// Starts a process in a group of its own, which ends with this process.
pub(super) fn start(start: StartCommand) -> io::Result<StartedProcess> {
    let (answer, wait) = channel();
    let gone = || io::Error::other("the thread that starts processes is gone");
    STARTER.lock().unwrap_or_else(PoisonError::into_inner).send((start, answer)).map_err(|_| gone())?;
    wait.recv().map_err(|_| gone())?
}

/// The end of a pipe that only this process has. When this process is gone, however it went, the other end is at its end.
static WATCHED: Mutex<Option<ChildStdin>> = Mutex::new(None);

/// Starts this program once more, to end what plug-ins started should this process be killed: it then has no time to do so itself,
/// and the kernel ends only the processes that it started.
fn keep_watch(program: &Path) {
    let mut watched = WATCHED.lock().unwrap_or_else(PoisonError::into_inner);
    if watched.is_some() {
        return;
    }
    let mut command = Command::new(program);
    // In a group of its own, so that what ends the group of this process does not end the watch.
    command.arg("plugin-watch").arg(std::process::id().to_string()).process_group(0);
    let child = command.stdin(Stdio::piped()).stdout(Stdio::null()).stderr(Stdio::null()).spawn();
    // Without it, all is as well as it was.
    *watched = child.ok().and_then(|mut c| c.stdin.take());
}

/// Waits until standard input ends, that is until the process with this number is gone, and ends what its plug-ins left.
pub fn watch(runner: u32) {
    let _ = io::copy(&mut io::stdin().lock(), &mut io::sink());
    let of_it = format!("{runner}.");
    for _ in 0..2 {
        sweep(&of_it);
    }
}

fn begin(start: StartCommand) -> io::Result<StartedProcess> {
    if let Some(program) = &start.watchman {
        keep_watch(program);
    }
    let mut command = Command::new(&start.program);
    let mark = format!("{}.{}", std::process::id(), NEXT_MARK.fetch_add(1, Ordering::Relaxed));
    command
        .env(MARK, format!("{mark}."))
        .args(&start.words)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .process_group(0);
    let limit = start.memory_limit_mb.map(|mb| mb.saturating_mul(1 << 20) as libc::rlim_t);
    let (parent, files_too) = (std::process::id(), start.files_too);
    // SAFETY: between fork and exec only functions are called that may be called there (prctl, getppid, setrlimit, signal).
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
                // Of the private memory that is written to; the shared memory of the inputs does not count.
                let most = libc::rlimit { rlim_cur: bytes, rlim_max: bytes };
                if libc::setrlimit(libc::RLIMIT_DATA, &raw const most) != 0 {
                    return Err(io::Error::last_os_error());
                }
                if files_too {
                    // A table that is too large is then an error of writing, which is answered with a finding.
                    libc::signal(libc::SIGXFSZ, libc::SIG_IGN);
                    if libc::setrlimit(libc::RLIMIT_FSIZE, &raw const most) != 0 {
                        return Err(io::Error::last_os_error());
                    }
                }
            }
            Ok(())
        });
    }
    Ok(StartedProcess { child: command.spawn()?, mark })
}

/// How a process ended: by which signal, or with which code.
#[derive(Clone, Copy, Debug)]
pub(super) enum ProcessEnd {
    Signal(i32),
    Code(i32),
}

impl StartedProcess {
    /// How it ended, when it has. It stays to be waited for, so that its number remains its own.
    pub(super) fn ended(&self) -> Option<ProcessEnd> {
        // SAFETY: zeroes are a valid empty struct of numbers.
        let mut info: libc::siginfo_t = unsafe { std::mem::zeroed() };
        let flags = libc::WEXITED | libc::WNOHANG | libc::WNOWAIT;
        // SAFETY: a plain call with room for one struct.
        let failed = unsafe { libc::waitid(libc::P_PID, self.child.id(), &raw mut info, flags) } != 0;
        // SAFETY: filled by `waitid`, or still zero.
        let (number, status) = unsafe { (info.si_pid(), info.si_status()) };
        if failed || number == 0 {
            return None;
        }
        Some(if info.si_code == libc::CLD_EXITED { ProcessEnd::Code(status) } else { ProcessEnd::Signal(status) })
    }

    /// Ends the process and all that it started, and waits for it.
    pub(super) fn end(&mut self) {
        if let Ok(group) = i32::try_from(self.child.id()) {
            // SAFETY: the group was made for this child, who is not waited for yet, so the number is still its own.
            unsafe { libc::kill(-group, libc::SIGKILL) };
        }
        let _ = self.child.wait();
        // Twice: one that was just being started is seen the second time.
        let own = format!("{}.", self.mark);
        if sweep(&own) > 0 {
            sweep(&own);
        }
    }
}

/// Ends what has a mark that begins so, also what left its group (a session of its own), wherever `/proc` lists it; how many.
fn sweep(mark: &str) -> usize {
    let wanted = format!("{MARK}={mark}");
    let Ok(all) = std::fs::read_dir("/proc") else { return 0 };
    let mut ended = 0;
    for number in all.flatten().filter_map(|e| e.file_name().to_str()?.parse::<i32>().ok()) {
        // The environment of another user's process cannot be read, and none of them is ours.
        let Ok(environment) = std::fs::read(format!("/proc/{number}/environ")) else { continue };
        if environment.split(|b| *b == 0).any(|word| word.starts_with(wanted.as_bytes())) {
            // SAFETY: a plain call; the mark is of one runner, so it is nobody else's.
            unsafe { libc::kill(number, libc::SIGKILL) };
            ended += 1;
        }
    }
    ended
}

/// Keeps standard output for who calls this: from here on whatever else prints to it, such as a plug-in, goes to standard error.
///
/// # Errors
/// When the descriptors cannot be copied.
pub fn own_stdout() -> io::Result<File> {
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
