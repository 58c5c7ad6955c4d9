"""A meter served by an independent Modbus library, and the invented site behind it.

Three phases, float registers, power positive on import, renewed every 200 ms. Values are made here with struct, so that
neither the registers nor their bytes come from wattward.

    python meter.py --port PTY | --tcp PORT

Commands on standard input: `on L2`, `off L2`, `sun 3000`, `control on`, `silent on`, `quit`.
"""
import argparse
import asyncio
import math
import random
import struct
import sys

from pymodbus import ModbusDeviceIdentification
from pymodbus.framer import FramerType
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

UNIT = 7
HEATER_W = 2000.0
BASE_W = (180.0, 240.0, 150.0)


class Site:
    """Household load, one heater a phase, and a PV plant on L1 to L3 whose control keeps 200 W of import."""

    def __init__(self, seed, reversed_phase=None):
        self.random = random.Random(seed)
        self.on = {"L1": False, "L2": False, "L3": False}
        self.sun_w = 0.0
        self.plant_w = 0.0
        self.control = True
        self.silent = False
        self.reversed_phase = reversed_phase
        self.energy = [0.0, 0.0]

    def step(self, seconds):
        """The world moves on; returns the power of each phase in W (import positive)."""
        loads = []
        for phase, base in zip(("L1", "L2", "L3"), BASE_W):
            load = base + self.random.gauss(0.0, 2.0)
            loads.append(load + (HEATER_W if self.on[phase] else 0.0))
        wanted = min(self.sun_w, max(0.0, sum(loads) - 200.0)) if self.control else self.sun_w
        # First order, 90 % of the change within about 1 s.
        self.plant_w += (wanted - self.plant_w) * (1.0 - math.exp(-seconds * math.log(10.0) / 1.0))
        powers = [load - self.plant_w / 3.0 for load in loads]
        total = sum(powers)
        self.energy[0 if total > 0.0 else 1] += abs(total) * seconds / 3600.0
        if self.reversed_phase is not None:
            powers[self.reversed_phase] = -powers[self.reversed_phase]
        return powers


def words(value):
    """A float32 as two registers, the most significant first (IEEE 754, big-endian)."""
    return list(struct.unpack(">HH", struct.pack(">f", value)))


def registers(powers, energy):
    """The input registers 0 to 19: V, P by phase, total, frequency, energies."""
    image = []
    for value in (231.0, 229.5, 230.4, *powers, sum(powers), 50.01, *energy):
        image += words(value)
    return image


async def commands(site, done):
    """Obeys standard input."""
    loop = asyncio.get_running_loop()
    reader = asyncio.StreamReader()
    await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
    while line := (await reader.readline()).decode().split():
        if line[0] in ("on", "off"):
            site.on[line[1]] = line[0] == "on"
        elif line[0] == "sun":
            site.sun_w = float(line[1])
        elif line[0] == "control":
            site.control = line[1] == "on"
        elif line[0] == "silent":
            site.silent = line[1] == "on"
        elif line[0] == "quit":
            break
        print("ok", *line, flush=True)
    done.set()


async def main():
    """Serves until told to quit."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--port")
    parser.add_argument("--tcp", type=int)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--reversed", type=int)
    parser.add_argument("--break-words", action="store_true", help="swap the words, to show that the tests notice")
    args = parser.parse_args()
    site, done = Site(args.seed, args.reversed), asyncio.Event()

    def hook(sending, data):
        """Other units than ours stay silent: the library would answer for them with an exception."""
        unit = data[6] if args.tcp else (data[0] if data else 0)
        return b"" if sending and (unit != UNIT or site.silent) else data

    def image():
        found = registers(site.step(0.2), site.energy)
        if args.break_words:
            found = [found[i ^ 1] for i in range(len(found))]
        return found

    device = SimDevice(id=UNIT, simdata=[SimData(address=0, values=image(), datatype=DataType.REGISTERS)])
    identity = ModbusDeviceIdentification(info_name={"VendorName": "Example", "ProductCode": "M3", "MajorMinorRevision": "1.0"})
    if args.tcp:
        server = ModbusTcpServer(device, address=("127.0.0.1", args.tcp), identity=identity, trace_packet=hook)
    else:
        server = ModbusSerialServer(device, framer=FramerType.RTU, port=args.port, baudrate=19200, parity="N", stopbits=1,
                                    identity=identity, trace_packet=hook)
    await server.serve_forever(background=True)
    asked = asyncio.create_task(commands(site, done))
    print("ready", flush=True)
    while not done.is_set():
        await server.async_setValues(UNIT, 16, 0, image())
        await asyncio.sleep(0.2)
    asked.cancel()
    await server.shutdown()


if __name__ == "__main__":
    asyncio.run(main())
