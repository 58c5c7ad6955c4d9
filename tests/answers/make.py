"""Captured answers for the example profiles, made without a line of wattward: registers by struct, frames with their CRC after
MODBUS over Serial Line V1.02 (appendix B), blocks of pcapng by hand (link type 250). Run it to make the files again.

    python tests/answers/make.py
"""
import json
import math
import pathlib
import struct

HERE = pathlib.Path(__file__).parent
SECOND = 1_000_000_000
START = 1_790_000_000 * SECOND


def crc(data):
    """CRC-16 of the standard, low byte first on the line."""
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = (value >> 1) ^ 0xA001 if value & 1 else value >> 1
    return struct.pack("<H", value)


def block(kind, body):
    """A pcapng block, padded to four bytes."""
    body += b"\0" * (-len(body) % 4)
    size = struct.pack("<I", len(body) + 12)
    return struct.pack("<I", kind) + size + body + size


def option(code, value):
    return struct.pack("<HH", code, len(value)) + value + b"\0" * (-len(value) % 4)


def packet(at, data, sent):
    """One frame with the pseudo header of link type 250: event 1 is sent, 2 is received."""
    data = struct.pack(">IIBBH", at // SECOND, at % SECOND // 1000, 1 if sent else 2, 0, 0) + data
    head = struct.pack("<IIIII", 0, at >> 32, at & 0xFFFFFFFF, len(data), len(data))
    flags = option(2, struct.pack("<I", 2 if sent else 1))
    return block(6, head + data + b"\0" * (-len(data) % 4) + flags + option(0, b""))


def capture(name, unit, cycles):
    """Cycles of (function, address, registers), a second apart."""
    blocks = block(0x0A0D0D0A, struct.pack("<IHHq", 0x1A2B3C4D, 1, 0, -1))
    interface = struct.pack("<HHI", 250, 0, 0) + option(2, b"line") + option(9, b"\x09") + option(0, b"")
    blocks += block(1, interface)
    at = START
    for number, cycle in enumerate(cycles):
        at = START + number * SECOND
        for function, address, words in cycle:
            question = struct.pack(">BBHH", unit, function, address, len(words))
            answer = struct.pack(">BBB", unit, function, 2 * len(words)) + struct.pack(f">{len(words)}H", *words)
            blocks += packet(at, question + crc(question), True)
            blocks += packet(at + 30_000_000, answer + crc(answer), False)
            at += 200_000_000
    (HERE / f"{name}.pcapng").write_bytes(blocks)


def words(pattern, value, low_first=False):
    """Registers of a number, the most significant first unless said."""
    data = struct.pack(">" + pattern, value)
    found = list(struct.unpack(f">{len(data) // 2}H", data))
    return found[::-1] if low_first else found


def image(size, places):
    """Registers from 0, with what stands at some of them."""
    found = [0] * size
    for address, values in places.items():
        found[address:address + len(values)] = values
    return found


def bcd(value, digits):
    """Decimal digits, four bits each; low register first where there are two."""
    text = f"{value:0{digits}d}"
    return [int(text[at:at + 4], 16) for at in range(0, digits, 4)][::-1]


def three_phase():
    values = {}
    places = {}
    power = {"L1": (231.25, 4.5, 1000.5, 120.25), "L2": (229.5, 2.0, -430.75, -60.5), "L3": (230.0, 0.5, 100.0, 10.0)}
    for number, (phase, (volts, amps, active, reactive)) in enumerate(power.items()):
        # P / S, as the nearest single float.
        factor = struct.unpack(">f", struct.pack(">f", active / math.hypot(active, reactive)))[0]
        for name, base, value in (("voltage", 0x200, volts), ("current", 0x206, amps), ("active_power", 0x20C, active),
                                  ("reactive_power", 0x212, reactive), ("power_factor", 0x21E, factor)):
            places[base - 0x200 + 2 * number] = words("f", value)
            values[f"{name}.{phase}"] = value
    for name, base, value in (("active_power.total", 0x230, 669.75), ("reactive_power.total", 0x234, 69.75),
                              ("frequency.total", 0x238, 50.0625)):
        places[base - 0x200] = words("f", value)
        values[name] = value
    energies = words("f", 1234.5) + words("f", 8.25)
    values |= {"energy_import.total": 1234500.0, "energy_export.total": 8250.0}
    cycle = [(4, 0x200, image(0x3A, places)), (4, 0x300, energies)]
    capture("example-three-phase", 1, [cycle])
    return values


def single_phase():
    places = {0: [2305], 1: [1634], 2: words("h", -372), 3: [4998], 10: words("I", 1234567), 12: words("I", 89)}
    capture("example-single-phase", 5, [[(3, 100, image(14, places)), (3, 200, [1])]])
    # -3.72 kW with export positive: the site draws 3720 W.
    return {"voltage.L1": 230.5, "current.L1": 16.34, "active_power.L1": 3720.0, "frequency.total": 49.98,
            "energy_import.total": 123456700.0, "energy_export.total": 8900.0, "settings.ct_ratio": 1.0}


def ct_interface():
    places = {0: words("I", 2500, low_first=True), 7: [0b1], 10: words("I", 70000, low_first=True),
              12: words("I", 5, low_first=True), 20: [0x8000 | 1200], 21: [81]}
    capture("example-ct-interface", 11, [[(3, 9100, image(22, places))]])
    return {"active_power.total": -2500.0, "energy_import.total": 70000.0, "energy_export.total": 5.0,
            "other.battery_power": -1200.0, "other.state_of_charge": 81.0}


def two_directions():
    def cycle(energy):
        places = {0: bcd(2314, 4), 3: bcd(2298, 4), 6: bcd(2307, 4), 40: bcd(energy, 8)}
        for number, (drawn, fed) in enumerate(((12345, 0), (0, 6789), (100, 40))):
            places[10 + 4 * number] = words("I", drawn, low_first=True)
            places[12 + 4 * number] = words("I", fed, low_first=True)
        places[30] = words("I", 0x80000000 | 1234, low_first=True)
        return [(4, 0, image(42, places)), (4, 50, [40])]
    # The counter starts again from 0 between the second reading and the third.
    capture("example-two-directions", 3, [cycle(99999998), cycle(99999999), cycle(1)])
    return {"voltage.L1": 231.4, "voltage.L2": 229.8, "voltage.L3": 230.7, "active_power.L1": 1234.5,
            "active_power.L2": -678.9, "active_power.L3": 6.0, "active_power.total": 561.6,
            "reactive_power.total": -1234.0, "energy_import.total": 100.0, "settings.ct_ratio": 40.0}


def open_model():
    # Offsets from the model's first register as in the published definition of model 203 (facts 3.4).
    places = {0: [203], 1: [105], 3: [45], 4: [20], 5: [5], 6: words("h", -1), 8: [2305], 9: [2298], 10: [0x8000],
              12: [3990], 13: [3985], 14: [3992], 15: words("h", -1), 16: [4999], 17: words("h", -2), 18: words("h", 60),
              19: words("h", 100), 20: words("h", -43), 21: words("h", 3), 22: [1], 23: [70], 24: [104], 25: [46], 26: [3],
              27: [1], 28: words("h", -15), 29: words("h", -10), 30: words("h", -5), 31: [0], 32: [1],
              33: [86], 34: [96], 35: words("h", -93), 36: [100], 37: [0], 38: words("I", 0), 46: words("I", 123456),
              54: [1]}
    capture("example-open-model", 1, [[(3, 40070, image(107, places))]])
    return {"voltage.L1": 230.5, "voltage.L2": 229.8, "voltage.L1-L2": 399.0, "current.L1": 4.5, "frequency.total": 49.99,
            "active_power.total": 600.0, "active_power.L2": -430.0, "apparent_power.L1": 1040.0,
            "reactive_power.total": -150.0, "power_factor.total": 0.86, "power_factor.L2": -0.93,
            "energy_import.total": 1234560.0, "voltage.L3": None, "energy_export.total": None}


def main():
    found = {name: make() for name, make in (
        ("example-three-phase", three_phase), ("example-single-phase", single_phase), ("example-ct-interface", ct_interface),
        ("example-two-directions", two_directions), ("example-open-model", open_model))}
    (HERE / "values.json").write_text(json.dumps(found, indent=1) + "\n")


if __name__ == "__main__":
    main()
