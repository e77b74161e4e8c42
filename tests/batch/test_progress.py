"""What a batch says while it runs."""

import io
import re

from qca.batch import progress as module
from qca.batch.progress import Progress, duration


class Clock:
    def __init__(self, monkeypatch):
        self.now = 100.0
        monkeypatch.setattr(module.time, "monotonic", lambda: self.now)


class Terminal(io.StringIO):
    def isatty(self):
        return True


def test_plain_lines_every_ten_seconds(monkeypatch):
    clock, stream = Clock(monkeypatch), io.StringIO()
    progress = Progress(100, 20, stream)
    for number in range(40):
        clock.now += 0.5
        progress.count(refused=number == 3)
    progress.say("C0003: no vessel")
    progress.write(final=True)
    lines = stream.getvalue().splitlines()
    assert lines == [
        "40 of 100 frames, 1 refused, 2.00 per s, 30 s left",
        "60 of 100 frames, 1 refused, 2.00 per s, 20 s left",
        "C0003: no vessel",
        "60 of 100 frames, 1 refused, 2.00 per s",
    ]
    assert "\r" not in stream.getvalue()
    assert "\x1b" not in stream.getvalue()


def test_one_moving_line_on_a_terminal(monkeypatch):
    clock, stream = Clock(monkeypatch), Terminal()
    progress = Progress(10, 0, stream)
    for _ in range(10):
        clock.now += 0.3
        progress.count(refused=False)
    progress.write(final=True)
    text = stream.getvalue()
    assert text.count("\n") == 1
    assert len(re.findall(r"\r\d+ of 10 frames", text)) == 11


def test_the_time_left_follows_a_change_of_pace(monkeypatch):
    clock = Clock(monkeypatch)
    progress = Progress(1000, 0, None)
    for seconds in [0.1] * 50 + [1.0] * 50:
        clock.now += seconds
        progress.count(refused=False)
    left = float(re.search(r"(\d+) min left", progress.line()).group(1))
    assert 13 <= left <= 16  # 900 frames at 1 per s are 15 min; the mean pace would say 8


def test_durations_are_for_people():
    assert [duration(s) for s in (0, 59.6, 89, 90, 3600, 5400, 36000)] == [
        "0 s",
        "60 s",
        "89 s",
        "2 min",
        "60 min",
        "1.5 h",
        "10.0 h",
    ]


def test_silence_without_a_stream():
    progress = Progress(2, 0, None)
    progress.count(refused=True)
    progress.say("nothing")
    progress.write(final=True)
    assert progress.refused == 1


def test_frames_refused_by_earlier_runs_count_as_refused(monkeypatch):
    clock, stream = Clock(monkeypatch), io.StringIO()
    progress = Progress(10, 4, stream, refused=3)
    clock.now += 1.0
    progress.count(refused=True)
    progress.write(final=True)
    assert stream.getvalue() == "8 of 10 frames, 4 refused, 1.00 per s\n"
