//! Random sites: no false pass, hardly a false fail, most of what can be decided decided, uncertainties that hold.

use std::fmt::Write;

use wattward::check::Verdict;
use wattward::check::ct::body::Status;
use wattward::check::ct::{CtOptions, examine};

use super::scene::{Played, Scene};

#[derive(Default, Debug)]
struct Tally {
    sites: usize,
    false_pass: Vec<u64>,
    false_fail: Vec<u64>,
    decidable: usize,
    decided: usize,
    open: Vec<u64>,
    steps: usize,
    covered: usize,
    type_a: usize,
    type_a_covered: usize,
    /// Errors over standard uncertainty, in bins of a half from −3 to 3, beyond in the outermost.
    histogram: [usize; 14],
}

/// Whether the contract lets this site be decided: sign stated, plant idle or none, every line tested, a load of 1 kW or more.
fn is_decidable(scene: &Scene) -> bool {
    scene.meter.says_signed
        && !scene.meter.unsigned
        && (scene.plant.is_none() || scene.plant_off)
        && scene.placements.len() == scene.house.phases
        && scene.load_w >= 1000.0
        && scene.forget == 0.0
        && is_tellable(scene)
}

/// Whether the faults are such that this meter can show them: one factor on all channels may be the load's; a load that
/// moves nothing on a meter without voltage may never have run; without reactive power a wrong voltage lead reads as a
/// reversed CT of half the ratio.
fn is_tellable(scene: &Scene) -> bool {
    let wires = &scene.house.wires;
    let kind = scene.meter.kind;
    let one_factor = wires.iter().all(|wire| wire.ratio == wires[0].ratio && wire.ratio != 1.0);
    let seen = |line: usize| wires.iter().any(|wire| wire.conductors & (1 << line) != 0);
    let all_seen = (0..scene.house.phases).all(seen);
    let lead = wires
        .iter()
        .enumerate()
        .any(|(line, wire)| wire.voltage_line != line && wire.conductors == 1 << line);
    let several = wires.iter().any(|wire| wire.conductors.count_ones() > 1);
    let half = kind.is_total()
        && scene.house.phases == 3
        && wires.iter().any(|wire| (0.35..0.7).contains(&wire.ratio));
    !one_factor && !half && (kind.has_voltage() || all_seen) && (kind.has_reactive() || !lead) && !several
}

fn count(tally: &mut Tally, played: &Played) {
    let scene = &played.scene;
    let judged = examine(&played.case, &CtOptions::default());
    let finding = &judged.finding;
    let right = scene.is_right();
    tally.sites += 1;
    if !right && finding.verdict == Verdict::Pass {
        tally.false_pass.push(scene.seed);
    }
    let wrongly = finding.body.channels.iter().enumerate().any(|(index, channel)| {
        channel.status == Status::Faulty
            && (right || (channel.channel != "total" && scene.house.wires[index].is_right(index)))
    });
    if wrongly {
        tally.false_fail.push(scene.seed);
    }
    if is_decidable(scene) {
        tally.decidable += 1;
        if finding.verdict == Verdict::Inconclusive {
            tally.open.push(scene.seed);
        } else {
            tally.decided += 1;
        }
    }
    if scene.house.battery.is_some() || scene.meter.unsigned {
        return;
    }
    for one in judged.measured.iter().filter(|one| one.consensus.found) {
        let Some(line) = one.test.placement.and_then(|placement| {
            scene.placements.iter().find(|line| placement.word() == ["L1", "L2", "L3"][**line])
        }) else {
            continue;
        };
        for (channel, response) in one.responses.iter().enumerate() {
            let Some(response) = response else { continue };
            let total = scene.meter.kind.is_total();
            let parts = if total { 0..scene.house.wires.len() } else { channel..channel + 1 };
            let (mut truth, mut shown) = (0.0, 0.0);
            for part in parts {
                let value = played.truth(part, *line).map_or(0.0, |value| value.0);
                truth += value;
                shown += value * (1.0 + scene.meter.errors[part]);
            }
            tally.steps += 1;
            let error = (response.active.value - truth) / response.active_standard();
            tally.histogram[(error * 2.0 + 7.0).clamp(0.0, 13.0) as usize] += 1;
            tally.covered +=
                usize::from((response.active.value - truth).abs() <= 2.0 * response.active_standard());
            if response.pairs >= 3 {
                let reach = response.active.standard
                    * wattward::base::uncertain::student_quantile(0.975, response.active.freedom);
                tally.type_a += 1;
                tally.type_a_covered += usize::from((response.active.value - shown).abs() <= reach);
            }
        }
    }
}

