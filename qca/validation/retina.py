"""Real vessels: junctions and segments of a photograph that scikit-image ships, measured again and again.

Phantoms share our imagination; real walls, textures and crossings do not. The picture is `skimage.data.retina` (an eye
fundus in colour, 1411 x 1411; its green channel shows blood dark on bright). Nobody knows its true diameters, so what
can be tested is that a clear junction is never refused, and that its diameters repeat when picks move, the picture is
turned or mirrored, or noise is added. Its junctions can also be held against the diameter laws.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from qca.frames.frame import Frame
from qca.picks import LIMBS, Picks, Point
from qca.reading import LimbReading, Reading
from qca.settings import DEFAULT_SETTINGS, Settings

Image = npt.NDArray[np.float64]

PICK_SD_PX = 3.0
"""How far picks move, per axis, from one repeat to the next."""

NOISE_SD = 2.0
"""Grey levels of noise added in each repeat; the picture's own is about 2."""

REPEAT_LIMIT_PX = 0.3
"""Reference diameters have to repeat within this standard deviation."""


@dataclass(frozen=True, slots=True)
class Site:
    """A junction (three picks: proximal, distal, side) or a segment (two), chosen by looking at the picture.

    ``doubt`` says what keeps it from being a clear one, as seen in the picture; empty for a clear site.
    """

    name: str
    points: tuple[Point, ...]
    doubt: str = ""

    @property
    def is_segment(self) -> bool:
        """True for two picks."""
        return len(self.points) == 2

    @property
    def limb_names(self) -> tuple[str, ...]:
        """Names of its limbs, in order."""
        return ("segment",) if self.is_segment else LIMBS

    def picks(self, points: Sequence[Point] | None = None) -> Picks:
        """Give the picks of this site, at other points if given."""
        given = tuple(points) if points is not None else self.points
        if self.is_segment:
            return Picks(start=given[0], end=given[1])
        return Picks(proximal=given[0], distal=given[1], side=given[2])


_FAINT = "as narrow as its blur and hardly darker than the texture around it"

SITES: tuple[Site, ...] = (
    Site("upper right fork", ((1035, 412), (1130, 335), (1145, 390))),
    Site(
        "upper edge, branch down",
        ((875, 168), (1000, 188), (920, 224)),
        "a broken bright reflex runs along the main vessel",
    ),
    Site("second fork of that branch", ((928, 211), (890, 275), (926, 287)), _FAINT),
    Site("middle, thin branch down", ((855, 420), (965, 433), (917, 472))),
    Site("centre fork before a crossing", ((742, 512), (803, 547), (812, 503))),
    Site("right fork", ((1186, 528), (1205, 635), (1148, 630))),
    Site("lower right confluence", ((880, 1045), (911, 957), (940, 992))),
    Site("confluence above it", ((909, 978), (935, 900), (885, 918))),
    Site("lower edge, branch up", ((860, 1229), (750, 1224), (824, 1160))),
    Site(
        "upper left, branch up",
        ((418, 264), (495, 198), (431, 188)),
        "the branch is half as dark as the vessel that it leaves",
    ),
    Site("upper left, thick branch up", ((455, 319), (600, 339), (525, 255))),
    Site(
        "lower middle, branch down",
        ((650, 935), (740, 910), (683, 970)),
        "two more branches leave the main vessel within the picks",
    ),
    Site("segment with a bright reflex", ((560, 332), (690, 355))),
    Site("segment, lower right vein", ((884, 1042), (845, 1125))),
    Site("thin segment, right", ((1192, 612), (1250, 685)), _FAINT),
)
"""Junctions and segments of which the whole of each limb is seen."""

CLEAR_SITES = tuple(site for site in SITES if not site.doubt)
"""Those that no other vessel touches within the picks and nothing else makes doubtful: their diameters have to repeat.
The others are measured and shown with them."""


@dataclass(frozen=True, slots=True)
class SiteLimb:
    """What is kept of one limb's reading: reference diameter with its stated SD, px, and walls, (N, 2) as (x, y)."""

    name: str
    reference_px: float
    reference_sd_px: float
    left_px: Image
    right_px: Image


@dataclass(frozen=True, slots=True)
class SiteResult:
    """Repeated readings of one site.

    ``limbs`` is the site as it is, empty when refused; ``repeats`` the reference diameters of the disturbed ones, px,
    in the order of the limbs; ``refused`` the messages of readings that were not possible.
    """

    site: Site
    limbs: tuple[SiteLimb, ...]
    repeats: tuple[tuple[float, ...], ...]
    refused: tuple[str, ...]

    def reference_sd_px(self) -> dict[str, float]:
        """Give the standard deviation (n - 1) of each limb's reference diameter over the repeats, px."""
        if len(self.repeats) < 2:
            return {}
        spread = np.std(np.array(self.repeats), axis=0, ddof=1)
        return {name: float(sd) for name, sd in zip(self.site.limb_names, spread, strict=True)}


