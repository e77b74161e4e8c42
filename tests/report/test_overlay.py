"""The PNG of the contours: drawn at the right places, in the right colours, with nothing else inside the file."""

import dataclasses
import io

import numpy as np
import pytest

from qca.report.frame_scene import frame_scene
from qca.report.overlay import overlay_png
from qca.report.palette import INKS, rgb
from qca.report.scene import to_canvas

PNG_PER_CANVAS = 2


def read(png):
    from PIL import Image

    with Image.open(io.BytesIO(png)) as image:
        assert image.format == "PNG"
        return np.asarray(image.convert("RGB")).astype(int), dict(image.info)


@pytest.fixture(scope="session")
def picture(bifurcation):
    return read(overlay_png(bifurcation.reading, bifurcation.frame))


def near(picture, colour, where, reach):
    x, y = (round(v) for v in where)
    window = picture[max(y - reach, 0) : y + reach + 1, max(x - reach, 0) : x + reach + 1]
    return bool((np.abs(window - np.array(rgb(colour))).max(axis=2) < 40).any())


def test_is_enlarged_and_without_metadata(picture, bifurcation):
    pixels, info = picture
    assert info == {}
    assert pixels.shape[1] >= 1000


def test_walls_have_the_ink_of_their_limb(picture, bifurcation):
    pixels, _ = picture
    scene = frame_scene(bifurcation.reading, bifurcation.frame, ())
    boxes = scene.tags
    for name, limb in bifurcation.reading.limbs.items():
        wall = to_canvas(limb.profile.left_px, scene.crop, scene.zoom)
        seen = [
            near(pixels, INKS[name].colour, point * PNG_PER_CANVAS, 7)
            for point in wall[5:-5:5]
            if not any(b.x <= point[0] <= b.x + b.width and b.y <= point[1] <= b.y + b.height for b in boxes)
        ]
        assert np.mean(seen) > 0.9


def test_the_grey_picture_lies_where_the_walls_say(bifurcation):
    """A frame that is black on one side of x = 150.5 only: the step appears there, to a fraction of a pixel."""
    pixels = np.zeros(bifurcation.frame.pixels.shape)
    pixels[:, 151:] = 1000.0
    frame = dataclasses.replace(bifurcation.frame, pixels=pixels, valid=np.ones(pixels.shape, dtype=bool))
    shown, _ = read(overlay_png(bifurcation.reading, frame))
    scene = frame_scene(bifurcation.reading, frame, ())
    row = shown[20, :, 0]
    step = np.interp(127.5, row[:], np.arange(len(row))) if np.all(np.diff(row) >= 0) else np.argmax(row > 127)
    expected = (150.5 - scene.crop.left + 0.5) * scene.zoom * PNG_PER_CANVAS
    assert step == pytest.approx(expected, abs=0.35 * scene.zoom * PNG_PER_CANVAS)


def test_nothing_of_the_frame_outside_the_measured_part_is_shown(bifurcation):
    """Text burned into a corner must not travel into the report."""
    plain = overlay_png(bifurcation.reading, bifurcation.frame)
    scene = frame_scene(bifurcation.reading, bifurcation.frame, ())
    pixels = bifurcation.frame.pixels.copy()
    outside = np.ones(pixels.shape, dtype=bool)
    crop = scene.crop
    outside[crop.top : crop.top + crop.rows, crop.left : crop.left + crop.columns] = False
    assert outside.any()
    pixels[outside] = 9999.0
    assert overlay_png(bifurcation.reading, dataclasses.replace(bifurcation.frame, pixels=pixels)) == plain


@pytest.mark.parametrize("kind", ["segment", "without_scale", "flagged", "unknown_side"])
def test_every_kind_of_reading_is_drawn(kind, request):
    case = request.getfixturevalue(kind)
    pixels, _ = read(overlay_png(case.reading, case.frame))
    assert pixels.std() > 10


def test_same_reading_same_bytes(bifurcation):
    assert overlay_png(bifurcation.reading, bifurcation.frame) == overlay_png(bifurcation.reading, bifurcation.frame)


def test_another_frame_is_refused(bifurcation):
    with pytest.raises(ValueError, match="not the reading's"):
        overlay_png(bifurcation.reading, dataclasses.replace(bifurcation.frame, sha256="00" * 32))
