//! What each named blunder would do to the shots (measurement model, "Repeats, control, localisation").

use super::chain::{NorthSaid, Setup};
use super::rank::{Hypothesis, Unknown};
use super::{Aim, Alternative, Facts, Shot};
use std::collections::BTreeSet;

/// US survey foot over international foot, less one (1200/3937 against 0.3048).
const FEET_APART: f64 = 2.000_004e-6;
const FOOT: f64 = 0.3048;
/// Headings from which a turn is worked out: every 8 degrees, where a chord misses the arc by 1 in 400.
const HEADINGS: u32 = 45;

struct List<'a> {
    shots: &'a [Shot],
    out: Vec<Hypothesis>,
}

/// Every cause that can be worked out for these shots. A cause without any effect at all is left out.
#[must_use]
pub fn hypotheses(shots: &[Shot], facts: &Facts) -> Vec<Hypothesis> {
    let mut list = List { shots, out: vec![] };
    list.heights(facts);
    list.grid();
    list.alternatives(facts);
    list.places();
    if let Some(setup) = &facts.setup {
        list.lengths(setup);
        list.laser(setup);
        list.attitude(setup, facts);
    }
    list.lag(facts);
    // Only now, so that each cause is the last of the list while its rarity is set.
    list.out.retain(has_effect);
    list.out
}

/// Whether a cause moves a shot, by an amount that is known at every shot.
fn has_effect(h: &Hypothesis) -> bool {
    let all = || h.constant.iter().chain(h.columns.iter().flatten()).flatten();
    all().all(|v| v.is_finite()) && all().any(|v| v.abs() >= 1e-6)
}

fn unknown(name: &'static str, size: f64, decimals: usize) -> Unknown {
    Unknown { name, size, decimals }
}

