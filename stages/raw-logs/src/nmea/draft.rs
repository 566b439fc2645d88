//! One open epoch: what the sentences of one time have said so far, in any order.

use super::line::Sentence;
use super::sentence::{Dilution, Minimum, Noise, Position, WrittenPosition};
use crate::columns::Fix;

/// Values that the sensors of a rig may have in a log.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SensorValue {
    /// Degrees.
    Heading,
    /// Degrees.
    Pitch,
    /// Degrees.
    Roll,
    /// Metres.
    Range,
    /// Degrees per second.
    TurnRate,
    /// Tilt from plumb, degrees.
    Tilt,
    /// Azimuth of the lean, degrees.
    LeanAzimuth,
    /// Quaternion, scalar part.
    QuaternionW,
    /// Quaternion, first part of the vector.
    QuaternionX,
    /// Quaternion, second part of the vector.
    QuaternionY,
    /// Quaternion, third part of the vector.
    QuaternionZ,
}

/// One value for each [`SensorValue`], NaN where there is none.
pub type Slots = [f64; 11];
/// Nothing said.
pub const NO_SLOT: Slots = [f64::NAN; 11];

/// Something that a sentence without a time of its own says.
#[derive(Clone, Copy, Debug)]
pub enum Untimed {
    /// GSA.
    Dilution(Dilution),
    /// VTG, m/s.
    Speed(f64),
    /// HDT, HDM, ROT, XDR; NaN where it says nothing. In the order of [`SensorValue`].
    Sensors(Slots),
}

/// GGA or GNS.
#[derive(Clone, Copy, Debug)]
pub struct Solution {
    rank: u16,
    /// Position.
    pub place: WrittenPosition,
    /// Fix kind by this sentence.
    pub fix: Fix,
    /// Raw code, -1 for none.
    pub quality: i64,
    /// Satellites, -1 for unknown.
    pub satellites: i64,
    /// Horizontal dilution.
    pub hdop: f64,
    /// Metres above the receiver's geoid.
    pub altitude: f64,
    /// Digits that the altitude shows.
    pub altitude_effective: u8,
    /// Metres.
    pub separation: f64,
    /// Seconds.
    pub age: f64,
    /// Index of the base station, `u32::MAX` for none.
    pub base: u32,
}

impl Solution {
    /// What a GGA or GNS says, with its worth: a position counts most, then the talker of the
    /// combined solution, then how much is filled in.
    #[must_use]
    pub fn new(sentence: &Sentence<'_>, said: &Position<'_>, fix: Fix, base: u32) -> Self {
        let filled = [said.altitude, said.separation, said.hdop, said.age].iter().filter(|v| !v.is_nan()).count()
            + usize::from(said.satellites.is_some())
            + usize::from(said.quality.is_some())
            + usize::from(base != u32::MAX);
        #[allow(clippy::cast_possible_truncation)]
        let rank = u16::from(said.place.known()) << 9 | u16::from(sentence.address.starts_with(b"GN")) << 8 | filled as u16;
        Self {
            rank,
            place: said.place,
            fix,
            quality: said.quality.unwrap_or(-1),
            satellites: said.satellites.unwrap_or(-1),
            hdop: said.hdop,
            altitude: said.altitude,
            altitude_effective: said.altitude_effective,
            separation: said.separation,
            age: said.age,
            base,
        }
    }
}

/// The fix of GNS: the worst letter of the constellations in use; `N` only when none is in use.
#[must_use]
pub fn fix_of_modes(modes: &[u8]) -> Fix {
    modes.iter().filter(|m| **m != b'N').map(|m| Fix::from_letter(*m)).min().unwrap_or(if modes.is_empty() {
        Fix::Unknown
    } else {
        Fix::None
    })
}

/// What is known of one time.
#[derive(Clone, Debug)]
pub struct PartialEpoch {
    /// Nanoseconds since the first midnight before the session.
    pub when: i64,
    /// File of the first sentence.
    pub file: u32,
    /// First line.
    pub line_first: u64,
    /// Last line in the same file.
    pub line_last: u64,
    /// Lines of that file that were counted as used for this epoch and give nothing if it makes no row.
    pub lines: u64,
    /// Lines of GLL, whose use is known only at the end.
    pub gll_lines: u64,
    /// GGA.
    pub gga: Option<Solution>,
    /// GNS.
    pub gns: Option<Solution>,
    /// RMC.
    pub rmc: Option<Minimum>,
    /// GLL.
    pub gll: Option<Minimum>,
    /// GST.
    pub gst: Option<Noise>,
    /// Date of ZDA, days since 1970.
    pub zda: Option<i64>,
    /// GSA.
    pub dilution: Option<Dilution>,
    /// VTG, m/s.
    pub speed: f64,
    /// Sensors, in the order of [`SensorValue`].
    pub sensors: Slots,
}

