"""Whether there is a screen to open a window on: where there is none, Qt ends the process without a word to act on."""

from __future__ import annotations

import os
import re
import socket
import sys
from collections.abc import Mapping
from pathlib import Path

from qca.errors import InputError

_REMEDY = (
    "Start it from a desktop session, over ssh -X, or under xvfb-run; without a window, measure with  qca measure."
)


def check_screen(environment: Mapping[str, str] = os.environ, system: str = sys.platform) -> None:
    """Refuse to open a window where the environment names no screen that answers.

    Parameters
    ----------
    environment : mapping
        Environment variables.
    system : str
        As ``sys.platform``: on macOS and Windows a screen needs no name.

    Raises
    ------
    InputError
        Says which variable is missing or leads nowhere.
    """
    if system in ("darwin", "win32", "cygwin"):
        return
    platform = re.split("[;:]", environment.get("QT_QPA_PLATFORM", ""), maxsplit=1)[0].strip()
    if platform and not platform.startswith(("xcb", "wayland")):
        return  # chosen by name: it draws elsewhere, or nowhere
    wayland, display = environment.get("WAYLAND_DISPLAY", ""), environment.get("DISPLAY", "")
    if not platform.startswith("xcb") and wayland:
        return
    if not platform.startswith("wayland") and display:
        if _answers(display):
            return
        msg = f"No screen answers at DISPLAY={display}. {_REMEDY}"
        raise InputError(msg)
    wanted = {"xcb": "DISPLAY", "wayland": "WAYLAND_DISPLAY"}.get(platform, "DISPLAY or WAYLAND_DISPLAY")
    msg = f"There is no screen to open a window on: {wanted} is not set. {_REMEDY}"
    raise InputError(msg)


def _answers(display: str) -> bool:
    """Whether an X server of this machine answers; one of another machine is believed."""
    local = re.fullmatch(r"(?:unix)?:(\d+)(?:\.\d+)?", display)
    if local is None:
        return True
    place = f"/tmp/.X11-unix/X{local[1]}"  # noqa: S108 - where X servers listen
    return any(_connects(address) for address in (place, f"\0{place}") if address[0] == "\0" or Path(address).exists())


def _connects(address: str) -> bool:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as line:
        line.settimeout(2.0)
        try:
            line.connect(address)
        except OSError:
            return False
    return True
