"""What a load knows of its files, and what the rules of whole files find of them."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from pipelines.validation.file_rules import FileRule


@dataclass(frozen=True)
class JoinFacts:
    """What came of a join: rows that nothing stands beside, the first such key, and rows beside that are malformed."""

    label: str
    column: str
    unmatched: int
    sample: str
    unread: int
    first_unread: str


@dataclass(frozen=True)
class FileFacts:
    """What the reader knows of a file beyond its rows; ``columns`` are those of its table that it can fill.

    ``texts`` is the SQL of the text of each (over the view of the file, alias r), ``cells`` that of the cells it is
    made of, ``decimal`` the mark before decimals where a mapping states it.

    ``encoding`` holds, where it was assumed, its name, the characters beyond ASCII, a word with one, and how many of
    them Latin-1 would read otherwise; ``delimiter``, where it was assumed, itself, the known headings, and the rival.
    """

    number: int
    label: str
    headers: tuple[str, ...]
    view: str
    is_mapped: bool
    texts: dict[str, str] = field(default_factory=dict)
    cells: dict[str, list[str]] = field(default_factory=dict)
    decimal: str | None = None
    encoding: tuple[str, int, str, int] | None = None
    delimiter: tuple[str, int, str] | None = None
    joins: tuple[JoinFacts, ...] = ()

    @property
    def columns(self) -> frozenset[str]:
        """Columns of the table that the file can fill."""
        return frozenset(self.texts)


@dataclass(frozen=True)
class FileResult:
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


def break_rule(file: FileFacts, rule: FileRule, rows: int, column: str = "", **words: object) -> FileResult:
    """A rule that a file breaks, in the rule's words."""
    said = rule.message.format(column=column, rows=rows, **words)
    return FileResult(file.label, rule.name, rule.severity, column or None, rows=rows, message=said)


def weigh_rule(
    file: FileFacts,
    rule: FileRule,
    column: str,
    rows: int,
    measured: float,
    allowed: float,
    *,
    is_broken: bool,
    year: int | None = None,
    **words: object,
) -> FileResult:
    """What was measured of a file, with the rule's words where it breaks the rule."""
    told = {"column": column, "rows": rows, "measured": measured, "allowed": allowed, "year": year, **words}
    said = rule.message.format(**told) if is_broken else None
    return FileResult(file.label, rule.name, rule.severity, column, year, rows, measured, allowed, said)


YEARS_NAMED = 3


def say_results(broken: Sequence[FileResult]) -> list[str]:
    """The broken rules in a line each: one broken by several files is told of the first, by years of the worst.

    Notes
    -----
    Every file and year stands on the data quality page and in the export batch_results.

    Checked by: tests/unit/test_validation_file_rules.py
    """
    alike: dict[tuple[str, str | None], list[FileResult]] = {}
    for result in broken:
        alike.setdefault((result.rule, result.column), []).append(result)
    return [
        f"{_name_files(results)}: {_say_years(results) or results[0].message} [{rule}]"
        for (rule, _), results in alike.items()
    ]


def _name_files(results: Sequence[FileResult]) -> str:
    files = list(dict.fromkeys(r.file for r in results))
    if len(files) == 1:
        return files[0]
    if _say_years(results):
        return f"{len(files)} files"
    return f"{files[0]}, and so in {len(files) - 1} more {'file' if len(files) == 2 else 'files'}"


def _say_years(results: Sequence[FileResult]) -> str | None:
    """Of a rule broken year by year: how often, and the worst years."""
    if len(results) < 2 or any(r.year is None for r in results):
        return None
    worst = sorted(results, key=lambda r: (-(r.measured or 0.0), r.year or 0))
    named = ", ".join(f"{r.year} ({r.measured:.1%} of {r.rows})" for r in worst[:YEARS_NAMED])
    return (
        f"{len(results)} years have more jobs whose {results[0].column} is not in the register than "
        f"{results[0].allowed:.0%}, the worst {named}; every year: data_quality.html and exports/batch_results.csv"
    )
