//! Words and pictures of a window under way.

use crate::check::limit::{LimitBody, LiveView};
use crate::profile::{Limit, Per, Site};
use crate::report::plot::{Plot, ROWS};

/// The window as it stands: figures, then the export of the last minutes against the lowest limit, and what can be typed.
/// Every line fits `width` columns, at least 60; at most 16 lines.
pub(super) fn screen(view: &LiveView, limit: &Limit, site: &Site, width: usize) -> String {
    let mut text = view.lines().join("\n");
    let picture = recent(view, limit, site, width.saturating_sub(1).clamp(60, 99));
    if !picture.is_empty() {
        text.push('\n');
        text.push_str(&picture);
    }
    text.push_str("\n+ Enter: longer   q Enter: end the window and judge it");
    text
}

/// Export of the last minutes against the lowest limit of the total; one for each phase has no place in this picture.
fn recent(view: &LiveView, limit: &Limit, site: &Site, width: usize) -> String {
    let of_total = limit.rules.iter().filter(|rule| rule.per == Per::Total);
    let limit_w = of_total.filter_map(|rule| rule.limit_w(site)).reduce(f64::min);
    let points: Vec<(f64, f64)> = view.recent.iter().map(|(ago, power)| (-ago, -power)).collect();
    let Some((first, _)) = points.first().copied() else { return String::new() };
    let plot = Plot {
        points: &points,
        span: (first, 0.0),
        limit_w,
        marks: &[],
        ends: (
            format!("{:.0} s ago", -first),
            if limit_w.is_some() { "now; export is up, = the limit" } else { "now; export is up" }.into(),
        ),
        rows: ROWS,
    };
    plot.render(width).trim_end().to_owned()
}

/// What came of the newest challenge, in one sentence.
pub(super) fn last_challenge(body: &LimitBody) -> String {
    let counted = body.challenges.iter().filter(|one| one.counts).count();
    let so_far = format!("challenges: {counted}, {} needed", body.challenges_required);
    let Some(last) = body.challenges.last() else { return format!("no challenge seen yet; {so_far}") };
    let back = match last.back_within_s {
        Some(back) if back > 0.0 => format!("back within {back:.1} s"),
        Some(_) => "never above the limit".to_owned(),
        None => "not back yet".to_owned(),
    };
    let counts = match &last.why_not {
        None => String::new(),
        Some(why) => format!("; it does not count: {why}"),
    };
    format!(
        "{}{}: peak export {:.0} W, {:.0} W had nothing acted, {back}{counts}; {so_far}",
        last.kind,
        last.source.as_ref().map_or_else(String::new, |source| format!(" of {source}")),
        last.peak_export_w,
        last.uncontrolled_export_w
    )
}
