"""A log that strangers cannot fill."""

import logging

from baytrace.web.once_a_minute import PAUSE_S, OnceAMinute


def test_a_flood_is_one_line_a_minute_and_its_count():
    """A thousand bad requests are one line, the next minute's line tells of the rest, and other messages all pass."""
    now = [0.0]
    held = OnceAMinute(frozenset({"bad"}), lambda: now[0])

    def said(message):
        record = logging.LogRecord("x", logging.WARNING, "", 0, message, (), None)
        return record.getMessage() if held.filter(record) else None

    assert [said("bad") for _ in range(1000)].count("bad") == 1
    assert said("other") == "other"
    now[0] = PAUSE_S
    assert said("bad") == "bad (999 more like it since the last such line)"
    now[0] = 2 * PAUSE_S
    assert said("bad") == "bad"
