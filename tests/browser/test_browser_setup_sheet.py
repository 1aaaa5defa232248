"""The page of the setup sheet in headless Chromium: telephone, paper, keyboard, without script.

Needs Chromium with its driver; where there is none these tests are skipped, and say so.
"""

from __future__ import annotations

import base64
import io
import json
import re
import shutil
import unicodedata
import zlib
from collections.abc import Iterator
from importlib.resources import files
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from service.api.setup_sheet import DEMO
from service.demo import served

webdriver = pytest.importorskip("selenium.webdriver", reason="selenium is not installed")
pypdf = pytest.importorskip("pypdf", reason="pypdf is not installed")

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
DRIVER = shutil.which("chromedriver")
pytestmark = pytest.mark.skipif(
    not (BROWSER and DRIVER), reason="CHROMIUM OR ITS DRIVER IS MISSING: no page was looked at"
)
FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--disable-dev-shm-usage",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
PHONE = {"width": 360, "height": 740, "deviceScaleFactor": 2, "mobile": True}
A4 = (595.3, 841.9)  # ISO 216, in points

EIGHT: dict[str, Any] = {
    **DEMO,
    "run": {
        "bends": [
            {"straight": 90 + 10 * n, "rotation": 45 * n - 160 if n else 0, "angle": 30 + 9 * n}
            | {"radius": 45}
            for n in range(8)
        ],
        "last_straight": 150,
    },
}
MANDREL: dict[str, Any] = {
    "title": "Suction line, invented forestry trailer",
    "tube": {"outside_diameter": 38, "wall_thickness": 1.5, "material": "e235-n"},
    "bender": "bench-42",
    "die": "d38-r115",
    "run": {
        "bends": [
            {"straight": 260, "angle": 90, "radius": 115},
            {"straight": 30, "rotation": -90, "angle": 130, "radius": 115},
        ],
        "last_straight": 700,
    },
    "mandrel": {"nose": "rounded", "corner_radius": 6, "lead": 5},
}
THREE: dict[str, Any] = {
    "tube": {"outside_diameter": 20, "wall_thickness": 2, "material": "e235-n"},
    "bender": "bench-25",
    "die": "d20-r60",
    "stretch": 0.022,
    "run": {
        "bends": [
            {"straight": 270, "angle": 53.1, "radius": 60},
            {"straight": 186, "rotation": 63.4, "angle": 59.2, "radius": 60},
            {"straight": 158, "rotation": 117.2, "angle": 70.6, "radius": 60},
        ],
        "last_straight": 235,
    },
    "springback": [{"constant": 0.8, "proportional": 0.02, "radius": 60}],
}
WRONG_DIE: dict[str, Any] = {**THREE, "die": "d25-r75"}
INCH: dict[str, Any] = {
    "units": "inch",
    "tube": {"outside_diameter": 0.5, "wall_thickness": 0.049, "material": "tp316l"},
    "bender": "bench-25",
    "die": {"tube_outside_diameter": 0.5, "radius": 1.5, "largest_angle": 180},
    "run": {
        "bends": [
            {"straight": 6.3, "angle": 90, "radius": 1.5},
            {"straight": 4.71, "rotation": -137.2, "angle": 120, "radius": 1.5},
        ],
        "last_straight": 5.05,
    },
    "springback": [{"constant": 1.2, "proportional": 0.025}],
    "ends": {"trim": 0.5},
}
SHEETS = {
    "demo": DEMO,
    "eight bends": EIGHT,
    "mandrel, stopped": MANDREL,
    "three bends": THREE,
    "wrong die": WRONG_DIE,
    "inch": INCH,
}
each_sheet = pytest.mark.parametrize("body", SHEETS.values(), ids=SHEETS.keys())
each_language = pytest.mark.parametrize("language", ["en", "de"])


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    options = webdriver.ChromeOptions()
    options.binary_location = BROWSER
    for flag in (*FLAGS, f"--user-data-dir={tmp_path_factory.mktemp('profile')}"):
        options.add_argument(flag)
    driver = webdriver.Chrome(options=options, service=webdriver.ChromeService(DRIVER))
    driver.execute_cdp_cmd("Network.enable", {})
    yield driver
    driver.quit()


