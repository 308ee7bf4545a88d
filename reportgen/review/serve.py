"""The server: on the loopback address alone, on a port of its own, until it is stopped from the keyboard."""

from __future__ import annotations

import webbrowser
from collections.abc import Callable
from pathlib import Path

from reportgen.pipeline import Settings
from reportgen.progress import Say, silent
from reportgen.records.message import Message, message
from reportgen.review.app import App, new_token
from reportgen.review.session import Session

LOOPBACK = "127.0.0.1"
THREADS = 8
"""Pages that wait hold one each (``app.MOST_WAITING``); the others answer."""


def review(
    path: Path,
    how: Settings,
    say: Callable[[Message], object],
    progress: Say = silent,
    *,
    port: int = 0,
    browser: bool = True,
) -> None:
    """Compute the job at ``path`` and serve its page until the keyboard stops it; ``port`` 0: any that is free."""
    from waitress.server import create_server

    session = Session(path, how, progress)
    token = new_token()
    server = create_server(_nothing, host=LOOPBACK, port=port, threads=THREADS, ident=None)
    host = f"{LOOPBACK}:{server.effective_port}"
    server.application = App(session, token, host)
    address = f"http://{host}/{token}/"
    say(message("review.serving", address=address))
    if browser:
        webbrowser.open(address)
    try:
        server.run()
    finally:
        server.close()


def _nothing(_environ: object, _start: object) -> list[bytes]:
    return []
