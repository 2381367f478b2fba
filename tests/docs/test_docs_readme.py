"""README and DEVELOPERS.md tell of what exists, and of all of it."""

from __future__ import annotations

import ast
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
    first = " ".join(README.split("\n\n")[1].split())
    for words in ("closed fault jobs", "reliability engineer", "restoration manager", "calibration lead"):
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


PRODUCT = ("pipelines", "reports", "shared", "synthetic_data")


def identifiers(node: ast.AST) -> set[str]:
    """Every name that code uses; comments and texts are none."""
    found = set()
    for part in ast.walk(node):
        match part:
            case ast.Name(id=name) | ast.Attribute(attr=name):
                found.add(name)
            case ast.alias(name=name):
                found |= set(name.split("."))
    return found


def test_every_check_a_docstring_names_calls_what_it_checks() -> None:
    """The test file named uses the function, the class or (of a module) one of its names; or the caller named after it.

    A promise of a test that is not there is worse than none. `Checked by: tests/unit/test_x.py (through fit_all)` says
    that the test calls fit_all, from which the function is reached.
    """
    promises: list[tuple[str, set[str], Path, str]] = []
    uses: dict[str, set[str]] = {}
    broken = []
    for path in sorted([p for f in PRODUCT for p in (ROOT / f).rglob("*.py")] + list((ROOT / "tests").glob("*.py"))):
        text = path.read_text(encoding="utf-8")
        told = re.findall(r"tests/[a-z_]+/test_[a-z0-9_]+\.py", text)
        broken += [f"{path.relative_to(ROOT)}: no {test}" for test in told if not (ROOT / test).exists()]
        for node in ast.walk(ast.parse(text)):
            match node:
                case ast.FunctionDef(name=name) | ast.ClassDef(name=name):
                    names = {name}
                case ast.Assign(targets=[ast.Name(id=name)]) | ast.AnnAssign(target=ast.Name(id=name)):
                    names = {name}
                case ast.Module(body=body):
                    names = {path.stem, *(n.name for n in body if isinstance(n, (ast.FunctionDef, ast.ClassDef)))}
                case _:
                    continue
            if not isinstance(node, ast.Module):
                methods = {part.name for part in ast.walk(node) if isinstance(part, ast.FunctionDef)}
                uses[name] = uses.get(name, set()) | identifiers(node) | methods
            if isinstance(node, (ast.Module, ast.FunctionDef, ast.ClassDef)):
                said = (ast.get_docstring(node) or "").partition("Checked by:")[2]
                for test, caller in re.findall(r"(tests/\w+/\w+\.py)(?:\s+\(through ([\w.]+)\))?", said):
                    promises.append((f"{path.relative_to(ROOT)}: {min(names)}", names, ROOT / test, caller))

    def reached(caller: str) -> set[str]:
        found, ahead = set(), {caller.split(".")[-1]}
        while ahead:
            found |= ahead
            ahead = set().union(*(uses.get(name, set()) for name in ahead)) - found
        return found

    assert promises
    for who, names, test, caller in promises:
        if not test.exists() or not ({caller.split(".")[-1]} if caller else names) & identifiers(
            ast.parse(test.read_text("utf-8"))
        ):
            broken.append(f"{who}: {test.relative_to(ROOT)} does not use {caller or 'it'}")
        elif caller and not names & reached(caller):
            broken.append(f"{who}: not reached through {caller}")
    assert broken == []


def test_each_topic_lists_its_modules() -> None:
    for init in sorted((ROOT / "pipelines").glob("*/__init__.py")):
        listed = re.findall(r"^ *(\w+\.py) +\S", init.read_text(encoding="utf-8"), re.MULTILINE)
        there = {path.name for path in init.parent.glob("*.py")} - {"__init__.py"}
        assert sorted(listed) == sorted(there), init.parent.name
