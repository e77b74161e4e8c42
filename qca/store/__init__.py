"""The ledger: an append-only, hash-chained record of everything that happened to a reading."""

from __future__ import annotations
