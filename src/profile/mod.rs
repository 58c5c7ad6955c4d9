//! Floor 3: the files a user writes. Profiles, sites, and the plan of requests that reads a profile.

pub mod compose;
pub mod import;
mod level;
pub mod meter;
pub mod parse;
pub mod plan;
pub mod point;
pub mod schema;
pub mod site;
pub mod skeleton;
pub mod suggest;

pub use meter::{Parity, Profile, ReadRules, SerialSettings};
pub use parse::{
    FileKind, check_lines, check_pair, file_kind, narrow, parse_profile, parse_site, place_in_site, resolve,
};
pub use plan::{LineCost, Plan, plan, plan_settings};
pub use point::{
    DirectionFlag, Order, Point, Positive, PowerFactorSign, Registers, SiteRatio, Source, Table, Type,
};
pub use schema::{profile_schema, site_schema};
pub use site::{
    CtClass, Door, DriverDirection, Limit, Load, Meter, MeterClass, MeterLine, MeterRole, Netting, Per,
    Placement, Plant, Rule, RuleLimit, Site, Stated,
};
