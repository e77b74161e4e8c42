"""Targets, lengths and the choice among the user's devices."""

from __future__ import annotations

import math

import pytest
from scipy import stats

from qca.errors import InputError
from qca.sizing.case import parse_case
from qca.sizing.devices import parse_devices
from qca.sizing.needs import ROLES
from qca.sizing.wording import told_apart
from qca.sizing.worksheet import plan
from tests.sizing.invented_reading import PLENTY, device_table, reading


def sheet(devices=PLENTY, fixed=None, case="", **numbers):
    return plan(reading(**numbers), table=parse_devices(devices), fixed=fixed, case=parse_case(case))


def row(made, role, technique="provisional"):
    return next(one for one in made.sizes if one.need.role == role and technique in one.need.techniques)


@pytest.mark.parametrize(("role", "target"), [
    # European Bifurcation Club: main stent to the distal, optimisation to the proximal, kissing to both daughters.
    ("main_stent", 2.75), ("side_stent", 2.25), ("optimisation_balloon", 3.5), ("side_cell_balloon", 2.25),
    ("kissing_main_balloon", 2.75), ("kissing_side_balloon", 2.25), ("final_optimisation_balloon", 3.5),
])  # fmt: skip
def test_targets(role, target):
    assert row(sheet(), role, "culotte_inverted").need.target.value == target


def test_every_role_of_the_contract_is_sized():
    assert {one.need.role for one in sheet().sizes} == set(ROLES)


def test_classic_culotte_opens_the_cell_towards_the_other_daughter():
    assert row(sheet(), "side_cell_balloon", "culotte_classic").need.target.value == 2.75


def test_lengths_from_lesion_limits_and_margins():
    made = sheet()
    # Proximal lesion to 9.0 mm, distal to 6.5 mm, side to 6.3 mm, each with 3 mm of margin; angle B 65 degrees.
    slant = 2.25 / math.tan(math.radians(65))
    mouth = 2.25 / math.sin(math.radians(65))
    expected = {
        ("main_stent", "provisional"): 12.0 + 9.5,
        ("side_stent", "t"): 9.3,
        ("side_stent", "t_and_protrusion"): 9.3 + slant,
        ("side_stent", "mini_crush"): 9.3 + slant + 2.0,
        ("side_stent", "culotte_inverted"): 9.3 + mouth + 3.0,
    }
    for (role, technique), length in expected.items():
        assert row(made, role, technique).need.length.value == pytest.approx(length)


def test_a_healthy_limb_is_not_covered_beyond_the_least_reach():
    made = sheet(limbs={"proximal": {"ds": 10.0}, "distal": {"ds": 10.0}})
    # Proximal: the optimisation balloon's 8 mm; distal: the least reach of 5 mm.
    assert row(made, "main_stent").need.length.value == pytest.approx(8.0 + 5.0)


def test_without_an_optimisation_balloon_the_lesion_alone_sets_the_length():
    made = sheet(devices=PLENTY.replace("balloon,opt,3.50,8,,,\n", ""))
    assert row(made, "main_stent").need.length.value == pytest.approx(12.0 + 9.5)
    provisional = made.answers[0]
    one = next(judged for judged, _ in provisional.rules if judged.rule.id == "proximal_length")
    assert one.verdict == "cannot_tell"
    assert "optimisation balloon" in one.missing


def test_probability_of_a_device_in_closed_form():
    made = sheet(devices=device_table("stent,a,2.75,21.6,3.55,,", "balloon,o,3.5,8,,,"))
    one = row(made, "main_stent").worked_with
    need = row(made, "main_stent").need
    in_window = stats.norm.cdf(2.75 / 0.95, 2.75, need.target.sd) - stats.norm.cdf(2.75 / 1.1, 2.75, need.target.sd)
    reach = stats.norm.cdf(3.55, 3.5, need.must_reach.sd)
    long_enough = stats.norm.cdf(21.6, 21.5, need.length.sd)
    assert one.probability == pytest.approx(min(in_window, reach, long_enough), rel=1e-9)
    assert one.expansion_used == pytest.approx(3.5 / 3.55)
    assert one.ratio == pytest.approx(1.0)


CHOICE = device_table(
    "stent,short,2.75,16,4.5,4,", "stent,right,2.75,24,4.5,4,", "stent,long,2.75,38,4.5,4,",
    "stent,weak,2.75,24,3.2,4,", "stent,wide,3.5,24,5.5,4,", "stent,unknown,2.75,24,,4,",
    "balloon,o15,3.5,15,,,", "balloon,o8,3.5,8,,,",
)  # fmt: skip


def test_the_best_device_is_right_in_every_respect_and_no_longer_than_it_has_to_be():
    made = sheet(devices=CHOICE)
    labels = [one.device.label for one in row(made, "main_stent").fits]
    assert labels[:2] == ["right", "long"]
    assert labels.index("unknown") < labels.index("weak")
    assert "wide" not in labels  # 1.27 times the vessel: does not come into question
    assert row(made, "optimisation_balloon").worked_with.device.label == "o8"


def test_problems_are_named():
    fits = {one.device.label: one for one in row(sheet(devices=CHOICE), "main_stent").fits}
    assert fits["short"].problems == ("5.5 mm shorter than needed",)
    assert fits["short"].verdict == "does_not_fit"
    assert fits["weak"].problems == ("must reach 3.50 mm, limit 3.20 mm",)
    assert fits["unknown"].problems == ("expansion limit not in the table",)
    assert fits["unknown"].verdict == "cannot_tell"
    assert fits["right"].problems == ()


def test_nothing_is_proposed_that_is_not_in_the_table():
    made = sheet(devices=device_table("stent,huge,5.0,30,6.0,5.0,"))
    assert all(one.worked_with is None for one in made.sizes)
    assert all("in the device table" in text for text in made.answers[0].open if "fitting" in text)


