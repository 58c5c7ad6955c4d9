"""The demo in real time: over a real pseudo-terminal, within its time, with the verdicts its scenario calls for."""
import subprocess
import time
import unittest

from common import PROGRAM, document, folder


class Demo(unittest.TestCase):
    def test_it_does_the_main_job_within_ninety_seconds(self):
        with folder() as here:
            begun = time.monotonic()
            found = document("demo", "--quiet", "--keep", here / "kept", check=0, cwd=here)
            self.assertLess(time.monotonic() - begun, 90.0)
            self.assertEqual([one["verdict"] for one in found["demo"]], ["fail", "pass", "pass"])
            self.assertTrue(found["replays_to_the_same"])
            for one in found["demo"]:
                again = document("replay", one["capture"], check=0)
                self.assertEqual([run["same"] for run in again["checks"]], [True])
            # evidence is never written over
            refused = subprocess.run([PROGRAM, "demo", "--keep", here / "kept"], cwd=here, capture_output=True)
            self.assertEqual(refused.returncode, 2)


if __name__ == "__main__":
    unittest.main()
