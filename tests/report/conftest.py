"""A bifurcation and a segment written down by hand, so that every number in an output can be traced to a known one."""

from __future__ import annotations

import dataclasses
import html.parser
import math
import types
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import pytest

from calib.scale import Scale
from qca.frames.frame import Frame, HeaderGeometry
from qca.picks import Edit, Picks
from qca.reading import Angles, Flag, FrameRecord, LimbReading, Medina, Profile, Reading
from qca.settings import DEFAULT_SETTINGS

MM_PER_PX = 0.2
CARINA = (131.0, 118.0)


def make_limb(start, direction, length_px, reference_mm, *, ds, at_mm, bend=0.0, flags=(), edited=False, scale=True):
    """One limb: straight or bent, constant reference, one smooth narrowing of ``ds`` percent at ``at_mm``."""
    position = np.arange(4.0, length_px, 0.75)
    turn = math.radians(direction) + bend * position / length_px
    step = np.diff(position, prepend=0.0)
    x = start[0] + np.cumsum(step * np.cos(turn))
    y = start[1] + np.cumsum(step * np.sin(turn))
    reference = np.full(position.shape, reference_mm / MM_PER_PX)
    narrowing = np.exp(-(((position - at_mm / MM_PER_PX) / 9.0) ** 4))
    diameter = reference * (1 - ds / 100 * narrowing) + 0.12 * np.sin(position * 0.9)
    sd = np.full(position.shape, 0.35) + 0.25 * narrowing
    normal = np.column_stack([-np.sin(turn), np.cos(turn)])
    centre = np.column_stack([x, y])
    left, right = centre - normal * diameter[:, None] / 2, centre + normal * diameter[:, None] / 2
    k = int(np.argmin(diameter))
    mld, mld_sd, ref = float(diameter[k]), 0.31, float(reference[k])
    inside = np.flatnonzero(diameter < 0.9 * reference)
    first, last = (float(position[inside[0]]), float(position[inside[-1]])) if inside.size else (math.nan, math.nan)
    to_mm = MM_PER_PX if scale else math.nan
    ratio = mld / ref
    per_position = tuple(("overlap",) if 30 < p < 36 and "overlap" in flags else () for p in position)
    profile = Profile(
        position_px=position,
        diameter_px=diameter,
        diameter_sd_px=sd,
        reference_px=reference,
        position_mm=position * to_mm,
        diameter_mm=diameter * to_mm,
        diameter_sd_mm=sd * to_mm,
        reference_mm=reference * to_mm,
        flags=per_position,
        x_px=x,
        y_px=y,
        left_px=left,
        right_px=right,
    )
    return LimbReading(
        mld_px=mld,
        mld_sd_px=mld_sd,
        mld_position_px=float(position[k]),
        reference_px=ref,
        reference_sd_px=0.21,
        lesion_start_px=first,
        lesion_end_px=last,
        lesion_length_px=last - first,
        lesion_length_sd_px=2.1,
        length_px=float(position[-1]),
        mld_mm=mld * to_mm,
        mld_sd_mm=mld_sd * to_mm,
        mld_position_mm=float(position[k]) * to_mm,
        reference_mm=ref * to_mm,
        reference_sd_mm=0.21 * to_mm,
        lesion_start_mm=first * to_mm,
        lesion_end_mm=last * to_mm,
        lesion_length_mm=(last - first) * to_mm,
        lesion_length_sd_mm=2.1 * to_mm,
        length_mm=float(position[-1]) * to_mm,
        reference_source="taper of its healthy parts",
        ds_percent=100 * (1 - ratio),
        ds_sd_percent=2.3,
        area_stenosis_percent=100 * (1 - ratio**2),
        area_stenosis_sd_percent=3.1,
        flags=flags,
        profile=profile,
        edited=edited,
    )


