//! The plug-in boundary of `gunter`, version 1.0: the structs of `include/gunter_plugin.h`, member by member.
//!
//! The header is the contract, with the rules of ownership written out; this is its mirror for Rust, and a
//! test compares sizes and offsets with what a C compiler makes of the header. There is no code here: authors use
//! the SDK, which turns these structs into ordinary Rust.

use core::ffi::{c_char, c_int, c_void};

/// Major version: part of the name of the exported symbol.
pub const MAJOR: u32 = 1;
/// Minor version: structs only grow at their end within a major.
pub const MINOR: u32 = 0;
/// The one symbol that a plug-in exports.
pub const SYMBOL: &str = "gunter_plugin_v1";
/// Metadata key of a column: unit and role as JSON.
pub const COLUMN_KEY: &str = "gunter:column";
/// Metadata key of a table: the frame of the coordinates as JSON, or `null`.
pub const FRAME_KEY: &str = "gunter:frame";
/// A column may hold nulls.
pub const ARROW_FLAG_NULLABLE: i64 = 2;

/// What a function of a plug-in answers.
pub mod code {
    /// Done.
    pub const OK: i32 = 0;
    /// The job is wrong.
    pub const BAD_OPTION: i32 = 1;
    /// The data are wrong.
    pub const BAD_DATA: i32 = 2;
    /// The run was cancelled.
    pub const CANCELLED: i32 = 3;
    /// A fault of the plug-in.
    pub const INTERNAL: i32 = 4;
    /// A fault after which the plug-in cannot be used any more.
    pub const PANICKED: i32 = 5;
}

/// Type and name of a column, or of a table with its columns as children.
#[repr(C)]
pub struct ArrowSchema {
    /// Format text.
    pub format: *const c_char,
    /// Name.
    pub name: *const c_char,
    /// Metadata in Arrow's binary form, or null.
    pub metadata: *const c_char,
    /// Flags.
    pub flags: i64,
    /// Number of children.
    pub n_children: i64,
    /// Children.
    pub children: *mut *mut ArrowSchema,
    /// Never used at this boundary.
    pub dictionary: *mut ArrowSchema,
    /// Gives it up.
    pub release: Option<unsafe extern "C" fn(*mut ArrowSchema)>,
    /// The maker's own.
    pub private_data: *mut c_void,
}

/// The values of a column, or of a table with its columns as children.
#[repr(C)]
pub struct ArrowArray {
    /// Rows.
    pub length: i64,
    /// Nulls, or -1 when not counted.
    pub null_count: i64,
    /// Rows to skip at the start of the buffers.
    pub offset: i64,
    /// Number of buffers.
    pub n_buffers: i64,
    /// Number of children.
    pub n_children: i64,
    /// Buffers.
    pub buffers: *mut *const c_void,
    /// Children.
    pub children: *mut *mut ArrowArray,
    /// Never used at this boundary.
    pub dictionary: *mut ArrowArray,
    /// Gives it up.
    pub release: Option<unsafe extern "C" fn(*mut ArrowArray)>,
    /// The maker's own.
    pub private_data: *mut c_void,
}

/// A table in pieces.
#[repr(C)]
pub struct ArrowArrayStream {
    /// The schema of every piece.
    pub get_schema: Option<unsafe extern "C" fn(*mut ArrowArrayStream, *mut ArrowSchema) -> c_int>,
    /// The next piece; one that is released already means the end.
    pub get_next: Option<unsafe extern "C" fn(*mut ArrowArrayStream, *mut ArrowArray) -> c_int>,
    /// What went wrong in the call before.
    pub get_last_error: Option<unsafe extern "C" fn(*mut ArrowArrayStream) -> *const c_char>,
    /// Gives it up.
    pub release: Option<unsafe extern "C" fn(*mut ArrowArrayStream)>,
    /// The maker's own.
    pub private_data: *mut c_void,
}

/// Why a function failed: one finding or a list of them as JSON.
#[repr(C)]
pub struct GunterError {
    /// Size of the struct.
    pub size: u32,
    /// A code of [`code`].
    pub code: i32,
    /// The findings.
    pub json: *const c_char,
    /// Gives it up.
    pub release: Option<unsafe extern "C" fn(*mut GunterError)>,
    /// The maker's own.
    pub private_data: *mut c_void,
}

/// What the host lends for one `run`.
#[repr(C)]
pub struct GunterHost {
    /// Size of the struct.
    pub size: u32,
    /// Minor version that both sides use.
    pub abi_minor: u32,
    /// Handed back in every call.
    pub ctx: *mut c_void,
    /// Rows of the first input that go no further.
    pub set_aside: Option<unsafe extern "C" fn(*mut c_void, *const u64, usize, *const c_char, usize, *const c_char, usize) -> i32>,
    /// Rows of the first input that were used up.
    pub used: Option<unsafe extern "C" fn(*mut c_void, u64)>,
    /// A finding.
    pub find: Option<unsafe extern "C" fn(*mut c_void, *const c_char, usize)>,
    /// A fact for the record.
    pub fact: Option<unsafe extern "C" fn(*mut c_void, *const c_char, usize, *const c_char, usize)>,
    /// Whether the run was cancelled.
    pub cancelled: Option<unsafe extern "C" fn(*mut c_void) -> i32>,
}

/// The function that does the work of a bound stage.
pub type RunFn = unsafe extern "C" fn(
    *const GunterStage,
    *const c_char,
    *const GunterHost,
    *mut ArrowArrayStream,
    usize,
    *mut ArrowArrayStream,
    *mut GunterError,
) -> i32;

/// One bound step.
#[repr(C)]
pub struct GunterStage {
    /// Size of the struct.
    pub size: u32,
    /// Zero.
    pub reserved: u32,
    /// Grain, promised schema, options, files, notes.
    pub bound_json: *const c_char,
    /// Does the work of one partition.
    pub run: Option<RunFn>,
    /// Gives it up.
    pub release: Option<unsafe extern "C" fn(*mut GunterStage)>,
    /// The plug-in's own.
    pub private_data: *mut c_void,
}

/// The function that looks at options and input schemas before any data are read.
pub type BindFn =
    unsafe extern "C" fn(*const c_char, *const c_char, *const c_char, *const c_char, *mut GunterStage, *mut GunterError) -> i32;

/// What the entry function fills.
#[repr(C)]
pub struct GunterPlugin {
    /// Size of the struct.
    pub size: u32,
    /// [`MAJOR`].
    pub abi_major: u32,
    /// The minor that the plug-in was built for.
    pub abi_minor: u32,
    /// Zero.
    pub reserved: u32,
    /// The stages, with their options and pages.
    pub describe_json: *const c_char,
    /// Binds a stage.
    pub bind: Option<BindFn>,
}

/// The entry function, exported as [`SYMBOL`].
pub type EntryFn = unsafe extern "C" fn(u32, *mut GunterPlugin, *mut GunterError) -> i32;