impl List<'_> {
    /// A cause with a constant effect. `f` gives `None` for shots whose effect cannot be known, which leaves the cause out.
    fn constant(&mut self, id: &str, title: &str, key: &str, fix: &str, f: impl Fn(&Shot) -> Option<[f64; 3]>) {
        let constant = self.shots.iter().map(|s| f(s).unwrap_or([f64::NAN; 3])).collect();
        self.push(id, title, key, fix, constant, vec![], vec![]);
    }

    /// A cause with unknowns: `f` gives the effect of one unit of each.
    fn free<const K: usize>(
        &mut self,
        id: &str,
        title: &str,
        key: &str,
        fix: &str,
        unknowns: [Unknown; K],
        f: impl Fn(&Shot) -> Option<[[f64; 3]; K]>,
    ) {
        let rows: Vec<_> = self.shots.iter().map(|s| f(s).unwrap_or([[f64::NAN; 3]; K])).collect();
        let columns = (0..K).map(|k| rows.iter().map(|r| r[k]).collect()).collect();
        let none = vec![[0.0; 3]; self.shots.len()];
        self.push(id, title, key, fix, none, columns, unknowns.to_vec());
    }

    #[allow(clippy::too_many_arguments)]
    fn push(
        &mut self,
        id: &str,
        title: &str,
        key: &str,
        fix: &str,
        constant: Vec<[f64; 3]>,
        columns: Vec<Vec<[f64; 3]>>,
        unknowns: Vec<Unknown>,
    ) {
        let text = |t: &str| t.to_owned();
        let from = vec![0.0; unknowns.len()];
        self.out.push(Hypothesis {
            id: text(id),
            title: text(title),
            key: text(key),
            fix: text(fix),
            constant,
            columns,
            unknowns,
            from,
            rarity: 0.0,
        });
    }

    /// The price of the cause that was listed last.
    fn rare(&mut self, measure: f64) {
        if let Some(last) = self.out.last_mut() {
            last.rarity = measure;
        }
    }

    fn heights(&mut self, facts: &Facts) {
        let up = |v: f64| v.is_finite().then_some([0.0, 0.0, v]);
        if facts.vertical_datum {
            let key = "job step `height-convert`; reference `delivery.heights`";
            self.constant(
                "geoid-omitted",
                "the geoid was left out: heights are above the ellipsoid",
                key,
                "put `height-convert` into the job",
                |s| up(s.separation_m),
            );
            self.constant("geoid-twice", "the geoid was applied twice", key, "apply the geoid once", |s| up(-s.separation_m));
            self.constant("geoid-sign", "the geoid was added and not taken off", key, "take the separation off: H = h - N", |s| {
                up(2.0 * s.separation_m)
            });
            self.constant(
                "receiver-geoid",
                "the receiver's own geoid was used",
                "reference `delivery.heights.geoid`",
                "use the named model",
                |s| up(s.separation_m - s.receiver_separation_m),
            );
            self.free(
                "geoid-model",
                "another geoid model or version than the control's",
                "reference `delivery.heights.geoid`",
                "use the model that the control was levelled to",
                [unknown("offset, m", 0.5, 3)],
                |s| up(1.0).filter(|_| s.separation_m.is_finite()).map(|v| [v]),
            );
        }
        self.constant("height-sign", "the sign of the heights is turned", "control `height_*`", "write depths as negative heights", |s| {
            up(2.0 * s.height_m)
        });
        self.rare(4.0);
        self.constant(
            "height-feet",
            "control heights in feet were read as metres",
            "control `height_m`",
            "name the column `height_ft` or `height_ftUS`",
            |s| up(s.height_m - s.height_m / FOOT),
        );
        self.constant(
            "height-metres",
            "control heights in metres were read as feet",
            "control `height_ft`",
            "name the column `height_m`",
            |s| up(s.height_m - s.height_m * FOOT),
        );
    }

    /// Effects along the axes of the grid, m of grid.
    fn grid(&mut self) {
        let enu = |s: &Shot, [e, n]: [f64; 2]| {
            let (sin, cos) = s.convergence_deg.to_radians().sin_cos();
            let v = [(e * cos + n * sin) / s.scale, (n * cos - e * sin) / s.scale, 0.0];
            v.iter().all(|x| x.is_finite()).then_some(v)
        };
        let key = "reference `delivery.crs`; unit of the control's columns";
        let fix = "give control and delivery in the same foot: `ft` is 0.3048 m, `ftUS` is 1200/3937 m";
        // Known values are too large by 2 ppm where international feet were read as survey feet.
        self.constant("foot-international", "the numbers are in international feet and were read as US survey feet", key, fix, |s| {
            enu(s, s.grid_m.map(|v| -FEET_APART * v))
        });
        self.constant("foot-survey", "the numbers are in US survey feet and were read as international feet", key, fix, |s| {
            enu(s, s.grid_m.map(|v| FEET_APART * v))
        });
        self.constant(
            "grid-feet",
            "control in feet was read as metres",
            "control `easting_m`, `northing_m`",
            "name the columns `easting_ft` or `easting_ftUS`",
            |s| enu(s, s.grid_m.map(|v| v - v / FOOT)),
        );
        self.constant(
            "grid-metres",
            "control in metres was read as feet",
            "control `easting_ft`, `northing_ft`",
            "name the columns `easting_m` and `northing_m`",
            |s| enu(s, s.grid_m.map(|v| v - v * FOOT)),
        );
        self.constant(
            "axes-exchanged",
            "easting and northing are exchanged",
            "control `easting_*`, `northing_*`",
            "exchange the two columns",
            |s| enu(s, [s.grid_m[0] - s.grid_m[1], s.grid_m[1] - s.grid_m[0]]),
        );
        // Ground coordinates are grid coordinates over the combined factor: scale times height factor.
        let combined = |s: &Shot| s.scale * (1.0 - s.ellipsoidal_m / 6_371_000.0);
        let key = "control `crs`; reference `delivery.crs`";
        self.constant(
            "ground-scale",
            "control is in ground coordinates: the grid over its combined factor",
            key,
            "use grid coordinates of the marks",
            |s| enu(s, s.grid_m.map(|v| v - v / combined(s))),
        );
        self.constant(
            "ground-scale-reverse",
            "the delivery is scaled to the ground and the control is not",
            key,
            "deliver in the grid",
            |s| enu(s, s.grid_m.map(|v| v - v * combined(s))),
        );
        let Some(middle) = self.middle() else { return };
        self.free(
            "site-scale",
            "one of both is scaled about a point of the site",
            key,
            "use coordinates in the grid itself, without a site scale",
            [unknown("scale, ppm", 300.0, 1), unknown("east, m", 1.0, 3), unknown("north, m", 1.0, 3)],
            |s| Some([enu(s, [0, 1].map(|k| 1e-6 * (s.grid_m[k] - middle[k])))?, [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]),
        );
        self.rare(4.0);
        self.free(
            "site-rotation",
            "one of both is turned about a point of the site: another north, or convergence",
            key,
            "use coordinates in the grid itself; bearings of the control may count from true north",
            [unknown("turn, deg", 2.0, 4), unknown("east, m", 1.0, 3), unknown("north, m", 1.0, 3)],
            |s| {
                let [e, n] = [0, 1].map(|k| (s.grid_m[k] - middle[k]).to_radians());
                Some([enu(s, [n, -e])?, [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
            },
        );
        self.rare(4.0);
    }

    #[allow(clippy::cast_precision_loss)]
    fn middle(&self) -> Option<[f64; 2]> {
        let n = self.shots.len() as f64;
        let m = [0, 1].map(|k| self.shots.iter().map(|s| s.grid_m[k]).sum::<f64>() / n);
        m.iter().all(|v| v.is_finite()).then_some(m)
    }

    /// Frames, zones and other models that were worked out beforehand.
    fn alternatives(&mut self, facts: &Facts) {
        for Alternative { id, title, key, enu_m } in facts.frames.iter().chain(&facts.others) {
            if enu_m.len() == self.shots.len() {
                self.push(id, title, key, "correct that key, if its source says so", enu_m.clone(), vec![], vec![]);
            }
        }
        if let Some(year) = facts.year.as_ref().filter(|y| y.len() == self.shots.len()) {
            let none = vec![[0.0; 3]; self.shots.len()];
            self.push(
                "epoch",
                "the coordinate epoch is wrong",
                "reference `corrections.epoch`; control `epoch`",
                "state the epoch of the corrections; coordinates move with the plate",
                none,
                vec![year.clone()],
                vec![unknown("years", 10.0, 2)],
            );
        }
    }

    /// The base, one session, one mark, one shot.
    fn places(&mut self) {
        let shift = || [unknown("east, m", 1.5, 3), unknown("north, m", 1.5, 3), unknown("up, m", 1.5, 3)];
        let axes = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
        let when = move |here: bool| Some(if here { axes } else { [[0.0; 3]; 3] });
        self.free(
            "base-shift",
            "the base stands on wrong coordinates",
            "reference `corrections`; coordinates of the base",
            "set the base to its published coordinates in the frame of the corrections",
            shift(),
            |_| when(true),
        );
        // Those that have shots: marks of the file that nobody occupied are no choice.
        let sessions: BTreeSet<usize> = self.shots.iter().map(|s| s.session).collect();
        let marks: BTreeSet<usize> = self.shots.iter().map(|s| s.mark).collect();
        let choice = |n: usize| {
            #[allow(clippy::cast_precision_loss)]
            let n = n as f64;
            2.0 * n.ln()
        };
        if sessions.len() > 1 {
            for &k in &sessions {
                let title = format!("the base was shifted in session {} alone", k + 1);
                self.free(
                    &format!("session-shift-{}", k + 1),
                    &title,
                    "the base of that session",
                    "look at what changed between the sessions",
                    shift(),
                    |s| when(s.session == k),
                );
                self.rare(2.0 + choice(sessions.len()));
            }
        }
        if marks.len() > 2 {
            for &k in &marks {
                let Some(name) = self.shots.iter().find(|s| s.mark == k).map(|s| s.point.clone()) else { continue };
                let title = format!("the mark `{name}` alone has moved, was taken for another, or has a wrong value");
                self.free(&format!("mark-{name}"), &title, "control file", "look at that mark and its source", shift(), |s| {
                    when(s.mark == k)
                });
                self.rare(2.0 + choice(marks.len()));
            }
        }
        for k in 0..self.shots.len() {
            let one = &self.shots[k];
            let (mark, point) = (one.mark, one.point.clone());
            if self.shots.iter().filter(|s| s.mark == mark).count() < 2 {
                continue;
            }
            let title = format!("shot {} (`{point}`) alone is wrong, as by a wrong fix", k + 1);
            let mut columns = vec![vec![[0.0; 3]; self.shots.len()]; 3];
            for (axis, column) in columns.iter_mut().enumerate() {
                column[k] = axes[axis];
            }
            let none = vec![[0.0; 3]; self.shots.len()];
            self.push(
                &format!("shot-{}", k + 1),
                &title,
                "none",
                "shoot that mark again with a fresh fix",
                none,
                columns,
                shift().to_vec(),
            );
            self.rare(2.0 + choice(self.shots.len()));
        }
    }

    fn lengths(&mut self, setup: &Setup) {
        let tip = |s: &Shot, v: Option<[f64; 3]>| if s.aim == Aim::Tip { v } else { Some([0.0; 3]) };
        let applied = setup.pole_m != [0.0; 3];
        if applied {
            self.constant(
                "pole-twice",
                "the pole length is in the chain twice: the receiver applies it too",
                "rig `receiver_output`, `pole.applied_by`",
                "let one of both apply the pole: set `receiver_output: pole-tip`, or have the receiver give the antenna",
                |s| tip(s, setup.offset(Aim::Tip, &s.samples)),
            );
        } else {
            self.constant(
                "pole-missing",
                "the pole length is missing: neither receiver nor job applies it",
                "rig `receiver_output`, `pole.applied_by`",
                "set `receiver_output: antenna-reference-point` and `pole.applied_by: gunter`",
                |s| tip(s, setup.turned(&s.samples, setup.whole_pole_m).map(|v| v.map(|x| -x))),
            );
        }
        if setup.whole_pole_m != [0.0; 3] {
            self.free(
                "pole-length",
                "the pole has another length than the rig says",
                "rig `pole.reference_point_to_tip.z_m`",
                "measure the pole, and set its length",
                [unknown("longer by, m", 0.5, 3)],
                |s| tip(s, setup.turned(&s.samples, [0.0, 0.0, 1.0]).map(|v| v.map(|x| -x))).map(|v| [v]),
            );
        }
        self.free(
            "antenna-offset",
            "phase centre and reference point of the antenna are taken one for the other",
            "rig `receiver_output`, `antenna.phase_centre_to_reference_point`",
            "ask what the receiver gives, and set the length between both",
            [unknown("length, m", 0.12, 3)],
            |s| setup.turned(&s.samples, [0.0, 0.0, 1.0]).map(|v| [v.map(|x| -x)]),
        );
    }

    fn laser(&mut self, setup: &Setup) {
        if !self.shots.iter().any(|s| s.aim == Aim::Laser) {
            return;
        }
        let laser = |s: &Shot, f: &dyn Fn() -> Option<[f64; 3]>| if s.aim == Aim::Laser { f() } else { Some([0.0; 3]) };
        self.constant(
            "lever-missing",
            "the lever arm to the laser is left out by the right setting, or counted twice",
            "rig `laser.reference_point_to_laser`, `laser.applied_by`",
            "apply the lever arm once",
            |s| laser(s, &|| setup.turned(&s.samples, setup.lever_m)),
        );
        self.free(
            "range-zero",
            "the range counts from another point than the rig says",
            "rig `laser.zero_m`",
            "measure a known distance, and set the range zero",
            [unknown("longer by, m", 0.2, 4)],
            |s| laser(s, &|| setup.beam(&s.samples).map(|v| v.map(|x| -x))).map(|v| [v]),
        );
        let other = |s: &Shot, right: &Setup| setup.against(right, s.aim, &s.samples);
        self.constant(
            "range-feet",
            "ranges in feet are read as metres",
            "rig `sensors.range`, `laser.scale`",
            "have the instrument send metres",
            |s| laser(s, &|| other(s, &Setup { scale: setup.scale * FOOT, ..*setup })),
        );
        let per = |s: &Shot, k: usize| {
            let mut turned = *setup;
            turned.beam_deg[k] += 0.1;
            other(s, &turned).map(|v| v.map(|x| 10.0 * x))
        };
        self.free(
            "boresight",
            "the beam points elsewhere in the body than the rig says",
            "rig `laser.beam_azimuth_deg`, `laser.beam_elevation_deg`",
            "calibrate the boresight",
            [unknown("azimuth, deg", 2.0, 2), unknown("elevation, deg", 2.0, 2)],
            |s| if s.aim == Aim::Laser { Some([per(s, 0)?, per(s, 1)?]) } else { Some([[0.0; 3]; 2]) },
        );
    }

    fn attitude(&mut self, setup: &Setup, facts: &Facts) {
        if setup.north == NorthSaid::None || self.shots.iter().any(|s| s.samples.is_empty()) {
            return;
        }
        let other = |s: &Shot, right: &Setup| setup.against(right, s.aim, &s.samples);
        let north = "rig `attitude.north`";
        let to_true = |deg: f64| Setup { to_true_deg: deg, ..*setup };
        if setup.north != NorthSaid::True {
            self.constant("north-true", "the sensor counts from true north already", north, "set `north: \"true\"`", |s| {
                other(s, &to_true(0.0))
            });
        }
        if setup.north != NorthSaid::Grid {
            self.constant("north-grid", "the sensor counts from grid north", north, "set `north: grid` with `grid_north_crs`", |s| {
                other(s, &to_true(s.convergence_deg))
            });
        }
        if setup.north == NorthSaid::Magnetic {
            self.constant(
                "declination-sign",
                "the sign of the declination is turned",
                "rig `attitude.declination`",
                "east is positive",
                |s| other(s, &to_true(-setup.to_true_deg)),
            );
        } else if let Some(d) = facts.declination_deg {
            self.constant(
                "north-magnetic",
                "the sensor counts from magnetic north",
                north,
                "set `north: magnetic` with `declination`",
                |s| other(s, &to_true(d)),
            );
        }
        // A turn is no straight line: it is worked out from several headings. All samples of a shot turn together, so its mean offset turns.
        let offsets: Option<Vec<[f64; 3]>> = self.shots.iter().map(|s| setup.offset(s.aim, &s.samples)).collect();
        for k in 0..if offsets.is_some() { HEADINGS } else { 0 } {
            let turn = f64::from(k) * 360.0 / f64::from(HEADINGS);
            let turn = if turn > 180.0 { turn - 360.0 } else { turn };
            let (sin, cos) = turn.to_radians().sin_cos();
            let one = |[e, n, _]: &[f64; 3]| {
                let (east, north) = (e * cos + n * sin, n * cos - e * sin);
                let per_degree = 1_f64.to_radians();
                [[e - east, n - north, 0.0], [-north * per_degree, east * per_degree, 0.0]]
            };
            let rows: Vec<[[f64; 3]; 2]> = offsets.iter().flatten().map(one).collect();
            self.push(
                "heading",
                "the heading has a bias, or counts from another north (magnetic, grid) than the rig says",
                "rig `attitude.north`, `sensors.heading.offset`",
                "make sure which north the sensor counts from; align the heading again",
                rows.iter().map(|r| r[0]).collect(),
                vec![rows.iter().map(|r| r[1]).collect()],
                vec![unknown("turn, deg", 5.0, 2)],
            );
            if k > 0 {
                self.rare(2.0 * f64::from(HEADINGS).ln());
                if let Some(last) = self.out.last_mut() {
                    last.from = vec![turn];
                }
            }
        }
        let sensors = "rig `sensors.pitch`, `sensors.roll` (`opposite_sign`)";
        let signs = |p: f64, r: f64| Setup { signs: [p, r], ..*setup };
        self.constant("pitch-sign", "the sign of pitch is turned", sensors, "change `sensors.pitch.opposite_sign`", |s| {
            other(s, &signs(-1.0, 1.0))
        });
        self.constant("roll-sign", "the sign of roll is turned", sensors, "change `sensors.roll.opposite_sign`", |s| {
            other(s, &signs(1.0, -1.0))
        });
        self.constant("tilt-sign", "the signs of pitch and roll are both turned", sensors, "change both `opposite_sign`", |s| {
            other(s, &signs(-1.0, -1.0))
        });
        self.constant(
            "pitch-roll-exchanged",
            "pitch and roll are exchanged",
            "rig `sensors.pitch`, `sensors.roll`",
            "exchange both",
            |s| other(s, &Setup { exchanged: true, ..*setup }),
        );
        let tilted = |s: &Shot, k: usize| {
            let mut right = *setup;
            right.tilt_deg[k] += 0.1;
            other(s, &right).map(|v| v.map(|x| 10.0 * x))
        };
        self.free(
            "tilt-mount",
            "the tilt sensor is mounted askew",
            "rig `sensors.pitch.offset`, `sensors.roll.offset`",
            "calibrate the mount of the tilt sensor",
            [unknown("pitch, deg", 1.0, 2), unknown("roll, deg", 1.0, 2)],
            |s| Some([tilted(s, 0)?, tilted(s, 1)?]),
        );
    }

    /// Each lag is a constant of its own; the number of them is paid for.
    fn lag(&mut self, facts: &Facts) {
        #[allow(clippy::cast_precision_loss)]
        let price = 2.0 * (facts.lags.len().max(1) as f64).ln();
        for (lag, enu) in &facts.lags {
            if enu.len() != self.shots.len() {
                continue;
            }
            // The leap seconds between GPS and UTC are 18 since 2017; the measurement model names them.
            let known = (lag.abs() - 18.0).abs() < 0.3;
            let title = if known {
                format!("the attitude is {:.1} s {} the position: GPS time is taken for UTC", lag.abs(), side(*lag))
            } else {
                format!("the attitude is {:.2} s {} the position", lag.abs(), side(*lag))
            };
            self.push(
                &format!("lag {lag:+.2} s"),
                &title,
                "job step `time-join` (its clock), or `ingest-nmea` (`untimed`)",
                "correct the clock of the attitude stream; `estimate-lag` measures it",
                enu.clone(),
                vec![],
                vec![],
            );
            self.rare(if known { 2.0 } else { price });
        }
    }
}

const fn side(lag: f64) -> &'static str {
    if lag > 0.0 { "behind" } else { "ahead of" }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shot(mark: usize, session: usize) -> Shot {
        Shot {
            point: format!("CP{mark}"),
            mark,
            session,
            residual_m: [0.0; 3],
            sigma_m: [0.01; 3],
            correlation: 0.0,
            mark_sigma_m: [0.005; 2],
            grid_m: [f64::NAN; 2],
            convergence_deg: 0.5,
            scale: 1.0,
            height_m: 2.0,
            ellipsoidal_m: 12.0,
            separation_m: f64::NAN,
            receiver_separation_m: f64::NAN,
            aim: Aim::Tip,
            samples: vec![],
        }
    }

    #[test]
    fn a_price_stays_with_its_own_cause() {
        // Sessions 2 and 3 have shots, 1 has none; of the marks of the file only 4 and 7 were occupied.
        let shots = [shot(4, 1), shot(7, 1), shot(4, 2), shot(7, 2)];
        let found = hypotheses(&shots, &Facts::default());
        let rarity = |id: &str| found.iter().find(|h| h.id == id).map(|h| h.rarity);
        assert_eq!(rarity("base-shift"), Some(0.0));
        assert_eq!(rarity("session-shift-1"), None);
        let two = 2.0 + 2.0 * 2.0_f64.ln();
        assert_eq!((rarity("session-shift-2"), rarity("session-shift-3")), (Some(two), Some(two)));
        assert!(!found.iter().any(|h| h.id.starts_with("mark-")), "two marks cannot tell which of them is wrong");
        assert_eq!(rarity("height-sign"), Some(4.0));
        assert!(found.iter().all(|h| h.from.iter().all(|f| *f == 0.0)));
    }
}
