"""The measuring process: reads jobs from standard input, writes answers to standard output. No Qt, no napari here.

A process of its own keeps the window fluid while numbers are computed, and takes the damage of a crash in a decoder.
Each message is a JSON document behind its length (4 bytes, big endian). A job has ``ticket`` and ``job``
(``"measure"``, ``"glance"``, ``"shaft"``, ``"plan"``, ``"report"``); an answer has the same ticket and either
``result``, or ``error``, one sentence for the user, or ``fault``, a traceback.
"""

from __future__ import annotations

import json
import os
import struct
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

from qca.errors import QcaError

if TYPE_CHECKING:
    from qca.frames.frame import Frame
    from qca.picks import Picks
    from qca.pipeline import FrameAtHand
    from qca.settings import Settings
    from qca.sizing.worksheet import Worksheet

_LENGTH = struct.Struct(">I")
LONGEST_MESSAGE = 256 * 1024**2


def send(stream: BinaryIO, message: Mapping[str, Any]) -> None:
    """Write one message."""
    data = json.dumps(message).encode("utf-8")
    stream.write(_LENGTH.pack(len(data)) + data)
    stream.flush()


def receive(stream: BinaryIO) -> dict[str, Any] | None:
    """Read one message; None when the other side is gone."""
    head = stream.read(_LENGTH.size)
    if len(head) < _LENGTH.size:
        return None
    (length,) = _LENGTH.unpack(head)
    if length > LONGEST_MESSAGE:
        return None
    data = stream.read(length)
    if len(data) < length:
        return None
    message: dict[str, Any] = json.loads(data)
    return message


class Frames:
    """The frame that was measured last, so that a drag decodes it once and looks at its catheter once."""

    def __init__(self) -> None:
        self._key: tuple[object, ...] = ()
        self._frame: Frame | None = None
        self._at_hand: FrameAtHand | None = None

    def get(self, file: str, index: int | None) -> Frame:
        """Decode a frame, or give the last one again if it is the same and the file has not changed."""
        from qca.frames import open_frame

        key: tuple[object, ...] = ()
        try:
            state = Path(file).stat()
            key = (file, index, state.st_size, state.st_mtime_ns)
        except OSError:
            pass  # open_frame says it in words
        if self._frame is None or not key or key != self._key:
            self._frame = self._at_hand = None
            self._frame = open_frame(file, index)
            self._key = key
        return self._frame

    def at_hand(self, file: str, index: int | None, settings: Settings) -> FrameAtHand:
        """Give a frame with what was kept of measuring it, as long as frame and settings are the same."""
        from qca.pipeline import FrameAtHand

        frame, kept = self.get(file, index), self._at_hand
        if kept is None or kept.frame is not frame or kept.settings != settings:
            self._at_hand = kept = FrameAtHand(frame, settings)
        return kept


def measure_job(job: Mapping[str, Any], frames: Frames) -> dict[str, Any]:
    """Measure a frame: the text of its reading.json, as the command line writes it."""
    from qca.document import reading_text

    picks, frame = _complete(job, frames)
    return {"reading": reading_text(frame.measure(picks))}


def glance_job(job: Mapping[str, Any], frames: Frames) -> dict[str, Any]:
    """Look at a frame roughly, while a point is dragged: a document to show, and no text that could be saved."""
    from qca.document import reading_to_json

    picks, frame = _complete(job, frames)
    return {"glance": reading_to_json(frame.glance(picks))}


def _complete(job: Mapping[str, Any], frames: Frames) -> tuple[Picks, FrameAtHand]:
    from qca import codec
    from qca.picks_file import check_complete, picks_from_json
    from qca.settings import Settings

    settings = codec.decode_fields(Settings, job["settings"], path="", name="the settings")
    picks = picks_from_json(job["picks"])
    check_complete(picks)
    return picks, frames.at_hand(job["file"], picks.frame, settings)


