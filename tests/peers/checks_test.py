"""The main job against a meter of an independent library over a real pseudo-terminal: checked live, recorded, replayed."""
import unittest

from common import document, folder, foreign_meter, pseudo_terminals, wattward
from visit import SITE, visit


class Checks(unittest.TestCase):
    """Live checks; what the foreign site is, is known."""

    def both_ways(self, here, check, live):
        """The replay gives the live verdict to the last digit, and `--from` the same document."""
        self.assertEqual(document(check, "--from", "visit.pcapng", cwd=here), live)
        wattward("replay", "visit.pcapng", cwd=here, check=0)

    def run_check(self, check, *meter, before=(), window=40):
        with folder() as here, pseudo_terminals(here) as (near, far), foreign_meter("--port", far, *meter) as tell:
            (here / "site.toml").write_text(SITE.format(door=f'serial = "{near}"', window=window))
            for words in before:
                tell(words)
            code, live, screen = visit(here, tell, check, "--capture", "visit.pcapng")
            self.both_ways(here, check, live)
            return code, live, screen

    def test_cts_that_sit_right_pass(self):
        code, live, screen = self.run_check("ct")
        self.assertEqual((code, live["verdict"]), (0, "pass"), screen)
        self.assertEqual([channel["status"] for channel in live["channels"]], ["correct"] * 3)
        for channel in live["channels"]:
            # The heaters of the foreign site draw 2000 W whatever the voltage.
            step = channel["step"]
            self.assertLess(abs(step["active_W"] - 2000.0), step["active_u_W"])

    def test_a_reversed_ct_is_named(self):
        code, live, screen = self.run_check("ct", "--reversed", "1")
        self.assertEqual((code, live["verdict"]), (1, "fail"), screen)
        found = {channel["channel"]: (channel["status"], channel["faults"]) for channel in live["channels"]}
        self.assertEqual(found["L2"], ("faulty", ["reversed"]))
        self.assertEqual(found["L1"], ("correct", []))

    def test_a_limit_that_holds_passes_and_one_without_control_fails(self):
        code, live, screen = self.run_check("limit", before=["sun 3000"])
        self.assertEqual((code, live["verdict"]), (0, "pass"), f"{live['reasons']}\n{screen}")
        code, live, screen = self.run_check("limit", before=["sun 3000", "control off"], window=30)
        self.assertEqual((code, live["verdict"]), (1, "fail"), f"{live['reasons']}\n{screen}")


if __name__ == "__main__":
    unittest.main()
