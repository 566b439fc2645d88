//! The heads of TIFF files, as far as grids need them: size, position, what the file says of itself.
//!
//! Source of tags: TIFF 6.0; OGC GeoTIFF 1.1 (33550, 33922, 34735); the grids of PROJ keep their
//! description, licence and kind in 270, 33432 and 42112.

use std::io::{Read, Seek, SeekFrom};

/// One image of a file.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Image {
    /// Columns.
    pub width: u32,
    /// Rows.
    pub height: u32,
    /// Step of longitude and latitude, deg.
    pub scale: Option<(f64, f64)>,
    /// Column, row, longitude, latitude of one place.
    pub tie: Option<(f64, f64, f64, f64)>,
    /// Whether the tie point is the corner of a pixel, not its centre.
    pub corner: bool,
    /// What it is.
    pub description: String,
    /// Licence and holder.
    pub copyright: String,
    /// Further keys, as XML.
    pub metadata: String,
}

/// Images of one file that are read; more are left out.
const MOST: usize = 2000;
/// Longest text that is read, bytes.
const LONGEST: u32 = 1 << 18;

/// Reads the heads of all images of a classic TIFF, as far as the file holds together.
pub fn images(file: &mut (impl Read + Seek)) -> Vec<Image> {
    let mut reader = Reader { file, little: true };
    let Some(head) = reader.bytes(0, 8) else { return vec![] };
    reader.little = head.starts_with(b"II");
    if !(head.starts_with(b"II*\0") || head.starts_with(b"MM\0*")) {
        return vec![];
    }
    let mut next = reader.long(&head[4..]);
    let mut seen = vec![];
    let mut all = vec![];
    while let Some(at) = next.filter(|at| *at != 0 && !seen.contains(at) && all.len() < MOST) {
        seen.push(at);
        match reader.image(u64::from(at)) {
            Some((image, following)) => {
                all.push(image);
                next = Some(following);
            }
            None => break,
        }
    }
    all
}

struct Reader<'f, F> {
    file: &'f mut F,
    little: bool,
}

impl<F: Read + Seek> Reader<'_, F> {
    fn bytes(&mut self, at: u64, n: usize) -> Option<Vec<u8>> {
        let mut buffer = vec![];
        self.file.seek(SeekFrom::Start(at)).ok()?;
        // `take` keeps a false count from asking for memory that the file cannot fill.
        self.file.by_ref().take(n as u64).read_to_end(&mut buffer).ok()?;
        (buffer.len() == n).then_some(buffer)
    }

    fn short(&self, b: &[u8]) -> Option<u16> {
        let b: [u8; 2] = b.get(..2)?.try_into().ok()?;
        Some(if self.little { u16::from_le_bytes(b) } else { u16::from_be_bytes(b) })
    }

    fn long(&self, b: &[u8]) -> Option<u32> {
        let b: [u8; 4] = b.get(..4)?.try_into().ok()?;
        Some(if self.little { u32::from_le_bytes(b) } else { u32::from_be_bytes(b) })
    }

    fn doubles(&mut self, at: u64, n: usize) -> Option<Vec<f64>> {
        let little = self.little;
        let double = |b: &[u8]| -> Option<f64> {
            let b: [u8; 8] = b.try_into().ok()?;
            Some(if little { f64::from_le_bytes(b) } else { f64::from_be_bytes(b) })
        };
        self.bytes(at, n * 8)?.chunks_exact(8).map(double).collect()
    }

    fn text(&mut self, entry: &[u8], count: u32) -> Option<String> {
        let count = usize::try_from(count.min(LONGEST)).ok()?;
        let bytes = if count <= 4 { entry.get(8..8 + count)?.to_vec() } else { self.bytes(u64::from(self.long(&entry[8..])?), count)? };
        Some(String::from_utf8_lossy(&bytes).trim_matches(['\0', ' ', '\n']).to_owned())
    }

    /// One directory, and where the next begins.
    fn image(&mut self, start: u64) -> Option<(Image, u32)> {
        let head = self.bytes(start, 2)?;
        let entries = usize::from(self.short(&head)?);
        let directory = self.bytes(start + 2, entries * 12 + 4)?;
        let next = self.long(directory.get(entries * 12..)?)?;
        let mut image = Image::default();
        for entry in directory.chunks_exact(12).take(entries) {
            let (tag, kind, count) = (self.short(entry)?, self.short(&entry[2..])?, self.long(&entry[4..])?);
            let at = u64::from(self.long(&entry[8..])?);
            let number = if kind == 3 { u32::from(self.short(&entry[8..])?) } else { self.long(&entry[8..])? };
            match tag {
                256 => image.width = number,
                257 => image.height = number,
                270 => image.description = self.text(entry, count)?,
                33_432 => image.copyright = self.text(entry, count)?,
                42_112 => image.metadata = self.text(entry, count)?,
                33_550 if count >= 2 => image.scale = self.doubles(at, 2).map(|v| (v[0], v[1])),
                33_922 if count >= 6 => image.tie = self.doubles(at, 6).map(|v| (v[0], v[1], v[3], v[4])),
                34_735 if (4..10_000).contains(&count) => {
                    let bytes = self.bytes(at, usize::try_from(count).ok()? * 2)?;
                    let keys: Vec<u16> = bytes.chunks_exact(2).filter_map(|b| self.short(b)).collect();
                    // GeoKey 1025 (raster type) 1: the tie point is the corner of a pixel, not its centre.
                    image.corner = keys.chunks_exact(4).skip(1).any(|k| k[0] == 1025 && k[3] == 1);
                }
                _ => {}
            }
        }
        Some((image, next))
    }
}

impl Image {
    /// Longitude of the first column and latitude of the first (northern) row of nodes, with the steps.
    #[must_use]
    pub fn nodes(&self) -> Option<(f64, f64, f64, f64)> {
        let ((step_longitude, step_latitude), (i, j, x, y)) = (self.scale?, self.tie?);
        if !(step_longitude > 0.0 && step_latitude > 0.0 && step_longitude <= 180.0 && step_latitude <= 90.0) {
            return None;
        }
        let half = if self.corner { 0.5 } else { 0.0 };
        Some((x + (half - i) * step_longitude, y - (half - j) * step_latitude, step_longitude, step_latitude))
    }

    /// A key of the further keys.
    #[must_use]
    pub fn key(&self, name: &str) -> Option<&str> {
        let (_, rest) = self.metadata.split_once(&format!("name=\"{name}\""))?;
        let (_, rest) = rest.split_once('>')?;
        rest.split_once('<').map(|(value, _)| value.trim())
    }
}
