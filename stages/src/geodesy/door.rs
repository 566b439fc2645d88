//! The only place that calls PROJ: every `unsafe` of the geodesy is here, behind safe types.
//!
//! A [`Door`] is one context. It is made where it is used and belongs to one thread. The network is
//! off, PROJ prints nothing, and the registry is the one built into this program, so no other
//! registry on the machine can change a result. An [`Object`] borrows its door.
#![allow(unsafe_code)]

use super::area::Area;
use proj_sys as p;
use std::ffi::{CStr, CString, c_char, c_int};
use std::path::PathBuf;
use std::ptr::{null, null_mut};

/// PROJ's own name for the registry that is compiled into the static library. With it no
/// `proj.db` on the disk is looked at (seen in `factory.cpp` of 9.6.2; a test holds it).
const BUILT_IN_REGISTRY: &CStr = c"__embedded_proj_db__";

/// Text of a C string; empty for a null pointer.
fn text(s: *const c_char) -> String {
    if s.is_null() {
        return String::new();
    }
    // SAFETY: PROJ returns null or a string ended by zero that lives at least until the next call
    // on the same object or context; it is copied at once.
    unsafe { CStr::from_ptr(s) }.to_string_lossy().into_owned()
}

fn c_text(s: &str) -> CString {
    // A zero byte cannot be in any definition that PROJ knows; without it the text is refused there.
    CString::new(s.replace('\0', " ")).unwrap_or_default()
}

/// A PROJ context of one thread.
pub struct Door {
    ctx: *mut p::PJ_CONTEXT,
}

impl Drop for Door {
    fn drop(&mut self) {
        // SAFETY: the context came from proj_context_create and is destroyed once; objects borrow the door.
        unsafe { p::proj_context_destroy(self.ctx) };
    }
}

/// What kind of object PROJ made of a text.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Latitude and longitude.
    Geographic2D,
    /// Latitude, longitude and ellipsoidal height.
    Geographic3D,
    /// Geocentric X, Y, Z.
    Geocentric,
    /// Easting and northing.
    Projected,
    /// Heights only.
    Vertical,
    /// Horizontal and vertical together.
    Compound,
    /// Another coordinate reference system.
    OtherCrs,
    /// Anything else: an operation, a datum, an ellipsoid.
    NotCrs,
}

/// An axis as the registry defines it.
#[derive(Clone, Debug, PartialEq)]
pub struct Axis {
    /// Name, for example `Easting`.
    pub name: String,
    /// Abbreviation, for example `E`.
    pub abbreviation: String,
    /// Direction in lower case: `east`, `north`, `up`, …
    pub direction: String,
    /// Size of the unit in metres or radians.
    pub factor: f64,
    /// Name of the unit.
    pub unit: String,
}

/// A grid that an operation of the registry needs.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct GridNeed {
    /// File name.
    pub name: String,
    /// Where it was found; empty when it was not.
    #[serde(skip)]
    pub path: String,
    /// Whether it was found.
    pub found: bool,
}

/// A CRS of the registry's list.
#[derive(Clone, Debug)]
pub struct Listed {
    /// `AUTHORITY:CODE`.
    pub code: String,
    /// Name.
    pub name: String,
    /// Area of use.
    pub area: Area,
    /// Projection method.
    pub method: String,
}

/// Grid factors at a point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Factors {
    /// Grid convergence, deg: clockwise from true north to grid north.
    pub convergence_deg: f64,
    /// Scale along the meridian, no unit.
    pub meridional: f64,
    /// Scale along the parallel, no unit.
    pub parallel: f64,
}

impl Door {
    /// A context that looks for grids in these folders, in order, and nowhere else.
    ///
    /// # Errors
    /// When PROJ has no memory or its registry cannot be opened.
    pub fn new(folders: &[PathBuf]) -> Result<Self, String> {
        // SAFETY: no preconditions.
        let ctx = unsafe { p::proj_context_create() };
        if ctx.is_null() {
            return Err("the geodesy library could not start".to_owned());
        }
        let door = Self { ctx };
        let names: Vec<CString> = folders.iter().map(|f| c_text(&f.to_string_lossy())).collect();
        let mut pointers: Vec<*const c_char> = names.iter().map(|n| n.as_ptr()).collect();
        let nowhere = c_text("/nonexistent");
        if pointers.is_empty() {
            pointers.push(nowhere.as_ptr());
        }
        // SAFETY: the context is live; the strings outlive the calls, which copy them.
        let opened = unsafe {
            p::proj_log_level(ctx, p::PJ_LOG_LEVEL_PJ_LOG_NONE);
            p::proj_context_set_enable_network(ctx, 0);
            p::proj_context_set_search_paths(ctx, c_int::try_from(pointers.len()).unwrap_or(0), pointers.as_ptr());
            p::proj_context_set_database_path(ctx, BUILT_IN_REGISTRY.as_ptr(), null(), null())
        };
        if opened == 0 {
            return Err("the registry built into the geodesy library cannot be opened".to_owned());
        }
        Ok(door)
    }

