"""Who may do what over HTTP."""

import stat

import pytest

from baytrace.measure.faults import BadInput
from baytrace.web.guard import FAILURES_ALLOWED, Failures, is_loopback
from baytrace.web.tokens import AccessRole, TokenFile


@pytest.mark.parametrize(
    ("host", "loopback"),
    [
        ("127.0.0.1", True),
        ("localhost", True),
        ("::1", True),
        ("[::1]", True),
        ("0.0.0.0", False),
        ("shop.example", False),
        ("127.0.0.1.example", False),
    ],
)
def test_loopback_is_what_stays_on_the_machine(host, loopback):
    """Only addresses of this machine count as loopback."""
    assert is_loopback(host) is loopback


def test_a_token_is_kept_only_as_a_hash(tmp_path):
    """The file never holds the token, and only its owner can read it."""
    file = TokenFile(tmp_path / "tokens.json")
    token = file.make("tablet", AccessRole.BENCH)
    assert token not in file.file.read_text()
    assert stat.S_IMODE(file.file.stat().st_mode) == 0o600
    assert file.role_of(token) is AccessRole.BENCH
    assert file.role_of(token + "x") is None


def test_a_revoked_token_is_worth_nothing(tmp_path):
    """Revoking takes effect at the next look, also in another process's view."""
    file, other = TokenFile(tmp_path / "t.json"), TokenFile(tmp_path / "t.json")
    token = file.make("tablet", AccessRole.VIEW)
    assert other.role_of(token) is AccessRole.VIEW
    file.revoke("tablet")
    assert other.role_of(token) is None
    with pytest.raises(BadInput):
        file.revoke("tablet")


@pytest.mark.parametrize(
    ("role", "method", "path", "allowed"),
    [
        ("view", "GET", "/api/bench", True),
        ("view", "POST", "/api/marks", False),
        ("bench", "POST", "/api/marks", True),
        ("bench", "POST", "/api/sessions/x/sign-off", False),
        ("quality", "POST", "/api/sessions/x/sign-off", True),
        ("quality", "POST", "/api/marks", False),
    ],
)
def test_roles_do_their_own_work(role, method, path, allowed):
    """View reads, bench works the bench, quality signs off."""
    assert AccessRole(role).allows(method, path) is allowed


def test_guessing_is_slowed_down():
    """Too many wrong tokens from one address close the door for a while, and only there."""
    now = [0.0]
    failures = Failures(lambda: now[0])
    for _ in range(FAILURES_ALLOWED):
        failures.add("10.0.0.9")
    assert failures.too_many("10.0.0.9")
    assert not failures.too_many("10.0.0.8")
    now[0] = 61.0
    assert not failures.too_many("10.0.0.9")
