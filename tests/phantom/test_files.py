"""Files: PNG and DICOM read back, the validator, the samples' hashes, the command."""

from __future__ import annotations

import hashlib
import io
import json
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import click.testing
import numpy as np
import pytest

from qca.phantom import DIFFICULTIES, random_bifurcation, render
from qca.phantom.cine import filling_run
from qca.phantom.files import PhantomFile, file_contents, png_bytes
from qca.phantom.grey import stored_values
from qca.phantom.recipe import Grey
from qca.phantom.render import render_pixels
from qca.phantom.samples import MANIFEST, build
from qca.phantom.xa_file import XaHeader, xa_bytes
from ui.cli.main import cli

SAMPLES = Path(__file__).parents[2] / "sample_images"

validator = pytest.mark.skipif(shutil.which("dciodvfy") is None, reason="dciodvfy (dicom3tools) is not here")


def complaints(path):
    """Errors and warnings of dciodvfy (Debian package dicom3tools), which checks against PS3.3."""
    found = subprocess.run(["dciodvfy", str(path)], capture_output=True, text=True, check=False)
    lines = (found.stdout + found.stderr).splitlines()
    assert any("XAImage" in line for line in lines)
    return [line for line in lines if line.startswith(("Error", "Warning"))]


@pytest.fixture(scope="module")
def small():
    recipe = random_bifurcation(11, bits=(12,))
    return replace(recipe, rows=128, columns=160, mm_per_px=recipe.mm_per_px * 4)


@pytest.mark.parametrize("bits", [8, 12, 16])
def test_png_reads_back(bits):
    from PIL import Image

    pixels = stored_values(np.random.default_rng(1).uniform(0, 1.6, (37, 300)), Grey(bits=bits))
    with Image.open(io.BytesIO(png_bytes(pixels, bits))) as image:
        assert image.mode == ("L" if bits == 8 else "I;16")
        np.testing.assert_array_equal(np.asarray(image), pixels)


@validator
@pytest.mark.dicom3tools
@pytest.mark.parametrize("mapping", ["linear", "log", "gamma", "sigmoid"])
@pytest.mark.parametrize("bits", [8, 10, 12, 16])
def test_validator_has_nothing_to_say(small, tmp_path, mapping, bits):
    recipe = replace(small, grey=Grey(bits=bits, mapping=mapping))
    path = tmp_path / "one.dcm"
    path.write_bytes(xa_bytes([render_pixels(recipe)], recipe))
    assert complaints(path) == []


@validator
@pytest.mark.dicom3tools
@pytest.mark.parametrize("compressed", [False, True])
def test_validator_has_nothing_to_say_about_a_run(small, tmp_path, compressed):
    frames = filling_run(small, count=4, frames_per_beat=4, diastole=3, mm_per_frame=20.0)
    header = XaHeader(primary_angle_deg=-30, secondary_angle_deg=20, r_waves=(1, 4), compressed=compressed)
    path = tmp_path / "run.dcm"
    path.write_bytes(xa_bytes([render_pixels(frame) for frame in frames], small, header))
    assert complaints(path) == []


@validator
@pytest.mark.dicom3tools
def test_validator_would_have_complained(small, tmp_path):
    # the check can fail: without the tube's voltage the file breaks PS3.3 C.8.7.2
    import pydicom

    dataset = pydicom.dcmread(io.BytesIO(xa_bytes([render_pixels(small)], small)))
    del dataset.KVP
    path = tmp_path / "bad.dcm"
    dataset.save_as(path)
    assert any("KVP" in line for line in complaints(path))


@validator
@pytest.mark.dicom3tools
def test_validator_has_nothing_to_say_about_the_samples():
    files = sorted(SAMPLES.glob("*.dcm"))
    assert len(files) >= 5
    for path in files:
        assert complaints(path) == [], path.name