impl PartialEpoch {
    /// An epoch of which only the time is known.
    #[must_use]
    pub fn new(when: i64, file: u32, line: u64) -> Self {
        Self {
            when,
            file,
            line_first: line,
            line_last: line,
            lines: 0,
            gll_lines: 0,
            gga: None,
            gns: None,
            rmc: None,
            gll: None,
            gst: None,
            zda: None,
            dilution: None,
            speed: f64::NAN,
            sensors: NO_SLOT,
        }
    }

    /// Widens the range of lines.
    #[inline]
    pub fn touch(&mut self, file: u32, line: u64) {
        if file == self.file {
            self.line_first = self.line_first.min(line);
            self.line_last = self.line_last.max(line);
        }
    }

    /// Takes a GGA or GNS if it is worth more than what is there; `true` for the first one, whose line
    /// then counts as used, and with it every better one that takes its place.
    #[inline]
    pub fn solution(slot: &mut Option<Solution>, new: Solution) -> bool {
        match slot {
            Some(old) if old.rank >= new.rank => false,
            _ => slot.replace(new).is_none(),
        }
    }

    /// Takes an RMC or GLL; a valid one replaces a void one.
    #[inline]
    pub fn minimum(slot: &mut Option<Minimum>, new: Minimum) -> bool {
        match slot {
            Some(old) if old.valid || !new.valid => false,
            _ => slot.replace(new).is_none(),
        }
    }

    /// Takes a GST; one with all three sigmas replaces one without.
    #[inline]
    pub fn noise(slot: &mut Option<Noise>, new: Noise) -> bool {
        let whole = |n: &Noise| !(n.east.is_nan() || n.north.is_nan() || n.up.is_nan());
        match slot {
            Some(old) if whole(old) || !whole(&new) => false,
            _ => slot.replace(new).is_none(),
        }
    }

    /// Takes what a sentence without a time says. What is there already stays, so that no value is
    /// ever overwritten by one of a later epoch. `false` when nothing was new.
    #[inline]
    pub fn untimed(&mut self, said: &Untimed) -> bool {
        match said {
            Untimed::Dilution(new) => self.dilute(*new),
            Untimed::Speed(speed) => {
                let fresh = self.speed.is_nan() && !speed.is_nan();
                if fresh {
                    self.speed = *speed;
                }
                fresh
            }
            Untimed::Sensors(values) => {
                let mut fresh = false;
                for (have, new) in self.sensors.iter_mut().zip(values) {
                    if have.is_nan() && !new.is_nan() {
                        *have = *new;
                        fresh = true;
                    }
                }
                fresh
            }
        }
    }

    /// Modern receivers repeat the combined dilutions once for each constellation. Where they
    /// differ: the last of talker GN, else of the constellation with most satellites.
    fn dilute(&mut self, new: Dilution) -> bool {
        if new.pdop.is_nan() {
            return false;
        }
        let Some(old) = self.dilution else {
            self.dilution = Some(new);
            return true;
        };
        if old.pdop.to_bits() == new.pdop.to_bits() && old.combined == new.combined {
            return false;
        }
        if new.combined || (!old.combined && new.satellites > old.satellites) {
            self.dilution = Some(new);
        }
        false
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn worst_mode_letter() {
        // S-GNS-1, S-GNS-NOFIX (checks/06_nmea.csv).
        assert_eq!(fix_of_modes(b"RR"), Fix::RtkFixed);
        assert_eq!(fix_of_modes(b"NN"), Fix::None);
        assert_eq!(fix_of_modes(b"RFN"), Fix::RtkFloat);
        assert_eq!(fix_of_modes(b"AANN"), Fix::Autonomous);
        assert_eq!(fix_of_modes(b"RX"), Fix::Unknown);
        assert_eq!(fix_of_modes(b""), Fix::Unknown);
    }

    #[test]
    fn dilution_of_several_constellations() {
        let gsa = |pdop, satellites, combined| Dilution { pdop, hdop: 1.0, vdop: 1.0, satellites, combined };
        let mut d = PartialEpoch::new(0, 0, 1);
        assert!(d.untimed(&Untimed::Dilution(gsa(2.0, 5, false))));
        assert!(!d.untimed(&Untimed::Dilution(gsa(3.0, 4, false))));
        assert_eq!(d.dilution.unwrap().pdop, 2.0);
        assert!(!d.untimed(&Untimed::Dilution(gsa(2.5, 7, false))));
        assert_eq!(d.dilution.unwrap().pdop, 2.5);
        assert!(!d.untimed(&Untimed::Dilution(gsa(1.5, 3, true))));
        assert!(!d.untimed(&Untimed::Dilution(gsa(1.5, 3, true))));
        assert!(!d.untimed(&Untimed::Dilution(gsa(f64::NAN, 3, true))));
        assert!(!d.untimed(&Untimed::Dilution(gsa(9.0, 30, false))));
        assert_eq!(d.dilution.unwrap().pdop, 1.5);
    }
}
