"""The server: on the loopback address alone, on a port of its own, until it is stopped from the keyboard."""

from __future__ import annotations

import os
import socket
import sys
import threading
import webbrowser
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from reportgen.archive.publish import clear_parts, only_one
from reportgen.errors import ReadError
from reportgen.pipeline import Settings
from reportgen.progress import Say, silent
from reportgen.records.message import Message, message
from reportgen.review.app import LARGEST_BODY, App, new_token
from reportgen.review.bare import BareLog
from reportgen.review.session import Session
from reportgen.review.showing import Showing
from reportgen.review.writing import NOTES

LOOPBACK = "127.0.0.1"
THREADS = 8
"""Pages that wait hold one each (``app.MOST_WAITING``); the others answer."""
CONNECTIONS = 64
"""Open at once: a page has half a dozen."""
LOCK = ".review.lock"
"""In the job folder, held while a review of it is served; the system lets go of it when that ends, however it ends."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where the page is served, and whether a browser is opened on it."""

    port: int = 0
    """0: any that is free."""
    browser: bool = True


def review(
    path: Path, how: Settings, place: Place, say: Callable[[Message], object], progress: Say = silent, *, by: str = ""
) -> None:
    """Compute the job or bare log at ``path`` and serve its page until the keyboard stops it; ``by``: who sits there.

    Raises ReportError, also where another review of the job runs.
    """
    file = path / "job.toml" if path.is_dir() else path
    if file.suffix != ".toml":
        serve(BareLog(path, progress), place, say)
        return
    with only_one(file.parent / LOCK, message("review.other-server", job=str(path))):
        for each in (file, file.parent / NOTES):
            clear_parts(each)
        serve(Session(path, how, progress, by=by, ahead=True), place, say)


def serve(session: Showing, place: Place, say: Callable[[Message], object]) -> None:
    """Serve one session until the keyboard stops it."""
    server, address = server_of(session, place.port)
    say(message("review.serving", address=address))
    if place.browser and _has_screen():
        threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()
    try:
        server.run()
    finally:
        server.close()


def server_of(session: Showing, port: int = 0) -> tuple[Any, str]:
    """A server that listens on the loopback address, and where its page is. Raises ReadError for a port in use."""
    from waitress.server import create_server

    token = new_token()
    try:
        listening = socket.create_server((LOOPBACK, port))
    except OSError as problem:
        what = message("review.port", problem=problem.strerror or str(problem))
        raise ReadError(f"{LOOPBACK}:{port}", what) from problem
    host = f"{LOOPBACK}:{listening.getsockname()[1]}"
    server = create_server(
        App(session, token, host), sockets=[listening], threads=THREADS, connection_limit=CONNECTIONS, ident=None,
        max_request_body_size=2 * LARGEST_BODY, expose_tracebacks=False,
    )  # fmt: skip
    return server, f"http://{host}/{token}/"


def _has_screen() -> bool:
    """Whether a browser has a window of its own: one that runs in the terminal would take the terminal away."""
    return sys.platform != "linux" or bool(os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"))
