"""Every route by every role, from another machine's side; and the doors that must not open."""

import json
import re
import ssl
import urllib.error
import urllib.request

import pytest

from baytrace import cli
from guarded_bench import GuardedBench, certificate
from running_bench import GAUGE, RunningBench
from servers import free_port, pseudo_terminal

PAGES = (
    "/",
    "/sessions",
    "/sessions/x",
    "/manual",
    "/manual/start",
    "/openapi.json",
    "/metrics",
    "/bokeh/bokeh.min.js",
)
OPEN = ("/healthz", "/login", "/static/look.css", "/api/login")
NOT_A_BODY = []
"""No route takes a list, so that nobody's permission can be used up by the walk."""


@pytest.fixture
def guarded(tmp_path):
    with pseudo_terminal() as gauge:
        bench = GuardedBench(tmp_path, GAUGE.format(port=gauge.name)).start()
        try:
            yield bench
        finally:
            bench.stop()


def allowed(method, path, role):
    """What a role may do, said once more and independently of the guard."""
    if path in OPEN:
        return True
    if role is None:
        return False
    if method == "get":
        return True
    return role == ("quality" if path.endswith("/sign-off") else "bench")


def test_each_role_gets_where_it_may_and_nowhere_else(guarded):
    """Every route of the app's own description and every page, asked by nobody and by each role."""
    described = guarded.get("/openapi.json")["paths"]
    table = [(method, path) for path, methods in described.items() for method in methods] + [
        ("get", path) for path in (*PAGES, *OPEN[:3])
    ]
    assert len(table) > 40
    wrong = []
    for method, path in table:
        if path == "/api/stream":
            continue  # does not end; asked on its own
        asked = re.sub(r"\{[^}]*\}", "nobody", path)
        for role in (None, "view", "bench", "quality"):
            body = NOT_A_BODY if method != "get" else None
            status, headers, text = guarded.ask(asked, method.upper(), role, body)
            refused = 401 if role is None else 403
            passed = status not in (401, 403) or (path == "/api/login" and status == 422)
            if passed != allowed(method, path, role) or (not passed and status != refused) or status >= 500:
                wrong.append((method, path, role, status))
            if status >= 400:
                assert headers["Content-Type"] == "application/problem+json", (path, status)
                assert json.loads(text)["status"] == status
            assert headers["Content-Security-Policy"].startswith("default-src 'self'")
    assert not wrong


def test_wrong_tokens_are_slowed_down_and_good_ones_elsewhere_are_not(guarded):
    """After ten wrong tokens the address waits; the answer says how long; no token is in the log."""
    wrong = {"Authorization": "Bearer sesame-sesame"}
    seen = [guarded.ask("/api/bench", role=None, headers=wrong)[0] for _ in range(12)]
    assert seen == [401] * 10 + [429] * 2
    status, headers, _ = guarded.ask("/api/bench")
    assert (status, headers["Retry-After"]) == (429, "60")
    assert guarded.ask("/healthz", role=None)[0] == 200
    assert "sesame" not in guarded.said()


def test_a_browser_is_led_to_the_login_and_keeps_a_cookie_no_script_can_read(guarded):
    """A page asked without a token leads to /login; the cookie it gets opens the pages, is HttpOnly and SameSite=Strict."""
    opener = urllib.request.build_opener()
    page = urllib.request.Request(guarded.url + "/", headers={"Accept": "text/html"})
    with opener.open(page, timeout=10) as answer:
        assert answer.url.endswith("/login")
    status, headers, _ = guarded.ask("/api/login", "POST", None, {"token": guarded.tokens["view"]})
    cookie = headers["Set-Cookie"]
    assert status == 200
    assert "httponly" in cookie.lower()
    assert "samesite=strict" in cookie.lower()
    assert guarded.ask("/api/bench", role=None, headers={"Cookie": cookie.split(";")[0]})[0] == 200


