"""What a load knows of its files, and what the rules of whole files find of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from pipelines.validation.batch_rules import BatchRule


@dataclass(frozen=True)
class FileFacts:
    """What the reader knows of a file beyond its rows; ``columns`` are those of its table that it can fill.

    ``texts`` is the SQL of the text of each (over the view of the file, alias r), ``decimal`` the mark before decimals
    where a mapping states it.

    ``encoding`` holds, where it was assumed, its name, the characters beyond ASCII, a word with one, and how many of
    them Latin-1 would read otherwise; ``delimiter``, where it was assumed, itself, the known headings, and the rival.
    """

    number: int
    label: str
    headers: tuple[str, ...]
    view: str
    is_mapped: bool
    texts: dict[str, str] = field(default_factory=dict)
    decimal: str | None = None
    encoding: tuple[str, int, str, int] | None = None
    delimiter: tuple[str, int, str] | None = None

    @property
    def columns(self) -> frozenset[str]:
        """Columns of the table that the file can fill."""
        return frozenset(self.texts)


@dataclass(frozen=True)
class BatchResult:
    """One thing measured of one file; ``message`` is filled where the rule is broken."""

    file: str
    rule: str
    severity: str
    column: str | None = None
    year: int | None = None
    rows: int = 0
    measured: float | None = None
    allowed: float | None = None
    message: str | None = None


def break_rule(file: FileFacts, rule: BatchRule, rows: int, column: str = "", **words: object) -> BatchResult:
    """A rule that a file breaks, in the rule's words."""
    said = rule.message.format(column=column, rows=rows, **words)
    return BatchResult(file.label, rule.name, rule.severity, column or None, rows=rows, message=said)


YEARS_NAMED = 3


def say_results(broken: Sequence[BatchResult]) -> list[str]:
    """The broken rules in a line each; one that a file breaks year by year in one line of its worst years.

    Notes
    -----
    Every year stands on the data quality page and in the export batch_results.

    Checked by: tests/unit/test_validation_batch_rules.py
    """
    lines: dict[tuple[str, str, str | None, int], str] = {}
    for number, result in enumerate(broken):
        alike = (result.file, result.rule, result.column)
        years = [r for r in broken if r.year is not None and (r.file, r.rule, r.column) == alike]
        if result.year is None or len(years) < 2:
            lines[result.file, result.rule, result.column, number] = f"{result.file}: {result.message} [{result.rule}]"
            continue
        worst = sorted(years, key=lambda r: (-(r.measured or 0.0), r.year or 0))
        named = ", ".join(f"{r.year} ({r.measured:.1%} of {r.rows})" for r in worst[:YEARS_NAMED])
        said = (
            f"{result.file}: {len(years)} years have more jobs whose {result.column} is not in the register than "
            f"{result.allowed:.0%}, the worst {named}; every year: data_quality.html and exports/batch_results.csv "
            f"[{result.rule}]"
        )
        lines.setdefault((result.file, result.rule, result.column, -1), said)
    return list(lines.values())
