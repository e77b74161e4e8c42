"""Where limbs meet, from one round of the fit to the next."""

from types import SimpleNamespace

import numpy as np
import pytest

from qca.tree.meeting import meeting_point, near_traced, on_traced

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


def limb(angle, turned):
    """A limb of radius 6 px from (100, 100) on; ``turned`` gives by how many degrees it has turned at each px."""
    position = np.arange(0.0, 110.0)
    heading = np.radians(angle + turned(position))
    points = np.column_stack([np.cumsum(np.sin(heading)), np.cumsum(np.cos(heading))])
    points += 100 - points[0]

    def at(s):
        return np.column_stack([np.interp(s, position, points[:, k]) for k in (0, 1)])

    curve = SimpleNamespace(position=position, points=points, length=position[-1])
    return SimpleNamespace(curve=curve, points=at, radius=lambda s: np.full(len(s), 6.0))


def missed_by(turned):
    """How far from the truth limbs that are seen from 12 px on are taken to meet, px."""
    tree = [limb(180, turned), limb(-10, turned), limb(60, turned)]
    return float(np.linalg.norm(meeting_point(tree, [12.0, 12.0, 12.0]) - 100))


@pytest.mark.parametrize(("place", "most"), [(45.0, 1.8), (55.0, 0.6), (65.0, 0.4)])
def test_a_bend_further_out_does_not_move_the_place_where_limbs_meet(place, most):
    """30 degrees within 4 mm at 0.2 mm per px. Arcs through the first 10 mm met up to 2.6 px away."""
    assert missed_by(lambda s: 15 * (1 + np.tanh((s - place) / 8))) < most


def test_arcs_and_straight_limbs_meet_where_they_do():
    """Arcs of 25 mm radius: what is carried on from them is believed to bend a little less."""
    assert missed_by(lambda s: np.degrees(0.008) * s) < 0.8
    assert missed_by(lambda s: 0 * s) < 0.01


def test_a_kink_is_followed_where_the_centreline_is_seen():
    """50 degrees within 2 mm, 6 mm from the place where the limbs meet: no vessel is straight there."""
    assert missed_by(lambda s: 25 * (1 + np.tanh((s - 30) / 5))) < 2.5
