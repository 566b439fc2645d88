//! The command line: the one source of help, completions and the man page.

use clap::{Parser, Subcommand, ValueEnum};
use std::path::PathBuf;

/// How answers are printed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub(crate) enum Format {
    /// For people.
    #[default]
    Text,
    /// One JSON document.
    Json,
}

/// Raw survey GNSS logs to as-built points that the asset's owner can trust.
///
/// A job (YAML) names the steps; `check` proves it before any data is read, `run` delivers points with
/// their uncertainty, a statement of reference and a record from which every digit can be made again.
///
/// Exit codes: 0 done; 1 the data failed; 2 the job or the command line is wrong.
#[derive(Debug, Parser)]
#[command(name = "gunter", version, max_term_width = 100)]
pub(crate) struct Args {
    /// How answers are printed.
    #[arg(long, value_enum, default_value_t, global = true)]
    pub format: Format,
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// What `inspect` compares with published marks.
#[derive(Clone, Debug, clap::Args)]
pub(crate) struct Marks {
    /// List of published marks: CSV with `name`, `frame`, `epoch` and positions by name.
    #[arg(long, value_name = "FILE")]
    pub stations: Option<PathBuf>,
    /// Delivered points of the same marks: a CSV file with its statement of reference beside it.
    #[arg(long, value_name = "FILE", requires = "stations")]
    pub measured: Option<PathBuf>,
    /// Position set in the base station: latitude, longitude (deg) and ellipsoidal height (m).
    #[arg(long, value_name = "LAT LON H", requires = "stations", allow_hyphen_values = true)]
    pub base: Option<String>,
    /// Reference of the job: frame of the corrections, name and position of the base, folder of grids.
    #[arg(long, value_name = "FILE")]
    pub reference: Option<PathBuf>,
    /// Distance within which published and measured marks agree, m.
    #[arg(long, value_name = "M", default_value_t = 0.03)]
    pub tolerance_m: f64,
}

/// Commands.
#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// Show what a raw log holds and what looks wrong with it.
    Inspect {
        /// Logs: plain, gzip or zstd.
        #[arg(required = true)]
        logs: Vec<PathBuf>,
        /// Also write a first job to this file, with its rig and reference beside it.
        #[arg(long, value_name = "FILE")]
        write_job: Option<PathBuf>,
        /// Marks with published coordinates, to find out which frame the work is in.
        #[command(flatten)]
        marks: Marks,
    },
    /// Report what it would take to bring old deliveries to another reference; nothing is changed.
    Restate {
        /// The reference file that says where they would go.
        #[arg(long, value_name = "REFERENCE")]
        to: PathBuf,
        /// Records of old deliveries (`record.json`, or the folder of the results).
        #[arg(required = true)]
        records: Vec<PathBuf>,
    },
    /// Prove that a job fits together and that its files are there; nothing is computed.
    Check {
        /// The job file.
        job: PathBuf,
        /// Print the plan: every step, what it decided, and the reference of its table.
        #[arg(long)]
        plan: bool,
        /// Count warnings as errors.
        #[arg(long)]
        deny_warnings: bool,
        /// Refuse plug-ins without a digest in the job.
        #[arg(long)]
        only_pinned: bool,
    },
    /// Run a job.
    Run {
        /// The job file.
        job: PathBuf,
        /// Worker threads; sessions in flight at once. Left out: one for each processor. Results never depend on it.
        #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
        threads: Option<u16>,
        /// Replace the results of an earlier run.
        #[arg(long)]
        overwrite: bool,
        /// Exit with 1 when a point was held back or must be shot again; the others are delivered all the same.
        #[arg(long)]
        require_all: bool,
        /// Refuse plug-ins without a digest in the job.
        #[arg(long)]
        only_pinned: bool,
        /// Print what to do about each point, one line each, the worst first: shoot again now, second occupation
        /// after a time, keep. Same engine and numbers; nothing is delivered unless `--overwrite` is given too.
        #[arg(long)]
        verdict: bool,
    },
    /// Write the lock of a job beside it: pipelines, grid digests, versions and probe points. Later runs use exactly that, or refuse.
    Lock {
        /// The job file.
        job: PathBuf,
        /// Replace a lock that says something else; the difference is printed in metres.
        #[arg(long)]
        accept: bool,
    },
    /// List, fill or check the grid store of this machine. Nothing is ever downloaded.
    #[command(subcommand)]
    Grids(GridsCommand),
    /// List the stages, or explain one.
    Stages {
        /// Name of a stage.
        name: Option<String>,
        /// Also the stages of this plug-in.
        #[arg(long, value_name = "FILE")]
        plugin: Vec<PathBuf>,
    },
    /// Print the JSON Schema of a job, a rig or a reference, for editors.
    Schema {
        /// Which file.
        #[arg(value_enum, default_value_t)]
        of: SchemaOf,
        /// Also the stages of this plug-in.
        #[arg(long, value_name = "FILE")]
        plugin: Vec<PathBuf>,
    },
    /// Make a plug-in, or try one.
    #[cfg(feature = "plugins")]
    #[command(subcommand)]
    Plugin(PluginCommand),
    /// Serve one library of stages to a run, in a process of its own.
    #[cfg(feature = "plugins")]
    #[command(hide = true)]
    PluginHost {
        /// The library.
        library: PathBuf,
        /// Its digest.
        sha256: String,
    },
    /// Wait until a run is gone, and end what its plug-ins left.
    #[cfg(feature = "plugins")]
    #[command(hide = true)]
    PluginWatch {
        /// Number of the run's process.
        runner: u32,
    },
    /// Print shell completions.
    Completions {
        /// The shell.
        shell: clap_complete::Shell,
    },
    /// Print the man page.
    Man,
}

