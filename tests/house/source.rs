//! Sources of the workspace as modules with the paths that they name. Tests in them are left out.

use proc_macro2::{Delimiter, TokenStream, TokenTree};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::str::FromStr;

/// A crate of the workspace.
pub(crate) struct Crate {
    pub name: String,
    /// Its name in paths.
    pub word: String,
    pub folder: PathBuf,
    pub modules: Vec<Module>,
}

/// A file.
pub(crate) struct Module {
    /// Modules from the root of the crate down to this one.
    pub path: Vec<String>,
    pub file: PathBuf,
    /// Paths of `use`, written out.
    pub uses: Vec<Use>,
    /// Other paths of two words or more.
    pub paths: Vec<Vec<String>>,
    pub unsafe_code: bool,
}

/// One leaf of a `use`.
pub(crate) struct Use {
    pub path: Vec<String>,
    /// The name that it has here.
    pub name: String,
    pub public: bool,
}

pub(crate) fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

/// All crates of the workspace and the program.
pub(crate) fn crates() -> Vec<Crate> {
    let text = std::fs::read_to_string(root().join("Cargo.toml")).unwrap();
    let members = text.lines().find_map(|l| l.strip_prefix("members = [")).unwrap().trim_end_matches(']');
    let mut all: Vec<Crate> = members.split(',').map(|m| one(&root().join(m.trim().trim_matches('"')), "src/lib.rs")).collect();
    let mut program = Crate { name: "gunter".into(), word: "gunter".into(), folder: root(), modules: vec![] };
    // The only `unsafe` of the program sets a variable before any thread runs.
    read(&root().join("pipeline-core/cli/main.rs"), vec![], true, &mut program.modules);
    program.modules.iter_mut().filter(|m| m.file.ends_with("main.rs")).for_each(|m| m.unsafe_code = false);
    all.push(program);
    all
}

fn one(folder: &Path, top: &str) -> Crate {
    let manifest = std::fs::read_to_string(folder.join("Cargo.toml")).unwrap();
    let name = manifest.lines().find_map(|l| l.strip_prefix("name = ")).unwrap().trim_matches('"').to_owned();
    let mut modules = vec![];
    read(&folder.join(top), vec![], true, &mut modules);
    Crate { word: name.replace('-', "_"), name, folder: folder.to_owned(), modules }
}

fn read(file: &Path, path: Vec<String>, top: bool, all: &mut Vec<Module>) {
    let text = std::fs::read_to_string(file).unwrap_or_else(|e| panic!("{}: {e}", file.display()));
    let tokens = TokenStream::from_str(&text).unwrap_or_else(|e| panic!("{}: {e}", file.display()));
    let mut module = Module { path: path.clone(), file: file.to_owned(), uses: vec![], paths: vec![], unsafe_code: false };
    let mut children = vec![];
    look(tokens, &mut module, &mut children);
    all.push(module);
    let folder = if top { file.parent().unwrap().to_owned() } else { file.with_extension("") };
    for child in children {
        let below = [path.as_slice(), std::slice::from_ref(&child)].concat();
        read(&folder.join(format!("{child}.rs")), below, false, all);
    }
}

fn word(t: Option<&TokenTree>) -> Option<String> {
    match t {
        Some(TokenTree::Ident(i)) => Some(i.to_string()),
        _ => None,
    }
}

fn sign(t: Option<&TokenTree>, c: char) -> bool {
    matches!(t, Some(TokenTree::Punct(p)) if p.as_char() == c)
}

/// Whether an attribute says that what follows is for tests.
fn for_tests(t: Option<&TokenTree>) -> bool {
    let Some(TokenTree::Group(g)) = t else { return false };
    g.delimiter() == Delimiter::Bracket && g.stream().to_string().replace(' ', "") == "cfg(test)"
}

fn look(tokens: TokenStream, module: &mut Module, children: &mut Vec<String>) {
    let all: Vec<TokenTree> = tokens.into_iter().collect();
    let mut i = 0;
    while i < all.len() {
        if sign(all.get(i), '#') && for_tests(all.get(i + 1)) {
            // To the end of the item: a semicolon or a block.
            i += 2;
            while i < all.len() && !sign(all.get(i), ';') && !matches!(&all[i], TokenTree::Group(g) if g.delimiter() == Delimiter::Brace) {
                i += 1;
            }
            i += 1;
            continue;
        }
        match word(all.get(i)).as_deref() {
            Some("use") => {
                let end = (i..all.len()).find(|n| sign(all.get(*n), ';')).unwrap_or(all.len());
                let before = i.checked_sub(1).and_then(|n| all.get(n));
                let public = word(before).is_some_and(|w| w == "pub") || matches!(before, Some(TokenTree::Group(_)));
                leaves(&all[i + 1..end], &[], public, &mut module.uses);
                i = end;
            }
            Some("mod") if sign(all.get(i + 2), ';') => {
                children.extend(word(all.get(i + 1)));
                i += 2;
            }
            Some("unsafe") => {
                module.unsafe_code = true;
                i += 1;
            }
            Some(first) => {
                let mut path = vec![first.to_owned()];
                while sign(all.get(i + 1), ':') && sign(all.get(i + 2), ':') {
                    let Some(next) = word(all.get(i + 3)) else { break };
                    path.push(next);
                    i += 3;
                }
                if path.len() > 1 {
                    module.paths.push(path);
                }
                i += 1;
            }
            None => {
                if let TokenTree::Group(g) = &all[i] {
                    look(g.stream(), module, children);
                }
                i += 1;
            }
        }
    }
}

fn leaves(tokens: &[TokenTree], before: &[String], public: bool, out: &mut Vec<Use>) {
    for part in tokens.split(|t| sign(Some(t), ',')) {
        let mut path = before.to_vec();
        let mut name = None;
        let mut i = 0;
        while i < part.len() {
            match &part[i] {
                TokenTree::Ident(w) if w == "as" => {
                    name = word(part.get(i + 1));
                    i += 1;
                }
                TokenTree::Ident(w) => path.push(w.to_string()),
                TokenTree::Group(g) => {
                    let inner: Vec<TokenTree> = g.stream().into_iter().collect();
                    leaves(&inner, &path, public, out);
                    path.clear();
                    break;
                }
                _ => {}
            }
            i += 1;
        }
        if path.last().is_some_and(|l| l == "self") && path.len() > 1 {
            path.pop();
        }
        if let Some(last) = path.last().cloned() {
            out.push(Use { path, name: name.unwrap_or(last), public });
        }
    }
}

/// Names of all modules of a crate.
pub(crate) fn modules_of(c: &Crate) -> BTreeSet<Vec<String>> {
    c.modules.iter().map(|m| m.path.clone()).collect()
}
