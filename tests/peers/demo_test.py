"""The demo in real time: over a real pseudo-terminal, within its time, with the verdicts its scenario calls for."""
import subprocess
import unittest

from common import PROGRAM, demo, document


class Demo(unittest.TestCase):
    def test_it_does_the_main_job_within_ninety_seconds(self):
        ran = demo()
        self.assertLess(ran.seconds, 90.0)
        self.assertEqual([one["verdict"] for one in ran.document["demo"]], ["fail", "pass", "pass"])
        self.assertTrue(ran.document["replays_to_the_same"])
        for one in ran.document["demo"]:
            again = document("replay", one["capture"], check=0)
            self.assertEqual([run["same"] for run in again["checks"]], [True])
        # evidence is never written over
        refused = subprocess.run([PROGRAM, "demo", "--keep", ran.folder], cwd=ran.folder.parent, capture_output=True)
        self.assertEqual(refused.returncode, 2)


if __name__ == "__main__":
    unittest.main()
