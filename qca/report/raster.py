"""A scene drawn as a PNG, with the same places, colours and dashes as the SVG."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import numpy as np

from qca.report.marker import outline_points
from qca.report.palette import PAPER, QUIET, TEXT, rgb
from qca.report.placing import leader
from qca.report.scene import LINE_HEIGHT, dashes
from qca.report.svg import FONT_SIZE

if TYPE_CHECKING:
    from collections.abc import Callable

    from PIL.Image import Image
    from PIL.ImageDraw import ImageDraw

    from qca.reading import Points
    from qca.report.marker import Marker
    from qca.report.scene import Line, Scene, Tag

_SCALE = 2
"""PNG pixels per canvas unit."""
_OVERSAMPLING = 2
"""Everything is drawn this much larger and averaged down, which smooths the lines."""
_FOOTER_SIZE = 12.0
_COMPRESSION = 6
"""zlib's level: an eighth of the highest one's time for a sixth more bytes."""


def scene_png(scene: Scene, footer: tuple[str, ...]) -> bytes:
    """Draw a scene.

    Parameters
    ----------
    scene : Scene
        The scene.
    footer : tuple of str
        Paragraphs written under the picture, wrapped to its width.

    Returns
    -------
    bytes
        A PNG without metadata, two pixels per canvas unit.
    """
    from PIL import Image, ImageDraw

    total = _SCALE * _OVERSAMPLING
    picture = _upscaled(scene, total)
    draw = ImageDraw.Draw(picture)
    for line in scene.lines:
        _draw_line(draw, line, total)
    for marker in scene.markers:
        _draw_marker(draw, marker, total)
    for tag in scene.tags:
        _draw_leader(draw, tag, total)
    for tag in scene.tags:
        _draw_box(draw, tag, total)
    picture = picture.resize((picture.width // _OVERSAMPLING, picture.height // _OVERSAMPLING), Image.Resampling.BOX)
    draw = ImageDraw.Draw(picture)
    for tag in scene.tags:
        for k, content in enumerate(tag.lines):
            baseline = (tag.y + 6.0 + FONT_SIZE * 0.82 + k * LINE_HEIGHT) * _SCALE
            _write(draw, ((tag.x + 7.0) * _SCALE, baseline), content, bold=k == 0)
    picture = _with_footer(picture, footer)
    buffer = io.BytesIO()
    picture.save(buffer, format="PNG", compress_level=_COMPRESSION)
    return buffer.getvalue()


def _upscaled(scene: Scene, total: int) -> Image:
    """Enlarge the crop by a cubic spline; the outer edges of its first and last pixels are the edges of the canvas."""
    from PIL import Image
    from scipy import ndimage

    width, height = round(scene.width * total), round(scene.height * total)
    # a quarter of the final size is enough for a smooth picture, and the rest is done by plain interpolation
    small = (max(height // 4, 1), max(width // 4, 1))
    rows = (np.arange(small[0]) + 0.5) * scene.crop.rows / small[0] - 0.5
    columns = (np.arange(small[1]) + 0.5) * scene.crop.columns / small[1] - 0.5
    grey = ndimage.map_coordinates(
        scene.crop.grey.astype(np.float64), np.meshgrid(rows, columns, indexing="ij"), order=3, mode="nearest"
    )
    shown = Image.fromarray(np.clip(np.rint(grey), 0, 255).astype(np.uint8))
    return shown.resize((width, height), Image.Resampling.BILINEAR).convert("RGB")


def _draw_line(draw: ImageDraw, line: Line, total: int) -> None:
    if line.cased:
        _stroke(draw, line.points, PAPER, line.width + 1.8, total)
    for piece in dashes(line.points, line.dash):
        _stroke(draw, piece, line.colour, line.width, total)


def _stroke(draw: ImageDraw, points: Points, colour: str, width: float, total: int) -> None:
    # Pillow's integer coordinates are pixel centres, canvas (0, 0) is a corner
    corners = [(float(x) * total - 0.5, float(y) * total - 0.5) for x, y in points]
    draw.line(corners, fill=rgb(colour), width=max(round(width * total), 1), joint="curve")


def _draw_marker(draw: ImageDraw, marker: Marker, total: int) -> None:
    corners = [(x * total - 0.5, y * total - 0.5) for x, y in outline_points(marker)]
    if marker.filled:
        draw.polygon(corners, fill=rgb(marker.colour), outline=rgb(PAPER), width=round(1.2 * total))
        return
    ring = [*corners, *corners[:2]]
    draw.line(ring, fill=rgb(PAPER), width=round(4.0 * total), joint="curve")
    draw.line(ring, fill=rgb(marker.colour), width=round(1.8 * total), joint="curve")


def _draw_leader(draw: ImageDraw, tag: Tag, total: int) -> None:
    line = leader(tag)
    if line is not None:
        _stroke(draw, np.array(line), PAPER, 3.0, total)
        _stroke(draw, np.array(line), tag.colour, 1.1, total)


def _draw_box(draw: ImageDraw, tag: Tag, total: int) -> None:
    box = (tag.x * total, tag.y * total, (tag.x + tag.width) * total, (tag.y + tag.height) * total)
    draw.rounded_rectangle(box, radius=3 * total, fill=rgb(PAPER), outline=rgb(tag.colour), width=round(1.4 * total))


def _write(
    draw: ImageDraw, where: tuple[float, float], content: str, *, size: float = FONT_SIZE, bold: bool = False
) -> None:
    from PIL import ImageFont

    font = ImageFont.load_default(size * _SCALE)
    draw.text(where, content, font=font, fill=rgb(TEXT), anchor="ls", stroke_width=1 if bold else 0)


def _with_footer(picture: Image, paragraphs: tuple[str, ...]) -> Image:
    from PIL import Image, ImageDraw, ImageFont

    font = ImageFont.load_default(_FOOTER_SIZE * _SCALE)
    room = picture.width - 24 * _SCALE
    lines = [line for paragraph in paragraphs for line in _wrapped(paragraph, font.getlength, room)]
    step = round(1.35 * _FOOTER_SIZE * _SCALE)
    sheet = Image.new("RGB", (picture.width, picture.height + step * len(lines) + 16 * _SCALE), rgb(PAPER))
    sheet.paste(picture, (0, 0))
    draw = ImageDraw.Draw(sheet)
    for k, line in enumerate(lines):
        where = (12 * _SCALE, picture.height + 6 * _SCALE + step * (k + 1))
        draw.text(where, line, font=font, fill=rgb(QUIET), anchor="ls")
    return sheet


def _wrapped(paragraph: str, length: Callable[[str], float], room: float) -> list[str]:
    lines = [""]
    for word in paragraph.split():
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and length(longer) > room:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines
