"""The shipped sample images: what they are, and the one command that rebuilds them to the byte.

::

    python -m qca.phantom.samples [FOLDER]
"""

from __future__ import annotations

import hashlib
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from qca.json_text import write_json
from qca.phantom.cine import filling_run
from qca.phantom.files import PhantomFile, file_contents
from qca.phantom.recipe import Background, Grey, Optics, Recipe
from qca.phantom.scenes import Look, left_coronary, right_coronary, second_diagonal, single_vessel
from qca.phantom.shapes import GuideWire, Lesion
from qca.phantom.xa_file import XaHeader
from qca.whole_file import write_together

MANIFEST = "MANIFEST.json"
"""Name of the list of samples with seeds and hashes."""

_IODINE_MG_PER_ML = 270.0


@dataclass(frozen=True, slots=True)
class Sample:
    """One shipped sample: its name, what it shows, and how it is made."""

    name: str
    shows: str
    make: Callable[[], PhantomFile]


def _finish(
    recipe: Recipe,
    *,
    photons: float,
    blur_mm: float,
    background: Background,
    scatter: float = 0.15,
) -> Recipe:
    return replace(
        recipe,
        photons_per_px=photons,
        iodine_mg_per_ml=_IODINE_MG_PER_ML,
        optics=Optics(blur_mm=blur_mm, scatter_fraction=scatter, glare_fraction=0.03),
        background=background,
        catheter=None if recipe.catheter is None else replace(recipe.catheter, wall_per_mm=0.2),
    )


def _left(seed: int, lesions: dict[str, Lesion]) -> Recipe:
    recipe = left_coronary(seed, lesions, Look((3.6, 3.0, 2.4), Grey(bits=12), 0.2))
    background = Background(tissue_mm=5.0, ribs_mm=2.0, spine_mm=8.0, diaphragm_mm=22.0, texture_mm=0.2)
    return _finish(recipe, photons=1200.0, blur_mm=0.2, background=background)


def _bifurcation() -> PhantomFile:
    lesions = {
        "proximal": Lesion(10.5, 11.0, 62.0, "cosine", 0.5),
        "distal": Lesion(10.0, 9.0, 32.0),
        "side": Lesion(4.2, 7.0, 66.0, "cosine", -0.4),
    }
    header = XaHeader(primary_angle_deg=4.0, secondary_angle_deg=32.0)
    return PhantomFile("bifurcation", (_left(2101, lesions),), "dicom", header=header)


def _bifurcation_after() -> PhantomFile:
    lesions = {"proximal": Lesion(10.5, 11.0, 8.0), "side": Lesion(4.2, 7.0, 22.0)}
    header = XaHeader(primary_angle_deg=4.0, secondary_angle_deg=32.0)
    recipe = replace(_left(2101, lesions), take=1)
    return PhantomFile("bifurcation_after", (recipe,), "dicom", header=header)


def _filling_run() -> PhantomFile:
    recipe = right_coronary(2103, {"distal": Lesion(9.0, 10.0, 58.0, "skewed")}, Look((3.4, 2.6, 2.3), Grey(bits=8)))
    background = Background(tissue_mm=5.0, ribs_mm=2.0, spine_mm=8.0, diaphragm_mm=18.0, texture_mm=0.2)
    recipe = _finish(recipe, photons=900.0, blur_mm=0.22, background=background)
    frames = filling_run(recipe, count=12, frames_per_beat=11.0, diastole=10, mm_per_frame=26.0)
    header = XaHeader(primary_angle_deg=40.0, secondary_angle_deg=18.0, r_waves=(1, 12), compressed=True)
    return PhantomFile("filling_run", frames, "dicom", picked=10, header=header)


def _eight_bit() -> PhantomFile:
    lesions = {"distal": Lesion(10.0, 10.0, 57.0, "plateau"), "side": Lesion(8.5, 8.0, 61.0, "cosine", 0.6)}
    recipe = second_diagonal(2104, lesions, Look((3.3, 2.8, 2.2), Grey(bits=8), 0.21))
    background = Background(tissue_mm=6.0, ribs_mm=2.5, texture_mm=0.2)
    return PhantomFile("eight_bit", (_finish(recipe, photons=700.0, blur_mm=0.22, background=background),), "png")


def _segment() -> PhantomFile:
    lesion = Lesion(45.0, 16.0, 64.0, "plateau", 0.4)
    recipe = single_vessel(2105, lesion, Look((3.2,), Grey(bits=16, offset_level=0.03), 0.2))
    background = Background(tissue_mm=5.0, ribs_mm=1.5, spine_mm=6.0, texture_mm=0.2)
    return PhantomFile("segment", (_finish(recipe, photons=1500.0, blur_mm=0.18, background=background),), "png")


def _diffuse_side() -> PhantomFile:
    # the plateau of the lesion is longer than the limb: no healthy part is left to take a reference from
    lesions = {"proximal": Lesion(12.0, 9.0, 40.0), "side": Lesion(14.0, 60.0, 45.0, "plateau")}
    recipe = right_coronary(2106, lesions, Look((3.5, 2.8, 2.5), Grey(bits=10), 0.2))
    background = Background(tissue_mm=4.0, ribs_mm=2.0, diaphragm_mm=15.0, texture_mm=0.15)
    recipe = _finish(recipe, photons=1000.0, blur_mm=0.2, background=background)
    header = XaHeader(primary_angle_deg=38.0, secondary_angle_deg=20.0)
    return PhantomFile("diffuse_side", (recipe,), "dicom", header=header)


