"""What changed since the last run: said once, kept while nothing moves, silent about a spoilt record."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from reports import changes

FIRST: dict[str, Any] = {
    "as_of": "2025-06-30", "jobs": 100, "sections": 50, "loops": 9, "time_to_locate": 90.04, "time_to_restore": 180.0,
    "expected_failures": 20.0, "first_loops": ["A", "B"], "class_verdicts": {"XLPE": "in_tolerance"},
    "instrument_verdicts": {"R-1": "too_few_readings"},
}  # fmt: skip
SECOND = {
    **FIRST, "as_of": "2025-12-31", "jobs": 112, "time_to_restore": 176.5, "first_loops": ["B", "C"],
    "class_verdicts": {"XLPE": "out_of_tolerance"},
    "instrument_verdicts": {"R-1": "too_few_readings", "R-2": "in_tolerance"},
}  # fmt: skip


def run(folder: Path, figures: dict[str, Any]) -> tuple[str, ...]:
    before, kept = changes.remember(folder, figures)
    (folder / changes.FILE).write_text(kept, encoding="utf-8")
    return changes.in_words(before, figures)


def test_the_first_run_has_nothing_to_compare_with(tmp_path: Path) -> None:
    assert run(tmp_path, FIRST) == ("This is the first run of this workspace, so there is nothing to compare with.",)


def test_a_second_run_says_what_moved_and_nothing_else(tmp_path: Path) -> None:
    run(tmp_path, FIRST)
    assert run(tmp_path, SECOND) == (
        "Compared with the run as of 2025-06-30; this one stands on 2025-12-31.",
        "12 closed jobs more: 112 now.",
        "The mean time to restore went from 180.0 to 176.5 minutes.",
        "Among the first 10 loops, new: C; gone: A.",
        "XLPE is now out of tolerance (in tolerance before).",
        "R-2 is now in tolerance (not judged before).",
    )


def test_a_run_that_changes_nothing_says_the_same_again(tmp_path: Path) -> None:
    run(tmp_path, FIRST)
    said = run(tmp_path, SECOND)
    kept = (tmp_path / changes.FILE).read_bytes()
    assert run(tmp_path, SECOND) == said
    assert (tmp_path / changes.FILE).read_bytes() == kept


def test_a_spoilt_record_counts_as_none(tmp_path: Path) -> None:
    (tmp_path / changes.FILE).write_text("{", encoding="utf-8")
    assert "first run" in run(tmp_path, FIRST)[0]