    /// Version of the library and of its EPSG registry, for the record.
    #[must_use]
    pub fn versions(&self) -> (String, String) {
        // SAFETY: proj_info has no preconditions; the context is live and the key ends in zero.
        unsafe {
            (text(p::proj_info().version), text(p::proj_context_get_database_metadata(self.ctx, c"EPSG.VERSION".as_ptr())))
        }
    }

    fn wrap(&self, pj: *mut p::PJ) -> Option<Object<'_>> {
        (!pj.is_null()).then_some(Object { pj, door: self })
    }

    /// Makes an object of a code, WKT, PROJ text or pipeline.
    ///
    /// # Errors
    /// PROJ's reason.
    pub fn create(&self, definition: &str) -> Result<Object<'_>, String> {
        let definition = c_text(definition);
        // SAFETY: live context, string ended by zero.
        let pj = unsafe { p::proj_create(self.ctx, definition.as_ptr()) };
        self.wrap(pj).ok_or_else(|| self.reason())
    }

    fn reason(&self) -> String {
        // SAFETY: live context.
        let code = unsafe { p::proj_context_errno(self.ctx) };
        self.meaning(code)
    }

    fn meaning(&self, code: c_int) -> String {
        if code == 0 {
            return "unknown reason".to_owned();
        }
        // SAFETY: live context; any number is allowed.
        text(unsafe { p::proj_context_errno_string(self.ctx, code) }).to_lowercase()
    }

    /// Operations of the registry from one CRS to another, best first, also those whose grids are
    /// absent; or only those whose grids are here. Ballpark operations are left out. With a place, only
    /// those whose area touches it.
    #[must_use]
    pub fn operations(&self, from: &Object, to: &Object, place: Option<(f64, f64)>, only_present: bool) -> Vec<Object<'_>> {
        // SAFETY: live context and objects; every list and factory is destroyed once; list members are own objects.
        unsafe {
            let factory = p::proj_create_operation_factory_context(self.ctx, null());
            if factory.is_null() {
                return vec![];
            }
            if let Some((latitude, longitude)) = place {
                let d = 1e-4;
                p::proj_operation_factory_context_set_area_of_interest(
                    self.ctx,
                    factory,
                    longitude - d,
                    (latitude - d).max(-90.0),
                    longitude + d,
                    (latitude + d).min(90.0),
                );
            }
            p::proj_operation_factory_context_set_spatial_criterion(
                self.ctx,
                factory,
                p::PROJ_SPATIAL_CRITERION_PROJ_SPATIAL_CRITERION_PARTIAL_INTERSECTION,
            );
            p::proj_operation_factory_context_set_grid_availability_use(
                self.ctx,
                factory,
                if only_present {
                    p::PROJ_GRID_AVAILABILITY_USE_PROJ_GRID_AVAILABILITY_DISCARD_OPERATION_IF_MISSING_GRID
                } else {
                    p::PROJ_GRID_AVAILABILITY_USE_PROJ_GRID_AVAILABILITY_IGNORED
                },
            );
            p::proj_operation_factory_context_set_allow_ballpark_transformations(self.ctx, factory, 0);
            let list = p::proj_create_operations(self.ctx, from.pj, to.pj, factory);
            p::proj_operation_factory_context_destroy(factory);
            if list.is_null() {
                return vec![];
            }
            let count = p::proj_list_get_count(list);
            let found = (0..count).filter_map(|i| self.wrap(p::proj_list_get(self.ctx, list, i))).collect();
            p::proj_list_destroy(list);
            found
        }
    }

    /// Every CRS of an authority and of these kinds whose area of use contains a place.
    #[must_use]
    pub fn list(&self, authority: &str, projected: bool, latitude: f64, longitude: f64) -> Vec<Listed> {
        let authority = c_text(authority);
        let types = if projected {
            vec![p::PJ_TYPE_PJ_TYPE_PROJECTED_CRS]
        } else {
            vec![p::PJ_TYPE_PJ_TYPE_GEOGRAPHIC_2D_CRS, p::PJ_TYPE_PJ_TYPE_GEOGRAPHIC_3D_CRS]
        };
        // SAFETY: the parameter block is PROJ's own and is destroyed after the call, `types` outlives it;
        // the result is an array of `count` valid pointers, read before it is destroyed.
        unsafe {
            let parameters = p::proj_get_crs_list_parameters_create();
            if parameters.is_null() {
                return vec![];
            }
            (*parameters).types = types.as_ptr();
            (*parameters).typesCount = types.len();
            (*parameters).crs_area_of_use_contains_bbox = 1;
            (*parameters).bbox_valid = 1;
            (*parameters).west_lon_degree = longitude;
            (*parameters).east_lon_degree = longitude;
            (*parameters).south_lat_degree = latitude;
            (*parameters).north_lat_degree = latitude;
            (*parameters).allow_deprecated = 0;
            let mut count = 0;
            let list = p::proj_get_crs_info_list_from_database(self.ctx, authority.as_ptr(), parameters, &raw mut count);
            p::proj_get_crs_list_parameters_destroy(parameters);
            if list.is_null() {
                return vec![];
            }
            let mut found = vec![];
            for i in 0..usize::try_from(count).unwrap_or(0) {
                let item = *list.add(i);
                if item.is_null() {
                    break;
                }
                let item = &*item;
                if item.bbox_valid != 0 {
                    found.push(Listed {
                        code: format!("{}:{}", text(item.auth_name), text(item.code)),
                        name: text(item.name),
                        area: Area {
                            west: item.west_lon_degree,
                            south: item.south_lat_degree,
                            east: item.east_lon_degree,
                            north: item.north_lat_degree,
                            name: text(item.area_name),
                        },
                        method: text(item.projection_method_name),
                    });
                }
            }
            p::proj_crs_info_list_destroy(list);
            found
        }
    }
}

