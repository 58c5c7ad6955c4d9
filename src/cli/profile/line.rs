//! `profile check --line`: the meter read with its profile, and with what stands beside it, until one change makes
//! everything agree.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;

use serde_json::{Value, json};

use super::check::LineOptions;
use super::fit::{Answers, Asker, Terms};
use crate::base::{Failure, FailureKind, PointKey, Span};
use crate::cli::exit::Exit;
use crate::cli::out::Out;
use crate::cli::source::{Extra, load, overrides, set_up};
use crate::link::survey::Where;
use crate::pipeline::site_and_profiles;
use crate::profile::{Meter, Point, Profile, Registers, Site, Table, narrow};
use crate::reading::mend::{Examined, Look, Misfit, examine};
use crate::record::Record;
use crate::report::text::wrapped;

/// How many readings are taken.
const READINGS: usize = 3;
/// Rest between two readings at least.
const APART: Span = Span::from_millis(1000);

/// One meter examined.
struct Checked {
    meter: String,
    profile: String,
    readings: usize,
    points: usize,
    examined: Examined,
}

/// Runs the command; whether everything agrees, as exit code.
pub(super) fn run(options: &LineOptions, out: &Out) -> Result<(Exit, Value), Failure> {
    let checked = if options.source.from.is_empty() { live(options, out)? } else { recorded(options, out)? };
    let agrees = |one: &Checked| one.examined.agrees();
    if !out.json {
        for one in &checked {
            out.print(&screen(one, out.width));
        }
    }
    let exit = if checked.iter().all(agrees) { Exit::Done } else { Exit::Usage };
    Ok((exit, checked.iter().map(document).collect()))
}

/// The meters to look at: the named one, or all.
fn chosen(site: &Site, name: Option<&str>) -> Result<Vec<usize>, Failure> {
    let meters =
        (0..site.meters.len()).filter(|index| name.is_none_or(|name| site.meters[*index].name == name));
    let meters: Vec<usize> = meters.collect();
    if meters.is_empty() {
        let names: Vec<&str> = site.meters.iter().map(|meter| meter.name.as_str()).collect();
        return Err(Failure::usage("the site has no such meter").hint(format!("it has {}", names.join(", "))));
    }
    Ok(meters)
}

fn live(options: &LineOptions, out: &Out) -> Result<Vec<Checked>, Failure> {
    let set_up = set_up(&options.source, &Extra::default())?;
    let mut checked = Vec::new();
    for index in chosen(&set_up.site, options.meter.as_deref())? {
        let (meter, profile) = (&set_up.site.meters[index], &set_up.profiles[index]);
        let terms = Terms {
            door: meter.line.door.clone(),
            settings: meter.line.settings(profile.line),
            unit: meter.unit.unwrap_or(profile.unit),
            listen_first: options.listen_first,
            share_line: options.share_line,
        };
        let mut asker = Asker::new(terms, out)?;
        let own = narrow(profile, set_up.site.lines());
        let survey = asker.survey(&Where::Only(around(&own.points)), out)?;
        let runs = survey.runs();
        let mut looks = Vec::new();
        for number in 0..READINGS {
            if number > 0 {
                let rest = profile.read.update.max(APART);
                if asker.searching.wait(Some(rest)) == crate::rim::Event::Interrupt {
                    return Err(Failure::new(FailureKind::Interrupted, "interrupted"));
                }
            }
            let registers = asker.sweep(&runs, out)?;
            looks.push(Look { at: asker.searching.now(), registers });
        }
        checked.push(one(&set_up.site, meter, profile, &looks));
    }
    Ok(checked)
}

fn recorded(options: &LineOptions, out: &Out) -> Result<Vec<Checked>, Failure> {
    let overrides = overrides(&options.source, &Extra::default())?;
    let loaded = load(&options.source.from, &overrides)?;
    for note in &loaded.notes {
        out.error(&format!("note: {note}"));
    }
    let marks = loaded.records.iter().filter_map(|record| match record {
        Record::Mark(mark) => Some(&**mark),
        _ => None,
    });
    let (site, profiles, warnings) = site_and_profiles(marks, &overrides)?;
    for faults in &warnings {
        out.note(&crate::cli::render::faults(faults, out));
    }
    let mut checked = Vec::new();
    for index in chosen(&site, options.meter.as_deref())? {
        let (meter, profile) = (&site.meters[index], &profiles[index]);
        let answers = Answers::of(&loaded, Some(meter.unit.unwrap_or(profile.unit)))?;
        let Some((first, last)) = answers.span() else { continue };
        let looks: Vec<Look> = (0..READINGS as i64)
            .map(|number| first + Span::from_nanos((last - first).nanos() / (READINGS as i64 - 1) * number))
            .map(|at| Look { at, registers: answers.around(at) })
            .collect();
        checked.push(one(&site, meter, profile, &looks));
    }
    Ok(checked)
}

