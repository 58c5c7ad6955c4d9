//! `wattward profile import` makes a profile from the open register model: the published definitions (JSON) say what the
//! registers of a model mean, the meter says where the model stands.
//!
//! ```console
//! $ wattward profile import definitions/ --tcp 192.0.2.7
//! unit 1: the marker stands at 40000
//!   model 1 (Common) at 40002, 66 registers
//!   model 203 (wye-connect three phase (abcn) meter) at 40070, 105 registers
//! imported.toml written from model 203: 33 points
//! ```
//!
//! DEFINITION is a definition's file, or a folder with many. The marker is looked for at 40000, 0 and 50000, then the chain of
//! models is walked. What the meter marks as not implemented is written as a comment. `--from CAPTURE` takes the meter's
//! answers from a capture. Without a line and without a capture the usual place is assumed (or `--at` says it), and the
//! profile says so. Only functions 3 and 4 are sent.
//!
//! Exit codes: 0 a profile was written, 2 wrong use or a wrong definition, 4 no port, no answer, no marker, no meter's model,
//! 5 a capture cannot be read, 130 interrupted.

mod defined;
mod show;

use std::path::PathBuf;

use clap::Args;
use serde_json::json;

use super::super::exit::Exit;
use super::super::out::Out;
use super::super::source::load;
use super::super::written::{free, write_new};
use super::fit::door::DoorArgs;
use super::fit::{Answers, Asker};
use super::tool;
use crate::base::Failure;
use crate::link::survey::Reply;
use crate::link::{Chain, ChainEnd, Model};
use crate::pipeline::Overrides;
use crate::profile::import::{Definition, Found, ImportTerms, import, is_meter};
use crate::profile::{Door, Positive, Registers, Table};
use crate::reading::fit::RegisterMap;

use defined::{definitions, identity};

/// Registers in one request for the data of a model; meters that give fewer are asked for halves. Ours.
const BLOCK: u16 = 64;
/// Where the first model behind the usual common block stands: marker, 66 registers and their head, from 40000 (facts 3.2).
const USUAL: u16 = 40_070;
/// What helps where there is no chain with a meter in it.
const BY_HAND: &str = "write the profile from its register list (`wattward profile new`), or find the registers (`wattward profile fit`)";

/// Options of `profile import`.
#[derive(Args, Debug)]
pub(super) struct ImportArgs {
    /// Definitions of models (JSON), or folders with many
    #[arg(value_name = "DEFINITION", required = true)]
    definitions: Vec<PathBuf>,
    #[command(flatten)]
    door: DoorArgs,
    /// Take the meter's answers from this capture; may be given several times
    #[arg(long, value_name = "CAPTURE", group = "line")]
    from: Vec<PathBuf>,
    /// Keep everything said on the line in this capture
    #[arg(long, value_name = "FILE", conflicts_with = "from")]
    capture: Option<PathBuf>,
    /// Which model, where it is not the only one of a meter
    #[arg(long, value_name = "NUMBER")]
    model: Option<u16>,
    /// Address of the register with the model's number, where the meter has the model twice or is not asked
    #[arg(long, value_name = "ADDRESS", value_parser = address)]
    at: Option<u16>,
    /// What a positive power means to this meter, where you know
    #[arg(long, value_name = "import|export", value_parser = positive)]
    positive: Option<Positive>,
    /// Also what has no quantity of its own, under [points.other]
    #[arg(long)]
    all: bool,
    /// Where the profile goes; it must not exist
    #[arg(long, value_name = "FILE", default_value = "imported.toml")]
    out: PathBuf,
}

fn address(text: &str) -> Result<u16, String> {
    let number = match text.strip_prefix("0x").or_else(|| text.strip_prefix("0X")) {
        Some(digits) => u16::from_str_radix(digits, 16),
        None => text.parse(),
    };
    number.map_err(|_| format!("`{text}` is no address: write 40070 or 0x9C86, as on the wire"))
}

fn positive(text: &str) -> Result<Positive, String> {
    match text {
        "import" => Ok(Positive::Import),
        "export" => Ok(Positive::Export),
        _ => Err("write import (positive while the site draws from the grid) or export".to_owned()),
    }
}

/// What the meter says of itself.
struct Meter {
    chain: Chain,
    registers: RegisterMap,
    unit: u8,
    /// Where it was read, for the profile's head.
    place: String,
}

/// The model to import, and where it stands.
struct Chosen<'d> {
    definition: &'d Definition,
    address: u16,
    found: Option<Found>,
}

