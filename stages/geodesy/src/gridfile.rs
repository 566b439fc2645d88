//! What a grid file is, where it reaches, and what it says of itself: GeoTIFF, GTX, NTv2 and deformation
//! models in JSON.

use super::area::Area;
use super::grid_nodes;
use super::tiff;
use std::io::{Read, Seek, SeekFrom};
use std::path::Path;
use survey_mathematics::angle::wrap;

/// A grid file, by its head.
#[derive(Clone, Debug, PartialEq)]
pub struct GridFile {
    /// `GeoTIFF`, `GTX`, `NTv2`, `JSON model`.
    pub format: &'static str,
    /// Where it has nodes. A grid of several parts gives the box around all.
    pub area: Area,
    /// Whether it holds heights of a geoid; `None` where the file does not say.
    pub is_geoid: Option<bool>,
    /// Description that the file carries.
    pub description: String,
    /// Licence and holder that the file states.
    pub licence: String,
}

/// Reads the head of a file.
///
/// # Errors
/// Why it is no grid that can be used.
pub fn read(path: &Path) -> Result<GridFile, String> {
    let mut file = std::fs::File::open(path).map_err(|e| e.to_string())?;
    let length = file.metadata().map_err(|e| e.to_string())?.len();
    let mut head = vec![];
    file.by_ref().take(200).read_to_end(&mut head).map_err(|e| e.to_string())?;
    if head.starts_with(b"II*\0") || head.starts_with(b"MM\0*") {
        return geotiff(&mut file);
    }
    if head.starts_with(b"NUM_OREC") {
        return ntv2(&mut file, length);
    }
    if path.extension().is_some_and(|e| e.eq_ignore_ascii_case("gtx")) {
        let (south, west, step_latitude, step_longitude, rows, columns) = grid_nodes::gtx_head(&head, length)?;
        return Ok(GridFile {
            format: "GTX",
            area: area(west, south, west + step_longitude * f64::from(columns - 1), south + step_latitude * f64::from(rows - 1)),
            is_geoid: Some(true),
            description: String::new(),
            licence: String::new(),
        });
    }
    if head.iter().find(|b| !b.is_ascii_whitespace()) == Some(&b'{') {
        return json(&mut file);
    }
    Err("it is none of GeoTIFF, GTX, NTv2 and a deformation model in JSON".to_owned())
}

fn area(west: f64, south: f64, east: f64, north: f64) -> Area {
    let whole = east - west >= 360.0 - 1e-9;
    // A grid of the whole earth often leaves out its last column, which repeats the first.
    let (west, east) = if whole { (-180.0, 180.0) } else { (wrap(west), wrap(east)) };
    Area { west, south: south.max(-90.0), east, north: north.min(90.0), name: String::new() }
}

fn geotiff(file: &mut std::fs::File) -> Result<GridFile, String> {
    let images = tiff::images(file);
    let mut limits: Option<(f64, f64, f64, f64)> = None;
    for image in &images {
        let Some((west, north, step_longitude, step_latitude)) = image.nodes() else { continue };
        let columns = f64::from(image.width.saturating_sub(1));
        let mut east = west + step_longitude * columns;
        if east - west + step_longitude >= 360.0 - 1e-9 {
            east = west + 360.0;
        }
        let south = north - step_latitude * f64::from(image.height.saturating_sub(1));
        limits = Some(match limits {
            None => (west, south, east, north),
            Some((w, s, e, n)) => (w.min(west), s.min(south), e.max(east), n.max(north)),
        });
    }
    let (west, south, east, north) = limits.ok_or("no image of it says where its nodes lie")?;
    let first = images.first().cloned().unwrap_or_default();
    let kind = first.key("TYPE").unwrap_or_default().to_owned();
    Ok(GridFile {
        format: "GeoTIFF",
        area: Area { name: first.key("area_of_use").unwrap_or_default().to_owned(), ..area(west, south, east, north) },
        is_geoid: (!kind.is_empty()).then(|| kind == "VERTICAL_OFFSET_GEOGRAPHIC_TO_VERTICAL"),
        description: first.description,
        licence: first.copyright,
    })
}

