"""Every regular expression of the package, how it is used, and words made to keep each of them busy."""

from __future__ import annotations

import ast
import builtins
import importlib
import pkgutil
import re
import re._constants as op  # type: ignore[import-not-found]
import re._parser as parser  # type: ignore[import-not-found]
import signal
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from types import CodeType, FrameType, ModuleType
from typing import Any

import reportgen

PACKAGE = Path(reportgen.__file__).parent
METHODS = {"search", "match", "fullmatch", "sub", "subn", "split", "findall", "finditer"}
_APPLIED = re.compile(rf"\.(?:{'|'.join(METHODS)}|compile)\b")
"""Somewhere in a module that uses a pattern."""


@dataclass(frozen=True)
class Use:
    """A pattern and one way in which it is applied."""

    pattern: re.Pattern[Any]
    method: str
    where: str


def uses() -> tuple[dict[tuple[Any, int, str], Use], list[str]]:
    """Each pattern with each method it is used with; and the places whose pattern cannot be told from the source."""
    found: dict[tuple[Any, int, str], Use] = {}
    unclear: list[str] = []
    modules: list[ModuleType] = []
    for info in pkgutil.walk_packages([str(PACKAGE)], "reportgen."):
        if info.name.endswith("__main__"):
            continue
        module = importlib.import_module(info.name)
        modules.append(module)
        source = Path(str(module.__file__)).read_text(encoding="utf-8")
        for use in _Source(module, source, unclear).uses() if _APPLIED.search(source) else ():
            found.setdefault((use.pattern.pattern, use.pattern.flags, use.method), use)
    seen = {key[:2] for key in found}
    for module in modules:
        for name, value in vars(module).items():
            for pattern in _patterns_in(value):
                if (pattern.pattern, pattern.flags) not in seen:  # handed about under other names: in whatever way
                    for method in ("search", "match", "fullmatch"):
                        key = (pattern.pattern, pattern.flags, method)
                        found.setdefault(key, Use(pattern, method, f"{module.__name__}.{name}"))
    return found, unclear


class _Source:
    """The calls of one module."""

    def __init__(self, module: ModuleType, source: str, unclear: list[str]) -> None:
        self._path = Path(str(module.__file__))
        self._names = vars(module)
        self._unclear = unclear
        self._tree = ast.parse(source)

    def uses(self) -> Iterator[Use]:
        """Patterns of module constants, of calls of ``re`` and of what functions compile."""
        for function in [self._tree, *(n for n in ast.walk(self._tree) if isinstance(n, ast.FunctionDef | ast.Lambda))]:
            for call in _calls(function):
                yield from self._of_call(call, function)

    def _of_call(self, call: ast.Call, function: ast.AST) -> Iterator[Use]:
        assert isinstance(call.func, ast.Attribute)
        owner, method = call.func.value, call.func.attr
        where = f"{self._path.relative_to(PACKAGE)}:{call.lineno}"
        if isinstance(owner, ast.Name) and owner.id == "re":
            if method not in METHODS | {"compile"}:
                return
            if method == "compile" and function is self._tree:
                return  # a constant; what is done with it is seen where it is done
            for pattern in self._patterns(call, function, where):
                for each in self._methods_of_compiled(call) if method == "compile" else (method,):
                    yield Use(pattern, each, where)
        elif method in METHODS:
            for pattern in _patterns_in(self._value(owner)):
                yield Use(pattern, method, where)

    def _patterns(self, call: ast.Call, function: ast.AST, where: str) -> Iterator[re.Pattern[Any]]:
        given = [self._value(each) for each in (*call.args[1:], *(each.value for each in call.keywords))]
        flags = next((each for each in given if isinstance(each, re.RegexFlag)), re.RegexFlag(0))
        texts = list(self._texts(call.args[0], function))
        if not texts:
            self._unclear.append(f"{where.rpartition(':')[0]}: {ast.unparse(call.args[0])}")
        for text in texts:
            yield re.compile(text, flags)

    def _texts(self, node: ast.expr, function: ast.AST) -> Iterator[str | bytes]:
        """What an argument may be: a text, or a name that was given texts in this function."""
        if isinstance(node, ast.Name) and node.id not in self._names:
            for inner in ast.walk(function):
                if isinstance(inner, ast.Assign) and any(_is_name(t, node.id) for t in inner.targets):
                    yield from self._each_text(inner.value, function)
                elif isinstance(inner, ast.For | ast.comprehension) and _is_name(inner.target, node.id):
                    yield from self._each_text(inner.iter, function)
            return
        value = self._value(node)
        if isinstance(value, str | bytes):
            yield value

    def _each_text(self, node: ast.expr, function: ast.AST) -> Iterator[str | bytes]:
        if isinstance(node, ast.Tuple | ast.List):
            yield from chain.from_iterable(self._texts(each, function) for each in node.elts)
        else:
            yield from self._texts(node, function)

    def _methods_of_compiled(self, call: ast.Call) -> set[str]:
        """How that which a function compiles is used, by the name it is given."""
        names: set[str] = set()
        for node in ast.walk(self._tree):
            if isinstance(node, ast.Assign) and call in ast.walk(node.value):
                names |= {ast.unparse(target) for target in node.targets}
        methods = {
            each.func.attr
            for each in ast.walk(self._tree)
            if isinstance(each, ast.Call)
            and isinstance(each.func, ast.Attribute)
            and ast.unparse(each.func.value) in names
        } & METHODS
        return methods or {"fullmatch", "search"}

    def _value(self, node: ast.expr) -> Any:
        """The value of an expression; a name of a function stands for some word."""
        code: CodeType = compile(ast.Expression(node), str(self._path), "eval")
        try:
            return eval(code, self._names, _Anything(self._names))
        except Exception:
            return None


