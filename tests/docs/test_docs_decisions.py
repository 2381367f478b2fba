"""Decisions have their five parts and a test that holds each; the guides stay short; figures follow their data."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path

import pytest

from tests.benchmarks.figures import DATA, PAGE, describe_figures, read_figures, write_figures

ROOT = Path(__file__).resolve().parents[2]
DECISIONS = sorted((ROOT / "shared" / "decisions").iterdir())
PARTS = ["Question", "Choice", "Refused", "Cost", "Test that holds it"]


def test_decisions_are_numbered_without_a_gap_in_order_of_date() -> None:
    assert [path.name[:5] for path in DECISIONS] == [f"{n:04d}-" for n in range(1, len(DECISIONS) + 1)]
    dates = [re.findall(r"^Decided (\d{4}-\d\d-\d\d)\.$", path.read_text(encoding="utf-8"), re.M) for path in DECISIONS]
    assert [len(found) for found in dates] == [1] * len(DECISIONS)
    assert dates == sorted(dates)


@pytest.mark.parametrize("path", DECISIONS, ids=lambda path: path.stem)
def test_a_decision_has_its_parts_and_its_tests_exist(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    lines = text.splitlines()
    assert len(lines) <= 25 and max(map(len, lines)) <= 120
    slug = re.sub(r"[^a-z0-9]+", "-", lines[0].removeprefix("# ").lower()).strip("-")
    assert path.name == f"{path.name[:4]}-{slug}.md"
    found = re.findall(r"^\*\*([A-Z][a-z ]+)\.\*\* \S", text, re.M)
    assert found == PARTS
    file = ""
    functions = 0
    for name in re.findall(r"`([^`]+)`", text[text.index("**Test that holds it.**") :]):
        if name.endswith(".py"):
            file = (ROOT / name).read_text(encoding="utf-8")
        else:
            functions += 1
            assert f"\ndef {name}(" in file, name
    assert functions


def test_what_a_decision_or_a_caption_cites_exists() -> None:
    """Paths and numbers of decisions, and decisions named in pages."""
    for path in DECISIONS:
        text = path.read_text(encoding="utf-8")
        paths = re.findall(r"`((?:pipelines|sql|reports|shared|synthetic_data|tests)/[\w./-]+)`", text)
        assert [p for p in paths if not (ROOT / p).exists()] == [], path.name
        modules = re.findall(r"`python -m ([\w.]+)", text)
        assert [m for m in modules if importlib.util.find_spec(m) is None] == [], path.name
    for path in [ROOT / "DEVELOPERS.md", *DECISIONS]:
        numbers = re.findall(r"\((?:see )?(0\d{3})\)|: see (0\d{3})", path.read_text(encoding="utf-8"))
        assert all(int(a or b) <= len(DECISIONS) for a, b in numbers), path.name


@pytest.mark.parametrize(("name", "most"), [("DEVELOPERS.md", 200), ("README.md", 120)])
def test_guides_stay_short(name: str, most: int) -> None:
    assert len((ROOT / name).read_text(encoding="utf-8").splitlines()) <= most


def test_figures_follow_their_data_and_name_commands_that_exist(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    figures = read_figures()
    assert PAGE.read_text(encoding="utf-8") == describe_figures(figures), "run: python -m tests.benchmarks.figures"
    commands = [figure["command"] for figure in figures]
    assert len(set(commands)) == len(commands)
    modules = [module for command in commands for module in re.findall(r"^python -m ([\w.]+)", command)]
    assert [m for m in modules if importlib.util.find_spec(m) is None] == []
    assert set(commands) - {c for c in commands if c.startswith("python -m ")} <= {"loopwear refresh"}
    for name, place in (("DATA", DATA), ("PAGE", PAGE)):
        monkeypatch.setattr(f"tests.benchmarks.figures.{name}", tmp_path / place.name)
    write_figures(figures)
    assert (tmp_path / DATA.name).read_text(encoding="utf-8") == DATA.read_text(encoding="utf-8")
