//! The site file, by questions. Whatever the answers were, the file is checked as any other before it is used.

use std::fmt::Write as _;
use std::path::Path;

use super::ask::asked;
use super::site_file::{Answers, Limit, Plant};
use crate::base::Failure;
use crate::cli::out::Out;
use crate::cli::source::read_text;
use crate::profile::compose::quoted;
use crate::profile::{parse_profile, parse_site};
use crate::rim::ports::list;

/// Asks for everything a visit needs; the text of the site file, or nothing when the person leaves. A question whose usual
/// answer could loosen a verdict has none: whether the meter is independent, what the plant is, how long the export may last.
pub(super) fn interview(out: &Out) -> Result<Option<String>, Failure> {
    out.flow(
        "No site file yet: a few questions make one, and it can be edited afterwards (docs/site.md). Enter alone takes what \
         stands in brackets.",
    );
    let Some(answers) = answers(out)? else { return Ok(None) };
    let text = answers.text();
    // Whatever was answered, no file is written that would be refused.
    match parse_site("the site file", &text) {
        Ok(_) => Ok(Some(text)),
        Err(faults) => Err(Failure::faulty_files(vec![faults])),
    }
}

fn answers(out: &Out) -> Result<Option<Answers>, Failure> {
    let any = |text: &str| Ok(text.to_owned());
    macro_rules! or_leave {
        ($answer:expr) => {
            match $answer? {
                Some(value) => value,
                None => return Ok(None),
            }
        };
    }
    let site = or_leave!(asked("Name of the site", "", out, typed));
    let phases = or_leave!(asked("Phases: 1, 2 (split phase) or 3", "3", out, |text| match text {
        "1" => Ok(1),
        "2" => Ok(2),
        "3" => Ok(3),
        other => Err(format!("`{other}`? 1, 2 or 3")),
    }));
    let zone = or_leave!(asked("Time zone of the site, such as Europe/London", "UTC", out, |text| {
        crate::base::zone::Zone::named(text).map(|_| text.to_owned()).ok_or_else(|| {
            format!("`{text}` is in no list of time zones: a region and a city, such as Europe/London")
        })
    }));
    let line = or_leave!(asked(&line_question(), "", out, line));
    let profile = or_leave!(asked(
        "File of the meter's profile (`wattward profile new` begins one, `wattward find` looks for meters)",
        "",
        out,
        profile
    ));
    let unit = or_leave!(asked("Unit address, Enter as the profile has it", "", out, |text| {
        let known = text.is_empty() || text.parse::<u8>().is_ok_and(|unit| (1..=247).contains(&unit));
        if known { Ok(text.to_owned()) } else { Err("a number from 1 to 247".to_owned()) }
    }));
    let independent = or_leave!(asked(
        "Is this meter independent of the plant: not the inverter's own, and not the one it steers by? y or n",
        "",
        out,
        yes
    ));
    let class = or_leave!(asked(
        "Accuracy class on the meter's plate: 0.2, 0.5, 1, 2, A, B or C; Enter if it cannot be read (class 2 is assumed then, \
         and the export limit cannot pass)",
        "",
        out,
        class
    ));
    let serial = or_leave!(asked("Serial number of the meter, for the report; Enter for none", "", out, any));
    let plant = or_leave!(plant(phases, out));
    let load = or_leave!(asked("A known load to switch on and off", "kettle", out, typed));
    let load_w =
        or_leave!(asked("Its power, from its plate, such as 2000W", "", out, |text| match power(text)? {
            none if none <= 0.0 => Err("more than 0 W".to_owned()),
            watts => Ok(watts),
        }));
    let resistive = or_leave!(asked(
        "Does it only heat: a kettle, an oven, a fan heater, nothing with a motor or electronics? y or n",
        "y",
        out,
        yes
    ));
    let load_phase = if phases == 1 {
        "L1".to_owned()
    } else {
        let lines = &LINES[..usize::from(phases)];
        let question =
            format!("Its phase ({}); Enter if it is carried from phase to phase", lines.join(", "));
        or_leave!(asked(&question, "", out, |text| {
            let known = text.is_empty() || lines.contains(&text);
            if known { Ok(text.to_owned()) } else { Err(format!("{}, or Enter", lines.join(", "))) }
        }))
    };
    let export_w = or_leave!(asked(
        "Export limit, such as 0W; `none` for no limit. The operator's paper decides",
        "",
        out,
        |text| if text == "none" { Ok(None) } else { power(text).map(Some) }
    ));
    let limit = match export_w {
        Some(export_w) => {
            let question = "For how many seconds may the export stand above it, by that paper? 0: never";
            let longest_s = or_leave!(asked(question, "", out, seconds));
            let question = "How long is the window in which that is tested?";
            let window = or_leave!(asked(question, "30min", out, crate::cli::args::span));
            Some(Limit { export_w, longest_s, window_s: window.seconds() })
        }
        None => None,
    };
    Ok(Some(Answers {
        site,
        phases,
        zone,
        line,
        profile,
        unit,
        independent,
        class,
        serial,
        plant,
        load,
        load_w,
        resistive,
        load_phase,
        limit,
    }))
}

const LINES: [&str; 3] = ["L1", "L2", "L3"];