fn one(site: &Site, meter: &Meter, profile: &Profile, looks: &[Look]) -> Checked {
    let own = narrow(profile, site.lines());
    Checked {
        meter: meter.name.clone(),
        profile: profile.name.clone(),
        readings: looks.len(),
        points: own.points.len(),
        examined: examine(&own, site, meter, looks),
    }
}

/// The registers of every point with their neighbours, in both tables, put together.
fn around(points: &[Point]) -> Vec<Registers> {
    let mut marked: BTreeSet<(Table, u16)> = BTreeSet::new();
    for at in points.iter().flat_map(Point::needs) {
        let first = at.address.saturating_sub(1);
        let last = at.address.saturating_add(at.count);
        for address in first..=last {
            marked.insert((Table::Input, address));
            marked.insert((Table::Holding, address));
        }
    }
    let mut runs: Vec<Registers> = Vec::new();
    for (table, address) in marked {
        match runs.last_mut() {
            Some(last) if last.table == table && last.address.checked_add(last.count) == Some(address) => {
                last.count += 1;
            }
            _ => runs.push(Registers { table, address, count: 1 }),
        }
    }
    runs
}

fn screen(checked: &Checked, width: usize) -> String {
    let examined = &checked.examined;
    let mut text = format!(
        "{} ({}): {} points in {} readings, ",
        checked.meter, checked.profile, checked.points, checked.readings
    );
    if examined.agrees() {
        text.push_str("all in agreement with each other\n");
        text.push_str(&wrapped(
            "  ",
            "What this can't show: which way power counts, and which phase is which. `wattward ct` shows both.",
            width,
        ));
        return text;
    }
    text.push_str("not in agreement\n");
    for misfit in examined.misfits.iter().take(6) {
        text.push_str(&wrapped("  not so: ", &told(misfit, &examined.values), width));
    }
    if let Some(more) = examined.misfits.len().checked_sub(6).filter(|more| *more > 0) {
        let _ = writeln!(text, "  and {more} more");
    }
    if !examined.absent.is_empty() {
        let names: Vec<String> = examined.absent.iter().map(ToString::to_string).collect();
        text.push_str(&wrapped("  no value: ", &names.join(", "), width));
    }
    let lead = match (examined.settled, examined.mends.len()) {
        (true, 1) => "This change makes everything agree:",
        (true, _) => {
            "Each of these makes everything agree, likeliest first; look at the register list, or at the meter's display:"
        }
        (false, 0) => {
            "No single change makes it better: several lines are wrong, or the meter is another one."
        }
        (false, _) => {
            "No single change makes everything agree. This one helps most; make it and check again:"
        }
    };
    text.push_str(&wrapped("", lead, width));
    for mend in &examined.mends {
        text.push_str(&wrapped("  -> ", &mend.words, width));
    }
    text
}

/// A law with what was read.
fn told(misfit: &Misfit, values: &BTreeMap<PointKey, f64>) -> String {
    let value = |key: &PointKey| {
        let unit = match key {
            PointKey::Of(quantity, _) => quantity.dimension().base(),
            _ => "",
        };
        match values.get(key) {
            Some(value) => format!("{key} {} {unit}", number(*value)).trim_end().to_owned(),
            None => format!("{key} without a value"),
        }
    };
    let values: Vec<String> = misfit.points.iter().map(value).collect();
    format!("{} ({})", misfit.law, values.join(", "))
}

fn number(value: f64) -> String {
    let size = value.abs();
    if size != 0.0 && !(1e-3..1e7).contains(&size) {
        format!("{value:.2e}")
    } else if size >= 100.0 || value.fract() == 0.0 {
        format!("{value:.0}")
    } else {
        format!("{value:.2}")
    }
}

fn document(checked: &Checked) -> Value {
    let examined = &checked.examined;
    let names = |keys: &[PointKey]| keys.iter().map(ToString::to_string).collect::<Vec<_>>();
    let misfits: Vec<Value> = examined
        .misfits
        .iter()
        .map(|misfit| json!({ "law": misfit.law, "size": misfit.size, "points": names(&misfit.points) }))
        .collect();
    let mends: Vec<Value> = examined
        .mends
        .iter()
        .map(|mend| json!({ "mend": mend.words, "points": names(&mend.points), "left": mend.left }))
        .collect();
    json!({
        "meter": checked.meter,
        "profile": checked.profile,
        "readings": checked.readings,
        "agrees": examined.agrees(),
        "amount": examined.amount,
        "broken": misfits,
        "absent": names(&examined.absent),
        "settled": examined.settled,
        "mends": mends,
    })
}
