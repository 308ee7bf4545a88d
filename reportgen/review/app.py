"""The addresses of the page: who may ask, what is answered. One machine, one token, one origin.

Whoever can reach a port of this machine (another user, a page of another site in the same browser) knows no token; a
page that guessed one would still lack origin, header and host. Nothing is served but the page's own files by their
names, and what the session says.
"""

from __future__ import annotations

import hmac
import json
import secrets
from collections.abc import Callable, Iterable, Mapping
from http import HTTPStatus
from typing import TYPE_CHECKING, Any

from werkzeug.exceptions import BadRequest, HTTPException, RequestEntityTooLarge
from werkzeug.routing import Map, Rule
from werkzeug.wrappers import Request, Response

from reportgen.errors import ReportError
from reportgen.records.message import Message, message
from reportgen.render.review_page import POLICY
from reportgen.review.asked import Faults, asked_of, tried_at
from reportgen.review.session import built_messages
from reportgen.review.showing import Answer, Showing

if TYPE_CHECKING:
    from _typeshed.wsgi import StartResponse, WSGIEnvironment

LARGEST_BODY = 64_000
"""Bytes of a request: a decision is a few lines."""
LONGEST_WAIT_S = 20.0
"""Below the time after which browsers and proxies give up on an answer."""
MOST_WAITING = 4
"""Pages that may wait at once; each holds a thread of the server. Further ones are answered at once."""
HEADERS = {
    "Content-Security-Policy": POLICY,
    "Cache-Control": "no-store",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}


def new_token() -> str:
    """A path segment that nobody guesses: 256 bits."""
    return secrets.token_urlsafe(32)


class Refused(Exception):
    """What is not done, by its status, with fields at fault where there are any."""

    def __init__(self, status: HTTPStatus, said: Message, faults: tuple[tuple[str, Message], ...] = ()) -> None:
        super().__init__(status, said, faults)
        self.status, self.said, self.faults = status, said, faults


class _Request(Request):
    max_content_length = LARGEST_BODY
    max_form_memory_size = LARGEST_BODY


