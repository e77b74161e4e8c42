"""One frame of a long run costs the memory of a frame, not of the run."""

import struct
import subprocess
import sys
import zlib
from pathlib import Path

import numpy as np
import pytest
from pydicom.uid import DeflatedExplicitVRLittleEndian, ExplicitVRLittleEndian

from tests.frames.files import JPEG, lossless, write

COUNT, SIDE = 100, 1024
MOST_MB = 200

PEAK = """
import sys
from pathlib import Path
from qca.frames import open_frame
frame = open_frame(sys.argv[1], 50)
status = Path("/proc/self/status")
if status.exists():
    # The high-water mark of this process; ru_maxrss would begin with the one of the process that started it.
    peak = next(int(line.split()[1]) / 1024 for line in status.read_text().splitlines() if line.startswith("VmHWM"))
else:
    import resource
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024 / (1024 if sys.platform == "darwin" else 1)
print(peak, frame.count, float(frame.pixels.mean()))
"""


def peak_mb(path):
    done = subprocess.run(
        [sys.executable, "-c", PEAK, str(path)], capture_output=True, text=True, check=True, cwd=Path.cwd()
    )
    peak, count, mean = map(float, done.stdout.split())
    assert count == COUNT
    return peak, mean


@pytest.fixture(scope="module")
def frame():
    return np.random.default_rng(5).normal(2000, 60, (SIDE, SIDE)).clip(0, 4095).astype(np.uint16)


def native(path, frame):
    write(path, frame[None], syntax=ExplicitVRLittleEndian, NumberOfFrames=COUNT)
    head = path.read_bytes()[: -frame.nbytes - 4] + struct.pack("<I", frame.nbytes * COUNT)
    return head, (frame.tobytes() for _ in range(COUNT)), b""


def coded(path, frame):
    stream = lossless(12)(frame)
    stream += b"\0" * (len(stream) % 2)
    write(path, frame[None], syntax=JPEG + "70", codestreams=[stream], NumberOfFrames=COUNT)
    data = path.read_bytes()
    head = data[: data.index(b"\xe0\x7f\x10\x00OB") + 12] + b"\xfe\xff\x00\xe0\0\0\0\0"
    fragment = b"\xfe\xff\x00\xe0" + struct.pack("<I", len(stream)) + stream
    return head, (fragment for _ in range(COUNT)), b"\xfe\xff\xdd\xe0\0\0\0\0"


def deflated(path, frame):
    head, body, _ = native(path, frame)
    place = 132 + 12 + struct.unpack_from("<I", head, 140)[0]
    meta = write(path, frame[None, :2], syntax=DeflatedExplicitVRLittleEndian).read_bytes()
    meta = meta[: 132 + 12 + struct.unpack_from("<I", meta, 140)[0]]
    machine = zlib.compressobj(1, wbits=-15)
    first = machine.compress(head[place:]) + machine.flush(zlib.Z_FULL_FLUSH)
    one = machine.compress(next(body)) + machine.flush(zlib.Z_FULL_FLUSH)
    return meta + first, (one for _ in range(COUNT)), machine.flush()


@pytest.mark.parametrize("kind", [native, coded, deflated])
def test_peak_memory_of_one_frame(tmp_path, frame, kind):
    path = tmp_path / "run.dcm"
    head, body, tail = kind(path, frame)
    with path.open("wb") as file:
        file.write(head)
        for piece in body:
            file.write(piece)
        file.write(tail)
    peak, mean = peak_mb(path)
    path.unlink()
    assert mean == pytest.approx(frame.mean())
    assert peak < MOST_MB, f"{peak:.0f} MB"
