"""Nothing stands in the package that no part of it uses."""

from __future__ import annotations

import ast
from collections.abc import Iterable, Mapping
from pathlib import Path

PACKAGE = Path(__file__).resolve().parent.parent / "reportgen"
BY_OTHERS = {"__all__"}
"""Names that are read by Python itself."""


def defined(node: ast.stmt) -> list[str]:
    """Functions, classes and constants that a line of a module defines."""
    if isinstance(node, ast.FunctionDef | ast.ClassDef):
        return [node.name]
    targets = node.targets if isinstance(node, ast.Assign) else [node.target] if isinstance(node, ast.AnnAssign) else []
    return [target.id for target in targets if isinstance(target, ast.Name)]


def names_read(nodes: Iterable[ast.stmt]) -> set[str]:
    return {each.id for node in nodes for each in ast.walk(node) if isinstance(each, ast.Name)}


def unused(modules: Mapping[str, ast.Module]) -> set[str]:
    """What is read neither in its own module, outside its definition, nor imported by another or read as a member."""
    nodes = [node for tree in modules.values() for node in ast.walk(tree)]
    wanted = {(node.module, each.name) for node in nodes if isinstance(node, ast.ImportFrom) for each in node.names}
    members = {node.attr for node in nodes if isinstance(node, ast.Attribute)} | BY_OTHERS
    found = set()
    for module, tree in modules.items():
        for node in tree.body:
            names = {name for name in defined(node) if name not in members and (module, name) not in wanted}
            if names:
                found |= {
                    f"{module}.{name}" for name in names - names_read(each for each in tree.body if each is not node)
                }
    return found


def test_whatever_stands_in_a_module_is_used():
    """Fault: functions that only their tests called, beside those that the program used."""
    modules = {
        ".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts).removesuffix(".__init__"): ast.parse(
            path.read_text(encoding="utf-8")
        )
        for path in PACKAGE.rglob("*.py")
    }
    assert unused(modules) == set()


def test_a_name_that_only_speaks_of_itself_is_found():
    text = "A = 1\nB = A\ndef walk(n):\n    return walk(n - 1)\ndef used():\n    return B\n"
    other = "from one import used\n"
    assert unused({"one": ast.parse(text), "other": ast.parse(other)}) == {"one.walk"}
