//! Where grids are looked for, and the geoid grid itself.

use super::crs::{block, open};
use super::door::Object;
use pipeline_core::stage::Problem;
use sha2::{Digest, Sha256};
use std::io::Read;
use std::path::{Path, PathBuf};

/// Folders in which grids are looked for, in order: the folder of the reference file, `grids`
/// below it, the folders of `PROJ_DATA`, the data folders of the system.
#[must_use]
pub fn folders(reference: &Path) -> Vec<PathBuf> {
    let here = if reference.as_os_str().is_empty() { PathBuf::from(".") } else { reference.to_owned() };
    let mut all = vec![here.clone(), here.join("grids")];
    if let Some(data) = std::env::var_os("PROJ_DATA") {
        all.extend(std::env::split_paths(&data).filter(|p| !p.as_os_str().is_empty()));
    }
    all.extend(["/usr/share/proj", "/usr/local/share/proj"].map(PathBuf::from));
    all
}

/// The file that a name stands for: the path itself when it is absolute, else the first that exists
/// below the folders.
#[must_use]
pub fn find(name: &str, folders: &[PathBuf]) -> Option<PathBuf> {
    let path = Path::new(name);
    if path.is_absolute() {
        return path.is_file().then(|| path.to_owned());
    }
    folders.iter().map(|f| f.join(path)).find(|p| p.is_file())
}

/// SHA-256 of a file in lower-case hex.
///
/// # Errors
/// `data/unreadable-file`.
pub fn sha256(name: &str, path: &Path) -> Result<String, Problem> {
    let unreadable = |e: std::io::Error| pipeline_core::stage::cx::unreadable(name, &e);
    let mut file = std::fs::File::open(path).map_err(unreadable)?;
    let mut hash = Sha256::new();
    let mut buffer = vec![0; 1 << 16];
    loop {
        match file.read(&mut buffer).map_err(unreadable)? {
            0 => break,
            n => hash.update(&buffer[..n]),
        }
    }
    Ok(hash.finalize().iter().map(|b| format!("{b:02x}")).collect())
}

/// A geoid grid on the disk.
#[derive(Clone, Debug)]
pub struct GeoidGrid {
    folder: PathBuf,
    file: String,
}

impl GeoidGrid {
    /// The grid at a path.
    ///
    /// # Errors
    /// `height/geoid-name` for a file name that cannot be said in a PROJ pipeline.
    pub fn at(path: &Path) -> Result<Self, Problem> {
        let file = path.file_name().map(|f| f.to_string_lossy().into_owned()).unwrap_or_default();
        if file.is_empty() || file.chars().any(|c| c.is_whitespace() || ",\"'+=".contains(c)) {
            return Err(block("height/geoid-name", format!("the name of the geoid grid `{file}` cannot be used"))
                .why("blanks, commas, quotes, `+` and `=` have a meaning in a pipeline")
                .fix("rename the file and `delivery.heights.geoid.grid`"));
        }
        let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).map_or_else(|| PathBuf::from("."), Path::to_owned);
        Ok(Self { folder, file })
    }

    /// The pipeline: with height 0 in, the separation N comes out. Bilinear inside a cell.
    ///
    /// `+multiplier=1` because PROJ by itself subtracts the grid from the height.
    #[must_use]
    pub fn pipeline(&self) -> String {
        format!(
            "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad +step +proj=vgridshift +grids={} +multiplier=1 +step +proj=unitconvert +xy_in=rad +xy_out=deg",
            self.file
        )
    }

    /// The folder that a door needs for it.
    #[must_use]
    pub fn folders(&self) -> Vec<PathBuf> {
        vec![self.folder.clone()]
    }

    /// Separation N (m) at one place: height above the ellipsoid = height above the geoid + N.
    /// `None` outside the grid, where the grid has no value, or when the file is no grid.
    ///
    /// # Errors
    /// When the library cannot start.
    pub fn separation_at(&self, latitude_deg: f64, longitude_deg: f64) -> Result<Option<f64>, Problem> {
        let door = open(&self.folders())?;
        let Ok(object) = door.create(&self.pipeline()) else { return Ok(None) };
        Ok(separation(&object, latitude_deg, longitude_deg).ok())
    }

    /// Whether PROJ can read the file as a grid of heights.
    ///
    /// # Errors
    /// `height/geoid-unreadable`.
    pub fn check(&self) -> Result<(), Problem> {
        let door = open(&self.folders())?;
        door.create(&self.pipeline()).map(|_| ()).map_err(|e| {
            block("height/geoid-unreadable", format!("`{}` is not a grid of heights: {e}", self.file))
                .fix("use the GeoTIFF or GTX form of the model in `delivery.heights.geoid.grid`")
        })
    }
}

/// N (m) through an object made of [`GeoidGrid::pipeline`].
///
/// # Errors
/// PROJ's reason: outside the grid, or no value there.
pub fn separation(object: &Object, latitude_deg: f64, longitude_deg: f64) -> Result<f64, String> {
    object.carry([longitude_deg, latitude_deg, 0.0, f64::INFINITY]).map(|out| out[2])
}
