//! Where a grid that is not on this machine comes from. Nothing is ever fetched.

/// Grids of Debian's package `proj-data` 9.1.1-1 (Debian 12), by its list of files; each with the name
/// of PROJ's public grid collection for which the library takes it too.
const DEBIAN: [(&str, &str); 7] = [
    ("egm96_15.gtx", "us_nga_egm96_15.tif"),
    ("BETA2007.gsb", "de_adv_BETA2007.tif"),
    ("CHENYX06.gsb", ""),
    ("CHENYX06a.gsb", ""),
    ("CHENYX06_etrs.gsb", ""),
    ("ntf_r93.gsb", "fr_ign_ntf_r93.tif"),
    ("nzgd2kgrid0005.gsb", "nz_linz_nzgd2kgrid0005.tif"),
];

/// What `proj-data` of Debian holds, in one phrase.
pub const DEBIAN_HOLDS: &str =
    "EGM96 (15 minutes; good to decimetres only) and national shift grids of Germany, Switzerland, France and New Zealand";

/// How a grid comes to this machine: package or publisher, then the command that adds it.
#[must_use]
pub fn how_to_get(file: &str) -> String {
    let same = |a: &str| a.eq_ignore_ascii_case(file);
    if let Some((name, _)) = DEBIAN.iter().find(|(old, new)| same(old) || (!new.is_empty() && same(new))) {
        let renamed = if same(name) { String::new() } else { format!(" under the name `{name}`, which is found too") };
        let coarse = if name.starts_with("egm96") { " (EGM96 is good to decimetres only)" } else { "" };
        return format!("install Debian's package `proj-data`, which has it{renamed}{coarse}: `sudo apt-get install proj-data`");
    }
    let publisher = match collection(file) {
        Some(folder) => format!("its publisher, or folder `{folder}` of PROJ's public grid collection"),
        None => "the national mapping agency".to_owned(),
    };
    format!(
        "get `{file}` from {publisher} on a machine with network (Debian's `proj-data` has only {DEBIAN_HOLDS}), then `gunter grids add {file} --model NAME --version VERSION`, or put it beside the reference file or in `grids` below it"
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

    #[test]
    fn sources_of_grids() {
        assert!(how_to_get("egm96_15.gtx").contains("apt-get install proj-data"));
        assert!(how_to_get("us_nga_egm96_15.tif").contains("`egm96_15.gtx`"));
        let text = how_to_get("us_noaa_g2018u0.tif");
        assert!(text.contains("folder `us_noaa`") && text.contains("gunter grids add us_noaa_g2018u0.tif"), "{text}");
        assert!(how_to_get("county.gtx").contains("national mapping agency"));
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
        let mut want: Vec<String> = DEBIAN.iter().map(|(n, _)| (*n).to_owned()).collect();
        want.sort();
        assert_eq!(have, want);
    }
}
