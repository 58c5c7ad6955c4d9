//! Floor 3: the files a user writes. Profiles, sites, and the plan of requests that reads a profile.

pub mod meter;
pub mod point;
pub mod site;

pub use meter::{Parity, Profile, ReadRules, SerialSettings};
pub use point::{
    DirectionFlag, Order, Point, Positive, PowerFactorSign, Registers, SiteRatio, Source, Table, Type,
};
pub use site::{
    CtClass, Door, DriverDirection, Limit, Load, Meter, MeterClass, MeterLine, MeterRole, Netting, Per,
    Placement, Plant, Rule, RuleLimit, Site,
};
