"""The tables that `convert` writes, read by engines that share nothing with us (duckdb, polars), against the captures' own
frames (numpy); and the data set of docs/fleet.md asked as the manual asks it."""
import importlib.util
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import unittest
from pathlib import Path

import duckdb
import numpy as np
import polars

from common import ROOT, document, wattward
from limit_test import START, SAMPLES, held, integral, readings

HELD = SAMPLES / "limit-held" / "case.pcapng"


class Tables(unittest.TestCase):
    def setUp(self):
        self.folder = Path(tempfile.mkdtemp(prefix="wattward-convert-"))
        self.addCleanup(shutil.rmtree, self.folder, ignore_errors=True)

    def held(self):
        return document("convert", "--from", HELD, "--out", self.folder / "t.parquet", check=0)

    def test_parquet_holds_what_the_frames_hold(self):
        summary = self.held()
        table = polars.read_parquet(self.folder / "t.parquet")
        times, powers, _, _ = readings("limit-held", held)
        self.assertEqual(summary["readings"], table.height)
        name = next(name for name in table.columns if name.startswith("active_power_total"))
        np.testing.assert_array_equal(table[name].to_numpy(), powers)
        self.assertEqual(str(table.schema["time"]), "Datetime(time_unit='us', time_zone='UTC')")
        seconds = table["time"].dt.epoch("us").to_numpy() / 1e6 - START
        np.testing.assert_allclose(seconds, times, atol=1e-6)

    def test_units_stand_in_the_metadata(self):
        self.held()
        rows = duckdb.sql(f"select decode(key), decode(value) from parquet_kv_metadata('{self.folder}/t.parquet')").fetchall()
        pairs = dict(rows)
        self.assertEqual(json.loads(pairs["wattward.units"])["active_power_total_W"], "W")
        self.assertRegex(pairs["wattward.captures"], r"[0-9a-f]{64}")
        compressed = duckdb.sql(f"select distinct compression from parquet_metadata('{self.folder}/t.parquet')").fetchall()
        self.assertEqual(compressed, [("ZSTD",)])

    def test_energy_by_an_engine_equals_straight_lines(self):
        self.held()
        query = f"""
            with r as (select epoch_us(time) / 1e6 as t, active_power_total_W as p,
                              lag(epoch_us(time) / 1e6) over w as t0, lag(active_power_total_W) over w as p0
                       from '{self.folder}/t.parquet' window w as (order by time))
            select sum((t - t0) * (p + p0) / 2) / 3600 from r"""
        [(energy,)] = duckdb.sql(query).fetchall()
        times, powers, _, _ = readings("limit-held", held)
        self.assertAlmostEqual(energy, integral(times, powers)(times[-1]) / 3600, delta=abs(energy) * 1e-6 + 1e-6)

    def test_csv_is_the_same_table(self):
        self.held()
        wattward("convert", "--from", HELD, "--out", self.folder / "t.csv", check=0)
        csv = polars.read_csv(self.folder / "t.csv", infer_schema_length=None)
        typed = duckdb.sql(f"describe select * from read_csv('{self.folder}/t.csv')").fetchall()
        self.assertEqual([kind for name, kind, *_ in typed if name == "local_time"], ["TIMESTAMP"])
        parquet = polars.read_parquet(self.folder / "t.parquet")
        self.assertEqual(csv.columns, ["time", "local_time"] + parquet.columns[1:])
        for name in parquet.columns[3:]:
            self.assertEqual(csv[name].cast(polars.Float64).to_list(), parquet[name].to_list())
        with open(self.folder / "t.csv", newline="") as file:
            self.assertTrue(file.readline().endswith("\r\n"))

    def fleet(self):
        for name in ("limit-held", "ct-right"):
            wattward("convert", "--from", SAMPLES / name / "case.pcapng", "--out", f"{self.folder}/fleet/", check=0)
        return self.folder / "fleet"

    def test_the_data_set_is_asked_as_the_manual_asks_it(self):
        fleet = self.fleet()
        before = sorted(fleet.rglob("*"))
        wattward("convert", "--from", HELD, "--out", f"{fleet}/", check=0)
        self.assertEqual(sorted(fleet.rglob("*")), before, "a capture converted twice replaces its own rows")
        text = (ROOT / "docs" / "fleet.md").read_text()
        asked = re.findall(r"```sql\n(.*?)```", text, re.S)
        self.assertGreaterEqual(len(asked), 3)
        for query in asked:
            rows = duckdb.sql(query.replace("'fleet/", f"'{fleet}/")).fetchall()
            self.assertGreater(len(rows), 0, query)
        count = duckdb.sql(f"select count(*) from read_parquet('{fleet}/**/*.parquet', hive_partitioning = true, union_by_name = true)")
        times, _, _, _ = readings("limit-held", held)
        [(count,)] = count.fetchall()
        self.assertGreaterEqual(count, len(times))

    @unittest.skipUnless(shutil.which("java") and importlib.util.find_spec("pyspark"), "no Java here")
    def test_a_distributed_engine_reads_the_same_folders(self):
        self.fleet()
        [asked] = re.findall(r"```python\n(.*?)```", (ROOT / "docs" / "fleet.md").read_text(), re.S)
        alone = dict(os.environ, SPARK_LOCAL_IP="127.0.0.1")
        done = subprocess.run([sys.executable, "-c", asked], cwd=self.folder, env=alone, capture_output=True, text=True, timeout=300)
        self.assertEqual(done.returncode, 0, done.stderr[-3000:])
        counts = {int(row.split("|")[-2]) for row in done.stdout.splitlines() if re.match(r"\|.*\d\|$", row)}
        _, powers, _, _ = readings("limit-held", held)
        self.assertIn(len(powers), counts, done.stdout)
