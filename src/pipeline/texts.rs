//! Where the site and its profiles come from: options first, then the capture itself.

use crate::base::{Failure, Faults};
use crate::profile::{Profile, Site, check_pair, narrow, parse_profile, parse_site, resolve};
use crate::record::{Mark, MarkKind};

/// The text of a file with the name the user knows it by.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Text {
    /// The name shown with its faults.
    pub file: String,
    /// What it holds.
    pub text: String,
}

/// Texts given beside a capture, which go before the ones inside it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Overrides {
    /// The site file.
    pub site: Option<Text>,
    /// A site for captures that hold none.
    pub fallback_site: Option<Text>,
    /// Profiles by the path a site file names them with.
    pub profiles: Vec<(String, Text)>,
    /// One profile for every meter.
    pub profile: Option<Text>,
}

/// The site and the profiles of its meters, in the order of the site's meters, with warnings about their texts.
///
/// # Errors
/// Every fault of every text at once, or the text that is missing.
pub fn site_and_profiles<'a>(
    marks: impl Iterator<Item = &'a Mark>,
    overrides: &Overrides,
) -> Result<(Site, Vec<Profile>, Vec<Faults>), Failure> {
    let marks: Vec<&Mark> = marks.filter(|mark| mark.text.is_some()).collect();
    let recorded = if overrides.site.is_some() { None } else { site_mark(&marks)? };
    // Files beside a site that only stands in must not change what a capture with its own says.
    let beside = recorded.is_none();
    let site_text = overrides.site.clone().or(recorded).or_else(|| overrides.fallback_site.clone());
    let Some(site_text) = site_text else {
        return Err(Failure::usage("the capture holds no site file and none is given")
            .hint("name one with --site FILE, or the meter's profile with --profile FILE"));
    };
    let (mut faults, mut warnings) = (Vec::new(), Vec::new());
    let mut sort = |found: Faults| {
        if found.any_error() {
            faults.push(found);
        } else if !found.list.is_empty() {
            warnings.push(found);
        }
    };
    let mut site = match parse_site(&site_text.file, &site_text.text) {
        Ok((site, found)) => {
            sort(found);
            site
        }
        Err(found) => return Err(Failure::faulty_files(vec![found])),
    };
    let mut profiles = Vec::new();
    for meter in &site.meters {
        let given = overrides.profiles.iter().find(|(path, _)| *path == meter.profile).map(|(_, text)| text);
        let first = overrides.profile.as_ref().or(given.filter(|_| beside)).cloned();
        let inside = || profile_mark(&marks, &meter.name, &meter.profile);
        let Some(text) = first.or_else(inside).or_else(|| given.cloned()) else {
            return Err(Failure::usage(format!(
                "nothing holds the profile `{}` of meter `{}`",
                meter.profile, meter.name
            ))
            .hint("name it with --profile FILE, or give --site FILE so that it is found beside that file"));
        };
        match parse_profile(&text.file, &text.text) {
            Ok((profile, found)) => {
                sort(found);
                profiles.push(profile);
            }
            Err(found) => sort(found),
        }
    }
    if faults.is_empty() {
        resolve(&mut site, &profiles);
        for (index, profile) in profiles.iter().enumerate() {
            let found = check_pair(&site_text.file, &site, index, profile);
            if found.any_error() {
                faults.push(found);
            } else if !found.list.is_empty() {
                warnings.push(found);
            }
        }
    }
    if !faults.is_empty() {
        return Err(Failure::faulty_files(faults));
    }
    let lines = site.lines();
    let profiles = profiles.iter().map(|profile| narrow(profile, lines).into_owned()).collect();
    Ok((site, profiles, warnings))
}

/// The latest site file in the captures: a site file grows during a visit. Captures of different sites are no one case.
fn site_mark(marks: &[&Mark]) -> Result<Option<Text>, Failure> {
    let texts = marks.iter().filter(|mark| mark.kind == MarkKind::Site).filter_map(|mark| mark.text.as_ref());
    let texts: Vec<&String> = texts.collect();
    let file = "site file in the capture";
    let named = |text: &&String| parse_site(file, text.as_str()).ok().map(|(site, _)| site.name);
    let mut names: Vec<String> = texts.iter().filter_map(named).collect();
    names.dedup();
    if names.len() > 1 {
        let names = names.join("`, `");
        return Err(Failure::usage(format!("the captures are of different sites: `{names}`"))
            .hint("judge each site's captures by themselves, or give the one site file with --site FILE"));
    }
    Ok(texts.last().map(|text| Text { file: file.into(), text: (*text).clone() }))
}

/// The profile mark of this meter; else, where marks name no meter, the one whose message ends in the profile's path; else
/// the only one there is.
fn profile_mark(marks: &[&Mark], meter: &str, path: &str) -> Option<Text> {
    let profiles: Vec<&&Mark> = marks.iter().filter(|mark| mark.kind == MarkKind::Profile).collect();
    let named = profiles.iter().rfind(|mark| mark.meter.as_deref() == Some(meter));
    let unnamed = || profiles.iter().find(|mark| mark.meter.is_none() && mark.message.ends_with(path));
    let only = || profiles.first().filter(|_| profiles.len() == 1);
    let mark = named.or_else(unnamed).or_else(only)?;
    Some(Text { file: format!("{path} in the capture"), text: mark.text.clone()? })
}