def retina_pixels() -> Image:
    """Green channel of the photograph, shape (1411, 1411), 0 to 255."""
    from skimage.data import retina

    return np.asarray(retina()[..., 1], dtype=np.float64)  # type: ignore[no-untyped-call]


def retina_frame(pixels: Image) -> Frame:
    """Make a frame of grey values of that photograph."""
    pixels = np.array(pixels)
    valid = np.ones(pixels.shape, dtype=np.bool_)
    pixels.setflags(write=False)
    valid.setflags(write=False)
    return Frame(
        pixels,
        valid,
        "retina.jpg, green channel",
        "0" * 64,
        dark_vessels=True,
        grey_rule="green channel of a photograph",
    )


def moved(site: Site, pixels: Image, repeat: int) -> tuple[Image, list[Point]]:
    """Turn, mirror and disturb the picture and the picks; repeat 0 is the site as it is.

    Repeats 1 to 8 go through the four quarter turns, without and with a mirror; each has noise and moved picks of its
    own.
    """
    if repeat == 0:
        return pixels, list(site.points)
    seed = [repeat, *(int(value) for point in site.points for value in point)]
    rng = np.random.default_rng(seed)
    points = np.array(site.points) + rng.normal(0.0, PICK_SD_PX, (len(site.points), 2))
    image = pixels + rng.normal(0.0, NOISE_SD, pixels.shape)
    if (repeat - 1) // 4 % 2:
        image = image[:, ::-1]
        points[:, 0] = image.shape[1] - 1 - points[:, 0]
    for _ in range((repeat - 1) % 4):  # a quarter turn to the left: (x, y) -> (y, columns - 1 - x)
        columns = image.shape[1]
        image = np.rot90(image)
        points = np.column_stack([points[:, 1], columns - 1 - points[:, 0]])
    return np.ascontiguousarray(image), [(float(x), float(y)) for x, y in points]


def cut_out(site: Site, pixels: Image, margin_px: int = 130) -> tuple[Image, Site]:
    """Cut the surroundings of a site out of the picture, so that repeats need not turn all of it."""
    points = np.array(site.points)
    low = np.maximum(np.floor(points.min(axis=0)).astype(int) - margin_px, 0)
    high = np.ceil(points.max(axis=0)).astype(int) + margin_px
    part = pixels[low[1] : high[1], low[0] : high[0]]
    return part, replace(site, points=tuple((float(x - low[0]), float(y - low[1])) for x, y in points))


def measure_site(site: Site, pixels: Image, repeats: int, settings: Settings = DEFAULT_SETTINGS) -> SiteResult:
    """Measure one site as it is, and ``repeats`` times disturbed."""
    from qca.pipeline import measure

    refused: list[str] = []

    def read(image: Image, points: Sequence[Point]) -> Reading | None:
        try:
            return measure(retina_frame(image), site.picks(points), settings)
        except Exception as error:  # noqa: BLE001 - a crash at one site is a result, and is counted
            refused.append(f"{type(error).__name__}: {error}")
            return None

    first = read(pixels, site.points)
    part, local = cut_out(site, pixels)
    others = [read(*moved(local, part, repeat)) for repeat in range(1, repeats + 1)]
    limbs = () if first is None else tuple(_kept(name, first.limbs[name]) for name in site.limb_names)
    diameters = tuple(
        tuple(other.limbs[name].reference_px for name in site.limb_names) for other in others if other is not None
    )
    return SiteResult(site, limbs, diameters, tuple(refused))


def _kept(name: str, limb: LimbReading) -> SiteLimb:
    return SiteLimb(name, limb.reference_px, limb.reference_sd_px, limb.profile.left_px, limb.profile.right_px)


def law_predictions(distal: float, side: float) -> dict[str, float]:
    """Proximal diameter that each diameter law expects from the two daughters, same unit.

    Murray CD, Proc Natl Acad Sci USA 1926;12:207 (cubes); Huo Y, Kassab GS, in Huo Y et al., EuroIntervention
    2012;7:1310 (power 7/3); Finet G et al., EuroIntervention 2008;3:490 (0.678 of the sum); equal area (squares).
    """
    return {
        "cubes (Murray)": (distal**3 + side**3) ** (1 / 3),
        "7/3 power (Huo and Kassab)": (distal ** (7 / 3) + side ** (7 / 3)) ** (3 / 7),
        "0.678 of the sum (Finet)": 0.678 * (distal + side),
        "equal area": (distal**2 + side**2) ** 0.5,
    }


def junction_diameters(results: Sequence[SiteResult]) -> list[tuple[str, float, float, float]]:
    """Name and reference diameters (proximal, distal, side; px) of every measured junction."""
    out = []
    for result in results:
        if result.limbs and not result.site.is_segment:
            proximal, distal, side = (limb.reference_px for limb in result.limbs)
            out.append((result.site.name, proximal, distal, side))
    return out
