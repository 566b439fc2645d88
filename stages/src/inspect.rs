//! What a raw log holds, for someone who has never seen it.
