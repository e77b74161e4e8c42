"""Where the shipped sample images are."""

from __future__ import annotations

from pathlib import Path

from qca.errors import InputError

_KINDS = (".dcm", ".png", ".tif")


def samples_folder() -> Path:
    """Find the folder beside the package ``qca``: in the checkout, and in an installed wheel alike.

    Raises
    ------
    InputError
        If it is not there.
    """
    import qca

    folder = Path(qca.__file__).parent.parent / "sample_images"
    if not folder.is_dir():
        msg = f"The sample images are not in {folder}: install qca from its checkout (python -m pip install -e .)."
        raise InputError(msg)
    return folder


def sample(name: str) -> tuple[Path, Path]:
    """Find one sample's image and its picks.

    Raises
    ------
    InputError
        If either is missing.
    """
    folder = samples_folder()
    picks = folder / f"{name}.picks.json"
    image = next((folder / f"{name}{kind}" for kind in _KINDS if (folder / f"{name}{kind}").exists()), None)
    if image is None or not picks.exists():
        msg = f"The sample {name!r} is not complete in {folder}: run  make samples  in the checkout."
        raise InputError(msg)
    return image, picks
