//! # What it does
//! Holds the surface that was shot against the surface that the delivered heights mean, and carries one to the other by the diameter.
//!
//! # When to use it
//! After `height-convert`, before the exports, when heights are delivered as invert, centre or top of a pipe.
//!
//! # What it promises
//! No point is delivered as a surface that it is not on. Nothing is moved unless the job asks for it.
//!
//! # References
//! Plane geometry of a round pipe that lies level; P13 of the failure list.

use crate::rows::labels;
use pipeline_core::prelude::*;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::sync::Arc;
use survey_geodesy::crs::metres;

/// A surface of a round pipe.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Surface {
    /// Highest point outside.
    Top,
    /// Axis.
    Centre,
    /// Lowest point inside, where the water runs.
    Invert,
    /// Lowest point outside.
    Bottom,
}

impl Surface {
    const ALL: [Self; 4] = [Self::Top, Self::Centre, Self::Invert, Self::Bottom];

    const fn word(self) -> &'static str {
        match self {
            Self::Top => "top",
            Self::Centre => "centre",
            Self::Invert => "invert",
            Self::Bottom => "bottom",
        }
    }

    fn of(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|s| s.word() == word)
    }

    /// Below the top of a pipe of an outside diameter, m. The wall is asked for where it matters.
    fn below_top(self, diameter_m: f64, wall_m: Option<f64>) -> Option<f64> {
        match self {
            Self::Top => Some(0.0),
            Self::Centre => Some(diameter_m / 2.0),
            Self::Invert => Some(diameter_m - wall_m?),
            Self::Bottom => Some(diameter_m),
        }
    }
}

/// Options of `asset-surface`.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Options {
    /// The surface that delivered heights mean.
    pub heights_mean: Surface,
    /// Carry points that were shot on another surface there, by `diameter_mm` (outside) of the notes. Otherwise they are held.
    #[serde(default)]
    pub derive: bool,
    /// Thickness of the wall, mm; needed where `invert` is shot or delivered.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0, max = 1000.0))]
    pub wall_mm: Option<f64>,
    /// Feature codes of pipes: each such point must say its surface. Left out: points that name a surface are judged, others pass.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub codes: Vec<String>,
}

/// The bound stage.
pub(crate) struct AssetSurface {
    options: Options,
    /// Columns of point, surface, diameter and code.
    names: [String; 3],
    code: Option<String>,
    /// Columns of heights with the length of their unit, m.
    heights: Vec<(String, f64)>,
    output: Arc<Schema>,
}

/// What becomes of a point.
enum Fate {
    /// It is no pipe, or on the wanted surface.
    Stays,
    /// It moves up by this, m.
    Moves(f64),
    Held(Box<Diagnostic>),
}

impl Stage for AssetSurface {
    type Options = Options;
    const SPEC: Spec = Spec {
        name: "asset-surface",
        version: 1,
        summary: "Holds points that were shot on another surface of the pipe than the delivered heights mean, or carries them there",
        doc: "\
# What it does

The notes say for each point which surface of a pipe was shot (`surface`: `top`, `centre`, `invert` or `bottom`) and its outside
diameter. The job says which surface the delivered heights mean. A point on another surface is held, since a top delivered as
an invert is wrong by the whole pipe; with `derive: true` it is carried there along the vertical: centre is half a diameter below the
top, invert a diameter less the wall, bottom a diameter. `height_of` says what the height now means, `moved_up_m` by how much it
was moved; the measured height is the difference of both.

# When to use it

After `height-convert` and before the exports. `codes` names the feature codes that must say their surface; without it, points
that name none pass as they are.

# What it promises

- Nothing is moved unless the job says `derive: true`, and never without a diameter (and a wall, where invert is shot or wanted).
- An unknown word for a surface is held and not guessed.
- Position and uncertainty stay. The pipe is taken as round and level, its diameter as exact: along a grade of 10 % the vertical
  distance is longer by 0.5 % (1 mm for 250 mm).

# References

Plane geometry. Invert, top and centre as the trade uses the words: *common practice*.
",
        inputs: Inputs::One,
        delivers: false,
        examples: &[
            Example { title: "Tops of pipes were shot, and tops are delivered", options: "heights_mean: top\ncodes: [W-COUP, W-BEND]\n" },
            Example { title: "Inverts are delivered, from shots on the top", options: "heights_mean: invert\nderive: true\nwall_mm: 8\n" },
        ],
    };

