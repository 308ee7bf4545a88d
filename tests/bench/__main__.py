"""Run every benchmark of this folder, or those named: ``python -m tests.bench [NAME …]``."""

from __future__ import annotations

import importlib
import pkgutil
import sys

import tests.bench


def main() -> None:
    names = sys.argv[1:] or sorted(each.name for each in pkgutil.iter_modules(tests.bench.__path__))
    for name in names:
        if name.startswith("_"):
            continue
        module = importlib.import_module(f"tests.bench.{name}")
        if hasattr(module, "run"):
            print(f"\n== {name}: {(module.__doc__ or '').strip().splitlines()[0]}\n", flush=True)
            module.run()


if __name__ == "__main__":
    main()
