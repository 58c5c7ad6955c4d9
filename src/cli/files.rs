//! Profile and site files from disk: read, parsed, laid side by side, with every fault of all of them in one go.

use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use crate::base::{Failure, Faults};
use crate::profile::{Profile, Site, check_pair, parse_profile, parse_site, place_in_site, resolve};

/// No file a person writes comes near this; what does is a capture or a picture.
const LARGEST: u64 = 1_000_000;

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
        parse_site(&name, &text(path)?).map_err(|faults| Failure::faulty_files(vec![faults]))?;
    let mut bags = vec![own];
    let mut profiles = Vec::new();
    for (index, meter) in site.meters.iter().enumerate() {
        let file = beside(path, &meter.profile);
        let shown = file.display().to_string();
        match text(&file) {
            Ok(text) => match parse_profile(&shown, &text) {
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
    parse_profile(&name, &text(path)?).map_err(|faults| Failure::faulty_files(vec![faults]))
}

/// The text of a file a person wrote.
///
/// # Errors
/// Exit 2: it is not there, not readable, or no text.
#[expect(clippy::disallowed_methods, reason = "the command line's door to files a person writes")]
pub(crate) fn text(path: &Path) -> Result<String, Failure> {
    let shown = path.display();
    let refused = |error: std::io::Error| {
        let failure = match error.kind() {
            ErrorKind::NotFound => return Failure::usage(format!("there is no file `{shown}`")),
            ErrorKind::PermissionDenied => Failure::usage(format!("`{shown}` may not be read")),
            _ => Failure::usage(format!("`{shown}` can't be read: {error}")),
        };
        failure.hint("check the path and the permissions of the file")
    };
    let about = std::fs::metadata(path).map_err(refused)?;
    if about.is_dir() {
        return Err(Failure::usage(format!("`{shown}` is a folder")).hint("name the file in it"));
    }
    if about.len() > LARGEST {
        return Err(Failure::usage(format!("`{shown}` is too large for a profile or a site file"))
            .hint("a capture is read with `--from`"));
    }
    let bytes = std::fs::read(path).map_err(refused)?;
    String::from_utf8(bytes).map_err(|error| {
        let at = error.utf8_error().valid_up_to();
        Failure::usage(format!("`{shown}` is no UTF-8 text: the byte at offset {at} belongs to none"))
            .hint("save it as UTF-8; a capture is read with `--from`")
    })
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
