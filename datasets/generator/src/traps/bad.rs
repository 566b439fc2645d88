//! Damaged logs, notes and tables, which no parser may stumble over.

use super::{SEED, Still};
use crate::nmea::{self, Mix};
use crate::noise::Noise;
use crate::time;

/// All of them: name and content.
pub(super) fn files() -> Vec<(String, Vec<u8>)> {
    let still = Still { count: 60, ..Still::at(27.158, -86.744, -22.7) };
    let good = nmea::bytes(&still.lines(), &[]);
    let mut n = Noise::new(SEED, "binary");
    let binary: Vec<u8> = (0..4096).flat_map(|_| n.bits().to_le_bytes()).take(4096).collect();
    let mut mixed = good.clone();
    let middle = mixed.len() / 2;
    mixed.splice(middle..middle, binary.iter().copied().take(700));
    let mut nofix = String::new();
    for k in 0..60 {
        let t = time::nmea(still.start + k * 1000);
        for body in [format!("GNGGA,{t},,,,,0,00,99.99,,M,,M,,"), format!("GNRMC,{t},V,,,,,,,110626,,,N,V")] {
            nofix.push_str(&nmea::sentence(&body));
            nofix.push_str("\r\n");
        }
    }
    let text = String::from_utf8_lossy(&good).into_owned();
    // Each checksum is made wrong.
    let checksums: String = text.lines().map(|l| format!("{}*00\r\n", l.split('*').next().unwrap_or(""))).collect();
    let blank: String =
        text.lines().map(|l| if l.contains("GGA") { resealed(l, |f| f[11].clear()) } else { l.to_owned() } + "\r\n").collect();
    let coarse = nmea::bytes(
        &Still { mix: Mix { decimals: 4, ..nmea::SHORT }, count: 60, ..Still::at(27.158_012_9, -86.744_038_7, -22.7) }.lines(),
        &[],
    );
    let header = "point,code,from,to,remark,diameter_mm,surface,aim\n";
    let file = |name: &str, content: &[u8]| (format!("bad/{name}"), content.to_vec());
    vec![
        file("good.nmea", &good),
        file("good-notes.csv", still.notes("V-01", "tip").as_bytes()),
        file("empty.nmea", b""),
        file("binary.nmea", &binary),
        file("binary-inside.nmea", &mixed),
        file("nofix.nmea", nofix.as_bytes()),
        file("wrong-checksums.nmea", checksums.as_bytes()),
        file("blank-separation.nmea", blank.as_bytes()),
        file("four-decimals.nmea", &coarse),
        file("long-line.nmea", &[b"$GNGGA,".as_slice(), &[b'1'; 20_000]].concat()),
        file("cut-at-the-end.nmea", &good[..good.len() - 31]),
        file("notes-no-epochs.csv", format!("{header}V-01,W-VALVE,20:05:00.0,20:05:10.0,,150,top,tip\n").as_bytes()),
        file(
            "notes-overlap.csv",
            format!("{header}V-01,W-VALVE,14:05:00.0,14:05:08.0,,150,top,tip\nV-02,W-VALVE,14:05:06.0,14:05:11.0,,150,top,tip\n")
                .as_bytes(),
        ),
        file("notes-backwards.csv", format!("{header}V-01,W-VALVE,14:05:10.0,14:05:02.0,,150,top,tip\n").as_bytes()),
        file("notes-header-only.csv", header.as_bytes()),
        file("notes-empty.csv", b""),
        file("notes-bad-time.csv", format!("{header}V-01,W-VALVE,25:61:00,14h05,,150,top,tip\n").as_bytes()),
        file("notes-bad-number.csv", format!("{header}V-01,W-VALVE,14:05:00.0,14:05:10.0,,six inch,top,tip\n").as_bytes()),
        file("notes-unknown-aim.csv", format!("{header}V-01,W-VALVE,14:05:00.0,14:05:10.0,,150,top,guess\n").as_bytes()),
        file(
            "notes-bom-crlf.csv",
            format!("\u{feff}{header}V-01,W-VALVE,14:05:00.0,14:05:10.0,\"lid, Ø 60 🙂\",150,top,tip\n").replace('\n', "\r\n").as_bytes(),
        ),
        file("notes-latin1.csv", &[header.as_bytes(), b"V-01,W-VALVE,14:05:00.0,14:05:10.0,lid \xd8 60,150,top,tip\n"].concat()),
        file(
            "nan.csv",
            b"time,latitude_deg,longitude_deg,ellipsoidal_height_m,fix\n\
2026-06-11T14:05:00Z,27.158,-86.744,-22.7,rtk-fixed\n\
2026-06-11T14:05:01Z,NaN,-86.744,-22.7,rtk-fixed\n\
2026-06-11T14:05:02Z,27.158,inf,-22.7,rtk-fixed\n\
2026-06-11T14:05:03Z,27.158,-86.744,,rtk-fixed\n\
2026-06-11T14:05:04Z,127.158,-86.744,-22.7,rtk-fixed\n",
        ),
    ]
}

fn resealed(line: &str, change: impl Fn(&mut Vec<String>)) -> String {
    let body = line.trim_start_matches('$').split('*').next().unwrap_or("");
    let mut fields: Vec<String> = body.split(',').map(str::to_owned).collect();
    change(&mut fields);
    nmea::sentence(&fields.join(","))
}
