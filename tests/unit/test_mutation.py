"""The tool that tries the tests tells a fault that they catch from one that they miss, and leaves the tree alone."""

from __future__ import annotations

import ast
import os
import subprocess
import sys
from pathlib import Path

from tests.mutation import faults, plant

AREA = '''"""Area, 1 of 1."""


def area(width: float, height: "tuple[int, 3]" = None) -> float:
    """Area for widths < 5."""
    return width * width


def nobody_asks() -> float:
    return 3 - 2.5
'''
TEST = "from pipelines.tiny.area import area\n\n\ndef test_area():\n    assert area(3) == 9\n"


def test_types_and_docstrings_are_left_alone_and_each_fault_is_one_change() -> None:
    changed = [ast.unparse(plant(AREA, number)[0]) for number in range(len(list(faults(ast.parse(AREA)))))]
    sound = ast.unparse(ast.parse(AREA)).splitlines()
    differ = [[(a, b) for a, b in zip(sound, other.splitlines(), strict=True) if a != b] for other in map(str, changed)]
    assert [b.strip() for ((_, b),) in differ] == [
        "return None",
        "return width / width",
        "return None",
        "return 3 + 2.5",
        "return 4 - 2.5",
        "return 2 - 2.5",
        "return 3 - 2.75",
        "return 3 - 0.0",
    ]


def test_a_fault_that_no_test_sees_is_told_as_a_survivor(tmp_path: Path) -> None:
    files = {"pipelines/tiny/area.py": AREA, "pipelines/__init__.py": "", "tests/unit/test_tiny_area.py": TEST}
    for name, text in files.items():
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(text, encoding="utf-8")
    tool = Path(__file__).resolve().parents[1] / "mutation.py"
    told = subprocess.run(
        [sys.executable, str(tool), "--count", "2", "--seed", "1"],
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(tmp_path)},
        capture_output=True,
        text=True,
    )
    assert told.returncode == 0, told.stdout + told.stderr
    survivors, tally = told.stdout.split("survivors\n")[1].split("\n\n")
    assert survivors.startswith("pipelines/tiny/area.py:10\n    - ")
    assert tally.splitlines()[0].split() == ["tiny", "2", "faults", "1", "caught", "50.0", "%"]
    assert {str(p.relative_to(tmp_path)) for p in tmp_path.rglob("*") if p.is_file()} == set(files)
