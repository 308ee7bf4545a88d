"""Templates: the sandbox they run in, a laboratory's own blocks before ours, errors with file and line."""

from __future__ import annotations

import traceback
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from jinja2 import ChoiceLoader, FileSystemLoader, PrefixLoader, StrictUndefined, TemplateError, TemplateSyntaxError
from jinja2.exceptions import SecurityError
from jinja2.sandbox import ImmutableSandboxedEnvironment

from reportgen.errors import RenderError
from reportgen.records.message import Place, message
from reportgen.render.words import Words


def environment(templates: Path, branding: Path | None, words: Words) -> ImmutableSandboxedEnvironment:
    """The sandbox: everything escaped, a wrong name is an error; ``core/…`` always means our own templates."""
    core = FileSystemLoader(templates)
    loaders: list[Any] = [core, PrefixLoader({"core": core})]
    if branding is not None:
        loaders.insert(0, FileSystemLoader(branding))
    sandbox = ImmutableSandboxedEnvironment(
        loader=ChoiceLoader(loaders),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    sandbox.globals["_"] = words.say
    return sandbox


def fill(sandbox: ImmutableSandboxedEnvironment, name: str, context: Mapping[str, Any]) -> str:
    """Fill template ``name``. Raises RenderError with the template's file and line."""
    try:
        return sandbox.get_template(name).render(context)
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
