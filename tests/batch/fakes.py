"""Measuring functions that do what a test needs: quickly, slowly, wrongly, or not at all."""

import hashlib
import json
import os
import signal
import sys
import time
from pathlib import Path
from types import MappingProxyType

import numpy as np

from calib.scale import Scale
from qca.errors import NoVessel
from qca.reading import FrameRecord, LimbReading, Profile, Reading

SIZE = 60


def made_up(path, picks, settings, *, size=SIZE):
    """A reading of one segment whose numbers come from the picks."""
    x = picks.start[0] if picks.start else 1.0
    position = np.linspace(0, 30, size)
    diameter = 2.5 + 0.5 * np.cos(position + x)
    points = np.stack([position, position], axis=1)
    profile = Profile(
        *(position, diameter, 0.1 + 0 * position, 3 + 0 * position),
        *(position * 0.2, diameter * 0.2, 0.02 + 0 * position, 0.6 + 0 * position),
        flags=((),) * size,
        x_px=position,
        y_px=position,
        left_px=points,
        right_px=points,
    )
    mm = {"mld_mm": 1 + x / 1000, "mld_sd_mm": 0.05, "reference_mm": 3.0, "ds_percent": 66.0, "ds_sd_percent": 2.0}
    values = {name: mm.get(name, 1.0) for name, kind in LimbReading.__annotations__.items() if kind == "float"}
    limb = LimbReading(**values, reference_source="made up", flags=(), profile=profile)
    digest = hashlib.sha256(Path(path).read_bytes()).hexdigest()
    return Reading(
        frame=FrameRecord(Path(path).name, digest, picks.frame or 0, 512, 512, "made up", MappingProxyType({})),
        picks=picks,
        settings=settings,
        scale=Scale(0.2, 0.002, "typed in"),
        limbs=MappingProxyType({"segment": limb}),
        angles=None,
        medina=None,
        branching_point_px=None,
        carina_px=None,
        flags=(),
        fit=MappingProxyType({}),
    )


def measure(path, picks, settings):
    """Do what the file says; a list of commands is worked off, one for each time the file is measured."""
    note(path)
    commands = json.loads(Path(path).read_text(encoding="utf-8"))
    turn = times(path) - 1
    command = commands[min(turn, len(commands) - 1)]
    if command == "crash":
        os.kill(os.getpid(), signal.SIGSEGV)
    if command == "killed":
        os.kill(os.getpid(), signal.SIGKILL)
    if command == "exit":
        os._exit(3)
    if command == "hang":
        time.sleep(1000)
    if command == "print":
        os.write(1, b"a decoder prints " * 1000)
        print("and python too", flush=True)
    if command == "raise":
        msg = f"cannot broadcast {path}"
        raise RuntimeError(msg)
    if command == "memory":
        raise MemoryError
    if command == "no vessel":
        msg = f"There is no vessel at 12,30 in {Path(path).name}: pick on the vessel."
        raise NoVessel(msg, file=str(path))
    if command.startswith("sleep"):
        time.sleep(float(command.split()[1]))
    if command.startswith("work"):
        until = time.process_time() + float(command.split()[1])
        while time.process_time() < until:
            sum(range(1000))
    return made_up(path, picks, settings)


def note(path):
    """Leave a mark for each time a file is measured, whoever does it."""
    marks = Path(path).with_suffix(".marks")
    with marks.open("a", encoding="ascii") as file:
        file.write(f"{os.getpid()}\n")


def times(path):
    """How often a file was measured."""
    marks = Path(path).with_suffix(".marks")
    return len(marks.read_text(encoding="ascii").splitlines()) if marks.exists() else 0


def broken_import(*_):
    raise AssertionError


def run():
    """The command ``qca`` with the measuring function above."""
    from qca.batch import task

    task.MEASURE = "tests.batch.fakes:measure"
    from ui.cli.main import main

    main()


if __name__ == "__main__":
    sys.path.insert(0, str(Path.cwd()))
    run()
