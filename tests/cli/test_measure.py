"""qca measure and qca demo: what they print, what they write, and what they refuse."""

from __future__ import annotations

import csv
import html
import io
import json
import re
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest

import qca as qca_package
from qca.document import reading_schema
from qca.picks_file import picks_to_json, read_picks
from ui.cli.samples import sample

IMAGE, PICKS_FILE = sample("bifurcation")
PICKS = read_picks(PICKS_FILE)
FILES = ["overlay.png", "profile.csv", "reading.json", "report.html"]


def comma(point):
    return f"{point[0]},{point[1]}"


def typed(picks=PICKS, **changes):
    """The options that say the same as the picks file; ``changes`` replaces or (None) drops options."""
    options = {f"--{name}": [comma(getattr(picks, name))] for name in ("proximal", "distal", "side")}
    if picks.frame is not None:
        options["--frame"] = [str(picks.frame)]
    options["--catheter"] = [comma(point) for point in picks.catheter]
    for name in ("french", "catheter_mm"):
        if getattr(picks, name) is not None:
            options["--" + name.replace("_", "-")] = [str(getattr(picks, name))]
    for name, value in changes.items():
        option = "--" + name.replace("_", "-")
        options.pop(option, None)
        if value is not None:
            options[option] = value if isinstance(value, list) else [str(value)]
    return [part for option, values in options.items() for part in (option, *values)]


def everything(folder):
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*"))


def one_sentence(err):
    lines = err.strip().splitlines()
    assert len(lines) == 1, err
    assert lines[0].startswith("qca: ")
    assert lines[0].endswith((".", "?"))
    assert "Traceback" not in err
    return lines[0]


@pytest.fixture(scope="module")
def printed():
    """What the installed command prints for the sample."""
    run = subprocess.run(
        [sys.executable, "-m", "ui.cli", "measure", str(IMAGE), "--picks", str(PICKS_FILE), "--json"],
        check=True,
        capture_output=True,
        text=True,
    )
    assert run.stderr == ""
    return run.stdout


@pytest.fixture
def document(printed):
    return json.loads(printed)


def test_json_prints_the_reading_and_nothing_else(document):
    jsonschema.validate(document, reading_schema(), jsonschema.Draft202012Validator)
    assert document["schema"] == "qca.reading/1"
    assert document["caution"] == qca_package.CAUTION
    assert document["frame"]["file"] == IMAGE.name
    assert list(document["limbs"]) == ["proximal", "distal", "side"]


def test_the_sample_reads_near_its_truth(document):
    # the truth is the phantom's own geometry, which the estimator never sees; limits: five standard deviations
    truth = json.loads(IMAGE.with_name("bifurcation.truth.json").read_text(encoding="utf-8"))
    for name, limb in document["limbs"].items():
        true = truth["limbs"][name]
        for key in ("mld", "reference"):
            assert abs(limb[f"{key}_mm"] - true[f"{key}_mm"]) < 5 * limb[f"{key}_sd_mm"], (name, key)


def test_typed_picks_say_the_same_as_the_file(qca, document):
    code, out, err = qca("measure", IMAGE, *typed(), "--json")
    assert (code, err) == (0, "")
    again = json.loads(out)
    given = {key: value for key, value in again["picks"].items() if value != document["picks"][key]}
    assert not given
    assert again["limbs"] == document["limbs"]


def test_the_same_call_gives_the_same_bytes_in_another_process(qca, printed):
    assert qca("measure", IMAGE, "--picks", PICKS_FILE, "--json") == (0, printed, "")


def test_a_reading_can_be_measured_again_from_itself(qca, document, tmp_path):
    (tmp_path / "reading.json").write_text(json.dumps(document), encoding="utf-8")
    _, out, _ = qca("measure", IMAGE, "--picks", tmp_path / "reading.json", "--json")
    assert json.loads(out) == document


def test_the_table_is_the_default(qca, document):
    code, out, err = qca("measure", IMAGE, "--picks", PICKS_FILE)
    assert (code, err) == (0, "")
    for limb in document["limbs"].values():
        assert f"{limb['mld_mm']:.2f}" in out
    assert document["medina"]["code"] in out
    assert " ".join(qca_package.CAUTION.split()) in " ".join(out.split())


