"""The settings sheet as a browser shows and prints it (headless Chromium, where installed).

The sheet is loaded into frames of 360, 768 and 1280 px within one page of ours; one start of the
browser serves all tests.
"""

import base64
import html
import json
import os
import re
import select
import shutil
import subprocess
from dataclasses import replace as field

import msgspec
import pytest
from places import SAMPLES

from roomeq.base.cautions import Caution, CautionCode
from roomeq.importers.room import read_room
from roomeq.jobs.propose import propose
from roomeq.report.sheet.sheet import settings_sheet

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
WIDTHS = (360, 768, 1280)
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(BROWSER is None, reason="no chromium on this machine"),
]

# What is wrong with a frame: text beyond its frame or its own cell, texts over one another, a value
# on another line than its check box, and text of too little contrast (WCAG 2.2, 1.4.3: 4.5 to 1;
# relative luminance as defined there).
PROBE = r"""
function luminance(colour) {
  const parts = colour.match(/[\d.]+/g).slice(0, 3).map(x => x / 255);
  const linear = parts.map(x => x <= 0.04045 ? x / 12.92 : Math.pow((x + 0.055) / 1.055, 2.4));
  return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2];
}
function probe(frame) {
  const view = frame.contentWindow, page = frame.contentDocument, found = [], boxes = [];
  const width = page.documentElement.clientWidth;
  if (page.documentElement.scrollWidth > width) found.push("page is wider than its frame");
  const paper = luminance(view.getComputedStyle(page.querySelector(".page")).backgroundColor);
  const walker = page.createTreeWalker(page.body, NodeFilter.SHOW_TEXT);
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    const text = node.data.trim(), parent = node.parentElement;
    if (!text) continue;
    const style = view.getComputedStyle(parent), svg = parent.closest("svg");
    const range = page.createRange();
    range.selectNodeContents(node);
    for (const box of range.getClientRects()) {
      if (!box.width) continue;
      boxes.push([text, box]);
      if (box.left < -0.5 || box.right > width + 0.5) found.push("cut by the frame: " + text);
      const holder = parent.closest("svg, td, th, li, dd, dt, p, h1, h2, h3, figcaption, footer");
      const outer = holder.getBoundingClientRect();
      if (box.left < outer.left - 1 || box.right > outer.right + 1)
        found.push("beyond its cell: " + text);
    }
    const ink = luminance(svg ? style.fill : style.color);
    const contrast = (Math.max(ink, paper) + 0.05) / (Math.min(ink, paper) + 0.05);
    if (contrast < 4.5) found.push("contrast " + contrast.toFixed(2) + ": " + text);
  }
  for (const head of page.querySelectorAll(".advice h3")) {
    const first = head.nextElementSibling.firstElementChild.getBoundingClientRect();
    if (head.getClientRects().length > 1 || first.top < head.getBoundingClientRect().top)
      found.push("heading apart from its list: " + head.textContent);
  }
  for (const value of page.querySelectorAll("input + .value")) {
    const box = value.previousElementSibling.getBoundingClientRect();
    if (value.getBoundingClientRect().top >= box.bottom)
      found.push("below its check box: " + value.textContent);
  }
  for (const box of page.querySelectorAll("input"))
    boxes.push(["box of " + box.getAttribute("aria-label"), box.getBoundingClientRect()]);
  boxes.forEach(([text, a], i) => boxes.slice(i + 1).forEach(([other, b]) => {
    const across = Math.min(a.right, b.right) - Math.max(a.left, b.left);
    const down = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
    const least = Math.min(a.height, b.height);
    if (across > 1 && down > 0.35 * least) found.push(text + " lies over " + other);
  }));
  return {width: view.innerWidth, dark: paper < 0.2, texts: boxes.length, found: found};
}
addEventListener("load", () => {
  const frames = [...document.querySelectorAll("iframe")];
  document.getElementById("result").textContent = JSON.stringify(frames.map(probe));
});
"""


