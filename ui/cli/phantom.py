"""``qca phantom``: synthetic frames with their truth."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ui.cli.folder import FOLDER

if TYPE_CHECKING:
    from qca.phantom.files import PhantomFile
    from qca.phantom.recipe import Recipe

_DIFFICULTIES = (
    "elliptic",
    "guide_wire",
    "crossing",
    "unfilled_catheter",
    "clipped",
    "log",
    "gamma",
    "motion",
    "diaphragm_edge",
    "long_tailed_blur",
    "correlated_noise",
    "two_wires",
    "sigmoid",
    "edge_enhancement",
    "collimator",
)
_LIST_COLUMNS = (
    "code",
    "file",
    "frame",
    "proximal",
    "distal",
    "side",
    "start",
    "end",
    "catheter_a",
    "catheter_b",
    "french",
    "catheter_mm",
    "mm_per_px",
)


@click.group(
    invoke_without_command=True,
    short_help="Write synthetic frames with their truth.",
    epilog="What is not given is drawn at random from the seed. Beside every frame stand <name>.truth.json and "
    "<name>.picks.json, and list.csv names all of them for  qca batch.",
)
@click.option("--out", type=FOLDER, metavar="DIR", help="Where the files go.")
@click.option("--seed", type=click.IntRange(0, 2**62), default=1, show_default=True, help="Seed of the first frame.")
@click.option(
    "--count", type=click.IntRange(1, 100_000), default=1, show_default=True, help="How many, seeds counting up."
)
@click.option(
    "--kind",
    type=click.Choice(["bifurcation", "segment"]),
    default="bifurcation",
    show_default=True,
    help="Three limbs, or one vessel.",
)
@click.option("--difficulty", type=click.Choice(_DIFFICULTIES), help="One difficulty in every frame (bifurcations).")
@click.option("--photons", type=click.FloatRange(1, 1e9), metavar="N", help="Detected quanta per pixel, background.")
@click.option("--mm-per-px", type=click.FloatRange(0.05, 1.0), metavar="S", help="Pixel size in the vessel's plane.")
@click.option("--blur-mm", type=click.FloatRange(0.02, 2.0), metavar="SD", help="Focal spot and detector blur.")
@click.option("--bits", type=click.Choice(["8", "10", "12", "16"]), help="Bits of a stored grey value.")
@click.option(
    "--mapping", type=click.Choice(["linear", "log", "gamma", "sigmoid"]), help="From intensity to grey values."
)
@click.option("--size", type=click.IntRange(128, 4096), default=512, show_default=True, help="Rows and columns.")
@click.option(
    "--format",
    "kind_of_file",
    type=click.Choice(["png", "dicom"]),
    default="png",
    show_default=True,
    help="PNG, or an XA DICOM file.",
)
@click.option("--frames", type=click.IntRange(1, 500), default=1, show_default=True, help="Frames of a DICOM run.")
@click.option("--compressed", is_flag=True, help="JPEG lossless coding of DICOM pixels.")
@click.option(
    "--recipe", type=click.Path(path_type=Path), metavar="FILE", help="A recipe, or a truth.json, to render again."
)
@click.pass_context
def phantom(ctx: click.Context, /, out: Path | None, **options: Any) -> None:  # noqa: ANN401 - click's options
    """Write synthetic frames with their truth.

    Each frame is computed from a known vessel: chords through the lumen, X-ray attenuation, blur, stray light,
    counting noise, grey mapping. The same seed and options give the same bytes.
    """
    if ctx.invoked_subcommand is not None:
        return
    if out is None:
        msg = "Say where the files go: --out DIR."
        raise click.UsageError(msg, ctx)
    if options["frames"] > 1 and options["kind_of_file"] == "png":
        msg = "A PNG holds one frame: add --format dicom."
        raise click.UsageError(msg, ctx)
    if options["difficulty"] and options["kind"] == "segment":
        msg = "--difficulty goes with --kind bifurcation."
        raise click.UsageError(msg, ctx)
    _write_all(out, options)


@phantom.command("samples", short_help="Rebuild the shipped sample images, byte for byte.")
@click.option(
    "--out",
    type=FOLDER,
    default=Path("sample_images"),
    show_default=True,
    metavar="DIR",
    help="Where they go.",
)
def samples(out: Path) -> None:
    """Rebuild the shipped sample images and their manifest, byte for byte."""
    from qca.phantom.samples import build

    for path in build(out):
        click.echo(path)


def _write_all(out: Path, options: dict[str, Any]) -> None:
    from qca.csv_text import lines
    from qca.errors import InputError
    from qca.phantom.files import write_phantom
    from qca.picks_file import read_picks
    from qca.whole_file import write_whole

    rows = []
    for seed in range(options["seed"], options["seed"] + (1 if options["recipe"] else options["count"])):
        try:
            image, _, picks = write_phantom(_one(seed, options), out)
        except ValueError as error:
            msg = f"The recipe cannot be rendered: {error}."
            raise InputError(msg) from error
        rows.append(_list_row(image, read_picks(picks)))
        click.echo(image)
    write_whole(out / "list.csv", lines([_LIST_COLUMNS, *rows]))


def _one(seed: int, options: dict[str, Any]) -> PhantomFile:
    """Compose one file from the options."""
    from dataclasses import replace

    from qca.phantom.cine import filling_run
    from qca.phantom.files import PhantomFile
    from qca.phantom.xa_file import XaHeader

    recipe = _read_recipe(options["recipe"]) if options["recipe"] else _draw(seed, options)
    name = f"phantom_{recipe.seed:06d}"
    frames: tuple[Recipe, ...] = (recipe,)
    if options["frames"] > 1:
        count = options["frames"]
        frames = filling_run(recipe, count=count, frames_per_beat=12.0, diastole=count - 1, mm_per_frame=20.0)
    elif recipe.frame is not None and options["kind_of_file"] == "png":
        frames = (replace(recipe, frame=None),)
    header = XaHeader(compressed=options["compressed"])
    return PhantomFile(name, frames, options["kind_of_file"], picked=len(frames) - 1, header=header)


def _draw(seed: int, options: dict[str, Any]) -> Recipe:
    from dataclasses import replace

    from qca.phantom import RANGES, hard_bifurcation, random_bifurcation, random_segment

    fixed = {"photons": "photons_per_px", "mm_per_px": "mm_per_px", "blur_mm": "blur_mm"}
    changes: dict[str, Any] = {field: (options[key],) * 2 for key, field in fixed.items() if options[key] is not None}
    if options["bits"]:
        changes["bits"] = (int(options["bits"]),)
    if options["mapping"]:
        changes["mappings"] = (options["mapping"],)
    ranges = replace(RANGES, size_px=options["size"], **changes)
    if options["difficulty"]:
        return hard_bifurcation(seed, options["difficulty"], ranges)
    return (random_segment if options["kind"] == "segment" else random_bifurcation)(seed, ranges)


def _read_recipe(path: Path) -> Recipe:
    """Read a recipe, or the recipe inside a truth.json."""
    from collections.abc import Mapping

    from qca.codec import decode_fields
    from qca.json_text import read_json
    from qca.phantom.recipe import Recipe

    document = read_json(path)
    if isinstance(document, Mapping) and "recipe" in document:
        document = document["recipe"]
    recipe: Recipe = decode_fields(Recipe, document, path="", name=path.name)
    return recipe


def _list_row(image: Path, picks: Any) -> list[object]:  # noqa: ANN401
    """Return one row of the list that ``qca batch`` reads; points are ``x y``, empty where not used."""
    first, second = picks.catheter or (None, None)
    points = (picks.proximal, picks.distal, picks.side, picks.start, picks.end, first, second)
    written = ["" if point is None else f"{point[0]:g} {point[1]:g}" for point in points]
    numbers = (picks.french, picks.catheter_mm, picks.mm_per_px)
    frame = "" if picks.frame is None else picks.frame
    return [image.stem, image.name, frame, *written, *("" if n is None else n for n in numbers)]
