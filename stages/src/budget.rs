//! The error budget of a point: how much each contributor adds to its variance.
//!
//! Every table of points (and, before them, of targets) holds four columns for each contributor,
//! `budget_KEY_ee`, `_en`, `_nn` and `_uu`: variance to the east, covariance of east and north, variance
//! to the north and variance upward, m2. They travel with the point: a stage that adds an uncertainty
//! later in the chain adds it to its own contributor. Their sums are the variance that the point
//! states, and the tests hold that to the rounding of the numbers.
//!
//! Random contributors shrink with the effective number of epochs, systematic ones never do.

use pipeline_base::problem::Problem;
use pipeline_base::table::schema::{Column, Holds, Role, Schema, Unit};
use pipeline_base::table::{Table, TableBuilder};
use std::borrow::Cow;
use survey_mathematics::radial::radius;

/// 97.5 % quantile of the unit normal.
pub(crate) const NORMAL_95: f64 = 1.959_963_984_540_054;

/// Whether a contributor changes from epoch to epoch.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Kind {
    /// It does, and shrinks with more independent epochs.
    Random,
    /// It is the same for every epoch, and does not shrink.
    Systematic,
}

impl Kind {
    /// The word in tables.
    #[must_use]
    pub(crate) const fn word(self) -> &'static str {
        match self {
            Self::Random => "random",
            Self::Systematic => "systematic",
        }
    }
}

/// What adds to the uncertainty of a point.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Contributor {
    /// Noise of the positions of the receiver.
    GnssNoise,
    /// Noise of the heading.
    HeadingNoise,
    /// Noise of pitch and roll, or of the bubble.
    TiltNoise,
    /// Noise of the range.
    RangeNoise,
    /// Jitter of the time tags.
    TimeTag,
    /// Epochs that scatter more than receiver and rig declare.
    ExcessScatter,
    /// Noise that no column divides.
    OtherNoise,
    /// Distances that a hidden point was constructed from.
    TapedDistance,
    /// Bearings that a hidden point was constructed from.
    TapedBearing,
    /// Height differences that a hidden point was constructed from.
    TapedHeight,
    /// Direction of the beam: boresight.
    BeamDirection,
    /// Lengths of pole, antenna and lever arm.
    Lengths,
    /// Zero of the range.
    RangeZero,
    /// Scale of the range.
    RangeScale,
    /// Bias of the heading since initialisation, and declination.
    HeadingBias,
    /// Bias of pitch and roll: mount.
    TiltBias,
    /// Systematic part that no column divides.
    OtherSystematic,
    /// Coordinates of the base.
    Base,
    /// Geoid model.
    GeoidModel,
    /// Change of frame or datum.
    FrameChange,
    /// Fit to the control of a site.
    Localisation,
}

use Contributor::{
    Base, BeamDirection, ExcessScatter, FrameChange, GeoidModel, GnssNoise, HeadingBias, HeadingNoise, Lengths, Localisation, OtherNoise,
    OtherSystematic, RangeNoise, RangeScale, RangeZero, TapedBearing, TapedDistance, TapedHeight, TiltBias, TiltNoise, TimeTag,
};

/// All contributors, random ones first.
pub(crate) const ALL: [Contributor; 21] = [
    GnssNoise,
    HeadingNoise,
    TiltNoise,
    RangeNoise,
    TimeTag,
    ExcessScatter,
    OtherNoise,
    TapedDistance,
    TapedBearing,
    TapedHeight,
    BeamDirection,
    Lengths,
    RangeZero,
    RangeScale,
    HeadingBias,
    TiltBias,
    OtherSystematic,
    Base,
    GeoidModel,
    FrameChange,
    Localisation,
];

/// Elements of a part, in the order of [`Part`].
const ELEMENTS: [&str; 4] = ["ee", "en", "nn", "uu"];

