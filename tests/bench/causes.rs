//! How often `find-cause` names the right blunder: 200 random sites for each, as a table for README.md beside this file.

#![allow(
    missing_docs,
    clippy::print_stdout,
    clippy::unwrap_used,
    clippy::panic,
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss
)]

#[path = "causes_sim.rs"]
mod sim;

use sim::{ALL, Blunder, line, site};

fn main() {
    let count: u64 = std::env::args().skip(1).find_map(|a| a.parse().ok()).unwrap_or(200);
    let sites: Vec<_> = (0..count).map(|k| site(1_000 + k)).collect();
    println!("| what was wrong | above 4 sigma | right cause first, % | first and alone, % | said instead |");
    println!("| --- | ---: | ---: | ---: | --- |");
    let percent = |a: usize, b: usize| if b == 0 { "-".to_owned() } else { format!("{:.1}", 100.0 * a as f64 / b as f64) };
    for what in [Blunder::Nothing].into_iter().chain(ALL).chain([Blunder::TwoTogether, Blunder::Unknown]) {
        let l = line(&sites, what);
        let instead: Vec<String> = l.instead.iter().map(|(k, v)| format!("{k} {v}")).collect();
        println!("| {what:?} | {} | {} | {} | {} |", l.tried, percent(l.right, l.tried), percent(l.alone, l.tried), instead.join(", "));
    }
}
