"""Measurements that nobody here made, where they lie beside the project; tests that need them skip elsewhere."""

from __future__ import annotations

from pathlib import Path

SHARED = Path(__file__).resolve().parents[2] / "shared"
