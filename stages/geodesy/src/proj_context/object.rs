//! One PROJ object, safely.

use super::{Axis, Factors, GridNeed, ObjectKind, ProjContext, text};
use crate::area::Area;
use proj_sys as p;
use std::ptr::{null, null_mut};

/// A column for [`Object::carry_columns`].
pub enum CoordinateColumn<'a> {
    /// One number for each row; overwritten by the result.
    Each(&'a mut [f64]),
    /// The same number for all rows.
    All(f64),
}

/// A PROJ object: a CRS, a datum, an operation.
pub struct Object<'d> {
    pub(super) pj: *mut p::PJ,
    pub(super) proj: &'d ProjContext,
}

impl Drop for Object<'_> {
    fn drop(&mut self) {
        // SAFETY: owned, destroyed once, before its context.
        unsafe { p::proj_destroy(self.pj) };
    }
}

/// Calls a PROJ function that makes a new object of this one.
macro_rules! made {
    ($self:ident, $function:ident $(, $argument:expr)*) => {{
        // SAFETY: live context and object; the result is null or an object that the caller owns.
        let pj = unsafe { p::$function($self.proj.ctx, $($argument,)* $self.pj) };
        $self.proj.wrap(pj)
    }};
}

impl<'d> Object<'d> {
    /// Kind.
    #[must_use]
    pub fn kind(&self) -> ObjectKind {
        // SAFETY: live object.
        let (kind, is_crs) = unsafe { (p::proj_get_type(self.pj), p::proj_is_crs(self.pj) != 0) };
        match kind {
            p::PJ_TYPE_PJ_TYPE_GEOGRAPHIC_2D_CRS => ObjectKind::Geographic2D,
            p::PJ_TYPE_PJ_TYPE_GEOGRAPHIC_3D_CRS => ObjectKind::Geographic3D,
            p::PJ_TYPE_PJ_TYPE_GEOCENTRIC_CRS => ObjectKind::Geocentric,
            p::PJ_TYPE_PJ_TYPE_PROJECTED_CRS | p::PJ_TYPE_PJ_TYPE_DERIVED_PROJECTED_CRS => ObjectKind::Projected,
            p::PJ_TYPE_PJ_TYPE_VERTICAL_CRS => ObjectKind::Vertical,
            p::PJ_TYPE_PJ_TYPE_COMPOUND_CRS => ObjectKind::Compound,
            _ if is_crs => ObjectKind::OtherCrs,
            _ => ObjectKind::NotCrs,
        }
    }

    /// Name.
    #[must_use]
    pub fn name(&self) -> String {
        // SAFETY: live object.
        text(unsafe { p::proj_get_name(self.pj) })
    }

    /// Authority and code, when it has one.
    #[must_use]
    pub fn id(&self) -> Option<(String, String)> {
        // SAFETY: live object.
        let (authority, code) = unsafe { (text(p::proj_get_id_auth_name(self.pj, 0)), text(p::proj_get_id_code(self.pj, 0))) };
        (!authority.is_empty() && !code.is_empty()).then_some((authority, code))
    }

    /// Area of use, when the registry gives one.
    #[must_use]
    pub fn area(&self) -> Option<Area> {
        let (mut west, mut south, mut east, mut north) = (0.0, 0.0, 0.0, 0.0);
        let mut name = null();
        // SAFETY: live context and object; the five places are written by PROJ.
        let known = unsafe {
            p::proj_get_area_of_use(self.proj.ctx, self.pj, &raw mut west, &raw mut south, &raw mut east, &raw mut north, &raw mut name)
        };
        // PROJ marks an unknown box by -1000.
        (known != 0 && west > -999.0).then(|| Area { west, south, east, north, name: text(name) })
    }

    /// Axes in the order of the definition.
    #[must_use]
    pub fn axes(&self) -> Vec<Axis> {
        let Some(cs) = made!(self, proj_crs_get_coordinate_system) else { return vec![] };
        // SAFETY: live context and object.
        let count = unsafe { p::proj_cs_get_axis_count(self.proj.ctx, cs.pj) };
        (0..count)
            .filter_map(|i| {
                let (mut name, mut abbreviation, mut direction, mut unit) = (null(), null(), null(), null());
                let mut factor = 0.0;
                // SAFETY: live context and object, index below the count; out pointers are ours or null.
                let known = unsafe {
                    p::proj_cs_get_axis_info(
                        self.proj.ctx,
                        cs.pj,
                        i,
                        &raw mut name,
                        &raw mut abbreviation,
                        &raw mut direction,
                        &raw mut factor,
                        &raw mut unit,
                        null_mut(),
                        null_mut(),
                    )
                };
                (known != 0).then(|| Axis {
                    name: text(name),
                    abbreviation: text(abbreviation),
                    direction: text(direction).to_lowercase(),
                    factor,
                    unit: text(unit),
                })
            })
            .collect()
    }