impl Contributor {
    /// The word in column names.
    #[must_use]
    pub(crate) const fn key(self) -> &'static str {
        match self {
            GnssNoise => "gnss_noise",
            HeadingNoise => "heading_noise",
            TiltNoise => "tilt_noise",
            RangeNoise => "range_noise",
            TimeTag => "time_tag",
            ExcessScatter => "excess_scatter",
            OtherNoise => "other_noise",
            TapedDistance => "taped_distance",
            TapedBearing => "taped_bearing",
            TapedHeight => "taped_height",
            BeamDirection => "beam_direction",
            Lengths => "lengths",
            RangeZero => "range_zero",
            RangeScale => "range_scale",
            HeadingBias => "heading_bias",
            TiltBias => "tilt_bias",
            OtherSystematic => "other_systematic",
            Base => "base",
            GeoidModel => "geoid_model",
            FrameChange => "frame_change",
            Localisation => "localisation",
        }
    }

    /// The contributor in words.
    #[must_use]
    pub(crate) const fn words(self) -> &'static str {
        match self {
            GnssNoise => "GNSS noise",
            HeadingNoise => "noise of the heading",
            TiltNoise => "noise of pitch and roll",
            RangeNoise => "noise of the range",
            TimeTag => "jitter of the time tags",
            ExcessScatter => "scatter beyond what is declared",
            OtherNoise => "other noise",
            TapedDistance => "measured distances of the construction",
            TapedBearing => "measured bearings of the construction",
            TapedHeight => "measured height difference of the construction",
            BeamDirection => "direction of the beam",
            Lengths => "lengths of pole and lever arm",
            RangeZero => "zero of the range",
            RangeScale => "scale of the range",
            HeadingBias => "bias of the heading",
            TiltBias => "bias of pitch and roll",
            OtherSystematic => "other systematic parts",
            Base => "coordinates of the base",
            GeoidModel => "geoid model",
            FrameChange => "change of frame",
            Localisation => "fit to the site's control",
        }
    }

    /// Whether it shrinks with more epochs.
    #[must_use]
    pub(crate) const fn kind(self) -> Kind {
        match self {
            GnssNoise | HeadingNoise | TiltNoise | RangeNoise | TimeTag | ExcessScatter | OtherNoise | TapedDistance | TapedBearing
            | TapedHeight => Kind::Random,
            _ => Kind::Systematic,
        }
    }

    /// What makes it smaller.
    #[must_use]
    pub(crate) const fn help(self) -> &'static str {
        match self {
            GnssNoise => "occupy the point again 20 min later or more, for longer or under more open sky",
            HeadingNoise => "keep the pole closer to plumb, stand closer to the target, and shoot for longer",
            TiltNoise => "stand closer to the target and shoot for longer",
            RangeNoise => "shoot for longer",
            TimeTag => "stand still during the shot",
            ExcessScatter => "look for multipath, a loose pole or an unsteady aim, and shoot again",
            OtherNoise => "shoot for longer",
            TapedDistance => "tape again, from points that see it at a better angle, or add a distance",
            TapedBearing => "measure from nearer points, or add a distance",
            TapedHeight => "level the height again, or from a second point",
            BeamDirection => "stand closer to the target, or calibrate the beam of the rig",
            Lengths => "measure pole and lever arm again, and state their sigmas",
            RangeZero | RangeScale => "calibrate the range of the rig",
            HeadingBias => "walk before the shot so that the heading is fresh, and keep the pole closer to plumb",
            TiltBias => "turn the pole by half a turn and shoot again, or calibrate the mount",
            OtherSystematic => "state smaller systematic sigmas, with their source",
            Base => "use a base with better coordinates, and state their sigmas in `corrections`",
            GeoidModel => "use a better geoid model, or level from a bench mark",
            FrameChange => "take corrections in the frame of the delivery",
            Localisation => "tie the site to more and better control",
        }
    }

    /// Whether it is part of constructed points alone; `hidden-points` adds its columns.
    #[must_use]
    pub(crate) const fn constructed(self) -> bool {
        matches!(self, TapedDistance | TapedBearing | TapedHeight)
    }

    /// Whether neighbouring points of one survey have this error in common.
    #[must_use]
    pub(crate) const fn common(self) -> bool {
        matches!(self, Base | GeoidModel | FrameChange | Localisation)
    }

    /// The name of one of its four columns.
    #[must_use]
    pub(crate) fn column(self, element: usize) -> String {
        format!("budget_{}_{}", self.key(), ELEMENTS[element.min(3)])
    }
}

/// Variance of a contributor: east, covariance of east and north, north, up; m2.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Part {
    /// East.
    pub ee: f64,
    /// East with north.
    pub en: f64,
    /// North.
    pub nn: f64,
    /// Up.
    pub uu: f64,
}

impl Part {
    /// A part from its four elements.
    #[must_use]
    pub(crate) const fn new([ee, en, nn, uu]: [f64; 4]) -> Self {
        Self { ee, en, nn, uu }
    }

    /// Its four elements.
    #[must_use]
    pub(crate) const fn elements(&self) -> [f64; 4] {
        [self.ee, self.en, self.nn, self.uu]
    }

