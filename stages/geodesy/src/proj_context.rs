//! The only place that calls PROJ: every `unsafe` of the geodesy is here, behind safe types.
//!
//! A [`ProjContext`] is one context. It is made where it is used and belongs to one thread; with [`OpenObjects`] it waits, with its
//! objects, for the next session. The network is
//! off, PROJ prints nothing, the registry is the one built into this program, and files are found by
//! `finder` alone, so nothing else on the machine and nothing in the user's environment can change a
//! result. An [`Object`] borrows its context.
#![allow(unsafe_code)]

mod finder;
mod object;
mod open_objects;
mod raw;

pub use object::{CoordinateColumn, Object};
pub use open_objects::{OpenObjects, Pool};

use super::area::Area;
use finder::FileFinder;
use proj_sys as p;
use std::collections::BTreeMap;
use std::ffi::{CStr, CString, c_char, c_int};
use std::path::PathBuf;
use std::ptr::null;

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
pub struct ProjContext {
    ctx: *mut p::PJ_CONTEXT,
    /// PROJ holds its address: never moved out of its box.
    finder: Box<FileFinder>,
}

impl Drop for ProjContext {
    fn drop(&mut self) {
        // SAFETY: the context came from proj_context_create and is destroyed once; objects borrow the context.
        unsafe { p::proj_context_destroy(self.ctx) };
    }
}

/// What kind of object PROJ made of a text.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ObjectKind {
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
    #[serde(rename = "present")]
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

impl ProjContext {
    /// A context that looks for grids in these folders, in order, and nowhere else.
    ///
    /// # Errors
    /// When PROJ has no memory or its registry cannot be opened.
    pub fn new(folders: &[PathBuf]) -> Result<Self, String> {
        Self::with(FileFinder::new(folders, None))
    }

    /// A context that knows exactly these files, by the name that a pipeline gives them.
    ///
    /// # Errors
    /// When PROJ has no memory or its registry cannot be opened.
    pub fn exactly(files: &[(String, PathBuf)]) -> Result<Self, String> {
        Self::with(FileFinder::new(&[], Some(files.iter().cloned().collect::<BTreeMap<_, _>>())))
    }

    fn with(finder: FileFinder) -> Result<Self, String> {
        // SAFETY: no preconditions.
        let ctx = unsafe { p::proj_context_create() };
        if ctx.is_null() {
            return Err("the geodesy library could not start".to_owned());
        }
        let proj = Self { ctx, finder: Box::new(finder) };
        let nowhere = c"/nonexistent";
        let paths = [nowhere.as_ptr()];
        // SAFETY: the context is live; PROJ copies the path; the finder lives in a box as long as the context.
        // The finder comes first, since the next call reads `proj.ini`; with a search path set, the user's
        // folders and variables are never looked at.
        let opened = unsafe {
            p::proj_log_level(ctx, p::PJ_LOG_LEVEL_PJ_LOG_NONE);
            p::proj_context_set_search_paths(ctx, 1, paths.as_ptr());
            p::proj_context_set_file_finder(ctx, Some(finder::answer), (&raw const *proj.finder).cast_mut().cast());
            p::proj_context_set_enable_network(ctx, 0);
            p::proj_context_set_database_path(ctx, BUILT_IN_REGISTRY.as_ptr(), null(), null())
        };
        if opened == 0 {
            return Err("the registry built into the geodesy library cannot be opened".to_owned());
        }
        Ok(proj)
    }

    /// The older name under which the registry takes the file of a grid too. Not for use: a file of that name in the working
    /// folder would hide the answer.
    #[cfg(test)]
    pub fn older_name(name: &str) -> Option<String> {
        // The library itself asks for the older name when no file has the new one; for a name that it once opened in this
        // process, not before the grid is read.
        let proj = Self::exactly(&[]).ok()?;
        if let Ok(known) = proj.create(&format!("+proj=vgridshift +grids={name}")) {
            let _ = known.carry([0.0, 0.0, 0.0, 0.0]);
        }
        Some(proj.finder.asked()).filter(|asked| asked != name && !asked.is_empty())
    }

