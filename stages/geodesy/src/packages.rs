//! Where a grid that is not on this machine comes from. Nothing is ever fetched.

/// Grids of Debian's package `proj-data` 9.1.1-1 (Debian 12), by its list of files.
const DEBIAN: [&str; 7] =
    ["egm96_15.gtx", "BETA2007.gsb", "CHENYX06.gsb", "CHENYX06a.gsb", "CHENYX06_etrs.gsb", "ntf_r93.gsb", "nzgd2kgrid0005.gsb"];

/// What `proj-data` of Debian holds, in one phrase.
pub const DEBIAN_HOLDS: &str =
    "EGM96 (15 minutes; good to decimetres only) and national shift grids of Germany, Switzerland, France and New Zealand";

/// Names of grids with their older names.
const OLDER: &str = include_str!("older.csv");

/// The older name under which a grid of PROJ's public collection may lie on a machine; the same grid in an older format.
#[must_use]
pub fn older(file: &str) -> Option<&'static str> {
    OLDER.lines().filter(|l| !l.starts_with('#')).skip(1).filter_map(|l| l.split_once(',')).find(|(name, _)| *name == file).map(|(_, o)| o)
}

/// How a grid comes to this machine: package or publisher, then the command that adds it.
#[must_use]
pub fn how_to_get(file: &str) -> String {
    let older = older(file);
    let held = |name: &str| DEBIAN.into_iter().find(|n| n.eq_ignore_ascii_case(name));
    if let Some(name) = held(file).or_else(|| held(older?)) {
        let renamed =
            if name.eq_ignore_ascii_case(file) { String::new() } else { format!(" under the older name `{name}`, which is found too") };
        let coarse = if name.starts_with("egm96") { " (EGM96 is good to decimetres only)" } else { "" };
        return format!("install Debian's package `proj-data`, which has it{renamed}{coarse}: `sudo apt-get install proj-data`");
    }
    let publisher = match collection(file) {
        Some(folder) => format!("its publisher, or folder `{folder}` of PROJ's public grid collection"),
        None => "the national mapping agency".to_owned(),
    };
    let older = older.map_or_else(String::new, |older| format!("; a file `{older}`, its older name, is found too"));
    format!(
        "get `{file}` from {publisher} on a machine with network (Debian's `proj-data` has only {DEBIAN_HOLDS}), then `gunter grids add {file} --model NAME --version VERSION`, or put it beside the reference file or in `grids` below it{older}"
    )
}

/// Folder of PROJ's grid collection for a name such as `uk_os_OSTN15_NTv2_OSGBtoETRS.tif`: country, agency.
fn collection(file: &str) -> Option<String> {
    let mut parts = file.strip_suffix(".tif")?.split('_');
    let (country, agency) = (parts.next()?, parts.next()?);
    parts.next()?;
    let good = country.len() == 2 && !agency.is_empty() && file.chars().take(country.len()).all(|c| c.is_ascii_lowercase());
    good.then(|| format!("{country}_{agency}"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::proj_context::ProjContext;

    #[test]
    fn sources_of_grids() {
        assert!(how_to_get("egm96_15.gtx").contains("apt-get install proj-data"));
        assert!(how_to_get("us_nga_egm96_15.tif").contains("`egm96_15.gtx`"));
        let text = how_to_get("us_noaa_g2018u0.tif");
        assert!(text.contains("folder `us_noaa`") && text.contains("gunter grids add us_noaa_g2018u0.tif"), "{text}");
        // The older name is that of the registry; a grid that never had another has none.
        assert_eq!(older("ca_nrc_HT2_2010v70.tif"), Some("HT2_2010v70.gtx"));
        assert_eq!(older("fr_ign_ntf_r93.tif"), Some("ntf_r93.gsb"));
        for none in ["au_ga_AGQG_20191107.tif", "ntf_r93.gsb", "county.tif", "a b.tif", "../x.tif", ""] {
            assert_eq!(older(none), None, "{none}");
        }
        assert!(how_to_get("ca_nrc_HT2_2010v70.tif").contains("`HT2_2010v70.gtx`, its older name"));
        assert!(how_to_get("county.gtx").contains("national mapping agency"));
    }

    #[test]
    fn older_names_are_those_of_the_registry() {
        let rows: Vec<(&str, &str)> = OLDER.lines().filter(|l| !l.starts_with('#')).skip(1).filter_map(|l| l.split_once(',')).collect();
        assert!(rows.len() > 100, "{}", rows.len());
        for (name, older) in rows {
            assert_eq!(ProjContext::older_name(name).as_deref(), Some(older), "{name}");
        }
        assert_eq!(ProjContext::older_name("au_ga_AGQG_20191107.tif"), None);
    }

    #[test]
    fn the_list_is_that_of_the_package() {
        let folder = std::path::Path::new("/usr/share/proj");
        if !std::path::Path::new("/var/lib/dpkg/info/proj-data.list").exists() {
            eprintln!("SKIPPED: Debian's `proj-data` is not installed");
            return;
        }
        let mut have: Vec<String> = std::fs::read_dir(folder)
            .unwrap()
            .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
            .filter(|n| n.ends_with(".gsb") || n.ends_with(".gtx") || n.ends_with(".tif"))
            .collect();
        have.sort();
        let mut want: Vec<String> = DEBIAN.iter().map(|n| (*n).to_owned()).collect();
        want.sort();
        assert_eq!(have, want);
    }
}
