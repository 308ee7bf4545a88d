"""Who may ask what: one host, one token, one origin, and nothing of the machine but the page and its job."""

from __future__ import annotations

import json

import pytest
from werkzeug.test import Client

from reportgen.render.review_page import POLICY
from reportgen.review.app import LARGEST_BODY, App, new_token
from tests.review.small_review_job import JOB

TOKEN = "a-token-that-nobody-guesses"
HOST = "127.0.0.1:40123"
OWN = {"Host": HOST, "Origin": f"http://{HOST}", "X-Review": "1", "Content-Type": "application/json"}
REJECT = {
    "kind": "reject", "run": "X-PRE", "channel": "A1", "frequency_hz": 60.0, "reason": "the stand", "by": "A. Nobody",
}  # fmt: skip


@pytest.fixture
def client(session) -> Client:
    return Client(App(session, TOKEN, HOST))


def post(client, path, told, headers=OWN, **without):
    data = told if isinstance(told, bytes | str) else json.dumps(told)
    sent = {key: value for key, value in headers.items() if key not in without}
    return client.post(f"/{TOKEN}/{path}", data=data, headers=sent)


def get(client, path, **headers):
    return client.get(f"/{TOKEN}/{path}", headers={"Host": HOST, **headers})


def test_the_page_and_its_files_are_served_with_a_policy_and_kept_nowhere(client):
    page = get(client, "")
    assert page.status_code == 200
    assert page.mimetype == "text/html"
    assert "<script src" in page.text
    for name, mime in (("review.css", "text/css"), ("review.js", "text/javascript")):
        assert get(client, f"assets/{name}").mimetype == mime
    for answer in (page, get(client, "state"), get(client, "assets/nothing"), client.get("/", headers={"Host": HOST})):
        assert answer.headers["Content-Security-Policy"] == POLICY
        assert answer.headers["Cache-Control"] == "no-store"
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
        assert answer.headers["Referrer-Policy"] == "no-referrer"
    assert "unsafe" not in POLICY


def test_state_and_figure_are_told(client):
    state = get(client, "state?page=p&by=A").json
    assert state["language"] == "en"
    figure = get(client, "figure/X-PRE/A1").json
    assert figure["html"].startswith('<figure id="fig-X-PRE-A1"')
    panels = figure["html"].partition("data-panels=")[2]
    assert all(name in panels for name in figure["data"])
    beside = get(client, "figure/X-POST/A1?with=X-PRE").json
    assert "X-PRE" in beside["html"]
    assert get(client, "figure/X-PRE/A9").status_code == 404
    assert get(client, "figure/X-POST/A1?with=X-PER").status_code == 404
    assert get(client, f"since/{state['version'] + 1}").json["version"] == state["version"], (
        "another one is news at once"
    )


def test_a_decision_is_made_and_taken_back(client, session):
    answer = post(client, "decide", REJECT)
    assert answer.status_code == 200
    assert "X-PRE/A1/1" in answer.json["changed"]
    (made,) = [each for each in answer.json["state"]["decisions"] if each["kind"] == "reject"]
    assert post(client, "undo", {"decision": made["id"]}).status_code == 200
    assert (session.folder / "job.toml").read_text(encoding="utf-8") == JOB
    gone = post(client, "undo", {"decision": made["id"]})
    assert gone.status_code == 422


def test_a_try_is_told_and_writes_nothing(client, session):
    told = post(client, "try", {"run": "X-PRE", "channel": "A1", "frequency_hz": 1000}).json
    assert told.keys() == {"found", "rows", "for", "against", "why"}
    assert not told["found"]
    assert post(client, "try", {"run": "X-PRE", "channel": "A1", "frequency_hz": "60 Hz"}).status_code == 422
    assert (session.folder / "job.toml").read_text(encoding="utf-8") == JOB


def test_faults_are_told_by_field_and_an_edit_outside_as_a_conflict(client, session):
    refused = post(client, "decide", {**REJECT, "reason": ""})
    assert refused.status_code == 422
    assert [each["field"] for each in refused.json["faults"]] == ["reason"]
    (session.folder / "job.toml").write_text(JOB + "# more\n", encoding="utf-8")
    conflict = post(client, "decide", REJECT)
    assert conflict.status_code == 409
    assert conflict.json["text"]


