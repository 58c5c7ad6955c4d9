"""The phone page in a browser the size of a phone, on a simulated house: pressed, cut off, read by checkers; its code by a reader."""
import contextlib
import fcntl
import json
import os
import pty
import re
import struct
import subprocess
import termios
import threading
import time
import unittest
import urllib.request
from pathlib import Path

import numpy
import zxingcpp

from common import PROGRAM, ROOT, document, folder, wait_for, wattward
from page import PICTURES, accessibility, browser, validity

PHONE = {"width": 390, "height": 844}

# The house of tests/common/house.rs, under a name that a page must not take for markup and with a window for an unhurried tap.
HOUSE = ROOT / "tests" / "common" / "house"
METER, SITE, SCENARIO = ((HOUSE / f"{name}.toml").read_text() for name in ("meter", "site", "scenario"))
assert "Parity house" in SITE and "window_s = 14" in SITE
assert "Parity house" in SITE and "window_s = 14" in SITE
SITE = SITE.replace("Parity house", "<b>Quince</b> house").replace("window_s = 14", "window_s = 16")


class House:
    """A simulated house in a folder, and a live run beside it."""

    def __init__(self, here):
        self.here = here
        (here / "meter.toml").write_text(METER)
        (here / "site.toml").write_text(SITE.replace("LINE", str(here / "line")))
        (here / "scenario.toml").write_text(SCENARIO)
        self.simulated = subprocess.Popen([PROGRAM, "simulate", "scenario.toml", "--for", "5min"], cwd=here, text=True, bufsize=1,
                                          stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        wait_for((here / "line").exists, "the simulated line")
        self.run, self.screen, self.address = None, [], None

    def start(self, *arguments):
        self.run = subprocess.Popen([PROGRAM, *map(str, arguments), "--listen-first", "200ms", "--page", "127.0.0.1:0"], cwd=self.here,
                                    text=True, bufsize=1, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
        threading.Thread(target=self.read, daemon=True).start()
        wait_for(lambda: self.address, "the page's address")

    def read(self):
        for line in self.run.stderr:
            self.screen.append(line)
            if found := re.match(r"phone page  (http://\S+)", line):
                self.address = found.group(1)

    def says(self, words):
        return any(words in line for line in self.screen)

    def switch(self, words):
        self.simulated.stdin.write(words + "\n")
        self.simulated.stdin.flush()

    def types(self, words=""):
        self.run.stdin.write(words + "\n")
        self.run.stdin.flush()

    def end(self, seconds=90):
        """Its exit code and what it printed."""
        printed = self.run.stdout.read()
        return self.run.wait(seconds), printed

    def close(self):
        for process in (self.run, self.simulated):
            if process:
                process.kill()
                process.wait()
                for stream in (process.stdin, process.stdout, process.stderr):
                    if stream:
                        stream.close()


def marks(capture, kinds=("load-on", "load-off", "plant-on", "plant-off")):
    """[(kind, microseconds)] of the marks in a capture, read as the text fields they are."""
    found = []
    for block in re.finditer(rb"__REALTIME_TIMESTAMP=(\d+)\n.*?WATTWARD_MARK=([a-z-]+)\n", capture.read_bytes(), re.S):
        if block.group(2).decode() in kinds:
            found.append((block.group(2).decode(), int(block.group(1))))
    return found


class Phone(unittest.TestCase):
    """Somebody in the kitchen."""

    @classmethod
    def setUpClass(cls):
        cls.running = browser()
        cls.chromium = cls.running.__enter__()

    @classmethod
    def tearDownClass(cls):
        cls.running.__exit__(None, None, None)

    def setUp(self):
        scratch = folder()
        self.house = House(Path(scratch.__enter__()))
        self.addCleanup(scratch.__exit__, None, None, None)
        self.addCleanup(self.house.close)

    def phone(self, address):
        context = self.chromium.new_context(viewport=PHONE, has_touch=True, is_mobile=True)
        self.addCleanup(context.close)
        page = context.new_page()
        page.asked, page.complaints = [], []
        page.on("request", lambda request: page.asked.append(request.url))
        page.on("console", lambda message: page.complaints.append(message.text))
        page.goto(address)
        return page

    def press(self, page, name):
        page.wait_for_selector(f"button[data-label='{name}'][aria-disabled='false']", timeout=30_000)
        page.get_by_role("button", name=name).tap()

    def test_a_ct_check_is_answered_from_the_kitchen(self):
        house = self.house
        house.start("ct", "--json", "--capture", "ct.pcapng")
        page = self.phone(house.address)
        pressed, pictured, heights = [], False, []
        while house.run.poll() is None:
            page.wait_for_function("""() => document.querySelector("button[aria-disabled='false']")
                || /ended/.test(document.getElementById('asked').textContent)""", timeout=40_000)
            asked = page.inner_text("#asked")
            if "ended" in asked:
                break
            _, what, state, *_ = asked.split()
            if not pictured and state == "OFF" and what == "kettle":
                pictured = True
                self.look(page)
            house.switch(f"{what} {state.lower()}")
            button = page.locator("button[aria-disabled='false']")
            self.assertEqual(button.count(), 1)
            self.assertEqual(button.inner_text(), f"Switched {state.lower()}")
            heights.append(button.bounding_box()["height"])
            if what == "kettle":
                button.tap()
            else:
                button.focus()
                page.keyboard.press("Enter")
            page.wait_for_function("() => /marked at/.test(document.getElementById('came').textContent)", timeout=5000)
            pressed.append(("load-" if what == "kettle" else "plant-") + state.lower())
        code, printed = house.end()
        self.assertEqual(code, 0, "".join(house.screen))
        self.assertEqual(json.loads(printed)["verdict"], "pass")
        capture = house.here / "ct.pcapng"
        self.assertEqual([kind for kind, _ in marks(capture)], pressed)
        self.assertGreaterEqual(pressed.count("load-on"), 3)
        self.assertGreaterEqual(min(heights), 48)
        wattward("replay", capture, check=0)
        self.assertEqual(document("ct", "--from", capture, check=0)["verdict"], "pass")
        self.assertEqual(page.complaints, [])
        own = house.address
        self.assertEqual([url for url in page.asked if not url.startswith(own) and url != "data:,"], [])

    def look(self, page):
        """What stands there while a load is on."""
        page.wait_for_function("() => document.querySelector('td.power')?.textContent.includes('W')")
        self.assertEqual(page.inner_text("#site"), "<b>Quince</b> house")
        rows = page.locator("#meters tbody tr")
        self.assertRegex(rows.first.inner_text(), r"L1\s+\d+ W\s+(→ towards house|← towards grid|no flow)")
        self.assertIn("Only those licensed", page.inner_text("#cautions"))
        for name in ("Switched on", "Switched off"):
            box = page.get_by_role("button", name=name).bounding_box()
            self.assertGreaterEqual(min(box["width"], box["height"]), 48)
        self.assertLessEqual(page.evaluate("document.documentElement.scrollWidth"), PHONE["width"])
        # By keyboard: both buttons are stops, and a press of the one not asked for does nothing.
        page.get_by_role("button", name="Switched on").focus()
        for key, focused in (("Tab", "off"), ("Shift+Tab", "on")):
            page.keyboard.press(key)
            self.assertEqual(page.evaluate("document.activeElement.dataset.key"), focused)
        page.keyboard.press("Enter")
        self.assertEqual(page.evaluate("getComputedStyle(document.activeElement).outlineWidth"), "4px")
        self.assertNotIn("sending", page.inner_text("#came"))
        PICTURES.mkdir(parents=True, exist_ok=True)
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)
            page.screenshot(path=PICTURES / f"phone-{scheme}.png", full_page=True)
            self.assertEqual(accessibility(page), [], scheme)

    def test_a_whole_visit_with_the_phones_buttons(self):
        """From nothing to the report: questions are answered at the laptop, whatever is switched is said from the kitchen."""
        house = self.house
        answers = {
            "Name of the site": "Quince house", "Phases": "1", "Time zone": "Europe/London", "The line": str(house.here / "line"),
            "File of the meter's profile": "meter.toml", "Is this meter independent": "y", "Accuracy class": "1", "Rated power": "3kW",
            "What it is called": "roof", "Is there a battery": "n", "A known load": "kettle", "Its power": "2000W",
            "Does it only heat": "y", "Export limit": "0W", "For how many seconds": "5", "How long is the window": "30s",
        }
        house.start("commission", "visit")
        off = None
        page = self.phone(house.address)
        answered = pressed = 0
        while house.run.poll() is None:
            prompts = [line[3:].strip() for line in list(house.screen) if line.startswith(">> ")]
            if len(prompts) == answered:
                time.sleep(0.05)
                continue
            prompt = prompts[answered]
            answered += 1
            if switch := re.match(r"switch (\S+) (on|off)\b", prompt, re.I):
                what, state = switch.group(1), switch.group(2).lower()
                page.wait_for_selector(f"button[data-key='{state}'][aria-disabled='false']", timeout=20_000)
                if pressed == 4:
                    page.screenshot(path=PICTURES / "phone-visit.png", full_page=True)
                house.switch(f"{what} {state}")
                self.press(page, f"Switched {state}")
                pressed += 1
                off = off or (what if what != "kettle" and state == "off" else None)
            else:
                if off and prompt.startswith("Take the steering signal"):
                    self.assertTrue(house.says(f"{off} was switched off for this test: switch it on again"))
                    house.switch(f"{off} on")
                    time.sleep(3)
                house.types(next((answer for question, answer in answers.items() if prompt.startswith(question)), ""))
        code, _ = house.end()
        screen = "".join(house.screen)
        self.assertEqual(code, 0, screen)
        self.assertGreaterEqual(pressed, 12, screen)
        visit = house.here / "visit"
        kinds = [kind for capture in sorted(visit.glob("*.pcapng")) for kind, _ in marks(capture)]
        self.assertEqual(len(kinds), pressed, screen)
        report = (visit / "8-report.html").read_text()
        self.assertIn("Quince house", report)
        wattward("report", "--verify", visit / "8-report.html", visit, check=0)

    def test_the_validator_finds_nothing(self):
        self.assertEqual(validity(ROOT / "src" / "rim" / "page" / "page.html"), [])

    def test_a_press_without_a_connection_is_delivered_once_or_said_to_be_lost(self):
        house = self.house
        house.start("watch", "--lines", "--capture", "watch.pcapng")
        page = self.phone(house.address)
        capture = house.here / "watch.pcapng"
        # A short break: delivered when it ends, once.
        page.wait_for_selector("button[data-label='kettle switched on'][aria-disabled='false']", timeout=20_000)
        page.context.set_offline(True)
        page.get_by_role("button", name="kettle switched on").tap()
        time.sleep(0.8)
        page.context.set_offline(False)
        page.wait_for_function("() => /marked at/.test(document.getElementById('came').textContent)", timeout=8000)
        # An answer that is lost on the way: sent again, and still once.
        page.route("**/press", lambda route: (route.fetch(), route.abort()), times=1)
        self.press(page, "kettle switched off")
        page.wait_for_function("() => /off: marked at/.test(document.getElementById('came').textContent)", timeout=8000)
        # A long one: the powers go, and the press is said to be lost.
        page.wait_for_selector("button[data-label='kettle switched on'][aria-disabled='false']")
        page.context.set_offline(True)
        page.get_by_role("button", name="kettle switched on").tap()
        page.wait_for_function("() => /not known whether/.test(document.getElementById('came').textContent)", timeout=9000)
        page.wait_for_function("() => document.querySelector('td.power').textContent === '–'", timeout=9000)
        self.assertIn("old", page.inner_text("#line"))
        page.context.set_offline(False)
        page.wait_for_function("() => /NOT marked: it arrived/.test(document.getElementById('came').textContent)", timeout=9000)
        # The page loaded anew works on.
        page.reload()
        self.press(page, "kettle switched on")
        page.wait_for_function("() => /on: marked at/.test(document.getElementById('came').textContent)", timeout=8000)
        house.run.terminate()
        house.end()
        self.assertEqual([kind for kind, _ in marks(capture)], ["load-on", "load-off", "load-on"])

    def test_the_start_of_a_window_is_the_laptops(self):
        house = self.house
        house.start("limit", "--json", "--capture", "limit.pcapng")
        page = self.phone(house.address)
        page.wait_for_function("() => /Ready for a window/.test(document.getElementById('asked').textContent)", timeout=20_000)
        self.assertIn("answered at the laptop", page.inner_text("#asked"))
        self.assertEqual(page.locator("button[aria-disabled='false']").count(), 0)
        house.types()
        for state in ("on", "off"):
            page.wait_for_selector(f"button[data-key='{state}'][aria-disabled='false']", timeout=40_000)
            house.switch(f"kettle {state}")
            self.press(page, f"Switched {state}")
            page.wait_for_function("() => /marked at/.test(document.getElementById('came').textContent)", timeout=5000)
        # The next one is answered by both; the laptop is first.
        page.wait_for_selector("button[data-key='on'][aria-disabled='false']", timeout=40_000)
        house.switch("kettle on")
        house.types()
        page.wait_for_function("() => !document.querySelector(\"button[aria-disabled='false']\")", timeout=5000)
        self.press(page, "Switched off")
        house.switch("kettle off")
        house.types("q")
        house.end()
        self.assertEqual([kind for kind, _ in marks(house.here / "limit.pcapng")][:3], ["load-on", "load-off", "load-on"])

    @contextlib.contextmanager
    def terminal(self, *arguments):
        """A run on a terminal of 80 by 24; gives a function that reads it until something stands there."""
        ours, theirs = pty.openpty()
        fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        run = subprocess.Popen([PROGRAM, *arguments, "--listen-first", "200ms", "--page", "127.0.0.1:0"], cwd=self.house.here,
                               stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True)
        os.close(theirs)
        text = b""

        def until(pattern):
            nonlocal text
            while not (found := re.search(pattern, text.decode(errors="replace"))):
                text += os.read(ours, 4096)
            text = text.decode(errors="replace")[found.end():].encode()
            return found

        timer = threading.Timer(30, run.kill)
        timer.start()
        try:
            yield until
        finally:
            timer.cancel()
            run.kill()
            run.wait()
            os.close(ours)

    def test_a_reader_finds_the_address_in_the_code(self):
        with self.terminal("ct") as until:
            found = until(r"(?s)^(.*)phone page  (http://\S+)\r?\n")
            said = until(r"(?s)(Whoever.*nothing else\.)").group(1)
        self.assertLessEqual(max(map(len, said.splitlines())), 80)
        screen, address = found.groups()
        rows = [re.sub(r"\x1b\[[0-9;]*[A-Za-z]", "", row) for row in screen.splitlines() if "\x1b[97;40m" in row]
        self.assertLessEqual(len(rows), 22)
        halves = {"█": (255, 255), "▀": (255, 0), "▄": (0, 255), " ": (0, 0)}
        modules = [[halves[one][half] for one in row] for row in rows for half in (0, 1)]
        image = numpy.kron(numpy.pad(numpy.array(modules, dtype=numpy.uint8), 8), numpy.ones((6, 6), dtype=numpy.uint8))
        self.assertEqual([code.text for code in zxingcpp.read_barcodes(image)], [address])

    def test_the_live_view_shows_the_code_until_a_phone_has_it(self):
        with self.terminal("watch") as until:
            address = until(r"phone page  (http://\S+)\r?\n").group(1)
            # The code on the other screen, with the address below it.
            until(r"(?s)\x1b\[\?1049h.*█.*Tab")
            with urllib.request.urlopen(address + "state", timeout=5) as answer:
                shown = json.load(answer)["page"]
            self.assertEqual(shown["asked"], "Nothing is recorded, so there is nothing to mark.")
            self.assertEqual(shown["buttons"], [])
            # A word alone: the cursor is moved over what stands between words.
            until("towards|flow")


if __name__ == "__main__":
    unittest.main()