@pytest.fixture
def look(browser: Any, live_address: str) -> Iterator[Any]:
    """Open a sheet as a telephone shows it; gives a function that takes body, language, scheme."""

    def open_sheet(body: Any = DEMO, language: str = "en", scheme: str = "light") -> Any:
        headers = {"Accept-Language": language}
        media = [{"name": "prefers-color-scheme", "value": scheme}]
        browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", PHONE)
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": media})
        browser.execute_cdp_cmd("Network.setExtraHTTPHeaders", {"headers": headers})
        raw = zlib.compress(json.dumps(body).encode())
        value = base64.urlsafe_b64encode(raw).rstrip(b"=").decode()
        browser.get(f"{live_address}/v1/setup-sheet?body={value}")
        assert browser.find_elements("css selector", ".step"), browser.page_source[:500]
        return browser

    yield open_sheet
    browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})
    browser.execute_script("localStorage.clear()")


@each_sheet
@each_language
def test_nothing_scrolls_sideways_at_360_px(look: Any, body: Any, language: str) -> None:
    page = look(body, language)
    assert page.execute_script("return innerWidth") == 360
    assert page.execute_script("return document.documentElement.scrollWidth") <= 360
    # nor does anything reach past the edge, where a box would cut it off
    wide = page.execute_script(
        "return [...document.querySelectorAll('body *:not(svg *)')].filter(e => "
        "e.getBoundingClientRect().right > 360.5).map(e => e.outerHTML.slice(0, 120))"
    )
    assert wide == []


@each_sheet
def test_words_in_the_pictures_stay_inside_and_apart(look: Any, body: Any) -> None:
    page = look(body, "de")
    faults = page.execute_script(
        """
        const faults = [];
        for (const svg of document.querySelectorAll('svg')) {
          const outer = svg.getBoundingClientRect();
          const texts = [...svg.querySelectorAll('text')];
          const boxes = texts.map(t => t.getBoundingClientRect());
          boxes.forEach((a, i) => {
            const words = texts[i].textContent;
            if (a.right > outer.right + 1 || a.left < outer.left - 1) faults.push(words);
            boxes.slice(i + 1).forEach((b, j) => {
              const x = Math.min(a.right, b.right) - Math.max(a.left, b.left);
              const y = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
              const over = texts[i + 1 + j].textContent;
              if (x > 1 && y > 4) faults.push(words + ' over ' + over);
            });
          });
        }
        return faults;
        """
    )
    assert faults == []


@each_sheet
@each_language
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_serious(look: Any, body: Any, language: str, scheme: str) -> None:
    page = look(body, language, scheme)
    axe = files("axe_core_python").joinpath("axe.min.js").read_text(encoding="utf-8")
    page.execute_script(axe)
    found = page.execute_async_script("axe.run().then(arguments[0])")
    assert len(found["passes"]) > 20  # it did look
    bad = [v for v in found["violations"] if v["impact"] in ("serious", "critical")]
    assert [(v["id"], [n["html"][:160] for n in v["nodes"]]) for v in bad] == []


def test_targets_are_large_enough_for_a_glove(look: Any) -> None:
    # WCAG 2.2, 2.5.5: 44 by 44 CSS pixels; a label is the target of its box
    page = look()
    for element in page.find_elements("css selector", ".step label, nav a, button, footer a"):
        assert element.size["height"] >= 44, element.text
        assert element.size["width"] >= 44, element.text


def test_no_letter_is_small(look: Any) -> None:
    page = look()
    sizes = page.execute_script(
        "return [...document.querySelectorAll('main *:not(svg *), footer *')].filter(e => "
        "e.textContent.trim()).map(e => parseFloat(getComputedStyle(e).fontSize))"
    )
    assert min(sizes) >= 14


def test_headings_step_down_one_at_a_time(look: Any) -> None:
    page = look(EIGHT)
    levels = [
        int(h.tag_name[1]) for h in page.find_elements("css selector", "h1, h2, h3, h4, h5, h6")
    ]
    assert levels.count(1) == 1
    assert all(b <= a + 1 for a, b in pairwise(levels))


