"""Paths on costs small enough to see the answer."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra

from qca.tree.fork import meeting_paths
from qca.tree.halved import halved
from qca.tree.path import ridge_cost, ridge_costs, shortest_path, snap


def length_of(path, cost):
    """Cost of a path: the mean cost of two neighbours times their distance."""
    at = path.astype(int)
    steps = np.hypot(*np.diff(at, axis=0).T)
    values = cost[at[:, 0], at[:, 1]]
    return float((steps * (values[1:] + values[:-1]) / 2).sum())


def graph_length(cost, start, end):
    """The same by scipy.sparse.csgraph.dijkstra on the eight-neighbour graph."""
    rows, cols = cost.shape
    number = np.arange(rows * cols).reshape(rows, cols)
    a, b, w = [], [], []
    for dr, dc in ((0, 1), (1, 0), (1, 1), (1, -1)):
        here = (slice(0, rows - dr), slice(max(-dc, 0), cols - max(dc, 0)))
        there = (slice(dr, rows), slice(max(dc, 0), cols + min(dc, 0)))
        a.append(number[here].ravel())
        b.append(number[there].ravel())
        w.append(np.hypot(dr, dc) * (cost[here] + cost[there]).ravel() / 2)
    graph = coo_array((np.concatenate(w), (np.concatenate(a), np.concatenate(b))), shape=(cost.size, cost.size))
    return dijkstra(graph.tocsr(), directed=False, indices=number[start])[number[end]]


@examples(max_examples=30)
@given(st.integers(0, 2**32 - 1))
def test_shortest_path_against_dijkstra(seed):
    rng = np.random.default_rng(seed)
    cost = rng.uniform(0.1, 5.0, (14, 19))
    start, end = np.array([rng.integers(14), rng.integers(19)]), np.array([rng.integers(14), rng.integers(19)])
    path = shortest_path(cost, start, end)
    assert tuple(path[0]) == tuple(start)
    assert tuple(path[-1]) == tuple(end)
    assert (np.abs(np.diff(path, axis=0)) <= 1).all()
    assert length_of(path, cost) == pytest.approx(graph_length(cost, tuple(start), tuple(end)))


def test_three_paths_meet_at_the_junction_of_a_t():
    cost = np.full((61, 81), 50.0)
    cost[30, :] = 1.0
    cost[30:, 52] = 1.0
    paths = meeting_paths([cost] * 3, np.array([[30, 2], [30, 78], [58, 52]]))
    for path, end in zip(paths, ((30, 2), (30, 78), (58, 52)), strict=True):
        assert path[0] == pytest.approx([30, 52], abs=3)  # pixels twice as large, corners cut by a diagonal step
        assert path[-1] == pytest.approx(end, abs=1.5)
        assert np.abs(np.diff(path, axis=0)).max() <= 2
    np.testing.assert_array_equal(paths[0][0], paths[1][0])
    np.testing.assert_array_equal(paths[0][0], paths[2][0])


def test_cost_is_low_on_the_picked_ridge_and_high_where_nothing_may_be_measured():
    strength = np.zeros((40, 50))
    strength[20] = 2.0
    strength[30] = 40.0  # a much stronger vessel elsewhere
    valid = np.ones(strength.shape, dtype=bool)
    valid[:, 45:] = False
    cost = ridge_cost(strength, valid, np.array([[20.0, 5.0], [20.0, 30.0]]))
    assert (cost > 0).all()
    assert cost[20, 10] == pytest.approx(cost[30, 10])  # stronger than the picked one is no better
    assert cost[20, 10] < 0.02 * cost[10, 10]
    assert cost[20, 46] > cost[:, :45].max()


def test_a_pick_is_drawn_to_the_ridge_beside_it():
    strength = np.zeros((40, 50))
    strength[20] = 1.0
    assert tuple(snap(strength, np.array([23.0, 17.0]), 6.0)) == (20, 17)


def test_a_pick_beside_a_weak_branch_is_not_drawn_to_a_strong_neighbour():
    strength = np.zeros((40, 50))
    strength[20], strength[25] = 1.0, 3.0
    assert snap(strength, np.array([20.0, 17.0]), 6.0)[0] == 20


def test_a_pick_is_drawn_no_further_than_its_radius():
    strength = np.zeros((40, 50))
    strength[20] = 1.0
    assert np.hypot(*(snap(strength, np.array([28.0, 17.0]), 6.0) - [28, 17])) <= 6.0


def test_a_pick_at_the_corner_stays_inside():
    row, column = snap(np.ones((40, 50)), np.array([-0.4, 49.4]), 6.0)
    assert 0 <= row < 40
    assert 0 <= column < 50


def test_rows_and_columns_are_not_mixed_up():
    """On a wide picture a pick far to the right has a column beyond the number of rows."""
    strength = np.zeros((20, 90))
    strength[:, 77] = 1.0
    assert tuple(snap(strength, np.array([8.0, 74.0]), 6.0)) == (8, 77)


def test_noise_is_no_bargain_on_the_coarse_grid():
    """What a noisy field costs to cross on large pixels is what it costs on small ones."""
    cost = np.random.default_rng(3).lognormal(0.0, 1.0, (101, 80))
    assert halved(cost).shape == (51, 40)
    assert halved(cost).mean() == pytest.approx(cost.mean(), rel=0.02)


def test_vessels_that_touch_beyond_their_picks_do_not_meet_there():
    """A loop: from (30, 20) two branches part, one with a gap, and come together again right of both picks."""
    cost = np.full((60, 100), 100.0)
    cost[30:32, 2:22] = 1.0
    cost[10:12, 20:90], cost[50:52, 20:90] = 1.0, 1.0
    cost[10:52, 20:22], cost[10:52, 88:90] = 1.0, 1.0
    cost[10:12, 40:46] = 100.0  # the lesion
    paths = meeting_paths([cost] * 3, np.array([[30, 2], [10, 78], [50, 78]]))
    meeting = paths[0][0]
    assert np.hypot(*(meeting - (30, 20))) < 4
    assert max(path[:, 1].max() for path in paths) < 81


@pytest.mark.parametrize(("distal_end", "side_end"), [(168, 104), (180, 110), (200, 112)])
@pytest.mark.parametrize("turned", [False, True])
def test_where_daughters_touch_between_their_picks_the_fork_is_meant(distal_end, side_end, turned):
    """They part at (40, 40) and touch at column 146: from there to the side pick it is less far than from the fork."""
    cost = np.full((90, 220), 100.0)
    cost[38:43, 4:43], cost[18:23, 38:210], cost[18:63, 38:43] = 1.0, 1.0, 1.0
    side = {column: 60 - round(0.36 * (column - 40)) for column in range(40, 148)}
    for column, row in side.items():
        cost[row - 2 : row + 3, column] = 1.0
    ends = [[40, 4], [20, distal_end], [side[side_end], side_end]]
    if turned:
        ends = [ends[0], ends[2], ends[1]]
    paths = meeting_paths([cost] * 3, np.array(ends))
    assert np.hypot(*(paths[0][0] - (40, 40))) < 6
    assert paths[1 if turned else 2][:, 1].max() < side_end + 3


def test_a_path_stays_in_its_own_faint_lumen():
    """Its neighbour is three times as strong, and 7 px away all along."""
    strength = np.zeros((40, 120))
    strength[10:12, 2:110] = 3.0
    strength[18:20, 20:110] = 0.6
    strength[10:20, 20:22] = 0.6
    ends = np.array([[10, 2], [10, 106], [18, 100]])
    paths = meeting_paths(ridge_costs(strength, None, ends.astype(float)), ends)
    assert paths[0][0] == pytest.approx([10, 20], abs=4)
    assert np.median(paths[2][:, 0]) == pytest.approx(18.5, abs=1)


def test_a_fainter_pick_has_a_cost_of_its_own():
    strength = np.zeros((40, 60))
    strength[8, :], strength[20, :], strength[32, :] = 4.0, 3.0, 1.0
    costs = ridge_costs(strength, None, np.array([[8.0, 30], [20, 30], [32, 30]]))
    assert costs[0] is costs[1]
    assert costs[2][32, 30] == pytest.approx(costs[0][8, 30])
    assert costs[0][32, 30] > 3 * costs[2][32, 30]


def test_across_what_is_not_seen_the_straighter_way():
    """Behind its lesion the distal limb is nearer to the side limb than to its own stub, but that way is bent."""
    cost = np.full((120, 140), 10.0)
    cost[30:32, 4:130] = 1.0  # proximal and side limb
    for k in range(10):
        cost[30 + k : 33 + k, 60 + k] = 1.0  # the distal limb's stub
    for k in range(50):
        cost[57 + k // 2 : 60 + k // 2, 86 + k] = 1.0  # and what is seen of it behind its lesion
    paths = meeting_paths([cost] * 3, np.array([[30, 4], [81, 134], [30, 126]]))
    assert paths[0][0] == pytest.approx([31, 62], abs=6)
