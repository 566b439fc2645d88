//! Antenna calibrations from ANTEX files, version 1.4.
//!
//! A strict reader by columns: what does not follow the format is refused with its line, and an antenna or frequency that is not in
//! the file is a finding, never a model of zeros. Files of a thousand antennas are read once and only the wanted one is kept.
//!
//! Reference: ANTEX, the antenna exchange format, version 1.4 (Rothacher and Schmid, 15 September 2010). Offsets of a receiver
//! antenna point from the antenna reference point to the mean phase centre: north, east, up, mm, with the antenna's
//! north mark to the north. Variations are added along the line of sight, mm.

mod model;
#[cfg(test)]
mod tests;

pub(crate) use model::resolve;

/// One antenna at one frequency.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Pattern {
    /// Antenna and radome, 20 characters.
    pub kind: String,
    /// Serial number; empty for the mean of a type.
    pub serial: String,
    /// Frequency, for example `G01`.
    pub frequency: String,
    /// From the antenna reference point to the mean phase centre: north, east, up, mm.
    pub offset_mm: [f64; 3],
    /// First zenith angle and step of the variations, deg.
    pub zenith_deg: (f64, f64),
    /// Variations without azimuth, mm, one for each zenith angle.
    pub variations_mm: Vec<f64>,
    /// How it was calibrated.
    pub method: String,
}

/// What an ANTEX file says about one antenna.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Found {
    /// The wanted pattern.
    pub pattern: Option<Pattern>,
    /// Frequencies of the wanted antenna.
    pub frequencies: Vec<String>,
    /// Serial numbers of the wanted type, the empty one of the type's mean too.
    pub serials: Vec<String>,
    /// All receiver antennas of the file.
    pub kinds: Vec<String>,
    /// Whether the file is absolute (`A`) or relative (`R`) to another antenna.
    pub absolute: bool,
    /// Line at which the section of the wanted antenna breaks off without `END OF ANTENNA`, as in a file that was cut; whole
    /// frequencies before it are kept.
    pub cut_at: Option<u64>,
}

/// A place where a file does not follow the format.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Broken {
    /// Line, counted from 1.
    pub line: u64,
    /// What is wrong.
    pub what: String,
}

/// Columns of a line, empty where the line is shorter.
fn columns(line: &str, from: usize, to: usize) -> &str {
    line.get(from.min(line.len())..to.min(line.len())).unwrap_or("")
}

fn number(text: &str) -> Option<f64> {
    let text = text.trim();
    // No `inf`, `nan` or exponent: the format has none.
    let plain = !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit() || matches!(b, b'.' | b'-' | b'+'));
    if plain { text.parse().ok() } else { None }
}

/// Fields of eight columns after the first eight.
fn variations(line: &str) -> Option<Vec<f64>> {
    let rest = columns(line, 8, line.len()).trim_end();
    (0..rest.len().div_ceil(8)).map(|i| number(columns(rest, 8 * i, 8 * i + 8))).collect()
}

/// An antenna while it is read.
#[derive(Default)]
struct Section {
    kind: String,
    serial: String,
    method: String,
    satellite: bool,
    zenith: Option<(f64, f64, f64)>,
    frequency: Option<String>,
    offset: Option<[f64; 3]>,
    row: Option<Vec<f64>>,
    all: Vec<Pattern>,
}