def test_ticks_survive_a_reload_and_can_be_cleared(look: Any) -> None:
    page = look()
    labels = page.find_elements("css selector", ".step label")
    for label in (labels[0], labels[5]):
        label.click()
    assert page.find_element("css selector", "output").text == "2"
    page.refresh()
    ticked = page.execute_script(
        "return [...document.querySelectorAll('.step input')].map(b => b.checked)"
    )
    assert [i for i, on in enumerate(ticked) if on] == [0, 5]
    assert page.find_element("css selector", "output").text == "2"
    # the same part in another language has the same ticks, another part has its own
    assert look(DEMO, "de").find_element("css selector", "output").text == "2"
    assert look(EIGHT).find_element("css selector", "output").text == "0"
    page = look()
    page.find_element("css selector", "button").click()
    page.refresh()
    assert page.find_element("css selector", "output").text == "0"


def test_a_step_that_is_done_folds_up(look: Any) -> None:
    page = look()
    step = page.find_element("css selector", ".step")
    before = step.size["height"]
    step.find_element("css selector", "label").click()
    assert step.size["height"] < before / 2
    assert step.find_element("css selector", ".title").is_displayed()


def test_by_keyboard_the_boxes_come_in_the_order_of_the_steps(look: Any) -> None:
    page = look()
    order = page.execute_script(
        "return [...document.querySelectorAll('a, button, input')].filter(e => "
        "e.offsetParent !== null).map(e => [e.tabIndex, e.closest('.step')?.id])"
    )
    assert all(index == 0 for index, _ in order)
    steps = [step for _, step in order if step]
    assert steps == [s.get_attribute("id") for s in page.find_elements("css selector", ".step")]
    box = page.find_element("css selector", ".step input")
    box.send_keys(" ")
    assert box.is_selected()


def test_it_reads_without_script(look: Any, browser: Any) -> None:
    browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    page = look()
    text = page.find_element("css selector", "body").text
    assert "Bend 4: crank to 92°" in text
    assert "Tube under pressure" in text
    # what only the script can do is not offered; a box still takes a tick
    assert not page.find_element("css selector", "button").is_displayed()
    box = page.find_element("css selector", ".step input")
    box.click()
    assert box.is_selected()


def test_nothing_is_asked_of_anyone_else(look: Any, live_address: str) -> None:
    page = look()
    loaded = page.execute_script("return performance.getEntriesByType('resource').map(e => e.name)")
    assert [name for name in loaded if not name.startswith(live_address)] == []
    # a policy that stopped the page's own style or script would be told here
    said = [line["message"] for line in page.get_log("browser")]
    assert [line for line in said if "Content Security" in line] == []


def printed(page: Any, folder: Path) -> Any:
    made = page.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True})
    raw = base64.b64decode(made["data"])
    (folder / "sheet.pdf").write_bytes(raw)
    return pypdf.PdfReader(io.BytesIO(raw))


@each_sheet
def test_on_paper_no_step_is_torn_apart(look: Any, tmp_path: Path, body: Any) -> None:
    page = look(body)
    page.find_elements("css selector", ".step label")[1].click()  # folded on screen only
    steps = page.execute_script(
        "return [...document.querySelectorAll('.step')].map(s => "
        "[s.querySelector('.title').textContent, s.querySelector('li:last-child')?.textContent])"
    )
    sheet = printed(page, tmp_path)
    pages = [plain(one.extract_text()) for one in sheet.pages]
    for one in sheet.pages:
        size = float(one.mediabox.width), float(one.mediabox.height)
        assert size == pytest.approx(A4, abs=1.5)
    for title, last in steps:
        begins = [i for i, text in enumerate(pages) if plain(title) in text]
        assert len(begins) == 1, title
        if last:
            assert plain(last) in pages[begins[0]], title
    assert all(pages), "an empty page"
    assert "Cleartheticks" not in "".join(pages)


@each_sheet
@each_language
def test_on_paper_the_pictures_stand_below_their_heading(
    look: Any, tmp_path: Path, body: Any, language: str
) -> None:
    sheet = printed(look(body, language), tmp_path)
    pages = [one.extract_text() for one in sheet.pages]
    heading, below = {
        "en": ("Pictures", "measure from here"),
        "de": ("Bilder", "von hier messen"),
    }[language]
    of_heading = [i for i, text in enumerate(pages) if re.search(rf"^{heading}\s*$", text, re.M)]
    of_strip = [i for i, text in enumerate(pages) if plain(below) in plain(text)]
    assert len(of_heading) == 1
    assert of_heading == of_strip


