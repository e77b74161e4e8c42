import dataclasses

import pytest

from qca.reading import Flag
from qca.report.next_steps import next_steps
from qca.report.quantities import BY_KEY
from qca.report.remarks import doubts, remarks, touching


def with_flags(case, *flags):
    return dataclasses.replace(case.reading, flags=flags)


def test_spoiling_flags_come_first_and_are_numbered(bifurcation, untrusted_code, mild_code):
    found = remarks(with_flags(bifurcation, Flag(mild_code, "distal", "m"), Flag(untrusted_code, "side", "u")))
    assert [(r.label, r.code) for r in found] == [("F1", untrusted_code), ("F2", mild_code)]


@pytest.mark.parametrize(
    ("where", "lengths", "percent"),
    [
        ("side", {"side"}, {"side"}),
        ("scale", {"proximal", "distal", "side"}, set()),
        ("catheter", {"proximal", "distal", "side"}, set()),
        ("angles", set(), set()),
        ("frame", {"proximal", "distal", "side"}, {"proximal", "distal", "side"}),
        ("", {"proximal", "distal", "side"}, {"proximal", "distal", "side"}),
        ("proximal, side", {"proximal", "side"}, {"proximal", "side"}),
    ],
)
def test_a_flag_spoils_what_it_touches(bifurcation, untrusted_code, where, lengths, percent):
    found = remarks(with_flags(bifurcation, Flag(untrusted_code, where, "u")))
    limbs = list(bifurcation.reading.limbs)
    assert {n for n in limbs if doubts(found, BY_KEY["mld"], n, in_mm=True)} == lengths
    assert {n for n in limbs if doubts(found, BY_KEY["ds"], n, in_mm=True)} == percent
    assert bool(touching(found, "angles")) == (where in {"angles", "frame", ""})


def test_a_mild_flag_spoils_nothing(bifurcation, mild_code):
    found = remarks(with_flags(bifurcation, Flag(mild_code, "side", "m")))
    assert touching(found, "side", "scale", "angles", "medina") == ()


def test_a_limbs_own_flag_is_not_lost(bifurcation, untrusted_code):
    side = dataclasses.replace(bifurcation.reading.limbs["side"], flags=(untrusted_code,))
    reading = dataclasses.replace(bifurcation.reading, limbs={**bifurcation.reading.limbs, "side": side})
    (found,) = remarks(reading)
    assert (found.code, found.place) == (untrusted_code, "side")
    listed = dataclasses.replace(reading, flags=(Flag(untrusted_code, "side", "said once"),))
    assert [r.text.partition(".")[0] for r in remarks(listed)] == ["Said once"]


def test_an_unknown_code_is_not_taken_lightly(bifurcation):
    (found,) = remarks(with_flags(bifurcation, Flag("from_the_future", "side", "something")))
    assert found.untrusted
    assert found.advice


def test_every_flag_of_the_table_can_be_shown(bifurcation):
    from qca.flags import FLAGS

    for code in FLAGS:
        (found,) = remarks(with_flags(bifurcation, Flag(code, "side", "")))
        assert found.name
        assert found.text
        assert found.advice


def test_steps_begin_with_what_spoils_and_end_with_the_look(bifurcation, untrusted_code, mild_code):
    reading = with_flags(bifurcation, Flag(mild_code, "distal", "m"), Flag(untrusted_code, "side", "u"))
    steps = next_steps(reading)
    assert [step.urgent for step in steps] == [True] + [False] * (len(steps) - 1)
    assert steps[-1].finding == "Look at Figure 1."


def test_a_clean_reading_still_has_a_step(segment):
    assert [step.finding for step in next_steps(segment.reading)] == ["Look at Figure 1."]


def test_missing_scale_is_a_step(without_scale):
    assert "No scale" in next_steps(without_scale.reading)[0].finding
