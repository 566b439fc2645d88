//! `gunter plugin new`: a plug-in that works, to be made one's own.

use crate::args::Language;
use crate::{DONE, JOB, print};
use std::path::Path;

const HEADER: &str = include_str!("../../plugins/abi/include/gunter_plugin.h");

/// What a schema, a role and a message of a program are.
const PAGES: &str = include_str!("../../plugins/README.md");

/// The SDK, as files of the new project: it needs nothing of this program's sources.
const SDK: &[(&str, &str)] = &[
    ("sdk/src/lib.rs", include_str!("../../plugins/sdk/src/lib.rs")),
    ("sdk/src/arrow.rs", include_str!("../../plugins/sdk/src/arrow.rs")),
    ("sdk/src/column.rs", include_str!("../../plugins/sdk/src/column.rs")),
    ("sdk/src/cx.rs", include_str!("../../plugins/sdk/src/cx.rs")),
    ("sdk/src/export.rs", include_str!("../../plugins/sdk/src/export.rs")),
    ("sdk/src/problem.rs", include_str!("../../plugins/sdk/src/problem.rs")),
    ("sdk/src/schema.rs", include_str!("../../plugins/sdk/src/schema.rs")),
    ("sdk/src/stage.rs", include_str!("../../plugins/sdk/src/stage.rs")),
    ("sdk/src/table.rs", include_str!("../../plugins/sdk/src/table.rs")),
    ("sdk/abi/src/lib.rs", include_str!("../../plugins/abi/src/lib.rs")),
    ("sdk/abi/include/gunter_plugin.h", HEADER),
    (
        "sdk/Cargo.toml",
        "[package]\nname = \"gunter-plugin\"\nversion = \"1.0.0\"\nedition = \"2024\"\nlicense = \"Apache-2.0\"\n\n[dependencies]\ngunter-plugin-abi = { path = \"abi\" }\nschemars = { version = \"1\", features = [\"preserve_order\"] }\nserde = { version = \"1\", features = [\"derive\"] }\nserde_json = { version = \"1\", features = [\"preserve_order\"] }\nserde_path_to_error = \"0.1\"\n",
    ),
    ("sdk/abi/Cargo.toml", "[package]\nname = \"gunter-plugin-abi\"\nversion = \"1.0.0\"\nedition = \"2024\"\nlicense = \"Apache-2.0\"\n"),
];

/// Writes a project into a new folder of that name.
pub(crate) fn run(name: &str, language: Language) -> u8 {
    let good = name.starts_with(|c: char| c.is_ascii_lowercase())
        && name.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-');
    if !good {
        eprintln!("error: `{name}` is no name of a plug-in: lower-case letters, digits and hyphens, a letter first");
        return JOB;
    }
    let folder = Path::new(name);
    if folder.exists() {
        eprintln!("error: `{name}` exists already");
        return JOB;
    }
    match files(name, language).iter().try_for_each(|(file, text)| write(folder, file, text)) {
        Ok(()) => {
            print::answer(&format!("{name}/ is ready; {name}/README.md says how to build and try it"));
            DONE
        }
        Err(e) => {
            eprintln!("error: `{name}` cannot be written: {e}");
            JOB
        }
    }
}

fn write(folder: &Path, file: &str, text: &str) -> std::io::Result<()> {
    let path = folder.join(file);
    if let Some(parent) = path.parent() {
        std::fs::create_dir_all(parent)?;
    }
    std::fs::write(&path, text)?;
    #[cfg(unix)]
    if text.starts_with("#!") {
        use std::os::unix::fs::PermissionsExt;
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o755))?;
    }
    Ok(())
}

fn files(name: &str, language: Language) -> Vec<(String, String)> {
    let readme = |build: &str, file: &str, stage: &str, header: &str| {
        let text = include_str!("../../plugins/templates/README.md").replace("BUILD", build).replace("FILE", file).replace("STAGE", stage);
        ("README.md".to_owned(), format!("{}\n", text.replace("HEADER", header).replace("NAME", name).trim_end()))
    };
    let library = name.replace('-', "_");
    let mut all = match language {
        Language::Rust => {
            let manifest = format!(
                "[package]\nname = \"{name}\"\nversion = \"0.1.0\"\nedition = \"2024\"\nlicense = \"Apache-2.0\"\n\n[lib]\ncrate-type = [\"cdylib\"]\n\n[dependencies]\ngunter-plugin = {{ path = \"sdk\" }}\n\n[workspace]\n"
            );
            let build = "Build it with `cargo build --release`; `cargo test` runs its tests.";
            let mut all = vec![
                ("Cargo.toml".to_owned(), manifest),
                ("src/lib.rs".to_owned(), include_str!("../../plugins/templates/lib.rs").replace("NAME", name)),
                readme(
                    build,
                    &format!("target/release/lib{library}.so"),
                    "raise",
                    "`sdk/` is the library for authors; its documentation is `cargo doc --open`.",
                ),
            ];
            all.extend(SDK.iter().map(|(file, text)| ((*file).to_owned(), (*text).to_owned())));
            all
        }
        Language::C => {
            let source = include_str!("../../plugins/example-c/steady.c").replace("steady", name).replace("-I ../abi/include ", "");
            let build = format!(
                "#!/bin/sh\n# Builds the plug-in and tries it.\nset -e\ncd \"$(dirname \"$0\")\"\ncc -std=c99 -O2 -Wall -Wextra -shared -fPIC -fvisibility=hidden {name}.c -o lib{name}.so\n[ -z \"$GUNTER\" ] || \"$GUNTER\" plugin check \"$PWD/lib{name}.so\"\n"
            );
            vec![
                (format!("{name}.c"), source),
                ("json.h".to_owned(), include_str!("../../plugins/example-c/json.h").to_owned()),
                ("gunter_plugin.h".to_owned(), HEADER.to_owned()),
                ("build.sh".to_owned(), build),
                readme(
                    "Build it with `./build.sh`; with `GUNTER=gunter ./build.sh` it is tried as well.",
                    &format!("lib{name}.so"),
                    "mean",
                    "`gunter_plugin.h` is the contract: read its first page.",
                ),
            ]
        }
        Language::Process => {
            let script = include_str!("../../plugins/example-process/codebook.py").replace("codebook", name);
            vec![
                (format!("{name}.py"), script),
                ("codes.csv".to_owned(), "code,meaning\nVALVE,gate valve\n".to_owned()),
                readme(
                    "It needs Python with pyarrow and no building.",
                    &format!("{name}.py"),
                    "lookup",
                    "The messages that it answers are in `main` of the script.",
                ),
            ]
        }
    };
    all.push(("PLUGINS.md".to_owned(), PAGES.to_owned()));
    all
}
