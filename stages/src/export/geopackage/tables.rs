//! The tables that every GeoPackage has, and those of the three extensions used here.
//!
//! Source: OGC 12-128r19, annex C (table definition SQL), and annex F.9, F.10 and F.11 of the
//! extensions; the `epoch` column is that of `gpkg_crs_wkt_1_1`.

/// `GPKG` as a number in the header of the file (requirement 2).
pub(super) const APPLICATION_ID: i64 = 0x4750_4B47;
/// Version 1.4.0 of the standard (requirement 2).
pub(super) const USER_VERSION: i64 = 10_400;
/// Identifier of a CRS without an EPSG code.
pub(super) const OWN_SRS: i32 = 100_000;

/// All tables but the layer.
pub(super) const CREATE: &str = r"
CREATE TABLE gpkg_spatial_ref_sys (
  srs_name TEXT NOT NULL,
  srs_id INTEGER NOT NULL PRIMARY KEY,
  organization TEXT NOT NULL,
  organization_coordsys_id INTEGER NOT NULL,
  definition TEXT NOT NULL,
  description TEXT,
  definition_12_063 TEXT NOT NULL,
  epoch DOUBLE
);
CREATE TABLE gpkg_contents (
  table_name TEXT NOT NULL PRIMARY KEY,
  data_type TEXT NOT NULL,
  identifier TEXT UNIQUE,
  description TEXT DEFAULT '',
  last_change DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')),
  min_x DOUBLE,
  min_y DOUBLE,
  max_x DOUBLE,
  max_y DOUBLE,
  srs_id INTEGER,
  CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id)
);
CREATE TABLE gpkg_geometry_columns (
  table_name TEXT NOT NULL,
  column_name TEXT NOT NULL,
  geometry_type_name TEXT NOT NULL,
  srs_id INTEGER NOT NULL,
  z TINYINT NOT NULL,
  m TINYINT NOT NULL,
  CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name),
  CONSTRAINT uk_gc_table_name UNIQUE (table_name),
  CONSTRAINT fk_gc_tn FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name),
  CONSTRAINT fk_gc_srs FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys (srs_id)
);
CREATE TABLE gpkg_extensions (
  table_name TEXT,
  column_name TEXT,
  extension_name TEXT NOT NULL,
  definition TEXT NOT NULL,
  scope TEXT NOT NULL,
  CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name)
);
CREATE TABLE gpkg_metadata (
  id INTEGER CONSTRAINT m_pk PRIMARY KEY ASC NOT NULL,
  md_scope TEXT NOT NULL DEFAULT 'dataset',
  md_standard_uri TEXT NOT NULL,
  mime_type TEXT NOT NULL DEFAULT 'text/xml',
  metadata TEXT NOT NULL DEFAULT ''
);
CREATE TABLE gpkg_metadata_reference (
  reference_scope TEXT NOT NULL,
  table_name TEXT,
  column_name TEXT,
  row_id_value INTEGER,
  timestamp DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')),
  md_file_id INTEGER NOT NULL,
  md_parent_id INTEGER,
  CONSTRAINT crmr_mfi_fk FOREIGN KEY (md_file_id) REFERENCES gpkg_metadata(id),
  CONSTRAINT crmr_mpi_fk FOREIGN KEY (md_parent_id) REFERENCES gpkg_metadata(id)
);
CREATE TABLE gpkg_data_columns (
  table_name TEXT NOT NULL,
  column_name TEXT NOT NULL,
  name TEXT,
  title TEXT,
  description TEXT,
  mime_type TEXT,
  constraint_name TEXT,
  CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),
  CONSTRAINT gdc_tn UNIQUE (table_name, name)
);
CREATE TABLE gpkg_data_column_constraints (
  constraint_name TEXT NOT NULL,
  constraint_type TEXT NOT NULL,
  value TEXT,
  min NUMERIC,
  min_is_inclusive BOOLEAN,
  max NUMERIC,
  max_is_inclusive BOOLEAN,
  description TEXT,
  CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value)
);
INSERT INTO gpkg_extensions VALUES
  ('gpkg_spatial_ref_sys','definition_12_063','gpkg_crs_wkt_1_1','http://www.geopackage.org/spec/#extension_crs_wkt','read-write'),
  ('gpkg_spatial_ref_sys','epoch','gpkg_crs_wkt_1_1','http://www.geopackage.org/spec/#extension_crs_wkt','read-write'),
  ('gpkg_metadata',NULL,'gpkg_metadata','http://www.geopackage.org/spec/#extension_metadata','read-write'),
  ('gpkg_metadata_reference',NULL,'gpkg_metadata','http://www.geopackage.org/spec/#extension_metadata','read-write'),
  ('gpkg_data_columns',NULL,'gpkg_schema','http://www.geopackage.org/spec/#extension_schema','read-write'),
  ('gpkg_data_column_constraints',NULL,'gpkg_schema','http://www.geopackage.org/spec/#extension_schema','read-write');
";

/// The three coordinate systems that every file holds (requirement 11): name, id, organisation, code, WKT 1, WKT 2, description.
pub(super) const ALWAYS: [(&str, i32, &str, &str, &str, &str); 3] = [
    ("Undefined Cartesian SRS", -1, "NONE", "undefined", "undefined", "undefined Cartesian coordinate reference system"),
    ("Undefined geographic SRS", 0, "NONE", "undefined", "undefined", "undefined geographic coordinate reference system"),
    (
        "WGS 84",
        4326,
        "EPSG",
        r#"GEOGCS["WGS 84",DATUM["WGS_1984",SPHEROID["WGS 84",6378137,298.257223563,AUTHORITY["EPSG","7030"]],AUTHORITY["EPSG","6326"]],PRIMEM["Greenwich",0,AUTHORITY["EPSG","8901"]],UNIT["degree",0.0174532925199433,AUTHORITY["EPSG","9122"]],AXIS["Latitude",NORTH],AXIS["Longitude",EAST],AUTHORITY["EPSG","4326"]]"#,
        r#"GEOGCRS["WGS 84",DATUM["World Geodetic System 1984",ELLIPSOID["WGS 84",6378137,298.257223563,LENGTHUNIT["metre",1]]],PRIMEM["Greenwich",0,ANGLEUNIT["degree",0.0174532925199433]],CS[ellipsoidal,2],AXIS["geodetic latitude (Lat)",north,ORDER[1],ANGLEUNIT["degree",0.0174532925199433]],AXIS["geodetic longitude (Lon)",east,ORDER[2],ANGLEUNIT["degree",0.0174532925199433]],ID["EPSG",4326]]"#,
        "longitude/latitude coordinates in decimal degrees on the WGS 84 spheroid",
    ),
];

/// A name as an SQL identifier.
#[must_use]
pub(super) fn quoted(name: &str) -> String {
    format!("\"{}\"", name.replace('"', "\"\""))
}
