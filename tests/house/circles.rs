//! Circles of files that need each other. A module and what stands below it count as one in this: a child may use its parent.

use super::source::{Crate, Module, modules_of};
use std::collections::{BTreeMap, BTreeSet};

/// A file: crate and modules.
type Node = (String, Vec<String>);

struct House<'a> {
    modules: BTreeMap<&'a str, BTreeSet<Vec<String>>>,
    /// Names that a module gives on, and what they are.
    given_on: BTreeMap<Node, Node>,
}

impl House<'_> {
    /// The full path of a path that is named in a module.
    fn full(&self, own: &str, at: &Module, path: &[String]) -> Option<Node> {
        let first = path.first()?;
        match first.as_str() {
            "crate" => Some((own.to_owned(), path[1..].to_vec())),
            "super" | "self" => {
                let mut here = at.path.clone();
                let mut i = 0;
                while i < path.len() && matches!(path[i].as_str(), "super" | "self") {
                    if path[i] == "super" {
                        here.pop();
                    }
                    i += 1;
                }
                Some((own.to_owned(), [here, path[i..].to_vec()].concat()))
            }
            other if self.modules.contains_key(other) && other != own => Some((other.to_owned(), path[1..].to_vec())),
            other => {
                let child = [at.path.clone(), vec![other.to_owned()]].concat();
                self.modules[own].contains(&child).then(|| (own.to_owned(), [at.path.clone(), path.to_vec()].concat()))
            }
        }
    }

    /// The file in which the last word of a full path is defined, and whether the path is that of a file itself.
    fn file(&self, (own, path): &Node, depth: usize) -> Option<(Node, bool)> {
        let modules = self.modules.get(own.as_str())?;
        for n in (0..=path.len()).rev() {
            if let Some((to, rest)) = self.given_on.get(&(own.clone(), path[..n].to_vec())).filter(|_| depth < 8) {
                return self.file(&(to.clone(), [rest.clone(), path[n..].to_vec()].concat()), depth + 1);
            }
            if modules.contains(&path[..n]) {
                return Some(((own.clone(), path[..n].to_vec()), n == path.len()));
            }
        }
        None
    }
}

fn kin(a: &Node, b: &Node) -> bool {
    a.0 == b.0 && a.1.starts_with(&b.1)
}

/// Which files each file needs, its parents left out.
fn arrows(crates: &[Crate]) -> BTreeMap<Node, BTreeSet<Node>> {
    let mut house = House { modules: crates.iter().map(|c| (c.word.as_str(), modules_of(c))).collect(), given_on: BTreeMap::new() };
    for c in crates {
        for m in &c.modules {
            for u in m.uses.iter().filter(|u| u.public) {
                if let Some(to) = house.full(&c.word, m, &u.path) {
                    house.given_on.insert((c.word.clone(), [m.path.clone(), vec![u.name.clone()]].concat()), to);
                }
            }
        }
    }
    let mut all: BTreeMap<Node, BTreeSet<Node>> = BTreeMap::new();
    for c in crates {
        for m in &c.modules {
            let me = (c.word.clone(), m.path.clone());
            let mut need = |full: Node| {
                if let Some((file, _)) = house.file(&full, 0).filter(|(f, _)| !kin(&me, f)) {
                    all.entry(me.clone()).or_default().insert(file);
                }
            };
            let mut modules: BTreeMap<&str, Node> = BTreeMap::new();
            for u in &m.uses {
                let Some(full) = house.full(&c.word, m, &u.path) else { continue };
                match house.file(&full, 0) {
                    // A module by its name: what is taken from it is counted where it is taken.
                    Some((_, true)) => drop(modules.insert(&u.name, full)),
                    _ => need(full),
                }
            }
            for path in &m.paths {
                if let Some(full) = house.full(&c.word, m, path) {
                    need(full);
                } else if let Some((own, start)) = modules.get(path[0].as_str()) {
                    need((own.clone(), [start.clone(), path[1..].to_vec()].concat()));
                }
            }
        }
    }
    all
}

/// All files that can be reached from one.
fn reach(from: &Node, arrows: &BTreeMap<Node, BTreeSet<Node>>) -> BTreeSet<Node> {
    let mut seen = BTreeSet::new();
    let mut open = vec![from.clone()];
    while let Some(n) = open.pop() {
        for next in arrows.get(&n).into_iter().flatten() {
            if seen.insert(next.clone()) {
                open.push(next.clone());
            }
        }
    }
    seen
}

/// Each circle as one line of text.
pub(crate) fn circles(crates: &[Crate]) -> Vec<String> {
    let arrows = arrows(crates);
    assert!(arrows.len() > 100, "only {} files with arrows were found", arrows.len());
    let reached: BTreeMap<&Node, BTreeSet<Node>> = arrows.keys().map(|n| (n, reach(n, &arrows))).collect();
    let mut told = BTreeSet::new();
    let mut out = vec![];
    for (n, from_it) in &reached {
        if !from_it.contains(*n) || told.contains(*n) {
            continue;
        }
        let ring: Vec<&Node> = from_it.iter().filter(|o| reached.get(*o).is_some_and(|r| r.contains(*n))).collect();
        let text = |n: &Node| format!("{}::{}", n.0, n.1.join("::"));
        let mut lines = vec![format!("circle of {} files:", ring.len())];
        for a in &ring {
            for b in arrows[*a].iter().filter(|b| ring.contains(b)) {
                lines.push(format!("  {} needs {}", text(a), text(b)));
            }
        }
        told.extend(ring.into_iter().cloned());
        out.push(lines.join("\n"));
    }
    out
}

#[test]
fn a_circle_is_seen() {
    let module = |path: &[&str], paths: &[&[&str]]| Module {
        path: path.iter().map(|p| (*p).to_owned()).collect(),
        file: std::path::PathBuf::new(),
        uses: vec![],
        paths: paths.iter().map(|p| p.iter().map(|w| (*w).to_owned()).collect()).collect(),
        unsafe_code: false,
    };
    let one = Crate {
        name: "one".into(),
        word: "one".into(),
        folder: std::path::PathBuf::new(),
        modules: vec![
            module(&[], &[]),
            module(&["a"], &[&["crate", "b", "x"]]),
            module(&["b"], &[&["super", "a", "y"]]),
            module(&["c"], &[&["crate", "c", "d", "x"]]),
            module(&["c", "d"], &[&["super", "x"]]),
        ],
    };
    let arrows = arrows(std::slice::from_ref(&one));
    assert!(reach(&("one".into(), vec!["a".into()]), &arrows).contains(&("one".into(), vec!["a".into()])));
    // A child that uses its parent is no circle.
    assert!(!reach(&("one".into(), vec!["c".into()]), &arrows).contains(&("one".into(), vec!["c".into()])));
}
