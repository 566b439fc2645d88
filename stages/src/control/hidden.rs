#![doc = include_str!("hidden.md")]

use super::check::files;
use crate::budget::{self, Budget, Contributor, Part, Parts};
use crate::repeats::judge::Check;
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::problem::Problem;
use pipeline_base::table::schema::{Axes, Holds, Role, Schema};
use pipeline_base::table::{Table, TableBuilder, by_role};
use pipeline_core::stage::{BindCx, Bound, Cx, Example, Grain, Inputs, Resource, Spec, Stage};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::sync::Arc;
use survey_geodesy::crs::{Crs, metres};
use survey_geodesy::{Ellipsoid, Tangent};
use survey_mathematics::distributions::chi_square;

mod read;
pub(crate) mod solve;
#[cfg(test)]
mod tests;

use read::{Construction, Kind, Line};
use solve::{Known, Observation, Solution, left_of, solve};

/// Options of `hidden-points`.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Options {
    /// CSV files of constructions; names or patterns, relative to the job file.
    pub constructions: Vec<String>,
}

/// The bound stage.
pub(crate) struct HiddenPoints {
    constructions: Vec<Construction>,
    ellipsoid: Ellipsoid,
    schema: Arc<Schema>,
    resources: Vec<Resource>,
}

/// Mean radius of the Earth, m: a metre on the ground is longer than one at the ellipsoid by height over radius.
const RADIUS: f64 = 6_371_000.0;

impl Stage for HiddenPoints {
    type Options = Options;
    const SPEC: Spec = Spec {
        name: "hidden-points",
        version: 1,
        summary: "Computes points from distances, bearings, lines and offsets to points that were measured",
        doc: include_str!("hidden.md"),
        inputs: Inputs::One,
        delivers: false,
        examples: &[Example { title: "Constructions from the field book", options: "constructions: [hidden.csv]\n" }],
    };

    fn bind(options: Options, cx: &BindCx) -> Result<Bound<Self>, Vec<Problem>> {
        let schema = cx.input()?;
        let mut problems = vec![];
        for role in [
            Role::Point,
            Role::Easting,
            Role::Northing,
            Role::Latitude,
            Role::Longitude,
            Role::EllipsoidalHeight,
            Role::SigmaEast,
            Role::SigmaNorth,
            Role::SigmaUp,
        ] {
            problems.extend(by_role(schema, role).err().map(|p| p.fix("put this step after `average` and `reproject`")));
        }
        let crs = schema.frame.as_ref().filter(|f| matches!(f.axes, Axes::Projected(_))).map(|f| Crs::look_up(&f.crs));
        let resources = files(&options.constructions, "constructions", cx).map_err(|p| problems.extend(p)).unwrap_or_default();
        let constructions = read::read(&resources).map_err(|p| problems.extend(p)).unwrap_or_default();
        match crs {
            Some(Ok(crs)) if problems.is_empty() => {
                let output = with_construction(schema);
                let stage = Self { constructions, ellipsoid: crs.ellipsoid, schema: Arc::new(output.clone()), resources };
                Ok(Bound::new(stage, output, Grain::Whole))
            }
            Some(Err(problem)) => {
                problems.push(problem);
                Err(problems)
            }
            _ => Err(problems),
        }
    }

    fn resources(&self) -> Vec<Resource> {
        self.resources.clone()
    }

    fn run(&self, inputs: &[Table], cx: &Cx) -> Result<Table, Problem> {
        let table = inputs.first().ok_or_else(|| Problem::broken("no input"))?;
        let ground = Ground::of(table)?;
        let mut made = vec![];
        for construction in &self.constructions {
            match self.point(construction, &ground) {
                Ok((point, note)) => {
                    cx.find(note);
                    made.push(point);
                }
                Err(finding) => {
                    let waived = cx.waiver(&finding.code, &construction.point);
                    cx.find(Diagnostic { waived, ..*finding });
                }
            }
        }
        // Every row goes on; the new points are made from them.
        cx.used(table.rows());
        // Nothing of a measured point was taped.
        let mut measured = TableBuilder::from_table(self.schema.clone(), table);
        for column in self.schema.columns.iter().filter(|c| table.schema.named(&c.name).is_none()) {
            measured.floats(&column.name, vec![0.0; table.rows()]);
        }
        let measured = measured.finish()?;
        if made.is_empty() {
            return Ok(measured);
        }
        let new = self.rows(&measured, &made)?;
        Table::stack(vec![measured, new], self.schema.clone())
    }
}

