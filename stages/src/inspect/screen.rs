//! The report on one screen, in plain words.

use super::Report;
use pipeline_base::diag::Verdict;
use raw_logs::nmea::dating::Dated;
use raw_logs::nmea::findings::{Context, blocks, remarks};
use raw_logs::nmea::log::Log;
use raw_logs::nmea::settings::Settings;

/// Parts of the strip.
pub(super) const CELLS: usize = 60;

/// Characters of a line.
const WIDE: usize = 100;
/// Lines of a screen.
const HIGH: usize = 40;

/// Fills in what is wrong, from the findings that a run would have, and what only a person knows.
pub(super) fn judge(report: &mut Report, logs: &[Log], dated: &[Dated]) {
    let settings = Settings::default();
    let mut wrong: Vec<(Verdict, String, String)> = vec![];
    for (log, dated) in logs.iter().zip(dated) {
        let context = Context { session: "", settings: &settings, budget_m: None, date: None };
        for finding in blocks(log, dated, &context).into_iter().chain(remarks(log, dated, &context)) {
            // Damage has lines of its own in the report.
            let damage = ["data/torn-line", "data/bad-checksum", "data/no-checksum", "data/malformed-line", "data/late-sentence"];
            if finding.verdict < Verdict::Note && !damage.contains(&finding.code.as_str()) && !wrong.iter().any(|w| w.1 == finding.code) {
                wrong.push((finding.verdict, finding.code, finding.what));
            }
        }
    }
    wrong.sort_by_key(|w| w.0);
    report.wrong = wrong.into_iter().map(|(_, _, what)| what).collect();
    if report.without_checksums {
        report.wrong.insert(0, "sentences have no checksum; set `checksums: optional` only if the log cannot be had again".to_owned());
    }
    if report.epochs == 0 {
        return;
    }
    if report.with_gst == 0 {
        report.wrong.push("no GST: every sigma will be the rig's assumed value, and marked so".to_owned());
    }
    if !report.sentences.iter().any(|k| k.address.ends_with("GSA")) {
        report.wrong.push("no GSA: PDOP is unknown, so a limit on PDOP cannot be used".to_owned());
    }
    report.ask = asks(report);
}

fn asks(report: &Report) -> Vec<String> {
    let mut ask = vec![
        "frame and epoch of the corrections (from the correction service, never `WGS 84`)".to_owned(),
        "what the coordinates mean: antenna reference point, phase centre or pole tip".to_owned(),
        "lengths and angles of pole, antenna and laser, their sigmas, and the budget".to_owned(),
        "grid, vertical datum, geoid model and units of the delivery".to_owned(),
        "which epochs belong to which point (the crew's notes)".to_owned(),
    ];
    if report.files.iter().any(|f| f.epochs > 0 && f.date_source.is_none()) {
        ask.insert(0, "the date of line 1 (option `date`)".to_owned());
    }
    if !report.sensors.is_empty() {
        ask.push("whether HDT, ROT, XDR follow the GGA of their epoch or stand before it (`untimed`)".to_owned());
        ask.push("which north the heading counts from, and the sense of pitch and roll".to_owned());
    }
    ask
}

impl Report {
    /// The report as text: at most 40 lines of at most 100 characters.
    #[must_use]
    pub fn text(&self) -> String {
        let mut out = Lines::default();
        self.files_part(&mut out);
        self.sentences_part(&mut out);
        self.epochs_part(&mut out);
        self.numbers_part(&mut out);
        let room = HIGH.saturating_sub(out.0.len());
        let asks = if self.ask.is_empty() { 0 } else { self.ask.len().min(room / 2) };
        out.list("watch out", &self.wrong, room - asks);
        let room = HIGH.saturating_sub(out.0.len());
        out.list("only you know", &self.ask, room);
        out.0.truncate(HIGH);
        let mut text = out.0.join("\n");
        text.push('\n');
        text
    }