def shaft_job(job: Mapping[str, Any], frames: Frames) -> dict[str, Any]:
    """Look at the catheter alone."""
    from qca import codec
    from qca.picks_file import picks_from_json
    from qca.settings import Settings
    from qca.shaft_look import look_at_shaft

    settings = codec.decode_fields(Settings, job["settings"], path="", name="the settings")
    picks = picks_from_json(job["picks"])
    look = look_at_shaft(frames.get(job["file"], picks.frame), picks, settings)
    return {
        "scale": codec.encode(look.scale),
        "codes": list(look.codes),
        "left_px": codec.encode(look.left_px),
        "right_px": codec.encode(look.right_px),
    }


def plan_job(job: Mapping[str, Any], frames: Frames) -> dict[str, Any]:  # noqa: ARG001 - one shape for all jobs
    """Apply the sizing rules: the worksheet as a document."""
    from qca.sizing.document import worksheet_to_json

    return {"worksheet": worksheet_to_json(_worksheet(job))}


def report_job(job: Mapping[str, Any], frames: Frames) -> dict[str, Any]:
    """Write reading, report, profiles and overlay into a folder, and the worksheet where one is planned."""
    from qca.document import parse_reading
    from qca.report.html import report_html
    from qca.report.overlay import overlay_png
    from qca.report.profile import profile_csv
    from qca.whole_file import write_together

    reading = parse_reading(job["reading"])
    frame = frames.get(job["file"], reading.picks.frame)
    files: dict[str, str | bytes] = {
        "reading.json": job["reading"],
        "profile.csv": profile_csv(reading),
        "overlay.png": overlay_png(reading, frame),
    }
    sheet = _worksheet(job) if job.get("planned") else None
    files["report.html"] = report_html(reading, frame, sheet)
    if sheet is not None:
        from qca.sizing.document import worksheet_text
        from qca.sizing.html import worksheet_page

        files |= {"worksheet.json": worksheet_text(sheet), "worksheet.html": worksheet_page(sheet)}
    return {"written": [str(path) for path in write_together(Path(job["folder"]), files)]}


def _worksheet(job: Mapping[str, Any]) -> Worksheet:
    from hashlib import sha256

    from qca import codec
    from qca.document import parse_reading
    from qca.sizing.case import Case
    from qca.sizing.devices import NO_DEVICES, parse_devices
    from qca.sizing.worksheet import Origin, Origins, plan
    from ui.cli.input_text import read_text

    table, table_origin = NO_DEVICES, None
    if job.get("devices"):
        path = Path(job["devices"])
        text, table_origin = read_text(path, "device table")
        table = parse_devices(text, name=path.name)
    data = job["reading"].encode("utf-8")
    return plan(
        parse_reading(job["reading"]),
        table=table,
        case=codec.decode_fields(Case, job["case"], path="", name="the case"),
        fixed=dict(job["fixed"]),
        technique=job["technique"],
        origins=Origins(Origin("reading.json", sha256(data).hexdigest()), table_origin),
    )


JOBS: dict[str, Callable[[Mapping[str, Any], Frames], dict[str, Any]]] = {
    "measure": measure_job,
    "glance": glance_job,
    "shaft": shaft_job,
    "plan": plan_job,
    "report": report_job,
}


def answer(message: Mapping[str, Any], frames: Frames) -> dict[str, Any]:
    """Do one job; what the user can mend becomes a sentence, anything else a traceback."""
    import traceback

    try:
        return {"ticket": message["ticket"], "result": JOBS[message["job"]](message, frames)}
    except QcaError as error:
        limb = f" ({error.limb} limb)" if error.limb and error.limb not in str(error) else ""
        return {"ticket": message["ticket"], "error": f"{error}{limb}"}
    except MemoryError:
        return {
            "ticket": message["ticket"],
            "error": "There is not enough memory for this frame: close other programs.",
        }
    except Exception:  # noqa: BLE001 - the window must hear of it, whatever it is
        return {"ticket": message["ticket"], "fault": traceback.format_exc()}


def main() -> None:
    """Work until standard input ends. Anything printed on the way goes to standard error."""
    jobs = sys.stdin.buffer
    answers = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
    frames = Frames()
    import qca.pipeline  # noqa: F401 - loaded before the first job, while the user is still looking

    while (message := receive(jobs)) is not None:
        send(answers, answer(message, frames))


if __name__ == "__main__":
    main()
