"""Means, energies and spans of a limit check against numpy: the samples' frames are unpacked here, nothing of wattward's."""
import struct
import unittest
from pathlib import Path

import numpy as np

from common import document

SAMPLES = Path(__file__).resolve().parent.parent / "samples"
START = 1_780_000_000


def blocks(path):
    data, offset = path.read_bytes(), 0
    while offset + 12 <= len(data):
        kind, length = struct.unpack_from("<II", data, offset)
        yield kind, data[offset + 8 : offset + length - 4]
        offset += length


def readings(name, decode):
    """(seconds, W) of every answer, and the window's marks."""
    times, powers, window = [], [], {}
    for kind, body in blocks(SAMPLES / name / "case.pcapng"):
        if kind == 6:
            high, low, length = struct.unpack_from("<III", body, 4)
            frame = body[20 : 20 + length][12:]
            power = decode(frame)
            if power is not None:
                times.append(((high << 32 | low) - START * 10**9) / 1e9)
                powers.append(power)
        elif kind == 9:
            fields = dict(line.partition("=")[::2] for line in body.decode(errors="replace").strip("\0\n").split("\n"))
            window[fields.get("WATTWARD_MARK")] = int(fields["__REALTIME_TIMESTAMP"]) / 1e6 - START
    return np.array(times), np.array(powers), window["window-start"], window["window-end"]


def held(frame):
    """An i32 in two holding registers."""
    return float(struct.unpack(">i", frame[3:7])[0]) if frame[1:3] == b"\x03\x04" else None


def broken(frame):
    """Floats from register 50 on, low word first; the third is the power."""
    if len(frame) < 30 or frame[1] != 4:
        return None
    word = frame[11:15]
    return struct.unpack(">f", word[2:4] + word[0:2])[0]


def integral(times, powers):
    """The integral of straight lines between readings, as a function of time."""
    area = np.concatenate([[0.0], np.cumsum(np.diff(times) * (powers[1:] + powers[:-1]) / 2)])

    def at(t):
        index = np.clip(np.searchsorted(times, t, side="right") - 1, 0, len(times) - 2)
        since = t - times[index]
        slope = (powers[index + 1] - powers[index]) / (times[index + 1] - times[index])
        return area[index] + powers[index] * since + slope * since**2 / 2

    return at


class LimitFigures(unittest.TestCase):
    """Both samples, on a grid of a millisecond."""

    def compare(self, name, decode, code):
        times, powers, start, end = readings(name, decode)
        found = document("limit", "--from", SAMPLES / name / "case.pcapng", check=code)
        grid = np.arange(start + 1.0, end, 0.001)
        area = integral(times, powers)
        export = np.maximum(0.0, -(area(grid) - area(grid - 1.0)))
        rule = found["rules"][0]
        self.assertAlmostEqual(rule["worst_averaged_export_W"], export.max(), delta=2e-4 * export.max() + 0.01)
        fine = np.arange(start, end, 0.001)
        power = np.interp(fine, times, powers)
        self.assertAlmostEqual(found["exported_Wh"], np.maximum(0, -power).sum() * 0.001 / 3600, delta=0.01)
        above = export > 0
        spans = np.flatnonzero(np.diff(np.concatenate([[0], above.view(np.int8), [0]])))
        lengths = (spans[1::2] - spans[::2]) * 0.001
        self.assertGreater(len(lengths), 0)
        # Each span above lies within one excursion's interval of lengths.
        for length in lengths:
            fits = [one for one in rule["excursions"] if one["shortest_s"] <= length <= one["longest_s"]]
            self.assertTrue(fits, f"{length} s fits none of {rule['excursions']}")
        return lengths, rule

    def test_a_limit_that_held(self):
        lengths, rule = self.compare("limit-held", held, 0)
        self.assertEqual(len(lengths), len(rule["excursions"]))

    def test_a_limit_that_was_broken(self):
        self.compare("limit-broken", broken, 1)


if __name__ == "__main__":
    unittest.main()
