"""README and DEVELOPERS.md tell of what exists, and of all of it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import typer.main

from pipelines import cli
from shared import dictionary

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_every_command_is_in_the_readme_and_the_reverse() -> None:
    commands = set(typer.main.get_command(cli.app).commands)
    named = set(re.findall(r"^\| `loopwear ([a-z-]+)", README, re.MULTILINE))
    assert named == commands


def test_every_option_the_readme_names_exists() -> None:
    known = {
        option
        for command in typer.main.get_command(cli.app).commands.values()
        for parameter in command.params
        for option in (*parameter.opts, *parameter.secondary_opts)
    }
    assert set(re.findall(r"`(--[a-z-]+)", README)) - known == set()


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_every_path_named_exists(name: str) -> None:
    text = (ROOT / name).read_text(encoding="utf-8")
    paths = set(re.findall(r"`((?:pipelines|sql|reports|shared|synthetic_data|tests)/[\w./-]+)`", text))
    paths |= set(re.findall(r"\]\(([\w./-]+)\)", text))
    assert paths
    assert [p for p in sorted(paths) if not (ROOT / p).exists()] == []


def test_every_table_the_readme_names_is_exported() -> None:
    rows = [line.split("|") for line in README.splitlines() if ".html |" in line]
    named = {table.strip() for row in rows for table in row[3].split(",")}
    assert named
    assert named - set(dictionary.export_tables()) == set()


def test_the_readme_opens_with_the_job_in_one_paragraph() -> None:
    first = README.split("\n\n")[1]
    for words in ("closed fault jobs", "reliability engineer", "restoration\nmanager", "calibration lead"):
        assert words in first


def test_the_project_stands_alone() -> None:
    """No file cites a design note that is not in the repository, a machine path or a registry host."""
    forbidden = re.compile(
        r"\b(?:outputs|methods|house|scenario|stack|speed|data_dictionary|published_checks)\.md\b"
        r"|/work/|/root/|/tmp/|pypi\.org|pythonhosted|registry\.npmjs|deb\.debian"
    )
    found = []
    for path in sorted(ROOT.rglob("*")):
        inside = path.relative_to(ROOT).parts
        if inside[0] in (".venv", ".git", "workspace") or "__pycache__" in inside or path.name == Path(__file__).name:
            continue
        if path.suffix in (".py", ".sql", ".md", ".toml", ".html", ".css", ".js", ".in", ".lock") and path.is_file():
            hits = forbidden.findall(path.read_text(encoding="utf-8"))
            found += [f"{path.relative_to(ROOT)}: {hit}" for hit in hits]
    assert found == []


def test_every_check_a_docstring_names_exists() -> None:
    """A promise of a test that is not there is worse than none."""
    missing = []
    for folder in ("pipelines", "reports", "shared", "synthetic_data"):
        for path in sorted((ROOT / folder).rglob("*.py")):
            named = set(re.findall(r"tests/[a-z_]+/test_[a-z0-9_]+\.py", path.read_text(encoding="utf-8")))
            missing += [f"{path.relative_to(ROOT)}: {test}" for test in sorted(named) if not (ROOT / test).exists()]
    assert missing == []
