"""Where there is no screen, ``qca view`` says so instead of being ended by Qt."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from qca.errors import InputError
from ui.cli.screen import check_screen

SAMPLES = Path(__file__).parents[2] / "sample_images"


@pytest.mark.skipif(sys.platform in ("darwin", "win32"), reason="a screen needs no name here")
def test_the_command_without_a_screen():
    hidden = ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM")
    environment = {name: value for name, value in os.environ.items() if name not in hidden}
    run = subprocess.run(
        [sys.executable, "-m", "ui.cli", "view", str(SAMPLES / "bifurcation.dcm")],
        capture_output=True,
        text=True,
        env=environment,
        timeout=60,
        check=False,
    )
    assert run.returncode == 1
    assert run.stdout == ""
    assert run.stderr.startswith("qca: There is no screen to open a window on: DISPLAY or WAYLAND_DISPLAY is not set.")
    assert "xvfb-run" in run.stderr


@pytest.mark.parametrize(
    ("environment", "system"),
    [
        ({}, "darwin"),
        ({}, "win32"),
        ({"QT_QPA_PLATFORM": "offscreen"}, "linux"),
        ({"QT_QPA_PLATFORM": "minimal:enable_fonts"}, "linux"),
        ({"QT_QPA_PLATFORM": "vnc;xcb"}, "linux"),
        ({"WAYLAND_DISPLAY": "wayland-0"}, "linux"),
        ({"WAYLAND_DISPLAY": "wayland-0", "DISPLAY": ":987654"}, "linux"),
        ({"DISPLAY": "localhost:10.0"}, "linux"),
        ({"DISPLAY": "localhost:10.0", "QT_QPA_PLATFORM": "xcb"}, "linux"),
    ],
)
def test_a_window_may_be_opened(environment, system):
    check_screen(environment, system)


@pytest.mark.parametrize(
    ("environment", "message"),
    [
        ({}, "DISPLAY or WAYLAND_DISPLAY is not set"),
        ({"DISPLAY": ""}, "DISPLAY or WAYLAND_DISPLAY is not set"),
        ({"QT_QPA_PLATFORM": "xcb", "WAYLAND_DISPLAY": "wayland-0"}, "window on: DISPLAY is not set"),
        ({"QT_QPA_PLATFORM": "wayland", "DISPLAY": "localhost:10.0"}, "window on: WAYLAND_DISPLAY is not set"),
        ({"DISPLAY": ":987654"}, "No screen answers at DISPLAY=:987654"),
    ],
)
def test_no_window_can_be_opened(environment, message):
    with pytest.raises(InputError, match=message) as caught:
        check_screen(environment, "linux")
    assert "qca measure" in str(caught.value)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="sockets without a file are Linux's")
def test_a_screen_that_answers():
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as server:
        server.bind("\0/tmp/.X11-unix/X987653")
        server.listen()
        check_screen({"DISPLAY": ":987653.0"}, "linux")
