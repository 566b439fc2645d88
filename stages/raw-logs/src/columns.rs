//! The epoch table: one row per epoch of a receiver, the same from every kind of log.

use pipeline_base::problem::Problem;
use pipeline_base::table::schema::Schema;
use pipeline_base::table::{Table, TableBuilder};
use std::sync::Arc;

/// What the receiver says about its solution, in the order from worst to best.
///
/// Codes of GGA field 6 and mode letters of GNS: the list in `checks/06_nmea_facts.md`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Fix {
    /// No solution.
    #[default]
    None,
    /// A code that is not in the list, or none at all; never taken as good.
    Unknown,
    /// Simulator.
    Simulated,
    /// Typed in by hand.
    Manual,
    /// Dead reckoning.
    Estimated,
    /// Code solution without corrections.
    Autonomous,
    /// Precise code of authorised users.
    Pps,
    /// Code solution with corrections.
    Differential,
    /// Carrier phase with float ambiguities.
    RtkFloat,
    /// Carrier phase with whole ambiguities.
    RtkFixed,
}

impl Fix {
    /// All kinds, from best to worst.
    pub const ALL: [Self; 10] = [
        Self::RtkFixed,
        Self::RtkFloat,
        Self::Differential,
        Self::Pps,
        Self::Autonomous,
        Self::Estimated,
        Self::Manual,
        Self::Simulated,
        Self::Unknown,
        Self::None,
    ];

    /// The word in the column `fix`.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::None => "none",
            Self::Unknown => "unknown",
            Self::Simulated => "simulated",
            Self::Manual => "manual",
            Self::Estimated => "estimated",
            Self::Autonomous => "autonomous",
            Self::Pps => "pps",
            Self::Differential => "differential",
            Self::RtkFloat => "rtk-float",
            Self::RtkFixed => "rtk-fixed",
        }
    }

    /// The fix of a word in the column `fix`; `None` for another word.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|f| f.word() == word)
    }

    /// The fix of GGA field 6. A code outside the list is unknown.
    #[must_use]
    pub const fn from_quality(code: Option<i64>) -> Self {
        match code {
            Some(0) => Self::None,
            Some(1) => Self::Autonomous,
            Some(2) => Self::Differential,
            Some(3) => Self::Pps,
            Some(4) => Self::RtkFixed,
            Some(5) => Self::RtkFloat,
            Some(6) => Self::Estimated,
            Some(7) => Self::Manual,
            Some(8) => Self::Simulated,
            _ => Self::Unknown,
        }
    }

    /// The fix of a mode letter of GNS, RMC or GLL. A letter outside the list is unknown.
    #[must_use]
    pub const fn from_letter(letter: u8) -> Self {
        match letter {
            b'N' => Self::None,
            b'A' => Self::Autonomous,
            b'D' => Self::Differential,
            b'P' => Self::Pps,
            b'R' => Self::RtkFixed,
            b'F' => Self::RtkFloat,
            b'E' => Self::Estimated,
            b'M' => Self::Manual,
            b'S' => Self::Simulated,
            _ => Self::Unknown,
        }
    }
}

/// The epoch table as vectors, all of one length. A missing number is NaN, a missing code -1.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct EpochColumns {
    /// Names that `file` points to.
    pub files: Vec<String>,
    /// Texts that `base_station` points to.
    pub bases: Vec<String>,
    /// Raw file, an index into `files`.
    pub file: Vec<u32>,
    /// First raw line, counted from 1.
    pub line_first: Vec<i64>,
    /// Last raw line.
    pub line_last: Vec<i64>,
    /// Nanoseconds since 1970 UTC.
    pub time: Vec<i64>,
    /// Degrees, north positive.
    pub latitude: Vec<f64>,
    /// Degrees, east positive.
    pub longitude: Vec<f64>,
    /// Metres above the ellipsoid.
    pub height: Vec<f64>,
    /// Metres, receiver's geoid above the ellipsoid.
    pub separation: Vec<f64>,
    /// Fix kind.
    pub fix: Vec<Fix>,
    /// Raw GGA field 6, -1 for none.
    pub quality_code: Vec<i64>,
    /// Satellites used, -1 for unknown.
    pub satellites: Vec<i64>,
    /// Horizontal dilution.
    pub hdop: Vec<f64>,
    /// Position dilution.
    pub pdop: Vec<f64>,
    /// Vertical dilution.
    pub vdop: Vec<f64>,
    /// Seconds.
    pub correction_age: Vec<f64>,
    /// Base station, an index into `bases`, `u32::MAX` for none.
    pub base_station: Vec<u32>,
    /// 1 sigma, metres.
    pub sigma_east: Vec<f64>,
    /// 1 sigma, metres.
    pub sigma_north: Vec<f64>,
    /// 1 sigma, metres.
    pub sigma_up: Vec<f64>,
    /// -1 to 1.
    pub correlation: Vec<f64>,
    /// Whether a sigma is the rig's and not the receiver's.
    pub sigma_assumed: Vec<bool>,
    /// Degrees, the sensor's own north.
    pub heading: Vec<f64>,
    /// Degrees, nose up.
    pub pitch: Vec<f64>,
    /// Degrees, right side down.
    pub roll: Vec<f64>,
    /// Metres, raw.
    pub range: Vec<f64>,
    /// Degrees per second.
    pub turn_rate: Vec<f64>,
    /// Metres per second.
    pub speed: Vec<f64>,
    /// Event mark; left empty when the schema has no such column.
    pub event: Vec<Option<String>>,
}

