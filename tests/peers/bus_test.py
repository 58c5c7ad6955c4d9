"""`find`, `listen` and `line` beside masters and units of an independent library.

A bridge of this test copies bytes between a foreign master, a foreign unit and a listener, each on its own pseudo-terminal.
What the listener tells must be what the foreign master logged; what tshark dissects of its capture must be the same again.
"""
import errno
import importlib.resources
import json
import os
import pty
import re
import select
import subprocess
import threading
import time
import tty
import unittest

from pymodbus.client import ModbusSerialClient

from common import PROGRAM, ROOT, document, folder, foreign_meter, pseudo_terminals, wait_for

UNIT = 7


class Bridge:
    """Pseudo-terminals as parties of one line: what one end sends, every other hears. Counts what each sent."""

    def __init__(self, *links):
        self.ends, self.names = [], []
        for link in links:
            far, near = pty.openpty()
            tty.setraw(near)
            os.set_blocking(far, False)
            link.symlink_to(os.ttyname(near))
            # The near end is kept open, so that parties may come and go.
            self.ends.append((far, near))
            self.names.append(link)
        self.sent = [0] * len(links)
        self.running = True
        self.thread = threading.Thread(target=self.run, daemon=True)

    def __enter__(self):
        self.thread.start()
        return self

    def __exit__(self, *_):
        self.running = False
        self.thread.join()
        for far, near in self.ends:
            os.close(far)
            os.close(near)

    def run(self):
        fars = [far for far, _ in self.ends]
        while self.running:
            for far in select.select(fars, [], [], 0.05)[0]:
                try:
                    data = os.read(far, 4096)
                except OSError as error:
                    if error.errno in (errno.EIO, errno.EAGAIN):
                        continue
                    raise
                self.sent[fars.index(far)] += len(data)
                for other in fars:
                    if other != far:
                        os.write(other, data)


def ask_around(client, log):
    """What a foreign master may ask; what came, by the library's own decoding."""
    for turn in range(12):
        for function, address, count in ((4, 0, 6), (4, 6, 8), (4, 14, 6), (4, 500, 2), (3, 0, 2)):
            read = client.read_input_registers if function == 4 else client.read_holding_registers
            answer = read(address, count=count, device_id=UNIT)
            code = answer.exception_code if answer.isError() else None
            log.append((UNIT, function, address, count, code, None if code else list(answer.registers)))
        identity = client.read_device_information(read_code=1, object_id=0, device_id=UNIT)
        log.append((UNIT, 43, None, None, None, {key: value.decode() for key, value in identity.information.items()}))
        if turn % 4 == 0:
            client.write_register(3, turn, device_id=UNIT)
            log.append((UNIT, 6, 3, 1, None, None))
        time.sleep(0.02)


def tshark(path, *fields):
    command = ["tshark", "-d", "rtacser.data,mbrtu", "-o", "mbrtu.crc_verification:TRUE", "-r", str(path), "-Y", "mbrtu",
               "-T", "fields", "-E", "occurrence=a", "-E", "aggregator=,", *(w for f in fields for w in ("-e", f))]
    rows = subprocess.run(command, capture_output=True, text=True, check=True).stdout.splitlines()
    return [row.split("\t") for row in rows]


