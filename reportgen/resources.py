"""Folders that ship beside the code: templates and example logs."""

from __future__ import annotations

import importlib.resources
from pathlib import Path


def data_dir(name: str) -> Path:
    """Folder ``templates`` or ``example_logs``: inside the installed wheel, else in the checkout.

    Raises FileNotFoundError where neither exists.
    """
    packed = Path(str(importlib.resources.files("reportgen"))) / "_data" / name
    if packed.is_dir():
        return packed
    checkout = Path(__file__).resolve().parent.parent / name
    if checkout.is_dir():
        return checkout
    raise FileNotFoundError(f"data folder {name!r} not found in {packed} or {checkout}")