class _Anything(dict[str, object]):
    """Names that only a function knows, each as some word."""

    def __init__(self, names: Mapping[str, object]) -> None:
        super().__init__()
        self._known = names

    def __missing__(self, name: str) -> object:
        if name in self._known or hasattr(builtins, name):
            raise KeyError(name)
        return "x1"


def _calls(node: ast.AST) -> Iterator[ast.Call]:
    """Calls of methods in a function or module, without those of functions inside."""
    inside = [*ast.iter_child_nodes(node)]
    while inside:
        inner = inside.pop()
        if not isinstance(inner, ast.FunctionDef | ast.Lambda):
            if isinstance(inner, ast.Call) and isinstance(inner.func, ast.Attribute):
                yield inner
            inside += ast.iter_child_nodes(inner)


def _is_name(node: ast.expr, name: str) -> bool:
    if isinstance(node, ast.Tuple):
        return any(_is_name(each, name) for each in node.elts)
    return isinstance(node, ast.Name) and node.id == name


def _patterns_in(value: object) -> Iterator[re.Pattern[Any]]:
    if isinstance(value, re.Pattern):
        yield value
    elif isinstance(value, dict):
        yield from chain.from_iterable(_patterns_in(each) for each in value.values())
    elif isinstance(value, list | tuple):
        yield from chain.from_iterable(_patterns_in(each) for each in value)


# Words that keep a pattern busy ------------------------------------------------------------------------------------

FILLINGS = (" ", "\t", "\n", "1", "a", "A", "x", "_", ".", "-", "+", ",", ";", ":", "/", "\\", "'", '"', "#", "=", "*",
            "(", ")", "()", "[", "]", "[]", "{", "}", "<", ">", "<>", "( ", " /", "1 ", "1.", "1,", "a ", " a", "\\\\",
            "ä", "φ", "%", "1:", "e1", "-1", "\n ", "$", "|")  # fmt: skip
_ENDS = ("\x00!", "\n!")
"""What no pattern wants at the end; behind the end of a line a dot does not match."""


