"""Who reads what, when: every rule of the order, on drawn studies."""

import statistics
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qca.errors import InputError
from qca.lists.plan import ALPHABET, CODE_LENGTH, item_codes, make_plan


@given(
    items=st.integers(1, 60),
    readers=st.integers(1, 4),
    passes=st.integers(1, 3),
    reread=st.sampled_from([0.0, 0.1, 0.2, 0.5, 1.0]),
    gap=st.floats(0, 1),
    seed=st.text(max_size=5),
)
def test_every_rule_holds(items, readers, passes, reread, gap, seed):
    names = [f"R{n}" for n in range(readers)]
    apart = int(gap * (items - 1))
    plan = make_plan(items, names, seed=seed, passes=passes, reread=reread, gap=apart)
    assert len({one.code for one in plan}) == len(plan) == readers * (items * passes + round(reread * items))
    assert plan == make_plan(items, names, seed=seed, passes=passes, reread=reread, gap=apart)
    again = set()
    for name in names:
        mine = [one for one in plan if one.reader == name]
        assert [one.order for one in mine] == list(range(1, len(mine) + 1))
        assert [one.passage for one in mine] == sorted(one.passage for one in mine)
        for passage in range(1, passes + 1):
            assert sorted(one.item for one in mine if one.passage == passage) == list(range(items))
        again.add(frozenset(one.item for one in mine if one.passage == passes + 1))
        last = {}
        for one in mine:
            assert one.order - last.get(one.item, -items) > apart
            last[one.item] = one.order
    assert len(again) == 1  # the same frames are read again by everybody


def test_positions_are_balanced():
    """Over two readers and two passes the mean place of every frame is near the middle; plain draws scatter more."""
    places = {}
    for one in make_plan(40, ["A", "B"], seed="study", passes=2):
        places.setdefault(one.item, []).append((one.order - 1) % 40)
    means = [statistics.mean(values) for values in places.values()]
    assert max(abs(mean - 19.5) for mean in means) < 6
    plain = 40 / 12**0.5 / 2  # SD of a mean of four uniform places
    assert statistics.pstdev(means) < plain / 2


def test_readers_have_different_orders_and_neighbours():
    plan = make_plan(40, ["A", "B"], seed="study")
    orders = [[one.item for one in plan if one.reader == name] for name in "AB"]
    neighbours = [set(pairwise(order)) for order in orders]
    assert orders[0] != orders[1]
    assert len(neighbours[0] & neighbours[1]) <= 4


EXPECTED = [("WQ44JZ", 2, 1), ("NH5CH9", 0, 1), ("RZ6B3J", 1, 1), ("852DDB", 2, 2)]


def test_a_seed_gives_the_same_plan_for_ever():
    """Written down once: a change here changes studies that are under way."""
    plan = make_plan(3, ["A"], seed="1979", reread=0.34)
    assert [(one.code, one.item, one.passage) for one in plan] == EXPECTED


def test_codes_are_opaque_signs():
    plan = make_plan(300, ["A", "B"], seed="x")
    for one in plan:
        assert len(one.code) == CODE_LENGTH
        assert set(one.code) <= set(ALPHABET)
    assert not {"0", "O", "1", "I", "L", "A", "E", "U"} & set(ALPHABET)
    assert not {one.code for one in plan} & set(item_codes("x", 300))
    other = {one.code for one in make_plan(300, ["A", "B"], seed="y")}
    assert len(other & {one.code for one in plan}) <= 1


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"items": 0}, "no frame to read"),
        ({"readers": []}, "different codes, not none: name them once each"),
        ({"readers": ["A", "A"]}, "different codes, not A, A"),
        ({"readers": ["A", " "]}, "different codes"),
        ({"passes": 0}, "passes is 0"),
        ({"reread": 1.5}, "give a number from 0 to 1"),
        ({"reread": float("nan")}, "give a number from 0 to 1"),
        ({"gap": -1}, "give 0 to 9"),
        ({"gap": 10, "passes": 2}, "A gap of 10 reads is not possible with 10 frames: give 0 to 9"),
    ],
)
def test_impossible_plans_are_one_sentence(change, words):
    asked = {"items": 10, "readers": ["A"], "passes": 1, "reread": 0.0, "gap": 0, **change}
    with pytest.raises(InputError, match=words):
        make_plan(asked.pop("items"), asked.pop("readers"), seed="s", **asked)