@pytest.mark.parametrize("body", [DEMO, MANDREL, INCH], ids=["demo", "mandrel", "inch"])
@each_language
def test_no_line_breaks_between_a_number_and_its_unit(look: Any, body: Any, language: str) -> None:
    page = look(body, language)
    torn = page.execute_script(
        """
        const torn = [], unit = /\\d\\s(?:mm|in|N|lbf|kg|lb|MPa|%)(?![\\w-])/g;
        const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
        let found = 0;
        while (walk.nextNode()) {
          const node = walk.currentNode;
          if (node.parentElement.closest('script, style, [lang=en] [lang=en]')) continue;
          for (const hit of node.data.matchAll(unit)) {
            const range = document.createRange();
            range.setStart(node, hit.index);
            range.setEnd(node, hit.index + hit[0].length);
            found += 1;
            const lines = new Set([...range.getClientRects()].map(r => Math.round(r.top)));
            if (lines.size > 1) torn.push(hit[0] + ' in ' + node.data.slice(0, 60));
          }
        }
        return [found, torn];
        """
    )
    assert torn[0] > 20  # it did look
    assert torn[1] == []


@each_language
def test_a_link_cut_off_opens_a_page(browser: Any, live_address: str, language: str) -> None:
    headers = {"Accept-Language": language}
    browser.execute_cdp_cmd("Network.setExtraHTTPHeaders", {"headers": headers})
    raw = zlib.compress(json.dumps(DEMO).encode())
    value = base64.urlsafe_b64encode(raw).rstrip(b"=").decode()[:-7]
    browser.get(f"{live_address}/v1/setup-sheet?body={value}")
    words = {"en": "This link is incomplete", "de": "Dieser Link ist unvollständig"}[language]
    assert browser.find_element("css selector", "h1").text == words
    box = browser.find_element("css selector", ".verdict")
    assert box.value_of_css_property("border-top-width") == "2px"  # it has the style of the sheet
    said = [line["message"] for line in browser.get_log("browser")]
    assert [line for line in said if "Content Security" in line] == []


def plain(text: str) -> str:
    # NFKC: a font may draw "fi" as one sign
    return re.sub(r"\s", "", unicodedata.normalize("NFKC", text))


def test_the_picture_is_a_picture_to_a_browser(browser: Any, live_address: str) -> None:
    # an img element asks for image/*, so that the same address gives it the drawing
    browser.get(f"{live_address}/docs")
    width = browser.execute_async_script(
        "const [address, done] = arguments; const picture = new Image();"
        "picture.onload = () => done(picture.naturalWidth); picture.onerror = () => done(0);"
        "picture.src = address;",
        f"{live_address}/v1/setup-sheet/demo",
    )
    assert width > 0


def test_a_sheet_that_was_opened_opens_again_without_network(browser: Any) -> None:
    with served() as address:
        browser.get(f"{address}/v1/setup-sheet/demo")
        # kept once its worker has taken it over
        kept = browser.execute_async_script(
            "const done = arguments[0]; const look = async () => {"
            "const kept = await caches.open('setup-sheets');"
            "if ((await kept.keys()).length) done(true); else setTimeout(look, 50); }; look();"
        )
        assert kept
    browser.get(f"{address}/v1/setup-sheet/demo")  # the service has ended
    assert "Bend 4: crank to 92°" in browser.find_element("css selector", "main").text
    browser.get(f"{address}/v1/setup-sheet?body=other")  # one that was never opened
    assert not browser.find_elements("css selector", ".step")


def test_without_network_it_says_so(look: Any) -> None:
    page = look()
    told = page.find_element("css selector", ".offline")
    assert not told.is_displayed()
    conditions = {"offline": True, "latency": 0, "downloadThroughput": 0, "uploadThroughput": 0}
    page.execute_cdp_cmd("Network.emulateNetworkConditions", conditions)
    assert told.is_displayed()
    online = {**conditions, "offline": False, "downloadThroughput": -1, "uploadThroughput": -1}
    page.execute_cdp_cmd("Network.emulateNetworkConditions", online)
    assert not told.is_displayed()
