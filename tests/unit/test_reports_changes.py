"""What changed since the last run: said once, kept while nothing moves, silent about a spoilt record."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from reports import changes

FIRST: dict[str, Any] = {
    "as_of": "2025-06-30", "jobs": 100, "sections": 50, "loops": 9, "time_to_locate": 90.04, "time_to_restore": 180.0,
    "expected_failures": 20.0, "first_loops": ["A", "B"], "class_verdicts": {"XLPE": "in_tolerance"},
    "instrument_verdicts": {"R-1": "too_few_readings"}, "settings": {"replacement_budget": 3e6, "general_seed": 1},
    "programme_sections": 10.0, "programme_spent": 2.9e6, "programme_gain": 1e6,
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
    assert run(tmp_path, FIRST) == (
        "No earlier run of this workspace had other figures, so there is nothing to compare with.",
    )


def test_a_second_run_says_what_moved_and_nothing_else(tmp_path: Path) -> None:
    run(tmp_path, FIRST)
    assert run(tmp_path, SECOND) == (
        "Compared with the run as of 2025-06-30; this one is as of 2025-12-31.",
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
    assert "No earlier run" in run(tmp_path, FIRST)[0]


def test_a_changed_setting_is_named_with_what_it_moved(tmp_path: Path) -> None:
    run(tmp_path, FIRST)
    # a setting that the earlier run did not know yet is not one that was changed
    settings = {"replacement_budget": 1.5e6, "general_seed": 1, "general_interval_coverage": 0.9}
    turned = {**FIRST, "settings": settings, "programme_spent": 1.4e6}
    assert run(tmp_path, turned)[1:] == (
        "Settings changed: replacement.budget from 3000000.0 to 1500000.0.",
        "The cost of the first year's work went from 2,900,000 to 1,400,000.",
    )
