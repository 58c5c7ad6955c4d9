//! What a review says on a screen: the answer first, then the facts, the causes with the times to look at, the days.

use std::fmt::Write as _;

use super::text::wrapped;
use crate::base::Stamp;
use crate::base::zone::Zone;
use crate::check::review::Review;

/// Times to look at, for each cause.
const SHOWN: usize = 3;

/// Days shown; the rest is in the document.
const DAYS: usize = 40;

/// The review as text of this width; times in the site's own zone.
pub fn review_text(site: &str, zone: &Zone, review: &Review, width: usize) -> String {
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
    days(&mut text, review);
    if !review.next.is_empty() {
        text.push_str("\nnext\n");
        for step in &review.next {
            text.push_str(&wrapped("  - ", step, width));
        }
    }
    text
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
