//! The meter a check is of.

use crate::base::Failure;
use crate::profile::{MeterRole, Site};

/// The meter a check is of: the named one, else the first with the first of these roles that the site has.
///
/// # Errors
/// The site has no such meter.
pub(crate) fn meter_index(site: &Site, name: Option<&str>, roles: [MeterRole; 2]) -> Result<usize, Failure> {
    let with = |role: &MeterRole| site.meters.iter().position(|meter| meter.role == *role);
    let found = match name {
        Some(name) => site.meters.iter().position(|meter| meter.name == name),
        None => roles.iter().find_map(with),
    };
    found.ok_or_else(|| {
        let names: Vec<&str> = site.meters.iter().map(|meter| meter.name.as_str()).collect();
        Failure::usage("the site has no such meter to judge").hint(format!("it has {}", names.join(", ")))
    })
}