/// The schema with the contributors of constructions, where it has a budget.
fn with_construction(schema: &Schema) -> Schema {
    let mut out = schema.clone();
    if budget::has(schema, Contributor::GnssNoise) {
        for c in budget::ALL.into_iter().filter(|c| c.constructed() && !budget::has(schema, *c)) {
            out.columns.extend(budget::columns_of(c));
        }
    }
    out
}

/// The points that were measured, m and deg.
struct Ground {
    names: Vec<String>,
    easting: Vec<f64>,
    northing: Vec<f64>,
    height: Vec<f64>,
    latitude: Vec<f64>,
    longitude: Vec<f64>,
    ellipsoidal: Vec<f64>,
    /// Of what each point has for itself; without the parts that all of them share.
    sigma: Vec<f64>,
    sigma_up: Vec<f64>,
    budget: Vec<Budget>,
    convergence: Vec<f64>,
    scale: Vec<f64>,
}

impl Ground {
    fn of(table: &Table) -> Result<Self, Problem> {
        let column = |role: Role| -> Result<Vec<f64>, Problem> {
            let c = by_role(&table.schema, role)?;
            let unit = metres(c.unit);
            Ok(table.floats(&c.name)?.iter().map(|v| v * unit).collect())
        };
        let extra = |name: &str, missing: f64| -> Result<Vec<f64>, Problem> {
            match table.schema.named(name) {
                Some(_) => Ok(table.floats(name)?.iter().map(|v| if v.is_nan() { missing } else { *v }).collect()),
                None => Ok(vec![missing; table.rows()]),
            }
        };
        let ellipsoidal = column(Role::EllipsoidalHeight)?;
        let (e, n, u) = (column(Role::SigmaEast)?, column(Role::SigmaNorth)?, column(Role::SigmaUp)?);
        let parts = Parts::read(table)?;
        let divided = budget::has(&table.schema, Contributor::GnssNoise);
        let budget: Vec<Budget> = (0..table.rows())
            .map(|row| {
                if divided {
                    return parts.row(row);
                }
                // What no column divides is each point's own.
                let mut whole = Budget::default();
                whole.add(Contributor::OtherNoise, &Part::new([e[row] * e[row], 0.0, n[row] * n[row], u[row] * u[row]]));
                whole
            })
            .collect();
        let own: Vec<Part> =
            budget.iter().map(|b| b.iter().filter(|(c, _)| !c.common()).fold(Part::default(), |s, (_, p)| s.plus(p))).collect();
        let names = table.texts(&by_role(&table.schema, Role::Point)?.name)?;
        Ok(Self {
            names: names.into_iter().map(|n| n.unwrap_or_default().to_owned()).collect(),
            easting: column(Role::Easting)?,
            northing: column(Role::Northing)?,
            height: if table.schema.role(Role::Height).is_some() { column(Role::Height)? } else { ellipsoidal.clone() },
            latitude: column(Role::Latitude)?,
            longitude: column(Role::Longitude)?,
            sigma: own.iter().map(|p| (p.horizontal() / 2.0).max(0.0).sqrt().max(1e-4)).collect(),
            sigma_up: own.iter().map(|p| p.uu.max(0.0).sqrt()).collect(),
            budget,
            convergence: extra("grid_convergence_deg", 0.0)?,
            scale: extra("scale_factor", 1.0)?,
            ellipsoidal,
        })
    }

