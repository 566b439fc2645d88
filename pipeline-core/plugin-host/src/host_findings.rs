//! The host's own findings about a plug-in: why, and what to do.

/// Why it is so, and what to do about it.
pub(crate) fn why_and_fix(code: &str) -> (&'static str, &'static str) {
    let maker = "ask the maker of the plug-in, with this finding and the record; nothing was delivered";
    match code {
        "plugin/not-found" => ("", "give a path relative to the job file"),
        "plugin/not-a-library" => ("", "name the shared library itself (`.so`), or a program that can be executed"),
        "plugin/wrong-architecture" => ("", "ask its maker for a build for this processor"),
        "plugin/no-symbol" => (
            "a plug-in exports one symbol, by which it is known",
            "name the library of a plug-in; `gunter plugin check LIBRARY` tells more",
        ),
        "plugin/other-version" => (
            "the number is of the boundary and not of the program, and changes only with it",
            "use a plug-in or a program of the other version",
        ),
        "plugin/unresolved-symbol" => (
            "it was built against a library that this machine lacks or has in another version",
            "install what its maker names, or ask for a build that carries it",
        ),
        "plugin/cannot-load" => ("", "install what its maker names, then run `gunter plugin check` on it"),
        "plugin/cannot-start" => ("", "start it by hand in a terminal and see what it says"),
        "plugin/bad-description" => (
            "every stage says its name, its options with an explanation each, and what it takes",
            "ask the maker of the plug-in; `gunter plugin check LIBRARY` shows the same",
        ),
        "plugin/refused" => ("", "do what it asks for, or leave it out"),
        "plugin/digest-differs" => {
            ("the file is not the one that was reviewed for this job", "restore that file, or review the new one and write its digest")
        }
        "plugin/crashed" => ("the fault is in the plug-in; it ran in a process of its own, so nothing else was harmed", maker),
        "plugin/time-limit" => {
            ("it was ended so that the run could end", "raise `time_limit_s` of the plug-in if the work is that large, or ask its maker")
        }
        "plugin/memory-limit" => ("it was given a limit in the job", "raise `memory_limit_mb` of the plug-in, or ask its maker"),
        "plugin/panicked" => ("after a fault of this kind it is not called again", maker),
        "plugin/ended-early" => ("a plug-in returns from each call, or answers each message, and lives until the host ends it", maker),
        "plugin/bad-talk" => (
            "a plug-in in a process of its own answers each message with one line of JSON on its standard output, and writes nothing else there",
            maker,
        ),
        "plugin/wrong-table" => (
            "units, roles, frame and types are held against the promise after every call, so that a wrong unit cannot reach a delivery",
            maker,
        ),
        "plugin/rows-lost" => ("every row that goes in comes out, is set aside with a reason, or is used to make another", maker),
        "plugin/bad-data" => ("the columns that came back cannot be read safely", maker),
        // Said with the code of a fault of its own: neither the job nor the data are to blame.
        "plugin/said" => ("the plug-in says that the fault is its own, and neither in the job nor in the data", maker),
        "plugin/bad-answer" => ("what it promises cannot be read or cannot be kept", maker),
        _ => ("", maker),
    }
}
