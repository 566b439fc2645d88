//! Where grids are looked for, and the geoid grid itself.

use super::area::{Extent, Span};
use super::crs::{block, open};
use super::grid_nodes::{self, Cells, GridNodes};
use super::pipeline::bad_name;
use super::proj_context::{CoordinateColumn, Object, OpenObjects};
use pipeline_base::problem::Problem;
use std::cell::RefCell;
use std::path::{Path, PathBuf};

/// Folders in which packages of the system put grids.
pub const SYSTEM: [&str; 2] = ["/usr/share/proj", "/usr/local/share/proj"];

/// Folders in which grids are looked for, in order: the folder of the reference file, `grids` below it,
/// the grid store, the data folders of the system. The geodesy library's own variables (`PROJ_DATA` and
/// others) are not heeded: another program's settings must not change a coordinate here.
#[must_use]
pub fn folders(reference: &Path) -> Vec<PathBuf> {
    let here = if reference.as_os_str().is_empty() { PathBuf::from(".") } else { reference.to_owned() };
    let mut all = vec![here.clone(), here.join("grids")];
    all.extend(super::store::folder());
    all.extend(SYSTEM.map(PathBuf::from));
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

/// A grid that will be read.
#[derive(Clone, Debug, PartialEq)]
pub struct ChosenGrid {
    /// Name in the pipeline or the reference.
    pub name: String,
    /// The file.
    pub path: PathBuf,
    /// SHA-256 of its bytes.
    pub sha256: String,
}

/// A geoid grid on the disk.
#[derive(Clone, Debug)]
pub struct GeoidGrid {
    folder: PathBuf,
    file: String,
    lattice: Option<GridNodes>,
}

impl GeoidGrid {
    /// The grid at a path.
    ///
    /// # Errors
    /// `height/geoid-name` for a file name that cannot be said in a PROJ pipeline;
    /// `height/geoid-unreadable` for a file that is no grid of heights.
    pub fn at(path: &Path) -> Result<Self, Problem> {
        let file = path.file_name().map(|f| f.to_string_lossy().into_owned()).unwrap_or_default();
        if let Some(why) = bad_name(&file) {
            return Err(block("height/geoid-name", format!("the name of the geoid grid `{file}` cannot be used"))
                .why(why)
                .fix("rename the file and `delivery.heights.geoid.grid`"));
        }
        let refused = |why: &str| {
            block("height/geoid-unreadable", format!("`{file}` is not a grid of heights: {why}"))
                .size("no heights")
                .why("the file may be cut short, or be something else under this name")
                .fix("use the GeoTIFF or GTX form of the model in `delivery.heights.geoid.grid`")
        };
        let lattice = grid_nodes::read(path).map_err(refused)?;
        let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).map_or_else(|| PathBuf::from("."), Path::to_owned);
        let grid = Self { folder, file: file.clone(), lattice };
        let proj = open(&grid.folders())?;
        proj.create(&grid.pipeline()).map_err(|e| refused(&e))?;
        Ok(grid)
    }

    /// The pipeline: with height 0 in, the separation N comes out. Bilinear inside a cell.
    ///
    /// `+multiplier=1` because PROJ by itself subtracts the grid from the height.
    #[must_use]
    pub fn pipeline(&self) -> String {
        format!("{} +step +proj=unitconvert +xy_in=rad +xy_out=deg", self.to_the_height())
    }

    /// The pipeline without its last step, which only turns latitude and longitude back to degrees.
    fn to_the_height(&self) -> String {
        format!("+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad +step +proj=vgridshift +grids={} +multiplier=1", self.file)
    }

    /// The folder that a context needs for it.
    #[must_use]
    pub fn folders(&self) -> Vec<PathBuf> {
        vec![self.folder.clone()]
    }

    /// Opens it for computing, by one thread at a time.
    ///
    /// # Errors
    /// When the library cannot start, or the file has gone since planning.
    pub fn open(&self) -> Result<OpenGeoid, Problem> {
        let text = self.to_the_height();
        let kept = OpenObjects::new(open(&self.folders())?, |proj| {
            Ok([proj.create(&text).map_err(|e| Problem::broken(format!("the geoid grid cannot be opened: {e}")))?])
        })?;
        Ok(OpenGeoid { kept, lattice: self.lattice, cells: self.lattice.map(|l| RefCell::new(Cells::of(l))) })
    }

    /// Separation N (m) at one place: height above the ellipsoid = height above the geoid + N.
    /// `None` outside the grid, or where a node of the cell has no value.
    ///
    /// # Errors
    /// When the library cannot start.
    pub fn separation_at(&self, latitude_deg: f64, longitude_deg: f64) -> Result<Option<f64>, Problem> {
        Ok(self.open()?.separation(latitude_deg, longitude_deg).ok())
    }
}

/// How a geoid grid lies around a place, and how it slopes there.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct GridMargin {
    /// Distance (km) to the nearest edge of the grid, when its extent is known.
    pub edge_km: Option<f64>,
    /// Which edge that is.
    pub edge: Option<&'static str>,
    /// Width (km) of a cell, the smaller side.
    pub cell_km: Option<f64>,
    /// Whether a cell beside that of the place lacks a node.
    pub hole_beside: bool,
    /// Slope of N to the east, mm in a km (which is ppm).
    pub slope_east_mm_per_km: Option<f64>,
    /// Slope of N to the north, mm in a km.
    pub slope_north_mm_per_km: Option<f64>,
}

