"""``qca validate`` from the command line."""

import csv
import html
import json

import pytest

from qca import CAUTION
from qca.phantom import random_bifurcation
from qca.phantom.files import PhantomFile, write_phantom


@pytest.fixture(scope="module")
def frames(tmp_path_factory):
    folder = tmp_path_factory.mktemp("frames")
    write_phantom(PhantomFile("<b>one", (random_bifurcation(5),)), folder)
    write_phantom(PhantomFile("two", (random_bifurcation(6),)), folder)
    return folder


def test_a_folder_gives_page_document_and_values(qca, frames, tmp_path):
    code, out, _ = qca("validate", frames, "--workers", 1, "--out", tmp_path / "v", "--json")
    assert code == 0
    document = json.loads(out)
    assert document == json.loads((tmp_path / "v" / "validation.json").read_text())
    assert document["schema"] == "qca.validation/1"
    assert document["caution"] == CAUTION
    assert document["frames"] == 2
    mld = document["statistics"]["joint fit"]["mld_mm"]["all"]
    rows = list(csv.DictReader((tmp_path / "v" / "values.csv").read_text().splitlines()))
    ours = [row for row in rows if row["method"] == "joint fit" and row["quantity"] == "mld_mm"]
    assert mld["n"] == len(ours) == 6
    errors = [float(row["measured"]) - float(row["truth"]) for row in ours]
    assert mld["bias"] == pytest.approx(sum(errors) / 6)
    page = (tmp_path / "v" / "validation.html").read_text()
    assert CAUTION in html.unescape(page)
    assert "<b>" not in page
    assert page.count("<svg") >= 8
    assert "http://" not in page.replace("http://www.w3.org/2000/svg", "")
    assert "https://" not in page


def test_numbers_do_not_depend_on_the_number_of_processes():
    from qca.validation.job import drawn_jobs
    from qca.validation.run import run

    jobs = drawn_jobs(2, 11)
    one = run(jobs, workers=1)
    two = run(jobs, workers=2)
    assert repr(one.values) == repr(two.values)  # repr, because NaN differs from itself
    assert one.traits == two.traits


def test_real_vessels_and_the_section_of_a_page(qca, tmp_path, monkeypatch):
    from qca.validation import real_vessels, retina

    few = (retina.SITES[0], retina.SITES[12])
    monkeypatch.setattr(real_vessels.measure_sites, "__kwdefaults__", {"sites": few, "workers": None, "progress": None})
    page = tmp_path / "README.md"
    page.write_text("above\n<!-- accuracy:begin -->\nold\n<!-- accuracy:end -->\nbelow\n")
    arguments = (
        "validate",
        "--count",
        1,
        "--seed",
        3,
        "--repeats",
        2,
        "--workers",
        1,
        "--out",
        tmp_path / "v",
        "--into",
        page,
    )
    code, out, err = qca(*arguments)
    assert code == 0, err
    assert "Shares" in out
    assert CAUTION in out
    text = page.read_text()
    assert text.startswith("above\n")
    assert text.endswith("below\n")
    assert "old" not in text
    assert "`qca validate --count 1 --seed 3 --repeats 2`" in text
    assert "Real vessels" in text
    report = (tmp_path / "v" / "validation.html").read_text()
    assert "upper right fork" in report
    assert "data:image/png;base64," in report


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("missing.csv",), "Cannot read missing.csv"),
        (("--count", 0, "--repeats", 0, "--into", "missing.md"), "Cannot read missing.md"),
    ],
)
def test_bad_input_is_one_sentence(qca, tmp_path, monkeypatch, arguments, message):
    monkeypatch.chdir(tmp_path)
    code, out, err = qca("validate", *arguments)
    assert code == 1
    assert message in err
    assert not out
    assert "Traceback" not in err


def test_a_page_without_markers_is_refused(qca, tmp_path):
    page = tmp_path / "page.md"
    page.write_text("nothing here")
    code, _, err = qca("validate", "--count", 0, "--repeats", 0, "--into", page)
    assert code == 1
    assert "accuracy:begin" in err
    assert page.read_text() == "nothing here"


def test_an_unwritable_folder_is_refused_before_measuring(qca, tmp_path):
    (tmp_path / "file").write_text("")
    code, _, err = qca("validate", "--count", 100000, "--out", tmp_path / "file")
    assert code == 1
    assert "is a file" in err


def test_json_and_markdown_exclude_each_other(qca):
    assert qca("validate", "--json", "--markdown")[0] == 2
