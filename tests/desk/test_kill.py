"""A desk killed in the middle of its work, by the system, without a warning; and the whole command, closed again."""

import json
import os
import signal
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

HERE = Path(__file__).parent
ROOT = HERE.parent.parent
SAMPLES = ROOT / "sample_images"

WORKER = """
import sys, time
from pathlib import Path
sys.path.insert(0, {here!r})
from conftest import Hand, Prompter, new_window
viewer, desk, window = new_window(Path({home!r}))
desk.prompts = Prompter()
hand = Hand(viewer, desk, window, desk.prompts)
hand.wait(window.main.isActiveWindow, 10)
hand.drop(Path({file!r}))
for point in ((155.7, 115.8), (170.7, 12.5)):
    hand.click(point)
desk.steps.go(3)
for k in range(400):
    hand.click((244.0, 189.9)) if k == 0 else hand.drag(desk.work.proximal, (244.0 + k % 40, 189.9))
    print(k, desk.history.at, flush=True)
"""


def environment(tmp_path):
    return {**os.environ, "NAPARI_CONFIG": str(tmp_path / "napari.yaml"), "XDG_STATE_HOME": str(tmp_path / "state")}


@pytest.mark.skipif(sys.platform == "win32", reason="kills as POSIX does")
@pytest.mark.timeout(200)
def test_nothing_is_lost_when_the_desk_is_killed(tmp_path, hand):
    import shutil

    file = tmp_path / "still.dcm"
    shutil.copy(SAMPLES / "bifurcation.dcm", file)
    home = tmp_path / "home"
    script = textwrap.dedent(WORKER.format(here=str(HERE), home=str(home), file=str(file)))
    process = subprocess.Popen(
        [sys.executable, "-c", script], stdout=subprocess.PIPE, cwd=ROOT, env=environment(tmp_path), text=True
    )  # fmt: skip
    try:
        for line in process.stdout:
            number, steps = map(int, line.split())
            if number >= 5:
                break
    finally:
        process.send_signal(signal.SIGKILL)
        process.wait(30)
        process.stdout.close()

    desk = hand.desk
    desk.home = home
    assert desk.open([file])
    assert desk.history.at >= steps
    assert desk.work.catheter_a is not None
    assert desk.work.proximal is not None
    assert "Nothing was lost" in desk.notice.text
    for _ in range(desk.history.at):
        desk.undo()
    assert desk.work.points == {}


VIEW = """
import sys
from qtpy.QtCore import QTimer
from qtpy.QtWidgets import QApplication
import ui.desk.launch as launch
real = launch.open_desk
def opened(viewer, **options):
    desk, window = real(viewer, **options)
    def finish():
        print("FILE", desk.file.name if desk.file else None, flush=True)
        print("CAUTION", window._caution.isVisible(), flush=True)
        window.main.close()
    QTimer.singleShot({delay}, finish)
    return desk, window
launch.open_desk = opened
from ui.cli.main import cli
cli(["view", *{arguments!r}], prog_name="qca")
"""


@pytest.mark.parametrize(("arguments", "name"), [([], "None"), ([str(SAMPLES / "bifurcation.dcm")], "bifurcation.dcm")])
def test_the_command_opens_the_desk_and_ends_cleanly(tmp_path, arguments, name):
    script = VIEW.format(delay=300, arguments=arguments)
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, env=environment(tmp_path), capture_output=True, text=True, timeout=100
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert f"FILE {name}" in done.stdout
    assert "CAUTION True" in done.stdout
    assert "Traceback" not in done.stderr


def test_a_file_that_is_not_there_is_said_before_any_window(tmp_path, qca):
    code, out, err = qca("view", tmp_path / "gone.dcm")
    assert code == 1
    assert "gone.dcm is not there" in err
    assert out == ""


@pytest.mark.parametrize("order", ["cv2, PySide6.QtWidgets", "PySide6.QtWidgets, cv2"])
def test_opencv_and_qt_in_one_process_in_either_order(tmp_path, order):
    """opencv brings a Qt of its own and points the environment at it; the desk's Qt must not mind."""
    script = textwrap.dedent(f"""
        import {order.split(", ")[0]}, {order.split(", ")[1]}
        import numpy as np
        from PySide6.QtWidgets import QApplication, QLabel
        app = QApplication([])
        label = QLabel("x"); label.show(); app.processEvents()
        blurred = cv2.GaussianBlur(np.eye(9), (3, 3), 1.0)
        print(app.platformName(), round(float(blurred.sum()), 6))
        from napari.viewer import Viewer
        viewer = Viewer(show=True); viewer.add_image(blurred); app.processEvents(); viewer.close()
        print("done")
    """)
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, env=environment(tmp_path), capture_output=True, text=True, timeout=100
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stdout.split()[-1] == "done"


def test_no_number_needs_the_desk():
    """What measures runs without napari and Qt; so does the measuring process of the desk."""
    script = (
        "import sys, json, ui.desk.worker, ui.desk.calculator, ui.desk.measuring, ui.desk.work, ui.desk.journal, "
        "ui.desk.guide, ui.desk.mending, ui.desk.drawing, ui.desk.keeping, ui.desk.worksheet_text, qca.pipeline\n"
        "print(json.dumps([name for name in ('napari', 'qtpy', 'PySide6', 'vispy') if name in sys.modules]))"
    )
    done = subprocess.run([sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, timeout=60)
    assert json.loads(done.stdout) == [], done.stderr
