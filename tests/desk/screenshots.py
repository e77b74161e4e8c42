"""Pictures of every step of the desk, in both looks, taken from the screen that the window really stands on.

::

    make screenshots                                     all of them into build/screenshots
    python tests/desk/screenshots.py --readme            and the two of README.md into qca/documents

Nothing is painted for the picture: a hand clicks, drags and types as a user does, and the screen is what it shows then.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from conftest import RUN, SAMPLES, Hand, Prompter, new_window

ROOT = Path(__file__).parent.parent.parent
IN_README = {"05-check-dark": "desk_check.png", "08-plan-light": "desk_plan.png"}


class Camera:
    """Takes the pictures of one look."""

    def __init__(self, hand, folder, look):
        self.hand, self.folder, self.look = hand, folder, look

    def take(self, name, settle=0.4):
        from qtpy.QtGui import QGuiApplication

        self.hand.wait(seconds=settle)
        path = self.folder / f"{name}-{self.look}.png"
        QGuiApplication.primaryScreen().grabWindow(0).save(str(path))
        print(path.relative_to(ROOT) if path.is_relative_to(ROOT) else path, flush=True)


def measured(hand):
    """Wait for the reading, and for everything that follows from it."""
    hand.measured()
    hand.wait(lambda: not hand.desk.measuring.busy, 60)


def story(hand, camera, folder):
    """From the empty window to a saved worksheet, with one hand edit."""
    from qca.picks_file import read_picks

    desk = hand.desk
    picks = read_picks(RUN.with_name("filling_run.picks.json"))
    camera.take("01-empty")
    run = folder / "run.dcm"
    shutil.copy(RUN, run)
    shutil.copy(SAMPLES / "bifurcation.dcm", folder / "still.dcm")
    hand.drop(run)
    hand.wait(lambda: desk.run_marks is not None, 30)
    camera.take("02-frame")
    desk.scrubber.show(picks.frame)
    hand.key("Return")
    for point in picks.catheter:
        hand.click(point)
    scale = hand.window.widget.column.panels[desk.steps.current]
    scale._french.setCurrentIndex(scale._french.findData(6.0))
    scale._french.activated.emit(scale._french.currentIndex())
    hand.wait(lambda: desk.measuring.shown.shaft is not None, 60)
    camera.take("03-scale")
    hand.key("Return")
    hand.click(picks.proximal)
    camera.take("04-points")
    hand.click(picks.distal)
    hand.click(picks.side)
    measured(hand)
    camera.take("05-check")
    knot = next(knot for knot in desk.mender.knots if (knot.limb, knot.side) == ("distal", "right"))
    profile = desk.mender.reading.limbs["distal"].profile
    across = profile.right_px[knot.index] - profile.left_px[knot.index]
    hand.drag(knot.point, tuple(profile.right_px[knot.index] + 0.3 * across))
    desk.mender.leave_out("side", 60.0, 80.0)
    measured(hand)
    camera.take("06-mended")
    place = desk.work.proximal
    hand.press(place)
    hand.move((place[0] - 5, place[1] - 5))
    hand.wait(lambda: desk.measuring.standing == "provisional", 60)
    camera.take("07-drag", settle=0.0)
    hand.release(place)
    hand.key("5")
    hand.window.widget.column.panels[desk.steps.current]._use_sample()
    hand.wait(lambda: desk.measuring.shown.worksheet is not None and not desk.measuring.busy, 60)
    from qtpy.QtCore import QUrl

    hand.window.widget.worksheet._clicked(QUrl("technique:provisional"))
    hand.wait(lambda: not desk.measuring.planning, 60)
    camera.take("08-plan")
    hand.key("6")
    camera.take("09-keep")
    hand.key("S", "ControlModifier")
    camera.take("10-saved")


def others(hand, camera, folder):
    """What goes wrong, what is doubtful, one segment, the list of keys."""
    from qca.picks_file import read_picks
    from ui.desk.work import work_of

    desk = hand.desk
    bad = folder / "photo.jpg"
    bad.write_bytes(b"\xff\xd8\xff\xe0" + b"x" * 200)
    hand.drop(bad)
    camera.take("11-bad-file")
    for number, name in ((12, "eight_bit.png"), (13, "ostial_side.png"), (14, "segment.png")):
        hand.drop(SAMPLES / name)
        desk.change(work_of(read_picks(SAMPLES / name.replace(".png", ".picks.json"))), "picks of the sample")
        desk.steps.go(4)
        measured(hand)
        camera.take(f"{number}-{name.partition('.')[0]}")
    hand.drop(SAMPLES / "bifurcation.dcm")
    desk.steps.go(3)
    for point in ((30.0, 480.0), (60.0, 470.0), (40.0, 440.0)):
        hand.click(point)
    hand.wait(lambda: bool(desk.measuring.shown.problem) or desk.measuring.fresh, 90)
    camera.take("15-refused")
    hand.key("F1")
    camera.take("16-keys")
    from qtpy.QtWidgets import QDialog

    hand.window.main.findChildren(QDialog)[-1].close()


def main():
    """Take all pictures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, default=ROOT / "build" / "screenshots")
    parser.add_argument("--readme", action="store_true", help="write the two pictures of README.md too")
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as place:
        for look in ("dark", "light"):
            folder = Path(place) / look
            folder.mkdir()
            viewer, desk, window = new_window(folder / "home")
            desk.prompts = Prompter()
            hand = Hand(viewer, desk, window, desk.prompts)
            hand.wait(window.main.isActiveWindow, 30)
            window.set_look(look)
            camera = Camera(hand, options.out, look)
            story(hand, camera, folder)
            others(hand, camera, folder)
            viewer.close()
    if options.readme:
        from PIL import Image

        for name, target in IN_README.items():
            picture = Image.open(options.out / f"{name}.png").convert("RGB")
            picture.save(ROOT / "qca" / "documents" / target, optimize=True)


if __name__ == "__main__":
    main()
