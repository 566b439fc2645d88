//! Sentences, and the damage that lines suffer on the way.

use crate::epoch::Epoch;
use crate::time::{self, Ms};
use libm::{cos, sin, sqrt};
use std::fmt::Write;

const RAD: f64 = core::f64::consts::PI / 180.0;

/// Which sentences a log carries, besides GGA in each epoch: a period in milliseconds each, 0 for never.
#[derive(Clone, Copy, Debug)]
pub struct Mix {
    /// Date, speed and course.
    pub rmc: Ms,
    /// Date.
    pub zda: Ms,
    /// Active satellites, three constellations.
    pub gsa: Ms,
    /// Satellites in view, eight sentences.
    pub gsv: Ms,
    /// Course and speed.
    pub vtg: Ms,
    /// Decimals of the minutes.
    pub decimals: usize,
}

/// The mix of the demo.
pub const DEMO: Mix = Mix { rmc: 1000, zda: 1000, gsa: 1000, gsv: 10_000, vtg: 0, decimals: 8 };
/// The mix of the benchmark archive: what a talkative receiver writes.
pub const TALKATIVE: Mix = Mix { rmc: 200, zda: 1000, gsa: 1000, gsv: 1000, vtg: 200, decimals: 8 };
/// Position and noise, and a date each second.
pub const SHORT: Mix = Mix { rmc: 1000, zda: 0, gsa: 0, gsv: 0, vtg: 0, decimals: 8 };
/// Position and noise without any date.
pub const DATELESS: Mix = Mix { rmc: 0, zda: 0, gsa: 0, gsv: 0, vtg: 0, decimals: 8 };

/// A line, with the epoch that it belongs to.
#[derive(Clone, Debug)]
pub struct Line {
    /// Time of the epoch.
    pub time: Ms,
    /// The sentence without line end.
    pub text: String,
}

/// Adds `$`, checksum and nothing else.
#[must_use]
pub fn sentence(body: &str) -> String {
    format!("${body}*{:02X}", body.bytes().fold(0, |a, b| a ^ b))
}

fn degrees_minutes(x: f64, width: usize, decimals: usize) -> String {
    let x = x.abs();
    // Whole units of the last decimal, so that 60.000 minutes never appear.
    let mut unit = 60.0;
    for _ in 0..decimals {
        unit *= 10.0;
    }
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let (all, per) = (libm::round(x * unit) as u64, unit as u64);
    let (degree, rest) = (all / per, all % per);
    let one = per / 60;
    format!("{degree:0width$}{:02}.{:0decimals$}", rest / one, rest % one)
}

fn coordinates(e: &Epoch, decimals: usize) -> String {
    format!(
        "{},{},{},{}",
        degrees_minutes(e.place.latitude, 2, decimals),
        if e.place.latitude < 0.0 { 'S' } else { 'N' },
        degrees_minutes(e.place.longitude, 3, decimals),
        if e.place.longitude < 0.0 { 'W' } else { 'E' }
    )
}

fn due(period: Ms, t: Ms) -> bool {
    period > 0 && t.rem_euclid(period) == 0
}

/// The sentences of one epoch in the order of the receiver; those without a time of their own come last.
pub fn write(e: &Epoch, mix: &Mix, out: &mut Vec<Line>) {
    let mut put = |body: &str| out.push(Line { time: e.time, text: sentence(body) });
    let t = time::nmea(e.time);
    let c = coordinates(e, mix.decimals);
    let age = e.age.map_or(String::new(), |a| format!("{a:.1}"));
    // Altitude from the separation as written, so that the two add up to the ellipsoidal height.
    let separation = libm::round(e.separation * 1000.0) / 1000.0;
    put(&format!(
        "GNGGA,{t},{c},{},{:02},{:.2},{:.3},M,{separation:.3},M,{age},{}",
        e.quality,
        e.satellites,
        e.hdop,
        e.place.height - separation,
        e.base
    ));
    if let Some(n) = e.noise {
        let (s, k) = (sin(n.direction * RAD), cos(n.direction * RAD));
        let north = sqrt(n.major * n.major * k * k + n.minor * n.minor * s * s);
        let east = sqrt(n.major * n.major * s * s + n.minor * n.minor * k * k);
        put(&format!("GNGST,{t},{:.4},{:.4},{:.4},{:.2},{north:.4},{east:.4},{:.4}", n.major * 1.6, n.major, n.minor, n.direction, n.up));
    }
    let (year, month, day) = time::date(e.time);
    let mode = match e.quality {
        0 => 'N',
        4 => 'R',
        5 => 'F',
        2 => 'D',
        _ => 'A',
    };
    if due(mix.rmc, e.time) {
        let active = if e.quality == 0 { 'V' } else { 'A' };
        put(&format!(
            "GNRMC,{t},{active},{c},{:.3},{:.2},{day:02}{month:02}{:02},,,{mode},V",
            e.speed / 0.514_444_444_444_444_4,
            e.course,
            year % 100
        ));
    }
    if due(mix.vtg, e.time) {
        put(&format!("GNVTG,{:.2},T,,M,{:.3},N,{:.3},K,{mode}", e.course, e.speed / 0.514_444_444_444_444_4, e.speed * 3.6));
    }
    if due(mix.zda, e.time) {
        put(&format!("GNZDA,{t},{day:02},{month:02},{year},00,00"));
    }
    if due(mix.gsa, e.time) {
        let dops = format!("{:.2},{:.2},{:.2}", e.hdop * 1.9, e.hdop, e.hdop * 1.62);
        put(&format!("GNGSA,A,3,02,05,07,09,13,16,20,27,30,,,,{dops},1"));
        put(&format!("GNGSA,A,3,66,67,76,77,82,83,,,,,,,{dops},2"));
        put(&format!("GNGSA,A,3,03,05,08,13,15,24,26,31,,,,,{dops},3"));
    }
    if due(mix.gsv, e.time) {
        view(e.time, &mut put);
    }
    if let Some(p) = e.pose {
        put(&format!("GNHDT,{:.2},T", crate::pose::wrap(libm::round(p.heading * 100.0) / 100.0)));
        let mut body = format!("IIXDR,A,{:.2},D,PTCH,A,{:.2},D,ROLL,D,", p.pitch, p.roll);
        if let Some(r) = e.range {
            // Writing to a string cannot fail.
            let _ = write!(body, "{r:.3}");
        }
        body.push_str(",M,RANG");
        put(&body);
    }
}

