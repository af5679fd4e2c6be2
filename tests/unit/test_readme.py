"""What the README promises a newcomer, read from the README itself."""

import re
from pathlib import Path

from baytrace.bench.config import parse_config

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def blocks(after, kind):
    return re.findall(rf"<!-- {after} -->\n```{kind}\n(.*?)```", README, re.DOTALL)


def test_the_printed_bench_file_is_good():
    """The complete bench.toml of the README passes `check` as it stands."""
    (text,) = blocks("bench.toml", "toml")
    config, faults = parse_config(text, Path("bench.toml"))
    assert faults == []
    assert {plan.adapter.name for plan in config.instruments} == {"line", "modbus", "scpi", "mqtt"}


def test_there_are_exactly_two_set_up_commands():
    """One runs the demo, one passes the tests, each a single line that works on a fresh machine."""
    (demo,), (tests,) = blocks("command one", "sh"), blocks("command two", "sh")
    assert demo.count("\n") == tests.count("\n") == 1
    assert demo.strip().endswith("baytrace demo")
    assert tests.strip().endswith("pytest")


def test_links_and_pictures_exist():
    """Nothing the README points to is missing."""
    for target in re.findall(r"\]\(([^)#]+)\)", README):
        if not target.startswith("http"):
            assert (ROOT / target).exists(), target