def test_out_writes_four_files(qca, document, tmp_path):
    folder = tmp_path / "deep" / "down"
    code, out, err = qca("measure", IMAGE, "--picks", PICKS_FILE, "--out", folder, "--json")
    assert code == 0
    assert everything(folder) == FILES
    assert json.loads(out) == document
    assert (folder / "reading.json").read_text(encoding="utf-8") == out
    assert [line for line in err.splitlines() if not line.startswith("written: ")] == []
    assert (folder / "overlay.png").read_bytes().startswith(b"\x89PNG\r\n")
    page = html.unescape((folder / "report.html").read_text(encoding="utf-8"))
    assert qca_package.CAUTION in re.sub(r"\s+", " ", page)
    rows = list(csv.DictReader(io.StringIO((folder / "profile.csv").read_text(encoding="utf-8"))))
    assert len(rows) == sum(len(limb["profile"]["position_px"]) for limb in document["limbs"].values())


def test_options_win_over_the_picks_file(qca):
    code, out, _ = qca("measure", IMAGE, "--picks", PICKS_FILE, "--mm-per-px", 0.25, "--mm-per-px-sd", 0.005, "--json")
    assert code == 0
    picks = json.loads(out)["picks"]
    assert (picks["mm_per_px"], picks["mm_per_px_sd"], picks["catheter"], picks["french"]) == (0.25, 0.005, None, None)
    assert json.loads(out)["scale"]["mm_per_px"] == 0.25


def test_a_setting_is_changed_and_recorded(qca):
    code, out, _ = qca("measure", IMAGE, "--picks", PICKS_FILE, "--set", "medina_threshold_percent=70", "--json")
    assert code == 0
    assert json.loads(out)["settings"]["medina_threshold_percent"] == 70
    assert json.loads(out)["medina"]["threshold_percent"] == 70


def test_without_a_scale_the_reading_is_in_pixels_and_says_so(qca):
    code, out, _ = qca("measure", IMAGE, *typed(catheter=None, french=None, catheter_mm=None), "--json")
    assert code == 0
    reading = json.loads(out)
    assert reading["scale"] is None
    assert any("scale" in flag["code"] for flag in reading["flags"])
    for limb in reading["limbs"].values():
        assert all(value is None for key, value in limb.items() if key.endswith("_mm"))
        assert limb["mld_px"] > 0
        assert limb["ds_percent"] is not None
        assert set(limb["profile"]["diameter_mm"]) <= {None}


def test_a_segment_is_measured_alone(qca):
    picks = PICKS
    points = ("--start", comma(picks.proximal), "--end", comma(picks.distal))
    code, out, err = qca("measure", IMAGE, "--frame", picks.frame or 0, *points, "--json")
    assert code == 0, err
    assert list(json.loads(out)["limbs"]) == ["segment"]
    assert json.loads(out)["angles_deg"] is None
    assert json.loads(out)["medina"] is None


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ([], "give --proximal, --distal and --side for a bifurcation, --start and --end for a segment, or --picks."),
        (["--proximal", "1,2"], "--distal and --side are missing."),
        (["--start", "1,2"], "--end is missing."),
        (["--start", "1,2", "--side", "3,4"], "--side (a bifurcation) and --start (a segment) exclude each other."),
        ([*typed(french=6, catheter_mm=2)], "--french and --catheter-mm exclude each other."),
        ([*typed(), "--mm-per-px", "0.2"], "exclude each other."),
        ([*typed(catheter=None), "--scale", "header", "--mm-per-px", "0.2"], "exclude each other."),
        (["--proximal", "12"], "'12' is not a point; write column,row without a space, such as 211.5,96."),
        (["--proximal", "a,b"], "'a,b' is not a point"),
        (["--scale", "guess"], "'guess' is not 'header'"),
        (["--catheter", "1,2"], "requires 2 arguments"),
        (["--french", "six"], "'six' is not a valid float"),
        ([*typed(), "--set", "medina_treshold_percent=70"], "did you mean 'medina_threshold_percent'?"),
        (
            [*typed(), "--set", "angle_chord_mm"],
            "lacks its value: write angle_chord_mm=VALUE, such as angle_chord_mm=5.0",
        ),
        ([*typed(), "--set", "medina_threshold_percent=many"], "the value must be like 50.0"),
        ([*typed(), "--set", "medina_threshold_percent=nan"], "the value must be like 50.0"),
        ([*typed(), "--set", "medina_threshold_percent=500"], "medina_threshold_percent is 500: it can be 1 to 99"),
        ([*typed(), "--set", "pick_radius_px=-3"], "pick_radius_px is -3: it can be 1 to 50"),
        ([*typed(), "--start", "1,2"], "--proximal, --distal, --side (a bifurcation) and --start (a segment) exclude"),
        ([*typed(), "--out", ""], "the folder's name is empty"),
    ],
)
def test_wrong_usage_is_exit_code_2(qca, arguments, message):
    code, out, err = qca("measure", IMAGE, *arguments)
    assert (code, out) == (2, "")
    assert message in err
    assert "Traceback" not in err


