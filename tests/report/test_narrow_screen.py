"""What a browser shows of the pages on a screen as narrow as a telephone's: nothing cut off, nothing torn apart."""

from __future__ import annotations

import html
import json
import re
import shutil
import subprocess

import pytest

from qca.change.comparison import compare
from qca.change.page import comparison_page
from qca.change.region import Stretch
from qca.report.html import report_html
from qca.sizing.case import parse_case
from qca.sizing.devices import parse_devices
from qca.sizing.html import worksheet_page
from qca.sizing.worksheet import plan
from tests.sizing.invented_reading import FULL_CASE, PLENTY, reading

BROWSER = shutil.which("chromium") or shutil.which("google-chrome")
WIDTH_PX = 420

pytestmark = pytest.mark.skipif(BROWSER is None, reason="no Chromium here to show a page with")

_MEASURE = """
addEventListener("load", () => {
  const page = document.querySelector("iframe").contentDocument;
  const boxes = {};
  for (const name of NAMES)
    boxes[name] = [...page.querySelectorAll(name)].map(one => {
      const {left, top, right, bottom} = one.getBoundingClientRect();
      return {left, top, right, bottom, text: one.textContent};
    });
  document.body.textContent = "<<" + JSON.stringify(boxes) + ">>";
});
"""


def boxes(page, folder, *selectors):
    """Show a page in a frame of its own, for the narrowest window of a browser is wider, and measure elements."""
    holder = folder / "holder.html"
    script = _MEASURE.replace("NAMES", json.dumps(selectors))
    frame = f'<iframe style="width:{WIDTH_PX}px;height:6000px;border:0" srcdoc="{html.escape(page)}"></iframe>'
    holder.write_text(f"<meta charset=utf-8><body style='margin:0'>{frame}<script>{script}</script>", encoding="utf-8")
    shown = subprocess.run(
        [BROWSER, "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars",
         f"--user-data-dir={folder / 'profile'}", "--window-size=800,1200", "--dump-dom", holder.as_uri()],
        check=True, capture_output=True, timeout=120, text=True,
    )  # fmt: skip
    found = re.search(r"&lt;&lt;(\{.*\})&gt;&gt;", shown.stdout, re.DOTALL)
    return json.loads(html.unescape(found[1]))


def cut_off(found):
    return [one["text"] for one in found if one["left"] < 0 or one["right"] > WIDTH_PX]


def compared():
    readings = [reading(limbs={"side": {"ds": 60.0}}), reading(limbs={"side": {"ds": 20.0}}, index=1)]
    return comparison_page(compare(*readings, stents={"proximal": Stretch(0.0, 20.0)}))


def sized():
    return worksheet_page(plan(reading(), table=parse_devices(PLENTY), case=parse_case(FULL_CASE), technique="t"))


def test_the_frame_and_every_number_of_the_report_are_seen_whole(flagged, tmp_path):
    found = boxes(report_html(flagged.reading, flagged.frame), tmp_path, ".frame svg", ".number", ".doubt", ".small td")
    assert found[".frame svg"]
    assert len(found[".number"]) > 30
    assert {name: cut_off(ones) for name, ones in found.items()} == {name: [] for name in found}


def test_every_number_of_the_comparison_is_seen_whole_and_swatches_stand_beside_their_words(tmp_path):
    found = boxes(compared(), tmp_path, ".number", ".doubt", ".legend .swatch", ".legend strong")
    assert not cut_off(found[".number"])
    assert found[".doubt"]
    assert not cut_off(found[".doubt"])
    pairs = list(zip(found[".legend .swatch"], found[".legend strong"], strict=True))
    assert len(pairs) == 6
    for swatch, word in pairs:
        assert word["top"] < (swatch["top"] + swatch["bottom"]) / 2 < word["bottom"]
        assert 0 <= word["left"] - swatch["right"] < 10


def test_sizes_of_the_worksheet_are_seen_whole_in_rows_of_a_few_lines(tmp_path):
    found = boxes(sized(), tmp_path, ".sizes td", ".sizes tbody tr")
    assert not cut_off(found[".sizes td"])
    heights = [row["bottom"] - row["top"] for row in found[".sizes tbody tr"]]
    assert len(heights) > 4
    assert max(heights) < 14 * 18  # ten cells, a heading, and a few of them in two lines


def test_on_paper_tables_stay_tables(tmp_path):
    """A4 is narrower than the screens on which cells stand under cells, and takes a third page then."""
    source, printed = tmp_path / "worksheet.html", tmp_path / "worksheet.pdf"
    source.write_text(sized(), encoding="utf-8")
    subprocess.run(
        [BROWSER, "--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={tmp_path / 'profile'}",
         "--no-pdf-header-footer", f"--print-to-pdf={printed}", source.as_uri()],
        check=True, capture_output=True, timeout=120,
    )  # fmt: skip
    assert len(re.findall(rb"/Type\s*/Page\b", printed.read_bytes())) == 2