#[test]
fn random_sites_are_never_passed_when_they_are_wrong() {
    let sites: u64 = std::env::var("WATTWARD_SITES").ok().and_then(|text| text.parse().ok()).unwrap_or(150);
    let first: u64 = std::env::var("WATTWARD_SEED").ok().and_then(|text| text.parse().ok()).unwrap_or(1);
    let mut tally = Tally::default();
    for seed in first..first + sites {
        count(&mut tally, &Scene::random(seed).play());
        if tally.sites % 1000 == 0 {
            println!(
                "{} sites, false pass {:?}, false fail {:?}, decided {} of {}",
                tally.sites, tally.false_pass, tally.false_fail, tally.decided, tally.decidable
            );
        }
    }
    println!(
        "false pass {:?} false fail {:?} open {:?}",
        tally.false_pass,
        tally.false_fail,
        &tally.open[..tally.open.len().min(40)]
    );
    let text = figures(&tally, first);
    println!("{text}");
    assert_eq!(tally.false_pass, Vec::<u64>::new());
    assert_eq!(tally.false_fail, Vec::<u64>::new());
    let share = |part: usize, whole: usize| part as f64 / whole.max(1) as f64;
    assert!(share(tally.decided, tally.decidable) >= 0.95, "{} of {}", tally.decided, tally.decidable);
    assert!(share(tally.covered, tally.steps) >= 0.95, "{} of {}", tally.covered, tally.steps);
    let type_a = share(tally.type_a_covered, tally.type_a);
    assert!((0.92..=0.98).contains(&type_a), "{type_a}");
    compare(&text, first == 1 && tally.sites == 150);
}

/// The figures as the manual has them.
fn figures(tally: &Tally, first: u64) -> String {
    let percent = |part: usize, whole: usize| 100.0 * part as f64 / whole.max(1) as f64;
    let mut text = format!(
        "## {} sites, seeds {first} to {}\n\n| | |\n| --- | --- |\n| false passes | {} |\n| false fails | {} |\n| decided of those that can be, with 1 kW or more | {} of {} ({:.2} %) |\n| true step within `active_u_W` | {} of {} ({:.2} %) |\n| step shown within type A alone, by Student's t | {} of {} ({:.2} %) |\n\n```text\n",
        tally.sites,
        first + tally.sites as u64 - 1,
        tally.false_pass.len(),
        tally.false_fail.len(),
        tally.decided,
        tally.decidable,
        percent(tally.decided, tally.decidable),
        tally.covered,
        tally.steps,
        percent(tally.covered, tally.steps),
        tally.type_a_covered,
        tally.type_a,
        percent(tally.type_a_covered, tally.type_a),
    );
    let most = tally.histogram.iter().copied().max().unwrap_or(1).max(1);
    for (index, count) in tally.histogram.iter().enumerate() {
        let from = index as f64 / 2.0 - 3.5;
        let name = match index {
            0 => "    below -3.0".to_owned(),
            13 => "    above  3.0".to_owned(),
            _ => format!("{from:>5.1} to {:>4.1}", from + 0.5),
        };
        let bar = "#".repeat((60 * count).div_ceil(most));
        let share = percent(*count, tally.steps);
        let _ = writeln!(text, "{}", format!("{name:<15}{share:>6.2} %  {bar}").trim_end());
    }
    text + "```\n"
}