class Browser:
    """One Chromium for all tests, told over a pipe what to do (Chrome DevTools Protocol)."""

    def __init__(self, folder):
        ours_in, theirs_out = os.pipe()
        theirs_in, ours_out = os.pipe()

        def as_three_and_four():
            kept = os.dup(theirs_in), os.dup(theirs_out)
            os.dup2(kept[0], 3)
            os.dup2(kept[1], 4)

        words = [BROWSER, *FLAGS, f"--user-data-dir={folder}", "--remote-debugging-pipe"]
        self._process = subprocess.Popen(
            words, close_fds=False, preexec_fn=as_three_and_four,
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        os.close(theirs_in)
        os.close(theirs_out)
        self._said, self._heard = os.fdopen(ours_out, "wb"), os.fdopen(ours_in, "rb", buffering=0)
        self._number, self._rest, self._session = 0, b"", {}
        page = self.ask("Target.createTarget", url="about:blank")["targetId"]
        attached = self.ask("Target.attachToTarget", targetId=page, flatten=True)
        self._session = {"sessionId": attached["sessionId"]}
        for domain in ("Page", "Runtime", "Log"):
            self.ask(f"{domain}.enable")

    def _message(self):
        while b"\0" not in self._rest:
            assert select.select([self._heard], [], [], 60.0)[0], "the browser does not answer"
            part = self._heard.read(65536)
            assert part, "the browser has ended"
            self._rest += part
        message, _, self._rest = self._rest.partition(b"\0")
        return json.loads(message)

    def ask(self, method, **parameters):
        self._number += 1
        words = {"id": self._number, "method": method, "params": parameters, **self._session}
        self._said.write(json.dumps(words).encode() + b"\0")
        self._said.flush()
        while (message := self._message()).get("id") != self._number:
            self._event(message)
        assert "error" not in message, message
        return message["result"]

    def _event(self, message):
        self._loaded |= message["method"] == "Page.loadEventFired"
        if message["method"] in (
            "Runtime.consoleAPICalled", "Runtime.exceptionThrown", "Log.entryAdded"
        ):  # fmt: skip
            self._console.append(json.dumps(message["params"]))

    def open(self, path):
        """Show a page; return when it is loaded."""
        self._loaded, self._console = False, []
        self.ask("Page.navigate", url=path.as_uri())
        while not self._loaded:
            self._event(self._message())

    @property
    def console(self):
        """What the page wrote to the console since it was opened."""
        self.ask("Runtime.evaluate", expression="0")  # all that was said before has arrived
        return self._console

    def close(self):
        self.ask("Browser.close")
        self._said.close()
        self._heard.close()
        self._process.wait(timeout=30)

    _loaded, _console = False, []


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    found = Browser(tmp_path_factory.mktemp("profile"))
    yield found
    found.close()


def looked_at(browser, tmp_path, sheets, *, dark):
    frames = "".join(
        f'<iframe width="{width}" height="900" style="border:0" srcdoc="{html.escape(text)}">'
        "</iframe>"
        for text in sheets
        for width in WIDTHS
    )
    page = tmp_path / "page.html"
    page.write_text(
        f'<!DOCTYPE html><meta charset="utf-8"><meta name="color-scheme" content="light dark">'
        f"<title>frames</title>{frames}"
        f'<pre id="result"></pre><script>{PROBE}</script>',
        "utf-8",
    )
    scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
    browser.ask("Emulation.setEmulatedMedia", features=[scheme])
    browser.open(page)
    found = browser.ask(
        "Runtime.evaluate", expression="document.getElementById('result').textContent"
    )
    return json.loads(found["result"]["value"]), browser.console


def pages_printed(browser, tmp_path, text, size):
    """Return the number of pages on a paper; its leaf objects are /Page (ISO 32000-1, 7.7.3.3)."""
    page = tmp_path / "print.html"
    assert text.count("@page {") == 1
    page.write_text(text.replace("@page {", f"@page {{ size: {size};"), "utf-8")
    browser.open(page)
    printed = browser.ask("Page.printToPDF", preferCSSPageSize=True, printBackground=True)
    assert browser.console == []
    return len(re.findall(rb"/Type\s*/Page\b", base64.b64decode(printed["data"])))


@pytest.fixture(scope="module")
def plan():
    return propose(read_room(SAMPLES / "lakeside_cabin"), node_limit=1)


@pytest.fixture(scope="module")
def recorded():
    return propose(read_room(SAMPLES / "village_library"), node_limit=1)


@pytest.fixture(scope="module")
def joined():
    return propose(read_room(SAMPLES / "ferry_office"), node_limit=1)


@pytest.fixture(scope="module")
def apart(joined):
    """Return a plan of the same room that does not join."""
    room = read_room(SAMPLES / "ferry_office")
    found = propose(field(room, survey=room.survey.of_source("sub")), node_limit=1)
    assert joined.joining is not None
    assert joined.joining.bypass
    assert found.joining is None
    return found


@pytest.fixture(scope="module")
def sheets(plan, joined, apart):
    """One plan; two; three; one with long names, a wide step and every caution; two with mains.

    The second and the third differ as those of other targets do: in bands, reasons and cautions.
    """
    replace = msgspec.structs.replace
    long = "the seat-behind-the-pillar_with_no_view_" + "x" * 60
    bands = tuple(replace(b, present_db=-11.75, gain_db=-10.25) for b in plan.bands)
    seats = (replace(plan.seats[0], seat=long), *plan.seats[1:])
    every = tuple(Caution(code=code, value=3.0, name=long) for code in CautionCode)
    crowded = replace(
        plan, room=long, bands=bands, seats=seats, cautions=every, assumptions=(long,)
    )
    room = read_room(SAMPLES / "lakeside_cabin")
    targets = (
        field(room.target, shape="shelf", shelf_gain_db=6.0, shelf_corner=50.0),
        field(room.target, shape="tilt", tilt_db_per_octave=-1.5),
    )
    film, late = (propose(field(room, target=target), node_limit=1) for target in targets)
    assert film.gains_db != plan.gains_db != late.gains_db
    return [
        settings_sheet({"music": plan}),
        settings_sheet({"music": plan, "film": film}),
        settings_sheet({"music": plan, "film": film, "late_at_night_and_with_guests": late}),
        settings_sheet({"music": crowded}),
        settings_sheet({"music": joined}),
        settings_sheet({"music": joined, "film": apart}),
    ]


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_nothing_overlaps_is_cut_or_pale(browser, sheets, tmp_path, dark):
    seen, console = looked_at(browser, tmp_path, sheets, dark=dark)
    assert console == []
    assert [frame["width"] for frame in seen] == list(WIDTHS) * len(sheets)
    assert all(frame["texts"] > 150 for frame in seen)
    assert all(frame["dark"] is dark for frame in seen)
    assert [frame["found"] for frame in seen] == [[]] * len(seen)


def test_the_probe_finds_what_is_wrong(browser, sheets, tmp_path):
    broken = sheets[0].replace(
        "</main>",
        '<p style="width:2000px">too wide</p>'
        '<p style="position:absolute;top:9px;left:9px">over</p>'
        '<p style="position:absolute;top:9px;left:9px;color:#ccc">over</p>'
        "<script>console.error('heard')</script></main>",
    )
    seen, console = looked_at(browser, tmp_path, [broken], dark=False)
    for frame in seen:
        said = " | ".join(frame["found"])
        assert "wider than its frame" in said
        assert "over lies over over" in said
        assert "contrast" in said
    assert any("heard" in line for line in console)


@pytest.mark.parametrize(
    ("plans", "size"), [(1, "letter"), (2, "letter"), (3, "letter"), (3, "A4")]
)
def test_up_to_three_plans_print_on_two_pages(browser, sheets, tmp_path, size, plans):
    assert pages_printed(browser, tmp_path, sheets[plans - 1], size) == 2


@pytest.mark.parametrize("plans", [1, 3])
def test_recorded_sweeps_with_many_notes_print_on_two_pages(browser, recorded, tmp_path, plans):
    # the shorter of the two papers
    names = ("music", "film", "late at night")[:plans]
    assert (
        pages_printed(browser, tmp_path, settings_sheet(dict.fromkeys(names, recorded)), "letter")
        == 2
    )


@pytest.mark.parametrize("name", ["brick_cellar", "rented_hall"])
def test_a_room_with_many_cautions_prints_on_two_pages(browser, tmp_path, name):
    room = propose(read_room(SAMPLES / name), node_limit=1)
    assert pages_printed(browser, tmp_path, settings_sheet({"music": room}), "letter") == 2


@pytest.mark.parametrize("plans", [1, 2])
def test_settings_that_join_the_mains_print_on_two_pages(browser, joined, tmp_path, plans):
    names = ("music", "film")[:plans]
    assert (
        pages_printed(browser, tmp_path, settings_sheet(dict.fromkeys(names, joined)), "letter")
        == 2
    )


@pytest.mark.parametrize("size", ["A4", "letter"])
@pytest.mark.parametrize("plans", [2, 3])
def test_a_plan_that_joins_beside_others_prints_on_two_pages(
    browser, joined, apart, tmp_path, size, plans
):
    both = {"music": joined, "film": apart, "late at night": apart}
    some = dict(list(both.items())[:plans])
    assert pages_printed(browser, tmp_path, settings_sheet(some), size) == 2


def test_on_paper_too_a_value_stands_beside_its_check_box(browser, joined, apart, tmp_path):
    text = settings_sheet({"music": joined, "film": apart, "late at night": apart})
    paper = text.replace("@media print", "@media all")
    seen, _ = looked_at(browser, tmp_path, [paper], dark=False)
    found = [fault for frame in seen[1:] for fault in frame["found"]]  # 190 mm are 718 px
    assert not [fault for fault in found if fault.startswith("below its check box")]


def test_on_paper_too_a_heading_stands_above_its_list(browser, plan, tmp_path):
    quiet = msgspec.structs.replace(plan, cautions=plan.cautions[:1])
    papers = [settings_sheet({"a": p}).replace("@media print", "@media all") for p in (plan, quiet)]
    seen, _ = looked_at(browser, tmp_path, papers, dark=False)
    found = [fault for frame in seen for fault in frame["found"]]
    assert not [fault for fault in found if fault.startswith("heading apart")]


def test_nothing_is_printed_smaller_than_8_points(sheets):
    # common practice, no source; texts of pictures follow their width in print
    for text in (sheets[0], sheets[2]):
        style = text[text.index("<style>") : text.index("</style>")]
        paper = style[style.index("@media print {") :]
        (root,) = re.findall(r":root {[^}]* font-size: ([\d.]+)pt", paper)
        sizes = [float(root) * float(size) for size in re.findall(r"font-size: ([\d.]+)rem", style)]
        assert len(sizes) > 5
        assert min([*sizes, *map(float, re.findall(r"font-size: ([\d.]+)pt", paper))]) >= 8.0
        for where in ("", ".several ", "#settings.tight "):
            size = float(re.search(rf"\s{where}\.tick {{[^}}]*font-size: ([\d.]+)px", style)[1])
            width = float(re.search(rf"\s{where}\.picture {{ max-width: ([\d.]+)mm", paper)[1])
            assert size * width / 340 * 72 / 25.4 >= 8.0


def test_the_curve_fills_its_column(sheets):
    style = sheets[0]
    margin = float(re.search(r"@page {\s*margin: [\d.]+mm ([\d.]+)mm", style)[1])
    gap = float(
        re.search(r"\.advice,[^{]*{ display: block; columns: 2; column-gap: ([\d.]+)mm", style)[1]
    )
    width = float(re.search(r"\n  \.picture { max-width: ([\d.]+)mm", style)[1])
    for paper in (210.0, 215.9):  # A4 (ISO 216), letter
        assert width / ((paper - 2 * margin - gap) / 2) > 0.95


def test_settings_of_three_plans_stay_on_one_page(browser, sheets, tmp_path):
    settings = re.sub(
        r'<section class="page" id="evidence".*</section>\n</main>',
        "</main>",
        sheets[2],
        flags=re.DOTALL,
    )
    assert "Why these settings" not in settings
    assert pages_printed(browser, tmp_path, settings, "letter") == 1