    fn bind(options: Options, cx: &BindCx) -> Result<Bound<Self>, Vec<Problem>> {
        let schema = cx.input()?;
        let mut problems = vec![];
        let mut need = |role: Role| {
            let found = by_role(schema, role).map(|c| c.name.clone());
            found
                .map_err(|p| problems.push(p.fix("put it after `average`, with notes that say `surface` and `diameter_mm`")))
                .unwrap_or_default()
        };
        let names = [need(Role::Point), need(Role::Surface), need(Role::Diameter)];
        let heights: Vec<(String, f64)> = [Role::Height, Role::EllipsoidalHeight]
            .into_iter()
            .filter_map(|role| schema.role(role))
            .map(|c| (c.name.clone(), metres(c.unit)))
            .collect();
        if heights.is_empty() {
            problems.push(
                Problem::new("plan/missing-role", "`asset-surface` needs heights, and no column holds any").fix("put it after `average`"),
            );
        }
        for name in ["height_of", "moved_up_m"] {
            if schema.named(name).is_some() {
                problems.push(
                    Problem::new("plan/column-exists", format!("the input already has the column `{name}`"))
                        .fix("use `asset-surface` once"),
                );
            }
        }
        if options.derive && options.heights_mean == Surface::Invert && options.wall_mm.is_none() {
            problems.push(
                Problem::new("asset/unknown-size", "the invert lies inside the wall, and the job does not say how thick that is")
                    .option("wall_mm")
                    .fix("give `wall_mm` from the pipe's data sheet"),
            );
        }
        if !problems.is_empty() {
            return Err(problems);
        }
        let mut output = schema.clone();
        output.columns.push(Column::maybe("height_of", Holds::Text, Unit::None, Role::Other));
        output.columns.push(Column::always("moved_up_m", Holds::Float, Unit::Metre, Role::Other));
        let code = schema.role(Role::Code).map(|c| c.name.clone());
        let stage = Self { options, names, code, heights, output: Arc::new(output.clone()) };
        Ok(Bound::new(stage, output, Grain::Rows))
    }

    fn run(&self, inputs: &[Table], cx: &Cx) -> Result<Table, Problem> {
        let table = inputs.first().ok_or_else(|| Problem::broken("a stage with one input was run without it"))?;
        let (points, surfaces) = (table.texts(&self.names[0])?, table.texts(&self.names[1])?);
        let diameters = table.floats(&self.names[2])?;
        let codes = self.code.as_ref().map(|c| table.texts(c)).transpose()?;
        let (mut keep, mut moved, mut means) = (vec![true; table.rows()], vec![0.0; table.rows()], vec![None; table.rows()]);
        for row in 0..table.rows() {
            let point = points[row].unwrap_or_default();
            let pipe = codes.as_ref().and_then(|c| c[row]).is_some_and(|c| self.options.codes.iter().any(|p| p == c));
            if !pipe && (surfaces[row].is_none() || !self.options.codes.is_empty()) {
                continue;
            }
            means[row] = Some(self.options.heights_mean.word());
            match self.fate(point, surfaces[row], diameters[row] / 1000.0) {
                Fate::Stays => {}
                Fate::Moves(up) => moved[row] = up,
                Fate::Held(mut finding) => {
                    finding.labels = labels(table, &[row], "the shot");
                    finding.waived = cx.waiver(&finding.code, point);
                    keep[row] = finding.waived.is_some();
                    // A waived point is delivered as it was shot.
                    means[row] = surfaces[row];
                    cx.find(*finding);
                }
            }
        }
        self.say(&moved, cx);
        cx.set_aside_others(table, &keep, "held", "not on the surface that the delivered heights mean")?;
        let mut b = TableBuilder::from_table(self.output.clone(), table);
        for (name, unit) in &self.heights {
            b.floats(name, table.floats(name)?.iter().zip(&moved).map(|(h, up)| h + up / unit).collect());
        }
        b.texts("height_of", means.iter().copied()).floats("moved_up_m", moved);
        b.finish()?.filter(&keep)
    }
}