/// A PROJ object: a CRS, a datum, an operation.
pub struct Object<'d> {
    pj: *mut p::PJ,
    door: &'d Door,
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
        let pj = unsafe { p::$function($self.door.ctx, $($argument,)* $self.pj) };
        $self.door.wrap(pj)
    }};
}

impl<'d> Object<'d> {
    /// Kind.
    #[must_use]
    pub fn kind(&self) -> Kind {
        // SAFETY: live object.
        let (kind, is_crs) = unsafe { (p::proj_get_type(self.pj), p::proj_is_crs(self.pj) != 0) };
        match kind {
            p::PJ_TYPE_PJ_TYPE_GEOGRAPHIC_2D_CRS => Kind::Geographic2D,
            p::PJ_TYPE_PJ_TYPE_GEOGRAPHIC_3D_CRS => Kind::Geographic3D,
            p::PJ_TYPE_PJ_TYPE_GEOCENTRIC_CRS => Kind::Geocentric,
            p::PJ_TYPE_PJ_TYPE_PROJECTED_CRS => Kind::Projected,
            p::PJ_TYPE_PJ_TYPE_VERTICAL_CRS => Kind::Vertical,
            p::PJ_TYPE_PJ_TYPE_COMPOUND_CRS => Kind::Compound,
            _ if is_crs => Kind::OtherCrs,
            _ => Kind::NotCrs,
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
            p::proj_get_area_of_use(
                self.door.ctx,
                self.pj,
                &raw mut west,
                &raw mut south,
                &raw mut east,
                &raw mut north,
                &raw mut name,
            )
        };
        // PROJ marks an unknown box by -1000.
        (known != 0 && west > -999.0).then(|| Area { west, south, east, north, name: text(name) })
    }

