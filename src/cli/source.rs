//! Where a command's readings come from: a site file or options that amount to one, and captures.

use std::fmt::Write as _;
use std::io::Write as _;
use std::path::{Path, PathBuf};

use super::args::SourceArgs;
use crate::base::Failure;
use crate::pipeline::{Overrides, Text};
use crate::profile::{Profile, Site};
use crate::record::{LineInfo, Record, frame_all, read_capture_with_ports};
use crate::report::CaptureRef;
use crate::rim::log_files::{Unpacked, unpack};
use crate::rim::store::sha256_of;

/// What a check's own options add to a site made from options.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Extra {
    /// `--load`: a known load's power in W.
    pub(crate) load_w: Option<f64>,
    /// `--phase`: where it is connected.
    pub(crate) phase: Option<String>,
    /// `--export`: the limit in W.
    pub(crate) export_w: Option<f64>,
}

/// A site with its profiles, ready for a live line.
#[derive(Debug)]
pub(crate) struct SetUp {
    /// The place.
    pub(crate) site: Site,
    /// The profiles of its meters, in their order.
    pub(crate) profiles: Vec<Profile>,
    /// Warnings about the files.
    pub(crate) warnings: Vec<crate::base::Faults>,
}

/// Captures read and framed.
#[derive(Debug)]
pub(crate) struct Loaded {
    /// Each file with its hash.
    pub(crate) captures: Vec<CaptureRef>,
    /// Their lines; lines of one name are one line.
    pub(crate) lines: Vec<LineInfo>,
    /// Everything in time order.
    pub(crate) records: Vec<Record>,
    /// What a person should know about the files (a cut tail, with its byte offset).
    pub(crate) notes: Vec<String>,
}

/// The site for a live run.
pub(crate) fn set_up(args: &SourceArgs, extra: &Extra) -> Result<SetUp, Failure> {
    let mut overrides = Overrides::default();
    let (text, folder) = live_site_text(args, extra)?;
    if args.names_a_line() {
        // Named on the command line, so a missing file is told as just that.
        overrides.profile = args.profile.as_deref().map(read_text).transpose()?;
    }
    add_profiles(&mut overrides, &text, folder.as_deref());
    overrides.site = Some(text);
    let (site, profiles, warnings) = crate::pipeline::site_and_profiles(std::iter::empty(), &overrides)?;
    Ok(SetUp { site, profiles, warnings })
}

/// What goes before, or stands in for, the texts inside captures.
pub(crate) fn overrides(args: &SourceArgs, extra: &Extra) -> Result<Overrides, Failure> {
    let mut overrides = Overrides::default();
    if let Some(path) = &args.profile {
        overrides.profile = Some(read_text(path)?);
    }
    if let Some(path) = &args.site {
        let text = read_text(path)?;
        add_profiles(&mut overrides, &text, path.parent());
        overrides.site = Some(text);
    } else if let Some(profile) = &args.profile {
        let line = args.serial.as_deref().unwrap_or("the capture's line");
        let text =
            compose(&profile.display().to_string(), &format!("serial = {}", quoted(line)), args, extra);
        overrides.fallback_site = Some(Text { file: "site made from the options".into(), text });
    } else if Path::new(DEFAULT_SITE).exists() {
        let text = read_text(Path::new(DEFAULT_SITE))?;
        add_profiles(&mut overrides, &text, None);
        overrides.fallback_site = Some(text);
    }
    Ok(overrides)
}

const DEFAULT_SITE: &str = "site.toml";

