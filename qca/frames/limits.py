"""How much of anything a file may ask for, checked before memory is taken or a decoder is started."""

from __future__ import annotations

MAX_SIDE = 4096
"""Rows or columns; the largest angiographic detectors have about 3000 (common practice, no source)."""

MAX_FRAMES = 65_535
"""Frames in a file; half an hour at 30 per second."""

MAX_FILE_BYTES = 16 * 1024**3
"""A file is read through once for its hash; beyond this it is no cine run."""

MAX_HEADER_BYTES = 64 * 1024**2
"""What is kept of a header; an Enhanced XA header takes about 2 kB per frame."""

MAX_ELEMENTS = 500_000
"""Data elements, fragments and items walked over in one file."""

MAX_DEPTH = 16
"""Sequences inside sequences; the functional groups of Enhanced XA go four deep."""

MAX_CODED_EXCESS = 1024**2
"""Bytes by which a compressed frame may be larger than twice its uncompressed size."""

MAX_INFLATED_BYTES = 2 * 1024**3
"""How far a deflated data set is inflated; nothing of it but one frame is kept."""

MAX_TILES = 4096
"""Tiles of one JPEG 2000 frame or of one TIFF page."""

MAX_VERTICES = 1000
"""Corners of a polygonal shutter."""

CHUNK_BYTES = 1024**2
"""Read, hashed or inflated at a time."""
