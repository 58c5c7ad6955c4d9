"""Profiles made from the published definitions of the open register model, decoded against the package that carries them.

The registers come out of the package's own encoder, are served by a few lines of sockets, and are read once by the package's
own client and once by wattward with the profile it imported.
"""
import math
import pathlib
import random
import struct
import unittest

import sunspec2.device
import sunspec2.modbus.client
from common import document, folder, wattward
from registers import Meter

DEFINITIONS = pathlib.Path(sunspec2.device.__file__).parent / "models" / "json"
PHASES = {"": "total", "A": "L1", "B": "L2", "C": "L3"}
#: Name in the models (with {} for the phase) to quantity. 203 writes phA throughout, 213 has PhA in its energies.
QUANTITIES = {"W": "active_power", "VA": "apparent_power", "VAR": "reactive_power", "PF": "power_factor"}
ENERGIES = {"TotWhImp": "energy_import", "TotWhExp": "energy_export"}


def names(model):
    """The package's point names with the points of a profile, written down here from the standard's names."""
    lines = {f"{head}{'ph' + phase if phase else ''}": f"{quantity}.{PHASES[phase]}"
             for head, quantity in QUANTITIES.items() for phase in PHASES}
    lines |= {f"{head}{'Ph' + phase if phase else ''}": f"{quantity}.{PHASES[phase]}"
              for head, quantity in ENERGIES.items() for phase in PHASES}
    lines |= {f"Aph{phase}": f"current.{PHASES[phase]}" for phase in "ABC"}
    lines |= {f"PhVph{phase}": f"voltage.{PHASES[phase]}" for phase in "ABC"}
    between = "PPVph" if model in (201, 211, 212, 213, 214) else "PhVph"
    lines |= {f"{between}{pair}": f"voltage.{PHASES[pair[0]]}-{PHASES[pair[1]]}" for pair in ("AB", "BC", "CA")}
    return lines | {"Hz": "frequency.total"}


def filled(model_id, seed):
    """A model of the package with random values, some of them not implemented, some powers of ten not either."""
    chance = random.Random(seed)
    model = sunspec2.device.Model(model_id=model_id)
    for name, point in model.points.items():
        kind = point.pdef["type"]
        if name in ("ID", "L") or kind == "pad":
            continue
        if chance.random() < 0.15 and kind not in ("string", "sunssf"):
            continue
        if kind == "sunssf":
            if chance.random() < 0.9:
                point.value = chance.choice([-3, -2, -1, 0, 1, 2])
        elif kind == "string":
            point.value = {"Mn": "Example", "Md": "M3", "Vr": "1.0", "SN": f"{seed:06}"}.get(name, "")
        elif kind == "int16":
            point.value = chance.choice([0, 1, -1, 32767, -32767, chance.randint(-32767, 32767)])
        elif kind == "acc32":
            point.value = chance.randint(1, 2**32 - 1)
        elif kind == "float32":
            value = chance.choice([0.0, 230.0, -1234.5, chance.uniform(-1e5, 1e5), chance.uniform(-1, 1)])
            point.value = struct.unpack(">f", struct.pack(">f", value))[0]
        elif kind in ("uint16", "bitfield32"):
            point.value = chance.randint(1, 240)
    return model


def meter(base, *models, end=b"\xff\xff\x00\x00"):
    """A chain of the package's models behind its marker."""
    return Meter(base, b"SunS" + b"".join(model.get_mb() for model in models) + end)


