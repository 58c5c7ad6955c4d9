"""tshark dissects our captures, and the registers it finds give the values we read.

The values are decoded here from tshark's registers with numpy and the profile text in the capture, so three programs have to
agree: tshark on the frames, numpy on the numbers, wattward on both.
"""
import json
import pathlib
import struct
import subprocess
import tomllib
import unittest

import numpy

from common import ROOT, document

TYPES = {"u16": ">u2", "i16": ">i2", "u32": ">u4", "i32": ">i4", "u64": ">u8", "i64": ">i8", "f32": ">f4", "f64": ">f8"}
FACTORS = {"kW": 1e3, "kWh": 1e3, "kV": 1e3, "mA": 1e-3, "kvar": 1e3, "kVA": 1e3}
FLIPPED = ("active_power", "reactive_power")


def captures():
    """Captures that we wrote, serial and TCP, with the profile of their single meter inside."""
    for path in sorted((ROOT / "captures").glob("*.pcapng")):
        marks = list(journal(path))
        profiles = [mark for mark in marks if mark.get("WATTWARD_MARK") == "profile"]
        if len(profiles) == 1:
            yield path, tomllib.loads(json.loads(profiles[0]["WATTWARD_TEXT"]))


def journal(path):
    """The marks of a capture, read without anything of wattward's (pcapng draft: blocks of type 9)."""
    data, at = path.read_bytes(), 0
    while at + 12 <= len(data):
        kind, length = struct.unpack_from("<II", data, at)
        if kind == 9:
            text = data[at + 8:at + length - 4].rstrip(b"\0").decode()
            yield dict(line.split("=", 1) for line in text.splitlines() if "=" in line)
        at += length


def tshark(path, *fields):
    """One row of fields for each frame."""
    command = ["tshark", "-d", "rtacser.data,mbrtu", "-o", "mbrtu.crc_verification:TRUE", "-r", str(path), "-T", "fields",
               "-E", "occurrence=a", "-E", "aggregator=,", *(word for field in fields for word in ("-e", field))]
    rows = subprocess.run(command, capture_output=True, text=True, check=True).stdout.splitlines()
    return [row.split("\t") for row in rows]


def points(profile):
    """Name, table's function code, address, and how to decode, of every plain point of a profile."""
    defaults = profile.get("defaults", {})
    for quantity, phases in profile["points"].items():
        expanded = {name: point for name, point in phases.items() if name != "each"}
        if "each" in phases:
            each = dict(phases["each"])
            stride = each.pop("stride")
            for index in range(3):
                expanded[f"L{index + 1}"] = {**each, "address": each["address"] + index * stride}
        for phase, own in expanded.items():
            point = {**defaults, **own}
            if "address" in point and point["type"] in TYPES and not {"direction", "exponent_at", "bits"} & set(point):
                yield f"{quantity}.{phase}", quantity, point


def decode(words, quantity, point):
    """Registers to a value in the base unit, import positive, by numpy."""
    registers = numpy.array(words, dtype=">u2")
    if point.get("byte_order") == "low-first":
        registers = registers.byteswap()
    if point.get("word_order") == "low-first":
        registers = registers[::-1]
    value = float(numpy.frombuffer(registers.tobytes(), dtype=TYPES[point["type"]])[0])
    value = value * point.get("scale", 1.0) + point.get("offset", 0.0)
    value *= FACTORS.get(point.get("unit"), 1.0)
    return -value if quantity in FLIPPED and point.get("positive") == "export" else value


class Dissection(unittest.TestCase):
    """Every capture we keep."""

    def test_every_frame_is_dissected_and_every_checksum_agrees(self):
        seen = 0
        for path, _ in captures():
            with self.subTest(path=path.parent.name + "/" + path.name):
                rows = tshark(path, "frame.protocols", "modbus.func_code", "_ws.malformed", "mbrtu.crc16.status",
                              "frame.packet_flags_crc_error")
                # What we flag as damaged or as no frame is none.
                frames = [row for row in rows if "journal" not in row[0] and row[4] not in ("1", "True")]
                for row in frames:
                    self.assertRegex(row[0], "(mbrtu|mbtcp):modbus$")
                    self.assertNotEqual(row[1], "", f"no function code in {row}")
                    self.assertEqual(row[2], "", f"malformed: {row}")
                    if "mbrtu" in row[0]:
                        self.assertEqual(row[3], "1", f"tshark holds the checksum for wrong: {row}")
                seen += len(frames)
        self.assertGreater(seen, 1000)

    def test_only_reading_functions_were_sent(self):
        for path, _ in captures():
            sent = {row[1] for row in tshark(path, "rtacser.eventtype", "modbus.func_code") if row[0] in ("1", "0x01")}
            self.assertLessEqual(sent, {"3", "4", "43"}, path)

    def test_the_registers_give_the_values_we_read(self):
        compared = 0
        for path, profile in captures():
            with self.subTest(path=path.parent.name + "/" + path.name):
                ours = {row["point"]: row for row in document("replay", path, check=0)["readings"]}
                theirs = {name: [] for name in ours}
                asked = None
                fields = ("modbus.func_code", "modbus.reference_num", "modbus.word_cnt", "modbus.regval_uint16",
                          "modbus.exception_code")
                for function, reference, count, values, exception in tshark(path, *fields):
                    if reference and not values:
                        asked = int(function), int(reference), int(count)
                    elif values and asked:
                        words = [int(word) for word in values.split(",")]
                        self.assertEqual(len(words), asked[2])
                        for name, quantity, point in points(profile):
                            function = 4 if point.get("table", "input") == "input" else 3
                            start = int(point["address"]) - profile.get("defaults", {}).get("first", 0) - asked[1]
                            length = numpy.dtype(TYPES[point["type"]]).itemsize // 2
                            if function == asked[0] and start >= 0 and start + length <= len(words) and name in theirs:
                                theirs[name].append(decode(words[start:start + length], quantity, point))
                        asked = None
                for name, values in theirs.items():
                    if values:
                        row = ours[name]
                        self.assertEqual(len(values), row["readings"], name)
                        found = (values[0], values[-1], min(values), max(values))
                        wanted = (row["first"], row["last"], row["lowest"], row["highest"])
                        numpy.testing.assert_allclose(found, wanted, rtol=1e-12, err_msg=name)
                        compared += len(values)
        self.assertGreater(compared, 1000)


if __name__ == "__main__":
    unittest.main()
