//! The mirror in Rust has the layout that a C compiler gives the header.

#![allow(missing_docs, clippy::unwrap_used, clippy::panic)]

use gunter_plugin_abi::*;
use std::fmt::Write as _;
use std::mem::{offset_of, size_of};
use std::path::Path;
use std::process::Command;

macro_rules! layouts {
    ($($rust:ident = $c:literal { $($member:ident),* })*) => {{
        let mut program = "#include \"gunter_plugin.h\"\n#include <stdio.h>\nint main(void) {\n".to_owned();
        let mut want = String::new();
        $(
            let _ = writeln!(program, "printf(\"{0} %zu\\n\", sizeof(struct {0}));", $c);
            let _ = writeln!(want, "{} {}", $c, size_of::<$rust>());
            $(
                let _ = writeln!(program, "printf(\"{0}.{1} %zu\\n\", offsetof(struct {0}, {1}));", $c, stringify!($member));
                let _ = writeln!(want, "{}.{} {}", $c, stringify!($member), offset_of!($rust, $member));
            )*
        )*
        program.push_str("printf(\"version %u.%u\\n\", GUNTER_ABI_MAJOR, GUNTER_ABI_MINOR);\n");
        program.push_str("printf(\"codes %d %d %d %d %d %d\\n\", GUNTER_OK, GUNTER_BAD_OPTION, GUNTER_BAD_DATA, GUNTER_CANCELLED, GUNTER_INTERNAL, GUNTER_PANICKED);\n");
        program.push_str("printf(\"flag %d\\n\", ARROW_FLAG_NULLABLE);\nreturn 0; }\n");
        let _ = writeln!(want, "version {MAJOR}.{MINOR}");
        let _ = writeln!(want, "codes {} {} {} {} {} {}", code::OK, code::BAD_OPTION, code::BAD_DATA, code::CANCELLED, code::INTERNAL, code::PANICKED);
        let _ = writeln!(want, "flag {ARROW_FLAG_NULLABLE}");
        (program, want)
    }};
}

#[test]
fn the_mirror_has_the_layout_of_the_header() {
    let (program, want) = layouts! {
        ArrowSchema = "ArrowSchema" { format, name, metadata, flags, n_children, children, dictionary, release, private_data }
        ArrowArray = "ArrowArray" { length, null_count, offset, n_buffers, n_children, buffers, children, dictionary, release, private_data }
        ArrowArrayStream = "ArrowArrayStream" { get_schema, get_next, get_last_error, release, private_data }
        GunterError = "gunter_error" { size, code, json, release, private_data }
        GunterHost = "gunter_host" { size, abi_minor, ctx, set_aside, used, find, fact, cancelled }
        GunterStage = "gunter_stage" { size, reserved, bound_json, run, release, private_data }
        GunterPlugin = "gunter_plugin" { size, abi_major, abi_minor, reserved, describe_json, bind }
    };
    let folder = tempfile::tempdir().unwrap();
    let (source, binary) = (folder.path().join("layout.c"), folder.path().join("layout"));
    std::fs::write(&source, program).unwrap();
    let include = Path::new(env!("CARGO_MANIFEST_DIR")).join("include");
    let built = Command::new("cc")
        .args(["-std=c99", "-Wall", "-Werror", "-pedantic", "-I"])
        .arg(&include)
        .arg(&source)
        .arg("-o")
        .arg(&binary)
        .output()
        .unwrap();
    assert!(built.status.success(), "{}", String::from_utf8_lossy(&built.stderr));
    let printed = Command::new(&binary).output().unwrap();
    assert_eq!(String::from_utf8(printed.stdout).unwrap(), want);
}

#[test]
fn the_header_is_also_good_cpp() {
    let folder = tempfile::tempdir().unwrap();
    let source = folder.path().join("layout.cpp");
    std::fs::write(&source, "#include \"gunter_plugin.h\"\nint main() { return GUNTER_OK; }\n").unwrap();
    let include = Path::new(env!("CARGO_MANIFEST_DIR")).join("include");
    let built =
        Command::new("c++").args(["-std=c++11", "-Wall", "-Werror", "-fsyntax-only", "-I"]).arg(&include).arg(&source).output().unwrap();
    assert!(built.status.success(), "{}", String::from_utf8_lossy(&built.stderr));
}