class Import(unittest.TestCase):
    """Discovery, exponents and 'not implemented' values, against the published package."""

    def compare(self, base, model_id, seed, end):
        common, model = filled(1, seed), filled(model_id, seed + 1)
        with folder() as here, meter(base, common, model, end=end) as server:
            port = server.server_address[1]
            device = sunspec2.modbus.client.SunSpecModbusClientDeviceTCP(1, "127.0.0.1", port)
            device.scan()
            theirs = device.models[model_id][0].points
            made = document("profile", "import", DEFINITIONS, "--tcp", f"127.0.0.1:{port}", cwd=here, check=0)
            self.assertEqual(made["base"], device.base_addr)
            self.assertEqual([(one["model"], one["address"], one["registers"]) for one in made["models"]],
                             [(one.model_id, one.model_addr, one.model_len) for one in device.model_list])
            self.assertEqual(made["address"], device.models[model_id][0].model_addr)
            ours = made["identity"]
            for name, point in device.models[1][0].points.items():
                if name not in ("ID", "L", "Pad"):
                    self.assertEqual(ours.get(name), point.value or None, name)
            read = document("read", "--profile", here / "imported.toml", "--tcp", f"127.0.0.1:{port}", cwd=here)
            values = {row["point"]: row["value"] for row in read["meters"][0]["values"]}
            compared = 0
            for name, key in names(model_id).items():
                point = theirs[name]
                scaled = point.sf is None or theirs[point.sf].value is not None
                if point.value is None or not scaled:
                    self.assertIsNone(values.get(key), f"{name}: {point.value}")
                    # A counter at zero may begin to count, so it stays in the profile.
                    self.assertTrue(name in made["not_implemented"] or point.pdef["type"] == "acc32" and scaled, name)
                    continue
                value = point.cvalue * (0.01 if point.pdef["units"] == "Pct" else 1.0)
                # The package rounds to the decimals of the power of ten; nothing else lies between the two.
                self.assertTrue(math.isclose(values[key], value, rel_tol=1e-12, abs_tol=1e-12),
                                f"{name} -> {key}: {values[key]} here, {value} there")
                compared += 1
            return compared

    def test_meters_are_found_and_decoded_as_the_published_package_does(self):
        compared = 0
        for number, base in enumerate((40000, 0, 50000) * 2):
            for model_id in (203, 213):
                end = b"\xff\xff" if number % 2 else b"\xff\xff\x00\x00"
                with self.subTest(base=base, model=model_id, seed=number):
                    compared += self.compare(base, model_id, 1000 * number + model_id, end)
        print(f"{compared} values compared")
        self.assertGreater(compared, 250)

    def test_every_meter_model_of_the_package_gives_a_profile_without_a_fault(self):
        for model_id in (201, 202, 203, 204, 211, 212, 213, 214):
            with folder() as here, self.subTest(model=model_id):
                made = document("profile", "import", DEFINITIONS, "--model", model_id, "--all", cwd=here, check=0)
                found = document("profile", "check", here / "imported.toml", check=0)
                self.assertEqual(found["files"][0]["faults"], [])
                # Every number of the definition has its line: 74 points less number, length and powers of ten.
                numbers = [point for point in sunspec2.device.get_model_def(model_id)["group"]["points"][2:]
                           if point["type"] != "sunssf"]
                self.assertEqual(made["points"], len(numbers))

    def test_every_definition_of_the_package_is_read(self):
        with folder() as here:
            for path in sorted(DEFINITIONS.glob("model_*.json")):
                done = wattward("profile", "import", path, "--all", "--positive", "export", "--out", here / path.name, cwd=here)
                text = done.stdout + done.stderr
                if done.returncode == 0:
                    wattward("profile", "check", here / path.name, check=0)
                else:
                    # What has no number, or repeats from its first register on, says so.
                    self.assertIn("no number that a profile knows", text, path.name)

    def test_what_is_not_there_is_said(self):
        with folder() as here, meter(0, filled(1, 5)) as server:
            host = f"127.0.0.1:{server.server_address[1]}"
            done = wattward("profile", "import", DEFINITIONS, "--tcp", host, cwd=here, check=4)
            self.assertIn("no model of a meter", done.stderr)
            self.assertIn("it has 1 at 2", done.stderr)
        with folder() as here, Meter(40000, b"SunT" + bytes(200)) as server:
            host = f"127.0.0.1:{server.server_address[1]}"
            done = wattward("profile", "import", DEFINITIONS, "--tcp", host, cwd=here, check=4)
            self.assertIn("no marker", done.stderr)
        two = filled(203, 1), filled(203, 2)
        with folder() as here, meter(40000, filled(1, 5), *two) as server:
            host = f"127.0.0.1:{server.server_address[1]}"
            done = wattward("profile", "import", DEFINITIONS, "--tcp", host, cwd=here, check=2)
            self.assertIn("203 at 40070, 203 at 40177", done.stderr)
            made = document("profile", "import", DEFINITIONS, "--tcp", host, "--at", 40177, cwd=here, check=0)
            self.assertEqual(made["address"], 40177)


if __name__ == "__main__":
    unittest.main()
