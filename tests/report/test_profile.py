import csv
import dataclasses
import io
import math

import pytest

from qca.flags import FLAGS
from qca.reading import Flag
from qca.report.profile import PROFILE_COLUMNS, profile_csv


def rows_of(reading):
    return list(csv.DictReader(io.StringIO(profile_csv(reading))))


def test_columns_are_the_documented_ones_with_units_in_their_names(bifurcation):
    first = profile_csv(bifurcation.reading).splitlines()[0].split(",")
    assert first == list(PROFILE_COLUMNS)
    assert all(PROFILE_COLUMNS.values())
    numbers = set(first) - {"limb", "in_lesion", "edited_by_hand", "flags", "untrusted"}
    assert all(name.endswith(("_mm", "_px")) for name in numbers)


def test_every_position_of_every_limb_is_there_at_full_precision(bifurcation):
    rows = rows_of(bifurcation.reading)
    for name, limb in bifurcation.reading.limbs.items():
        mine = [row for row in rows if row["limb"] == name]
        assert [float(row["diameter_mm"]) for row in mine] == limb.profile.diameter_mm.tolist()
        assert [float(row["position_px"]) for row in mine] == limb.profile.position_px.tolist()
        assert [float(row["left_y_px"]) for row in mine] == limb.profile.left_px[:, 1].tolist()
        assert [float(row["right_x_px"]) for row in mine] == limb.profile.right_px[:, 0].tolist()


def test_interval_is_95_percent(bifurcation):
    row = rows_of(bifurcation.reading)[10]
    diameter, sd = float(row["diameter_mm"]), float(row["diameter_sd_mm"])
    assert float(row["diameter_low_mm"]) == pytest.approx(diameter - 1.96 * sd)
    assert float(row["diameter_high_mm"]) == pytest.approx(diameter + 1.96 * sd)


def test_lesion_column_agrees_with_the_limits(bifurcation):
    limb = bifurcation.reading.limbs["distal"]
    inside = [row for row in rows_of(bifurcation.reading) if row["limb"] == "distal" and row["in_lesion"] == "1"]
    assert float(inside[0]["position_px"]) == limb.lesion_start_px
    assert float(inside[-1]["position_px"]) == limb.lesion_end_px


def test_without_scale_millimetres_are_empty(without_scale):
    row = rows_of(without_scale.reading)[0]
    assert {row[name] for name in row if name.endswith("_mm")} == {""}
    assert float(row["diameter_px"]) > 0


def test_unknown_is_empty_and_never_zero(unknown_side):
    mine = [row for row in rows_of(unknown_side.reading) if row["limb"] == "side"]
    assert {row["diameter_mm"] for row in mine} == {""}
    assert {row["in_lesion"] for row in mine} == {""}
    assert all(row["x_px"] for row in mine)


def test_edits_and_flags_are_told(bifurcation):
    limbs = dict(bifurcation.reading.limbs)
    limbs["distal"] = dataclasses.replace(
        limbs["distal"],
        edited=True,
        profile=dataclasses.replace(
            limbs["distal"].profile, flags=(("one", "two"),) + ((),) * (len(limbs["distal"].profile.flags) - 1)
        ),
    )
    rows = [r for r in rows_of(dataclasses.replace(bifurcation.reading, limbs=limbs)) if r["limb"] == "distal"]
    assert rows[0]["flags"] == "one two"
    assert rows[1]["flags"] == ""
    assert {row["edited_by_hand"] for row in rows} == {"1"}


def test_text_that_a_spreadsheet_would_run_is_disarmed(bifurcation):
    limb = bifurcation.reading.limbs["side"]
    hostile = dataclasses.replace(limb.profile, flags=(("=cmd|'/c calc'!A0\n",),) * len(limb.profile.flags))
    reading = dataclasses.replace(bifurcation.reading, limbs={"side": dataclasses.replace(limb, profile=hostile)})
    flags = rows_of(reading)[0]["flags"]
    assert flags[0] == "'"
    assert "\n" not in flags


def test_no_nan_is_written(unknown_side):
    assert not [
        cell for row in rows_of(unknown_side.reading) for cell in row.values() if cell.lower() in {"nan", "inf"}
    ]
    assert math.isnan(unknown_side.reading.limbs["side"].mld_mm)


def struck(reading, limb):
    return [row["untrusted"] for row in rows_of(reading) if row["limb"] == limb]


def flagged_with(reading, *flags):
    return dataclasses.replace(reading, flags=tuple(Flag(code, where, "") for code, where in flags))


def test_a_flag_of_scale_or_frame_strikes_every_row(bifurcation, without_scale):
    assert FLAGS["catheter_unclear"].untrusted
    unclear = flagged_with(bifurcation.reading, ("catheter_unclear", "scale"))
    for limb in unclear.limbs:
        assert set(struck(unclear, limb)) == {"catheter_unclear"}
        assert set(struck(bifurcation.reading, limb)) == {""}
    assert set(struck(flagged_with(without_scale.reading, ("catheter_unclear", "scale")), "side")) == {""}
    assert set(struck(flagged_with(bifurcation.reading, ("from_the_future", "frame")), "side")) == {"from_the_future"}
    assert set(struck(flagged_with(bifurcation.reading, ("join_unseen", "angles")), "side")) == {""}


def test_a_flag_with_a_place_strikes_the_rows_there_and_one_without_the_whole_limb(bifurcation):
    assert FLAGS["overlap"].untrusted
    assert FLAGS["no_healthy_part"].untrusted
    mild = "ostial"
    assert not FLAGS[mild].untrusted
    limb = bifurcation.reading.limbs["side"]
    places = (("overlap", mild), (mild,)) + ((),) * (len(limb.profile.flags) - 2)
    limb = dataclasses.replace(
        limb, flags=("overlap", mild, "no_healthy_part"), profile=dataclasses.replace(limb.profile, flags=places)
    )
    reading = dataclasses.replace(bifurcation.reading, limbs={**bifurcation.reading.limbs, "side": limb})
    found = struck(reading, "side")
    assert found[0] == "overlap no_healthy_part"
    assert set(found[1:]) == {"no_healthy_part"}
    assert set(struck(reading, "distal")) == {""}