class App:
    """WSGI application of one session."""

    def __init__(self, session: Showing, token: str, host: str) -> None:
        """``host`` is name and port as browsers send them, such as ``127.0.0.1:40123``."""
        self._session = session
        self._token = token
        self._host = host
        self._waiting = 0
        base = f"/{token}"
        self._rules = Map(
            [
                Rule(f"{base}/", endpoint="page", methods=["GET"]),
                Rule(f"{base}/assets/<name>", endpoint="asset", methods=["GET"]),
                Rule(f"{base}/state", endpoint="state", methods=["GET"]),
                Rule(f"{base}/since/<int:version>", endpoint="since", methods=["GET"]),
                Rule(f"{base}/figure/<path:shown>", endpoint="figure", methods=["GET"]),
                Rule(f"{base}/try", endpoint="try", methods=["POST"]),
                Rule(f"{base}/decide", endpoint="decide", methods=["POST"]),
                Rule(f"{base}/undo", endpoint="undo", methods=["POST"]),
                Rule(f"{base}/build", endpoint="build", methods=["POST"]),
            ],
            strict_slashes=True,
            redirect_defaults=False,
            merge_slashes=False,
        )

    def __call__(self, environ: WSGIEnvironment, start_response: StartResponse) -> Iterable[bytes]:
        """Answer one request."""
        request = _Request(environ)
        response = self._answer(request)
        response.headers.update(HEADERS)
        return response(environ, start_response)

    def _answer(self, request: Request) -> Response:
        # A fault of the program is the server's: 500 to whoever asked, the traceback to where it was started.
        try:
            self._admit(request)
            endpoint, values = self._rules.bind(self._host).match(request.path, method=request.method)
            answer: Callable[..., Response] = getattr(self, f"_{endpoint}")
            return answer(request, **values)
        except Refused as refused:
            return self._refusal(refused)
        except Faults as faults:
            said = message("review.cannot-be-taken")
            return self._refusal(Refused(HTTPStatus.UNPROCESSABLE_ENTITY, said, faults.found))
        except ReportError as error:
            return self._refusal(Refused(HTTPStatus.CONFLICT, error.said))
        except HTTPException as error:
            return self._plain(HTTPStatus(error.code or HTTPStatus.BAD_REQUEST))

    def _admit(self, request: Request) -> None:
        """Let in who was given the address, on this machine, from the page itself. Raises HTTPException or Refused."""
        if request.headers.get("Host", "") != self._host:
            raise Refused(HTTPStatus.MISDIRECTED_REQUEST, message("review.other-host"))
        first = request.path.lstrip("/").partition("/")[0]
        if not hmac.compare_digest(first.encode(), self._token.encode()):
            raise Refused(HTTPStatus.NOT_FOUND, message("review.no-such-address"))
        origin = request.headers.get("Origin")
        site = request.headers.get("Sec-Fetch-Site", "same-origin")
        if origin not in (None, f"http://{self._host}") or site not in ("same-origin", "none"):
            raise Refused(HTTPStatus.FORBIDDEN, message("review.other-origin"))
        if request.method == "POST":
            self._admit_change(request, origin)

    def _admit_change(self, request: Request, origin: str | None) -> None:
        if origin is None or request.headers.get("X-Review") != "1":
            raise Refused(HTTPStatus.FORBIDDEN, message("review.other-origin"))
        if request.mimetype != "application/json":
            raise Refused(HTTPStatus.UNSUPPORTED_MEDIA_TYPE, message("review.no-json"))
        if request.content_length is None:
            raise Refused(HTTPStatus.LENGTH_REQUIRED, message("review.no-json"))

    # What is asked

    def _page(self, request: Request) -> Response:
        return self._asset(request, "")

    def _asset(self, request: Request, name: str) -> Response:
        found = self._session.files().get(name)
        if found is None:
            return self._plain(HTTPStatus.NOT_FOUND)
        content, mime = found
        return Response(content, content_type=mime)

    def _state(self, request: Request) -> Response:
        return _json(self._session.state(*_page_of(request)))

    def _since(self, request: Request, version: int) -> Response:
        # Threads of one process: a count that is off by one for a moment lets one page more wait, or one less.
        seconds = LONGEST_WAIT_S if self._waiting < MOST_WAITING else 0.0
        self._waiting += 1
        try:
            return _json({"version": self._session.wait(version, seconds, *_page_of(request))})
        finally:
            self._waiting -= 1

    def _figure(self, request: Request, shown: str) -> Response:
        figure = self._session.figure(shown, request.args.get("with"))
        if figure is None:
            raise Refused(HTTPStatus.NOT_FOUND, message("review.no-figure", shown=shown))
        return _json({"html": figure.html, "data": figure.data})

    def _try(self, request: Request) -> Response:
        run, channel, frequency_hz = tried_at(body_of(request))
        found = self._session.look(run, channel, frequency_hz)
        told = {"for": found.speaks_for, "against": found.speaks_against}
        return _json({"found": found.found, "rows": found.rows, **told, "why": found.why})

    def _decide(self, request: Request) -> Response:
        return self._answered(request, self._session.decide(asked_of(body_of(request))))

    def _undo(self, request: Request) -> Response:
        return self._answered(request, self._session.undo(str(body_of(request).get("decision"))))

    def _answered(self, request: Request, answer: Answer) -> Response:
        state = self._session.state(*_page_of(request))
        return _json({"state": state, "changed": answer.changed, "runs": answer.runs})

    def _build(self, request: Request) -> Response:
        told = body_of(request)
        seen = [each for each in told.get("seen") or () if isinstance(each, str)]
        built = self._session.build(told.get("issue") is True, seen)
        language = self._session.language
        return _json(
            {
                "folder": built.folder.name,
                "files": built.files,
                "outcome": str(built.outcome),
                "text": language.text(built_messages(built)),
            }
        )

    # How it is answered

    def _refusal(self, refused: Refused) -> Response:
        language = self._session.language
        told: dict[str, Any] = {"text": language.whole(refused.said)}
        if refused.faults:
            told["faults"] = [{"field": field, "text": language.whole(what)} for field, what in refused.faults]
        return _json(told, refused.status)

    def _plain(self, status: HTTPStatus) -> Response:
        return _json({"text": status.phrase}, status)


def _json(value: Mapping[str, Any], status: HTTPStatus = HTTPStatus.OK) -> Response:
    return Response(json.dumps(value, ensure_ascii=False), status=status, content_type="application/json")


LONGEST_NAME = 100
"""Characters of a name that a page states for itself."""


def _page_of(request: Request) -> tuple[str, str]:
    """The page's own id, and who sits before it, as the page says."""
    return request.args.get("page", "")[:LONGEST_NAME], request.args.get("by", "")[:LONGEST_NAME]


def body_of(request: Request) -> dict[str, Any]:
    """The JSON object that was sent. Raises HTTPException where it is none, or too large."""
    try:
        told = json.loads(request.get_data(cache=False).decode("utf-8"))
    except RequestEntityTooLarge:
        raise
    except (ValueError, RecursionError) as error:
        raise BadRequest from error
    if not isinstance(told, dict):
        raise BadRequest
    return told
