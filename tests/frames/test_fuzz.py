"""A short, seeded round of ``fuzz.py``."""

from pathlib import Path

import pytest

from tests.frames.fuzz import attack, damaged, originals


@pytest.mark.parametrize("seed", [1, 2])
def test_damaged_files_end_in_a_frame_or_a_sentence(tmp_path, seed):
    outcomes, slowest = attack(tmp_path, rounds=60, seed=seed)
    assert outcomes["Frame"] > 200
    assert outcomes["InputError"] > 200
    assert slowest < 2.0


def test_the_damage_is_real_and_repeatable(tmp_path):
    import random

    for path in originals(tmp_path):
        data = path.read_bytes()
        changed = [damaged(data, random.Random(n)) for n in range(50)]  # noqa: S311
        assert sum(one != data for one in changed) > 40
        assert changed[7] == damaged(data, random.Random(7))  # noqa: S311
    assert Path(tmp_path, "rle.dcm").exists()
