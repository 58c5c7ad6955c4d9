//! The site file, by questions. Whatever the answers were, the file is checked as any other before it is used.

use std::fmt::Write as _;
use std::path::Path;

use super::ask::asked;
use crate::base::Failure;
use crate::cli::out::Out;
use crate::rim::ports::list;

/// What was answered.
#[derive(Clone, Debug, PartialEq)]
struct Answers {
    site: String,
    phases: u8,
    zone: String,
    line: String,
    profile: String,
    unit: String,
    steering: bool,
    class: String,
    serial: String,
    rated_w: f64,
    plant: String,
    storage: bool,
    load: String,
    load_w: f64,
    load_phase: String,
    limit_w: Option<f64>,
    longest_s: f64,
}

/// Asks for everything a visit needs; the text of the site file, or nothing when the person leaves.
pub(super) fn interview(out: &Out) -> Result<Option<String>, Failure> {
    out.note(
        "No site file yet: a few questions make one, and it can be edited afterwards (docs/site.md).\n\
         Enter alone takes what stands in brackets.",
    );
    let text =
        |text: &str| if text.is_empty() { Err("please type it".to_owned()) } else { Ok(text.to_owned()) };
    let any = |text: &str| Ok(text.to_owned());
    macro_rules! or_leave {
        ($answer:expr) => {
            match $answer? {
                Some(value) => value,
                None => return Ok(None),
            }
        };
    }
    let site = or_leave!(asked("Name of the site", "", out, text));
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
    let line = or_leave!(asked(&line_question(), "1", out, line));
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
    let steering = or_leave!(asked("Does the inverter steer by this meter? y or n", "n", out, yes));
    let class =
        or_leave!(asked("Accuracy class on the meter's plate: 0.2, 0.5, 1, 2, A, B or C", "1", out, text));
    let serial = or_leave!(asked("Serial number of the meter, for the report; Enter for none", "", out, any));
    let rated_w =
        or_leave!(asked("Rated power of what generates or stores here; 0 for nothing", "0", out, power));
    let (plant, storage) = if rated_w > 0.0 {
        let name = or_leave!(asked("What it is called here", "plant", out, text));
        (name, or_leave!(asked("Is there a battery? y or n", "n", out, yes)))
    } else {
        (String::new(), false)
    };
    let load = or_leave!(asked("A known load to switch on and off", "kettle", out, text));
    let load_w = or_leave!(asked("Its power", "2000W", out, power));
    let load_phase = if phases == 1 {
        "L1".to_owned()
    } else {
        or_leave!(asked(
            "Its phase (L1, L2, L3); Enter if it is carried from phase to phase",
            "",
            out,
            |text| {
                let known = ["", "L1", "L2", "L3"].contains(&text);
                if known { Ok(text.to_owned()) } else { Err("L1, L2 or L3, or Enter".to_owned()) }
            }
        ))
    };
    let limit_w = or_leave!(asked(
        "Export limit; `none` for no limit. The operator's paper decides",
        "0W",
        out,
        |text| if text == "none" { Ok(None) } else { power(text).map(Some) }
    ));
    let longest_s = if limit_w.is_some() {
        or_leave!(asked("For how many seconds may the export stand above it? 0: never", "5", out, |text| {
            text.parse::<f64>()
                .ok()
                .filter(|value| (0.0..=3600.0).contains(value))
                .ok_or_else(|| format!("`{text}` is no number of seconds"))
        }))
    } else {
        0.0
    };
    let answers = Answers {
        site,
        phases,
        zone,
        line,
        profile,
        unit,
        steering,
        class,
        serial,
        rated_w,
        plant,
        storage,
        load,
        load_w,
        load_phase,
        limit_w,
        longest_s,
    };
    Ok(Some(answers.text()))
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

/// The path in full, since the site file lies in the visit's folder.
fn profile(text: &str) -> Result<String, String> {
    let path = std::path::absolute(Path::new(text)).map_err(|error| error.to_string())?;
    if path.is_file() { Ok(path.display().to_string()) } else { Err(format!("there is no file `{text}`")) }
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

/// JSON's basic strings are TOML's, escapes included.
fn quoted(text: &str) -> String {
    serde_json::Value::from(text).to_string()
}

impl Answers {
    /// The site file.
    fn text(&self) -> String {
        let mut text = format!(
            "# Written by `wattward commission` from what was answered.\n[site]\nname = {}\nphases = {}\ntime_zone = {}\n\n\
             [[meter]]\nname = \"connection\"\nrole = \"{}\"\nprofile = {}\nline = {{ {} }}\nclass = {}\n",
            quoted(&self.site),
            self.phases,
            quoted(&self.zone),
            if self.steering { "steering" } else { "reference" },
            quoted(&self.profile),
            self.line,
            quoted(&self.class)
        );
        if !self.unit.is_empty() {
            let _ = writeln!(text, "unit = {}", self.unit);
        }
        if !self.serial.is_empty() {
            let _ = writeln!(text, "serial = {}", quoted(&self.serial));
        }
        if self.rated_w > 0.0 {
            let lines = ["\"L1\"", "\"L2\"", "\"L3\""][..usize::from(self.phases)].join(", ");
            let _ = write!(
                text,
                "\n[[plant]]\nname = {}\nrated_W = {:?}\nphases = [{lines}]\nstorage = {}\n",
                quoted(&self.plant),
                self.rated_w,
                self.storage
            );
        }
        let _ = write!(
            text,
            "\n[[load]]\nname = {}\npower_W = {:?}\nresistive = true\n",
            quoted(&self.load),
            self.load_w
        );
        if !self.load_phase.is_empty() {
            let _ = writeln!(text, "phase = {}", quoted(&self.load_phase));
        }
        if let Some(limit_w) = self.limit_w {
            let _ = write!(
                text,
                "\n[limit]\n\n[[limit.rule]]\nexport_W = {limit_w:?}\naveraging_s = 1.0\nlongest_s = {:?}\n",
                self.longest_s
            );
        }
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::profile::{MeterRole, parse_site};

    fn answers() -> Answers {
        Answers {
            site: "Mill \"old\" cottage".into(),
            phases: 3,
            zone: "Europe/London".into(),
            line: line("/dev/ttyUSB7").expect("a path"),
            profile: "/tmp/meter.toml".into(),
            unit: "7".into(),
            steering: true,
            class: "B".into(),
            serial: "A\\1".into(),
            rated_w: 5000.0,
            plant: "roof".into(),
            storage: true,
            load: "kettle".into(),
            load_w: 2000.0,
            load_phase: String::new(),
            limit_w: Some(0.0),
            longest_s: 5.0,
        }
    }

    #[test]
    fn every_answer_stands_in_a_site_file_that_is_accepted() {
        let (site, faults) = parse_site("site.toml", &answers().text()).expect("a site file");
        assert!(faults.list.is_empty(), "{faults:?}");
        assert_eq!(
            (site.name.as_str(), site.phases, site.time_zone.as_str()),
            ("Mill \"old\" cottage", 3, "Europe/London")
        );
        let meter = &site.meters[0];
        assert_eq!(
            (meter.role, meter.unit, meter.serial.as_deref()),
            (MeterRole::Steering, Some(7), Some("A\\1"))
        );
        assert_eq!((site.rated_w(), site.has_storage()), (5000.0, true));
        assert_eq!((site.loads[0].power_w, site.loads[0].phase), (2000.0, None));
        let rules = &site.limit.as_ref().expect("a limit").rules;
        assert_eq!((rules.len(), rules[0].longest_s), (1, 5.0));
        let bare = Answers { rated_w: 0.0, limit_w: None, unit: String::new(), ..answers() };
        let (site, _) = parse_site("site.toml", &bare.text()).expect("a site file");
        assert!(site.plants.is_empty() && site.limit.is_none() && site.meters[0].unit.is_none());
    }

    #[test]
    fn a_power_without_its_unit_is_asked_again() {
        assert_eq!((power("0"), power("2kW"), power("3680W")), (Ok(0.0), Ok(2000.0), Ok(3680.0)));
        assert!(power("5").is_err() && power("none").is_err());
        assert!(line("ttyUSB0").is_err() && line("gateway:502").is_ok_and(|line| line.starts_with("tcp")));
    }
}
