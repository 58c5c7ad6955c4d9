"""tshark reads captures that were cut, joined and scrubbed: every frame, every CRC right, the same registers as before."""
import pathlib
import subprocess
import tempfile
import unittest

from common import PROGRAM, ROOT


def registers(path):
    """Time, function, and registers of each whole Modbus frame; raises where a CRC is wrong."""
    fields = ["frame.time_epoch", "modbus.func_code", "modbus.regval_uint16", "mbrtu.crc16.status"]
    command = ["tshark", "-d", "rtacser.data,mbrtu", "-o", "mbrtu.crc_verification:TRUE", "-r", str(path), "-T", "fields",
               "-E", "occurrence=a", "-E", "aggregator=,", *(word for field in fields for word in ("-e", field))]
    rows = [row.split("\t") for row in subprocess.run(command, capture_output=True, text=True, check=True).stdout.splitlines()]
    frames = [row for row in rows if len(row) > 1 and row[1]]
    assert all(row[3] in ("", "1", "Good") for row in frames), path
    return [tuple(row[:3]) for row in frames]


def capture(*words):
    subprocess.run([PROGRAM, "--quiet", "capture", *map(str, words)], check=True, capture_output=True)


class Edits(unittest.TestCase):
    def test_cut_joined_and_scrubbed_captures_dissect_as_before(self):
        for name in ("ct-right", "limit-held"):
            with self.subTest(name), tempfile.TemporaryDirectory() as folder:
                folder, whole = pathlib.Path(folder), ROOT / "captures" / f"{name}.pcapng"
                capture("cut", whole, "--end", "70s", "-o", folder / "one.pcapng")
                capture("cut", whole, "--start", "70s", "-o", folder / "two.pcapng")
                capture("join", folder / "two.pcapng", folder / "one.pcapng", "-o", folder / "again.pcapng")
                capture("scrub", whole, "-o", folder / "scrubbed.pcapng")
                before = registers(whole)
                self.assertGreater(len(before), 100)
                self.assertEqual(registers(folder / "one.pcapng") + registers(folder / "two.pcapng"), before)
                self.assertEqual(registers(folder / "again.pcapng"), before)
                self.assertEqual(registers(folder / "scrubbed.pcapng"), before)


if __name__ == "__main__":
    unittest.main()
