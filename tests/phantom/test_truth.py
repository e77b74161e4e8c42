"""The truth of phantoms that can be worked out on paper, and its consistency on random ones."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from qca import CAUTION
from qca.json_text import write_json
from qca.phantom import random_bifurcation, random_segment, truth_of
from qca.phantom.shapes import Lesion, Limb, Path
from qca.phantom.truth import without_lesions


def test_carina_of_two_equal_branches(fork):
    # inner walls at distance r from lines that leave O at half the angle B meet r / sin(B / 2) away on the bisector;
    # its foot on either centreline lies r / tan(B / 2) from O
    for angle_b, r in ((60.0, 1.2), (90.0, 1.0), (40.0, 0.8)):
        truth = truth_of(fork((2.4, 2 * r, 2 * r), angle_b, 360 - 150 - angle_b))
        half = math.radians(angle_b / 2)
        origin, carina = np.array(truth.branching_point_px), np.array(truth.carina_px)
        assert np.hypot(*(carina - origin)) * 0.2 == pytest.approx(r / math.sin(half), abs=2e-3)
        foot = r / math.tan(half)
        distal, proximal = truth.limbs["distal"], truth.limbs["proximal"]
        assert distal.length_mm == pytest.approx(20 - foot, abs=2e-3)
        assert truth.limbs["side"].length_mm == pytest.approx(20 - foot, abs=2e-3)
        # the proximal limb counts on from the same zero
        assert proximal.length_mm == pytest.approx(20 + foot, abs=2e-3)
        # beyond the carina both walls are the limb's own
        assert distal.mouth_mm == pytest.approx(0, abs=0.01)


def test_angles_of_straight_limbs_are_their_directions(fork):
    truth = truth_of(fork(angle_b=55.0, angle_c=160.0))
    assert truth.angles_deg == pytest.approx({"A": 145.0, "B": 55.0, "C": 160.0}, abs=1e-6)


def test_angles_are_taken_between_chords_of_five_millimetres(fork):
    # a chord of length c in a circle of radius R leaves the tangent by asin(c / 2R)
    recipe = fork(angle_b=60.0, angle_c=150.0)
    bent = replace(recipe.limb("side"), path=replace(recipe.limb("side").path, curvature_per_mm=1 / 30))
    truth = truth_of(replace(recipe, limbs=(*recipe.limbs[:2], bent)))
    assert truth.angles_deg["B"] == pytest.approx(60 + math.degrees(math.asin(5 / 60)), abs=0.02)


def test_lesion_of_known_shape(fork):
    lesion = Lesion(12.0, 10.0, 50.0)
    truth = truth_of(fork((3.0, 2.4, 2.0), 60.0, 150.0, lesions=[("side", lesion)]))
    side = truth.limbs["side"]
    assert side.mld_mm == pytest.approx(1.0, abs=1e-5)
    assert side.reference_mm == pytest.approx(2.0, abs=1e-9)
    assert side.ds_percent == pytest.approx(50.0, abs=1e-3)
    foot = 20 - side.length_mm
    assert side.mld_position_mm == pytest.approx(12.0 - foot, abs=0.01)
    # 1 - 0.25 (1 + cos u) < 0.9 for cos u > -0.6; u runs over pi on 5 mm
    assert side.lesion_length_mm == pytest.approx(2 * 5 * math.acos(-0.6) / math.pi, abs=0.01)
    assert side.lesion_start_mm < side.mld_position_mm < side.lesion_end_mm
    assert truth.medina == "0,0,1"  # exactly 50 % counts


def test_medina_just_below_the_threshold(fork):
    truth = truth_of(fork(lesions=[("side", Lesion(12.0, 10.0, 49.9)), ("proximal", Lesion(12.0, 8.0, 50.1))]))
    assert truth.medina == "1,0,0"


def test_plateau_takes_its_middle_and_healthy_limbs_their_smallest_width(fork):
    truth = truth_of(fork(lesions=[("distal", Lesion(13.0, 8.0, 40.0, "plateau"))]))
    distal = truth.limbs["distal"]
    assert distal.mld_position_mm + (20 - distal.length_mm) == pytest.approx(13.0, abs=0.01)
    side = truth.limbs["side"]
    assert side.ds_percent == pytest.approx(0, abs=1e-9)
    assert side.lesion_length_mm == 0
    assert side.mld_mm == pytest.approx(2.4)


def test_segment_counts_from_its_first_pick(straight):
    limb = Limb(
        "segment", Path(0.0, 40.0), 3.0, -0.01, lesions=(Lesion(20.0, 10.0, 60.0),), first_pick_mm=5, pick_mm=35
    )
    truth = truth_of(straight(limb=limb))
    segment = truth.limbs["segment"]
    # with a taper the narrowest place moves a little: d/ds of (3 - 0.01 s)(1 - 0.3 (1 + cos)) is 0 at 0.04 mm
    assert segment.mld_position_mm == pytest.approx(15.0, abs=0.06)
    assert segment.reference_mm == pytest.approx(2.8, abs=1e-3)
    assert segment.length_mm == 30
    assert truth.angles_deg is None
    assert truth.medina is None


def test_pick_inside_the_confluence_is_refused(fork):
    recipe = fork()
    near = replace(recipe.limb("side"), pick_mm=2.5)
    with pytest.raises(ValueError, match="pick_mm of the side limb must lie between"):
        truth_of(replace(recipe, limbs=(*recipe.limbs[:2], near)))


@pytest.fixture(scope="module")
def drawn():
    return [truth_of(random_bifurcation(seed)) for seed in range(16)]


def test_random_truths_agree_with_themselves(drawn):
    for truth in drawn:
        angles = truth.angles_deg
        assert sum(angles.values()) == pytest.approx(360, abs=1e-6)
        for name, limb in truth.limbs.items():
            assert limb.ds_percent == pytest.approx(100 * (1 - limb.mld_mm / limb.reference_mm), abs=1e-9)
            valid = limb.position_mm >= limb.mouth_mm
            # the smallest of the written diameters is the MLD, to within their spacing
            assert limb.mld_mm - 1e-5 <= limb.diameter_mm[valid].min() <= limb.mld_mm + 0.02, name
            assert limb.mouth_mm <= limb.mld_position_mm <= limb.length_mm
            assert limb.position_mm[-1] == pytest.approx(limb.length_mm, abs=0.11)
            narrow = limb.diameter_mm[valid] < 0.9 * limb.reference_diameter_mm[valid]
            assert (limb.lesion_length_mm > 0) == bool(limb.ds_percent > 10)
            assert limb.lesion_length_mm <= 0.1 * (narrow.sum() + 1)
            step = np.hypot(np.diff(limb.x_px), np.diff(limb.y_px)) * truth.mm_per_px
            assert step.max() < 0.16  # an eccentric lesion takes a longer way than the path it sits on
        digits = [int(truth.limbs[name].ds_percent >= 50) for name in ("proximal", "distal", "side")]
        assert truth.medina == ",".join(map(str, digits))


def test_random_vessels_roughly_obey_a_diameter_law(drawn):
    # Huo Y et al., EuroIntervention 2012;7:1310: Dp^(7/3) = D1^(7/3) + D2^(7/3)
    ratio = []
    for truth in drawn:
        proximal, distal, side = (limb.diameter_mm for limb in truth.recipe.limbs)
        ratio.append((distal ** (7 / 3) + side ** (7 / 3)) ** (3 / 7) / proximal)
        assert 2.0 <= proximal <= 4.5
        assert side <= distal <= proximal
    assert np.mean(ratio) == pytest.approx(1, abs=0.03)
    assert np.std(ratio) < 0.08


def test_random_healthy_vessels_have_no_stenosis():
    for seed in range(8):
        recipe = random_bifurcation(seed)
        for name, limb in truth_of(without_lesions(recipe)).limbs.items():
            assert limb.ds_percent < 2.0, (seed, name)


def test_random_segments():
    for seed in range(8):
        truth = truth_of(random_segment(seed))
        limb = truth.recipe.limbs[0]
        segment = truth.limbs["segment"]
        assert segment.length_mm == pytest.approx(limb.pick_mm - limb.first_pick_mm)
        assert 0.2 < segment.mld_mm <= segment.reference_mm


def test_truth_document(drawn):
    document = json.loads(write_json(drawn[0].to_json()))
    assert document["schema"] == "qca.truth/1"
    assert document["caution"] == CAUTION
    assert document["scale"]["mm_per_px"] == drawn[0].mm_per_px
    assert set(document["angles_deg"]) == {"A", "B", "C"}
    assert document["medina"]["code"] == drawn[0].medina
    for name in ("proximal", "distal", "side"):
        limb = document["limbs"][name]
        assert {"mld_mm", "reference_mm", "ds_percent", "lesion_length_mm", "profile"} <= set(limb)
        lengths = {len(column) for column in limb["profile"].values()}
        assert len(lengths) == 1
    recipe = document["recipe"]
    assert {"seed", "photons_per_px", "mm_per_px", "iodine_mg_per_ml", "optics", "grey"} <= set(recipe)
    assert recipe["optics"]["blur_mm"] == drawn[0].recipe.optics.blur_mm
    assert recipe["grey"]["bits"] == drawn[0].recipe.grey.bits
