//! Profiles with one fault each, beside a meter whose map is known: does the search for a single change find the fault, and
//! does its mend make every point read right? Whether physics can show a fault at all is decided here, by formulas of
//! this file's own.

use std::collections::BTreeMap;

use super::layouts::Layout;
use super::mend::{Examined, Look, examine};
use super::trial::map;
use wattward::base::{Phase, PointKey, Quantity};
use wattward::profile::{Order, Point, Positive, Profile, Site, Source, Table, Type, parse_site};
use wattward::reading::Ratios;
use wattward::reading::decode::decode;
use wattward::sim::Seed;

/// What came of one broken profile.
#[expect(clippy::struct_excessive_bools, reason = "independent findings")]
pub(crate) struct Broken {
    pub(crate) kind: &'static str,
    pub(crate) fault: String,
    /// Physics can show that something is wrong.
    pub(crate) shown: bool,
    /// Disagreement was seen.
    pub(crate) noticed: bool,
    /// The first mend makes every point right.
    pub(crate) mended: bool,
    /// One of those that can't be told apart does.
    pub(crate) among: bool,
    pub(crate) examined: Examined,
    pub(crate) text: String,
}

fn values(profile: &Profile, look: &Look) -> BTreeMap<PointKey, Option<f64>> {
    let ratios = Ratios { ct: 1.0, vt: 1.0 };
    let of = |point: &Point| (point.key.clone(), decode(point, ratios, &|run| look.registers.run(run)).ok());
    profile.points.iter().map(of).collect()
}

/// Laws of a three-phase or single-phase supply, each with plenty of room: handbook formulas (S = V I, S² = P² + Q²,
/// P = Σ P of the phases), EN 50160's ranges widened.
fn broken_law(values: &BTreeMap<PointKey, Option<f64>>, three: bool) -> bool {
    use Quantity::{ActivePower, ApparentPower, Current, Frequency, PowerFactor, ReactivePower, Voltage};
    let of = |quantity, phase| values.get(&PointKey::Of(quantity, phase)).copied().flatten();
    if values.values().any(Option::is_none) {
        return true;
    }
    let lines: &[Phase] = if three { &Phase::LINES } else { &[Phase::L1] };
    let off = |seen: f64, law: f64, room: f64| (seen - law).abs() > 0.2 * law.abs().max(seen.abs()) + room;
    for phase in lines.iter().copied().chain([Phase::Total]) {
        if of(Voltage, phase).is_some_and(|volts| !(170.0..290.0).contains(&volts)) {
            return true;
        }
        if of(Frequency, phase).is_some_and(|hertz| !(45.0..55.0).contains(&hertz)) {
            return true;
        }
        if of(PowerFactor, phase).is_some_and(|factor| factor.abs() > 1.1) {
            return true;
        }
        let power = |quantity| match of(quantity, phase) {
            None if !three => of(quantity, Phase::Total),
            known => known,
        };
        let product = of(Voltage, phase).zip(of(Current, phase)).map(|(volts, amps)| volts * amps);
        let (active, reactive, apparent) = (power(ActivePower), power(ReactivePower), power(ApparentPower));
        if let (Some(product), Some(apparent)) = (product, apparent)
            && off(apparent, product, 60.0)
        {
            return true;
        }
        if let (Some(active), Some(reactive), Some(apparent)) = (active, reactive, apparent)
            && (phase != Phase::Total || !three)
            && off(apparent, libm::hypot(active, reactive), 60.0)
        {
            return true;
        }
        if let (Some(active), Some(whole)) = (active, product.or(apparent)) {
            let (active, whole) = (active.abs(), whole.abs());
            if active > 1.2 * whole + 60.0 || (whole > 600.0 && active < 0.08 * whole) {
                return true;
            }
        }
        if let (Some(factor), Some(active), Some(whole)) =
            (of(PowerFactor, phase), active, apparent.or(product))
            && whole > 200.0
            && (factor.abs() - active.abs() / whole).abs() > 0.2
        {
            return true;
        }
        for quantity in [Voltage, Current, ApparentPower, Frequency] {
            if of(quantity, phase).is_some_and(|value| value < 0.0) {
                return true;
            }
        }
    }
    if three {
        for quantity in [ActivePower, ReactivePower] {
            let parts: Option<Vec<f64>> = lines.iter().map(|phase| of(quantity, *phase)).collect();
            if let (Some(parts), Some(total)) = (parts, of(quantity, Phase::Total)) {
                let sizes: f64 = parts.iter().map(|part| part.abs()).sum();
                let sum: f64 = parts.iter().sum();
                if (sum - total).abs() > 0.2 * sizes.max(total.abs()) + 60.0 {
                    return true;
                }
            }
        }
    }
    let huge = |(key, value): (&PointKey, &Option<f64>)| {
        matches!(key, PointKey::Of(quantity, _) if !quantity.is_counter())
            && value.is_some_and(|value| value.abs() > 1e7)
    };
    values.iter().any(huge)
}

fn pick<T: Clone>(seed: &mut Seed, from: &[T]) -> Option<T> {
    from.get((seed.unit() * from.len() as f64) as usize).cloned()
}

/// Which points a fault is made in.
type Holds = Box<dyn Fn(&Point) -> bool>;