    /// One sigma radially in plan and one sigma upward, m: half of the variance on each horizontal axis.
    #[must_use]
    pub(crate) fn radial(horizontal_m: f64, up_m: f64) -> Self {
        let half = horizontal_m * horizontal_m / 2.0;
        Self { ee: half, en: 0.0, nn: half, uu: up_m * up_m }
    }

    /// Sum.
    #[must_use]
    pub(crate) fn plus(&self, other: &Self) -> Self {
        Self { ee: self.ee + other.ee, en: self.en + other.en, nn: self.nn + other.nn, uu: self.uu + other.uu }
    }

    /// Multiple.
    #[must_use]
    pub(crate) fn times(&self, k: f64) -> Self {
        Self { ee: self.ee * k, en: self.en * k, nn: self.nn * k, uu: self.uu * k }
    }

    /// Variance of both horizontal axes together.
    #[must_use]
    pub(crate) fn horizontal(&self) -> f64 {
        self.ee + self.nn
    }
}

/// The budget of one point: a part for each contributor, in the order of [`ALL`].
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Budget {
    parts: [Part; ALL.len()],
}

impl Budget {
    /// The part of a contributor.
    #[must_use]
    pub(crate) const fn part(&self, c: Contributor) -> &Part {
        &self.parts[c as usize]
    }

    /// Adds to the part of a contributor.
    pub(crate) fn add(&mut self, c: Contributor, part: &Part) {
        self.parts[c as usize] = self.parts[c as usize].plus(part);
    }

    /// The budget in axes that are turned clockwise by an angle, deg, from axes that it was given in: from the axes of a grid to east and
    /// north with its convergence.
    #[must_use]
    pub(crate) fn turned(&self, deg: f64) -> Self {
        let (s, c) = deg.to_radians().sin_cos();
        let one = |p: &Part| Part {
            ee: c * c * p.ee + 2.0 * s * c * p.en + s * s * p.nn,
            en: (c * c - s * s) * p.en + s * c * (p.nn - p.ee),
            nn: c * c * p.nn - 2.0 * s * c * p.en + s * s * p.ee,
            uu: p.uu,
        };
        Self { parts: self.parts.each_ref().map(one) }
    }

    /// Contributors with their parts.
    pub(crate) fn iter(&self) -> impl Iterator<Item = (Contributor, &Part)> {
        ALL.into_iter().zip(&self.parts)
    }

    /// Sum of the parts of one kind.
    #[must_use]
    pub(crate) fn of_kind(&self, kind: Kind) -> Part {
        self.iter().filter(|(c, _)| c.kind() == kind).fold(Part::default(), |sum, (_, p)| sum.plus(p))
    }

    /// Sum of all parts: the variance that the point states.
    #[must_use]
    pub(crate) fn total(&self) -> Part {
        self.of_kind(Kind::Random).plus(&self.of_kind(Kind::Systematic))
    }

    /// Contributor with the largest share of the horizontal and of the vertical variance, and the share (0 to 1).
    #[must_use]
    pub(crate) fn largest(&self) -> [(Contributor, f64); 2] {
        let total = self.total();
        let most = |of: fn(&Part) -> f64, whole: f64| {
            self.iter().fold((GnssNoise, 0.0), |best, (c, p)| if whole > 0.0 && of(p) / whole > best.1 { (c, of(p) / whole) } else { best })
        };
        [most(Part::horizontal, total.horizontal()), most(|p| p.uu, total.uu)]
    }

    /// Horizontal (radial) and vertical uncertainty at 95 %, m.
    #[must_use]
    pub(crate) fn bounds_95(&self) -> [f64; 2] {
        let t = self.total();
        [radius(0.95, t.ee, t.en, t.nn), NORMAL_95 * t.uu.max(0.0).sqrt()]
    }

    /// As [`Budget::bounds_95`], if a contributor were not there.
    #[must_use]
    pub(crate) fn bounds_95_without(&self, c: Contributor) -> [f64; 2] {
        let mut other = *self;
        other.parts[c as usize] = Part::default();
        other.bounds_95()
    }
}

/// The columns of the budget of measured points, in the order of [`ALL`].
#[must_use]
pub(crate) fn columns() -> Vec<Column> {
    ALL.into_iter().filter(|c| !c.constructed()).flat_map(columns_of).collect()
}

/// The four columns of one contributor.
pub(crate) fn columns_of(c: Contributor) -> impl Iterator<Item = Column> {
    (0..4).map(move |k| Column::always(&c.column(k), Holds::Float, Unit::SquareMetre, Role::Other))
}

