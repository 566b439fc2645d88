//! Columns in memory: our own, and those that the host lends.
#![allow(unsafe_code)]

use crate::Holds;
use gunter_plugin_abi::ArrowArray;
use std::ffi::c_void;
use std::sync::Arc;

/// Bits, the lowest of a byte first.
#[derive(Clone, Copy)]
pub(crate) struct Bits<'a> {
    pub(crate) bytes: &'a [u8],
    pub(crate) offset: usize,
}

impl Bits<'_> {
    pub(crate) fn get(&self, i: usize) -> bool {
        let at = i + self.offset;
        self.bytes.get(at / 8).is_some_and(|b| b >> (at % 8) & 1 == 1)
    }
}

/// Truth values as bits.
pub(crate) fn pack(values: impl IntoIterator<Item = bool>) -> Vec<u8> {
    let mut bytes = vec![];
    for (i, value) in values.into_iter().enumerate() {
        if i % 8 == 0 {
            bytes.push(0);
        }
        if value && let Some(last) = bytes.last_mut() {
            *last |= 1 << (i % 8);
        }
    }
    bytes
}

/// Values made here.
pub(crate) enum Values {
    Floats(Vec<f64>),
    Ints(Vec<i64>),
    Bits(Vec<u8>),
    Texts(Vec<i64>, Vec<u8>),
}

/// A column made here.
pub(crate) struct Own {
    pub(crate) rows: usize,
    pub(crate) nulls: usize,
    pub(crate) known: Option<Vec<u8>>,
    pub(crate) values: Values,
}

/// An array that the host lent, released when the last column of it goes.
pub(crate) struct Batch(pub(crate) ArrowArray);

impl Drop for Batch {
    fn drop(&mut self) {
        if let Some(release) = self.0.release {
            // SAFETY: the host's own release, called once: the struct is dropped here.
            unsafe { release(&raw mut self.0) };
        }
    }
}

/// A column that the host lent.
#[derive(Clone)]
pub(crate) struct Lent {
    pub(crate) batch: Arc<Batch>,
    pub(crate) child: usize,
    pub(crate) holds: Holds,
}

impl Lent {
    pub(crate) fn array(&self) -> &ArrowArray {
        // SAFETY: `column` has looked at the pointers; the batch keeps them alive.
        unsafe { &**self.batch.0.children.add(self.child) }
    }

    fn extent(&self) -> (usize, usize) {
        (self.array().offset as usize, self.array().length as usize)
    }

    pub(crate) fn buffer(&self, i: usize) -> *const c_void {
        // SAFETY: the host gives every column of a format its buffers.
        unsafe { *self.array().buffers.add(i) }
    }

    fn slice<T>(&self, i: usize, from: usize, length: usize) -> &[T] {
        let first = self.buffer(i).cast::<T>();
        if first.is_null() || length == 0 {
            return &[];
        }
        // SAFETY: the host lends `offset + length` values, aligned, until the batch is released.
        unsafe { std::slice::from_raw_parts(first.add(from), length) }
    }

    pub(crate) fn known(&self) -> Option<Bits<'_>> {
        let (offset, length) = self.extent();
        (!self.buffer(0).is_null()).then(|| Bits { bytes: self.slice(0, 0, (offset + length).div_ceil(8)), offset })
    }

    pub(crate) fn floats(&self) -> Option<&[f64]> {
        let (offset, length) = self.extent();
        (self.holds == Holds::Float).then(|| self.slice(1, offset, length))
    }

    pub(crate) fn ints(&self) -> Option<&[i64]> {
        let (offset, length) = self.extent();
        matches!(self.holds, Holds::Int | Holds::Instant).then(|| self.slice(1, offset, length))
    }

    pub(crate) fn truths(&self) -> Option<Bits<'_>> {
        let (offset, length) = self.extent();
        (self.holds == Holds::Bool).then(|| Bits { bytes: self.slice(1, 0, (offset + length).div_ceil(8)), offset })
    }

    pub(crate) fn texts(&self) -> Option<(&[i64], &[u8])> {
        let (offset, length) = self.extent();
        if self.holds != Holds::Text {
            return None;
        }
        let offsets: &[i64] = if length == 0 { &[0] } else { self.slice(1, offset, length + 1) };
        let last = usize::try_from(*offsets.last()?).ok()?;
        Some((offsets, self.slice(2, 0, last)))
    }
}
