"""Write ``frozen_readings.json``: the readings of the shipped samples, which the regression test holds.

::

    python tests/regression/freeze_readings.py            # shows what would change
    python tests/regression/freeze_readings.py --write    # writes it

Run it with ``--write`` only when a change of the measured values is meant, and say in CHANGELOG.md under "Measured
values" what moved, by how much, and on which phantoms.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from pathlib import Path

ROOT = Path(__file__).parent.parent.parent
SAMPLES = ROOT / "sample_images"
FROZEN = Path(__file__).with_name("frozen_readings.json")

LIMB_FIELDS = (
    "mld_mm",
    "mld_sd_mm",
    "mld_position_mm",
    "reference_mm",
    "reference_sd_mm",
    "ds_percent",
    "ds_sd_percent",
    "lesion_length_mm",
    "length_mm",
    "mld_px",
    "reference_px",
)
DECIMALS = 5


def rounded(value: float) -> float | None:
    """A number as it is frozen; None for NaN."""
    return round(value, DECIMALS) if math.isfinite(value) else None


def reading_numbers(name: str) -> dict[str, object]:
    """Measure one sample and keep its numbers and flags."""
    from qca.frames import open_frame
    from qca.picks_file import read_picks
    from qca.pipeline import measure

    truth = json.loads((SAMPLES / f"{name}.truth.json").read_text(encoding="utf-8"))
    picks = read_picks(SAMPLES / f"{name}.picks.json")
    reading = measure(open_frame(SAMPLES / truth["file"], picks.frame), picks)
    return {
        "scale_mm_per_px": rounded(reading.scale.mm_per_px) if reading.scale else None,
        "limbs": {
            limb: {field: rounded(getattr(found, field)) for field in LIMB_FIELDS}
            for limb, found in reading.limbs.items()
        },
        "angles_deg": {letter: rounded(getattr(reading.angles, letter)) for letter in "ABC"}
        if reading.angles
        else None,
        "medina": reading.medina.code if reading.medina else None,
        "flags": sorted({f"{flag.where}: {flag.code}" for flag in reading.flags}),
    }


def sample_names() -> list[str]:
    """Names of the shipped samples."""
    return sorted(path.name.removesuffix(".truth.json") for path in SAMPLES.glob("*.truth.json"))


def frozen_text() -> str:
    """Everything that is frozen, as text."""
    from qca import ALGORITHM_VERSION

    document = {
        "made_by": "python tests/regression/freeze_readings.py --write",
        "algorithm_version": ALGORITHM_VERSION,
        "samples": {name: reading_numbers(name) for name in sample_names()},
    }
    return json.dumps(document, indent=1, sort_keys=True) + "\n"


def _lines(text: str) -> list[str]:
    return text.splitlines(keepends=True)


def main() -> int:
    """Show or write."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--write", action="store_true")
    arguments = parser.parse_args()
    new = frozen_text()
    old = FROZEN.read_text(encoding="utf-8") if FROZEN.exists() else ""
    if arguments.write:
        FROZEN.write_text(new, encoding="utf-8")
        print(f"wrote {FROZEN}")
        return 0
    import difflib

    sys.stdout.writelines(difflib.unified_diff(_lines(old), _lines(new), "frozen", "now", n=1))
    return 0 if new == old else 1


if __name__ == "__main__":
    sys.exit(main())
