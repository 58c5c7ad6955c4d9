//! The meter a check is of, and what is said when none answers.

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

/// No meter answers where one should.
pub(crate) fn no_answer() -> Failure {
    Failure::nothing("no meter answered").hint(
        "`wattward find` looks for meters and their settings, `wattward line` says what is wrong with a line; check the unit \
         address and the polarity of the pair",
    )
}