/// Reads a file and keeps one antenna. `kind`: antenna and radome as in columns 1 to 20, blanks at the end do not matter;
/// `serial`: the single antenna, or none for the mean of the type.
///
/// # Errors
/// The first place that does not follow the format.
pub(crate) fn read(text: &str, kind: &str, serial: Option<&str>, frequency: &str) -> Result<Found, Broken> {
    let mut found = Found::default();
    let mut section: Option<Section> = None;
    let (mut header, mut version) = (true, false);
    let mut last = 0;
    for (i, line) in text.lines().enumerate() {
        let at = i as u64 + 1;
        last = at;
        let broken = |what: &str| Broken { line: at, what: what.to_owned() };
        if !line.is_ascii() && columns(line, 60, 67) != "COMMENT" {
            return Err(broken("characters that are not ASCII outside a comment"));
        }
        let label = columns(line, 60, 80).trim_end();
        if header {
            match label {
                "ANTEX VERSION / SYST" => {
                    let number = number(columns(line, 0, 8)).ok_or_else(|| broken("the version is no number"))?;
                    if !(1.3..1.5).contains(&number) {
                        return Err(broken("only ANTEX versions 1.3 and 1.4 are read"));
                    }
                    version = true;
                }
                "PCV TYPE / REFANT" => match columns(line, 0, 1) {
                    "A" => found.absolute = true,
                    "R" => found.absolute = false,
                    _ => return Err(broken("phase centres are neither absolute (A) nor relative (R)")),
                },
                "END OF HEADER" if version => header = false,
                "END OF HEADER" => return Err(broken("a header without `ANTEX VERSION / SYST`")),
                "COMMENT" => {}
                _ if i == 0 => return Err(broken("this is no ANTEX file: the first line is not `ANTEX VERSION / SYST`")),
                _ => return Err(broken("a line of the header without a known label")),
            }
            continue;
        }
        match (label, &mut section) {
            ("START OF ANTENNA", open) => {
                if let Some(cut) = open.as_mut().filter(|s| !s.kind.is_empty()) {
                    keep(cut, kind, serial, frequency, &mut found, Some(at)).map_err(|what| broken(&what))?;
                }
                section = Some(Section::default());
            }
            ("END OF ANTENNA", Some(done)) => {
                if done.frequency.is_some() {
                    return Err(broken("an antenna ends inside a frequency"));
                }
                keep(done, kind, serial, frequency, &mut found, None).map_err(|what| broken(&what))?;
                section = None;
            }
            ("COMMENT", _) => {}
            (_, Some(open)) => open.line(line, label).map_err(|what| broken(&what))?,
            ("", None) if line.trim().is_empty() => {}
            _ => return Err(broken("a line outside an antenna")),
        }
    }
    let broken = |what: &str| Broken { line: last, what: what.to_owned() };
    if header {
        return Err(broken("the file ends inside its header"));
    }
    if section.is_some() {
        return Err(broken("the file ends inside an antenna"));
    }
    Ok(found)
}

fn keep(
    section: &mut Section,
    kind: &str,
    serial: Option<&str>,
    frequency: &str,
    found: &mut Found,
    cut_at: Option<u64>,
) -> Result<(), String> {
    if section.kind.is_empty() {
        return Err("an antenna without `TYPE / SERIAL NO`".to_owned());
    }
    if section.satellite {
        return Ok(());
    }
    if !found.kinds.contains(&section.kind) {
        found.kinds.push(section.kind.clone());
    }
    // Blanks between antenna and radome do not matter.
    if !section.kind.split_whitespace().eq(kind.split_whitespace()) {
        return Ok(());
    }
    found.serials.push(section.serial.clone());
    if section.serial != serial.unwrap_or("").trim() {
        return Ok(());
    }
    if found.pattern.is_some() || !found.frequencies.is_empty() {
        return Err(format!("the antenna `{}` stands in the file twice", section.kind));
    }
    found.cut_at = cut_at;
    found.frequencies = section.all.iter().map(|p| p.frequency.clone()).collect();
    found.pattern = std::mem::take(&mut section.all).into_iter().find(|p| p.frequency == frequency);
    Ok(())
}