BAD_INPUT = {
    "a catheter of 0 F": (typed(catheter_mm=None, french=0), "french is 0"),
    "a catheter of -6 F": (typed(catheter_mm=None, french=-6), "french is -6"),
    "a catheter of 60 F": (typed(catheter_mm=None, french=60), "60"),
    "a catheter of NaN": (typed(catheter_mm=None, french="nan"), "french is nan"),
    "a catheter of 0 mm": (typed(french=None, catheter_mm=0), "catheter_mm is 0"),
    "a catheter of 20 mm": (typed(french=None, catheter_mm=20), "20"),
    "a scale of 0": (typed(catheter=None, french=None, catheter_mm=None, mm_per_px=0), "mm_per_px is 0"),
    "a scale of NaN": (typed(catheter=None, french=None, catheter_mm=None, mm_per_px="nan"), "mm_per_px is nan"),
    "an infinite scale": (typed(catheter=None, french=None, catheter_mm=None, mm_per_px="inf"), "mm_per_px is inf"),
    "a scale of 1e9": (typed(catheter=None, french=None, catheter_mm=None, mm_per_px=1e9), "1e+09 mm per px"),
    "px per mm": (typed(catheter=None, french=None, catheter_mm=None, mm_per_px=4.9), "that it is not px per mm"),
    "a point that is NaN": (typed(side="nan,100"), "side is nan"),
    "a point outside": (typed(side="5000,100"), "5000"),
    "a point left of the frame": (typed(side="-7,100"), "-7"),
    "a point of 1e300": (typed(side="1e300,100"), "1e+300"),
    "points on one spot": (typed(side=comma(PICKS.distal)), "side"),
    "a catheter on one spot": (typed(catheter=[comma(PICKS.catheter[0])] * 2), "catheter"),
    "a catheter outside": (typed(catheter=["10,10", "10,9000"]), "9000"),
    "no such frame": (typed(frame=4000), "4000"),
    "a negative frame": (typed(frame=-1), "-1"),
    "a size without a catheter": (typed(catheter=None), "without the two points"),
    "a catheter without a size": (typed(french=None, catheter_mm=None), "size is missing"),
    "an outer size for a lumen": ([*typed(catheter_mm=None, french=6), "--filled-lumen"], "is an outer size"),
    "no such picks file": (["--picks", "no-such.json"], "no-such.json"),
}


@pytest.mark.parametrize("case", BAD_INPUT)
def test_bad_input_is_one_sentence_and_exit_code_1(qca, case, tmp_path):
    arguments, value = BAD_INPUT[case]
    code, out, err = qca("measure", IMAGE, *arguments, "--out", tmp_path / "out", "--json")
    assert (code, out) == (1, "")
    assert value in one_sentence(err)
    assert everything(tmp_path) == []