impl AssetSurface {
    /// `diameter_m`: outside, NaN when not noted.
    fn fate(&self, point: &str, noted: Option<&str>, diameter_m: f64) -> Fate {
        let want = self.options.heights_mean;
        let held = |code: &str, what: String| Diagnostic::new(code, Verdict::Hold, what).point(point).place(format!("point `{point}`"));
        let some = |d: Diagnostic| Fate::Held(Box::new(d));
        let Some(shot) = noted.and_then(Surface::of) else {
            let said = noted.map_or_else(|| "do not say".to_owned(), |w| format!("say `{w}` for"));
            return some(
                held("asset/unknown-surface", format!("the notes {said} the surface that was shot"))
                    .size(if diameter_m > 0.0 {
                        format!("up to {diameter_m:.3} m in height, the diameter")
                    } else {
                        "up to a diameter in height".to_owned()
                    })
                    .why("a height of a pipe means nothing without its surface")
                    .fix("write `top`, `centre`, `invert` or `bottom` into `surface` of the notes"),
            );
        };
        if shot == want {
            return Fate::Stays;
        }
        let wall_m = self.options.wall_mm.map(|w| w / 1000.0);
        let known = (diameter_m > 0.0).then_some(diameter_m);
        let up = known.and_then(|d| Some(shot.below_top(d, wall_m)? - want.below_top(d, wall_m)?));
        let (shot, want) = (shot.word(), want.word());
        match up {
            Some(up) if self.options.derive => Fate::Moves(up),
            None if self.options.derive => some(
                held("asset/unknown-size", format!("the {want} cannot be had from a shot on the {shot} without diameter and wall"))
                    .size("up to a diameter in height")
                    .why("nothing is assumed about a pipe that is not written down")
                    .fix("write the outside diameter into `diameter_mm` of the notes (and give `wall_mm` where the invert is shot or delivered)"),
            ),
            up => {
                let wrong = up.or(known).map_or_else(|| "a diameter in height; none is noted".to_owned(), |v| format!("{:.3} m in height", v.abs()));
                some(
                    held("asset/other-surface", format!("the {shot} was shot, and the delivered heights mean the {want}"))
                        .size(wrong)
                        .why(format!("`heights_mean: {want}`; the height would be taken for another surface of the pipe"))
                        .fix(format!("`derive: true` carries it to the {want} by the diameter; or shoot the {want}, or deliver the {shot}")),
                )
            }
        }
    }

