"""The program against meters and masters of an independent library, over real pseudo-terminals and TCP."""
import socket
import subprocess
import time
import unittest

from pymodbus.client import ModbusTcpClient

from common import PROGRAM, document, folder, foreign_meter, pseudo_terminals, wait_for, wattward


def free_port():
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return found.getsockname()[1]


def values_of(found):
    """Point to value, of what `read` prints."""
    return {row["point"]: row["value"] for row in found["meters"][0]["values"]}


class Serial(unittest.TestCase):
    """A foreign meter on a pseudo-terminal."""

    def test_read_gives_what_the_meter_serves(self):
        with folder() as here, pseudo_terminals(here) as (near, far), foreign_meter("--port", far) as tell:
            tell("on L2")
            time.sleep(0.5)
            found = document("read", "--profile", here / "meter.toml", "--serial", near, "--listen-first", "200ms",
                             check=0, cwd=here)
            values = values_of(found)
            # The meter serves these constants; float32 of 229.5 and 50.01 by IEEE 754.
            self.assertEqual(values["voltage.L2"], 229.5)
            self.assertAlmostEqual(values["frequency.total"], 50.01, places=5)
            self.assertAlmostEqual(values["active_power.L2"], 2240.0, delta=40.0)
            self.assertAlmostEqual(values["active_power.total"],
                                   sum(values[f"active_power.L{n}"] for n in (1, 2, 3)), delta=0.01)

    def test_log_keeps_its_schedule_and_replays(self):
        with folder() as here, pseudo_terminals(here) as (near, far), foreign_meter("--port", far):
            found = document("log", "--profile", here / "meter.toml", "--serial", near, "--listen-first", "200ms",
                             "--every", "200ms", "--for", "4s", "--capture", here / "log.pcapng", check=0, cwd=here)
            self.assertGreaterEqual(found["meters"][0]["readings"], 19)
            self.assertEqual(found["line"]["slots_missed"], 0)
            again = document("replay", here / "log.pcapng", check=0)
            counts = {row["point"]: row["readings"] for row in again["readings"]}
            self.assertGreaterEqual(counts["active_power.total"], 19)


class Tcp(unittest.TestCase):
    """A foreign meter on Modbus TCP."""

    def test_read_over_tcp(self):
        port = free_port()
        with folder() as here, foreign_meter("--tcp", port):
            found = document("read", "--profile", here / "meter.toml", "--tcp", f"127.0.0.1:{port}", check=0, cwd=here)
            values = values_of(found)
            self.assertEqual(values["voltage.L1"], 231.0)


class Simulated(unittest.TestCase):
    """Our simulated site, read by an independent library's client."""

    SITE = """
[[meter]]
profile = "meter.toml"
line = { tcp = "127.0.0.1:PORT" }
unit = 7
[[load]]
name = "kettle"
power_W = 2000
phase = "L1"
"""

    def test_a_foreign_client_reads_the_simulated_meter(self):
        port = free_port()
        with folder() as here:
            (here / "site.toml").write_text(self.SITE.replace("PORT", str(port)))
            command = [str(PROGRAM), "simulate", "site.toml", "--for", "30s"]
            with subprocess.Popen(command, cwd=here, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL,
                                  stderr=subprocess.DEVNULL, text=True) as served:
                try:
                    client = ModbusTcpClient("127.0.0.1", port=port, timeout=1, retries=0)
                    wait_for(client.connect, "the simulated meter")
                    before = self.power(client)
                    served.stdin.write("kettle on\n")
                    served.stdin.flush()
                    # The meter may show it up to an update later.
                    wait_for(lambda: self.power(client) - before > 1800.0, "the kettle to show")
                    self.assertTrue(client.read_input_registers(5000, count=2, device_id=7).isError())
                    self.assertTrue(client.write_register(0, 1, device_id=7).isError())
                    client.close()
                finally:
                    served.kill()

    @staticmethod
    def power(client):
        registers = client.read_input_registers(6, count=2, device_id=7).registers
        return client.convert_from_registers(registers, client.DATATYPE.FLOAT32)


if __name__ == "__main__":
    unittest.main()
