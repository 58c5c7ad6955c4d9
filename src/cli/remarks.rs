//! What does not make sense about a reading, for the commands that show it: `read`, `watch`, and a check before it begins.

use super::out::Out;
use crate::base::PointKey;
use crate::evidence::{Case, MeterCase};
use crate::reading::{Remark, Weight, judge, judge_counters, judge_settings};
use crate::report::table::latest;
use crate::report::text::wrapped;

/// A remark has to stand in so many readings in a row before `watch` makes it: a motor that starts is none. Ours.
const STANDS: usize = 5;

/// Everything there is to remark on a meter of a case.
pub(crate) fn remarks(case: &Case, meter: &MeterCase) -> Vec<Remark> {
    let mut remarks = judge(&meter.profile, &case.site, &meter.meter, &latest(&meter.series));
    remarks.extend(judge_counters(&meter.profile, meter.meter.netting, &meter.series));
    remarks.extend(judge_settings(&meter.profile, &meter.meter, &meter.series));
    remarks
}

/// A remark in words, wrapped.
pub(crate) fn words(remark: &Remark, out: &Out) -> String {
    let text = format!("{}; expected {}", remark.saw, remark.expected);
    wrapped(&format!("{}: ", remark.weight.word()), &text, out.width)
}

/// Remarks of one meter over many readings: each is made once, when it has stood for a while.
#[derive(Debug, Default)]
pub(crate) struct Standing {
    list: Vec<(Weight, Vec<PointKey>, usize)>,
    made: Vec<(Weight, Vec<PointKey>)>,
}

impl Standing {
    /// Takes the remarks of one more reading; gives those to be made now.
    pub(crate) fn take(&mut self, remarks: Vec<Remark>) -> Vec<Remark> {
        let last = std::mem::take(&mut self.list);
        let mut now = Vec::new();
        for remark in remarks {
            let same = |entry: &&(Weight, Vec<PointKey>, usize)| {
                entry.0 == remark.weight && entry.1 == remark.points
            };
            let times = last.iter().find(same).map_or(0, |entry| entry.2) + 1;
            let about = (remark.weight, remark.points.clone());
            self.list.push((about.0, about.1.clone(), times));
            if times >= STANDS && !self.made.contains(&about) {
                self.made.push(about);
                now.push(remark);
            }
        }
        now
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_remark_is_made_once_and_only_when_it_stands() {
        let remark = |saw: &str| Remark {
            weight: Weight::Hint,
            saw: saw.into(),
            expected: "another".into(),
            points: Vec::new(),
        };
        let mut standing = Standing::default();
        let mut made = Vec::new();
        for reading in 0..20 {
            // It goes away once, after three readings.
            let list = if reading == 3 { Vec::new() } else { vec![remark(&format!("{reading}"))] };
            made.extend(standing.take(list).into_iter().map(|remark| (reading, remark.saw)));
        }
        assert_eq!(made, [(8, "8".to_owned())]);
    }
}
