"""A page in a real browser: printed, measured, read. What the page tests share."""
import contextlib
import json
import pathlib
import re
import shutil
import subprocess

from playwright.sync_api import sync_playwright

from common import ROOT

NODE = ROOT / "tests" / "node"
AXE = NODE / "node_modules" / "axe-core" / "axe.min.js"
# Screenshots and prints, for whoever looks at a run.
PICTURES = ROOT / "target" / "pages"

# Paper in CSS pixels (96 to the inch), and the margins of the page's own style: 15 mm at the sides, 16 above, 18 below.
PAPER = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
SIDE_MM, TOP_MM, BOTTOM_MM = 15.0, 16.0, 18.0


@contextlib.contextmanager
def browser():
    """Debian's Chromium, without a window."""
    with sync_playwright() as play:
        running = play.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
        try:
            yield running
        finally:
            running.close()


@contextlib.contextmanager
def opened(running, path, width=900, height=1400, scripts=True):
    """A page with what it asked for and what it complained of."""
    context = running.new_context(viewport={"width": width, "height": height}, java_script_enabled=scripts,
                                  bypass_csp=scripts)
    page = context.new_page()
    page.asked, page.complaints = [], []
    page.on("request", lambda request: page.asked.append(request.url))
    page.on("console", lambda message: page.complaints.append(message.text))
    page.on("dialog", lambda dialog: (page.complaints.append("a dialog"), dialog.dismiss()))
    page.goto(pathlib.Path(path).as_uri())
    try:
        yield page
    finally:
        context.close()


# The words of every element that holds words of its own, in order; pictures included.
WORDS = """() => [...document.querySelectorAll('h1,h2,h3,p,li,dt,dd,th,td,caption,figcaption,svg text,code')]
    .map(element => element.textContent.replace(/\\s+/g, ' ').trim()).filter(words => words)"""

# Boxes of all words in pictures, and the frames they must stay in.
PICTURE_BOXES = """() => [...document.querySelectorAll('svg')].map(svg => {
    const box = element => { const r = element.getBoundingClientRect(); return [r.left, r.top, r.right, r.bottom]; };
    return { frame: box(svg), title: svg.querySelector('title').textContent,
             words: [...svg.querySelectorAll('text')].map(text => ({ words: text.textContent, box: box(text) })) };
})"""

# Elements that reach beyond the sides of the page.
TOO_WIDE = """() => [...document.querySelectorAll('main *')].filter(element => {
    const r = element.getBoundingClientRect();
    return r.width > 0 && (r.right > document.documentElement.clientWidth + 1 || r.left < -1);
}).map(element => element.tagName + ' ' + element.textContent.slice(0, 60))"""


def printed(page, name, paper):
    """Prints to PDF, leaves pictures of its pages beside it, and gives the file."""
    PICTURES.mkdir(parents=True, exist_ok=True)
    path = PICTURES / f"{name}-{paper}.pdf"
    page.pdf(path=path, format=paper, print_background=True)
    subprocess.run(["pdftoppm", "-r", "70", "-png", path, path.with_suffix("")], check=True)
    return path


def pdf_text(path):
    """All text of a PDF without white space and without the page numbers at the foot."""
    text = subprocess.run(["pdftotext", "-layout", path, "-"], check=True, capture_output=True, text=True).stdout
    return "".join(re.sub(r"^\s*\d+ / \d+\s*$", "", text, flags=re.M).split())


def pdf_words(path):
    """[(page, width, height, [(x0, y0, x1, y1, word)])] in points."""
    text = subprocess.run(["pdftotext", "-bbox", path, "-"], check=True, capture_output=True, text=True).stdout
    pages = []
    for part in re.split(r"<page ", text)[1:]:
        width, height = (float(value) for value in re.match(r'width="([\d.]+)" height="([\d.]+)"', part).groups())
        words = re.findall(r'<word xMin="([-\d.]+)" yMin="([-\d.]+)" xMax="([-\d.]+)" yMax="([-\d.]+)">(.*?)</word>', part)
        pages.append((width, height, [(*map(float, word[:4]), word[4]) for word in words]))
    return pages


def overlap(one, other):
    """The share of the smaller box that two boxes have in common."""
    wide = min(one[2], other[2]) - max(one[0], other[0])
    high = min(one[3], other[3]) - max(one[1], other[1])
    if wide <= 0 or high <= 0:
        return 0.0
    area = min((box[2] - box[0]) * (box[3] - box[1]) for box in (one, other))
    return wide * high / area if area > 0 else 0.0


def accessibility(page):
    """What the accessibility checker finds: [(rule, impact, element)]."""
    page.evaluate(AXE.read_text())
    found = page.evaluate("async () => (await axe.run()).violations")
    return [(rule["id"], rule["impact"], rule["nodes"][0]["html"][:200]) for rule in found]


def validity(path):
    """What the HTML validator finds: [(rule, line, message)]."""
    done = subprocess.run(["node", NODE / "node_modules" / ".bin" / "html-validate", "--config",
                           NODE / ".htmlvalidate.json", "--formatter", "json", path.name],
                          cwd=path.parent, capture_output=True, text=True)
    if not done.stdout.strip():
        raise AssertionError(done.stderr)
    return [(message["ruleId"], message["line"], message["message"])
            for result in json.loads(done.stdout) for message in result["messages"]]
