"""Random clicks, drags, keys, scrubs and undo: no exception, and a state that saves and loads to itself.

``python tests/desk/test_monkey.py SECONDS [SEED]`` goes on for as long as one likes (under a screen of its own).
"""

from __future__ import annotations

import random
import sys
import time
from contextlib import contextmanager
from pathlib import Path

import pytest

SAMPLES = Path(__file__).parent.parent.parent / "sample_images"
FILES = [SAMPLES / name for name in ("filling_run.dcm", "bifurcation.dcm", "segment.png", "eight_bit.png")]
KEYS = [*"FMGVPDSCWXTAHZB0123456N", "Return", "Left", "Right", "Home", "End", "Delete", "Escape"]
ACTIONS, SEED = 120, 20251125


class Monkey:
    """Does something random at the desk."""

    def __init__(self, hand, folder, seed):
        self.hand, self.folder = hand, folder
        self.random = random.Random(seed)  # noqa: S311 - a game, not a secret
        self.done = []
        self.mistakes = []

    @contextmanager
    def listening(self):
        """Hear of every mistake in the measuring process, of answers too that nobody waits for any more."""
        calculator = self.hand.desk.measuring.calculator
        deliver = calculator._deliver

        def heard(answer):
            died = "ended unexpectedly" in answer.error and not answer.stale  # a slow one that is stale gets killed
            if died or "mistake in the program" in answer.error:
                self.mistakes.append(answer.error)
            deliver(answer)

        calculator._deliver = heard
        try:
            yield
        finally:
            calculator._deliver = deliver

    def point(self):
        """A place anywhere on the canvas, often on something that can be grabbed."""
        desk, chance = self.hand.desk, self.random.random()
        points = list(desk.work.points.values())
        if points and chance < 0.35:
            return self.random.choice(points)
        if desk.mender.knots and chance < 0.6:
            return self.random.choice(desk.mender.knots).point
        return (self.random.uniform(-20, 530), self.random.uniform(-20, 530))

    def inside(self, point):
        where = self.hand.at(point)
        return 0 <= where.x() < self.hand.native.width() and 0 <= where.y() < self.hand.native.height()

    def click(self):
        point = self.point()
        if self.inside(point):
            self.hand.click(point)

    def drag(self):
        points = [point for point in (self.point() for _ in range(self.random.randint(2, 4))) if self.inside(point)]
        if len(points) > 1:
            self.hand.drag(*points, steps=2)

    def key(self):
        self.hand.key(self.random.choice(KEYS))

    def undo(self):
        for _ in range(self.random.randint(1, 4)):
            self.hand.key(self.random.choice("ZZY"), "ControlModifier")

    def scale(self):
        from dataclasses import replace

        from ui.desk.work import ScaleChoice

        way = self.random.choice(["catheter", "typed", "header", "none"])
        choice = replace(self.hand.desk.work.scale, way=way, french=self.random.choice([None, 6.0]), catheter_mm=None)
        if way == "typed":
            choice = ScaleChoice("typed", mm_per_px=0.2)
        self.hand.desk.picker.set_scale(choice, "scale")

    def edit(self):
        mender = self.hand.desk.mender
        limb = self.random.choice(self.hand.desk.work.limbs)
        low = self.random.uniform(0, 80)
        self.random.choice([
            lambda: mender.lesion_limits(limb, low, low + 20),
            lambda: mender.leave_out(limb, low, low + 10),
            lambda: mender.reference(limb, self.random.choice([None, 9.0, 14.0])),
            lambda: mender.remove(self.random.randint(0, 3)),
        ])()  # fmt: skip

    def plan(self):
        from dataclasses import replace

        work = self.hand.desk.history.work
        technique = self.random.choice([None, "provisional", "t"])
        self.hand.desk.change(replace(work, plan=replace(work.plan, technique=technique)), "technique")

    def drop(self):
        self.hand.drop(self.random.choice([*FILES, self.folder / "nonsense.dcm"]))

    def sample_picks(self):
        """Good picks now and then, so that there is something to mend."""
        from qca.picks_file import read_picks
        from ui.desk.work import work_of

        desk = self.hand.desk
        if desk.file is not None and (file := desk.file.with_name(f"{desk.file.stem}.picks.json")).exists():
            desk.change(work_of(read_picks(file)), "picks of the sample")
            desk.scrubber.back_to_points()
            self.hand.wait(lambda: desk.measuring.fresh, self.random.choice([0.0, 3.0]))

    def act(self):
        """One random action."""
        actions = [self.click] * 5 + [self.drag] * 5 + [self.key] * 6 + [self.undo] * 2 + [self.edit] * 2
        actions += [self.scale, self.plan, self.drop, self.sample_picks]
        action = self.random.choice(actions)
        self.done.append(action.__name__)
        self.hand.prompts.answers[:] = [[]] * 3  # whatever is asked, the answer is no
        action()

    def check(self):
        """The work survives the disk, and the picks are picks."""
        import json

        from qca import codec
        from qca.picks_file import picks_from_json, picks_to_json
        from ui.desk.journal import Journal
        from ui.desk.work import Work, picks_of

        assert not self.mistakes
        desk = self.hand.desk
        if desk.file is None:
            return
        work = desk.history.work
        assert codec.decode_fields(Work, json.loads(json.dumps(codec.encode(work))), path="", name="work") == work
        picks = picks_of(work)
        assert picks_from_json(picks_to_json(picks)) == picks
        if desk.opened.journal.path.exists() and desk.opened.kept:
            found = Journal(desk.home, desk.file).found()
            assert found.history.work == work
            assert found.history.states == desk.history.states


def run(hand, folder, seed, *, actions=None, seconds=None):
    (folder / "nonsense.dcm").write_bytes(b"nonsense")
    monkey = Monkey(hand, folder, seed)
    hand.desk.keeper.folder = folder
    hand.desk.open([FILES[0]])
    end = None if seconds is None else time.monotonic() + seconds
    count = 0
    with monkey.listening():
        while (actions is None or count < actions) and (end is None or time.monotonic() < end):
            try:
                monkey.act()
                if count % 10 == 0:
                    monkey.check()
            except BaseException:
                print(f"seed {seed}, action {count}: {monkey.done[-12:]}")
                raise
            count += 1
        monkey.check()
    return count


@pytest.mark.timeout(240)
def test_a_monkey_at_the_desk_breaks_nothing(hand, tmp_path):
    assert run(hand, tmp_path, SEED, actions=ACTIONS) == ACTIONS


def main():
    """Play for as long as the command line says; exit code 1 on the first exception."""
    import tempfile

    from conftest import Hand, Prompter, new_window

    seconds, seed = float(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else SEED
    troubles = []
    sys.excepthook = lambda *trouble: (troubles.append(trouble), sys.__excepthook__(*trouble))
    with tempfile.TemporaryDirectory() as folder:
        viewer, desk, window = new_window(Path(folder) / "home")
        prompts = desk.prompts = Prompter()
        count = run(Hand(viewer, desk, window, prompts), Path(folder), seed, seconds=seconds)
        viewer.close()
    print(f"{count} actions in {seconds:g} s, {len(troubles)} exceptions")
    return 1 if troubles else 0


if __name__ == "__main__":
    sys.exit(main())
