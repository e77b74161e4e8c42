"""Straight tubes from one point outwards: chords by Pythagoras, one ray through the middle of each pixel."""

import numpy as np

from qca.frames.frame import Frame
from qca.picks import Picks


class Tubes:
    """``limbs`` maps a name to a direction in degrees, 0 along +x and 90 up, and a radius, px; all leave ``meeting``,
    (x, y), on a square picture of ``size`` px."""

    def __init__(self, limbs, meeting, size):
        self.limbs, self.meeting, self.size = limbs, np.asarray(meeting, dtype=float), size

    def direction(self, name):
        angle = np.radians(self.limbs[name][0])
        return np.array([np.cos(angle), -np.sin(angle)])

    def chord(self, name):
        """Path of each pixel's ray through one limb, rounded at its start, px."""
        x, y = np.meshgrid(np.arange(self.size) - self.meeting[0], np.arange(self.size) - self.meeting[1])
        along = np.maximum(x * self.direction(name)[0] + y * self.direction(name)[1], 0.0)
        away = np.hypot(x - along * self.direction(name)[0], y - along * self.direction(name)[1])
        return 2 * np.sqrt(np.maximum(self.limbs[name][1] ** 2 - away**2, 0.0))

    def picks(self, away_px):
        """Points on the axes so far from where they meet."""
        points = {name: tuple((self.meeting + away_px * self.direction(name)).tolist()) for name in self.limbs}
        return Picks(**points, mm_per_px=0.2)


def as_frame(pixels):
    return Frame(pixels, np.ones(pixels.shape, dtype=bool), "tubes", "0" * 64)
