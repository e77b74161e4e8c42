"""A frame that is measured again and again: what is kept changes nothing, and a glance is near and says what it is."""

from dataclasses import replace

import pytest

from qca.document import reading_text
from qca.flags import FLAGS
from qca.phantom import render
from qca.pipeline import FrameAtHand, measure


@pytest.fixture(scope="module")
def at_hand(fork):
    phantom = render(fork())
    return FrameAtHand(phantom.frame()), phantom.picks


def moved(picks, shift):
    x, y = picks.distal
    return replace(picks, distal=(x + shift, y))


def test_again_is_the_same_bit_for_bit(at_hand):
    frame, picks = at_hand
    for shift in (0.0, -2.0, 1.5):
        there = moved(picks, shift)
        assert reading_text(frame.measure(there)) == reading_text(measure(frame.frame, there))


def test_another_catheter_is_looked_at_anew(at_hand):
    frame, picks = at_hand
    (ax, ay), b = picks.catheter
    shorter = replace(picks, catheter=((ax + 20.0, ay), b))
    assert reading_text(frame.measure(shorter)) == reading_text(measure(frame.frame, shorter))
    lumen = replace(picks, catheter_feature="filled_lumen", french=None, catheter_mm=1.7)
    assert reading_text(frame.measure(lumen)) == reading_text(measure(frame.frame, lumen))


def test_a_glance_is_near_and_flagged(at_hand):
    frame, picks = at_hand
    whole, glance = frame.measure(picks), frame.glance(picks)
    assert "provisional" not in {flag.code for flag in whole.flags}
    assert [flag.where for flag in glance.flags if flag.code == "provisional"] == ["frame"]
    assert FLAGS["provisional"].untrusted
    for name, limb in whole.limbs.items():
        rough = glance.limbs[name]
        assert rough.mld_sd_mm > 0
        assert abs(rough.mld_mm - limb.mld_mm) < 3 * rough.mld_sd_mm
        assert abs(rough.reference_mm - limb.reference_mm) < 3 * rough.reference_sd_mm
    assert frame.measure(picks).limbs["distal"].mld_px == whole.limbs["distal"].mld_px