@pytest.mark.parametrize(
    "headers, status",
    [
        ({**OWN, "Host": "localhost:40123"}, 421),
        ({**OWN, "Host": "example.org"}, 421),
        ({**OWN, "Host": "127.0.0.1"}, 421),
        ({**OWN, "Origin": "http://example.org"}, 403),
        ({**OWN, "Origin": "null"}, 403),
        ({**OWN, "Origin": f"https://{HOST}"}, 403),
        ({**OWN, "Sec-Fetch-Site": "cross-site"}, 403),
        ({**OWN, "Sec-Fetch-Site": "same-site"}, 403),
        ({key: value for key, value in OWN.items() if key != "Origin"}, 403),
        ({key: value for key, value in OWN.items() if key != "X-Review"}, 403),
        ({**OWN, "Content-Type": "text/plain"}, 415),
        ({**OWN, "Content-Type": "application/x-www-form-urlencoded"}, 415),
    ],
)
def test_nobody_else_decides(client, session, headers, status):
    """Faults: another site's form or script, a name that resolves to this machine (rebinding), a request by hand."""
    for path in ("try", "decide", "undo", "build"):
        answer = post(client, path, REJECT, headers)
        assert answer.status_code == status
        assert not {"state", "folder"} & answer.json.keys()
    assert (session.folder / "job.toml").read_text(encoding="utf-8") == JOB


def test_nobody_else_reads(client):
    for path in ("", "state", "figure/X-PRE/A1", "since/0", "assets/review.js"):
        for headers in ({"Host": "example.org"}, {"Origin": "http://example.org"}, {"Sec-Fetch-Site": "cross-site"}):
            assert get(client, path, **headers).status_code in (403, 421)


@pytest.mark.parametrize("token", ["", "x", TOKEN[:-1], TOKEN + "x", TOKEN.upper(), "\u00e9"])
def test_without_the_token_there_is_nothing(client, token):
    for path in ("", "/", "/state", "/assets/review.js", "/figure/X-PRE/A1", "/since/0"):
        answer = client.get(f"/{token}{path}", headers={"Host": HOST})
        assert answer.status_code == 404
        assert TOKEN not in answer.text
    assert client.post(f"/{token}/decide", headers=OWN, data=json.dumps(REJECT)).status_code == 404


def test_a_token_is_not_guessed():
    assert len({new_token() for _ in range(100)}) == 100
    assert len(new_token()) >= 43, "256 bits in Base64 (RFC 4648)"


@pytest.mark.parametrize(
    "path",
    [
        "assets/../job.toml",
        "assets/..%2fjob.toml",
        "assets/%2e%2e%2f%2e%2e%2fetc%2fpasswd",
        "assets//etc/passwd",
        "assets/..\\job.toml",
        "assets/review.html.j2",
        "assets/",
        "../job.toml",
        "figure/../../job.toml",
        "figure/%2e%2e/job.toml",
        "job.toml",
        "figure/X-PRE/%00",
        "since/-1",
        "since/1e9",
    ],
)
def test_no_file_of_the_machine_is_reached(client, path):
    answer = get(client, path)
    assert answer.status_code == 404
    assert "Lamp head" not in answer.text


@pytest.mark.parametrize(
    "body", [b"", b"{", b"[]", b"null", b"\xff\xfe", b'{"kind": NaN}' * 2, b"[" * 20_000, b'{"kind": "reject"'],
)  # fmt: skip
def test_what_is_no_json_object_is_refused(client, body):
    for path in ("try", "decide", "undo", "build"):
        assert post(client, path, body).status_code == (400 if body else 411)


def test_what_is_too_large_is_refused_unread(client):
    assert post(client, "decide", b'"' + b"x" * LARGEST_BODY + b'"').status_code == 413
    assert post(client, "decide", {**REJECT, "reason": "x" * 2001}).status_code == 422


def test_texts_of_the_user_stay_texts(client, session):
    """Fault: a reason or a name that becomes part of the page."""
    mark = "<script>alert(1)</script>"
    answer = post(client, "decide", {**REJECT, "reason": mark, "by": mark})
    assert answer.mimetype == "application/json"
    assert any(each["reason"] == mark for each in answer.json["state"]["decisions"])
    assert "<script>alert" not in get(client, "").text
    assert "<script>" not in get(client, "figure/X-PRE/A1").json["html"]


def test_other_methods_are_refused(client):
    assert client.put(f"/{TOKEN}/state", headers=OWN).status_code == 405
    assert get(client, "decide").status_code == 405
    assert client.options(f"/{TOKEN}/decide", headers={**OWN, "Origin": "http://example.org"}).status_code == 403