    /// Axes in the order of the definition.
    #[must_use]
    pub fn axes(&self) -> Vec<Axis> {
        let Some(cs) = made!(self, proj_crs_get_coordinate_system) else { return vec![] };
        // SAFETY: live context and object.
        let count = unsafe { p::proj_cs_get_axis_count(self.door.ctx, cs.pj) };
        (0..count)
            .filter_map(|i| {
                let (mut name, mut abbreviation, mut direction, mut unit) = (null(), null(), null(), null());
                let mut factor = 0.0;
                // SAFETY: live context and object, index below the count; out pointers are ours or null.
                let known = unsafe {
                    p::proj_cs_get_axis_info(
                        self.door.ctx,
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
        let known = unsafe {
            p::proj_ellipsoid_get_parameters(self.door.ctx, ellipsoid.pj, &raw mut a, null_mut(), null_mut(), &raw mut inverse)
        };
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
        unsafe { p::proj_datum_ensemble_get_accuracy(self.door.ctx, self.pj) }
    }

    /// Members of an ensemble.
    #[must_use]
    pub fn members(&self) -> Vec<Object<'d>> {
        // SAFETY: live context and object; the index stays below the count.
        unsafe {
            let count = p::proj_datum_ensemble_get_member_count(self.door.ctx, self.pj);
            (0..count).filter_map(|i| self.door.wrap(p::proj_datum_ensemble_get_member(self.door.ctx, self.pj, i))).collect()
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

    /// Part 0 (horizontal) or 1 (vertical) of a compound system.
    #[must_use]
    pub fn part(&self, index: i32) -> Option<Object<'d>> {
        // SAFETY: live context and object; PROJ checks the index.
        let pj = unsafe { p::proj_crs_get_sub_crs(self.door.ctx, self.pj, index) };
        self.door.wrap(pj)
    }

    /// Whether both define the same, names and codes left aside.
    #[must_use]
    pub fn same_as(&self, other: &Object) -> bool {
        // SAFETY: live context and objects.
        unsafe {
            p::proj_is_equivalent_to_with_ctx(self.door.ctx, self.pj, other.pj, p::PJ_COMPARISON_CRITERION_PJ_COMP_EQUIVALENT) != 0
        }
    }

    /// Well-known text, on one line. `version` 1 or 2.
    #[must_use]
    pub fn wkt(&self, version: u8) -> Option<String> {
        let kind = if version == 1 { p::PJ_WKT_TYPE_PJ_WKT1_GDAL } else { p::PJ_WKT_TYPE_PJ_WKT2_2019 };
        let options = [c"MULTILINE=NO".as_ptr(), null()];
        // SAFETY: live context and object; the option list ends in null.
        let wkt = text(unsafe { p::proj_as_wkt(self.door.ctx, self.pj, kind, options.as_ptr()) });
        (!wkt.is_empty()).then_some(wkt)
    }

    /// PROJ text, on one line.
    #[must_use]
    pub fn proj_text(&self) -> Option<String> {
        // SAFETY: live context and object; null for no options.
        let t = text(unsafe { p::proj_as_proj_string(self.door.ctx, self.pj, p::PJ_PROJ_STRING_TYPE_PJ_PROJ_5, null()) });
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
        let accuracy = unsafe { p::proj_coordoperation_get_accuracy(self.door.ctx, self.pj) };
        (accuracy >= 0.0).then_some(accuracy)
    }

    /// Whether an operation has a step that only pretends (ballpark).
    #[must_use]
    pub fn is_ballpark(&self) -> bool {
        // SAFETY: live context and object.
        unsafe { p::proj_coordoperation_has_ballpark_transformation(self.door.ctx, self.pj) != 0 }
    }

    /// Grids that an operation needs.
    #[must_use]
    pub fn grids(&self) -> Vec<GridNeed> {
        // SAFETY: live context and object.
        let count = unsafe { p::proj_coordoperation_get_grid_used_count(self.door.ctx, self.pj) };
        (0..count)
            .filter_map(|i| {
                let (mut name, mut path) = (null(), null());
                let mut found = 0;
                // SAFETY: live context and object, index below the count; out pointers are ours or null.
                let known = unsafe {
                    p::proj_coordoperation_get_grid_used(
                        self.door.ctx,
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
                (known != 0).then(|| GridNeed { name: text(name), path: text(path), found: found != 0 })
            })
            .collect()
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
        if !point[..3].iter().all(|v| v.is_finite()) {
            return Err("the position is missing".to_owned());
        }
        // SAFETY: live object of this thread; PJ_COORD is plain data of four doubles, each reading of `v` is valid.
        let (out, code) = unsafe {
            p::proj_errno_reset(self.pj);
            let out = p::proj_trans(self.pj, p::PJ_DIRECTION_PJ_FWD, p::PJ_COORD { v: point }).v;
            (out, p::proj_errno(self.pj))
        };
        if code != 0 {
            return Err(self.door.meaning(code));
        }
        if out[..3].iter().all(|v| v.is_finite()) { Ok([out[0], out[1], out[2]]) } else { Err("the result is not a number".to_owned()) }
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
            return Err(self.door.meaning(code));
        }
        Ok(Factors { convergence_deg: f.meridian_convergence.to_degrees(), meridional: f.meridional_scale, parallel: f.parallel_scale })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_registry_is_the_one_built_in() {
        // A folder with a registry of another version must change nothing.
        let door = Door::new(&[PathBuf::from("/usr/share/proj")]).unwrap();
        let (library, registry) = door.versions();
        assert_eq!(library, "9.6.2");
        assert!(registry.starts_with("v12."), "{registry}");
        assert_eq!(door.create("EPSG:9989").unwrap().name(), "ITRF2020");
    }

    #[test]
    fn nonsense_is_an_error_and_never_a_panic() {
        let door = Door::new(&[]).unwrap();
        for definition in ["", "EPSG:0", "EPSG:", "\0", "+proj=nonsense", "GEOGCRS[", "+proj=pipeline +step"] {
            assert!(door.create(definition).is_err(), "{definition:?}");
        }
        let object = door.create("EPSG:6345").unwrap();
        assert!(object.part(0).is_none() && object.part(-7).is_none() && object.accuracy_m().is_none());
        assert_eq!(object.grids().len(), 0);
    }
}