def attacks(pattern: re.Pattern[Any], length: int) -> Iterator[str | bytes]:
    """Texts of about that length: each filling, and what the pattern repeats, behind what it wants first."""
    tree = parser.parse(pattern.pattern, pattern.flags & ~re.DEBUG)
    heads = {"": None, **dict.fromkeys(_heads(tree, ""))}
    bodies = dict.fromkeys((*FILLINGS, *_bodies(tree), _sample(tree)))
    for head in heads:
        for body in bodies:
            if body:
                for end in _ENDS:
                    text = head + body * (length // len(body)) + end
                    yield text.encode("latin-1", "replace") if isinstance(pattern.pattern, bytes) else text


def _sample(tree: Any) -> str:
    """A short text that a part of a pattern matches, as a rule."""
    return "".join(_sample_of(kind, given) for kind, given in tree)


def _sample_of(kind: Any, given: Any) -> str:
    if kind is op.LITERAL:
        return chr(given)
    if kind is op.NOT_LITERAL:
        return "x" if given != ord("x") else "y"
    if kind is op.ANY:
        return "x"
    if kind is op.IN:
        return _member(given)
    if kind in (op.MAX_REPEAT, op.MIN_REPEAT, op.POSSESSIVE_REPEAT):
        return _sample(given[2]) * min(max(given[0], 1), 4)
    if kind is op.SUBPATTERN:
        return _sample(given[3])
    if kind is op.BRANCH:
        return _sample(given[1][0])
    if kind is op.ATOMIC_GROUP:
        return _sample(given)
    return ""


_KINDS = {op.CATEGORY_DIGIT: "1", op.CATEGORY_SPACE: " ", op.CATEGORY_WORD: "a",
          op.CATEGORY_NOT_DIGIT: "a", op.CATEGORY_NOT_SPACE: "a", op.CATEGORY_NOT_WORD: "-"}  # fmt: skip


def _member(given: Any) -> str:
    if given[0][0] is op.NEGATE:
        out = {chr(value) for kind, value in given if kind is op.LITERAL}
        return next(each for each in "xy1 _=~" if each not in out)
    kind, value = given[0]
    return chr(value) if kind is op.LITERAL else chr(value[0]) if kind is op.RANGE else _KINDS.get(value, "a")


def _parts(tree: Any) -> Iterator[tuple[str, Any, Any]]:
    """Each item of a pattern with what a text begins with to get there."""
    head = ""
    for kind, given in tree:
        yield head, kind, given
        head += _sample_of(kind, given)


def _inner(kind: Any, given: Any) -> list[Any]:
    if kind in (op.MAX_REPEAT, op.MIN_REPEAT, op.POSSESSIVE_REPEAT):
        return [given[2]]
    if kind is op.SUBPATTERN:
        return [given[3]]
    if kind is op.BRANCH:
        return list(given[1])
    return [given] if kind is op.ATOMIC_GROUP else [given[1]] if kind in (op.ASSERT, op.ASSERT_NOT) else []


def _heads(tree: Any, before: str) -> Iterator[str]:
    """What stands before each part that repeats."""
    for head, kind, given in _parts(tree):
        if kind in (op.MAX_REPEAT, op.MIN_REPEAT, op.POSSESSIVE_REPEAT) and given[1] > 8:
            yield before + head
        for inner in _inner(kind, given):
            yield from _heads(inner, before + head)


def _bodies(tree: Any) -> Iterator[str]:
    """What each part that repeats repeats."""
    for kind, given in tree:
        if kind in (op.MAX_REPEAT, op.MIN_REPEAT, op.POSSESSIVE_REPEAT) and given[1] > 8:
            yield _sample(given[2])
        for inner in _inner(kind, given):
            yield from _bodies(inner)


# Time --------------------------------------------------------------------------------------------------------------


class _LateError(Exception):
    pass


def _late(number: int, frame: FrameType | None) -> None:
    raise _LateError


def seconds(use: Use, text: str | bytes, most: float) -> float:
    """Processor time of applying a pattern to a text; infinite where it takes more than ``most`` seconds."""
    apply = _applied(use)
    earlier = signal.signal(signal.SIGVTALRM, _late)
    signal.setitimer(signal.ITIMER_VIRTUAL, most)
    start = time.process_time()
    try:
        apply(text)
        return time.process_time() - start
    except _LateError:
        return float("inf")
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        signal.signal(signal.SIGVTALRM, earlier)


def _applied(use: Use) -> Any:
    empty = b"" if isinstance(use.pattern.pattern, bytes) else ""
    if use.method in ("sub", "subn"):
        return lambda text: getattr(use.pattern, use.method)(lambda match: empty, text)
    if use.method == "finditer":
        return lambda text: sum(1 for _ in use.pattern.finditer(text))
    return getattr(use.pattern, use.method)
