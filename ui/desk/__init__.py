"""The desk: measuring with eyes and hands, in napari.

It measures nothing itself: it turns clicks into picks, hands them to ``qca.pipeline.measure`` in a process of its own
and shows the reading. What says "No Qt" at its top is plain Python and tested without a window.
"""

from __future__ import annotations
