"""Where limbs meet, from one round of the fit to the next."""

from types import SimpleNamespace

import numpy as np
import pytest

from qca.tree.meeting import near_traced, on_traced

TRACED = np.array([50.0, 60.0])


def limbs(*radii):
    """A fit of straight limbs of these radii."""
    curve = SimpleNamespace(position=np.arange(40.0))
    made = [SimpleNamespace(curve=curve, radius=lambda s, r=r: np.full(len(s), r)) for r in radii]
    return SimpleNamespace(limbs=made)


@pytest.mark.parametrize(("away", "left"), [((3.0, 4.0), 5.0), ((9.6, 12.8), 16.0), ((24.0, 32.0), 16.0)])
def test_the_meeting_point_stays_within_a_vessels_width_of_the_traced_one(away, left):
    meeting = near_traced(limbs(8.0, 6.0, 5.0), TRACED + away, TRACED)
    assert meeting - TRACED == pytest.approx(np.array(away) * left / np.linalg.norm(away))


@pytest.mark.parametrize(("aside", "left"), [(3.0, 3.0), (8.0, 8.0), (30.0, 8.0)])
def test_where_a_path_strayed_the_meeting_point_stays_in_a_lumen_that_was_seen(aside, left):
    """Straight lines from behind a lesion may cross in the background, far from every vessel."""
    paths = np.column_stack([np.arange(20.0, 90.0), np.full(70, 60.0)])
    meeting = on_traced(limbs(8.0, 6.0, 5.0), np.array([44.0, 60.0 + aside]), paths)
    assert meeting == pytest.approx([44.0, 60.0 + left])