    /// Semi-major axis (m) and inverse flattening of its ellipsoid.
    #[must_use]
    pub fn ellipsoid(&self) -> Option<(f64, f64)> {
        let ellipsoid = made!(self, proj_get_ellipsoid)?;
        let (mut a, mut inverse) = (0.0, 0.0);
        // SAFETY: live context and object; out pointers are ours or null.
        let known =
            unsafe { p::proj_ellipsoid_get_parameters(self.proj.ctx, ellipsoid.pj, &raw mut a, null_mut(), null_mut(), &raw mut inverse) };
        (known != 0).then_some((a, inverse))
    }

    /// Its datum, when it is not an ensemble.
    #[must_use]
    pub fn datum(&self) -> Option<Object<'d>> {
        made!(self, proj_crs_get_datum)
    }

    /// Its datum ensemble.
    #[must_use]
    pub fn ensemble(&self) -> Option<Object<'d>> {
        made!(self, proj_crs_get_datum_ensemble)
    }

    /// Accuracy (m) of an ensemble.
    #[must_use]
    pub fn ensemble_accuracy_m(&self) -> f64 {
        // SAFETY: live context and object.
        unsafe { p::proj_datum_ensemble_get_accuracy(self.proj.ctx, self.pj) }
    }

    /// Members of an ensemble.
    #[must_use]
    pub fn members(&self) -> Vec<Object<'d>> {
        // SAFETY: live context and object; the index stays below the count.
        unsafe {
            let count = p::proj_datum_ensemble_get_member_count(self.proj.ctx, self.pj);
            (0..count).filter_map(|i| self.proj.wrap(p::proj_datum_ensemble_get_member(self.proj.ctx, self.pj, i))).collect()
        }
    }

    /// Whether a datum moves with respect to the plates.
    #[must_use]
    pub fn is_dynamic_datum(&self) -> bool {
        // SAFETY: live object.
        unsafe { p::proj_get_type(self.pj) == p::PJ_TYPE_PJ_TYPE_DYNAMIC_GEODETIC_REFERENCE_FRAME }
    }

    /// The 3D system of the same datum; with its own code where the registry has one.
    #[must_use]
    pub fn to_3d(&self) -> Option<Object<'d>> {
        made!(self, proj_crs_promote_to_3D, null())
    }

    /// The 2D system of the same datum.
    #[must_use]
    pub fn to_2d(&self) -> Option<Object<'d>> {
        made!(self, proj_crs_demote_to_2D, null())
    }

    /// The geographic or geocentric system below a projected or compound one.
    #[must_use]
    pub fn geodetic(&self) -> Option<Object<'d>> {
        made!(self, proj_crs_get_geodetic_crs)
    }

    /// The grid that a derived projected system is based on.
    #[must_use]
    pub fn base_grid(&self) -> Option<Object<'d>> {
        // SAFETY: live object.
        let derived = unsafe { p::proj_get_type(self.pj) == p::PJ_TYPE_PJ_TYPE_DERIVED_PROJECTED_CRS };
        if derived { made!(self, proj_get_source_crs) } else { None }
    }

    /// Part 0 (horizontal) or 1 (vertical) of a compound system.
    #[must_use]
    pub fn part(&self, index: i32) -> Option<Object<'d>> {
        // SAFETY: live context and object; PROJ checks the index.
        let pj = unsafe { p::proj_crs_get_sub_crs(self.proj.ctx, self.pj, index) };
        self.proj.wrap(pj)
    }

    /// Whether both define the same, names and codes left aside.
    #[must_use]
    pub fn same_as(&self, other: &Object) -> bool {
        // SAFETY: live context and objects.
        unsafe { p::proj_is_equivalent_to_with_ctx(self.proj.ctx, self.pj, other.pj, p::PJ_COMPARISON_CRITERION_PJ_COMP_EQUIVALENT) != 0 }
    }

    /// Well-known text, on one line. `version` 1 or 2.
    #[must_use]
    pub fn wkt(&self, version: u8) -> Option<String> {
        let kind = if version == 1 { p::PJ_WKT_TYPE_PJ_WKT1_GDAL } else { p::PJ_WKT_TYPE_PJ_WKT2_2019 };
        let options = [c"MULTILINE=NO".as_ptr(), null()];
        // SAFETY: live context and object; the option list ends in null.
        let wkt = text(unsafe { p::proj_as_wkt(self.proj.ctx, self.pj, kind, options.as_ptr()) });
        (!wkt.is_empty()).then_some(wkt)
    }

    /// PROJ text, on one line.
    #[must_use]
    pub fn proj_text(&self) -> Option<String> {
        // SAFETY: live context and object; null for no options.
        let t = text(unsafe { p::proj_as_proj_string(self.proj.ctx, self.pj, p::PJ_PROJ_STRING_TYPE_PJ_PROJ_5, null()) });
        (!t.is_empty()).then_some(t)
    }

    /// The operation with longitude before latitude, degrees, and easting before northing.
    #[must_use]
    pub fn normalized(&self) -> Option<Object<'d>> {
        made!(self, proj_normalize_for_visualization)
    }

    /// Stated accuracy of an operation, m; `None` when the registry states none.
    #[must_use]
    pub fn accuracy_m(&self) -> Option<f64> {
        // SAFETY: live context and object.
        let accuracy = unsafe { p::proj_coordoperation_get_accuracy(self.proj.ctx, self.pj) };
        (accuracy >= 0.0).then_some(accuracy)
    }

    /// Whether an operation has a step that only pretends (ballpark).
    #[must_use]
    pub fn is_ballpark(&self) -> bool {
        // SAFETY: live context and object.
        unsafe { p::proj_coordoperation_has_ballpark_transformation(self.proj.ctx, self.pj) != 0 }
    }

    /// Names of the transformations in an operation: one for a single operation, each step of a chain. Conversions,
    /// which are exact by definition, do not count.
    #[must_use]
    pub fn transformations(&self) -> Vec<String> {
        // SAFETY: live object.
        let kind = unsafe { p::proj_get_type(self.pj) };
        if kind == p::PJ_TYPE_PJ_TYPE_CONVERSION {
            return vec![];
        }
        if kind != p::PJ_TYPE_PJ_TYPE_CONCATENATED_OPERATION {
            return vec![self.name()];
        }
        // SAFETY: live context and object; the index stays below the count.
        let steps = unsafe {
            let count = p::proj_concatoperation_get_step_count(self.proj.ctx, self.pj);
            (0..count).filter_map(|i| self.proj.wrap(p::proj_concatoperation_get_step(self.proj.ctx, self.pj, i))).collect::<Vec<_>>()
        };
        steps.iter().flat_map(Object::transformations).collect()
    }

    /// Grids that an operation needs.
    #[must_use]
    pub fn grids(&self) -> Vec<GridNeed> {
        // SAFETY: live context and object.
        let count = unsafe { p::proj_coordoperation_get_grid_used_count(self.proj.ctx, self.pj) };
        (0..count)
            .filter_map(|i| {
                let (mut name, mut path) = (null(), null());
                let mut found = 0;
                // SAFETY: live context and object, index below the count; out pointers are ours or null.
                let known = unsafe {
                    p::proj_coordoperation_get_grid_used(
                        self.proj.ctx,
                        self.pj,
                        i,
                        &raw mut name,
                        &raw mut path,
                        null_mut(),
                        null_mut(),
                        null_mut(),
                        null_mut(),
                        &raw mut found,
                    )
                };
                (known != 0).then(|| self.need(text(name), text(path), found != 0))
            })
            .collect()
    }

    /// Also a file that PROJ found in the working folder, where it always looks, counts as absent.
    fn need(&self, name: String, path: String, found: bool) -> GridNeed {
        let found = found && self.proj.finder.allows(std::path::Path::new(&path));
        GridNeed { name, path: if found { path } else { String::new() }, found }
    }

    /// Whether a pipeline takes or gives radians; such a pipeline is refused, never guessed at.
    #[must_use]
    pub fn uses_radians(&self) -> bool {
        // SAFETY: live object.
        unsafe {
            p::proj_angular_input(self.pj, p::PJ_DIRECTION_PJ_FWD) != 0 || p::proj_angular_output(self.pj, p::PJ_DIRECTION_PJ_FWD) != 0
        }
    }

    /// Carries one point: longitude, latitude (deg) or easting, northing, then height (m), then
    /// decimal year (infinite for none).
    ///
    /// # Errors
    /// PROJ's reason; also when PROJ reports success and gives a number that is not finite.
    pub fn carry(&self, point: [f64; 4]) -> Result<[f64; 3], String> {
        self.carried(point, p::PJ_DIRECTION_PJ_FWD)
    }

    fn carried(&self, point: [f64; 4], direction: p::PJ_DIRECTION) -> Result<[f64; 3], String> {
        if !point[..3].iter().all(|v| v.is_finite()) {
            return Err("the position is missing".to_owned());
        }
        // SAFETY: live object of this thread; PJ_COORD is plain data of four doubles, each reading of `v` is valid.
        let (out, code) = unsafe {
            p::proj_errno_reset(self.pj);
            let out = p::proj_trans(self.pj, direction, p::PJ_COORD { v: point }).v;
            (out, p::proj_errno(self.pj))
        };
        if code != 0 {
            return Err(self.proj.meaning(code));
        }
        if out[..3].iter().all(|v| v.is_finite()) { Ok([out[0], out[1], out[2]]) } else { Err("the result is not a number".to_owned()) }
    }

    /// Carries whole columns in place, in one call of PROJ, which reads and writes the slices themselves: longitude and
    /// latitude (deg) or easting and northing, height (m), decimal year (infinite for none). Only as many rows as the
    /// shortest column has are carried.
    ///
    /// A row that holds NaN stays NaN, and a row for which PROJ has no result becomes infinite; [`Object::carry`] tells the
    /// reason. Gives whether PROJ was content with every row.
    #[must_use]
    pub fn carry_columns(&self, x: &mut [f64], y: &mut [f64], z: CoordinateColumn, year: CoordinateColumn) -> bool {
        const STEP: usize = size_of::<f64>();
        let of = |numbers: &CoordinateColumn| if let CoordinateColumn::Each(column) = numbers { column.len() } else { usize::MAX };
        let rows = x.len().min(y.len()).min(of(&z)).min(of(&year));
        let (mut one_z, mut one_year) = ([0.0], [0.0]);
        let z: &mut [f64] = match z {
            CoordinateColumn::Each(column) => column,
            CoordinateColumn::All(number) => {
                one_z[0] = number;
                &mut one_z
            }
        };
        let year: &mut [f64] = match year {
            CoordinateColumn::Each(column) => column,
            CoordinateColumn::All(number) => {
                one_year[0] = number;
                &mut one_year
            }
        };
        if rows == 0 {
            return true;
        }
        // SAFETY: live object of this thread; each pointer is valid for its count of doubles, one STEP apart. PROJ takes a
        // column of length one as the same number for all rows.
        unsafe {
            p::proj_errno_reset(self.pj);
            p::proj_trans_generic(
                self.pj,
                p::PJ_DIRECTION_PJ_FWD,
                x.as_mut_ptr(),
                STEP,
                rows,
                y.as_mut_ptr(),
                STEP,
                rows,
                z.as_mut_ptr(),
                STEP,
                z.len().min(rows),
                year.as_mut_ptr(),
                STEP,
                year.len().min(rows),
            );
            p::proj_errno(self.pj) == 0
        }
    }

    /// Carries one point the other way: what [`Self::carry`] gives in, what it takes out.
    ///
    /// # Errors
    /// PROJ's reason; also when the operation has no inverse.
    pub fn carry_back(&self, point: [f64; 4]) -> Result<[f64; 3], String> {
        self.carried(point, p::PJ_DIRECTION_PJ_INV)
    }

    /// Convergence and scale of a projected CRS at a latitude and longitude (deg).
    ///
    /// # Errors
    /// PROJ's reason.
    pub fn factors(&self, latitude_deg: f64, longitude_deg: f64) -> Result<Factors, String> {
        // SAFETY: live object of this thread; PJ_COORD is plain data.
        let (f, code) = unsafe {
            p::proj_errno_reset(self.pj);
            let f = p::proj_factors(self.pj, p::PJ_COORD { v: [longitude_deg.to_radians(), latitude_deg.to_radians(), 0.0, 0.0] });
            (f, p::proj_errno(self.pj))
        };
        if code != 0 || !f.meridian_convergence.is_finite() || f.meridional_scale == 0.0 {
            return Err(self.proj.meaning(code));
        }
        Ok(Factors { convergence_deg: f.meridian_convergence.to_degrees(), meridional: f.meridional_scale, parallel: f.parallel_scale })
    }
}
