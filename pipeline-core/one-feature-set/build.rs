//! Nothing to do; only packages with a build script have build dependencies, and features of macros are joined through those.

fn main() {
    println!("cargo::rerun-if-changed=build.rs");
}
