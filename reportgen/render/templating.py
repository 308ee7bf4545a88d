"""Templates: the sandbox they run in, a laboratory's own blocks before ours, errors with file and line."""

from __future__ import annotations

import ctypes
import stat
import threading
import traceback
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from jinja2 import (
    BytecodeCache,
    ChoiceLoader,
    FileSystemLoader,
    PrefixLoader,
    StrictUndefined,
    TemplateError,
    TemplateSyntaxError,
)
from jinja2.bccache import Bucket
from jinja2.exceptions import SecurityError
from jinja2.sandbox import ImmutableSandboxedEnvironment

from reportgen.errors import RenderError
from reportgen.records.message import Place, message
from reportgen.render.words import Words

FILL_SECONDS = 60.0
"""By the clock on the wall: our own templates take less than one second."""
_AGAIN_SECONDS = 1.0
"""Between two attempts to end a template."""
_MOST_ITEMS = 10_000_000
"""Length of a text or list that a template may make by multiplication."""
_MOST_FILES = 1_000
"""In a folder of a laboratory's own templates."""


_MOST_KEPT = 500
"""Translated templates that a process keeps: some ten times as many as one report has."""


class TooLongError(Exception):
    """A template that came to no end."""


class _Translated(BytecodeCache):
    """What templates were translated to, by their place and text: a batch of reports translates each of them once."""

    def __init__(self) -> None:
        self._kept: dict[tuple[str, str], bytes] = {}

    def load_bytecode(self, bucket: Bucket) -> None:
        """Give ``bucket`` the code of this text, where it is known."""
        if (kept := self._kept.get((bucket.key, bucket.checksum))) is not None:
            bucket.bytecode_from_string(kept)

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Keep the code of ``bucket``."""
        if len(self._kept) == _MOST_KEPT:
            self._kept.clear()
        self._kept[bucket.key, bucket.checksum] = bucket.bytecode_to_string()


_TRANSLATED = _Translated()


class _Sandbox(ImmutableSandboxedEnvironment):
    """Powers are refused and products held to a length: one sign could otherwise keep the machine busy for years."""

    intercepted_binops = frozenset(["*", "**"])

    def call_binop(self, context: Any, operator: str, left: Any, right: Any) -> Any:
        if operator == "**":
            raise SecurityError("a template cannot raise to a power")
        for one, other in ((left, right), (right, left)):
            if isinstance(other, int) and hasattr(one, "__len__") and len(one) * other > _MOST_ITEMS:
                raise SecurityError("a template cannot make so long a text or list")
        return super().call_binop(context, operator, left, right)


def refuse_odd_files(branding: Path) -> None:
    """Nothing of a laboratory's folder is passed over: pipes, devices and links to nothing are named.

    Raises RenderError.
    """
    for number, path in enumerate(branding.rglob("*")):
        if number == _MOST_FILES:
            raise RenderError(message("render.many-files", folder=str(branding), most=_MOST_FILES))
        try:
            kind = path.stat().st_mode
        except OSError as problem:
            raise RenderError(message("error.at", where=str(path), what=problem.strerror or str(problem))) from problem
        if not (stat.S_ISREG(kind) or stat.S_ISDIR(kind)):
            raise RenderError(message("render.no-ordinary-file", path=str(path)))


@contextmanager
def within(seconds: float) -> Iterator[None]:
    """Let the block end with TooLongError after so long, wherever Python is then; not while one call of C lasts.

    Raised again every second until the block has ended: where Python happens to be in a callback that ignores
    exceptions, such as one of the garbage collector, the first is lost.
    """
    own, lock, running = threading.get_ident(), threading.Lock(), [True]
    ended = threading.Event()

    def end() -> None:
        while not ended.is_set():
            with lock:
                if running[0]:
                    ctypes.pythonapi.PyThreadState_SetAsyncExc(ctypes.c_ulong(own), ctypes.py_object(TooLongError))
            ended.wait(_AGAIN_SECONDS)

    timer = threading.Timer(seconds, end)
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        with lock:
            running[0] = False
        ended.set()
        timer.cancel()


def environment(templates: Path, branding: Path | None, words: Words) -> ImmutableSandboxedEnvironment:
    """The sandbox: everything escaped, a wrong name is an error; ``core/…`` always means our own templates."""
    core = FileSystemLoader(templates)
    loaders: list[Any] = [core, PrefixLoader({"core": core})]
    if branding is not None:
        refuse_odd_files(branding)
        loaders.insert(0, FileSystemLoader(branding))
    sandbox = _Sandbox(
        loader=ChoiceLoader(loaders),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        bytecode_cache=_TRANSLATED,
    )
    sandbox.globals["_"] = words.say
    return sandbox


def fill(sandbox: ImmutableSandboxedEnvironment, name: str, context: Mapping[str, Any]) -> str:
    """Fill template ``name``. Raises RenderError with the template's file and line."""
    try:
        with within(FILL_SECONDS):
            return sandbox.get_template(name).render(context)
    except TooLongError as error:
        here = _place(error) or Place(name)
        raise RenderError(message("render.too-long", where=here, seconds=FILL_SECONDS)) from error
    except (MemoryError, RecursionError) as error:
        what = message("render.template", where=_place(error) or Place(name), reason=type(error).__name__)
        raise RenderError(what) from error
    except TemplateSyntaxError as error:
        place = Place(str(error.filename or error.name or name), error.lineno)
        raise RenderError(message("error.at", where=place, what=str(error.message))) from error
    except (TemplateError, SecurityError, ArithmeticError, LookupError, TypeError, ValueError) as error:
        where = _place(error)
        if where is None:
            raise RenderError(message("error.at", where=name, what=str(error))) from error
        raise RenderError(message("render.template", where=where, reason=str(error))) from error


def _place(error: BaseException) -> Place | None:
    """File and line of the innermost template frame, or None where the error is not a template's."""
    frames = traceback.extract_tb(error.__traceback__)
    return next((Place(f.filename, f.lineno) for f in reversed(frames) if f.filename.endswith(".j2")), None)
