//! Findings as text for a terminal or a file. JSON is the serialised [`Diagnostic`] itself.

use super::{Diagnostic, Label, Verdict};
use crate::document::Document;
use annotate_snippets::renderer::DecorStyle;
use annotate_snippets::{AnnotationKind, Group, Level, Renderer, Snippet};
use std::fmt::Write;

/// Width that long lines are folded to.
const WIDTH: usize = 100;

/// Draws findings one below the other.
///
/// Mistakes that point into a job, rig or reference are drawn with the text underlined; findings
/// about the survey take five lines: what, where, size, why, fix.
#[must_use]
pub fn text(findings: &[Diagnostic], documents: &[&Document], colour: bool) -> String {
    let mut out = String::new();
    for finding in findings {
        if !out.is_empty() {
            out.push('\n');
        }
        out.push_str(&one(finding, documents, colour));
    }
    out
}

fn drawable<'a>(label: &Label, documents: &[&'a Document]) -> Option<(&'a Document, std::ops::Range<usize>)> {
    let range = label.range.clone()?;
    let document = documents.iter().find(|d| d.name == label.file)?;
    // Clamp: a position must never be able to break a message.
    let end = range.end.min(document.text.len());
    let start = range.start.min(end);
    (document.text.is_char_boundary(start) && document.text.is_char_boundary(end)).then_some((document, start..end))
}

fn one(finding: &Diagnostic, documents: &[&Document], colour: bool) -> String {
    let level = match finding.verdict {
        Verdict::Error | Verdict::Block => Level::ERROR,
        Verdict::Hold | Verdict::Reshoot | Verdict::Warn => Level::WARNING,
        Verdict::Note => Level::NOTE,
    };
    let drawn: Vec<(&Label, &Document, std::ops::Range<usize>)> =
        finding.labels.iter().filter_map(|l| drawable(l, documents).map(|(d, r)| (l, d, r))).collect();
    let title = match &finding.waived {
        Some(waiver) => format!("{} (waived: {waiver})", finding.what),
        None => finding.what.clone(),
    };
    let mut group = Group::with_title(level.with_name(finding.verdict.word()).primary_title(title).id(finding.code.as_str()));
    for document in documents {
        let here: Vec<_> = drawn.iter().filter(|(_, d, _)| d.name == document.name).collect();
        if here.is_empty() {
            continue;
        }
        let mut snippet = Snippet::source(document.text.as_str()).path(document.name.as_str());
        for (i, (label, _, range)) in here.iter().enumerate() {
            let kind = if i == 0 { AnnotationKind::Primary } else { AnnotationKind::Context };
            snippet = snippet.annotation(kind.span(range.clone()).label(label.text.as_str()));
        }
        group = group.element(snippet);
    }
    let renderer = if colour { Renderer::styled() } else { Renderer::plain() };
    let mut out = renderer.decor_style(DecorStyle::Ascii).render(&[group]);
    out.push('\n');
    let undrawn: Vec<&Label> = finding.labels.iter().filter(|l| drawable(l, documents).is_none()).collect();
    let mut place = finding.place.clone();
    if place.is_empty() {
        let words: Vec<String> =
            [finding.point.as_ref().map(|p| format!("point `{p}`")), finding.step.as_ref().map(|s| format!("step `{s}`"))]
                .into_iter()
                .flatten()
                .collect();
        if drawn.is_empty() || finding.point.is_some() {
            place = words.join(", ");
        }
    }
    line(&mut out, "where", &place);
    for label in undrawn {
        let lines = match (label.line, label.last_line) {
            (Some(a), Some(b)) => format!(", lines {a} to {b}"),
            (Some(a), None) => label.column.map_or_else(|| format!(", line {a}"), |c| format!(", line {a}, column {c}")),
            _ => String::new(),
        };
        let text = if label.text.is_empty() { String::new() } else { format!(": {}", label.text) };
        line(&mut out, if place.is_empty() { "where" } else { "" }, &format!("{}{lines}{text}", label.file));
    }
    line(&mut out, "size", &finding.size);
    line(&mut out, "why", &finding.why);
    line(&mut out, "fix", &finding.fix);
    out
}

fn line(out: &mut String, name: &str, text: &str) {
    if text.is_empty() {
        return;
    }
    for (i, part) in text.lines().flat_map(fold).enumerate() {
        let name = if i == 0 { name } else { "" };
        let _ = writeln!(out, "  {name:<5} {part}");
    }
}

fn fold(text: &str) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in text.split(' ') {
        let current = lines.last().map_or(0, |l| l.chars().count());
        if current > 0 && current + 1 + word.chars().count() > WIDTH - 8 {
            lines.push(String::new());
        }
        if let Some(last) = lines.last_mut() {
            if !last.is_empty() {
                last.push(' ');
            }
            last.push_str(word);
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::document as parse;

    #[test]
    fn draws_a_key_and_five_lines() {
        let document = parse::read("jobs/é.yaml", "job: 1\nnamé: Ø\n".as_bytes()).unwrap();
        let d = Diagnostic::new("job/unknown-key", Verdict::Error, "`namé` is not a key")
            .label(document.key_label("namé", "did you mean `name`?"))
            .size("1.0 m")
            .fix("rename it");
        let drawn = text(&[d], &[&document], false);
        assert_eq!(
            drawn,
            "error[job/unknown-key]: `namé` is not a key\n --> jobs/é.yaml:2:1\n  |\n2 | namé: Ø\n  | ^^^^ did you mean `name`?\n  size  1.0 m\n  fix   rename it\n"
        );
    }

    #[test]
    fn data_files_are_named_by_line() {
        let d = Diagnostic::new("data/torn-line", Verdict::Warn, "1 torn sentence")
            .label(Label::lines("day1.nmea", 4407, 4407, "`$GNGST,14`"))
            .point("V-07");
        let drawn = text(&[d], &[], false);
        assert_eq!(drawn, "warn[data/torn-line]: 1 torn sentence\n  where point `V-07`\n        day1.nmea, line 4407: `$GNGST,14`\n");
    }
}
