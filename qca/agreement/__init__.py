"""Reader statistics: how far two readings of the same frame differ, and what of it the tool's own noise explains."""

from __future__ import annotations
