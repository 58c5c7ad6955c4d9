"""Register maps found and profiles mended against a meter of an independent library, over real pseudo-terminals."""
import time
import unittest

from common import document, folder, foreign_meter, pseudo_terminals, wattward

# The foreign meter: voltages 231.0, 229.5, 230.4 V, 50.01 Hz, base loads of 180, 240 and 150 W, heaters of 2000 W.
LOOKS = [
    ((), "voltage.L1=231 frequency=50.0 active_power.total=0.57kW"),
    (("on L2",), "voltage.L1=231 frequency=50.0 active_power.total=2.57kW"),
    (("on L1", "off L2"), "voltage.L1=231 frequency=50.0 active_power.total=2.57kW"),
]


class Fit(unittest.TestCase):
    """What instruments show, against registers served by another library."""

    def test_three_looks_find_the_floats_and_the_draft_reads_right(self):
        with folder() as here, pseudo_terminals(here) as (near, far), foreign_meter("--port", far) as tell:
            captures = []
            for number, (commands, seen) in enumerate(LOOKS):
                for command in commands:
                    tell(command)
                time.sleep(0.6)
                captures += ["--from", here / f"look{number}.pcapng"]
                wattward("profile", "fit", "--serial", near, "--baud", 19200, "--unit", 7, "--listen-first", "200ms",
                         "--range", "0+64", "--snapshot", seen, "--out", here / f"d{number}.toml",
                         "--capture", here / f"look{number}.pcapng", cwd=here)
            found = document("profile", "fit", *captures, "--out", here / "draft.toml", check=0, cwd=here)
            points = {point["point"]: point for point in found["points"]}
            # The server's words are struct's big-endian floats: voltages at 0, powers at 6, total at 12, 50.01 Hz at 14.
            for name, address in (("active_power.L1", 6), ("active_power.L2", 8), ("active_power.L3", 10),
                                  ("active_power.total", 12), ("frequency.total", 14)):
                reading = points[name]["reading"]
                self.assertEqual((reading["address"], reading["type"]), (address, "f32"), name)
            wattward("profile", "check", here / "draft.toml", check=0)
            values = document("read", "--profile", here / "draft.toml", "--serial", near, "--baud", 19200,
                              "--listen-first", "200ms", check=0, cwd=here)["meters"][0]["values"]
            read = {row["point"]: row["value"] for row in values}
            self.assertAlmostEqual(read["active_power.total"], 2570.0, delta=60.0)
            self.assertAlmostEqual(read["frequency.total"], 50.01, places=3)

    def test_check_on_the_line_names_the_order_and_the_scale(self):
        with folder() as here, pseudo_terminals(here) as (near, far), foreign_meter("--port", far):
            text = (here / "meter.toml").read_text()
            line = ["--serial", near, "--listen-first", "200ms"]
            right = document("profile", "check", "--line", here / "meter.toml", *line, check=0, cwd=here)
            self.assertTrue(right["meters"][0]["agrees"])
            slips = {
                'word_order = "low-first"': (text.replace('type = "f32"', 'type = "f32"\nword_order = "low-first"'),
                                             'every point: `word_order = "high-first"`'),
                "bytes": (text.replace('type = "f32"', 'type = "f32"\nbyte_order = "low-first"'),
                          'every point: `byte_order = "high-first"`'),
                "kW": (text.replace("total = { address = 12", 'total = { address = 12, scale = 1000'),
                       "active_power.total times 0.001"),
            }
            for name, (wrong, mend) in slips.items():
                (here / "wrong.toml").write_text(wrong)
                found = document("profile", "check", "--line", here / "wrong.toml", *line, check=2, cwd=here)
                self.assertIn(mend, found["meters"][0]["mends"][0]["mend"], name)


if __name__ == "__main__":
    unittest.main()