def make_frame(limbs, rows=256, columns=300, *, catheter=None):
    """Grey values that look enough like a frame: dark vessels on uneven ground, stored as 12 bit."""
    y, x = np.mgrid[0:rows, 0:columns].astype(float)
    ground = 2300 + 380 * np.sin(x / 47) * np.cos(y / 61) + 160 * np.sin((x + 2 * y) / 23)
    depth = np.zeros((rows, columns))
    tubes = [(np.column_stack([p.x_px, p.y_px]), p.diameter_px) for p in (limb.profile for limb in limbs.values())]
    if catheter is not None:
        tubes.append((catheter, np.full(len(catheter), 10.0)))
    for centre, diameter in tubes:
        for (cx, cy), d in zip(centre, diameter, strict=True):
            chord = np.sqrt(np.maximum((d / 2) ** 2 - (x - cx) ** 2 - (y - cy) ** 2, 0))
            depth = np.maximum(depth, chord * 2)
    noise = np.random.default_rng(5).normal(0, 60, size=depth.shape)
    pixels = ground * np.exp(-0.05 * depth) + noise
    valid = np.ones(pixels.shape, dtype=bool)
    valid[:, :6] = False
    return Frame(
        pixels=pixels,
        valid=valid,
        file="lakeside_07.dcm",
        sha256="5f" * 32,
        index=12,
        count=41,
        grey_range=(0.0, 4095.0),
        dark_vessels=True,
        intensity="linear",
        geometry=HeaderGeometry(primary_angle_deg=-28.0, secondary_angle_deg=19.0),
        detail={"bits stored": 12},
    )


@dataclass(frozen=True)
class Case:
    reading: Reading
    frame: Frame


def make_case(*, scale=True, flags=(), edited=False, segment=False, side_flags=()):
    if segment:
        limbs = {"segment": make_limb((60.0, 60.0), 25, 170, 3.1, ds=48, at_mm=17, bend=0.5, scale=scale)}
        picks = Picks(frame=12, start=(60.0, 60.0), end=(220.0, 180.0))
    else:
        limbs = {
            "proximal": make_limb(CARINA, 200, 95, 3.62, ds=12, at_mm=9, bend=0.3, edited=edited, scale=scale),
            "distal": make_limb(CARINA, 12, 105, 3.05, ds=57, at_mm=8, bend=-0.2, scale=scale),
            "side": make_limb(CARINA, 68, 92, 2.41, ds=50.5, at_mm=3.4, bend=0.25, flags=side_flags, scale=scale),
        }
        edits = (Edit("wall", "proximal", side="left", points=((80.0, 92.5), (90.0, 95.0))),) if edited else ()
        picks = Picks(frame=12, proximal=(44.0, 84.0), distal=(230.0, 134.0), side=(160.0, 205.0), edits=edits)
    shaft = np.column_stack([np.linspace(24, 64, 60), np.linspace(205, 226, 60)])
    normal = np.array([-21.0, 40.0]) / math.hypot(21, 40)
    frame = make_frame(limbs, catheter=shaft)
    if scale:
        picks = dataclasses.replace(picks, catheter=((24.0, 205.0), (64.0, 226.0)), french=6.0)
    medina = (
        None
        if segment
        else Medina(
            "0,1,1",
            50.0,
            tuple(limb.ds_percent - 50 for limb in limbs.values()),
            (0.0, 0.998, 0.61),
        )
    )
    reading = Reading(
        frame=FrameRecord(frame.file, frame.sha256, 12, 256, 300, "stored values, unchanged", {"bits stored": 12}),
        picks=picks,
        settings=DEFAULT_SETTINGS,
        scale=Scale(
            MM_PER_PX, 0.0021, "catheter", MappingProxyType({"width_px": 10.0, "width_sd_px": 0.05, "french": 6.0})
        )
        if scale
        else None,
        limbs=limbs,
        angles=None if segment else Angles(131.9, 63.2, 164.9, 1.6, 1.9, 1.4),
        medina=medina,
        branching_point_px=None if segment else (127.0, 116.0),
        carina_px=None if segment else CARINA,
        flags=flags,
        fit={"blur_px": 1.1, "blur_mm": 0.22 if scale else math.nan, "reduced_chi2": 1.03},
        catheter_left_px=shaft - 5 * normal if scale else None,
        catheter_right_px=shaft + 5 * normal if scale else None,
    )
    return Case(reading, frame)