/// Whether a column belongs to the budget.
#[must_use]
pub(crate) fn is_column(column: &Column) -> bool {
    column.unit == Unit::SquareMetre && column.name.starts_with("budget_")
}

/// The schema without the columns of the budget: what a client's file shows unless it is asked for more.
#[must_use]
pub(crate) fn without(schema: &Schema) -> Vec<&Column> {
    schema.columns.iter().filter(|c| !is_column(c)).collect()
}

/// Whether a schema has the columns of a contributor.
#[must_use]
pub(crate) fn has(schema: &Schema, c: Contributor) -> bool {
    (0..4).all(|k| schema.named(&c.column(k)).is_some_and(|c| c.holds == Holds::Float))
}

/// The parts that a table has, by contributor.
pub(crate) struct Parts<'a> {
    list: Vec<(Contributor, [Cow<'a, [f64]>; 4])>,
}

impl<'a> Parts<'a> {
    /// Reads the columns that are there.
    ///
    /// # Errors
    /// When a column does not hold numbers.
    pub(crate) fn read(table: &'a Table) -> Result<Self, Problem> {
        let mut list = vec![];
        for c in ALL.into_iter().filter(|c| has(&table.schema, *c)) {
            let [a, b, d, e] = [0, 1, 2, 3].map(|k| table.floats(&c.column(k)));
            list.push((c, [a?, b?, d?, e?]));
        }
        Ok(Self { list })
    }

    /// The weighted mean of some rows, whose weights add up to 1.
    #[must_use]
    pub(crate) fn mean(&self, rows: &[u32], weights: &[f64]) -> Budget {
        let mut budget = Budget::default();
        // Column by column: a row has more than fifty places in memory.
        for (c, columns) in &self.list {
            let sum = |column: &[f64]| rows.iter().zip(weights).fold(0.0, |sum, (r, w)| sum + column[*r as usize] * w);
            budget.parts[*c as usize] = Part::new([0, 1, 2, 3].map(|k| sum(&columns[k])));
        }
        budget
    }

    /// The budget of a row; a contributor that the table lacks adds nothing.
    #[must_use]
    pub(crate) fn row(&self, row: usize) -> Budget {
        let mut budget = Budget::default();
        for (c, columns) in &self.list {
            budget.parts[*c as usize] = Part::new([columns[0][row], columns[1][row], columns[2][row], columns[3][row]]);
        }
        budget
    }
}

/// Writes the budgets of all rows into the columns that the builder's schema has.
pub(crate) fn fill(builder: &mut TableBuilder, budgets: &[Budget]) {
    for c in ALL {
        for k in 0..4 {
            builder.floats(&c.column(k), budgets.iter().map(|b| b.part(c).elements()[k]).collect());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_list_is_in_the_order_of_the_numbers() {
        for (k, c) in ALL.into_iter().enumerate() {
            assert_eq!(c as usize, k);
            assert!(!c.words().is_empty() && c.help().len() > 10 && c.column(2) == format!("budget_{}_nn", c.key()));
        }
        let random = ALL.iter().take_while(|c| c.kind() == Kind::Random).count();
        assert!(ALL[random..].iter().all(|c| c.kind() == Kind::Systematic));
        assert_eq!(columns().len(), 4 * (ALL.len() - 3));
    }

    proptest! {
        #[test]
        fn parts_add_up_and_the_largest_is_the_largest(v in prop::collection::vec(0.0..1e-3_f64, 3 * ALL.len())) {
            let mut b = Budget::default();
            for (k, c) in ALL.into_iter().enumerate() {
                b.add(c, &Part::new([v[3 * k], 0.0, v[3 * k + 1], v[3 * k + 2]]));
            }
            let sum = |f: fn(&Part) -> f64| b.iter().map(|(_, p)| f(p)).sum::<f64>();
            let t = b.total();
            prop_assert!((t.ee - sum(|p| p.ee)).abs() < 1e-15 && (t.uu - sum(|p| p.uu)).abs() < 1e-15);
            let [h, u] = b.largest();
            for (_, p) in b.iter() {
                prop_assert!(p.horizontal() / t.horizontal() <= h.1 + 1e-15 && p.uu / t.uu <= u.1 + 1e-15);
            }
            let (all, less) = (b.bounds_95(), b.bounds_95_without(h.0));
            prop_assert!(less[0] <= all[0] + 1e-12);
        }
    }
}
