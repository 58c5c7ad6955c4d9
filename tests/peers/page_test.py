"""The report in a browser, on paper, before an HTML validator and an accessibility checker, and its pictures read back."""
import shutil
import statistics
import tempfile
import unittest
from datetime import datetime
from pathlib import Path
from xml.etree import ElementTree

from common import ROOT, demo, document, wattward
from page import (PAPER, PICTURES, PICTURE_BOXES, SIDE_MM, TOO_WIDE, WORDS, TOP_MM, BOTTOM_MM, accessibility, browser, opened,
                  overlap, pdf_text, pdf_words, printed, validity)

CAPTURES = ROOT / "captures"
MM = 72 / 25.4


class Page(unittest.TestCase):
    """Reports of the demo and of captures with faults in them."""

    @classmethod
    def setUpClass(cls):
        cls.folder = Path(tempfile.mkdtemp(prefix="wattward-pages-"))
        cls.reports = {}
        wattward("report", demo().folder, "--out", cls.folder / "demo.html", check=0)
        cls.reports["demo"] = cls.folder / "demo.html"
        for name in ("ct-swapped", "ct-total", "limit-broken", "limit-held"):
            wattward("report", CAPTURES / f"{name}.pcapng", "--out", cls.folder / f"{name}.html", check=0)
            cls.reports[name] = cls.folder / f"{name}.html"
        # Names as nobody should write them.
        site = (CAPTURES / "scenarios" / "limit.site.toml").read_text()
        site = site.replace('name = "Ferry house"', 'name = "<img src=x onerror=alert(1)> & \\"Zoë\\" \\u202Eesrever"')
        site = site.replace('name = "connection"', f'name = "{"very-long-name-without-a-space-" * 4}"')
        (cls.folder / "site.toml").write_text(site)
        for profile in (CAPTURES / "scenarios").glob("*.profile.toml"):
            shutil.copy(profile, cls.folder)
        wattward("report", CAPTURES / "limit-broken.pcapng", "--site", cls.folder / "site.toml", "--out",
                 cls.folder / "hostile.html", check=0)
        cls.reports["hostile"] = cls.folder / "hostile.html"
        cls.running = browser()
        cls.chromium = cls.running.__enter__()

    @classmethod
    def tearDownClass(cls):
        cls.running.__exit__(None, None, None)
        shutil.rmtree(cls.folder, ignore_errors=True)

    def test_it_asks_for_nothing_and_needs_no_script(self):
        for name, path in self.reports.items():
            with self.subTest(report=name), opened(self.chromium, path) as page:
                self.assertEqual(page.asked, [path.as_uri()])
                self.assertEqual(page.complaints, [])
                self.assertEqual(page.evaluate("document.images.length + document.scripts.length"), 0)
                words = page.inner_text("main")
                with opened(self.chromium, path, scripts=False) as still:
                    self.assertEqual(still.inner_text("main"), words)

    def test_the_validator_and_the_accessibility_checker_find_nothing(self):
        for name, path in self.reports.items():
            with self.subTest(report=name), opened(self.chromium, path) as page:
                self.assertEqual(validity(path), [])
                self.assertEqual(accessibility(page), [])
                PICTURES.mkdir(parents=True, exist_ok=True)
                page.screenshot(path=PICTURES / f"{name}.png", full_page=True)

    def test_the_checkers_do_find_what_is_wrong(self):
        broken = self.folder / "broken.html"
        broken.write_text(self.reports["limit-held"].read_text().replace("<caption>", "<caption><div>", 1)
                          .replace("<h2 id=", "<img src=''><h2 id=", 1))
        self.assertTrue(validity(broken))
        with opened(self.chromium, broken) as page:
            self.assertTrue(accessibility(page))

    def test_nothing_is_wider_than_a_screen_a_phone_or_a_sheet(self):
        for name, path in self.reports.items():
            with self.subTest(report=name), opened(self.chromium, path) as page:
                for width in (1280, 900, 390):
                    with opened(self.chromium, path, width=width) as page:
                        self.assertLessEqual(page.evaluate("document.documentElement.scrollWidth"), width)
                for paper, (wide, _) in PAPER.items():
                    inside = int((wide - 2 * SIDE_MM) / 25.4 * 96)
                    with opened(self.chromium, path, width=inside) as page:
                        page.emulate_media(media="print")
                        self.assertEqual(page.evaluate(TOO_WIDE), [], paper)

    def test_words_in_pictures_stay_inside_and_apart(self):
        for name, path in self.reports.items():
            with self.subTest(report=name), opened(self.chromium, path) as page:
                for picture in page.evaluate(PICTURE_BOXES):
                    left, top, right, bottom = picture["frame"]
                    for word in picture["words"]:
                        box = word["box"]
                        self.assertTrue(left - 1 <= box[0] and box[2] <= right + 1 and top - 1 <= box[1] and box[3] <= bottom + 1,
                                        (picture["title"], word))
                    for index, one in enumerate(picture["words"]):
                        for other in picture["words"][index + 1:]:
                            self.assertLess(overlap(one["box"], other["box"]), 0.25, (picture["title"], one, other))

    def test_on_paper_every_word_is_there_inside_the_margins_and_on_no_other(self):
        for name, path in self.reports.items():
            with self.subTest(report=name), opened(self.chromium, path) as page:
                shown = page.evaluate(WORDS)
                for paper in PAPER:
                    path = printed(page, name, paper)
                    text = pdf_text(path)
                    lost = [words for words in shown if not self.is_there(words, text)]
                    self.assertEqual(lost, [], paper)
                    for number, (width, height, words) in enumerate(pdf_words(path), 1):
                        self.assertAlmostEqual(width / MM, PAPER[paper][0], delta=1.0)
                        for word in words:
                            x0, y0, x1, y1 = word[:4]
                            self.assertTrue(x0 >= SIDE_MM * MM - 1 and x1 <= width - SIDE_MM * MM + 1, (paper, number, word))
                            # The page number stands in the lower margin.
                            # A stand-in for a character no font has comes from a font with taller boxes.
                            above = 12 if "\ufffd" in word[4] else 2
                            self.assertTrue(y0 >= TOP_MM * MM - above and y1 <= height, (paper, number, word))
                            if y1 > height - BOTTOM_MM * MM + 2:
                                self.assertRegex(word[4], r"^(\d+|/)$", (paper, number))
                        for index, one in enumerate(words):
                            for other in words[index + 1:]:
                                self.assertLess(overlap(one, other), 0.3, (paper, number, one, other))

    @staticmethod
    def is_there(words, text):
        """Whole; or, where a page or a line ends within, in pieces of eight characters and more; or word by word."""
        bare = "".join(words.split())
        if bare in text or bare in "".join(text.split()):
            return True
        if all("".join(word.split()) in text for word in words.split()):
            return True
        rest, pieces = bare, 0
        while rest and pieces < 4:
            # A hash in a narrow column takes three lines or four.
            longest = next((end for end in range(len(rest), 7, -1) if rest[:end] in text), 0)
            if not longest:
                break
            rest, pieces = rest[longest:], pieces + 1
        # Its last characters may stand alone on a line.
        return (pieces and len(rest) < 8 and rest in text) or any(bare[:cut] in text and bare[cut:] in text for cut in range(8, len(bare) - 8))

    def test_pictures_of_a_window_say_what_the_document_says(self):
        for name in ("limit-broken", "limit-held", "demo"):
            with self.subTest(report=name), opened(self.chromium, self.reports[name]) as page:
                verdict = self.verdict(name, "limit")
                rule = verdict["rules"][0]
                begin = datetime.fromisoformat(verdict["start"])
                seconds = lambda text: (datetime.fromisoformat(text) - begin).total_seconds()
                picture = self.picture(page, "in the window")
                at_x, at_y = self.scale(picture, "tick-x"), self.scale(picture, "tick-y")
                pixel_s, pixel_w = abs(at_x(1) - at_x(0)), abs(at_y(1) - at_y(0))
                limit = self.one(picture, "limit")
                self.assertAlmostEqual(at_y(float(limit.get("y1"))), rule["export_W"], delta=pixel_w)
                margin = self.one(picture, "acceptance")
                self.assertAlmostEqual(at_y(float(margin.get("y1"))), rule["acceptance_W"], delta=pixel_w)
                bands = [element for element in picture.iter() if element.get("class") == "excursion"]
                self.assertEqual(len(bands), len(rule["excursions"]))
                line = self.points(picture, "measured", at_x, at_y)
                mean = self.points(picture, "averaged", at_x, at_y)
                for band, excursion in zip(bands, rule["excursions"]):
                    start = at_x(float(band.get("x")))
                    end = at_x(float(band.get("x")) + float(band.get("width")))
                    self.assertAlmostEqual(start, seconds(excursion["start"]), delta=pixel_s)
                    # One that reaches the end of the window is drawn as far as that.
                    length = min(excursion["longest_s"], verdict["window"]["duration_s"] - seconds(excursion["start"]))
                    self.assertAlmostEqual(end - start, length, delta=2 * pixel_s)
                    # The peak is the highest reading in the excursion. The excursion is one of the mean, which follows the
                    # readings, so its first edge may cut a spike: what surely lies inside bounds the peak from below, what
                    # the mean could reach back to bounds it from above.
                    highest = lambda first, last: max(watts for t, watts in line if first <= t <= last)
                    peak = excursion["peak_export_W"]
                    self.assertLessEqual(highest(start + pixel_s, end - pixel_s), peak + 2 * pixel_w)
                    self.assertGreaterEqual(highest(start - rule["averaging_s"], end), peak - 2 * pixel_w)
                # The highest mean at a reading is at most the highest mean of all, and near it.
                self.assertLessEqual(max(watts for _, watts in mean), rule["worst_averaged_export_W"] + pixel_w)
                self.assertGreater(max(watts for _, watts in mean), 0.8 * rule["worst_averaged_export_W"])
                drawn = [at_x(float(one.get("x1"))) for one in picture.iter() if one.get("class") == "challenge"]
                for t, challenge in zip(drawn, verdict["challenges"], strict=True):
                    self.assertAlmostEqual(t, seconds(challenge["at"]), delta=pixel_s)

    def test_pictures_of_steps_say_what_the_document_says(self):
        name = "ct-swapped"
        with opened(self.chromium, self.reports[name]) as page:
            verdict = self.verdict(name, "ct")
            picture = self.picture(page, "Steps of each channel")
            channels = {channel["channel"]: channel for channel in verdict["channels"]}
            seen = 0
            for panel in (element for element in picture.iter() if element.get("class") == "steps"):
                row = next(other for other in picture.iter() if other.get("class") == "steps"
                           and other.get("data-place") == panel.get("data-place") and self.ticks(other, "tick-y"))
                at_x, at_y = self.scale(panel, "tick-x"), self.scale(row, "tick-y")
                line = self.points(panel, "measured", at_x, at_y)
                moved = statistics.median(watts for t, watts in line if 2 < t < 6)
                channel = channels[panel.get("data-channel")]
                answers = {answer["load_phase"]: answer for answer in channel["responses"]}
                # The step shown is that on the phase the channel senses; the others stand among its responses.
                step = answers.get(panel.get("data-place"), channel["step"])
                self.assertAlmostEqual(moved, step["active_W"], delta=step["active_u_W"] + 10)
                seen += 1
            self.assertEqual(seen, 9)

    def verdict(self, name, check):
        path = self.reports[name]
        if name == "demo":
            return document("limit", "--from", demo().folder / "3-limit.pcapng")
        return document(check, "--from", CAPTURES / f"{path.stem}.pcapng")

    @staticmethod
    def picture(page, title):
        drawn = page.evaluate("""title => { const found = [...document.querySelectorAll('svg')]
            .filter(svg => svg.querySelector('title').textContent.includes(title));
            return new XMLSerializer().serializeToString(found[found.length - 1]); }""", title)
        return ElementTree.fromstring(drawn.replace('xmlns="http://www.w3.org/2000/svg"', ""))

    @staticmethod
    def ticks(picture, name):
        axis = "x1" if name == "tick-x" else "y1"
        return [(float(one.get(axis)), float(one.get("data-value"))) for one in picture.iter() if one.get("class") == name]

    def scale(self, picture, name):
        """From a place in the drawing to a value, by the ticks of the axis."""
        ticks = self.ticks(picture, name)
        (low, low_value), (high, high_value) = min(ticks), max(ticks)
        return lambda place: low_value + (place - low) / (high - low) * (high_value - low_value)

    @staticmethod
    def one(picture, name):
        found = [element for element in picture.iter() if element.get("class") == name]
        assert len(found) == 1, (name, len(found))
        return found[0]

    @staticmethod
    def points(picture, name, at_x, at_y):
        pairs = " ".join(one.get("points") for one in picture.iter() if one.get("class") == name).split()
        return [(at_x(float(x)), at_y(float(y))) for x, y in (pair.split(",") for pair in pairs)]


if __name__ == "__main__":
    unittest.main()