/// What to do with the grid store: a folder with geoid and shift grids and an index of what they are. It is
/// `gunter/grids` below the user's data folder, or the folder that the variable `GUNTER_GRIDS` names.
#[derive(Debug, Subcommand)]
pub(crate) enum GridsCommand {
    /// List the grids of the store, those of packages, and the digests that were withdrawn.
    List,
    /// Copy a grid into the store and write down what it is.
    Add {
        /// The file: GeoTIFF, GTX, NTv2, or a deformation model in JSON.
        file: PathBuf,
        /// Name of the model, as its publisher gives it.
        #[arg(long)]
        model: String,
        /// Version of the model.
        #[arg(long)]
        version: String,
        /// Frame that the model is made for, for example `EPSG:6319`. Must be given for a geoid.
        #[arg(long)]
        frame: Option<String>,
        /// Vertical datum that a geoid leads to, for example `EPSG:5703`.
        #[arg(long)]
        datum: Option<String>,
        /// Licence. Must be given when the file does not state it.
        #[arg(long)]
        licence: Option<String>,
        /// Where the file came from: publisher, page, date.
        #[arg(long)]
        source: Option<String>,
    },
    /// Hash every file of the store again and compare it with the index and the list of withdrawn digests.
    Check,
}

/// What to do with plug-ins.
#[cfg(feature = "plugins")]
#[derive(Debug, Subcommand)]
pub(crate) enum PluginCommand {
    /// Write a plug-in that works into a new folder, to be made your own.
    New {
        /// Name: lower-case letters, digits and hyphens.
        name: String,
        /// Language.
        #[arg(long, value_enum)]
        lang: Language,
    },
    /// Try every stage of a plug-in: options, promises, rows, splits, threads, gaps. Exits with 1 when something is broken.
    Check {
        /// The library or program.
        file: PathBuf,
        /// Where files of its examples are looked for. Left out: beside the plug-in.
        #[arg(long, value_name = "FOLDER")]
        folder: Option<PathBuf>,
        /// Try a library in a process of its own.
        #[arg(long)]
        isolate: bool,
    },
}

/// Languages of a new plug-in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum Language {
    /// Safe Rust with the SDK.
    Rust,
    /// C on the header alone.
    C,
    /// A program of its own, in Python.
    Process,
}

/// Files that have a schema.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub(crate) enum SchemaOf {
    /// The job.
    #[default]
    Job,
    /// The rig.
    Rig,
    /// The reference.
    Reference,
}
