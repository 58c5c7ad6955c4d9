//! `wattward capture scrub`: the names go out, and the checks are judged again, so that the documents inside tell of what is
//! there now.

use std::path::Path;

use super::super::judge::{Check, judge_run, verdict_of};
use super::super::source::Loaded;
use super::{free, read, span, written};
use crate::base::Failure;
use crate::cli::exit::Exit;
use crate::cli::out::Out;
use crate::pipeline::edit::scrub::Names;
use crate::pipeline::runs::document_check;
use crate::pipeline::{Overrides, check_runs, replay};
use crate::record::{LineInfo, MarkKind, Record};

pub(super) fn run(file: &Path, to: &Path, out: &Out) -> Result<Exit, Failure> {
    free(to)?;
    let Loaded { captures, lines, records, .. } = read(&[file.to_path_buf()], out)?;
    let names = Names::of(&lines, &records)?;
    out.status("judging its checks again");
    let (lines, scrubbed) = (names.lines(&lines), names.scrub(&records)?);
    let scrubbed = judged_again(&lines, &records, scrubbed)?;
    let ends = span(&scrubbed).ok_or_else(|| Failure::nothing("the capture holds nothing"))?;
    let exit = written(&lines, &scrubbed, (captures, ends), to, out)?;
    out.note(
        "names, serial numbers and notes are out; times, values and what registers hold are in: whoever knows the site may \
         know it again",
    );
    Ok(exit)
}

/// Gives every verdict mark the document that its check has now. Marks come in order, since a check may rest on an earlier
/// one's verdict.
fn judged_again(
    lines: &[LineInfo],
    before: &[Record],
    mut records: Vec<Record>,
) -> Result<Vec<Record>, Failure> {
    for place in 0..records.len() {
        let (Record::Mark(old), Record::Mark(mark)) = (&before[place], &records[place]) else { continue };
        let recorded = old.text.as_deref().filter(|_| old.kind == MarkKind::Verdict);
        let Some((word, recorded)) =
            recorded.and_then(|text| Some((document_check(text)?, verdict_of(text)?)))
        else {
            continue;
        };
        let Some(check) = Check::parse(&word) else { continue };
        let at = mark.at;
        let replayed = replay(lines, &records, &Overrides::default())?;
        let runs = check_runs(&replayed.case.marks, replayed.case.span);
        let Some(run) = runs.iter().rfind(|run| run.check == word && run.from <= at) else { continue };
        let (judged, case) = judge_run(check, run, &runs, &replayed.case, &[])?;
        let now = judged.verdict().word();
        if now != recorded {
            return Err(Failure::unreadable(format!(
                "the {word} recorded as {recorded} comes out as {now} when it is judged again, so the capture without names \
                 would tell something else"
            ))
            .hint("`wattward replay` shows what differs in the capture as it is"));
        }
        let text = judged.document(&case.site.name, None);
        if let Record::Mark(mark) = &mut records[place] {
            mark.message = format!("{word}: {now}");
            mark.text = Some(text);
        }
    }
    Ok(records)
}
