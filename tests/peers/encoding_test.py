"""Types and orders of registers, against numpy: every number is laid into registers by numpy and read back by the program."""
import math
import random
import unittest

import numpy
from common import document, folder
from registers import Meter

SEED = 20260921
#: Our word, numpy's type (big-endian), registers.
TYPES = {"u16": (">u2", 1), "i16": (">i2", 1), "u32": (">u4", 2), "i32": (">i4", 2), "u64": (">u8", 4), "i64": (">i8", 4),
         "f32": (">f4", 2), "f64": (">f8", 4)}


def samples(kind, chance, count):
    """Corners and random bit patterns of a type, as numpy scalars."""
    dtype = numpy.dtype(TYPES[kind][0])
    patterns = [chance.getrandbits(8 * dtype.itemsize) for _ in range(count)]
    patterns += [0, 1, 2**(8 * dtype.itemsize) - 1, 2**(8 * dtype.itemsize - 1), 2**(8 * dtype.itemsize - 1) - 1]
    found = [numpy.frombuffer(pattern.to_bytes(dtype.itemsize, "big"), dtype)[0] for pattern in patterns]
    if dtype.kind == "f":
        info = numpy.finfo(dtype)
        values = [0.0, -0.0, 0.1, 230.0, -1234.5, info.max, info.min, info.tiny, info.smallest_subnormal,
                  numpy.nan, numpy.inf, -numpy.inf]
        found += list(numpy.array(values, dtype))
    return found


def registers(value, kind, words, octets):
    """The bytes as they stand on the line in these orders."""
    parts = numpy.frombuffer(numpy.array([value], TYPES[kind][0]).tobytes(), ">u2")
    if words == "low-first":
        parts = parts[::-1]
    if octets == "low-first":
        parts = parts.byteswap()
    return numpy.ascontiguousarray(parts).tobytes()


class Encoding(unittest.TestCase):
    """IEEE 754 and whole numbers in all orders of words and bytes."""

    def test_every_type_in_every_order_reads_as_numpy_has_it(self):
        chance, compared, absent = random.Random(SEED), 0, 0
        for words in ("high-first", "low-first"):
            for octets in ("high-first", "low-first"):
                image, lines, expected = b"", [], {}
                for kind in TYPES:
                    for number, value in enumerate(samples(kind, chance, 100)):
                        name = f"{kind}_{number}"
                        lines.append(f"{name} = {{ address = {len(image) // 2}, type = \"{kind}\" }}")
                        expected[f"other.{name}"] = float(value)
                        image += registers(value, kind, words, octets)
                with folder() as here, Meter(0, image) as server:
                    text = (f"[defaults]\ntable = \"holding\"\nword_order = \"{words}\"\nbyte_order = \"{octets}\"\n"
                            "[points.other]\n" + "\n".join(lines) + "\n")
                    (here / "numbers.toml").write_text(text)
                    host = f"127.0.0.1:{server.server_address[1]}"
                    found = document("read", "--profile", here / "numbers.toml", "--tcp", host, cwd=here, check=0)
                    values = {row["point"]: row["value"] for row in found["meters"][0]["values"]}
                    for name, value in expected.items():
                        if math.isfinite(value):
                            self.assertEqual(values[name], value, f"{name}, {words}, {octets}")
                            compared += 1
                        else:
                            self.assertIsNone(values.get(name), f"{name}, {words}, {octets}")
                            absent += 1
        print(f"seed {SEED}: {compared} numbers equal, {absent} that are none absent")
        self.assertGreater(compared, 3000)


if __name__ == "__main__":
    unittest.main()