    /// Adds a part to a budget, divided as a point's own parts are: `plan` (ee, nn, en) as they share its horizontal variance, `up` as they
    /// share its vertical one.
    fn divide(&self, into: &mut Budget, row: usize, [ee, nn, en]: [f64; 3], up: f64) {
        let own = || self.budget[row].iter().filter(|(c, _)| !c.common());
        let whole = own().fold(Part::default(), |s, (_, p)| s.plus(p));
        for (c, p) in own() {
            let share = if whole.horizontal() > 0.0 { p.horizontal() / whole.horizontal() } else { 0.0 };
            let share_up = if whole.uu > 0.0 { p.uu / whole.uu } else { 0.0 };
            into.add(c, &Part::new([ee * share, en * share, nn * share, up * share_up]));
        }
        if whole.horizontal() <= 0.0 {
            into.add(Contributor::OtherNoise, &Part::new([ee, en, nn, 0.0]));
        }
    }

    fn row(&self, name: &str, line: &Line, point: &str) -> Result<usize, Box<Diagnostic>> {
        let rows: Vec<usize> = (0..self.names.len()).filter(|i| self.names[*i] == name).collect();
        match rows.as_slice() {
            [one] => Ok(*one),
            list => Err(Box::new(
                Diagnostic::new(
                    "control/hidden-known",
                    Verdict::Hold,
                    format!(
                        "`{point}` is tied to `{name}`, which {}",
                        if list.is_empty() { "was not delivered" } else { "was measured more than once" }
                    ),
                )
                .label(line.label("this observation"))
                .size("no coordinates for the point")
                .why("a construction needs one place for each known point")
                .fix("name a point that was measured once, or correct its name")
                .point(point),
            )),
        }
    }
}

/// A new point.
struct Made<'a> {
    construction: &'a Construction,
    /// Row of the first known point.
    first: usize,
    solution: Solution,
    /// Above the first known point, m.
    up_m: f64,
    budget: Budget,
}

