"""The report on paper: nothing runs off the sheet."""

import re
import shutil
import subprocess

import pytest

from qca.agreement.comparison import agree
from qca.agreement.observations import Observation
from qca.agreement.report import report_html

BROWSER = shutil.which("chromium") or shutil.which("google-chrome")
PAPER_PX = 710
"""A4 less the margins of the page, at 96 px per inch."""


@pytest.mark.skipif(BROWSER is None, reason="no Chromium here to lay a page out with")
def test_the_widest_table_fits_the_paper(tmp_path):
    values = [1.234, 2.345, 3.456, 2.9, 1.7]
    observations = [
        Observation(f"item{k}", reader, passage, limb, quantity, unit, value * factor + 0.01 * passage, 0.05)
        for reader in ("reader1", "reader2") for passage in (1, 2) for limb in ("proximal", "side")
        for quantity, unit, factor in (("mld", "mm", 1.0), ("ds", "percent", 20.0))
        for k, value in enumerate(values)
    ]  # fmt: skip
    html = report_html(agree(observations)).replace("@media print", "@media screen")
    measure = (
        "<script>document.title = 'right ' + Math.max(...[...document.querySelectorAll('td, th, svg')]"
        ".map(one => one.getBoundingClientRect().right))</script></body>"
    )
    page = tmp_path / "agreement.html"
    page.write_text(html.replace("</body>", measure), encoding="utf-8")
    done = subprocess.run(
        [BROWSER, "--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={tmp_path / 'profile'}",
         f"--window-size={PAPER_PX},1000", "--hide-scrollbars", "--dump-dom", page.as_uri()],
        check=True, capture_output=True, text=True, timeout=120,
    )  # fmt: skip
    assert float(re.search(r"<title>right ([\d.]+)", done.stdout)[1]) <= PAPER_PX
