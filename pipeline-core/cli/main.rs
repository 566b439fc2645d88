//! The command line of `gunter`.

mod args;
mod check;
mod grids;
mod inspect;
mod lock;
mod pages;
#[cfg(feature = "plugins")]
mod plugin_new;
mod plugins;
mod print;
mod restate;
mod run;
mod schema;
mod stages_list;
mod verdict;

#[cfg(feature = "plugins")]
use args::PluginCommand;
use args::{Args, Command};
use clap::Parser;
use std::process::ExitCode;

#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

/// Done.
const DONE: u8 = 0;
/// The data failed.
const DATA: u8 = 1;
/// The job or the command line is wrong.
const JOB: u8 = 2;

fn main() -> ExitCode {
    let args = Args::parse();
    if let Command::Run { threads: Some(threads), .. } = &args.command {
        // The column library sizes its own pool once, from this variable; nothing runs yet.
        // SAFETY: this is the first statement of the program, and no other thread runs yet that could read the environment.
        #[allow(unsafe_code)]
        unsafe {
            std::env::set_var("POLARS_MAX_THREADS", threads.to_string());
        }
    }
    #[cfg(feature = "plugins")]
    if let Command::PluginHost { library, sha256 } = &args.command {
        return ExitCode::from(if plugin_host::serve(library, sha256).is_ok() { DONE } else { DATA });
    }
    #[cfg(feature = "plugins")]
    if let Command::PluginWatch { runner } = args.command {
        plugin_host::watch(runner);
        return ExitCode::from(DONE);
    }
    #[cfg(feature = "plugins")]
    print::keep_stdout();
    let mut registry = match stages::registry() {
        Ok(registry) => registry,
        Err(message) => {
            eprintln!("error: {message}");
            return ExitCode::from(JOB);
        }
    };
    #[cfg(feature = "plugins")]
    {
        registry = registry.with_plugin_host(std::sync::Arc::new(plugin_host::NativeHost));
    }
    registry.plugins.program = std::env::current_exe().ok();
    let code = match args.command {
        Command::Inspect { logs, write_job, marks } => inspect::run(&logs, write_job.as_deref(), &marks, args.format, &registry),
        Command::Restate { to, records } => restate::run(&to, &records, args.format, &registry),
        Command::Check { job, plan, deny_warnings, only_pinned } => {
            registry.plugins.only_pinned = only_pinned;
            check::run(&job, plan, deny_warnings, args.format, &registry)
        }
        Command::Run { job, threads, overwrite, require_all, only_pinned, verdict } => {
            registry.plugins.only_pinned = only_pinned;
            let wish = run::Wish { threads: threads.map(usize::from), overwrite, require_all, verdict };
            run::run(&job, &wish, args.format, &registry)
        }
        Command::Lock { job, accept } => lock::run(&job, accept, args.format, &registry),
        Command::Grids(command) => grids::run(command, args.format),
        Command::Stages { name, plugin } => match plugins::add(&mut registry, &plugin) {
            Ok(()) => stages_list::run(name.as_deref(), args.format, &registry),
            Err(found) => plugins::refused(&found, args.format),
        },
        Command::Schema { of, plugin } => match plugins::add(&mut registry, &plugin) {
            Ok(()) => schema::run(of, &registry),
            Err(found) => plugins::refused(&found, args.format),
        },
        #[cfg(feature = "plugins")]
        Command::Plugin(PluginCommand::New { name, lang }) => plugin_new::run(&name, lang),
        #[cfg(feature = "plugins")]
        Command::Plugin(PluginCommand::Check { file, folder, isolate }) => {
            plugins::check(&file, folder.as_deref(), isolate, args.format, &registry)
        }
        #[cfg(feature = "plugins")]
        Command::PluginHost { .. } | Command::PluginWatch { .. } => DONE,
        Command::Completions { shell } => pages::completions(shell),
        Command::Man => pages::man(),
    };
    ExitCode::from(code)
}
