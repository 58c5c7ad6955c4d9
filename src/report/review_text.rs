//! What a review says on a screen: the answer first, then the facts, the causes with the times to look at, the days.

use std::fmt::Write as _;

use super::text::wrapped;
use crate::base::Stamp;
use crate::base::zone::Zone;
use crate::check::review::{AgainstBody, Review};
use crate::report::Beside;

/// Times to look at, for each cause.
const SHOWN: usize = 3;

/// Days shown; the rest is in the document.
const DAYS: usize = 40;

/// The review as text of this width; times in the site's own zone.
pub fn review_text(site: &str, zone: &Zone, review: &Review, beside: &Beside, width: usize) -> String {
    let mut text = wrapped("", &review.headline, width);
    let period = &review.body.period;
    let of = format!(
        "review of meter `{}`, {site}, {} to {}, {} readings",
        review.meter,
        local(zone, period.start),
        local(zone, period.end),
        period.readings
    );
    text.push_str(&wrapped("", &of, width));
    if !beside.is_empty() {
        text.push_str(&wrapped("", &format!("judged with {}", beside.words().join(", ")), width));
    }
    text.push_str("\nwhat happened\n");
    for reason in &review.reasons {
        text.push_str(&wrapped("  - ", reason, width));
    }
    text.push_str("\nwhy, most likely first\n");
    for (number, cause) in review.body.causes.iter().enumerate() {
        let lead = format!("  {}. ", number + 1);
        text.push_str(&wrapped(&lead, &format!("{} (support {:.2})", cause.cause, cause.support), width));
        for evidence in cause.evidence.iter().take(SHOWN) {
            let when = evidence.at.map_or_else(String::new, |at| format!("{}: ", local(zone, at)));
            text.push_str(&wrapped("     ", &format!("{when}{}", evidence.text), width));
        }
    }
    against(&mut text, zone, review, width);
    days(&mut text, review);
    if !review.next.is_empty() {
        text.push_str("\nnext\n");
        for step in &review.next {
            text.push_str(&wrapped("  - ", step, width));
        }
    }
    text
}

fn against(text: &mut String, zone: &Zone, review: &Review, width: usize) {
    let Some(found) = &review.body.against else { return };
    let _ = writeln!(text, "\nagainst {}", found.file);
    for line in against_words(found) {
        text.push_str(&wrapped("  - ", &line, width));
    }
    for one in found.worst.iter().take(SHOWN) {
        let said = format!(
            "{}: {} of {:.0} Wh in the file, {:.0} Wh in the log ({:.0} Wh allowed)",
            local(zone, one.start),
            one.direction,
            one.file_Wh,
            one.log_Wh,
            one.allowed_Wh
        );
        text.push_str(&wrapped("     ", &said, width));
    }
}

/// What interval data say beside the log, in sentences.
pub fn against_words(found: &AgainstBody) -> Vec<String> {
    let mut lines = Vec::new();
    lines.push(match found.agree {
        None => "no interval of it is covered by the log".to_owned(),
        Some(true) => format!("it agrees with the log in {} of {} intervals", found.agreeing, found.compared),
        Some(false) => {
            format!(
                "it does not agree with the log: in {} of {} intervals only",
                found.agreeing, found.compared
            )
        }
    });
    let kwh = |wh: f64| wh / 1000.0;
    if let Some(import) = found.import_Wh {
        lines.push(format!(
            "{:.2} kWh in by the file, {:.2} kWh by the log",
            kwh(import),
            kwh(found.log_import_Wh)
        ));
    }
    if let Some(export) = found.export_Wh {
        lines.push(format!(
            "{:.2} kWh out by the file, {:.2} kWh by the log",
            kwh(export),
            kwh(found.log_export_Wh)
        ));
    }
    if let (Some(offset), Some(u)) = (found.offset_s, found.offset_u_s) {
        let whole = found.offset_intervals.unwrap_or(0);
        lines.push(if offset.abs() <= u {
            format!("its times are those of the log, within {u:.0} s")
        } else {
            let way = if offset > 0.0 { "behind" } else { "ahead of" };
            format!(
                "its times are {:.0} s ± {u:.0} s {way} the log's: {whole} intervals and {:.0} s",
                offset.abs(),
                found.offset_rest_s.unwrap_or(0.0)
            )
        });
    }
    lines.push(match found.netting {
        "sum" => "it adds up the phases first (netting)".to_owned(),
        "phase" => "it counts each phase by itself".to_owned(),
        _ => "how it treats phases does not show".to_owned(),
    });
    lines
}

fn days(text: &mut String, review: &Review) {
    let _ = writeln!(text, "\n{:10}  {:>10}  {:>10}  {:>12}", "day", "in", "out", "above limit");
    for day in review.body.by_day.iter().take(DAYS) {
        let _ = writeln!(
            text,
            "{:10}  {:>6.2} kWh  {:>6.2} kWh  {:>8.3} kWh",
            day.day,
            day.import_Wh / 1000.0,
            day.export_Wh / 1000.0,
            day.over_Wh / 1000.0
        );
    }
    if review.body.by_day.len() > DAYS {
        let _ = writeln!(text, "{} more days are in the document (--json)", review.body.by_day.len() - DAYS);
    }
}

fn local(zone: &Zone, at: Stamp) -> String {
    zone.local(at).whole()
}
