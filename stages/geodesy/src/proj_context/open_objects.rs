//! Objects that stay open, with the context that they belong to.
//!
//! To open a context and an operation costs milliseconds: the registry is asked, grids are opened. What a
//! step needs for every session is opened once for each thread and kept in a [`Pool`].
#![allow(unsafe_code)]

use super::{Object, ProjContext};
use pipeline_base::problem::Problem;
use std::ptr::NonNull;
use std::sync::{Mutex, MutexGuard, PoisonError};

/// A context on the heap that nobody else has, behind a plain pointer, so that moving the owner claims nothing
/// about the context while objects refer to it.
struct OwnedContext(NonNull<ProjContext>);

impl OwnedContext {
    fn new(proj: ProjContext) -> Self {
        Self(NonNull::from(Box::leak(Box::new(proj))))
    }
}

impl Drop for OwnedContext {
    fn drop(&mut self) {
        // SAFETY: the pointer came from a leaked box, and this is the only place that takes it back.
        drop(unsafe { Box::from_raw(self.0.as_ptr()) });
    }
}

/// A context and some of its objects. It holds what PROJ holds for them, such as blocks of grids that it has read, and
/// nothing of the rows that went through.
pub struct OpenObjects<const N: usize> {
    /// Stands before the context: fields are dropped in order, and objects must go before their context.
    objects: [Object<'static>; N],
    _door: OwnedContext,
}

// SAFETY: the context, its objects and the finder that it calls are reached through this value alone: `OpenObjects` has the only
// pointer to the context, and lends objects no longer than it is lent itself. PROJ ties a context to no thread (9.6.2 has no
// thread-local state); it demands that one thread uses it at a time, and `OpenObjects` is not `Sync`.
unsafe impl<const N: usize> Send for OpenObjects<N> {}

impl<const N: usize> OpenObjects<N> {
    /// Makes objects of a context and keeps both. `make` works for any lifetime, so that the context cannot leave it by another way
    /// than with the objects.
    ///
    /// # Errors
    /// What `make` says.
    pub fn new(proj: ProjContext, make: impl for<'d> FnOnce(&'d ProjContext) -> Result<[Object<'d>; N], Problem>) -> Result<Self, Problem> {
        let proj = OwnedContext::new(proj);
        // SAFETY: the context is live, stays at its place on the heap until `OwnedContext` is dropped, and is only ever shared. The objects
        // are dropped before it, here when `make` fails or panics, and later by the order of the fields.
        let objects = make(unsafe { proj.0.as_ref() })?;
        Ok(Self { objects, _door: proj })
    }

    /// The objects, in the order in which they were made.
    #[must_use]
    pub const fn objects(&self) -> &[Object<'_>; N] {
        &self.objects
    }
}

/// Things that are costly to open and are used by one thread at a time: taken, used, put back. There come to be as many as
/// threads work at the same time.
pub struct Pool<T>(Mutex<Vec<T>>);

impl<T: Send> Default for Pool<T> {
    fn default() -> Self {
        Self(Mutex::new(vec![]))
    }
}

impl<T: Send> Pool<T> {
    fn idle(&self) -> MutexGuard<'_, Vec<T>> {
        // A list of whole values cannot be left half-changed by a panic.
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Works with one that is idle, or with a new one. After a failure it is not put back, so that nothing of the failure can
    /// reach the next session.
    ///
    /// # Errors
    /// What `open` and `work` say.
    pub fn with<R>(&self, open: impl FnOnce() -> Result<T, Problem>, work: impl FnOnce(&T) -> Result<R, Problem>) -> Result<R, Problem> {
        let idle = self.idle().pop();
        let one = match idle {
            Some(one) => one,
            None => open()?,
        };
        let result = work(&one)?;
        self.idle().push(one);
        Ok(result)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const UTM: &str = "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad +step +proj=utm +zone=16 +ellps=GRS80";

    fn utm() -> Result<OpenObjects<1>, Problem> {
        let proj = ProjContext::new(&[]).map_err(Problem::broken)?;
        OpenObjects::new(proj, |proj| Ok([proj.create(UTM).map_err(Problem::broken)?]))
    }

    #[test]
    fn kept_objects_serve_many_threads_one_after_another() {
        let pool = Pool::default();
        let at = |i: u32| [-87.0 + f64::from(i) * 1e-4, 42.0, 0.0, f64::INFINITY];
        let [alone] = utm().unwrap().objects().each_ref().map(|o| (0..200).map(|i| o.carry(at(i)).unwrap()).collect::<Vec<_>>());
        std::thread::scope(|scope| {
            for _ in 0..4 {
                scope.spawn(|| {
                    for (i, want) in (0..).zip(&alone) {
                        let got = pool.with(utm, |kept: &OpenObjects<1>| kept.objects()[0].carry(at(i)).map_err(Problem::broken)).unwrap();
                        assert_eq!(got.map(f64::to_bits), want.map(f64::to_bits));
                    }
                });
            }
        });
        assert!((1..=4).contains(&pool.idle().len()));
    }

    #[test]
    fn a_failure_is_not_put_back_and_a_row_without_result_changes_nothing() {
        let pool = Pool::default();
        let good = [-87.0, 42.0, 0.0, f64::INFINITY];
        let carry = |at: [f64; 4]| pool.with(utm, |kept: &OpenObjects<1>| Ok(kept.objects()[0].carry(at)));
        let want = carry(good).unwrap().unwrap();
        // A latitude that does not exist is an error of the row; the context is used on and is the same as before.
        assert!(carry([-87.0, 91.0, 0.0, f64::INFINITY]).unwrap().is_err());
        assert_eq!(pool.idle().len(), 1);
        assert_eq!(carry(good).unwrap().unwrap(), want);
        let failed = pool.with(utm, |_| Err::<(), _>(Problem::broken("a session failed")));
        assert!(failed.is_err() && pool.idle().is_empty());
        assert_eq!(carry(good).unwrap().unwrap(), want);
        let none = pool.with(|| Err(Problem::broken("never asked: one is idle")), |_| Ok(()));
        assert!(none.is_ok());
    }

    #[test]
    fn what_cannot_be_made_is_an_error() {
        fn create<'d>(proj: &'d ProjContext, text: &str) -> Result<Object<'d>, Problem> {
            proj.create(text).map_err(Problem::broken)
        }
        let proj = || ProjContext::new(&[]).unwrap();
        assert!(OpenObjects::new(proj(), |proj| Ok([create(proj, UTM)?, create(proj, UTM)?])).is_ok());
        assert!(OpenObjects::new(proj(), |proj| Ok([create(proj, UTM)?, create(proj, "+proj=nonsense")?])).is_err());
    }
}