fn live_site_text(args: &SourceArgs, extra: &Extra) -> Result<(Text, Option<PathBuf>), Failure> {
    if args.names_a_line() {
        let Some(profile) = &args.profile else {
            return Err(Failure::usage("a line is named and no profile")
                .hint("add --profile FILE, or describe both in a site file and leave the line out"));
        };
        let door = match (&args.serial, &args.tcp, &args.serial_over_tcp) {
            (Some(port), _, _) => format!("serial = {}", quoted(port)),
            (_, Some(host), _) => format!("tcp = {}", quoted(host)),
            (_, _, host) => format!("serial_over_tcp = {}", quoted(host.as_deref().unwrap_or(""))),
        };
        let text = compose(&profile.display().to_string(), &door, args, extra);
        return Ok((Text { file: "site made from the options".into(), text }, None));
    }
    let path = args.site.clone().unwrap_or_else(|| PathBuf::from(DEFAULT_SITE));
    if args.site.is_none() && !path.exists() {
        return Err(Failure::usage("no site file here and no line named").hint(
            "write site.toml (docs/site.md has one of five lines), or name the meter: --profile FILE --serial PORT",
        ));
    }
    Ok((read_text(&path)?, path.parent().map(Path::to_path_buf)))
}

/// The site file that options amount to. It goes into the capture, so that a replay has it.
fn compose(profile: &str, door: &str, args: &SourceArgs, extra: &Extra) -> String {
    let mut line = door.to_owned();
    let mut text = String::new();
    if let Some(baud) = args.baud {
        let _ = write!(line, ", baud = {baud}");
    }
    if let Some(parity) = &args.parity {
        let _ = write!(line, ", parity = {}", quoted(parity));
    }
    if let Some(stop_bits) = args.stop_bits {
        let _ = write!(line, ", stop_bits = {stop_bits}");
    }
    let _ = write!(text, "[[meter]]\nprofile = {}\nline = {{ {line} }}\n", quoted(profile));
    if let Some(unit) = args.unit {
        let _ = writeln!(text, "unit = {unit}");
    }
    if let Some(power) = extra.load_w {
        let _ = write!(text, "\n[[load]]\nname = \"load\"\npower_W = {power:?}\n");
        if let Some(phase) = &extra.phase {
            let _ = writeln!(text, "phase = {}", quoted(phase));
        }
    }
    if let Some(export) = extra.export_w {
        let _ = write!(text, "\n[limit]\n[[limit.rule]]\nexport_W = {export:?}\n");
    }
    text
}

/// JSON's basic strings are TOML's, escapes included.
fn quoted(text: &str) -> String {
    serde_json::Value::from(text).to_string()
}

/// Reads every profile that a site text names, from beside it. Missing ones are told later, with the meter they belong to.
fn add_profiles(overrides: &mut Overrides, site: &Text, folder: Option<&Path>) {
    let Ok((parsed, _)) = crate::profile::parse_site(&site.file, &site.text) else { return };
    for meter in &parsed.meters {
        let path = folder.map_or_else(|| PathBuf::from(&meter.profile), |folder| folder.join(&meter.profile));
        if let Ok(text) = read_text(&path) {
            overrides.profiles.push((meter.profile.clone(), text));
        }
    }
}

/// A file the user wrote.
pub(crate) fn read_text(path: &Path) -> Result<Text, Failure> {
    let bytes = read_bytes(path, Failure::usage)?;
    match String::from_utf8(bytes) {
        Ok(text) => Ok(Text { file: path.display().to_string(), text }),
        Err(error) => {
            let offset = error.utf8_error().valid_up_to();
            Err(Failure::usage(format!("{} is no text: byte {offset} is not UTF-8", path.display()))
                .hint("save it as UTF-8 in the editor"))
        }
    }
}

#[expect(clippy::disallowed_methods, reason = "the command line reads the files it is given")]
fn read_bytes(path: &Path, kind: fn(String) -> Failure) -> Result<Vec<u8>, Failure> {
    std::fs::read(path).map_err(|error| kind(format!("cannot read {}: {}", path.display(), plain(&error))))
}

fn plain(error: &std::io::Error) -> String {
    match error.kind() {
        std::io::ErrorKind::NotFound => "there is no such file".into(),
        std::io::ErrorKind::PermissionDenied => "this user may not read it".into(),
        std::io::ErrorKind::IsADirectory => "it is a folder".into(),
        _ => error.to_string(),
    }
}

/// Appends blocks to a closed capture and gives the hash of the file as it then is.
pub(crate) fn append(path: &Path, blocks: &[u8]) -> Result<String, Failure> {
    let add = || {
        let mut file = std::fs::OpenOptions::new().append(true).open(path)?;
        file.write_all(blocks)?;
        file.sync_all()
    };
    add().map_err(|error| {
        Failure::nothing(format!("cannot write to {}: {}", path.display(), plain(&error)))
    })?;
    sha256_of(path)
}

