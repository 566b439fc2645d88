//! A point with height as a GeoPackage geometry: the standard's header, then well-known binary.
//!
//! Source: OGC 12-128r19, clause 2.1.3.1.1 (header) and ISO 13249-3 (type 1001: point with z).

/// Header flags: little endian, no envelope, not empty, standard type.
const FLAGS: u8 = 0b0000_0001;
/// ISO well-known binary of a point with z.
const POINT_Z: u32 = 1001;
const LENGTH: usize = 8 + 1 + 4 + 24;

/// A point as a geometry.
#[must_use]
pub(super) fn write(srs: i32, xyz: [f64; 3]) -> Vec<u8> {
    let mut out = Vec::with_capacity(LENGTH);
    out.extend_from_slice(b"GP");
    out.extend_from_slice(&[0, FLAGS]);
    out.extend_from_slice(&srs.to_le_bytes());
    out.push(1);
    out.extend_from_slice(&POINT_Z.to_le_bytes());
    for v in xyz {
        out.extend_from_slice(&v.to_le_bytes());
    }
    out
}

/// The identifier and the point of a geometry as [`write`] makes it; `None` for anything else.
#[must_use]
pub(super) fn read(blob: &[u8]) -> Option<(i32, [f64; 3])> {
    let blob: &[u8; LENGTH] = blob.try_into().ok()?;
    let head = blob[..4] == [b'G', b'P', 0, FLAGS] && blob[8] == 1 && blob[9..13] == POINT_Z.to_le_bytes();
    let number = |at: usize| Some(f64::from_le_bytes(blob.get(at..at + 8)?.try_into().ok()?));
    let srs = i32::from_le_bytes(blob[4..8].try_into().ok()?);
    Some((srs, [number(13)?, number(21)?, number(29)?])).filter(|_| head)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn bytes_by_hand() {
        // Laid out by hand from the two standards: magic, version 0, flags 1, srs 4326, little endian, type 1001.
        let blob = write(4326, [1.0, 2.0, -1.0]);
        assert_eq!(&blob[..13], &[0x47, 0x50, 0, 1, 0xE6, 0x10, 0, 0, 1, 0xE9, 0x03, 0, 0]);
        assert_eq!(&blob[13..21], &[0, 0, 0, 0, 0, 0, 0xF0, 0x3F]);
    }

    proptest! {
        #[test]
        fn there_and_back(srs: i32, x: i32, y: f64, z: f64) {
            let (s, [gx, gy, gz]) = read(&write(srs, [f64::from(x), y, z])).unwrap();
            prop_assert_eq!(s, srs);
            prop_assert_eq!(gx.to_bits(), f64::from(x).to_bits());
            prop_assert_eq!(gy.to_bits(), y.to_bits());
            prop_assert_eq!(gz.to_bits(), z.to_bits());
        }
        #[test]
        fn never_panics(bytes: Vec<u8>) {
            let _ = read(&bytes);
        }
    }
}