def _ostial_side() -> PhantomFile:
    lesions = {"side": Lesion(3.0, 6.5, 68.0)}
    recipe = second_diagonal(2107, lesions, Look((3.4, 2.9, 2.3), Grey(bits=8), 0.19))
    background = Background(tissue_mm=6.0, ribs_mm=2.0, diaphragm_mm=16.0, texture_mm=0.2)
    recipe = _finish(recipe, photons=1800.0, blur_mm=0.19, background=background, scatter=0.2)
    return PhantomFile("ostial_side", (recipe,), "png")


def _log_mapped() -> PhantomFile:
    lesions = {"proximal": Lesion(12.0, 12.0, 54.0, "skewed"), "distal": Lesion(7.0, 9.0, 63.0)}
    grey = Grey(bits=12, mapping="log", background_level=0.7, log_span=0.3)
    recipe = left_coronary(2108, lesions, Look((3.5, 2.8, 2.3), grey, 0.2))
    background = Background(tissue_mm=5.0, ribs_mm=2.0, spine_mm=6.0, texture_mm=0.2)
    recipe = _finish(recipe, photons=1500.0, blur_mm=0.2, background=background)
    header = XaHeader(primary_angle_deg=-2.0, secondary_angle_deg=35.0)
    return PhantomFile("log_mapped", (recipe,), "dicom", header=header)


def _header_scale() -> PhantomFile:
    lesions = {"distal": Lesion(4.0, 8.0, 55.0, "cosine", 0.5)}
    recipe = second_diagonal(2109, lesions, Look((3.1, 2.6, 2.1), Grey(bits=12), 0.18))
    background = Background(tissue_mm=5.0, ribs_mm=2.5, texture_mm=0.2)
    # the vessel comes in from outside the frame
    proximal, *others = recipe.limbs
    proximal = replace(proximal, path=replace(proximal.path, length_mm=80.0))
    recipe = replace(recipe, limbs=(proximal, *others), catheter=None)
    recipe = _finish(recipe, photons=1100.0, blur_mm=0.2, background=background)
    header = XaHeader(primary_angle_deg=88.0, secondary_angle_deg=2.0)
    return PhantomFile("header_scale", (recipe,), "dicom", header=header, scale_from_header=True)


def _wire_in_place() -> PhantomFile:
    lesions = {"proximal": Lesion(11.0, 10.0, 45.0), "distal": Lesion(9.0, 11.0, 72.0)}
    grey = Grey(bits=8, mapping="gamma", gamma=0.7)
    recipe = left_coronary(2110, lesions, Look((3.7, 3.0, 2.5), grey, 0.2))
    background = Background(tissue_mm=5.0, ribs_mm=2.0, diaphragm_mm=20.0, texture_mm=0.2)
    recipe = _finish(recipe, photons=1300.0, blur_mm=0.2, background=background)
    recipe = replace(recipe, guide_wire=GuideWire(("proximal", "distal"), offset=0.5))
    header = XaHeader(primary_angle_deg=2.0, secondary_angle_deg=30.0)
    return PhantomFile("wire_in_place", (recipe,), "dicom", header=header)


SAMPLES: tuple[Sample, ...] = (
    Sample("bifurcation", "anterior descending artery and diagonal, 1,0,1, 6 F catheter, 12 bit", _bifurcation),
    Sample("bifurcation_after", "the same vessels after treatment, for comparing", _bifurcation_after),
    Sample("filling_run", "12 frames, right coronary artery filling, R waves, 8 bit, JPEG lossless", _filling_run),
    Sample("eight_bit", "0,1,1 in an 8-bit PNG, 5 F catheter", _eight_bit),
    Sample("segment", "one segment with a long eccentric lesion, 16-bit PNG, 7 F catheter", _segment),
    Sample("diffuse_side", "side branch narrowed over its whole length, 10 bit", _diffuse_side),
    Sample("ostial_side", "lesion at the mouth of a steep side branch, 8-bit PNG", _ostial_side),
    Sample("log_mapped", "logarithmic grey values with their modality LUT, 1,1,0", _log_mapped),
    Sample("header_scale", "no catheter in view, scale from the header", _header_scale),
    Sample("wire_in_place", "guide wire through the lesion, display-processed grey values", _wire_in_place),
)
"""All shipped samples, in the order of the manifest."""


def sample_contents(sample: Sample) -> dict[str, bytes]:
    """Render one sample: file name to content."""
    return file_contents(sample.make())


def build(folder: Path) -> tuple[Path, ...]:
    """Write all samples and their manifest into a folder.

    Raises
    ------
    InputError
        If the folder cannot be written; nothing is left behind.
    """
    files: dict[str, bytes] = {}
    entries: list[dict[str, object]] = []
    for sample in SAMPLES:
        phantom = sample.make()
        contents = file_contents(phantom)
        files |= contents
        entries.append(
            {
                "name": sample.name,
                "shows": sample.shows,
                "seed": phantom.frames[0].seed,
                "frames": len(phantom.frames),
                "sha256": {name: hashlib.sha256(content).hexdigest() for name, content in contents.items()},
            }
        )
    manifest = {
        "schema": "qca.samples/1",
        "note": "Synthetic frames; no patient, device or institution behind them.",
        "rebuild": "python -m qca.phantom.samples sample_images",
        "samples": entries,
    }
    return write_together(folder, files | {MANIFEST: write_json(manifest).encode()})


def main() -> None:
    """Rebuild the samples in the folder given, or in ./sample_images."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path("sample_images")
    for path in build(folder):
        sys.stdout.write(f"{path}\n")


if __name__ == "__main__":
    main()