    fn files_part(&self, out: &mut Lines) {
        for (i, f) in self.files.iter().enumerate().take(4) {
            let size = size(f.bytes);
            let binary = if f.binary_bytes > 0 { format!(", {} of it binary", self::size(f.binary_bytes)) } else { String::new() };
            let times = match (&f.first, &f.last) {
                (Some(a), Some(b)) => format!("; {} to {}", a, b.rsplit(' ').next().unwrap_or(b)),
                _ => "; no epoch".to_owned(),
            };
            let name = ending(&f.name, 26);
            out.add(if i == 0 { "log" } else { "" }, &format!("{name}: {size}{binary}, {} lines{times}", f.lines));
        }
        if self.files.len() > 4 {
            out.add("", &format!("and {} more files", self.files.len() - 4));
        }
    }

    fn sentences_part(&self, out: &mut Lines) {
        let mut kinds: Vec<String> = self.sentences.iter().take(18).map(|k| format!("{} {}", k.address, k.count)).collect();
        if self.sentences.len() > 18 {
            kinds.push(format!("{} more kinds", self.sentences.len() - 18));
        }
        out.wrap("sentences", &kinds, ", ", 3);
        if !self.order.is_empty() {
            out.wrap("their order", &self.order, " > ", 1);
        }
        for (i, d) in self.damage.iter().enumerate().take(4) {
            let line = format!("{} {}, first at line {}: {}", d.count, d.reason, d.line, d.text);
            out.add(if i == 0 { "damaged" } else { "" }, &line);
        }
    }

    fn epochs_part(&self, out: &mut Lines) {
        if self.epochs == 0 {
            return;
        }
        let interval = self.files.iter().find_map(|f| f.interval_s);
        let rate = interval.map_or(String::new(), |s| format!(", one each {} s", trimmed(s, 3)));
        let missing =
            if self.missing > 0 { format!(", {} missing, pauses not counted", self.missing) } else { ", none missing".to_owned() };
        out.add("epochs", &format!("{}{rate}{missing}", self.epochs));
        if !self.gaps.is_empty() {
            let gaps: Vec<String> =
                self.gaps.iter().map(|g| format!("{} s after {} (line {})", trimmed(g.seconds, 2), g.after, g.line)).collect();
            out.wrap("longest gaps", &gaps, ", ", 1);
        }
        let shares: Vec<String> = self.fixes.iter().map(|s| format!("{} {} %", s.fix, trimmed(s.percent, 1))).collect();
        out.wrap("fix", &shares, ", ", 1);
        if self.strip.chars().count() == CELLS {
            out.add("over time", &format!("[{}]", self.strip));
            out.add("", "# rtk-fixed  f float  d differential  a autonomous  e other  ? unknown  . none");
        }
        let mut dates: Vec<&str> = self.files.iter().filter(|f| f.epochs > 0).map(|f| f.date_source.as_deref().unwrap_or("none")).collect();
        dates.sort_unstable();
        dates.dedup();
        out.add("date from", &dates.join(", "));
        let gst = match self.sigma_95_of_epochs_m {
            Some((h, u)) => format!("GST in {} epochs; 95 % of them at most {h:.3} m horizontal, {u:.3} m up (1 sigma)", self.with_gst),
            None => "no GST".to_owned(),
        };
        out.add("sigmas", &gst);
    }

    fn numbers_part(&self, out: &mut Lines) {
        if let Some(p) = &self.place {
            let heights = p.heights_m.map_or("height unknown".to_owned(), |(a, b)| format!("ellipsoidal height {a:.1} to {b:.1} m"));
            out.add("where", &format!("near {:.4}, {:.4} deg; {heights}; extent {:.0} m", p.latitude_deg, p.longitude_deg, p.extent_m));
        }
        match &self.separation {
            Some(s) => {
                let range = if s.highest_m - s.lowest_m < 5e-4 {
                    format!("{:.3} m", s.lowest_m)
                } else {
                    format!("{:.3} to {:.3} m", s.lowest_m, s.highest_m)
                };
                out.add("separation", &format!("{range}: the receiver's own coarse geoid; taken out, never delivered"));
            }
            None if self.epochs > 0 => out.add("separation", "none, so ellipsoidal heights cannot be rebuilt"),
            None => {}
        }
        if let Some(r) = &self.resolution {
            let decimals = if r.fewest == r.most { r.most.to_string() } else { format!("{} to {}", r.fewest, r.most) };
            let height = r.height_step_m.map_or(String::new(), |h| format!("; heights in steps of {} mm", trimmed(h * 1000.0, 2)));
            out.add(
                "resolution",
                &format!("{decimals} decimals of minutes: positions in steps of {} mm{height}", trimmed(r.position_step_m * 1000.0, 2)),
            );
        }
        if !self.bases.is_empty() {
            let bases: Vec<String> = self.bases.iter().map(|b| format!("`{}` in {} epochs", b.id, b.epochs)).collect();
            out.wrap("base station", &bases, ", ", 1);
        }
        let sensors: Vec<String> = self
            .sensors
            .iter()
            .map(|s| {
                let name = if s.name.is_empty() { s.sentence.to_owned() } else { format!("{} `{}`", s.sentence, s.name) };
                let unit = if s.unit.is_empty() { String::new() } else { format!(" {}", s.unit) };
                format!("{name} {} to {}{unit}", trimmed(s.lowest, 3), trimmed(s.highest, 3))
            })
            .collect();
        if !sensors.is_empty() {
            out.wrap("sensors", &sensors, ", ", 3);
        }
    }
}

/// Lines with a heading in front.
#[derive(Default)]
struct Lines(Vec<String>);

impl Lines {
    const HEAD: usize = 14;

    fn add(&mut self, head: &str, text: &str) {
        let head = if head.is_empty() { String::new() } else { format!("{head}:") };
        let line: String = format!("{head:<width$} {text}", width = Self::HEAD);
        self.0.push(shorten(line.trim_end(), WIDE));
    }

    /// Parts on at most `most` lines.
    fn wrap(&mut self, head: &str, parts: &[String], between: &str, most: usize) {
        let mut line = String::new();
        let mut lines = vec![];
        for part in parts {
            if !line.is_empty() && Self::HEAD + 1 + line.chars().count() + between.len() + part.chars().count() > WIDE {
                lines.push(std::mem::take(&mut line));
            }
            if !line.is_empty() {
                line.push_str(between);
            }
            line.push_str(part);
        }
        lines.push(line);
        let cut = lines.len() > most;
        for (i, line) in lines.iter().take(most).enumerate() {
            let end = if cut && i + 1 == most { " ..." } else { "" };
            self.add(if i == 0 { head } else { "" }, &format!("{}{end}", shorten(line, WIDE - Self::HEAD - 1 - end.len())));
        }
    }

    fn list(&mut self, head: &str, items: &[String], most: usize) {
        if items.is_empty() || most == 0 {
            return;
        }
        let shown = if items.len() > most { most - 1 } else { items.len() };
        for (i, item) in items.iter().take(shown).enumerate() {
            self.add(if i == 0 { head } else { "" }, &format!("- {item}"));
        }
        if shown < items.len() {
            self.add(if shown == 0 { head } else { "" }, &format!("- and {} more; `--format json` has them all", items.len() - shown));
        }
    }
}

fn shorten(text: &str, most: usize) -> String {
    if text.chars().count() <= most {
        return text.to_owned();
    }
    let kept: String = text.chars().take(most - 3).collect();
    format!("{kept}...")
}

/// The end of a name, where the file stands.
fn ending(text: &str, most: usize) -> String {
    let count = text.chars().count();
    if count <= most { text.to_owned() } else { format!("...{}", text.chars().skip(count - (most - 3)).collect::<String>()) }
}

fn trimmed(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

#[allow(clippy::cast_precision_loss)]
fn size(bytes: u64) -> String {
    match bytes {
        0..1_000 => format!("{bytes} B"),
        1_000..1_000_000 => format!("{} kB", trimmed(bytes as f64 / 1e3, 1)),
        _ => format!("{} MB", trimmed(bytes as f64 / 1e6, 1)),
    }
}