    fn say(&self, moved: &[f64], cx: &Cx) {
        let list: Vec<f64> = moved.iter().copied().filter(|m| *m != 0.0).collect();
        let (Some(low), Some(high)) = (list.iter().copied().reduce(f64::min), list.iter().copied().reduce(f64::max)) else { return };
        cx.find(
            Diagnostic::new(
                "asset/derived",
                Verdict::Note,
                format!(
                    "{} carried to the {} of the pipe by its diameter",
                    if list.len() == 1 { "1 point was".to_owned() } else { format!("{} points were", list.len()) },
                    self.options.heights_mean.word()
                ),
            )
            .place("columns `height_of` and `moved_up_m`")
            .size(format!("{low:+.3} m to {high:+.3} m in height"))
            .why("another surface was shot than is delivered")
            .fix("none needed; the measured height is the delivered one less `moved_up_m`"),
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::control::testing::{Point, reference, run, said, schema, table};
    use pipeline_core::stage::cx::Collect;
    use std::path::Path;

    const SHOTS: [(&str, &str, Option<&str>, f64); 6] = [
        ("P1", "PIPE", Some("top"), 250.0),
        ("P2", "PIPE", Some("centre"), 250.0),
        ("P3", "PIPE", Some("bottom"), 250.0),
        ("P4", "PIPE", Some("invert"), 250.0),
        ("P5", "PIPE", None, f64::NAN),
        ("CP", "CTRL", None, f64::NAN),
    ];

    fn points(shots: &[(&'static str, &'static str, Option<&'static str>, f64)]) -> Table {
        let rows: Vec<Point> =
            shots.iter().zip(0..).map(|(s, minute)| Point { session: "a", name: s.0, minute, at: [0.0, 0.0, 2.0] }).collect();
        let plain = table(&rows);
        let mut s = schema();
        s.columns.push(Column::maybe("code", Holds::Text, Unit::None, Role::Code));
        s.columns.push(Column::maybe("surface", Holds::Text, Unit::None, Role::Surface));
        s.columns.push(Column::maybe("diameter_mm", Holds::Float, Unit::Millimetre, Role::Diameter));
        let mut b = TableBuilder::from_table(Arc::new(s), &plain);
        b.texts("code", shots.iter().map(|s| Some(s.1))).texts("surface", shots.iter().map(|s| s.2));
        b.floats("diameter_mm", shots.iter().map(|s| s.3).collect());
        b.finish().unwrap()
    }

    fn done(options: &str, shots: &[(&'static str, &'static str, Option<&'static str>, f64)]) -> (Table, Collect) {
        run::<AssetSurface>(options, &[points(shots)], Path::new("."), &[])
    }

    /// P13: the same shot declared as three surfaces gives centres that differ by exactly a radius and a diameter.
    #[test]
    fn one_shot_and_three_surfaces() {
        let (out, _) = done(r#"{"heights_mean": "centre", "derive": true}"#, &SHOTS[..3]);
        let h = out.floats("height_m").unwrap();
        assert!((h[0] - 1.875).abs() < 1e-12 && (h[1] - 2.0).abs() < 1e-12 && (h[2] - 2.125).abs() < 1e-12, "{h:?}");
        let e = out.floats("ellipsoidal_height_m").unwrap();
        assert!((e[0] - e[1] + 0.125).abs() < 1e-12 && (e[2] - e[0] - 0.25).abs() < 1e-12);
        // The wall: the invert is inside.
        let (out, world) = done(r#"{"heights_mean": "invert", "derive": true, "wall_mm": 8}"#, &SHOTS[..4]);
        let moved = out.floats("moved_up_m").unwrap();
        for (have, want) in moved.iter().zip([-0.242, -0.117, 0.008, 0.0]) {
            assert!((have - want).abs() < 1e-12, "{moved:?}");
        }
        assert_eq!((out.texts("height_of").unwrap()[0], said(&world)), (Some("invert"), vec!["asset/derived".to_owned()]));
    }

    #[test]
    fn another_surface_is_held_and_nothing_is_guessed() {
        // S11 of traps.md.
        let (out, world) = done(r#"{"heights_mean": "invert", "wall_mm": 8}"#, &SHOTS);
        assert_eq!(out.texts("point").unwrap(), [Some("P4"), Some("P5"), Some("CP")]);
        assert_eq!(said(&world), ["asset/other-surface"; 3]);
        assert!(world.said().findings[0].size.contains("0.242 m"), "{}", world.said().findings[0].size);
        // With codes, a pipe must say its surface and others are left alone.
        let (out, world) = done(r#"{"heights_mean": "top", "codes": ["PIPE"]}"#, &SHOTS[3..]);
        assert_eq!(out.texts("point").unwrap(), [Some("CP")]);
        assert_eq!(said(&world), ["asset/other-surface", "asset/unknown-surface"]);
        let odd = [("P6", "PIPE", Some("crown?"), 250.0), ("P7", "PIPE", Some("top"), f64::NAN), ("P8", "PIPE", Some("invert"), 200.0)];
        let (out, world) = done(r#"{"heights_mean": "centre", "derive": true}"#, &odd);
        assert_eq!(
            (out.rows(), said(&world)),
            (0, vec!["asset/unknown-surface".to_owned(), "asset/unknown-size".into(), "asset/unknown-size".into()])
        );
        let codes: Vec<String> = crate::control::testing::bind::<AssetSurface>(
            r#"{"heights_mean": "invert", "derive": true}"#,
            &[(*points(&SHOTS).schema).clone()],
            &reference(),
            Path::new("."),
        )
        .err()
        .unwrap()
        .iter()
        .map(|p| p.finding.code.clone())
        .collect();
        assert_eq!(codes, ["asset/unknown-size"]);
    }
}
