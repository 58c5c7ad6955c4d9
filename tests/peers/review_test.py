"""What `review` adds up, against engines that share nothing with us: energies both ways, the sliding mean and the spans above
a limit, from the Parquet table that `convert` writes of the same capture (polars, duckdb, numpy)."""
import shutil
import tempfile
import unittest
from pathlib import Path

import duckdb
import numpy as np
import polars

from common import document
from limit_test import SAMPLES

BROKEN = SAMPLES / "limit-broken" / "case.pcapng"


def both_ways(times, powers):
    """Import and export in Wh of straight lines, each split where it crosses nothing."""
    t0, t1, p0, p1 = times[:-1], times[1:], powers[:-1], powers[1:]
    width = t1 - t0
    share = np.clip(np.where(p0 == p1, 0.5, p0 / np.where(p0 == p1, 1.0, p0 - p1)), 0.0, 1.0)
    same = p0 * p1 >= 0
    first, last = 0.5 * p0 * share * width, 0.5 * p1 * (1.0 - share) * width
    whole = 0.5 * (p0 + p1) * width
    parts = np.where(same, whole, first), np.where(same, 0.0, last)
    return sum(part.clip(min=0).sum() for part in parts) / 3600, -sum(part.clip(max=0).sum() for part in parts) / 3600


class Review(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.folder = Path(tempfile.mkdtemp(prefix="wattward-review-"))
        cls.addClassCleanup(shutil.rmtree, cls.folder, ignore_errors=True)
        document("convert", "--from", BROKEN, "--out", cls.folder / "t.parquet", check=0)
        cls.table = polars.read_parquet(cls.folder / "t.parquet").sort("time")
        cls.review = document("review", "--from", BROKEN, check=0)
        # A site of one phase.
        rows = cls.table.filter(polars.col("active_power_L1_W").is_not_null())
        rows = rows.filter(polars.col("meter") == cls.review["meter"])
        cls.times = rows["time"].dt.epoch("us").to_numpy() / 1e6
        cls.powers = rows["active_power_L1_W"].to_numpy()

    def test_energies_are_those_of_straight_lines(self):
        energy = self.review["energy"]
        self.assertTrue((np.diff(self.times) <= 10).all(), "a capture without gaps")
        imported, exported = both_ways(self.times, self.powers)
        # Times in the table are microseconds.
        self.assertAlmostEqual(energy["import_Wh"], imported, delta=1e-5 * max(1.0, imported))
        self.assertAlmostEqual(energy["export_Wh"], exported, delta=1e-5 * max(1.0, exported))
        query = f"""
            with r as (select epoch_us(time) / 1e6 as t, active_power_L1_W as p,
                              lag(epoch_us(time) / 1e6) over w as t0, lag(active_power_L1_W) over w as p0
                       from '{self.folder}/t.parquet' where meter = '{self.review["meter"]}' window w as (order by time))
            select sum((t - t0) * (p + p0) / 2) / 3600 from r"""
        [(net,)] = duckdb.sql(query).fetchall()
        self.assertAlmostEqual(energy["import_Wh"] - energy["export_Wh"], net, delta=1e-5 * max(1.0, abs(net)))

    def test_the_worst_mean_and_the_spans_are_those_of_a_fine_grid(self):
        """The sliding mean on a grid of milliseconds, by a running sum."""
        step = 0.001
        grid = np.arange(self.times[0], self.times[-1], step)
        power = np.interp(grid, self.times, self.powers)
        area = np.concatenate([[0.0], np.cumsum(0.5 * (power[1:] + power[:-1]) * step)])
        for rule in self.review["over_limit"]["rules"]:
            if rule["per"] != "total" or rule["averaging_s"] <= 0:
                continue
            back = round(rule["averaging_s"] / step)
            export = -(area[back:] - area[:-back]) / rule["averaging_s"]
            self.assertAlmostEqual(rule["worst_averaged_export_W"], export.max(), delta=1e-3 * export.max())
            # The program takes the uncertainty off: less time than without, and more than with one of 5 % and 60 W.
            longest = (export > rule["limit_W"]).sum() * step
            least = (export > 1.05 * rule["limit_W"] + 60 + 0.05 * export.max()).sum() * step
            self.assertLessEqual(rule["time_s"], longest + 0.01)
            self.assertGreaterEqual(rule["time_s"], least - 0.01)
        self.assertGreater(self.review["over_limit"]["time_s"], 0)


if __name__ == "__main__":
    unittest.main()
