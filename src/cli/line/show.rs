//! What was measured, for people and for programs.

use std::fmt::Write as _;

use serde::Serialize;

use super::Measured;
use crate::base::Span;
use crate::link::quality::Tally;
use crate::link::{Cause, Quality};
use crate::report::text::wrapped;
use crate::report::{CaptureRef, Tool};

/// Columns of the longest bar, and rows of the histogram at most.
const BAR: usize = 40;
const BARS: u32 = 16;

/// Bars of the answer times: from, to, how many.
fn bars(quality: &Quality) -> Vec<(Span, Span, u64)> {
    quality.times.bars(BARS)
}

/// What was asked and answered, the rate of failures, the answer times: a line each.
pub(super) fn summary(quality: &Quality) -> Vec<String> {
    let exceptions: u64 = quality.exceptions.values().sum();
    let failure = quality.failure();
    let mut lines = vec![
        format!(
            "{} requests in {}: {} answered, {} unanswered, {} damaged, {exceptions} refused",
            quality.requests,
            quality.lasted(),
            quality.answers,
            quality.timeouts,
            quality.damaged
        ),
        format!(
            "{:.2} % fail; below {:.2} % with 95 % confidence",
            failure.share() * 100.0,
            failure.upper_95() * 100.0
        ),
    ];
    let quantile = |share| quality.times.quantile(share);
    if let (Some(p50), Some(p90), Some(p99), Some(max)) =
        (quantile(0.5), quantile(0.9), quantile(0.99), quantile(1.0))
    {
        lines.push(format!(
            "answers begin after {} (p50), {} (p90), {} (p99), {} (max)",
            ms(p50),
            ms(p90),
            ms(p99),
            ms(max)
        ));
    }
    lines
}

pub(super) fn screen(measured: &Measured, causes: &[Cause], width: usize) -> String {
    let quality = &measured.quality;
    let mut text = String::new();
    for line in summary(quality) {
        text.push_str(&wrapped("", &line, width));
    }
    if !quality.exceptions.is_empty() {
        let by_code = quality.exceptions.iter();
        let words: Vec<String> = by_code
            .map(|(code, count)| format!("{count} of code {code} ({})", crate::wire::exception_name(*code)))
            .collect();
        text.push_str(&wrapped("refused: ", &words.join(", "), width));
    }
    histogram(&mut text, &bars(quality));
    let heard = [
        (quality.stray_bytes, "stray bytes"),
        (quality.parity, "with bad parity"),
        (quality.framing, "with bad framing"),
        (quality.breaks, "breaks"),
        (quality.overflows, "lost by the driver"),
        (quality.echo_bytes, "echoed bytes"),
        (quality.suspect, "suspect answers"),
        (quality.second_answers, "second answers"),
    ];
    let heard: Vec<String> =
        heard.iter().filter(|(count, _)| *count > 0).map(|(count, what)| format!("{count} {what}")).collect();
    if !heard.is_empty() {
        let _ = writeln!(text, "{}", heard.join(", "));
    }
    if !quality.tells_errors {
        let words =
            "this driver does not tell bytes with bad parity or framing: none seen does not mean none";
        text.push_str(&wrapped("", words, width));
    }
    for (line, ms) in measured.latency.iter().filter(|(_, ms)| *ms > 1) {
        let lead = format!("{line}: ");
        let words = format!(
            "the adapter holds bytes back up to {ms} ms; every answer time above contains it. To lower it:"
        );
        text.push_str(&wrapped(&lead, &words, width));
        // Not wrapped: it is to be copied.
        if let Some(timer) = crate::rim::serial::latency_timer(line) {
            let _ = writeln!(text, "  echo 1 | sudo tee {}", timer.display());
        }
    }
    if let Some((cycles, lasted)) = measured.cycles {
        let each = Span::from_nanos(lasted.nanos() / cycles as i64);
        let _ = writeln!(
            text,
            "one reading of all meters takes {} on this line: {:.1} a second at most",
            ms(each),
            1.0 / each.seconds().max(1e-6)
        );
    }
    for (number, cause) in causes.iter().enumerate() {
        let title = if number == 0 { "\nlikely causes, most likely first\n" } else { "" };
        text.push_str(title);
        text.push_str(&wrapped(&format!("  {}. ", number + 1), cause.what, width));
        text.push_str(&wrapped("     seen: ", &cause.evidence, width));
        text.push_str(&wrapped("     next: ", cause.next, width));
    }
    if !causes.is_empty() {
        text.push_str(&wrapped(
            "",
            "Work on live terminals is for those licensed to do it; measure resistance only with everything off.",
            width,
        ));
    }
    text
}

fn histogram(text: &mut String, bars: &[(Span, Span, u64)]) {
    let Some(most) = bars.iter().map(|(.., count)| *count).max().filter(|most| *most > 0) else { return };
    for (from, to, count) in bars {
        let length = (*count as usize * BAR).div_ceil(most as usize);
        let label = format!("{} to {} ms", edge(*from, *to - *from), edge(*to, *to - *from));
        let _ = writeln!(text, "  {label:>16}  {:<BAR$}  {count}", "#".repeat(length));
    }
}

/// An edge of a bar in ms, with the digits that the width of the bars needs.
fn edge(at: Span, width: Span) -> String {
    let digits = if width >= Span::from_millis(1) { 0 } else { 3 };
    format!("{:.digits$}", at.millis())
}

/// Milliseconds with as many digits as they need.
fn ms(span: Span) -> String {
    let ms = span.millis();
    if ms < 10.0 { format!("{ms:.2} ms") } else { format!("{ms:.0} ms") }
}