/// Runs the command.
pub(super) fn run(args: &ImportArgs, out: &Out) -> Result<Exit, Failure> {
    free(&args.out)?;
    let known = definitions(&args.definitions)?;
    let meter = if args.door.names_a_line() {
        Some(live(args, &known, out)?)
    } else if args.from.is_empty() {
        None
    } else {
        Some(recorded(args, out)?)
    };
    if let (Some(meter), false) = (&meter, out.json) {
        out.print(&show::chain(&meter.chain, meter.unit, &known, out.width));
    }
    let chosen = match &meter {
        Some(meter) => in_chain(args, &known, meter)?,
        None => without_a_meter(args, &known)?,
    };
    let identity =
        meter.as_ref().map(|meter| identity(&known, &meter.chain, &meter.registers)).unwrap_or_default();
    let named =
        |name: &str| identity.iter().find(|(known, _)| known == name).and_then(|(_, text)| text.as_str());
    let name = match (named("Mn"), named("Md")) {
        (Some(maker), Some(kind)) => format!("{maker} {kind}"),
        _ => format!("Open register model {}", chosen.definition.id),
    };
    let origin = match &meter {
        Some(meter) => format!("It stands at {} ({}).", chosen.address, meter.place),
        None if args.at.is_some() => {
            format!("It stands at {}, as was given; no meter was asked.", chosen.address)
        }
        None => format!(
            "No meter was asked: that it stands at {}, behind a marker at 40000 and a common block of 66 registers, is an \
             assumption.",
            chosen.address
        ),
    };
    let live = args.door.names_a_line().then(|| args.door.terms()).transpose()?;
    let serial = live.as_ref().filter(|terms| !matches!(terms.door, Door::Tcp(_)));
    let terms = ImportTerms {
        name,
        origin,
        address: chosen.address,
        found: chosen.found.clone(),
        line: serial.map(|terms| terms.settings),
        unit: meter.as_ref().map(|meter| meter.unit).or(args.door.unit),
        positive: args.positive,
        everything: args.all,
    };
    let made = import(chosen.definition, &terms).map_err(|error| {
        let failure = Failure::usage(error);
        if args.positive.is_none() && !is_meter(chosen.definition.id) {
            failure.hint(
                "give `--positive import` or `--positive export`; for want of a manual, look at its display",
            )
        } else {
            failure
        }
    })?;
    write_new(&args.out, &made.text)?;
    if out.json {
        let mut document = json!({
            "tool": tool(),
            "profile": args.out.display().to_string(),
            "model": chosen.definition.id,
            "address": chosen.address,
            "points": made.points,
            "not_implemented": made.not_implemented,
            "left_out": made.left_out,
        });
        if let Some(meter) = &meter {
            document["unit"] = meter.unit.into();
            document["base"] = meter.chain.base().into();
            document["models"] = show::models(&meter.chain, &known);
            document["identity"] = identity.iter().cloned().collect::<serde_json::Map<_, _>>().into();
        }
        out.print(&serde_json::to_string_pretty(&document).unwrap_or_default());
    } else {
        let assumed = args.positive.is_none() && made.text.contains("positive = ");
        out.print(&show::written(
            &args.out,
            &chosen,
            &identity,
            &made,
            (meter.is_some(), assumed),
            out.width,
        ));
    }
    Ok(Exit::Done)
}

fn live(args: &ImportArgs, known: &[Definition], out: &Out) -> Result<Meter, Failure> {
    let terms = args.door.terms()?;
    let (unit, place) = (terms.unit, format!("read on {}", terms.door.name()));
    let mut asker = Asker::new(terms, out)?;
    let read = walk(args, known, &mut asker, out);
    // What was said is kept also where it ended early.
    if let Some(path) = &args.capture {
        let closed = asker.keep(path)?;
        out.note(&crate::cli::render::evidence(&closed.path.display().to_string(), &closed.sha256, out));
    }
    let (chain, registers) = read?;
    Ok(Meter { chain, registers, unit, place })
}

fn walk(
    args: &ImportArgs,
    known: &[Definition],
    asker: &mut Asker,
    out: &Out,
) -> Result<(Chain, RegisterMap), Failure> {
    let mut heard = false;
    let chain = Chain::walk(|question| {
        let (reply, words) = asker.one(question)?;
        heard |= reply != Reply::Silent;
        Ok::<_, Failure>((reply == Reply::Answered).then_some(words))
    })?;
    if !heard {
        return Err(asker.silent());
    }
    unmarked(&chain, asker.terms.unit)?;
    // The common block for the names, and what may become the profile.
    let wanted = |model: &&Model| {
        let defined = known.iter().any(|definition| definition.id == model.id);
        defined && (model.id == 1 || is_meter(model.id) || args.model == Some(model.id))
    };
    let runs: Vec<Registers> = chain.models().iter().filter(wanted).copied().flat_map(blocks).collect();
    let registers = if runs.is_empty() { RegisterMap::default() } else { asker.sweep(&runs, out)? };
    Ok((chain, registers))
}