/// One fault at random: what kind, to which points.
fn spoil(seed: &mut Seed, profile: &mut Profile) -> Option<(&'static str, String)> {
    let keys: Vec<PointKey> = profile.points.iter().map(|point| point.key.clone()).collect();
    let mut quantities: Vec<Quantity> = keys
        .iter()
        .filter_map(|key| if let PointKey::Of(quantity, _) = key { Some(*quantity) } else { None })
        .collect();
    quantities.dedup();
    let point = pick(seed, &keys)?;
    let quantity = pick(seed, &quantities)?;
    let scope = seed.unit();
    let wide = |point: &Point| matches!(&point.source, Source::Registers { at, .. } if at.count > 1);
    let (name, holds): (String, Holds) = match scope {
        x if x < 0.5 => (point.to_string(), Box::new(move |one: &Point| one.key == point)),
        x if x < 0.75 => (
            format!("every {quantity}"),
            Box::new(move |one: &Point| matches!(one.key, PointKey::Of(own, _) if own == quantity)),
        ),
        _ => ("every point".to_owned(), Box::new(|_: &Point| true)),
    };
    let kind = *pick(seed, &["word order", "address", "address", "scale", "scale", "table", "sign", "type"])
        .as_ref()?;
    if kind == "type" && scope >= 0.75 {
        // Points of several types are not put right by one change.
        return None;
    }
    let up = seed.happens(0.5);
    let power: i32 = pick(seed, &[-3, -2, -1, 1, 2, 3])?;
    let before = profile.clone();
    for one in profile.points.iter_mut().filter(|one| holds(one)) {
        let is_wide = wide(one);
        let positive = one.positive;
        let Source::Registers { at, kind: own, word_order, .. } = &mut one.source else { continue };
        match kind {
            "word order" if is_wide => {
                *word_order =
                    if *word_order == Order::HighFirst { Order::LowFirst } else { Order::HighFirst };
            }
            "address" => {
                at.address = if up { at.address.checked_add(1)? } else { at.address.checked_sub(1)? }
            }
            "table" => at.table = if at.table == Table::Input { Table::Holding } else { Table::Input },
            "type" => {
                *own = match *own {
                    Type::U16 => Type::I16,
                    Type::I16 => Type::U16,
                    Type::U32 | Type::F32 => Type::I32,
                    Type::I32 => Type::F32,
                    other => other,
                }
            }
            "scale" => {
                let factor = libm::pow(10.0, f64::from(power));
                one.scale =
                    if factor < 1.0 { one.scale / (1.0 / factor).round() } else { one.scale * factor };
            }
            "sign" => {
                one.positive = positive.map(|positive| match positive {
                    Positive::Import => Positive::Export,
                    Positive::Export => Positive::Import,
                });
            }
            _ => {}
        }
    }
    (*profile != before).then(|| (kind, format!("{kind} of {name}")))
}

fn overlap(profile: &Profile) -> bool {
    let places: Vec<_> = profile
        .points
        .iter()
        .flat_map(Point::needs)
        .map(|at| (at.table, u32::from(at.address), u32::from(at.address) + u32::from(at.count)))
        .collect();
    places.iter().enumerate().any(|(index, (table, first, end))| {
        places[index + 1..].iter().any(|(other, from, to)| table == other && first < to && from < end)
    })
}

impl Broken {
    /// Nothing where the fault drawn changes nothing, or makes a file that is refused before a byte is sent.
    pub(crate) fn new(number: u64) -> Option<Self> {
        let mut layout = Layout::new(number);
        let mut seed = Seed::named(number, "fault");
        let mut profile = layout.profile.clone();
        let (kind, fault) = spoil(&mut seed, &mut profile)?;
        // Points on each other's registers are told before a byte is sent.
        if overlap(&profile) {
            return None;
        }
        let export = seed.happens(0.3);
        layout.change(export);
        let mut looks = Vec::new();
        for _ in 0..3 {
            layout.wait(2);
            looks.push(Look { at: layout.world.now(), registers: map(&layout.words()) });
        }
        let site = format!(
            "[site]\nphases = {}\n[[meter]]\nprofile = \"m.toml\"\nline = {{ serial = \"sim\" }}\n",
            if layout.three { 3 } else { 1 }
        );
        let (mut site, _): (Site, _) = parse_site("s.toml", &site).ok()?;
        wattward::profile::resolve(&mut site, std::slice::from_ref(&layout.profile));
        let examined = examine(&profile, &site, &site.meters[0], &looks);
        let later: Vec<Look> = (0..4)
            .map(|_| {
                layout.change(export);
                Look { at: layout.world.now(), registers: map(&layout.words()) }
            })
            .collect();
        let right = |mended: &Profile| {
            looks.iter().chain(&later).all(|look| {
                let (truth, read) = (values(&layout.profile, look), values(mended, look));
                truth.iter().all(|(key, truth)| match (truth, read.get(key).copied().flatten()) {
                    (Some(truth), Some(read)) => (truth - read).abs() <= 1e-6 * truth.abs() + 1e-9,
                    (None, _) => true,
                    _ => false,
                })
            })
        };
        // A fault that changes no value now or later is none.
        if right(&profile) {
            return None;
        }
        let broken =
            |profile: &Profile| looks.iter().any(|look| broken_law(&values(profile, look), layout.three));
        let shown = broken(&profile) && !broken(&layout.profile);
        let mended = examined.settled && examined.mends.first().is_some_and(|mend| right(&mend.profile));
        let among = examined.settled && examined.mends.iter().any(|mend| right(&mend.profile));
        let noticed = examined.amount >= 0.5;
        Some(Self { kind, fault, shown, noticed, mended, among, examined, text: layout.text })
    }
}
