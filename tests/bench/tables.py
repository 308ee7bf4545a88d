"""Speed of reading a table of text whose shape is found by the tool, against pandas' C engine told everything.

Both read the same file, in turns, in one process; the medians of the turns are compared. Both hand over numbers.
"""

from __future__ import annotations

import statistics
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np

from reportgen.read.table.table import read_table, recognise, table_blocks

ROWS, CHANNELS, TURNS = 1_100_000, 8, 5
WANTED = 1.2
"""Time of the tool over time of pandas."""


def run() -> dict[str, float]:
    """Print one line a shape and return the ratios."""
    import pandas as pd

    values = np.random.default_rng(1).normal(size=(ROWS, CHANNELS))
    frame = pd.DataFrame({"time [s]": np.arange(ROWS) / 51_200} | {f"CH{i} [g]": values[:, i] for i in range(CHANNELS)})
    shapes = {"comma and point": (",", ".", "utf-8"), "semicolon and decimal comma": (";", ",", "cp1252")}
    result: dict[str, float] = {}
    with tempfile.TemporaryDirectory() as folder:
        for label, (delimiter, decimal, encoding) in shapes.items():
            path = Path(folder) / "table.csv"
            frame.to_csv(path, index=False, sep=delimiter, decimal=decimal, encoding=encoding)
            told = {"sep": delimiter, "decimal": decimal, "encoding": encoding}
            result |= _compare(label, path, partial(pd.read_csv, path, engine="c", **told))
    return result


def _compare(label: str, path: Path, by_pandas: Callable[[], object]) -> dict[str, float]:
    ways = {"pandas": by_pandas, "whole": lambda: _whole(path), "blocks": lambda: _blocks(path)}
    wall: dict[str, list[float]] = {each: [] for each in ways}
    cpu: dict[str, list[float]] = {each: [] for each in ways}
    for _ in range(TURNS):
        for each, way in ways.items():
            start, start_cpu = time.perf_counter(), time.process_time()
            way()
            wall[each].append(time.perf_counter() - start)
            cpu[each].append(time.process_time() - start_cpu)
    middle = {each: statistics.median(times) for each, times in wall.items()}
    busy = {each: statistics.median(times) for each, times in cpu.items()}
    result = {f"{label}: {each}": middle[each] / middle["pandas"] for each in ("whole", "blocks")}
    for each in ("whole", "blocks"):
        ratio = middle[each] / middle["pandas"]
        print(
            f"table of {path.stat().st_size / 1e6:.0f} MB, {label}, {each}: {middle[each]:.2f} s, pandas told all "
            f"{middle['pandas']:.2f} s, ratio {ratio:.2f} ({'within' if ratio <= WANTED else 'MORE THAN'} {WANTED}; "
            f"processor {busy[each]:.2f} s and {busy['pandas']:.2f} s)"
        )
    return result


def _whole(path: Path) -> object:
    layout = recognise(path, path.name)
    return read_table(path, layout, range(layout.columns))


def _blocks(path: Path) -> int:
    layout = recognise(path, path.name)
    return sum(len(block.values) for block in table_blocks(path, layout, range(layout.columns)))


if __name__ == "__main__":
    run()