impl EpochColumns {
    /// Number of rows.
    #[must_use]
    pub fn rows(&self) -> usize {
        self.time.len()
    }

    /// Makes room for so many more rows. It only saves copies: where the memory is not to be had, nothing happens.
    pub fn expect(&mut self, more: usize) {
        let _ = self.file.try_reserve(more).is_ok()
            && self.base_station.try_reserve(more).is_ok()
            && self.fix.try_reserve(more).is_ok()
            && self.sigma_assumed.try_reserve(more).is_ok()
            && [&mut self.line_first, &mut self.line_last, &mut self.time, &mut self.quality_code, &mut self.satellites]
                .into_iter()
                .all(|column| column.try_reserve(more).is_ok())
            && [
                &mut self.latitude,
                &mut self.longitude,
                &mut self.height,
                &mut self.separation,
                &mut self.hdop,
                &mut self.pdop,
                &mut self.vdop,
                &mut self.correction_age,
                &mut self.sigma_east,
                &mut self.sigma_north,
                &mut self.sigma_up,
                &mut self.correlation,
                &mut self.heading,
                &mut self.pitch,
                &mut self.roll,
                &mut self.range,
                &mut self.turn_rate,
                &mut self.speed,
            ]
            .into_iter()
            .all(|column| column.try_reserve(more).is_ok());
    }

    /// The table. Epochs are numbered from 1 in the order of the rows.
    ///
    /// # Errors
    /// When the vectors differ in length or the schema is not the epoch schema.
    pub fn into_table(self, schema: Arc<Schema>, session: &str) -> Result<Table, Problem> {
        let rows = self.rows();
        let count = i64::try_from(rows).map_err(Problem::broken)?;
        let coded = |codes: Vec<i64>| codes.into_iter().map(|c| (c >= 0).then_some(c));
        let with_event = schema.named("event").is_some();
        let mut t = TableBuilder::new(schema, rows);
        t.text_everywhere("session", session)
            .texts("file", self.file.iter().map(|f| self.files.get(*f as usize).map(String::as_str)))
            .ints("line_first", self.line_first)
            .ints("line_last", self.line_last)
            .ints("epoch", (1..=count).collect())
            .instants("time", self.time)
            .floats("latitude_deg", self.latitude)
            .floats("longitude_deg", self.longitude)
            .floats("ellipsoidal_height_m", self.height)
            .floats("receiver_separation_m", self.separation)
            .texts("fix", self.fix.iter().map(|f| Some(f.word())))
            .ints_or_none("quality_code", coded(self.quality_code))
            .ints_or_none("satellites", coded(self.satellites))
            .floats("hdop", self.hdop)
            .floats("pdop", self.pdop)
            .floats("vdop", self.vdop)
            .floats("correction_age_s", self.correction_age)
            .texts("base_station", self.base_station.iter().map(|b| self.bases.get(*b as usize).map(String::as_str)))
            .floats("sigma_east_m", self.sigma_east)
            .floats("sigma_north_m", self.sigma_north)
            .floats("sigma_up_m", self.sigma_up)
            .floats("correlation_east_north", self.correlation)
            .bools("sigma_assumed", &self.sigma_assumed)
            .floats("heading_deg", self.heading)
            .floats("pitch_deg", self.pitch)
            .floats("roll_deg", self.roll)
            .floats("range_m", self.range)
            .floats("turn_rate_deg_s", self.turn_rate)
            .floats("speed_m_s", self.speed);
        if with_event {
            t.texts("event", self.event.iter().map(Option::as_deref));
        }
        t.finish()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_and_ranks() {
        for fix in Fix::ALL {
            assert_eq!(Fix::from_word(fix.word()), Some(fix));
        }
        assert!(Fix::ALL.windows(2).all(|w| w[0] > w[1]));
        // S-GGA-FIX (checks/06_nmea.csv): quality 4 is RTK fixed; facts file: 9 is unknown, never fixed.
        assert_eq!(Fix::from_quality(Some(4)), Fix::RtkFixed);
        assert_eq!(Fix::from_quality(Some(9)), Fix::Unknown);
        assert_eq!(Fix::from_quality(None), Fix::Unknown);
    }
}
