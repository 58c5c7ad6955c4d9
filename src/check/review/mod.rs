//! `review`: weeks of log to what happened, when, how much, and why. No verdict.

mod against;
mod body;
mod causes;
mod direction;
mod figures;
mod plots;
mod unseen;
mod words;

pub use against::{AgainstBody, Interval, Intervals};
pub use body::{Cause, CtDoubt, Evidence, LineBody, ReviewBody};

use crate::base::Stamp;
use crate::evidence::long::Long;

/// A review before it is written down.
#[derive(Clone, Debug)]
pub struct Review {
    /// One sentence a person can act on.
    pub headline: String,
    /// The facts behind it.
    pub reasons: Vec<String>,
    /// What to do next.
    pub next: Vec<String>,
    /// The meter looked at.
    pub meter: String,
    /// First instant of the evidence.
    pub start: Stamp,
    /// Last instant.
    pub end: Stamp,
    /// The rest.
    pub body: ReviewBody,
}

/// From the whole log; nothing where the meter looked at was not read. `span` is its first and last reading, `line` the counts of the line
/// where frames were at hand.
pub fn review(long: &Long, span: (Stamp, Stamp), line: Option<LineBody>) -> Option<Review> {
    review_against(long, span, line, None)
}

/// The same with the operator's or supplier's interval data beside it.
pub fn review_against(
    long: &Long,
    span: (Stamp, Stamp),
    line: Option<LineBody>,
    intervals: Option<&Intervals>,
) -> Option<Review> {
    long.ticks.filter(|_| long.meters[long.plan.main].readings > 0)?;
    let energy = figures::energy(long);
    let over = causes::Exceedance::of(long, energy.nets);
    let ct_doubts = direction::doubts(long);
    let voltage = figures::voltage(long);
    let volts = figures::voltage_rise(long, &voltage);
    let not_seen = unseen::not_seen(long, &energy, &voltage);
    let plots = plots::plots(long, &voltage, over.rule);
    let causes = causes::causes(long, &over, &energy, &ct_doubts, volts, &not_seen);
    let body = ReviewBody {
        period: figures::period(long, span),
        over_limit: figures::over_limit(long, &over),
        by_day: figures::by_day(long, &over),
        hunting: figures::hunting(long),
        silence: figures::silence(long),
        settings_changed: figures::changed(long),
        counter_resets: figures::resets(long),
        overvoltage_V: long.plan.overvoltage_v,
        energy,
        voltage,
        ct_doubts,
        not_seen,
        line,
        causes,
        plots,
        against: intervals.and_then(|intervals| against::against(long, intervals)),
    };
    Some(Review {
        headline: words::headline(long, &body, over.energy_ws()),
        reasons: words::reasons(long, &body),
        next: words::next(&body),
        meter: long.plan.meter().name.clone(),
        start: span.0,
        end: span.1,
        body,
    })
}
