"""The tables: a value that must not be used as it stands never stands alone."""

import math
from types import SimpleNamespace

import pytest

from qca.flags import FLAGS
from qca.store.tables import LONG_COLUMNS, Read, long_rows, wide_columns, wide_row


def reading(*flags, limb_flags=()):
    """Three limbs and their angles, as JSON, with flags given as (code, where)."""
    numbers = {"mld_mm": 1.5, "mld_sd_mm": 0.1, "ds_percent": 40.0, "length_mm": 20.0}
    limbs = {name: {**numbers, "flags": []} for name in ("proximal", "distal", "side")}
    limbs["side"]["flags"] = list(limb_flags)
    return {
        "scale": {"mm_per_px": 0.2, "sd_mm_per_px": 0.004},
        "limbs": limbs,
        "angles_deg": dict.fromkeys("ABC", 120.0),
        "medina": {"code": "0,0,1", "distance_percent": [-9, -9, 9], "probability": [0.1, 0.1, 0.9]},
        "flags": [{"code": code, "where": where, "message": ""} for code, where in flags],
    }


def struck(document):
    """What the long table says must not be used: ``limb quantity`` to the codes."""
    entry = SimpleNamespace(code="C", reader="R", passage=1, seq=1)
    rows = [dict(zip(LONG_COLUMNS, row, strict=True)) for row in long_rows(Read(entry, "open", document))]
    return {f"{row['limb']} {row['quantity']}": row["untrusted"] for row in rows if row["untrusted"]}


def wide(document):
    entry = SimpleNamespace(code="C", reader="R", passage=1, seq=1, time_utc="")
    return dict(zip(wide_columns(), wide_row(Read(entry, "open", document)), strict=True))


def test_a_doubtful_scale_strikes_every_length_and_no_ratio():
    assert FLAGS["catheter_doubtful"].untrusted
    found = struck(reading(("catheter_doubtful", "scale")))
    assert set(found.values()) == {"catheter_doubtful"}
    assert {"frame scale", "side mld", "proximal length"} <= set(found)
    assert not [name for name in found if "ds" in name or "angle" in name or "medina" in name]


def test_what_lies_over_a_limb_strikes_its_numbers_and_its_medina_digit():
    assert FLAGS["overlap"].untrusted
    found = struck(reading(("overlap", "side"), limb_flags=["overlap"]))
    assert {"side mld", "side ds", "side medina_digit"} <= set(found)
    assert {name.split()[0] for name in found} == {"side"}


def test_a_limbs_own_flag_counts_where_the_readings_list_does_not_repeat_it():
    document = reading(limb_flags=["overlap"])
    assert struck(document)["side ds"] == "overlap"
    assert wide(document)["untrusted"] == "overlap@side"


def test_flags_of_the_angles_strike_the_angles_only():
    assert FLAGS["join_unseen"].untrusted
    assert {name.split()[0] for name in struck(reading(("join_unseen", "angles")))} == {"bifurcation"}


def test_a_note_strikes_nothing():
    assert not FLAGS["ostial"].untrusted
    document = reading(("ostial", "side"), limb_flags=["ostial"])
    assert struck(document) == {}
    assert (wide(document)["flags"], wide(document)["untrusted"]) == ("ostial@side", "")


def test_a_code_or_a_place_that_nobody_knows_strikes_everything_it_may_touch():
    assert set(struck(reading(("from_the_future", "side"), limb_flags=["from_the_future"]))) >= {"side mld", "side ds"}
    everywhere = struck(reading(("overlap", "moon")))
    assert {name.split()[0] for name in everywhere} == {"frame", "bifurcation", "proximal", "distal", "side"}


def test_bounds_are_those_that_the_report_prints():
    from qca.document import reading_to_json
    from qca.report.limb_angles import limb_angles
    from qca.report.quantities import QUANTITIES
    from tests.sizing.invented_reading import reading as invented

    # a lumen, a stenosis and an angle whose intervals reach beyond what can be
    made = invented(limbs={"side": {"ds": 97.0, "mld_sd": 0.2}}, angles=(140.0, 41.0, 179.0), angle_sd=3.0)
    entry = SimpleNamespace(code="C", reader="R", passage=1, seq=1)
    rows = [dict(zip(LONG_COLUMNS, row, strict=True)) for row in long_rows(Read(entry, "open", reading_to_json(made)))]
    found = {(row["limb"], row["quantity"]): (row["low"], row["high"]) for row in rows}
    for name, limb in made.limbs.items():
        for one in (one for one in QUANTITIES if one.has_sd):
            assert found[name, one.key] == one.of(limb, in_mm=True).interval
    assert found["side", "mld"][0] == 0.0
    assert found["side", "ds"][1] == 100.0
    for angle in limb_angles(made):
        assert found["bifurcation", f"angle_{angle.letter}"] == angle.value.interval
    assert found["bifurcation", "angle_C"] == pytest.approx((179 - 1.96 * 3, 180.0))
    assert found["frame", "scale"] == pytest.approx((0.2 - 1.96 * 0.002, 0.2 + 1.96 * 0.002))
    assert all(math.isnan(bound) for bound in found["side", "length"])  # has no SD
