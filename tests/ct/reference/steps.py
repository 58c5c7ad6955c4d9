"""Reference values for tests/ct/reference.rs, from scipy: paired steps, Welch, autocorrelated means, Student's t.

Run: python tests/ct/reference/steps.py > tests/ct/reference/steps.json   (scipy 1.17, numpy 2.4)
"""

import json

import numpy as np
from scipy import stats

random = np.random.default_rng(20260921)

pairs = 40
on = 1500 + random.normal(0, 12, pairs)
off = 1500 + random.normal(0, 12, pairs)
both = (on + off) / 2
paired = stats.ttest_1samp(both, 0.0)
interval = paired.confidence_interval(0.95)

before = 300 + random.normal(0, 4, 14)
after = 1810 + random.normal(0, 9, 9)
welch = stats.ttest_ind(after, before, equal_var=False)
between = welch.confidence_interval(0.95)

drift = [0.0]
for _ in range(599):
    drift.append(0.8 * drift[-1] + random.normal(0, 3))
drift = np.array(drift)
centred = drift - drift.mean()
lag_1 = float((centred[1:] * centred[:-1]).sum() / (centred**2).sum())
count = len(drift) * (1 - lag_1) / (1 + lag_1)

print(
    json.dumps(
        {
            "paired": {
                "on": [round(x, 4) for x in on],
                "off": [round(x, 4) for x in off],
                "mean": float(both.mean()),
                "standard_error": float(stats.sem(both)),
                "low": interval.low,
                "high": interval.high,
            },
            "welch": {
                "before": [round(x, 4) for x in before],
                "after": [round(x, 4) for x in after],
                "statistic": float(welch.statistic),
                "freedom": float(welch.df),
                "low": between.low,
                "high": between.high,
            },
            "drift": {
                "values": [round(x, 6) for x in drift],
                "lag_1": lag_1,
                "effective_count": count,
                "standard_error": float(drift.std(ddof=1) / np.sqrt(count)),
            },
            "t": [
                {"p": p, "freedom": f, "quantile": float(stats.t.ppf(p, f)), "cdf_at_1_3": float(stats.t.cdf(1.3, f))}
                for p in (0.6, 0.9, 0.975, 0.995)
                for f in (1.0, 2.5, 4.0, 9.3, 30.0, 250.0)
            ],
        },
        indent=1,
    )
)
