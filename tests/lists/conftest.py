import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from qca.lists.frames import find_frames
from qca.lists.making import Choices, make_list
from qca.picks import Picks
from qca.settings import DEFAULT_SETTINGS
from tests.batch.fakes import made_up
from tests.store.conftest import postgresql  # noqa: F401 - a fixture

SAMPLES = Path("sample_images").resolve()


@pytest.fixture(scope="session")
def pictures(tmp_path_factory):
    """Six small frames with a name in the file's name and in its text."""
    import cv2
    import numpy as np

    folder = tmp_path_factory.mktemp("pictures")
    for number in range(6):
        pixels = np.full((32, 32), 100 + number, np.uint8)
        path = folder / f"DOE^JANE_{number}.png"
        assert cv2.imwrite(str(path), pixels)
    return folder


@pytest.fixture
def make(tmp_path, pictures):
    """Make a list in this test's folder."""

    def make_it(name="study", place=pictures, ledger=None, **choices):
        asked = Choices(**{"readers": ("R1", "R2"), "reread": 0.34, "washout_days": 0.0, "seed": "s", **choices})
        return make_list(find_frames(place), tmp_path / name, tmp_path / f"{name}-key.csv", asked, ledger=ledger)

    return make_it


@pytest.fixture
def listing(make):
    return make()


@pytest.fixture
def record(listing):
    with listing.open_ledger() as ledger:
        yield ledger


def reading_of(read, value=1.0):
    """A made-up reading of a list's frame."""
    reading = made_up(
        read.file, Picks(frame=read.frame, start=(value, 2.0), end=(9.0, 9.0), mm_per_px=0.2), DEFAULT_SETTINGS
    )
    return replace(reading, frame=replace(reading.frame, index=read.frame or 0))


def copy_samples(folder, *names):
    folder.mkdir(exist_ok=True)
    for name in names:
        for path in SAMPLES.glob(f"{name}.*"):
            shutil.copy(path, folder)
    return folder