@pytest.mark.parametrize("compressed", [False, True])
@pytest.mark.parametrize("bits", [8, 12, 16])
def test_dicom_decodes_to_the_rendered_values(small, bits, compressed):
    import gdcm  # noqa: F401 - python-gdcm decodes JPEG lossless for pydicom, apart from the encoder used here
    import pydicom

    recipe = replace(small, grey=Grey(bits=bits))
    frames = [render_pixels(replace(recipe, take=take)) for take in range(3)]
    data = xa_bytes(frames, recipe, XaHeader(compressed=compressed))
    dataset = pydicom.dcmread(io.BytesIO(data))
    np.testing.assert_array_equal(dataset.pixel_array, np.stack(frames))
    assert dataset.BitsStored == bits
    expected = "1.2.840.10008.1.2.4.70" if compressed else "1.2.840.10008.1.2.1"
    assert dataset.file_meta.TransferSyntaxUID == expected
    assert data == xa_bytes(frames, recipe, XaHeader(compressed=compressed))


def test_header_gives_the_scale_back(small):
    import pydicom

    dataset = pydicom.dcmread(io.BytesIO(xa_bytes([render_pixels(small)], small)))
    # PS3.3 C.8.7.5: magnification is source to detector over source to patient; isocentre plane
    magnification = dataset.DistanceSourceToDetector / dataset.DistanceSourceToPatient
    assert float(dataset.EstimatedRadiographicMagnificationFactor) == pytest.approx(magnification)
    assert float(dataset.ImagerPixelSpacing[0]) / magnification == pytest.approx(small.mm_per_px, rel=1e-5)
    assert "PixelSpacing" not in dataset
    assert dataset.PatientName == "Phantom^Synthetic"


def test_modality_table_leads_back_to_intensity(small):
    import pydicom
    from pydicom.pixels import apply_modality_lut

    recipe = replace(small, grey=Grey(bits=12, mapping="log", background_level=0.7, log_span=0.3))
    linear = replace(small, grey=Grey(bits=16))
    dataset = pydicom.dcmread(io.BytesIO(xa_bytes([render_pixels(recipe)], recipe)))
    intensity = apply_modality_lut(dataset.pixel_array, dataset).astype(float)
    expected = render_pixels(linear).astype(float)
    ratio = intensity / expected
    np.testing.assert_allclose(ratio / np.median(ratio), 1, atol=4e-3)


def test_our_reader_reads_them(small, tmp_path):
    from qca.frames import open_frame
    from qca.picks_file import read_picks

    frames = filling_run(small, count=3, frames_per_beat=4, diastole=2, mm_per_frame=40.0)
    phantom = PhantomFile("run", frames, "dicom", picked=2, header=XaHeader(compressed=True))
    for name, content in file_contents(phantom).items():
        (tmp_path / name).write_bytes(content)
    picks = read_picks(tmp_path / "run.picks.json")
    assert picks.frame == 2
    frame = open_frame(tmp_path / "run.dcm", index=picks.frame)
    np.testing.assert_array_equal(frame.pixels, render_pixels(frames[2]))
    truth = json.loads((tmp_path / "run.truth.json").read_text())
    assert truth["file"] == "run.dcm"
    assert truth["frame"] == 2


def test_what_dicom_cannot_say(small):
    pixels = [render_pixels(small)]
    with pytest.raises(ValueError, match="8, 10, 12 or 16 bits, not 9"):
        xa_bytes(pixels, replace(small, grey=Grey(bits=9)))
    with pytest.raises(ValueError, match="cannot say that its grey values are inverted"):
        xa_bytes(pixels, replace(small, grey=Grey(bits=8, inverted=True)))
    with pytest.raises(ValueError, match="r_waves must be frame numbers from 1 to 2"):
        xa_bytes(pixels * 2, small, XaHeader(r_waves=(3,)))


def test_several_frames_in_a_png(small):
    with pytest.raises(ValueError, match="a PNG holds one frame, not 2"):
        file_contents(PhantomFile("x", (small, small), "png"))
    with pytest.raises(ValueError, match="picked must lie between 0 and 0"):
        file_contents(PhantomFile("x", (small,), "png", picked=1))