FILES_THAT_ARE_NONE = {
    "missing": None,
    "empty": b"",
    "text": b"not an image\n" * 40,
    "half a sample": IMAGE.read_bytes()[: len(IMAGE.read_bytes()) // 2],
    "the start of a sample": IMAGE.read_bytes()[:200],
    "a PNG signature alone": b"\x89PNG\r\n\x1a\n",
    "a DICOM signature alone": b"\x00" * 128 + b"DICM",
}


@pytest.mark.parametrize("case", FILES_THAT_ARE_NONE)
def test_a_file_that_is_no_frame_is_one_sentence_and_exit_code_1(qca, case, tmp_path):
    file = tmp_path / "frame.bin"
    if FILES_THAT_ARE_NONE[case] is not None:
        file.write_bytes(FILES_THAT_ARE_NONE[case])
    before = everything(tmp_path)
    code, out, err = qca("measure", file, *typed(), "--out", tmp_path / "out")
    assert (code, out) == (1, "")
    assert "frame.bin" in one_sentence(err)
    assert everything(tmp_path) == before


def test_a_folder_is_no_frame(qca, tmp_path):
    code, out, err = qca("measure", tmp_path, *typed())
    assert (code, out) == (1, "")
    one_sentence(err)


@pytest.mark.parametrize(
    "content", [b"", b"{", b'{"proximal": [1, NaN]}', b'{"proximal": "1,2"}', b'{"proximl": [1, 2]}', b"\xff\xfe"]
)
def test_a_broken_picks_file_is_one_sentence_and_exit_code_1(qca, tmp_path, content):
    (tmp_path / "p.json").write_bytes(content)
    code, out, err = qca("measure", IMAGE, "--picks", tmp_path / "p.json")
    assert (code, out) == (1, "")
    assert "p.json" in one_sentence(err)


def test_incomplete_picks_are_one_sentence(qca, tmp_path):
    picks = picks_to_json(PICKS, only_given=True)
    del picks["side"]
    (tmp_path / "p.json").write_text(json.dumps(picks))
    code, _, err = qca("measure", IMAGE, "--picks", tmp_path / "p.json")
    assert code == 1
    assert "lack side" in one_sentence(err)


def test_a_file_where_the_folder_should_be(qca, tmp_path):
    (tmp_path / "taken").write_text("mine")
    for folder in (tmp_path / "taken", tmp_path / "taken" / "deeper"):
        code, out, err = qca("measure", IMAGE, *typed(), "--out", folder)
        assert (code, out) == (1, "")
        assert "taken" in one_sentence(err)
    assert everything(tmp_path) == ["taken"]
    assert (tmp_path / "taken").read_text() == "mine"


def test_a_folder_that_cannot_be_written(qca):
    # /proc takes no files, not even root's
    if not Path("/proc/self").is_dir():
        pytest.skip("needs Linux's /proc")
    code, out, err = qca("measure", IMAGE, *typed(), "--out", "/proc/self/results")
    assert (code, out) == (1, "")
    assert "Cannot write into /proc/self/results" in one_sentence(err)


def test_a_disk_that_fills_up_leaves_the_old_results(qca, tmp_path, monkeypatch):
    folder = tmp_path / "out"
    folder.mkdir()
    (folder / "reading.json").write_text("the old reading")
    written = []

    def full(path, content):
        written.append(path)
        path.write_bytes(b"half")
        if len(written) == 3:
            raise OSError(28, "No space left on device")

    monkeypatch.setattr("qca.whole_file._write_flushed", full)
    code, out, err = qca("measure", IMAGE, *typed(), "--out", folder)
    assert (code, out) == (1, "")
    assert "No space left on device" in one_sentence(err)
    assert everything(folder) == ["reading.json"]
    assert (folder / "reading.json").read_text() == "the old reading"


def test_the_demo_measures_the_sample_and_says_where_the_results_are(qca, document, tmp_path):
    code, out, err = qca("demo", "--out", tmp_path / "demo")
    assert (code, err) == (0, "")
    for name in [*FILES, "worksheet.html", "worksheet.json"]:
        assert str(tmp_path / "demo" / name) in out
        assert (tmp_path / "demo" / name).exists()
    assert str(IMAGE) in out
    assert json.loads((tmp_path / "demo" / "reading.json").read_text(encoding="utf-8")) == document


def test_the_demo_without_samples_is_one_sentence(qca, tmp_path, monkeypatch):
    monkeypatch.setattr("ui.cli.samples.samples_folder", lambda: tmp_path)
    code, out, err = qca("demo", "--out", tmp_path / "demo")
    assert (code, out) == (1, "")
    assert "'bifurcation' is not complete" in one_sentence(err)