/// Number, length and data of a model, in requests.
fn blocks(model: Model) -> Vec<Registers> {
    let end = u32::from(model.address) + 2 + u32::from(model.length);
    let starts = (u32::from(model.address)..end.min(0x1_0000)).step_by(usize::from(BLOCK));
    starts
        .map(|start| {
            let count = (end.min(0x1_0000) - start).min(u32::from(BLOCK)) as u16;
            Registers { table: Table::Holding, address: start as u16, count }
        })
        .collect()
}

fn recorded(args: &ImportArgs, out: &Out) -> Result<Meter, Failure> {
    let loaded = load(&args.from, &Overrides::default())?;
    for note in &loaded.notes {
        out.error(&format!("note: {note}"));
    }
    let answers = Answers::of(&loaded, args.door.unit)?;
    let registers = answers.all();
    let chain = Chain::walk(|question| Ok::<_, Failure>(registers.run(question)))?;
    unmarked(&chain, answers.unit)?;
    let files: Vec<String> = args.from.iter().map(|path| path.display().to_string()).collect();
    Ok(Meter { chain, registers, unit: answers.unit, place: format!("from {}", files.join(", ")) })
}

fn unmarked(chain: &Chain, unit: u8) -> Result<(), Failure> {
    if chain.base().is_some() {
        return Ok(());
    }
    Err(Failure::nothing(format!(
        "unit {unit} has no marker of the open register model at 40000, 0 or 50000: it does not follow that model, or not here"
    ))
    .hint(BY_HAND))
}

fn in_chain<'d>(args: &ImportArgs, known: &'d [Definition], meter: &Meter) -> Result<Chosen<'d>, Failure> {
    let candidates: Vec<&Model> = meter
        .chain
        .models()
        .iter()
        .filter(|model| args.model.map_or(is_meter(model.id), |id| model.id == id))
        .filter(|model| args.at.is_none_or(|at| model.address == at))
        .collect();
    let places = |models: &[&Model]| {
        let places = models.iter().map(|model| format!("{} at {}", model.id, model.address));
        places.collect::<Vec<_>>().join(", ")
    };
    let model = match candidates.as_slice() {
        [model] => *model,
        [] => {
            let all: Vec<&Model> = meter.chain.models().iter().collect();
            let wanted = match (args.model, args.at) {
                (None, None) => "no model of a meter".to_owned(),
                (Some(id), None) => format!("no model {id}"),
                (_, Some(at)) => format!("no such model at {at}"),
            };
            let hint = match meter.chain.end() {
                _ if !all.is_empty() => format!("it has {}; `--model NUMBER` takes another", places(&all)),
                Some(ChainEnd::Cut(at)) => {
                    format!("there was no answer at {at}, where its first model should stand; {BY_HAND}")
                }
                _ => format!("its chain of models ends right behind its marker; {BY_HAND}"),
            };
            return Err(Failure::nothing(format!("unit {} has {wanted}", meter.unit)).hint(hint));
        }
        several => {
            return Err(Failure::usage(format!("unit {} has several: {}", meter.unit, places(several)))
                .hint("say which with `--at ADDRESS`; several meters behind one unit may have one each"));
        }
    };
    let definition = defined::of(known, model.id)?;
    let whole = Registers {
        table: Table::Holding,
        address: model.address,
        count: (model.length.saturating_add(2)).min(definition.registers()),
    };
    // As far as it was read from its beginning.
    let image = (0..whole.count)
        .map_while(|offset| meter.registers.word(Table::Holding, model.address.checked_add(offset)?));
    let found = Some(Found { length: model.length, image: image.collect() });
    Ok(Chosen { definition, address: model.address, found })
}

fn without_a_meter<'d>(args: &ImportArgs, known: &'d [Definition]) -> Result<Chosen<'d>, Failure> {
    let definition = match (args.model, known) {
        (Some(id), _) => defined::of(known, id)?,
        (None, [only]) => only,
        (None, _) => {
            let meters: Vec<&Definition> =
                known.iter().filter(|definition| is_meter(definition.id)).collect();
            let [only] = meters[..] else {
                return Err(Failure::usage(format!("{} definitions, and nothing says which model the meter has", known.len()))
                    .hint("name the line (`--serial PORT`, `--tcp HOST`) to ask the meter, or the model: `--model 203`"));
            };
            only
        }
    };
    Ok(Chosen { definition, address: args.at.unwrap_or(USUAL), found: None })
}
