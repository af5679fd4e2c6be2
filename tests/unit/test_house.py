"""The house rules that a reader would otherwise have to check by eye."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SOURCES = ("daemon", "adapters", "dashboards", "sim")


def run_tool(*command: str) -> str:
    done = subprocess.run([sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False)
    return "" if done.returncode == 0 else done.stdout + done.stderr


def test_imports_run_one_way():
    """The arrows between the rooms are those of the design."""
    script = "from importlinter.cli import lint_imports_command; lint_imports_command()"
    done = subprocess.run(
        [sys.executable, "-c", script, "--no-cache"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_lint_is_clean():
    """Every ruff rule that is not ignored with a reason holds, in code and tests."""
    assert run_tool("ruff", "check", "--no-cache", ".") == ""


@pytest.mark.slow
def test_types_are_sound():
    """Mypy in strict mode finds nothing."""
    assert run_tool("mypy") == ""


def test_every_test_states_its_promise():
    """Each test function has a docstring."""
    silent = []
    for file in sorted((ROOT / "tests").rglob("test_*.py")):
        silent += [
            f"{file.relative_to(ROOT)}:{node.lineno} {node.name}"
            for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
            if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef))
            and node.name.startswith("test_")
            and not ast.get_docstring(node)
        ]
    assert not silent, "\n".join(silent)


def test_modules_stay_small():
    """No module grows beyond 500 lines, so that each keeps one idea."""
    long = [
        f"{file.relative_to(ROOT)}: {count}"
        for top in SOURCES
        for file in sorted((ROOT / top).rglob("*.py"))
        if (count := len(file.read_text(encoding="utf-8").splitlines())) > 500
    ]
    assert not long, "\n".join(long)


def test_nothing_else_stands_at_the_top():
    """The top level holds what the design names."""
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode:
        pytest.skip("not a git checkout")
    tops = {line.split("/")[0] for line in listed.stdout.splitlines()}
    assert tops <= {"README.md", "DEVELOPERS.md", "pyproject.toml", "LICENSE", ".gitignore", ".ci", *SOURCES, "tests"}