@pytest.fixture(scope="session")
def bifurcation():
    return make_case()


@pytest.fixture(scope="session")
def segment():
    return make_case(segment=True)


@pytest.fixture(scope="session")
def without_scale():
    return make_case(scale=False)


@pytest.fixture(scope="session")
def untrusted_code():
    """A code of the flag table that spoils numbers."""
    from qca.flags import FLAGS

    return next(code for code, flag in FLAGS.items() if flag.untrusted)


@pytest.fixture(scope="session")
def mild_code():
    """A code of the flag table that does not."""
    from qca.flags import FLAGS

    return next(code for code, flag in FLAGS.items() if not flag.untrusted)


@pytest.fixture(scope="session")
def flagged(untrusted_code, mild_code):
    """The bifurcation with its side limb spoilt, a remark on the distal limb, and a proximal limb edited by hand."""
    return make_case(
        edited=True,
        side_flags=(untrusted_code,),
        flags=(
            Flag(untrusted_code, "side", "Something lies over the side branch."),
            Flag(mild_code, "distal", "A remark about the distal limb."),
        ),
    )


@pytest.fixture(scope="session")
def unknown_side(bifurcation):
    """The bifurcation whose side limb could not be measured: every number unknown."""
    limb = bifurcation.reading.limbs["side"]
    count = len(limb.profile.position_px)
    lost, lost_points = np.full(count, np.nan), np.full((count, 2), np.nan)
    profile = dataclasses.replace(
        limb.profile,
        **dict.fromkeys(
            ("diameter_px", "diameter_sd_px", "reference_px", "diameter_mm", "diameter_sd_mm", "reference_mm"), lost
        ),
        left_px=lost_points,
        right_px=lost_points,
    )
    numbers = {f.name: math.nan for f in dataclasses.fields(limb) if isinstance(getattr(limb, f.name), float)}
    limbs = {**bifurcation.reading.limbs, "side": dataclasses.replace(limb, profile=profile, **numbers)}
    medina = Medina("0,1,?", 50.0, (-37.4, 7.8, math.nan), (0.0, 0.998, math.nan))
    angles = Angles(math.nan, math.nan, 164.9, math.nan, math.nan, 1.4)
    reading = dataclasses.replace(bifurcation.reading, limbs=limbs, medina=medina, angles=angles)
    return Case(reading, bifurcation.frame)


VOID = {"meta", "link", "br", "img", "hr", "input"}


class Page(html.parser.HTMLParser):
    """Every element with its attributes and text; complains about tags that do not match."""

    def __init__(self, text):
        super().__init__()
        self.elements = []
        self.open = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        element = types.SimpleNamespace(tag=tag, attrs=dict(attrs), text="", inside=[e.tag for e in self.open])
        self.elements.append(element)
        if tag not in VOID:
            self.open.append(element)

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag):
        assert self.open.pop().tag == tag

    def handle_data(self, data):
        for element in self.open:
            element.text += data

    def all(self, tag, **attrs):
        wanted = {key.replace("_", "-"): value for key, value in attrs.items()}
        return [e for e in self.elements if e.tag == tag and all(e.attrs.get(k) == v for k, v in wanted.items())]

    def numbers(self, of, field):
        return [e.attrs["value"] for e in self.all("data", data_of=of, data_field=field)]

    def figures(self, name):
        return [e for e in self.all("svg", role="img") if name in e.attrs["aria-label"]]


@pytest.fixture(scope="session")
def page_of():
    """Take an HTML text apart."""
    return Page


@pytest.fixture(scope="session")
def page(page_of, bifurcation):
    return page_of(_report(bifurcation.reading, bifurcation.frame))


@pytest.fixture(scope="session")
def flagged_page(page_of, flagged):
    return page_of(_report(flagged.reading, flagged.frame))


def _report(reading, frame):
    from qca.report.html import report_html

    return report_html(reading, frame)
