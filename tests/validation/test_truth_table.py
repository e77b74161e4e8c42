"""A user's truth table: what it gives, and how it is refused."""

import math

import pytest

from qca.errors import InputError
from qca.phantom import random_bifurcation
from qca.phantom.files import PhantomFile, write_phantom
from qca.validation.truth_file import folder_jobs
from qca.validation.truth_table import table_jobs

HEAD = "code,file,picks,limb,mld_mm,reference_mm,lesion_length_mm,mm_per_px\n"


@pytest.fixture
def folder(tmp_path):
    for name in ("a.png", "a.json", "b.png", "b.json"):
        (tmp_path / name).write_bytes(b"x")
    return tmp_path


def written(folder, text, head=HEAD):
    path = folder / "truth.csv"
    path.write_text(head + text, encoding="utf-8")
    return path


def test_rows_of_one_frame_come_together(folder):
    jobs = table_jobs(
        written(
            folder,
            "one,a.png,a.json,proximal,1.5,3,8,0.2\none,a.png,a.json,distal,2,2.5,0,0.2\none,a.png,a.json,side,0.5,2,,0.2\n"
            "two,b.png,b.json,segment,1,2,5,\n",
        )
    )
    assert [job.name for job in jobs] == ["one", "two"]
    one = jobs[0].target
    assert one.limbs["proximal"].ds_percent == pytest.approx(50)
    assert one.medina == "1,0,1"
    assert one.limbs["distal"].place == "none"
    assert math.isnan(one.limbs["side"].lesion_length_mm)
    assert math.isnan(jobs[1].target.mm_per_px)
    assert jobs[1].target.medina is None


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "no row below its header"),
        ("x,a.png,a.json,trunk,1,2,0,\n", "limb is 'trunk'"),
        ("x,a.png,a.json,side,-1,2,0,\n", "mld_mm is -1"),
        ("x,a.png,a.json,side,1,2000,0,\n", "reference_mm is 2000"),
        ("x,a.png,a.json,side,one,2,0,\n", "mld_mm is 'one'"),
        ("x,a.png,a.json,side,nan,2,0,\n", "mld_mm is nan"),
        ("x,missing.png,a.json,side,1,2,0,\n", "file 'missing.png' is not there"),
        ("x,a.png,missing.json,side,1,2,0,\n", "picks 'missing.json' is not there"),
        ("x,a.png,a.json,side,1,2,0,\nx,a.png,a.json,side,1,2,0,\n", "side of 'x' is there twice"),
        ("x,a.png,a.json,side,1,2,0,\nx,b.png,b.json,side,1,2,0,\n", "code 'x' for two frames"),
    ],
)
def test_refusals_name_line_and_value(folder, text, message):
    with pytest.raises(InputError, match=message):
        table_jobs(written(folder, text))


def test_misspelt_and_missing_columns(folder):
    with pytest.raises(InputError, match="did you mean 'mld_mm'"):
        table_jobs(written(folder, "", "file,picks,limb,mldmm,reference_mm,lesion_length_mm\n"))
    with pytest.raises(InputError, match="lacks the column"):
        table_jobs(written(folder, "", "file,limb\n"))


def test_a_folder_of_phantoms(tmp_path):
    recipe = random_bifurcation(7)
    write_phantom(PhantomFile("seven", (recipe,)), tmp_path)
    (job,) = folder_jobs(tmp_path)
    case = job.case()
    assert case.recipe == recipe
    assert case.frame.rows == 512
    assert set(case.target.limbs) == {"proximal", "distal", "side"}
    assert case.traits["photons_per_px"] == recipe.photons_per_px
    (tmp_path / "seven.picks.json").unlink()
    with pytest.raises(InputError, match=r"needs seven\.picks\.json beside it"):
        folder_jobs(tmp_path)


def test_folders_without_truth(tmp_path):
    with pytest.raises(InputError, match=r"holds no NAME\.truth\.json"):
        folder_jobs(tmp_path)
    (tmp_path / "x.truth.json").write_text('{"schema": "other"}')
    with pytest.raises(InputError, match="is no truth file"):
        folder_jobs(tmp_path)
    with pytest.raises(InputError, match="is no folder"):
        folder_jobs(tmp_path / "none")