/// Reads, hashes and frames captures, merged by time.
pub(crate) fn load(paths: &[PathBuf], overrides: &Overrides) -> Result<Loaded, Failure> {
    let ports = ports(overrides);
    let mut loaded =
        Loaded { captures: Vec::new(), lines: Vec::new(), records: Vec::new(), notes: Vec::new() };
    for path in &without_copies(paths.to_vec()) {
        let bytes = read_bytes(path, Failure::unreadable)?;
        let file = path.display().to_string();
        let Unpacked { bytes, sha256, short } = unpack(bytes);
        if let Some(why) = short {
            if bytes.is_empty() {
                return Err(Failure::unreadable(format!(
                    "{file} is packed, and nothing can be unpacked ({why})"
                ))
                .hint("copy it again from where it was recorded; its log's index has the SHA-256"));
            }
            loaded
                .notes
                .push(format!("{file} is packed and not whole ({why}); what could be unpacked is used"));
        }
        loaded.captures.push(CaptureRef { file: file.clone(), sha256 });
        add_capture(&mut loaded, &file, &bytes, &ports)?;
    }
    // Marks and frames of several captures, and marks noted late, fall into their place; order in the file decides ties.
    loaded.records.sort_by_key(Record::at);
    Ok(loaded)
}

/// Each capture once: one that stands there plain and packed is the same twice (its log was stopped between the two).
pub(crate) fn without_copies(mut paths: Vec<PathBuf>) -> Vec<PathBuf> {
    let plain = paths.clone();
    paths.retain(|path| {
        let twin = path.extension().is_some_and(|ending| ending == "zst").then(|| path.with_extension(""));
        twin.is_none_or(|twin| !plain.contains(&twin))
    });
    paths
}

/// Where servers are looked for in network captures of other programs: Modbus' own port and those of the site's meters.
pub(crate) fn ports(overrides: &Overrides) -> Vec<u16> {
    let mut ports = vec![502];
    let texts = overrides.site.iter().chain(&overrides.fallback_site);
    for (site, _) in texts.filter_map(|text| crate::profile::parse_site(&text.file, &text.text).ok()) {
        let doors = site.meters.iter().map(|meter| meter.line.door.name());
        ports.extend(doors.filter_map(|name| name.rsplit_once(':')?.1.parse::<u16>().ok()));
    }
    ports
}

/// Adds one capture's lines and records. A line of a name already known from another capture is that line; lines of one
/// name within a capture are connections of their own.
fn add_capture(loaded: &mut Loaded, file: &str, bytes: &[u8], ports: &[u16]) -> Result<(), Failure> {
    let capture = read_capture_with_ports(bytes, ports)
        .map_err(|failure| Failure { message: format!("{file}: {}", failure.message), ..failure })?;
    if let Some(cut) = &capture.cut {
        loaded.notes.push(format!("{file} is {cut}; everything before it is used"));
    }
    let mut places: Vec<u16> = Vec::new();
    for line in &capture.lines {
        let same = |known: &LineInfo| known.name == line.name && known.medium == line.medium;
        let mut known = (0u16..).zip(&loaded.lines).filter(|(_, known)| same(known)).map(|(index, _)| index);
        let place = known.find(|index| !places.contains(index));
        places.push(place.unwrap_or(loaded.lines.len() as u16));
        if place.is_none() {
            loaded.lines.push(line.clone());
        }
    }
    for mut record in frame_all(&capture) {
        put_on_line(&mut record, &places);
        loaded.records.push(record);
    }
    Ok(())
}

/// Gives a record the place that its line has among others.
pub(crate) fn put_on_line(record: &mut Record, places: &[u16]) {
    let place = |line: u16| places.get(usize::from(line)).copied().unwrap_or(line);
    match record {
        Record::Frame(frame) => frame.line = place(frame.line),
        Record::Stray(stray) => stray.line = place(stray.line),
        Record::Mark(_) => {}
    }
}