impl HiddenPoints {
    fn point<'a>(&self, construction: &'a Construction, ground: &Ground) -> Result<(Made<'a>, Diagnostic), Box<Diagnostic>> {
        let name = construction.point.as_str();
        let (mut rows, mut list): (Vec<usize>, Vec<Observation>) = (vec![], vec![]);
        // Row of the known point, height, sigma of what was measured.
        let mut heights: Vec<(usize, f64, f64)> = vec![];
        for line in &construction.lines {
            let from = ground.row(&line.from, line, name)?;
            let mut number = |row: usize| {
                rows.iter().position(|r| *r == row).unwrap_or_else(|| {
                    rows.push(row);
                    rows.len() - 1
                })
            };
            // The tape lies on the ground; the adjustment is in the grid.
            let factor = ground.scale[from] * RADIUS / (RADIUS + ground.ellipsoidal[from]);
            match line.kind {
                Kind::Height => heights.push((from, ground.height[from] + line.value, line.sigma)),
                Kind::Distance => {
                    list.push(Observation::Distance { from: number(from), value_m: line.value * factor, sigma_m: line.sigma })
                }
                Kind::Bearing { grid } => {
                    let turn = if grid { 0.0 } else { ground.convergence[from] };
                    list.push(Observation::Bearing { from: number(from), value_deg: line.value - turn, sigma_deg: line.sigma });
                }
                Kind::Offset | Kind::Along => {
                    let to = ground.row(line.to.as_deref().unwrap_or_default(), line, name)?;
                    let (from, to) = (number(from), number(to));
                    let (value_m, sigma_m) = (line.value * factor, line.sigma);
                    list.push(if line.kind == Kind::Offset {
                        Observation::Offset { from, to, value_m, sigma_m }
                    } else {
                        Observation::Along { from, to, value_m, sigma_m }
                    });
                }
            }
        }
        let known: Vec<Known> =
            rows.iter().map(|r| Known { at_m: [ground.easting[*r], ground.northing[*r]], sigma_m: ground.sigma[*r] }).collect();
        let solution = one_of(solve(&known, &list), &known, construction)?;
        let label = |d: Diagnostic| construction.lines.first().map_or(d.clone(), |l| d.label(l.label("from here")));
        #[allow(clippy::cast_precision_loss)]
        let limit = if solution.freedom > 0 { chi_square(0.999, solution.freedom as f64) } else { f64::INFINITY };
        if solution.square_sum > limit {
            let worst = solution.residuals.iter().fold(0.0, |m: f64, r| m.max(r.abs()));
            return Err(Box::new(label(
                Diagnostic::new("control/hidden-misfit", Verdict::Hold, format!("the observations of `{name}` do not fit each other"))
                    .place(format!("point `{name}`, {} observations", list.len()))
                    .size(format!(
                        "residuals up to {worst:.3}; squared residuals over sigmas {:.1} where {limit:.1} is the limit",
                        solution.square_sum
                    ))
                    .why("one of them is misread, or tied to another point than was meant")
                    .fix("measure it again")
                    .point(name),
            )));
        }
        let first = rows.first().copied().unwrap_or(0);
        if heights.is_empty() {
            return Err(Box::new(label(
                Diagnostic::new("control/hidden-no-height", Verdict::Hold, format!("`{name}` has no height"))
                    .place(format!("point `{name}`"))
                    .size("its height is not known")
                    .why("distances and bearings in plan say nothing of it")
                    .fix("add a line of kind `height`: its height above a measured point")
                    .point(name),
            )));
        }
        let weights: Vec<f64> = heights.iter().map(|(row, _, sigma)| 1.0 / (sigma.powi(2) + ground.sigma_up[*row].powi(2))).collect();
        let weight: f64 = weights.iter().sum();
        let height = heights.iter().zip(&weights).map(|(h, w)| w * h.1).sum::<f64>() / weight;
        let mut budget = Budget::default();
        for (o, [ee, nn, en]) in list.iter().zip(&solution.from_observations) {
            let c = if matches!(o, Observation::Bearing { .. }) { Contributor::TapedBearing } else { Contributor::TapedDistance };
            budget.add(c, &Part::new([*ee, *en, *nn, 0.0]));
        }
        for (row, part) in rows.iter().zip(&solution.from_known) {
            ground.divide(&mut budget, *row, *part, 0.0);
        }
        let mut bench: BTreeMap<usize, f64> = BTreeMap::new();
        for ((row, _, sigma), w) in heights.iter().zip(&weights) {
            budget.add(Contributor::TapedHeight, &Part::new([0.0, 0.0, 0.0, (w / weight * sigma).powi(2)]));
            *bench.entry(*row).or_default() += w / weight;
        }
        for (row, share) in bench {
            ground.divide(&mut budget, row, [0.0; 3], (share * ground.sigma_up[row]).powi(2));
        }
        // From the axes of the grid to east and north; then what the known points share, which no geometry makes smaller.
        let mut budget = budget.turned(ground.convergence[first]);
        for (c, part) in ground.budget[first].iter().filter(|(c, _)| c.common()) {
            budget.add(c, part);
        }
        let [largest, largest_up] = budget.largest();
        let note = label(
            Diagnostic::new(
                "control/hidden",
                Verdict::Note,
                format!(
                    "`{name}` from {} observations in plan and {} in height, {} redundant",
                    list.len(),
                    heights.len(),
                    solution.freedom + heights.len() - 1
                ),
            )
            .place(format!("point `{name}`"))
            .size(format!(
                "sigma {:.4} m east, {:.4} m north, {:.4} m up; mostly {} ({:.0} %), upward {} ({:.0} %)",
                budget.total().ee.sqrt(),
                budget.total().nn.sqrt(),
                budget.total().uu.sqrt(),
                largest.0.words(),
                100.0 * largest.1,
                largest_up.0.words(),
                100.0 * largest_up.1,
            ))
            .why(if solution.freedom == 0 {
                "nothing checks it: a misread value goes into the point"
            } else {
                "the redundant observations agree"
            })
            .fix(if solution.freedom == 0 { "measure one more distance" } else { "nothing to do" })
            .point(name),
        );
        Ok((Made { construction, first, solution, up_m: height - ground.height[first], budget }, note))
    }

    /// Rows of new points. What is not theirs (epochs, ranges, scatter) is empty, or 0 where a column may not be.
    fn rows(&self, table: &Table, made: &[Made]) -> Result<Table, Problem> {
        let ground = Ground::of(table)?;
        let index: Vec<u32> = made.iter().filter_map(|m| u32::try_from(m.first).ok()).collect();
        let picked = table.take(&index)?;
        let mut b = TableBuilder::from_table(self.schema.clone(), &picked);
        let places: Vec<(f64, f64, f64)> = made
            .iter()
            .map(|m| {
                let k = m.first;
                let (e, n) = (m.solution.at_m[0] - ground.easting[k], m.solution.at_m[1] - ground.northing[k]);
                let (s, c) = ground.convergence[k].to_radians().sin_cos();
                let grid = ground.scale[k] * RADIUS / (RADIUS + ground.ellipsoidal[k]);
                let tangent = Tangent::new(ground.latitude[k], ground.longitude[k], ground.ellipsoidal[k], self.ellipsoid);
                tangent.geodetic([(e * c + n * s) / grid, (n * c - e * s) / grid, m.up_m])
            })
            .collect();
        budget::fill(&mut b, &made.iter().map(|m| m.budget).collect::<Vec<_>>());
        let root = |v: f64| v.max(0.0).sqrt();
        for column in self.schema.columns.iter().filter(|c| !budget::is_column(c)) {
            let unit = metres(column.unit);
            let each = |f: &dyn Fn(usize, &Made) -> f64| made.iter().enumerate().map(|(i, m)| f(i, m)).collect::<Vec<f64>>();
            let values = match (column.role, column.name.as_str()) {
                (Role::Point, _) => {
                    b.texts(&column.name, made.iter().map(|m| Some(m.construction.point.as_str())));
                    continue;
                }
                (Role::Code, _) => {
                    b.texts(&column.name, made.iter().map(|m| m.construction.code.as_deref()));
                    continue;
                }
                (Role::Remark, _) => {
                    b.text_everywhere(&column.name, "hidden point, constructed");
                    continue;
                }
                (Role::Occupation, _) => {
                    let names: Vec<String> = made.iter().map(|m| format!("hidden-{}", m.construction.point)).collect();
                    b.texts(&column.name, names.iter().map(|n| Some(n.as_str())));
                    continue;
                }
                (Role::Surface | Role::Aim, _) => {
                    b.texts(&column.name, made.iter().map(|_| if column.nullable { None } else { Some("constructed") }));
                    continue;
                }
                // No second occupation checks it, whatever checks the points that it is tied to.
                (_, "check") => {
                    b.text_everywhere(&column.name, Check::Unchecked.word());
                    continue;
                }
                (Role::Other, _) if column.nullable && column.holds == Holds::Text => {
                    b.texts(&column.name, made.iter().map(|_| None));
                    continue;
                }
                (Role::Other, "second_after") => {
                    b.instants_or_none(&column.name, made.iter().map(|_| None));
                    continue;
                }
                (Role::Easting, _) => each(&|_, m| m.solution.at_m[0] / unit),
                (Role::Northing, _) => each(&|_, m| m.solution.at_m[1] / unit),
                (Role::Latitude, _) => each(&|i, _| places[i].0),
                (Role::Longitude, _) => each(&|i, _| places[i].1),
                (Role::EllipsoidalHeight, _) => each(&|_, m| ground.ellipsoidal[m.first] + m.up_m),
                (Role::Height, _) => each(&|_, m| (ground.height[m.first] + m.up_m) / unit),
                (Role::SigmaEast, _) => each(&|_, m| root(m.budget.total().ee)),
                (Role::SigmaNorth, _) => each(&|_, m| root(m.budget.total().nn)),
                (Role::SigmaUp, _) => each(&|_, m| root(m.budget.total().uu)),
                (Role::CorrelationEastNorth, _) => each(&|_, m| {
                    let t = m.budget.total();
                    (t.en / (t.ee * t.nn).sqrt()).clamp(-1.0, 1.0)
                }),
                (_, "horizontal_95_m") => each(&|_, m| m.budget.bounds_95()[0]),
                (_, "vertical_95_m") => each(&|_, m| m.budget.bounds_95()[1]),
                (_, "random_horizontal_m") => each(&|_, m| root(m.budget.of_kind(budget::Kind::Random).horizontal())),
                (_, "random_up_m") => each(&|_, m| root(m.budget.of_kind(budget::Kind::Random).uu)),
                (_, "systematic_horizontal_m") => each(&|_, m| root(m.budget.of_kind(budget::Kind::Systematic).horizontal())),
                (_, "systematic_up_m") => each(&|_, m| root(m.budget.of_kind(budget::Kind::Systematic).uu)),
                // Shared by all points of the place.
                (Role::GeoidSeparation | Role::ReceiverSeparation, _) | (_, "grid_convergence_deg" | "scale_factor") => continue,
                _ => match column.holds {
                    Holds::Float => vec![if column.nullable { f64::NAN } else { 0.0 }; made.len()],
                    Holds::Int if !matches!(column.role, Role::LineFirst | Role::LineLast) => {
                        if column.nullable {
                            b.ints_or_none(&column.name, made.iter().map(|_| None));
                        } else {
                            b.ints(&column.name, vec![0; made.len()]);
                        }
                        continue;
                    }
                    _ => continue,
                },
            };
            b.floats(&column.name, values);
        }
        b.finish()
    }
}