#[derive(Serialize)]
pub(super) struct Document<'a> {
    tool: Tool,
    requests: u64,
    answers: u64,
    timeouts: u64,
    damaged: u64,
    exceptions: Vec<ExceptionCount>,
    suspect: u64,
    second_answers: u64,
    units: Vec<UnitRow>,
    failure: FailureRate,
    answer_s: Times,
    histogram: Vec<Bar>,
    stray_bytes: u64,
    echo_bytes: u64,
    parity_errors: Option<u64>,
    framing_errors: Option<u64>,
    breaks: Option<u64>,
    overflows: u64,
    foreign_requests: u64,
    duration_s: f64,
    reading_s: Option<f64>,
    longest_gap_s: Option<f64>,
    adapter_latency_s: Option<f64>,
    causes: Vec<CauseRow<'a>>,
    captures: &'a [CaptureRef],
}

#[derive(Serialize)]
struct ExceptionCount {
    code: u8,
    name: &'static str,
    count: u64,
}

#[derive(Serialize)]
struct UnitRow {
    line: u16,
    unit: u8,
    requests: u64,
    failed: u64,
}

#[derive(Serialize)]
struct FailureRate {
    share: f64,
    lower_95: f64,
    upper_95: f64,
}

#[derive(Serialize)]
struct Times {
    p50: Option<f64>,
    p90: Option<f64>,
    p99: Option<f64>,
    max: Option<f64>,
}

#[derive(Serialize)]
struct Bar {
    from_s: f64,
    to_s: f64,
    count: u64,
}

#[derive(Serialize)]
struct CauseRow<'a> {
    cause: &'a str,
    evidence: &'a str,
    next: &'a str,
}

pub(super) fn document<'a>(measured: &'a Measured, causes: &'a [Cause]) -> Document<'a> {
    let quality = &measured.quality;
    let failure = quality.failure();
    let seconds = |share| quality.times.quantile(share).map(Span::seconds);
    let told = |count: u64| quality.tells_errors.then_some(count);
    let exception = |(code, count): (&u8, &u64)| ExceptionCount {
        code: *code,
        name: crate::wire::exception_name(*code),
        count: *count,
    };
    let unit = |(key, tally): (&(u16, u8), &Tally)| UnitRow {
        line: key.0,
        unit: key.1,
        requests: tally.asked,
        failed: tally.failed,
    };
    let bar =
        |(from, to, count): (Span, Span, u64)| Bar { from_s: from.seconds(), to_s: to.seconds(), count };
    let row = |cause: &'a Cause| CauseRow { cause: cause.what, evidence: &cause.evidence, next: cause.next };
    Document {
        tool: Tool::default(),
        requests: quality.requests,
        answers: quality.answers,
        timeouts: quality.timeouts,
        damaged: quality.damaged,
        exceptions: quality.exceptions.iter().map(exception).collect(),
        suspect: quality.suspect,
        second_answers: quality.second_answers,
        units: quality.by_unit.iter().map(unit).collect(),
        failure: FailureRate {
            share: failure.share(),
            lower_95: failure.lower_95(),
            upper_95: failure.upper_95(),
        },
        answer_s: Times { p50: seconds(0.5), p90: seconds(0.9), p99: seconds(0.99), max: seconds(1.0) },
        histogram: bars(quality).into_iter().map(bar).collect(),
        stray_bytes: quality.stray_bytes,
        echo_bytes: quality.echo_bytes,
        parity_errors: told(quality.parity),
        framing_errors: told(quality.framing),
        breaks: told(quality.breaks),
        overflows: quality.overflows,
        foreign_requests: quality.foreign_requests,
        duration_s: quality.lasted().seconds(),
        reading_s: measured.cycles.map(|(cycles, lasted)| lasted.seconds() / cycles as f64),
        longest_gap_s: quality.longest_gap.map(Span::seconds),
        adapter_latency_s: measured.latency.first().map(|(_, ms)| *ms as f64 / 1000.0),
        causes: causes.iter().map(row).collect(),
        captures: &measured.captures,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::Stamp;
    use crate::link::{Asked, Outcome, Transaction};
    use crate::record::{LineInfo, Medium};

    #[test]
    fn the_screen_fits_eighty_columns_and_bars_have_whole_edges() {
        let line =
            LineInfo { name: "bench".into(), medium: Medium::Serial, baud: Some(9600), tells_errors: false };
        let mut quality = Quality::new(&[line]);
        for number in 0..300_u32 {
            let at = Stamp::from_micros(1_790_000_000_000_000 + i64::from(number) * 100_000);
            let outcome = match number % 50 {
                0 => Outcome::Exception { at, code: 2 },
                1 => Outcome::Silence,
                _ => Outcome::Answer { at, pdu: vec![4, 2, 0, 0] },
            };
            quality.transaction(&Transaction {
                line: 0,
                asked_at: at,
                asked: Asked { unit: 1, function: 4, address: 0, count: 1 },
                latency: matches!(outcome, Outcome::Answer { .. })
                    .then(|| Span::from_millis(i64::from(number % 70))),
                outcome,
                suspect: false,
            });
        }
        let causes = crate::link::causes(&quality);
        let measured = Measured {
            latency: vec![("/dev/ttyUSB0".into(), 16)],
            quality,
            cycles: Some((100, Span::from_millis(5000))),
            captures: Vec::new(),
        };
        let text = screen(&measured, &causes, 80);
        assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
        assert!(text.contains(" 5 to 10 ms  ##") || text.contains(" 0 to 5 ms  ##"), "{text}");
        assert!(text.contains("refused: 6 of code 2 (illegal data address)"), "{text}");
        assert!(
            text.contains("one reading of all meters takes 50 ms on this line: 20.0 a second at most"),
            "{text}"
        );
    }
}
