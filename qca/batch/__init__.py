"""Many frames: measured on the local cores or on a cluster, entered in the ledger as they come, never twice."""

from __future__ import annotations