/// The manual holds the figures of the usual run and those of the last full one. `WATTWARD_BLESS=1` writes those of this run.
fn compare(text: &str, usual: bool) {
    const HEAD: &str = "# Figures of the CT check on simulated sites\n\nMade by `tests/ct/sweep.rs`: random sites with every fault, one to three phases, eight kinds of meter, loads of 500 W to 3 kW, household noise, people who\nmark late. The histograms show the error of the step in units of its standard uncertainty (`active_u_W` / 2); with errors of the size stated, about 95 %\nlie within ±2. What the simulator does not know, these figures do not show.\n\n";
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/docs/ct-figures.md");
    let manual = include_str!("../../docs/ct-figures.md");
    let mut parts: Vec<&str> = manual.split("## ").skip(1).collect();
    parts.resize(2, "");
    let place = usize::from(!usual);
    let new = text.trim_start_matches("## ");
    if std::env::var("WATTWARD_BLESS").is_ok() {
        let old = parts[1 - place];
        let both = if usual { [new, old] } else { [old, new] };
        let all: Vec<String> = both
            .iter()
            .filter(|part| !part.is_empty())
            .map(|part| format!("## {}\n", part.trim_end()))
            .collect();
        super::assignments::bless(path, &format!("{HEAD}{}", all.join("\n")));
    } else if usual {
        assert_eq!(parts[place].trim_end(), new.trim_end(), "{path}; WATTWARD_BLESS=1 writes it anew");
    }
}

/// `WATTWARD_SHOW=17 cargo test --test ct shows -- --nocapture` prints what is found on one site.
#[test]
fn shows_one_site() {
    let Some(list) = std::env::var("WATTWARD_SHOW").ok() else { return };
    for seed in list.split(',').filter_map(|text| text.parse().ok()) {
        let played = Scene::random(seed).play();
        let judged = examine(&played.case, &CtOptions::default());
        let scene = &played.scene;
        println!(
            "seed {seed} wires {:?}\n{:?} load {} {:?}",
            scene.house.wires, scene.meter, scene.load_w, scene.delay
        );
        println!("plant {:?} off {} battery {:?}", scene.plant, scene.plant_off, scene.house.battery);
        if std::env::var("WATTWARD_BRIEF").is_ok() {
            let channels: Vec<String> = judged
                .finding
                .body
                .channels
                .iter()
                .map(|one| {
                    format!(
                        "{} {:?} g {:?}±{:?} conf {} pairs {}",
                        one.channel, one.status, one.gain, one.gain_u, one.confidence, one.pairs
                    )
                })
                .collect();
            println!("{} | {:?}\n{:?}", judged.finding.verdict.word(), judged.finding.reasons, channels);
            println!(
                "{:?}",
                judged
                    .measured
                    .iter()
                    .map(|one| (one.consensus.found, one.consensus.chance, one.consensus.edges.len()))
                    .collect::<Vec<_>>()
            );
            continue;
        }
        println!("{} {}", judged.finding.verdict.word(), judged.finding.headline);
        println!("reasons {:#?}\nnext {:#?}", judged.finding.reasons, judged.finding.next);
        if std::env::var("WATTWARD_SAMPLES").is_ok() {
            for (key, series) in &played.case.meters[0].series.points {
                if key.to_string().starts_with("active") {
                    let from = super::meter::START;
                    let list: Vec<String> = series
                        .samples
                        .iter()
                        .map(|sample| format!("{:.1}:{:.0}", sample.at.seconds_since(from), sample.value))
                        .collect();
                    println!("{key} {}", list.join(" "));
                }
            }
            println!(
                "{:?}",
                scene.house.switchings.iter().map(|one| (one.at * 10.0).round() / 10.0).collect::<Vec<_>>()
            );
        }
        for one in &judged.measured {
            println!(
                "{:?} found {} chance {:.2e} edges {} answer {:?} falls {:?}",
                one.test.placement,
                one.consensus.found,
                one.consensus.chance,
                one.consensus.edges.len(),
                one.consensus.answer,
                one.falls
            );
            for edge in &one.consensus.edges {
                let mark = edge.mark.map(|mark| one.test.switches[mark].time_s);
                println!(
                    "   {:.2}..{:.2} {} mark {mark:?} {:?}",
                    edge.event.from_s,
                    edge.event.to_s,
                    edge.on,
                    edge.event
                        .deltas
                        .iter()
                        .map(|delta| delta.map(|delta| delta.value.round()))
                        .collect::<Vec<_>>()
                );
            }
        }
        for channel in &judged.finding.body.channels {
            println!("{}", serde_json::to_string(channel).unwrap());
        }
    }
}
