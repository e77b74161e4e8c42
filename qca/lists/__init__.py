"""Reading lists: frames under opaque codes, in an order that is drawn, for readers who must not know what they read."""

from __future__ import annotations