/// The one solution, or why there is none.
fn one_of(found: Vec<Solution>, known: &[Known], construction: &Construction) -> Result<Solution, Box<Diagnostic>> {
    let name = construction.point.as_str();
    let label = |d: Diagnostic| construction.lines.first().map_or(d.clone(), |l| d.label(l.label("from here")));
    let side = |s: &Solution| known.len() > 1 && left_of(known[0].at_m, known[1].at_m, s.at_m);
    let chosen: Vec<&Solution> = match construction.left {
        Some(left) if found.len() > 1 => found.iter().filter(|s| side(s) == left).collect(),
        _ => found.iter().collect(),
    };
    match chosen.as_slice() {
        [one] => Ok((*one).clone()),
        [] => Err(Box::new(label(
            Diagnostic::new("control/hidden-none", Verdict::Hold, format!("the observations of `{name}` determine no point"))
                .place(format!("point `{name}`"))
                .size("no coordinates for the point")
                .why("fewer than two observations in plan, parallel lines, circles that do not meet, or a side on which nothing lies")
                .fix("measure one more distance, and correct what was misread")
                .point(name),
        ))),
        list => {
            let apart = (list[0].at_m[0] - list[1].at_m[0]).hypot(list[0].at_m[1] - list[1].at_m[1]);
            let places: Vec<String> = list
                .iter()
                .map(|s| format!("E {:.3} N {:.3} ({})", s.at_m[0], s.at_m[1], if side(s) { "left" } else { "right" }))
                .collect();
            Err(Box::new(label(
                Diagnostic::new(
                    "control/hidden-ambiguous",
                    Verdict::Hold,
                    format!("the observations of `{name}` fit {} places: {}", list.len(), places.join(" and ")),
                )
                .place(format!("point `{name}`"))
                .size(format!("the two are {apart:.3} m apart"))
                .why("two distances meet on either side of the line between their points")
                .fix("write `left` or `right` in `side` (seen from the first known point to the second), or measure a third distance")
                .point(name),
            )))
        }
    }
}