/// What generates or stores here; nothing within where there is nothing, nothing at all when the person leaves.
#[expect(clippy::option_option, reason = "leaving is not the same as there being no plant")]
fn plant(phases: u8, out: &Out) -> Result<Option<Option<Plant>>, Failure> {
    let rated = asked(
        "Rated power of what generates or stores here, such as 5kW; 0 if there is nothing at all",
        "",
        out,
        power,
    )?;
    let Some(rated_w) = rated else { return Ok(None) };
    if rated_w <= 0.0 {
        return Ok(Some(None));
    }
    let Some(name) = asked("What it is called here", "plant", out, typed)? else { return Ok(None) };
    let lines = &LINES[..usize::from(phases)];
    let fed = if phases == 1 {
        Some(vec!["L1".to_owned()])
    } else {
        let question = format!("The phases it feeds: {}, or one or two of them", lines.join("+"));
        asked(&question, "", out, |text| fed(text, lines))?
    };
    let Some(fed) = fed else { return Ok(None) };
    let question = "Is there a battery, also one inside the inverter? y or n";
    let Some(storage) = asked(question, "", out, yes)? else { return Ok(None) };
    Ok(Some(Some(Plant { name, rated_w, phases: fed, storage })))
}

fn fed(text: &str, lines: &[&str]) -> Result<Vec<String>, String> {
    let words: Vec<String> =
        text.split(['+', ',', ' ']).filter(|word| !word.is_empty()).map(str::to_uppercase).collect();
    let known = |word: &String| lines.contains(&word.as_str());
    if words.is_empty() || !words.iter().all(known) {
        return Err(format!("{}, or one of them", lines.join("+")));
    }
    Ok(words)
}

fn typed(text: &str) -> Result<String, String> {
    if text.is_empty() { Err("please type it".to_owned()) } else { Ok(text.to_owned()) }
}

fn class(text: &str) -> Result<String, String> {
    let known = text.is_empty() || ["0.2", "0.5", "1", "2", "A", "B", "C"].contains(&text);
    if known { Ok(text.to_owned()) } else { Err(format!("`{text}`? 0.2, 0.5, 1, 2, A, B or C, or Enter")) }
}

fn seconds(text: &str) -> Result<f64, String> {
    let number = text.parse::<f64>().ok().filter(|value| (0.0..=3600.0).contains(value));
    number.ok_or_else(|| format!("`{text}`? A number of seconds; 0 for never"))
}

fn line_question() -> String {
    let mut question =
        "The line: number or path of a serial port, or HOST:PORT of a Modbus TCP server.".to_owned();
    for (number, port) in list().iter().enumerate() {
        let name = port.stable.as_ref().unwrap_or(&port.path);
        let _ = write!(question, " {}: {name}.", number + 1);
    }
    question
}

fn line(text: &str) -> Result<String, String> {
    let ports = list();
    if let Ok(number) = text.parse::<usize>() {
        let port = number.checked_sub(1).and_then(|index| ports.get(index));
        let port = port.ok_or_else(|| {
            if ports.is_empty() {
                "no serial port is there: type a path, or HOST:PORT".to_owned()
            } else {
                format!("a number from 1 to {}, a path, or HOST:PORT", ports.len())
            }
        })?;
        return Ok(format!("serial = {}", quoted(port.stable.as_ref().unwrap_or(&port.path))));
    }
    if text.contains('/') {
        Ok(format!("serial = {}", quoted(text)))
    } else if text.contains(':') || text.contains('.') {
        Ok(format!("tcp = {}", quoted(text)))
    } else {
        Err(format!("`{text}`? A number from the list, a path such as /dev/ttyUSB0, or HOST:PORT"))
    }
}

/// The path in full, since the site file lies in the visit's folder; a profile that would be refused is asked for again.
fn profile(text: &str) -> Result<String, String> {
    let path = std::path::absolute(Path::new(text)).map_err(|error| error.to_string())?;
    if !path.is_file() {
        return Err(format!("there is no file `{text}`"));
    }
    let file = path.display().to_string();
    let found = read_text(&path).map_err(|failure| failure.message)?;
    match parse_profile(&file, &found.text) {
        Ok(_) => Ok(file),
        Err(_) => Err(format!(
            "that profile has faults, and `wattward profile check {text}` names them: mend it, or name another"
        )),
    }
}

fn yes(text: &str) -> Result<bool, String> {
    match text.to_lowercase().as_str() {
        "y" | "yes" => Ok(true),
        "n" | "no" => Ok(false),
        _ => Err("y or n".to_owned()),
    }
}

fn power(text: &str) -> Result<f64, String> {
    if let Ok(number) = text.parse::<f64>() {
        return if number == 0.0 { Ok(0.0) } else { Err(format!("`{text}` of what? {text}W or {text}kW")) };
    }
    crate::cli::args::watts(text)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_could_loosen_a_verdict_is_never_taken_for_granted() {
        // Enter alone, where a question has nothing in brackets.
        assert!(yes("").is_err() && power("").is_err() && seconds("").is_err() && line("").is_err());
        assert!(fed("", &LINES).is_err() && fed("L3", &LINES[..2]).is_err() && fed("L4", &LINES).is_err());
        assert_eq!(class(""), Ok(String::new()));
        assert!(class("3").is_err() && class("b").is_err() && seconds("-1").is_err());
    }

    #[test]
    fn a_power_without_its_unit_is_asked_again() {
        assert_eq!((power("0"), power("2kW"), power("3680W")), (Ok(0.0), Ok(2000.0), Ok(3680.0)));
        assert!(power("5").is_err() && power("none").is_err());
        assert!(line("ttyUSB0").is_err() && line("gateway:502").is_ok_and(|line| line.starts_with("tcp")));
    }
}
