//! Completions and the man page, from the same source as the help.

use crate::args::Args;
use crate::{DONE, JOB, print};
use clap::CommandFactory;

/// Prints completions for a shell.
pub(crate) fn completions(shell: clap_complete::Shell) -> u8 {
    let mut text = vec![];
    clap_complete::generate(shell, &mut Args::command(), "gunter", &mut text);
    print::answer(&String::from_utf8_lossy(&text));
    DONE
}

/// Prints the man page.
pub(crate) fn man() -> u8 {
    let mut text = vec![];
    if clap_mangen::Man::new(Args::command()).render(&mut text).is_err() {
        return JOB;
    }
    print::answer(&String::from_utf8_lossy(&text));
    DONE
}