/// NTv2: records of 16 bytes, an eight-letter key and a value; limits in seconds of arc, west positive.
fn ntv2(file: &mut std::fs::File, length: u64) -> Result<GridFile, String> {
    let mut record = |at: u64| -> Option<[u8; 16]> {
        let mut buffer = [0; 16];
        file.seek(SeekFrom::Start(at)).ok()?;
        file.read_exact(&mut buffer).ok()?;
        Some(buffer)
    };
    let count = |b: [u8; 16]| -> Option<(u32, bool)> {
        let v: [u8; 4] = b[8..12].try_into().ok()?;
        let (little, big) = (u32::from_le_bytes(v), u32::from_be_bytes(v));
        if little < 10_000_000 { Some((little, true)) } else { Some((big, false)) }
    };
    let broken = || "its head is not that of an NTv2 file".to_owned();
    let (grids, little) = record(32).filter(|r| r.starts_with(b"NUM_FILE")).and_then(count).ok_or_else(broken)?;
    let mut at = 11 * 16;
    let mut limits: Option<(f64, f64, f64, f64)> = None;
    for _ in 0..grids.min(100_000) {
        let mut value = |n: u64, key: &[u8]| -> Option<f64> {
            let r = record(at + n * 16).filter(|r| r.starts_with(key))?;
            let v: [u8; 8] = r[8..].try_into().ok()?;
            Some(if little { f64::from_le_bytes(v) } else { f64::from_be_bytes(v) })
        };
        let (south, north) = (value(4, b"S_LAT").ok_or_else(broken)?, value(5, b"N_LAT").ok_or_else(broken)?);
        let (east, west) = (-value(6, b"E_LONG").ok_or_else(broken)?, -value(7, b"W_LONG").ok_or_else(broken)?);
        let nodes = record(at + 160).filter(|r| r.starts_with(b"GS_COUNT")).and_then(count).ok_or_else(broken)?.0;
        limits = Some(match limits {
            None => (west, south, east, north),
            Some((w, s, e, n)) => (w.min(west), s.min(south), e.max(east), n.max(north)),
        });
        at += 11 * 16 + u64::from(nodes) * 16;
        if at > length {
            return Err("it is cut short".to_owned());
        }
    }
    let (west, south, east, north) = limits.ok_or_else(broken)?;
    if !(west.is_finite() && east.is_finite() && south.abs() <= 324_000.0 && north.abs() <= 324_000.0) {
        return Err(broken());
    }
    Ok(GridFile {
        format: "NTv2",
        area: area(west / 3600.0, south / 3600.0, east / 3600.0, north / 3600.0),
        is_geoid: Some(false),
        description: String::new(),
        licence: String::new(),
    })
}

/// A deformation model: its `extent` is a box of west, south, east, north.
fn json(file: &mut std::fs::File) -> Result<GridFile, String> {
    let mut text = String::new();
    file.seek(SeekFrom::Start(0)).map_err(|e| e.to_string())?;
    file.take(4 << 20).read_to_string(&mut text).map_err(|e| e.to_string())?;
    let value: serde_json::Value = serde_json::from_str(&text).map_err(|e| format!("its JSON is broken: {e}"))?;
    let say = |key: &str| value.get(key).and_then(serde_json::Value::as_str).unwrap_or_default().to_owned();
    let limits: Vec<f64> = value
        .pointer("/extent/parameters/bbox")
        .and_then(serde_json::Value::as_array)
        .map(|b| b.iter().filter_map(serde_json::Value::as_f64).collect())
        .unwrap_or_default();
    let [west, south, east, north] = limits[..] else { return Err("its JSON has no `extent`".to_owned()) };
    Ok(GridFile {
        format: "JSON model",
        area: area(west, south, east, north),
        is_geoid: Some(false),
        description: say("name"),
        licence: say("license"),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use survey_testing::{plane, shared, write_gtx};

    #[test]
    fn areas_of_real_and_invented_files() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("g.gtx");
        write_gtx(&path, 26.0, 271.5, 0.25, 13, 9, plane);
        let grid = read(&path).unwrap();
        assert_eq!((grid.format, grid.area.west, grid.area.south, grid.area.east, grid.area.north), ("GTX", -88.5, 26.0, -86.5, 29.0));
        let Some(folder) = shared("data/grids") else { return };
        // SOURCES.md of the folder: west, north, step and size of each; licence and kind.
        for (name, west, south, east, north, geoid) in [
            ("nl_nsgi_nlgeo2018.tif", 2.0, 50.0, 8.0, 56.0, Some(true)),
            ("us_noaa_g2018p0.tif", -69.0, 15.0, -64.0, 21.0, Some(true)),
            ("uk_os_OSTN15_NTv2_OSGBtoETRS.tif", -9.0, 49.0, 2.0, 61.0, Some(false)),
            ("us_nga_egm96_15.tif", -180.0, -90.0, 180.0, 90.0, Some(true)),
        ] {
            let grid = read(&folder.join(name)).unwrap();
            let a = &grid.area;
            for (got, want) in [(a.west, west), (a.south, south), (a.east, east), (a.north, north)] {
                assert!((got - want).abs() < 1e-3, "{name}: {a:?}");
            }
            assert_eq!((grid.format, grid.is_geoid), ("GeoTIFF", geoid), "{name}");
            assert!(!grid.licence.is_empty() && !grid.area.name.is_empty(), "{name}: {grid:?}");
        }
    }

    #[test]
    fn ntv2_of_the_debian_package() {
        let path = Path::new("/usr/share/proj/BETA2007.gsb");
        if !path.exists() {
            eprintln!("SKIPPED: {} is absent", path.display());
            return;
        }
        let grid = read(path).unwrap();
        // Germany.
        assert!(grid.format == "NTv2" && grid.area.contains(51.0, 10.0) && !grid.area.contains(40.0, 10.0), "{grid:?}");
    }

    proptest! {
        #[test]
        fn any_bytes_are_refused_or_read_without_a_panic(bytes in prop::collection::vec(any::<u8>(), 0..400), head in 0..5) {
            let folder = tempfile::tempdir().unwrap();
            let path = folder.path().join("x.gtx");
            let mut all: Vec<u8> = match head {
                0 => vec![],
                1 => b"II*\0\x08\0\0\0".to_vec(),
                2 => b"MM\0*\0\0\0\x08".to_vec(),
                3 => b"NUM_OREC\x0b\0\0\0\0\0\0\0NUM_SREC\x0b\0\0\0\0\0\0\0NUM_FILE\x02\0\0\0\0\0\0\0".to_vec(),
                _ => b"{".to_vec(),
            };
            all.extend(bytes);
            std::fs::write(&path, all).unwrap();
            let _ = read(&path);
        }
    }
}
