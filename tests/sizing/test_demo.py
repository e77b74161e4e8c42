"""The shipped sample through to its worksheet: what one SD does to the verdicts, and what its pages hold."""

from __future__ import annotations

import dataclasses
import re
import shutil
import subprocess
from pathlib import Path
from types import MappingProxyType

import pytest

from qca.document import parse_reading
from qca.sizing.case import TECHNIQUE_IDS, parse_case
from qca.sizing.devices import parse_devices
from qca.sizing.html import worksheet_page
from qca.sizing.worksheet import plan

SAMPLES = Path(__file__).parents[2] / "sample_images"
TABLE = parse_devices((SAMPLES / "demo_devices.csv").read_text(encoding="utf-8"))
CASE = parse_case((SAMPLES / "demo_case.toml").read_text(encoding="utf-8"))
BROWSER = shutil.which("chromium") or shutil.which("google-chrome")


@pytest.fixture(scope="module")
def demo():
    from click.testing import CliRunner

    from ui.cli.main import cli

    picks = SAMPLES / "bifurcation.picks.json"
    measured = CliRunner().invoke(
        cli, ["measure", str(SAMPLES / "bifurcation.dcm"), "--picks", str(picks), "--json"], catch_exceptions=False
    )
    return parse_reading(measured.stdout, name="reading.json")


def moved(made, limb, quantity, sds):
    one = made.limbs[limb]
    if quantity == "ds":
        fields = {"ds_percent": one.ds_percent + sds * one.ds_sd_percent}
    else:
        names = [f"{quantity}_{unit}" for unit in ("mm", "px")]
        fields = {name: getattr(one, name) + sds * getattr(one, f"{name[:-3]}_sd{name[-3:]}") for name in names}
    limbs = MappingProxyType({**made.limbs, limb: dataclasses.replace(one, **fields)})
    return dataclasses.replace(made, limbs=limbs)


def outcomes(made):
    sheet = plan(made, table=TABLE, case=CASE)
    return sheet, {
        (result.technique.id, one.rule.id): one for result in sheet.answers for one, _ in result.rules
    } | {("lesion", one.rule.id): one for one in sheet.lesion.judgements}  # fmt: skip


@pytest.mark.parametrize("limb", ["proximal", "distal", "side"])
@pytest.mark.parametrize("quantity", ["reference", "mld", "lesion_length", "ds"])
def test_one_sd_changes_probabilities_and_not_verdicts_by_surprise(demo, limb, quantity):
    first, before = outcomes(demo)
    for sds in (-1.0, 1.0):
        second, after = outcomes(moved(demo, limb, quantity, sds))
        for one, other in zip(first.answers, second.answers, strict=True):
            assert {one.verdict, other.verdict} != {"fits", "does_not_fit"}, one.technique.id
        for key, one in before.items():
            if {one.verdict, after[key].verdict} == {"fits", "does_not_fit"}:
                # Only where the worksheet works with another stent of the table now, and it said so before: at the rule
                # itself, or beside the role's devices.
                assert one.device != after[key].device, key
                assert after[key].device in one.note or after[key].device in {
                    fit.device.label for row in first.sizes if row.need.role == one.role for fit in row.fits
                }, key


def test_the_worksheet_says_what_the_bend_of_the_main_vessel_does(demo):
    sheet, found = outcomes(demo)
    bare = found["t", "t_bare_length"]
    # At 54 degrees a straight wall leaves 1.7 mm bare, the measured bend less than the limit of 1 mm: not decided.
    assert bare.holds is False
    assert bare.verdict == "borderline"
    assert abs(sheet.geometry.bent_slant_mm) < 1.0 < sheet.geometry.slant.value


@pytest.mark.skipif(BROWSER is None, reason="no Chromium here to print a page with")
@pytest.mark.parametrize(("technique", "told"), [("double_kissing_crush", True), ("culotte_classic", True),
                                                 ("culotte_classic", False)])  # fmt: skip
def test_a_browser_prints_the_longest_worksheets_on_two_pages(demo, tmp_path, technique, told):
    table = (
        TABLE
        if told
        else parse_devices(
            "kind,label,nominal_mm,length_mm,expansion_limit_mm,cell_opening_mm,note\nstent,one,2.5,15,,,\n"
        )
    )
    made = plan(demo, table=table, case=CASE if told else parse_case(""), technique=technique)
    page = tmp_path / "worksheet.html"
    page.write_text(worksheet_page(made), encoding="utf-8")
    printed = tmp_path / "worksheet.pdf"
    subprocess.run(
        [BROWSER, "--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={tmp_path / 'profile'}",
         "--no-pdf-header-footer", f"--print-to-pdf={printed}", page.as_uri()],
        check=True, capture_output=True, timeout=120,
    )  # fmt: skip
    assert len(re.findall(rb"/Type\s*/Page\b", printed.read_bytes())) == 2


def print_layout(demo, technique):
    html = worksheet_page(plan(demo, table=TABLE, case=CASE, technique=technique))
    return float(re.search(r"--print-size: ([\d.]+)pt", html)[1]), 'class="next-page"' in html


def test_steps_begin_on_a_page_of_their_own_where_one_page_would_need_small_type(demo):
    for technique in TECHNIQUE_IDS:
        size, apart = print_layout(demo, technique)
        assert apart
        assert 7.0 <= size <= 8.0


def test_the_comparison_of_the_samples_before_and_after_agrees_with_their_truth(demo):
    import json

    from click.testing import CliRunner

    from qca.change.comparison import compare
    from ui.cli.main import cli

    name = str(SAMPLES / "bifurcation_after")
    measured = CliRunner().invoke(cli, ["measure", f"{name}.dcm", "--picks", f"{name}.picks.json", "--json"])
    found = compare(demo, parse_reading(measured.stdout, name="after.json"))
    truth = [json.loads((SAMPLES / f"{one}.truth.json").read_text(encoding="utf-8"))["limbs"]
             for one in ("bifurcation", "bifurcation_after")]  # fmt: skip
    for one in found.regions:
        if one.region == "limb":
            gain = truth[1][one.limb]["mld_mm"] - truth[0][one.limb]["mld_mm"]
            assert abs(one.acute_gain.value - gain) < 3.0 * one.acute_gain.sd, one.limb
            assert abs(one.residual.value - truth[1][one.limb]["ds_percent"]) < 4.0, one.limb


def test_the_report_gets_the_worksheet_as_a_section(demo, tmp_path):
    from click.testing import CliRunner

    from qca.document import reading_text
    from ui.cli.main import cli

    reading = tmp_path / "reading.json"
    reading.write_text(reading_text(demo), encoding="utf-8")

    def run(*more):
        return CliRunner().invoke(cli, ["plan", str(reading), *map(str, more)])

    done = run("--out", tmp_path / "out", "--frame-file", SAMPLES / "bifurcation.dcm")
    assert done.exit_code == 0
    assert {path.name for path in (tmp_path / "out").iterdir()} == {"worksheet.json", "worksheet.html", "report.html"}
    report = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "Every rule behind the techniques" in report
    other = run("--out", tmp_path / "other", "--frame-file", SAMPLES / "bifurcation_after.dcm")
    assert (other.exit_code, other.stdout) == (1, "")
    assert "is not the file that was measured" in other.stderr
    assert not (tmp_path / "other").exists()
    assert run("--frame-file", SAMPLES / "bifurcation.dcm").exit_code == 2