class Listening(unittest.TestCase):
    """A foreign master asks a foreign unit; we listen."""

    def heard(self, here):
        """Runs it all; the master's log, our document, bytes the listener sent."""
        links = [here / name for name in ("master", "unit", "ear")]
        with Bridge(*links) as bridge, foreign_meter("--port", links[1]):
            command = [PROGRAM, "listen", "--serial", links[2], "--baud", "19200", "--capture", "heard.pcapng", "--json"]
            with subprocess.Popen(command, cwd=here, stdout=subprocess.PIPE, text=True) as listening:
                wait_for((here / "heard.pcapng").exists, "the listener")
                client = ModbusSerialClient(str(links[0]), baudrate=19200, timeout=2, retries=0)
                client.connect()
                log = []
                ask_around(client, log)
                client.close()
                time.sleep(0.5)
                listening.send_signal(2)
                heard = json.loads(listening.communicate(timeout=20)[0])
            return log, heard, bridge.sent[2]

    def test_what_is_heard_is_what_the_foreign_master_logged_and_what_tshark_dissects(self):
        with folder() as here:
            log, heard, said = self.heard(here)
            self.assertEqual(said, 0, "the listener sent something")
            # Counts by range.
            ranges = {}
            for unit, function, address, count, code, _ in log:
                if function in (3, 4, 6):
                    answered, refused = ranges.get((unit, function, address, count), (0, 0))
                    ranges[unit, function, address, count] = answered + 1, refused + (code is not None)
            ours = {(row["unit"], row["function"], row["address"], row["count"]): (row["transactions"], row["exceptions"])
                    for row in heard["ranges"] if row["function"] != 43}
            self.assertEqual(ours, ranges)
            self.assertEqual(heard["transactions"], len(log))
            self.assertEqual((heard["timeouts"], heard["damaged"], heard["foreign"], heard["stray_bytes"]), (0, 0, 0, 0))
            self.assertEqual(heard["units"], [UNIT])
            # The last registers of each range, as the library decoded them.
            last = {entry[:4]: entry[5] for entry in log if entry[1] in (3, 4) and entry[5]}
            for row in heard["ranges"]:
                key = row["unit"], row["function"], row["address"], row["count"]
                if key in last:
                    self.assertEqual(row["registers"], last[key], key)
            # Frame by frame: tshark on our capture against the library's log.
            rows = tshark(here / "heard.pcapng", "mbrtu.unit_id", "modbus.func_code", "modbus.reference_num",
                          "modbus.word_cnt", "modbus.regval_uint16", "modbus.exception_code", "mbrtu.crc16.status")
            self.assertEqual(len(rows), 2 * len(log))
            self.assertEqual({row[6] for row in rows}, {"1"})
            for (question, answer), (unit, function, address, count, code, came) in zip(zip(rows[::2], rows[1::2]), log):
                self.assertEqual((int(question[0]), int(question[1])), (unit, function))
                self.assertEqual((int(answer[0]), int(answer[1]) & 0x7F), (unit, function))
                if function in (3, 4):
                    self.assertEqual((int(question[2]), int(question[3])), (address, count))
                    self.assertEqual(answer[5], "" if code is None else str(code))
                    if code is None:
                        self.assertEqual([int(word) for word in answer[4].split(",")], came)
            # And our own reading of that capture is the live one.
            again = document("listen", "--from", "heard.pcapng", cwd=here, check=0)
            self.assertEqual(again["ranges"], heard["ranges"])


class Finding(unittest.TestCase):
    """We look for a foreign unit."""

    def test_a_foreign_unit_is_found_with_its_own_words(self):
        with folder() as here, pseudo_terminals(here) as (near, far), foreign_meter("--port", far):
            found = document("find", "--serial", near, "--listen-first", "200ms", "--units", "5-9", check=0, cwd=here)
            [unit] = found["units"]
            self.assertEqual((unit["unit"], unit["garbled"], unit["answered_twice"]), (UNIT, 0, 0))
            self.assertEqual(unit["identification"], ["Example", "M3", "1.0"])
            self.assertEqual(found["causes"], [])

    def test_the_search_stops_when_a_foreign_master_speaks(self):
        with folder() as here:
            links = [here / name for name in ("master", "unit", "ours")]
            with Bridge(*links) as bridge, foreign_meter("--port", links[1]):
                client = ModbusSerialClient(str(links[0]), baudrate=19200, timeout=2, retries=0)
                client.connect()
                done = threading.Event()

                def asking():
                    while not done.wait(0.2):
                        client.read_input_registers(0, count=6, device_id=UNIT)

                thread = threading.Thread(target=asking)
                thread.start()
                try:
                    command = [PROGRAM, "find", "--serial", links[2], "--listen-first", "3s"]
                    ran = subprocess.run(command, cwd=here, capture_output=True, text=True, timeout=60)
                finally:
                    done.set()
                    thread.join()
                    client.close()
                self.assertEqual(ran.returncode, 4, ran.stderr)
                self.assertIn("is in use: another master", ran.stderr)
                self.assertEqual(bridge.sent[2], 0)

    def test_models_are_called_as_the_published_definitions_call_them(self):
        text = (ROOT / "src" / "link" / "search" / "names.rs").read_text()
        ours = {int(number): name for number, name in re.findall(r'\((\d+), "([^"]+)"\)', text)}
        folder_of_models = importlib.resources.files("sunspec2") / "models" / "json"
        theirs = {}
        for path in folder_of_models.iterdir():
            number = re.fullmatch(r"model_(\d+)\.json", path.name)
            # From 63000 on: test models and vendors' own.
            if number and int(number[1]) < 63000:
                theirs[int(number[1])] = json.loads(path.read_text())["group"]["label"]
        self.assertEqual(ours, theirs)


if __name__ == "__main__":
    unittest.main()
