"""Many frames of one run: what tells them apart before any of them is measured."""

from __future__ import annotations