def test_a_damaged_token_file_lets_nobody_in(guarded, tmp_path):
    """The daemon goes on measuring, answers 503 to tokens, and takes them again once the file is mended."""
    file = tmp_path / "tokens.json"
    good = file.read_text()
    file.write_text("{")
    assert guarded.ask("/api/bench")[0] == 503
    file.write_text(good)
    file.chmod(0o644)
    assert guarded.ask("/api/bench")[0] == 503
    file.chmod(0o600)
    file.write_text(good)
    assert guarded.ask("/api/bench")[0] == 200
    assert "Traceback" not in guarded.said()


@pytest.fixture
def refused(tmp_path, capsys):
    """`baytrace serve` on the [web] lines, expected to refuse: (exit code, what it said)."""

    def serve(web):
        with pseudo_terminal() as gauge:
            file = tmp_path / "bench.toml"
            file.write_text(f"{GAUGE.format(port=gauge.name)}\n[web]\nport = {free_port()}\n{web}\n")
            return cli.run(["serve", "--config", str(file)]), capsys.readouterr().err.strip()

    return serve


@pytest.mark.parametrize("web", ['host = "0.0.0.0"', 'host = "::"', 'public = "https://bay1.shop.example"'])
def test_what_others_can_reach_needs_tokens(refused, web):
    """Any address but loopback, and a proxy in front of loopback, is refused without tokens, in one line that helps."""
    code, said = refused(web)
    assert code == 2
    assert "baytrace token make" in said
    assert len(said.splitlines()) == 1


def test_a_proxy_nobody_told_of_is_refused(tmp_path):
    """A loopback bench trusts its own machine only: what a proxy passes on is refused until bench.toml says so."""
    with pseudo_terminal() as gauge:
        bench = RunningBench(tmp_path, GAUGE.format(port=gauge.name)).start()
        try:
            assert bench.status_of("/api/bench", headers={"X-Forwarded-For": "10.0.0.7"})[0] == 421
            assert bench.status_of("/api/bench", headers={"Host": "bay1.shop.example"})[0] == 421
            assert bench.status_of("/api/bench")[0] == 200
        finally:
            bench.stop()


def test_own_certificate_files_make_it_https(tmp_path):
    """With the files the bench speaks HTTPS that a client verifies, and plain HTTP gets nothing out of it."""
    made, key = certificate(tmp_path)
    with pseudo_terminal() as gauge:
        web = f'certificate = "{made.name}"\nprivate_key = "{key.name}"'
        bench = GuardedBench(tmp_path, GAUGE.format(port=gauge.name), web, ca=str(made)).start()
        try:
            assert bench.get("/api/bench")["name"] == "bench"
            headers = bench.ask("/api/login", "POST", None, {"token": bench.tokens["view"]})[1]
            assert "secure" in headers["Set-Cookie"].lower()
            with pytest.raises((OSError, urllib.error.URLError)):
                urllib.request.urlopen(f"http://127.0.0.1:{bench.port}/healthz", timeout=5)
            with pytest.raises(urllib.error.URLError, match="CERTIFICATE_VERIFY_FAILED"):
                urllib.request.urlopen(bench.url + "/healthz", timeout=5, context=ssl.create_default_context())
            assert bench.get("/healthz")["ok"]
            assert "Traceback" not in bench.said()
        finally:
            bench.stop()


def test_certificate_files_that_cannot_serve_are_told_at_the_start(tmp_path, refused):
    """A key others can read, a missing file, a certificate that is none: exit 2, one line each, no traceback."""
    made, key = certificate(tmp_path)
    web = f'certificate = "{made.name}"\nprivate_key = "{key.name}"'
    key.chmod(0o640)
    code, said = refused(web)
    assert (code, "chmod 600" in said) == (2, True)
    key.chmod(0o600)
    made.write_text("no certificate")
    code, said = refused(web)
    assert (code, "PEM" in said, len(said.splitlines())) == (2, True, 1)
    made.unlink()
    assert refused(web)[0] == 2
