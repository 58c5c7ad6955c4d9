//! What is watched while a window runs: how it stands, wishes for more time, the breach, and the threshold.

use super::super::visit::Visit;
use super::picture;
use crate::base::{Span, Stamp};
use crate::check::limit::{LimitOptions, LiveView, live_view};
use crate::profile::{Limit, Site};
use crate::record::MarkKind;

/// The window under way as somebody looks at it twice a second.
pub(super) struct Watcher {
    /// What is judged by.
    pub(super) judged: LimitOptions,
    /// The rules.
    pub(super) limit: Limit,
    /// The place.
    pub(super) site: Site,
    /// From when to when.
    pub(super) window: (Stamp, Stamp),
    /// How much longer a window gets when nobody says how much.
    pub(super) usual: Span,
    /// It was said that the limit is broken.
    pub(super) warned: bool,
    /// The threshold that was passed, in W.
    pub(super) aborted: Option<f64>,
}

impl Watcher {
    /// What to show, and whether the wait is over: at the threshold, or when enough was seen.
    pub(super) fn look(
        &mut self,
        visit: &mut Visit<'_>,
        enough: &impl Fn(&LiveView) -> bool,
    ) -> (String, bool) {
        for more in visit.longer() {
            let more = more.unwrap_or(self.usual);
            self.window.1 = self.window.1.max(visit.now()) + more;
            visit.tell(&format!("the window lasts {more} longer"));
            visit.mark(MarkKind::Note, &format!("window made {more} longer"));
        }
        let Some(view) = live_view(&visit.case(), &self.judged, self.window, visit.now()) else {
            return ("no reading in the window yet".into(), false);
        };
        if view.broken && !self.warned {
            self.warned = true;
            visit.alarm("the limit is broken: export has surely stood above it for longer than allowed");
        }
        let past = |abort_w: &f64| view.power_w.is_some_and(|power| -power > *abort_w);
        self.aborted = self.judged.abort_w.filter(past);
        let text = visit.columns().map(|columns| picture::screen(&view, &self.limit, &self.site, columns));
        (text.unwrap_or_default(), self.aborted.is_some() || enough(&view))
    }
}