def test_a_fixed_device_is_used_everywhere_and_its_conflicts_come_first():
    made = sheet(devices=CHOICE, fixed={"main_stent": "weak"})
    assert row(made, "main_stent").fixed
    assert row(made, "main_stent").worked_with.device.label == "weak"
    assert row(made, "main_stent").fits[0].device.label == "weak"
    surely = [one for one in made.conflicts if one.surely]
    assert made.conflicts[: len(surely)] == tuple(surely)
    assert any("3.50" in one.text and "3.20 mm" in one.text for one in surely)
    assert all(one.role == "main_stent" and one.label == "weak" for one in made.conflicts)
    assert made.answers[0].verdict == "does_not_fit"
    assert set(surely[0].techniques) == {result.technique.id for result in made.answers}


def test_a_fixed_device_without_conflict():
    assert sheet(devices=CHOICE, fixed={"main_stent": "right"}).conflicts == ()


def test_a_fixed_device_that_is_too_short_is_a_conflict():
    texts = [one.text for one in sheet(devices=CHOICE, fixed={"main_stent": "short"}).conflicts]
    assert "5.5 mm shorter than needed" in texts


@pytest.mark.parametrize(("fixed", "sentence"), [
    ({"stent": "right"}, "There is no role 'stent': the roles are main_stent, side_stent"),
    ({"main_stent": "none"}, "'none' is not in devices; add it there"),
    ({"main_stent": "o8"}, "'o8' is a balloon; this role takes a stent"),
])  # fmt: skip
def test_impossible_fixed_devices(fixed, sentence):
    with pytest.raises(InputError) as caught:
        sheet(devices=CHOICE, fixed=fixed)
    assert sentence in str(caught.value)


def test_fixed_kissing_balloons_change_the_ring():
    devices = PLENTY + "balloon,kiss3,3.0,12,,,\n"
    ring = {
        label: next(
            one.value
            for one, _ in sheet(devices=devices, fixed={"kissing_main_balloon": label}).answers[0].rules
            if one.rule.id == "kissing_ring_main"
        )
        for label in ("kiss", "kiss3")
    }
    assert ring["kiss3"] > ring["kiss"]


def test_a_fixed_balloon_of_the_wrong_size_is_a_conflict():
    devices = PLENTY + "balloon,big,5.0,8,,,\n"
    made = sheet(devices=devices, fixed={"optimisation_balloon": "big"})
    texts = [one.text for one in made.conflicts]
    assert "ratio 1.429 outside 0.95 to 1.05" in texts
    assert any("main stent's expansion limit): 5.00 mm" in text for text in texts)
    assert all((one.role, one.label) == ("optimisation_balloon", "big") for one in made.conflicts)


def test_a_device_just_beyond_a_limit_is_not_written_as_at_it():
    # A ratio of 2.61/2.748 = 0.9498, an expansion limit 0.004 mm too small, a stent 0.03 mm too short.
    devices = device_table("stent,short,2.75,21.47,3.496,4.0,", "balloon,opt,3.50,8,,,", "balloon,thin,2.61,12,,,")
    named = {"kissing_main_balloon": "thin", "main_stent": "short"}
    made = sheet(devices=devices, limbs={"distal": {"reference": 2.748}}, fixed=named)
    texts = [one.text for one in made.conflicts]
    assert "ratio 0.9498 outside 0.95 to 1.05" in texts
    assert any("at most 3.496 mm (the main stent's expansion limit): 3.500 mm" in text for text in texts)
    assert row(made, "main_stent").fits[0].rule_problems == ("must reach 3.500 mm, limit 3.496 mm",)
    assert "0.03 mm shorter than needed" in texts


def test_one_stent_for_two_roles_keeps_its_conflicts_apart():
    devices = device_table("stent,same,2.75,30,3.2,4.0,", "balloon,opt,3.50,8,,,")
    made = sheet(devices=devices, fixed={"main_stent": "same", "side_stent": "same"})
    by_role = {role: " ".join(one.text for one in made.conflicts if one.role == role)
               for role in ("main_stent", "side_stent")}  # fmt: skip
    assert "main stent's expansion limit" in by_role["main_stent"]
    assert "Side stent over side branch RVD" in by_role["side_stent"]
    assert "Side stent over" not in by_role["main_stent"]


def test_a_device_that_could_do_it_is_named():
    devices = device_table("stent,weak,2.25,24,3.2,4.0,", "stent,strong,2.5,24,4.5,4.0,", "stent,main,2.75,30,4.5,4.0,",
                           "balloon,opt,3.50,8,,,")  # fmt: skip
    made = sheet(devices=devices, limbs={"side": {"reference": 2.2}, "proximal": {"reference": 3.2}})
    one = next(
        one for result in made.answers if result.technique.id == "culotte_inverted"
        for one, _ in result.rules if one.rule.id == "side_reaches_proximal"
    )  # fmt: skip
    assert one.device == "weak"
    tight = sheet(devices=devices, limbs={"side": {"reference": 2.2}, "proximal": {"reference": 3.21}})
    one = next(
        one for result in tight.answers if result.technique.id == "culotte_inverted"
        for one, _ in result.rules if one.rule.id == "side_reaches_proximal"
    )  # fmt: skip
    assert one.note.startswith("strong could, and is right with ")


def test_numbers_that_equal_their_limit_need_no_more_digits():
    assert told_apart(0.95, 3, 0.95, 1.05) == "0.950"
    assert told_apart(0.94999, 3, 0.95, 1.05) == "0.94999"
    assert told_apart(1.4286, 3, 0.95, 1.05) == "1.429"