/// Eight sentences of satellites in view; the signal strengths change slowly.
fn view(t: Ms, put: &mut impl FnMut(&str)) {
    for (talker, first, count, signal) in [("GP", 2, 3, 1), ("GL", 65, 2, 1), ("GA", 3, 3, 7)] {
        for k in 0..count {
            let mut body = format!("{talker}GSV,{count},{},{:02}", k + 1, count * 4);
            for j in 0..4 {
                let id = i64::from(first + 4 * k + j);
                let strength = 38 + (id * 7 + t / 7000) % 13;
                let _ = write!(body, ",{id:02},{:02},{:03},{strength:02}", 12 + id * 11 % 74, id * 53 % 360);
            }
            let _ = write!(body, ",{signal}");
            put(&body);
        }
    }
}

/// What happens to a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Damage {
    /// Only the first characters arrive.
    Cut(usize),
    /// The first characters arrive, then the next line without a line end between.
    Merge(usize),
    /// One character is another: the checksum no longer fits.
    Flip(usize),
    /// The line comes twice.
    Repeat,
}

/// Damage to the first sentence of a kind at a time.
#[derive(Clone, Copy, Debug)]
pub struct Hit {
    /// Time of the epoch.
    pub time: Ms,
    /// Three letters of the sentence.
    pub kind: &'static str,
    /// What happens to it.
    pub damage: Damage,
}

/// The log as bytes, with damage, CR LF at the line ends.
#[must_use]
pub fn bytes(lines: &[Line], hits: &[Hit]) -> Vec<u8> {
    let mut out = Vec::with_capacity(lines.len() * 72);
    let mut done = vec![false; hits.len()];
    for line in lines {
        let hit = hits.iter().position(|h| h.time == line.time && line.text.get(3..6) == Some(h.kind)).filter(|&k| !done[k]);
        let damage = hit.map(|k| {
            done[k] = true;
            hits[k].damage
        });
        let text = line.text.as_bytes();
        match damage {
            None => out.extend_from_slice(text),
            Some(Damage::Cut(n)) => out.extend_from_slice(&text[..n.min(text.len())]),
            Some(Damage::Merge(n)) => {
                out.extend_from_slice(&text[..n.min(text.len())]);
                continue;
            }
            Some(Damage::Flip(n)) => {
                let mut t = text.to_vec();
                if let Some(b) = t.get_mut(n) {
                    // The digit beside it: the checksum sees it, the eye does not.
                    *b ^= 1;
                }
                out.extend_from_slice(&t);
            }
            Some(Damage::Repeat) => {
                out.extend_from_slice(text);
                out.extend_from_slice(b"\r\n");
                out.extend_from_slice(text);
            }
        }
        out.extend_from_slice(b"\r\n");
    }
    out
}

#[cfg(test)]
#[allow(clippy::expect_used)]
mod tests {
    use super::*;

    #[test]
    fn checksum_and_minutes() {
        // The well-known example sentence of the format's public descriptions.
        assert_eq!(sentence("GPGLL,4916.45,N,12311.12,W,225444,A"), "$GPGLL,4916.45,N,12311.12,W,225444,A*31");
        assert_eq!(degrees_minutes(27.999_999_999_999, 2, 4), "2800.0000");
        assert_eq!(degrees_minutes(-86.61, 3, 4), "08636.6000");
    }

    #[test]
    fn damage_is_done_once() {
        let l = |s: &str| Line { time: 0, text: sentence(s) };
        let lines = [l("GNGGA,a"), l("GNGST,b"), l("GNGST,c")];
        let b = bytes(&lines, &[Hit { time: 0, kind: "GST", damage: Damage::Cut(4) }]);
        let text = String::from_utf8(b).expect("ascii");
        let got: Vec<&str> = text.lines().collect();
        assert_eq!(got[1], "$GNG");
        assert!(got[2].starts_with("$GNGST,c*"));
    }
}
