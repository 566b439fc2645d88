//! Text out of its views, as Arrow's large text: offsets and bytes, to wherever they shall stand.

use polars_arrow::array::{Utf8ViewArray, View};
use std::ops::Range;

/// Text up to this many bytes stands in the view itself.
const INLINE: usize = View::MAX_INLINE_SIZE as usize;

/// Bytes of the texts of some rows.
pub(super) fn length(texts: &Utf8ViewArray, rows: Range<usize>) -> usize {
    texts.views()[rows].iter().map(|v| v.length as usize).sum()
}

/// Where the texts of some rows end, eight bytes a row; `from` is where the first begins.
pub(super) fn put_ends(texts: &Utf8ViewArray, rows: Range<usize>, from: i64, out: &mut [u8]) {
    let mut at = from;
    for (view, place) in texts.views()[rows].iter().zip(out.chunks_exact_mut(size_of::<i64>())) {
        at += i64::from(view.length);
        place.copy_from_slice(&at.to_ne_bytes());
    }
}

/// The texts of some rows, one behind the other; `out` has their [`length`].
pub(super) fn put_texts(texts: &Utf8ViewArray, rows: Range<usize>, out: &mut [u8]) {
    let mut at = 0;
    for i in rows {
        let view = &texts.views()[i];
        let length = view.length as usize;
        let inline = &bytemuck::bytes_of(view)[4..];
        if length > INLINE {
            out[at..at + length].copy_from_slice(texts.value(i).as_bytes());
        } else if let Some(room) = out.get_mut(at..at + INLINE) {
            // A view is its length and then, when it is short, the text. What is behind it is written over by the
            // next one: copying a fixed number of bytes is several times faster.
            room.copy_from_slice(inline);
        } else {
            out[at..at + length].copy_from_slice(&inline[..length]);
        }
        at += length;
    }
}