    /// Where SQLite finds the registry that is open here, as long as this context is.
    #[must_use]
    pub fn registry(&self) -> String {
        // SAFETY: the context is live; the text is copied at once.
        text(unsafe { p::proj_context_get_database_path(self.ctx) })
    }

    /// Version of the library and of its EPSG registry, for the record.
    #[must_use]
    pub fn versions(&self) -> (String, String) {
        // SAFETY: proj_info has no preconditions; the context is live and the key ends in zero.
        unsafe { (text(p::proj_info().version), text(p::proj_context_get_database_metadata(self.ctx, c"EPSG.VERSION".as_ptr()))) }
    }

    fn wrap(&self, pj: *mut p::PJ) -> Option<Object<'_>> {
        (!pj.is_null()).then_some(Object { pj, proj: self })
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_registry_is_the_one_built_in() {
        // A folder with a registry of another version must change nothing.
        let proj = ProjContext::new(&[PathBuf::from("/usr/share/proj")]).unwrap();
        let (library, registry) = proj.versions();
        assert_eq!(library, "9.6.2");
        assert!(registry.starts_with("v12."), "{registry}");
        assert_eq!(proj.create("EPSG:9989").unwrap().name(), "ITRF2020");
    }

    #[test]
    fn settings_and_grids_that_lie_about_change_nothing() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("proj.ini"), "[general]\ntmerc_default_algo = evenden_snyder\nnetwork = on\n").unwrap();
        let text = "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad +step +proj=tmerc +lon_0=0 +ellps=GRS80";
        let point = [14.0, 50.0, 0.0, f64::INFINITY];
        let want = ProjContext::new(&[]).unwrap().create(text).unwrap().carry(point).unwrap();
        let got = ProjContext::new(&[folder.path().to_owned()]).unwrap().create(text).unwrap().carry(point).unwrap();
        assert_eq!(got, want);
        // The trap is real: a context that looks into the folder by itself gives another easting.
        let path = c_text(&folder.path().to_string_lossy());
        // SAFETY: a context of this test alone; the path outlives the call, which copies it.
        let ctx = unsafe {
            let ctx = p::proj_context_create();
            p::proj_context_set_search_paths(ctx, 1, [path.as_ptr()].as_ptr());
            p::proj_context_set_enable_network(ctx, 0);
            ctx
        };
        let naive = ProjContext { ctx, finder: Box::new(FileFinder::new(&[], None)) };
        let other = naive.create(text).unwrap().carry(point).unwrap();
        assert!((other[0] - want[0]).abs() > 0.001, "{other:?} {want:?}");
        // Exactly the files named: not the same name in a folder, and nothing that is not named.
        let proj = ProjContext::exactly(&[("a.gtx".to_owned(), folder.path().join("b.gtx"))]).unwrap();
        let shift = "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad +step +proj=vgridshift +grids=a.gtx +multiplier=1";
        assert!(proj.create(shift).is_err());
        survey_testing::write_gtx(&folder.path().join("b.gtx"), 49.0, 13.0, 1.0, 3, 3, |_, _| 5.0);
        survey_testing::write_gtx(&folder.path().join("a.gtx"), 49.0, 13.0, 1.0, 3, 3, |_, _| 7.0);
        assert!((proj.create(shift).unwrap().carry(point).unwrap()[2] - 5.0).abs() < 1e-9);
        assert!(proj.create(&shift.replace("a.gtx", "b.gtx")).is_err());
    }

    #[test]
    fn nonsense_is_an_error_and_never_a_panic() {
        let proj = ProjContext::new(&[]).unwrap();
        for definition in ["", "EPSG:0", "EPSG:", "\0", "+proj=nonsense", "GEOGCRS[", "+proj=pipeline +step"] {
            assert!(proj.create(definition).is_err(), "{definition:?}");
        }
        let object = proj.create("EPSG:6345").unwrap();
        assert!(object.part(0).is_none() && object.part(-7).is_none() && object.accuracy_m().is_none());
        assert_eq!(object.grids().len(), 0);
    }
}
