"""The rules a file must pass as a whole: a name, a severity, a message and an example each.

Where a row's rule asks what is wrong with a row, these ask what no single row can tell: a column that nobody
reads, an encoding that had to be assumed, values unlike all that were loaded before. They never change a value.
Warned of, the file is loaded and the finding kept with its load; with severity reject the whole load is refused.
"""

from dataclasses import dataclass
from typing import Literal

from shared import dictionary

Severity = Literal["reject", "empty", "warn", "off"]

SOURCES = tuple(dictionary.source_tables())
MEASURED = ("loops", "terminals", "sections", "jobs", "test_shots", "restoration_steps", "known_lengths")


@dataclass(frozen=True)
class FileRule:
    """A named demand on a file of a load.

    ``measures`` says in words what is measured and beyond what it is broken; ``message`` holds the names of what
    the judge fills in, in braces; ``example`` is a case in words for the documentation.
    """

    name: str
    severity: Severity
    tables: tuple[str, ...]
    measures: str
    message: str
    example: str


FILE_RULES: tuple[FileRule, ...] = (
    # ---- how the file was read
    FileRule(
        "column_unknown",
        "warn",
        SOURCES,
        "a heading of a file in the canonical form that is not a column of its table",
        "the column '{column}' is not a column of table {table}, so its {rows} values are ignored; {nearest}",
        "dug_distance where dug_distance_m is meant",
    ),
    FileRule(
        "column_repeated",
        "warn",
        SOURCES,
        "a heading that appears twice in a file; the first one is read",
        "the heading '{column}' appears more than once: the first is read, the {rows} values under the others are "
        "ignored; rename one of them",
        "two columns headed located_at",
    ),
    FileRule(
        "encoding_assumed",
        "warn",
        SOURCES,
        "characters beyond ASCII in a text that has no mark and is not UTF-8",
        "the encoding had to be assumed: {rows} characters were read as {encoding}, e.g. '{sample}'{otherwise}. "
        "If that looks wrong, state encoding in a mapping",
        "an export in Windows-1252: what reads as 'Señal 4' could be meant otherwise in another code page",
    ),
    FileRule(
        "delimiter_assumed",
        "warn",
        SOURCES,
        "fewer than two known headings under the delimiter chosen, or as many under another one",
        "the delimiter had to be assumed: {delimiter} gives {rows} known headings, {other}. State delimiter "
        "in the mapping",
        "a mapped file of which the mapping names one heading",
    ),
    FileRule(
        "thousands_assumed",
        "warn",
        SOURCES,
        "numbers such as 1,250 in a column that may hold fractions and in which no number has a point or a "
        "second comma to prove what the comma is, of a file whose mapping, if any, does not state decimal",
        "{column} holds {rows} numbers such as '{sample}', read as thousands: if the comma comes before "
        "decimals, state decimal = ',' in a mapping; decimal = '.' there ends this warning",
        "a semicolon file in which a length of 1.25 km is written 1,250",
    ),
    FileRule(
        "decimals_unread",
        "warn",
        SOURCES,
        "numbers with decimals after the mark that is not in force, such as 12,5, more of them in a column than "
        "numbers with the other",
        "{column} holds {rows} numbers such as '{sample}', which cannot be read with decimals after a {mark}: if "
        "a {other} comes before them, {remedy}",
        "12,5 in a file whose mapping does not state decimal = ','",
    ),
    FileRule(
        "join_unmatched",
        "warn",
        SOURCES,
        "rows of which no row of the files that the mapping joins says the same key",
        "rows without a row in {other}: {rows}, such as the one whose {column} is '{sample}': what it would give "
        "stays empty",
        "a dig sheet that lacks 3 of the outages",
    ),
    FileRule(
        "join_unread",
        "warn",
        SOURCES,
        "rows of the files that a mapping joins that cannot be split into columns",
        "rows of {other} that cannot be split into columns and are joined to nothing: {rows}, first {sample}",
        "a remark with an unquoted comma on a dig sheet",
    ),
    # ---- against the register and what was loaded before
    FileRule(
        "older_state",
        "warn",
        SOURCES,
        "rows that say what was loaded before under their key and has changed since, with no higher revision and no "
        "other row of their key in the load",
        "{rows} {say} again what was loaded before and has changed since: {listed}. {They} not taken; if the "
        "files are the newest, load them with --as-newest",
        "the register of March loaded again after that of June: its rows would bring back what June changed",
    ),
    FileRule(
        "cable_replaced",
        "warn",
        ("sections",),
        "rows that say a new cable under an id that is known: the old one closes on the day the new one was laid",
        "{rows} {say} a new cable under a known id: {listed}",
        "section S7 with insulation EPR and installed_on 2024-03-01, where XLPE of 1984 was",
    ),
    FileRule(
        "job_reopened",
        "warn",
        ("jobs",),
        "jobs loaded before whose status is open now",
        "{rows} {say} open again and {leave} the figures until closed: {listed}",
        "J-17 with status open, loaded closed a month ago",
    ),
    FileRule(
        "gone_from_snapshot",
        "warn",
        SOURCES,
        "what was loaded from the files of a mapping's block with snapshot = true and is in none of those loaded now",
        "{rows} {what} missing from a snapshot: {listed}. {They} {fate}",
        "job J-17, loaded last month, is not in this month's export of all jobs",
    ),
    FileRule(
        "rows_missing",
        "warn",
        ("loops", "sections", "jobs"),
        "what was loaded before from files of the same name or mapping block, and is not in one without snapshot = "
        "true that holds half of it or more; of jobs, those of the days from its first to its last",
        "{rows} of the {loaded} {table} loaded from this source before {are} not in this file: {listed}; snapshot = "
        "true in a mapping, with gone and taken_on, would close {them}",
        "12 of 300 sections are not in the register loaded again a year later",
    ),
    FileRule(
        "closed_returned",
        "warn",
        ("sections", "jobs"),
        "rows of what was closed as missing from a snapshot, in a snapshot of a later day, changed since, or taken as "
        "the newest",
        "{rows} {what} back after being closed as missing: {listed}. {they} again",
        "section S5, missing in June and retired so, is in the register of December",
    ),
    FileRule(
        "open_point_moved",
        "warn",
        ("loops",),
        "loops whose normal_open_terminal_id is another than the one on record",
        "{rows} {has} normally open point moved: {listed}",
        "loop L1 is normally open at T4, until now at T3",
    ),
    FileRule(
        "orphan_share",
        "warn",
        ("jobs",),
        "share of a year's jobs whose section_id is not in the register, above "
        "validation.orphan_share_limit where the year has validation.file_min_rows jobs that name a section",
        "of the {rows} jobs of {year} that name a section, {measured:.1%} name one that is not in the register "
        "(allowed {allowed:.0%})",
        "31 of 120 jobs of 2009 on sections deleted in 2010: old cable then looks better than it was",
    ),
    FileRule(
        "column_absent",
        "warn",
        MEASURED,
        "columns that the file or its mapping does not name and that half of the rows loaded before give",
        "the file lacks {rows} columns that rows loaded before mostly give: {column}. Its rows stay out of the "
        "figures that need them",
        "a job file without dug_distance_m, where 8 in 10 jobs had it before",
    ),
    FileRule(
        "column_emptied",
        "warn",
        MEASURED,
        "share of rows that give a column, over the same share in all earlier loads, below "
        "validation.emptied_share where 10 values or more were to be expected",
        "{column} is given in {share:.0%} of {rows} rows, before in {before:.0%} of {rows_before}: did an export "
        "drop the column, or rename it?",
        "dug_distance_m in none of 240 jobs, where 8 in 10 had it before",
    ),
    FileRule(
        "distribution_shifted",
        "warn",
        MEASURED,
        "Kolmogorov-Smirnov distance between a numeric column of the file and all that was loaded of it before, "
        "values within 1 % of one another taken as equal, "
        "above validation.distribution_distance and above what chance gives in 1 of 1,000 such files; both with "
        "validation.file_min_rows values or more",
        "{column} is unlike what was loaded before: Kolmogorov-Smirnov distance {measured:.2f} (allowed "
        "{allowed:.2f}) between {rows} values here and {rows_before} before; the median is {median:g}, before "
        "{median_before:g}{hint}",
        "dug distances with a median of 412 where 126 was usual: feet loaded as metres",
    ),
)