def test_vessels_fill_and_the_beat_returns(small):
    frames = filling_run(small, count=9, frames_per_beat=8, diastole=8, mm_per_frame=12.0)
    dark = [render_pixels(replace(frame, photons_per_px=float("inf"))).astype(float).sum() for frame in frames]
    assert dark[0] > dark[4] > dark[8]
    assert frames[8].limbs == small.limbs
    assert frames[8].branching_point_mm == pytest.approx(small.branching_point_mm)
    assert frames[8].front_mm is None
    assert frames[0].branching_point_mm == pytest.approx(small.branching_point_mm)
    turn = frames[4].limbs[0].path.direction_deg - small.limbs[0].path.direction_deg
    assert turn == pytest.approx(3.0)


def test_samples_rebuild_to_the_byte(tmp_path):
    manifest = json.loads((SAMPLES / MANIFEST).read_text())
    written = build(tmp_path)
    shipped = {path.name for path in SAMPLES.iterdir() if path.suffix in {".dcm", ".png"}}
    assert {path.name for path in written if path.suffix in {".dcm", ".png"}} == shipped
    for sample in manifest["samples"]:
        for name, expected in sample["sha256"].items():
            assert hashlib.sha256((tmp_path / name).read_bytes()).hexdigest() == expected, name
            assert hashlib.sha256((SAMPLES / name).read_bytes()).hexdigest() == expected, name
    assert (tmp_path / MANIFEST).read_bytes() == (SAMPLES / MANIFEST).read_bytes()
    assert sum(path.stat().st_size for path in written) < 12e6


def run(*arguments):
    return click.testing.CliRunner().invoke(cli, ["phantom", *arguments])


def test_command_writes_frames_truth_picks_and_a_list(tmp_path):
    out = tmp_path / "made"
    result = run("--out", str(out), "--count", "2", "--seed", "5", "--photons", "900", "--bits", "8")
    assert result.exit_code == 0, result.output
    assert sorted(path.name for path in out.iterdir()) == [
        "list.csv",
        *(f"phantom_00000{seed}.{end}" for seed in (5, 6) for end in ("picks.json", "png", "truth.json")),
    ]
    truth = json.loads((out / "phantom_000005.truth.json").read_text())
    assert truth["recipe"]["photons_per_px"] == pytest.approx(900)
    lines = (out / "list.csv").read_text().splitlines()
    assert lines[0].startswith("code,file,frame,proximal,distal,side,start,end,catheter_a,catheter_b,french")
    assert len(lines) == 3
    again = tmp_path / "again"
    # the truth's recipe renders the same bytes
    result = run("--out", str(again), "--recipe", str(out / "phantom_000005.truth.json"))
    assert result.exit_code == 0, result.output
    assert (again / "phantom_000005.png").read_bytes() == (out / "phantom_000005.png").read_bytes()


def test_command_offers_every_difficulty():
    from ui.cli.phantom import _DIFFICULTIES

    assert _DIFFICULTIES == DIFFICULTIES


@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        ((), 2, "--out DIR"),
        (("--out", "x", "--frames", "3"), 2, "--format dicom"),
        (("--out", "x", "--kind", "segment", "--difficulty", "log"), 2, "--kind bifurcation"),
        (("--out", "x", "--photons", "-3"), 2, "--photons"),
        (("--out", "x", "--size", "128"), 1, "No room for limbs and catheter"),
        (("--out", "x", "--recipe", "nowhere.json"), 1, "nowhere.json"),
        (("--out", "/proc/no/such"), 1, "Cannot write into /proc/no/such"),
    ],
)
def test_wrong_use(tmp_path, monkeypatch, arguments, code, message):
    monkeypatch.chdir(tmp_path)
    result = run(*arguments)
    assert result.exit_code == code
    assert message in result.output
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"mm_per_px": -1}, "mm_per_px must lie between"),
        ({"limbs": []}, "without limbs"),
        ({"rows": 10**9}, "rows must lie between"),
        ({"colour": 1}, "colour"),
        ({"kind": "trifurcation"}, "kind"),
    ],
)
def test_forged_recipes(tmp_path, change, message):
    recipe = render(random_bifurcation(2)).truth.to_json()["recipe"]
    path = tmp_path / "forged.json"
    path.write_text(json.dumps(recipe | change))
    result = run("--out", str(tmp_path / "x"), "--recipe", str(path))
    assert result.exit_code == 1
    assert message in result.output
    assert not (tmp_path / "x").exists()