impl OpenGeoid {
    /// What lies around a place.
    #[must_use]
    pub fn surroundings(&self, latitude_deg: f64, longitude_deg: f64) -> GridMargin {
        let margin = self.lattice.map(|l| l.area().margin(latitude_deg, longitude_deg));
        let cell_km = self.lattice.map(|l| {
            let (north, east) = kilometres(latitude_deg);
            (l.step_latitude * north).min(l.step_longitude * east)
        });
        let (east, north) = self.slope(latitude_deg, longitude_deg);
        GridMargin {
            edge_km: margin.map(|m| m.0),
            edge: margin.map(|m| m.1.word()),
            cell_km,
            hole_beside: self.lattice.is_some_and(|l| l.hole_beside(self.object(), latitude_deg, longitude_deg)),
            slope_east_mm_per_km: east,
            slope_north_mm_per_km: north,
        }
    }

    /// Slope of N to the east and to the north, mm in a km: over a kilometre with the place in its middle, or over half of
    /// one where the grid ends.
    #[must_use]
    pub fn slope(&self, latitude_deg: f64, longitude_deg: f64) -> (Option<f64>, Option<f64>) {
        let (north_km, east_km) = kilometres(latitude_deg);
        let n = |east: f64, north: f64| self.separation(latitude_deg + north / north_km, longitude_deg + east / east_km).ok();
        let along = |dx: f64, dy: f64| {
            let (back, here, ahead) = (n(-dx, -dy), n(0.0, 0.0), n(dx, dy));
            match (back, here, ahead) {
                (Some(a), _, Some(b)) => Some((b - a) * 1000.0),
                (Some(a), Some(b), None) | (None, Some(a), Some(b)) => Some((b - a) * 2000.0),
                _ => None,
            }
        };
        (along(0.5, 0.0), along(0.0, 0.5))
    }
}

/// Kilometres in a degree of latitude and in a degree of longitude, on GRS 80.
fn kilometres(latitude_deg: f64) -> (f64, f64) {
    let here = super::local::Tangent::new(latitude_deg, 0.0, 0.0, super::ellipsoid::GRS80);
    let [_, north, _] = here.enu(latitude_deg + 1e-4, 0.0, 0.0);
    let [east, _, _] = here.enu(latitude_deg, 1e-4, 0.0);
    (north * 10.0, east.max(1e-9) * 10.0)
}

/// A geoid grid ready to compute, by one thread at a time. It may wait for the next session: what it learns about the cells of
/// the grid is true for every session.
pub struct OpenGeoid {
    kept: OpenObjects<1>,
    lattice: Option<GridNodes>,
    cells: Option<RefCell<Cells>>,
}

/// Separations of whole columns.
pub struct Separations {
    /// Separation N, m; NaN where [`OpenGeoid::separation`] has none.
    pub n: Vec<f64>,
    /// Rows without one.
    pub missing: usize,
    /// What one look at them tells.
    pub span: Span,
}

/// Rows that go through PROJ together: so few that they stay in the nearest memory, and no power of two, so that columns do not
/// claim the same place in it.
const ROWS: usize = 1000;

impl OpenGeoid {
    fn object(&self) -> &Object<'_> {
        let [object] = self.kept.objects();
        object
    }

    /// Separations of whole columns of latitude and longitude (deg); `extent` is the box around them.
    #[must_use]
    pub fn separations(&self, latitude_deg: &[f64], longitude_deg: &[f64], extent: &Extent) -> Separations {
        let object = self.object();
        let mut n = Vec::with_capacity(latitude_deg.len().min(longitude_deg.len()));
        // The result is written in place; latitude and longitude are needed again, and PROJ overwrites what it gets.
        let (mut x, mut y) = ([0.0; ROWS], [0.0; ROWS]);
        let (mut content, mut span) = (true, Span::EMPTY);
        for (latitude, longitude) in latitude_deg.chunks(ROWS).zip(longitude_deg.chunks(ROWS)) {
            let rows = latitude.len().min(longitude.len());
            let from = n.len();
            n.resize(from + rows, 0.0);
            let (x, y) = (&mut x[..rows], &mut y[..rows]);
            x.copy_from_slice(&longitude[..rows]);
            y.copy_from_slice(&latitude[..rows]);
            content &= object.carry_columns(x, y, CoordinateColumn::Each(&mut n[from..]), CoordinateColumn::All(f64::INFINITY));
            span = span.with(Span::of(&n[from..]));
        }
        let taken = self.cells.as_ref().is_some_and(|c| c.borrow_mut().take_away(object, latitude_deg, longitude_deg, extent, &mut n));
        let mut missing = 0;
        if taken || !span.finite {
            for n in n.iter_mut().filter(|n| !n.is_finite()) {
                *n = f64::NAN;
                missing += 1;
            }
            span = Span::of(&n);
        }
        if missing == 0 && !content {
            // An error that no row shows: none of them is to be trusted.
            n.fill(f64::NAN);
            (missing, span) = (n.len(), Span::of(&n));
        }
        Separations { n, missing, span }
    }

    /// Separation N (m) at a latitude and longitude (deg).
    ///
    /// # Errors
    /// Outside the grid, or where a node of the cell has no value.
    pub fn separation(&self, latitude_deg: f64, longitude_deg: f64) -> Result<f64, String> {
        let object = self.object();
        let n = object.carry([longitude_deg, latitude_deg, 0.0, f64::INFINITY]).map(|out| out[2])?;
        if self.cells.as_ref().is_some_and(|cells| cells.borrow_mut().has_hole(object, latitude_deg, longitude_deg)) {
            return Err("a node of the grid beside it has no value".to_owned());
        }
        Ok(n)
    }
}
