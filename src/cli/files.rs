//! Profile and site files from disk: read, parsed, laid side by side, with every fault of all of them in one go.

use std::path::{Path, PathBuf};

use super::source::read_text;
use crate::base::{Failure, Faults};
use crate::profile::{
    Profile, Site, check_lines, check_pair, parse_profile, parse_site, place_in_site, resolve,
};

/// A site with the profiles of its meters, in the order of its meters.
#[derive(Debug)]
pub(crate) struct SiteFiles {
    /// Resolved: what it leaves to the profiles is filled in.
    pub(crate) site: Site,
    /// One for each meter, as in the file (not narrowed to the site's phases).
    pub(crate) profiles: Vec<Profile>,
    /// What is unlikely to be meant.
    pub(crate) warnings: Vec<Faults>,
}

/// Reads a site file and the profiles it names.
///
/// # Errors
/// All faults of all files, or the one file that can't be read.
pub(crate) fn site_files(path: &Path) -> Result<SiteFiles, Failure> {
    let name = path.display().to_string();
    let (mut site, own) =
        parse_site(&name, &read_text(path)?.text).map_err(|faults| Failure::faulty_files(vec![faults]))?;
    let mut bags = vec![own];
    let mut profiles = Vec::new();
    for (index, meter) in site.meters.iter().enumerate() {
        let file = beside(path, &meter.profile);
        let shown = file.display().to_string();
        match read_text(&file) {
            Ok(read) => match parse_profile(&shown, &read.text) {
                Ok((profile, warnings)) => {
                    profiles.push(profile);
                    bags.push(warnings);
                }
                Err(faults) => bags.push(faults),
            },
            Err(failure) => {
                let place = place_in_site(&site.text, index, "profile");
                let mend = failure.hint.unwrap_or_else(|| {
                    "correct the path; it counts from the folder of the site file".to_owned()
                });
                bags[0].error(place, failure.message, mend);
            }
        }
    }
    if profiles.len() == site.meters.len() {
        resolve(&mut site, &profiles);
        for (index, profile) in profiles.iter().enumerate() {
            bags.push(check_pair(&name, &site, index, profile));
        }
        bags.push(check_lines(&name, &site, &profiles));
    }
    let bags = once_each(bags);
    if bags.iter().any(Faults::any_error) {
        return Err(Failure::faulty_files(bags));
    }
    Ok(SiteFiles { site, profiles, warnings: bags })
}

/// Reads a profile that is used without a site file.
///
/// # Errors
/// All its faults, or that it can't be read.
pub(crate) fn profile_file(path: &Path) -> Result<(Profile, Faults), Failure> {
    let name = path.display().to_string();
    parse_profile(&name, &read_text(path)?.text).map_err(|faults| Failure::faulty_files(vec![faults]))
}

/// A path that counts from the folder of another file.
fn beside(site_file: &Path, profile: &str) -> PathBuf {
    site_file.parent().unwrap_or_else(|| Path::new("")).join(profile)
}

/// Faults of one file together, the same one only once (two meters may share a profile), empty bags left out.
fn once_each(bags: Vec<Faults>) -> Vec<Faults> {
    let mut merged: Vec<Faults> = Vec::new();
    for bag in bags {
        match merged.iter_mut().find(|known| known.file == bag.file) {
            Some(known) => {
                for fault in bag.list {
                    if !known.list.contains(&fault) {
                        known.list.push(fault);
                    }
                }
                known.sort();
            }
            None => merged.push(bag),
        }
    }
    merged.retain(|bag| !bag.list.is_empty());
    merged
}
