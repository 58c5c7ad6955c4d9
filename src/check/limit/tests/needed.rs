//! A pass is impossible without each single need: a passing window loses one, must not pass, and the reason names it.

use super::world::Plan;
use crate::check::limit::{LimitBody, LimitOptions, judge};
use crate::check::{Finding, Verdict};

fn judged(plan: &Plan) -> Finding<LimitBody> {
    judge(&plan.case(&plan.truth()), &LimitOptions::default())
}

#[test]
fn a_held_limit_that_was_tried_passes() {
    for (phases, reports_phases) in [(1, true), (3, true), (3, false)] {
        let plan = Plan { phases, reports_phases, target_w: 250.0, ..Plan::held() };
        let finding = judged(&plan);
        assert_eq!(finding.verdict, Verdict::Pass, "{phases} {reports_phases}: {finding:#?}");
    }
}
