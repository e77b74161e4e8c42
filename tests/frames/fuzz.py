"""Damage files at random and read them: a Frame or a QcaError must come out, soon and in little memory.

Run as a script for a long round: ``python -m tests.frames.fuzz --rounds 2000``. What is being read stands in the file
``--trace``, so that even a crash of a decoder can be traced to its seed.
"""

from __future__ import annotations

import argparse
import random
import tempfile
import time
from collections import Counter
from pathlib import Path

import imagecodecs
import numpy as np
import tifffile
from PIL import Image

from qca.errors import QcaError
from qca.frames import Frame, open_frame
from tests.frames.files import ENHANCED_XA, JPEG, NATIVE, dataset, item, items, j2k, lossless, rle, run, write

HEADER = {
    "ImagerPixelSpacing": ["0.2", "0.2"],
    "DistanceSourceToDetector": "1000",
    "FrameTimeVector": ["0", "40", "41"],
    "RWavePointer": [1, 3],
    "ShutterShape": ["CIRCULAR", "POLYGONAL"],
    "CenterOfCircularShutter": ["12", "20"],
    "RadiusOfCircularShutter": "11",
    "VerticesOfThePolygonalShutter": ["1", "1", "1", "40", "24", "20"],
    "PixelIntensityRelationship": "LOG",
    "PatientName": "A^B",
}


def originals(folder: Path) -> list[Path]:
    """Write one small file of each kind."""
    frames, bytes_ = run(), run(bits=8)
    paths = [write(folder / f"native{n}.dcm", frames, syntax=syntax, **HEADER) for n, syntax in enumerate(NATIVE)]
    coded = {
        "50": (bytes_, lambda frame: imagecodecs.jpeg8_encode(frame, level=80)),
        "51": (frames, lambda frame: imagecodecs.jpeg8_encode(frame, level=80, bitspersample=12)),
        "57": (frames, lossless(12, predictor=6)),
        "70": (frames, lossless(12)),
        "80": (frames, imagecodecs.jpegls_encode),
        "81": (frames, lambda frame: imagecodecs.jpegls_encode(frame, level=3)),
        "90": (frames, j2k(12, reversible=True)),
        "91": (frames, j2k(12, level=40, reversible=False)),
        "201": (frames, imagecodecs.htj2k_encode),
    }
    for name, (stack, encode) in coded.items():
        paths.append(write(folder / f"coded{name}.dcm", stack, syntax=JPEG + name, encode=encode, **HEADER))
    paths.append(write(folder / "rle.dcm", frames, syntax="1.2.840.10008.1.2.5", encode=rle, **HEADER))
    enhanced = dataset(frames, sop_class=ENHANCED_XA)
    enhanced.SharedFunctionalGroupsSequence = items(
        item(
            FramePixelDataPropertiesSequence=items(
                item(ImagerPixelSpacing=["0.2", "0.2"], PixelIntensityRelationship="LIN")
            )
        )
    )
    enhanced.PerFrameFunctionalGroupsSequence = items(
        *(item(PositionerPositionSequence=items(item(PositionerPrimaryAngle=str(k)))) for k in range(3))
    )
    enhanced["PerFrameFunctionalGroupsSequence"].is_undefined_length = True
    paths.append(write(folder / "enhanced.dcm", frames, ds=enhanced))
    for name, picture in (("grey8", bytes_[0]), ("grey16", frames[0])):
        Image.fromarray(picture).save(folder / f"{name}.png")
        paths.append(folder / f"{name}.png")
    (folder / "rgb.png").write_bytes(imagecodecs.png_encode(np.stack([bytes_[0]] * 3, -1)))
    paths.append(folder / "rgb.png")
    for name, options in (
        ("plain", {}),
        ("lzw", {"compression": "lzw", "predictor": True}),
        ("deflate", {"compression": "deflate", "tile": (16, 16)}),
        ("packbits", {"compression": "packbits", "bigtiff": True}),
    ):
        tifffile.imwrite(folder / f"{name}.tif", bytes_, photometric="minisblack", **options)
        paths.append(folder / f"{name}.tif")
    return paths


def damaged(data: bytes, draw: random.Random) -> bytes:
    """Flip, overwrite, drop, repeat or cut some bytes; the header more often than the rest."""
    out = bytearray(data)
    for _ in range(draw.choice((1, 1, 1, 2, 4, 16))):
        if not out:
            break
        reach = len(out) if draw.random() < 0.6 else min(len(out), 1500)
        place = draw.randrange(reach)
        kind = draw.randrange(7)
        if kind <= 1:
            out[place] ^= 1 << draw.randrange(8)
        elif kind == 2:
            out[place] = draw.randrange(256)
        elif kind == 3:
            out[place : place + 4] = draw.choice(
                (b"\xff\xff\xff\xff", b"\0\0\0\0", b"\xff\xff\xff\x7f", b"\xfe\xff\x00\xe0")
            )
        elif kind == 4:
            del out[place : place + draw.randrange(1, 40)]
        elif kind == 5:
            out[place:place] = out[place : place + draw.randrange(1, 40)]
        else:
            del out[place:]
    return bytes(out)


def attack(folder: Path, rounds: int, seed: int, trace: Path | None = None) -> tuple[Counter[str], float]:
    """Read ``rounds`` damaged copies of each original.

    Returns
    -------
    tuple of Counter and float
        Outcomes by name of the exception or "Frame"; and the slowest read, seconds.

    Raises
    ------
    Exception
        Whatever else than a QcaError comes out of a read.
    """
    outcomes: Counter[str] = Counter()
    slowest = 0.0
    victim = folder / "victim"
    for path in originals(folder):
        data = path.read_bytes()
        for number in range(rounds):
            key = f"{seed}/{path.name}/{number}"
            draw = random.Random(key)  # noqa: S311
            victim.write_bytes(damaged(data, draw))
            if trace is not None:
                trace.write_text(key)
            started = time.process_time()
            try:
                frame = open_frame(victim, draw.choice((0, 2)) if draw.random() < 0.9 else None)
            except QcaError as error:
                outcomes[type(error).__name__] += 1
                if not str(error).endswith(".") or "\n" in str(error):
                    msg = f"{key}: {error}"
                    raise AssertionError(msg) from error
            except Exception as error:
                error.add_note(f"damaged file {key}")
                raise
            else:
                if not isinstance(frame, Frame) or not np.isfinite(frame.pixels).all() or not frame.valid.any():
                    raise AssertionError(key)
                outcomes["Frame"] += 1
            slowest = max(slowest, time.process_time() - started)
    return outcomes, slowest


def main() -> None:
    """Attack for long and print what came out."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--trace", type=Path, default=None)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        outcomes, slowest = attack(Path(folder), arguments.rounds, arguments.seed, arguments.trace)
    print(dict(outcomes), f"slowest {slowest * 1000:.0f} ms")


if __name__ == "__main__":
    main()
