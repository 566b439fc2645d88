//! More of PROJ than the product needs, for its own regression files: both directions, four numbers, error numbers.

use super::{Object, ProjContext, c_text, text};
use proj_sys as p;

impl ProjContext {
    /// Whether `+init=` texts are expanded from the registry, as old files need it.
    pub fn expand_init(&self, yes: bool) {
        // SAFETY: live context.
        unsafe { p::proj_context_use_proj4_init_rules(self.ctx, i32::from(yes)) };
    }

    /// As [`ProjContext::create`], with PROJ's error number.
    ///
    /// # Errors
    /// PROJ's error number.
    pub fn create_or_code(&self, definition: &str) -> Result<Object<'_>, i32> {
        let definition = c_text(definition);
        // SAFETY: live context, string ended by zero.
        let (pj, code) = unsafe { (p::proj_create(self.ctx, definition.as_ptr()), p::proj_context_errno(self.ctx)) };
        self.wrap(pj).ok_or(code)
    }

    /// Meaning of an error number, as PROJ says it.
    #[must_use]
    pub fn says(&self, code: i32) -> String {
        // SAFETY: live context; any number is allowed.
        text(unsafe { p::proj_context_errno_string(self.ctx, code) })
    }
}

fn way(forward: bool) -> p::PJ_DIRECTION {
    if forward { p::PJ_DIRECTION_PJ_FWD } else { p::PJ_DIRECTION_PJ_INV }
}

impl Object<'_> {
    /// Four numbers and the error number.
    #[must_use]
    pub fn trans(&self, forward: bool, point: [f64; 4]) -> ([f64; 4], i32) {
        // SAFETY: live object of this thread; PJ_COORD is plain data of four doubles.
        unsafe {
            p::proj_errno_reset(self.pj);
            let out = p::proj_trans(self.pj, way(forward), p::PJ_COORD { v: point }).v;
            (out, p::proj_errno(self.pj))
        }
    }

    /// Whether it takes and gives radians in a direction.
    #[must_use]
    pub fn radians(&self, forward: bool) -> (bool, bool) {
        // SAFETY: live object.
        unsafe { (p::proj_angular_input(self.pj, way(forward)) != 0, p::proj_angular_output(self.pj, way(forward)) != 0) }
    }

    /// Distance (m) of two places in radians on its ellipsoid, with their heights.
    #[must_use]
    pub fn distance(&self, a: [f64; 4], b: [f64; 4]) -> f64 {
        // SAFETY: live object; plain data.
        unsafe { p::proj_lpz_dist(self.pj, p::PJ_COORD { v: a }, p::PJ_COORD { v: b }) }
    }

    /// Largest deviation (m) after a number of ways there and back.
    #[must_use]
    pub fn there_and_back(&self, forward: bool, times: i32, point: [f64; 4]) -> f64 {
        let mut coord = p::PJ_COORD { v: point };
        // SAFETY: live object; the coordinate is ours.
        unsafe { p::proj_roundtrip(self.pj, way(forward), times, &raw mut coord) }
    }
}