impl Section {
    fn line(&mut self, line: &str, label: &str) -> Result<(), String> {
        match label {
            "TYPE / SERIAL NO" => {
                columns(line, 0, 20).trim_end().clone_into(&mut self.kind);
                columns(line, 20, 40).trim().clone_into(&mut self.serial);
                // A satellite has its number of the constellation in the columns of the serial, and a name of its own behind it.
                self.satellite = !columns(line, 40, 60).trim().is_empty();
            }
            "METH / BY / # / DATE" => columns(line, 0, 20).trim_end().clone_into(&mut self.method),
            "ZEN1 / ZEN2 / DZEN" => {
                let part = |a, b| number(columns(line, a, b));
                let (Some(a), Some(b), Some(step)) = (part(2, 8), part(8, 14), part(14, 20)) else {
                    return Err("the zenith angles are no numbers".to_owned());
                };
                if !(step > 0.0 && b >= a && a >= 0.0 && b <= 180.0 && ((b - a) / step - ((b - a) / step).round()).abs() < 1e-6) {
                    return Err("the zenith angles are no even steps".to_owned());
                }
                self.zenith = Some((a, b, step));
            }
            "START OF FREQUENCY" if self.frequency.is_none() => {
                self.frequency = Some(columns(line, 3, 6).trim().to_owned());
                (self.offset, self.row) = (None, None);
            }
            "END OF FREQUENCY" => self.end_of_frequency()?,
            "NORTH / EAST / UP" => {
                let part = |i: usize| number(columns(line, 10 * i, 10 * i + 10));
                // The same label in a part with standard deviations belongs to no frequency that is open.
                if let (Some(n), Some(e), Some(u)) = (part(0), part(1), part(2)) {
                    if self.frequency.is_some() {
                        self.offset = Some([n, e, u]);
                    }
                } else {
                    return Err("north, east and up are not three numbers".to_owned());
                }
            }
            "START OF FREQUENCY" => return Err("a frequency begins inside another one".to_owned()),
            // Known labels of which nothing is needed.
            "DAZI" | "# OF FREQUENCIES" | "VALID FROM" | "VALID UNTIL" | "SINEX CODE" | "START OF FREQ RMS" | "END OF FREQ RMS" => {}
            // Lines of variations have no label: values stand in its columns.
            _ if columns(line, 3, 8) == "NOAZI" => {
                if self.frequency.is_some() {
                    self.row = Some(variations(line).ok_or("a variation is no number")?);
                }
            }
            _ if number(columns(line, 0, 8)).is_some() => {}
            _ => return Err(format!("a line of an antenna without a known label: `{}`", label.trim())),
        }
        Ok(())
    }

    fn end_of_frequency(&mut self) -> Result<(), String> {
        let Some(frequency) = self.frequency.take() else { return Err("a frequency ends that did not begin".to_owned()) };
        let (Some(offset_mm), Some(variations_mm), Some((a, b, step))) = (self.offset, self.row.take(), self.zenith) else {
            return Err(format!("frequency `{frequency}` lacks its offset, its variations or the zenith angles"));
        };
        #[allow(clippy::cast_precision_loss)]
        let wanted = ((b - a) / step).round() + 1.0;
        #[allow(clippy::cast_precision_loss)]
        if (variations_mm.len() as f64 - wanted).abs() > 0.5 {
            return Err(format!("frequency `{frequency}` has {} variations and should have {wanted:.0}", variations_mm.len()));
        }
        self.all.push(Pattern {
            kind: self.kind.clone(),
            serial: self.serial.clone(),
            frequency,
            offset_mm,
            zenith_deg: (a, step),
            variations_mm,
            method: self.method.clone(),
        });
        Ok(())
    }
}

impl Pattern {
    /// Variation at a zenith angle (deg), on a line between two of the file, mm; `None` outside.
    #[must_use]
    pub(crate) fn variation_mm(&self, zenith_deg: f64) -> Option<f64> {
        let place = (zenith_deg - self.zenith_deg.0) / self.zenith_deg.1;
        if place.is_nan() || place < 0.0 {
            return None;
        }
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let i = place.floor() as usize;
        let a = self.variations_mm.get(i)?;
        let b = self.variations_mm.get(i + 1);
        let share = place.fract();
        if share == 0.0 { Some(*a) } else { b.map(|b| a + (b - a) * share) }
    }

    /// How far the variations act as a height, mm, up positive, when the receiver knows none of them: their part along cos(zenith)
    /// beside a constant (which the clock takes), over the sky above 10 degrees with satellites in even number
    /// on every part of the sphere.
    #[must_use]
    pub(crate) fn height_of_variations_mm(&self) -> f64 {
        let (mut w, mut c, mut cc, mut v, mut vc) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for k in 0..80_u32 {
            let zenith = f64::from(k) + 0.5;
            let Some(value) = self.variation_mm(zenith) else { continue };
            let (weight, x) = (zenith.to_radians().sin(), zenith.to_radians().cos());
            w += weight;
            c += weight * x;
            cc += weight * x * x;
            v += weight * value;
            vc += weight * x * value;
        }
        let spread = w * cc - c * c;
        // A longer path to the satellite lowers the height.
        if spread > 0.0 { -(w * vc - c * v) / spread } else { 0.0 }
    }
}
