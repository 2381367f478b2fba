"""The ranking of loops and sections as tables to search, and a sheet for each of the first loops."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from markupsafe import Markup

from reports import style
from reports.figures import replacement as figures
from reports.figures.map import DRAWN_LOOPS, Plane, draw_map, lay_flat, nearest_m
from reports.figures.strip import draw_strip, short_names, terminal_names
from reports.figures.strip_layout import pieces_of
from reports.figures.strip_marks import letters_of
from reports.marts import judged
from reports.page import Exhibit, Section, Table, templates
from reports.table import Cell, plain_rows
from reports.words import Words

if TYPE_CHECKING:
    from reports.marts import Judged, Marts
    from shared.settings import Settings

say = Words("replacement")

LOOPS = "marts.loop_ranking"
SECTIONS = "marts.section_ranking"
STRIPS = "marts.loop_strips"
MARKS = "marts.loop_strip_marks"
PLACES = "marts.loop_places"
CLUSTERS = "marts.job_clusters"

REMEDY = "load districts.csv, loops.csv, sections.csv and jobs.csv, then run: loopwear refresh"

SHOWN_LOOPS = 25
"""Loops drawn in the figure, and loops that have a sheet."""

LOOP_COLUMNS = (
    "rank", "rank_lo", "rank_hi", "loop_id", "district_id", "length_km", "worst_class", "failures_recorded",
    "expected_failures", "expected_failures_lo", "expected_failures_hi", "expected_rate_per_100km_year", "multiplier",
    "replacement_cost", "benefit_cost_ratio", "rank_by_money",
)  # fmt: skip
SECTION_COLUMNS = (
    "rank", "rank_lo", "rank_hi", "section_id", "loop_id", "district_id", "cable_class", "installed_on", "length_km",
    "failures_recorded", "expected_failures", "expected_failures_lo", "expected_failures_hi", "benefit_cost_ratio",
)  # fmt: skip
LABELS = {
    "failures_recorded": "Failures on record", "expected_failures": "Failures expected",
    "expected_failures_lo": "Expected, low", "expected_failures_hi": "Expected, high", "replacement_cost": "Cost",
    "benefit_cost_ratio": "Benefit over cost", "multiplier": "Times its class",
}  # fmt: skip
SUMS = ("length_km", "expected_failures")

LIMITS = (
    "limits of the posterior; those of failures hold the error of the class curve's level too, those of ranks take the "
    "curves as they are."
)

STRIP_COLUMNS = (
    "position", "section_id", "from_terminal_id", "to_terminal_id", "start_m", "end_m", "cable_class", "installed_on",
    "failures", "expected_failures",
)  # fmt: skip
MARK_COLUMNS = ("job_id", "marked_on", "section_id", "at_m", "place", "failed_component", "cause", "counted")
MARK_LABELS = {"marked_on": "Reported", "place": "Place", "counted": "Counts", "at_m": "At"}

PLACE_WORDS = {
    "dug": "where it was dug",
    "middle": "not known: mid-section",
    "outside": "dug outside it: mid-section",
    "replaced": "on cable since replaced",
    "loop_only": "only the loop is known",
    "not_in_register": "section not in the register",
}
COUNT_WORDS = {
    "": "yes",
    "undated_section": "yes, age unknown",
    "loop_only": "shared over the loop",
    "excluded_cause": "no: done to the cable",
    "other_component": "no: other part",
    "not_in_register": "no: not in register",
    "before_records": "no: before the records",
    "after_retirement": "no: after retirement",
    "before_installation": "no: before installation",
}


def in_rank_order(rows: pd.DataFrame) -> pd.DataFrame:
    key = [c for c in ("rank", "loop_id", "section_id") if c in rows.columns]
    return rows.dropna(subset=["rank"]).sort_values(key).reset_index(drop=True) if len(rows) else rows


def anchors_of(loops: pd.DataFrame) -> dict[str, str]:
    """Loop to the id of its sheet, for the loops that have one; an id holds no blank."""
    return {loop: "loop-" + "_".join(loop.split()) for loop in in_rank_order(loops)["loop_id"].head(SHOWN_LOOPS)}


def ranking(marts: Marts, settings: Settings) -> tuple[Exhibit, ...]:
    """Exhibits of the ranking: loops, the map where there are coordinates, sections."""
    loops, found = marts.read(LOOPS), judged(marts, "replacement")
    made = (
        first_loops(loops, settings, found),
        loop_map(loops, marts.read(PLACES)),
        first_sections(marts.read(SECTIONS), loops, settings, found),
    )
    return tuple(exhibit for exhibit in made if exhibit is not None)


def section(marts: Marts, settings: Settings) -> Section:
    """The sheets of the first loops."""
    loops = in_rank_order(marts.read(LOOPS)).head(SHOWN_LOOPS)
    names = loops["loop_id"].tolist()
    strips, marks = marts.read_only(STRIPS, "loop_id", names), marts.read_only(MARKS, "loop_id", names)
    return Section("Loop by loop", (sheets(loops, strips, marks, settings, partners_of(marts.read(CLUSTERS))),))


def partners_of(clusters: pd.DataFrame) -> dict[str, str]:
    """Job to the other one it may be one with, both ways, where nobody has decided yet."""
    found: dict[str, list[str]] = {}
    for row in clusters[clusters["cluster_decision"].fillna("") == ""].to_dict("records"):
        found.setdefault(row["job_id"], []).append(row["joined_with"])
        found.setdefault(row["joined_with"], []).append(row["job_id"])
    return {job: ", ".join(others) for job, others in found.items()}


def first_loops(loops: pd.DataFrame, settings: Settings, found: Judged) -> Exhibit:
    """The ranking's head with limits, and the whole of it as a table."""
    if loops.empty:
        return say.absent("loops")
    rows = in_rank_order(loops)
    top = rows.head(SHOWN_LOOPS)
    n_top = len(top)
    short = found.of("short_loops", n_top)
    finding = say(
        "loops.finding",
        short and "loops.short",
        n_top=n_top,
        n_rows=len(rows),
        length_share=found.of("loops_length_share", n_top),
        failures_share=found.of("loops_failures_share", n_top),
        settings=settings,
        reaching=found.of("loops_reaching_last", n_top),
        n_above=n_top - 1,
        short=short,
        short_km=found["short_loop_km"],
    )
    return say.exhibit(
        "loops",
        finding,
        rows,
        chart=figures.chart_loops(top, settings.general.horizon_years),
        failures_recorded=rows["failures_recorded"].sum(),
        length_km=float(rows["length_km"].sum()),
        settings=settings,
        limits=LIMITS,
    )


def first_sections(sections: pd.DataFrame, loops: pd.DataFrame, settings: Settings, found: Judged) -> Exhibit:
    """The sections' own ranking, as a table to search."""
    if sections.empty:
        return say.absent("sections")
    rows, first = in_rank_order(sections), set(in_rank_order(loops)["loop_id"].head(SHOWN_LOOPS))
    top = rows.head(SHOWN_LOOPS)
    on_first = int(top["loop_id"].isin(first).sum())
    finding = say(
        "sections.finding",
        on_first=on_first,
        n_top=len(top),
        n_rows=len(rows),
        n_anchors=len(first),
        length_share=found.of("sections_length_share", len(top)),
        failures_share=found.of("sections_failures_share", len(top)),
        settings=settings,
    )
    return say.exhibit(
        "sections",
        finding,
        rows,
        chart=figures.chart_loops(top, settings.general.horizon_years, "section_id"),
        failures_recorded=rows["failures_recorded"].sum(),
        settings=settings,
        limits=LIMITS,
    )


def loop_map(loops: pd.DataFrame, places: pd.DataFrame) -> Exhibit | None:
    """The loops on a map, where their terminals have coordinates."""
    if loops.empty or places.empty:
        return None
    rows = in_rank_order(loops.merge(places, on="loop_id", how="inner", validate="one_to_one")).head(DRAWN_LOOPS)
    plane = lay_flat(rows)
    marked = rows["loop_id"].isin(in_rank_order(loops)["loop_id"].head(SHOWN_LOOPS)).to_numpy()
    finding = where_first_lie(rows, plane, marked)
    return say.exhibit(
        "map",
        finding,
        rows.head(SHOWN_LOOPS),
        extra=len(places) - min(SHOWN_LOOPS, len(rows)),
        body=Markup('<div class="scroller drawing" tabindex="0" role="region" aria-label="Map">{}</div>').format(
            draw_map(rows, plane, marked)
        ),
        n_rows=len(rows),
        n_loops=len(loops),
        ending=f" and loops ranked below the first {DRAWN_LOOPS:,}" if len(places) > len(rows) else "",
        ending_2="." if plane.is_metric else ". A scale: the coordinates do not fit the cable's lengths in metres.",
    )


def where_first_lie(rows: pd.DataFrame, plane: Plane, first: np.ndarray) -> str:
    """Districts of the first loops, and how near they lie to one another."""
    counts = rows.loc[first, "district_id"].value_counts().sort_index(kind="stable")
    counts = counts.sort_values(ascending=False, kind="stable")
    if counts.empty:
        return say("where_first_lie.said")
    finding = f"The first {int(first.sum())} loops lie in one district."
    if len(counts) > 1:
        finding = say(
            "where_first_lie.finding",
            iloc=int(counts.iloc[0]),
            first_2=int(first.sum()),
            index=counts.index[0],
            n_counts=len(counts) - 1,
        )
    if plane.is_metric and first.sum() > 1:
        near = nearest_m(Plane(plane.x[first], plane.y[first], is_metric=True))
        finding += say("where_first_lie.finding_2", np_2=float(np.median(near)) / 1000)
    return finding


@dataclass(frozen=True)
class Column:
    """Heading of a sheet's table."""

    label: str
    unit: str
    is_number: bool


@dataclass(frozen=True)
class Sheet:
    """What stands on a loop's sheet."""

    anchor: str
    row: dict[str, Any]
    title: str
    facts: tuple[tuple[str, str], ...]
    drawing: Markup
    note: str
    doubts: str
    tables: tuple[dict[str, Any], ...]


def sheets(
    loops: pd.DataFrame,
    strips: pd.DataFrame,
    marks: pd.DataFrame,
    settings: Settings,
    partners: dict[str, str] | None = None,
) -> Exhibit:
    """A sheet a loop: drawn to scale, with its reasons, its figures and its jobs."""
    if loops.empty or strips.empty:
        return say.absent("sheets")
    jobs = marks[marks["mark_kind"] == "failure"]
    basis = jobs["place_basis"].value_counts()
    drawn_mid = int(basis.get("middle", 0)) + int(basis.get("outside", 0))
    finding = say(
        "sheets.finding",
        n_jobs=len(jobs),
        n_loops=len(loops),
        basis_2=int(basis.get("dug", 0)),
        drawn_mid=drawn_mid,
        basis_3=int(basis.get("replaced", 0)),
        basis_4=int(basis.get("loop_only", 0)) + int(basis.get("not_in_register", 0)),
    )
    doubted = int(jobs["job_id"].isin(set(partners or {})).sum())
    if doubted:
        finding += say("sheets.finding_2", doubted=doubted)
    places = letters_of(strips["cable_class"].value_counts().sort_index(kind="stable").sort_values(
        ascending=False, kind="stable").index.tolist())  # fmt: skip
    by_strip, by_mark = dict(iter(strips.groupby("loop_id"))), dict(iter(marks.groupby("loop_id")))
    anchors = anchors_of(loops)
    made = [
        one_sheet(row, anchors[row["loop_id"]], by_strip.get(row["loop_id"], strips.iloc[:0]),
                  by_mark.get(row["loop_id"], marks.iloc[:0]), places, settings, partners or {})
        for row in loops.to_dict("records")
    ]  # fmt: skip
    template = templates().get_template("loop_sheet.html")
    return say.exhibit(
        "sheets",
        finding,
        body=Markup("").join(Markup(template.render(sheet=sheet, limits=style.limits)) for sheet in made),
        n_strips=len(strips),
        n_jobs=len(jobs),
        settings=settings,
    )


def one_sheet(
    row: dict[Any, Any], anchor: str, strip: pd.DataFrame, marks: pd.DataFrame, places: dict[str, int],
    settings: Settings, partners: dict[str, str],
) -> Sheet:  # fmt: skip
    """The sheet of a loop."""
    loop, drawing, note = row["loop_id"], Markup(""), ""
    if len(strip):
        drawing = draw_strip(strip, marks, places, f"{anchor}-strip")
        shared, names = short_names(terminal_names(pieces_of(strip)))
        strip = strip.assign(from_terminal_id=names[:-1], to_terminal_id=names[1:])
        note = f"The terminals' names begin with {shared}. " if shared else ""
        note += say("one_sheet.note")
    jobs = marks[marks["mark_kind"] == "failure"].assign(
        place=lambda f: f["place_basis"].map(PLACE_WORDS), counted=lambda f: f["why_not"].fillna("").map(COUNT_WORDS),
    ).sort_values(["marked_on", "job_id"])  # fmt: skip
    doubted = jobs["job_id"].isin(partners)
    pairs = dict.fromkeys(" and ".join(sorted((job, partners[job]))) for job in jobs.loc[doubted, "job_id"])
    return Sheet(
        anchor=anchor,
        row={str(k): v for k, v in row.items()},
        title=f"Loop {loop}, district {row['district_id']}",
        facts=facts_of(row, settings),
        drawing=drawing,
        note=note,
        doubts=say("one_sheet.said", value="; ".join(pairs)) if pairs else "",
        tables=(
            sheet_table(strip, STRIP_COLUMNS, f"Sections of {loop} in service"),
            sheet_table(
                jobs.assign(job_id=jobs["job_id"].where(~doubted, jobs["job_id"] + "*")),
                MARK_COLUMNS,
                f"Jobs on {loop}",
            ),
        ),
    )


def facts_of(row: dict[Any, Any], settings: Settings) -> tuple[tuple[str, str], ...]:
    """The figures of a loop in words."""
    years, currency = style.number(settings.general.horizon_years), settings.general.currency

    def with_limits(name: str, decimals: int) -> str:
        limits = style.limits(row[f"{name}_lo"], row[f"{name}_hi"], decimals)
        return f"{style.number(row[name], decimals)} ({limits})"

    recorded = say("facts_of.recorded", row=row)
    return (
        ("Rank", with_limits("rank", 0)),
        ("Length", f"{style.quantity(row['length_km'], 'km', 2)}, {style.counted(row['sections'], 'section')}"),
        ("Failures on record", recorded),
        (f"Expected in {years} years", with_limits("expected_failures", 2)),
        ("Times its class", with_limits("multiplier", 2)),
        ("Customer-minutes at risk", style.number(row["customer_minutes_at_risk"], 0)),
        ("Cost of replacing it", style.money(row["replacement_cost"], currency)),
        ("Benefit over cost", style.number(row["benefit_cost_ratio"], 2)),
    )


def sheet_table(rows: pd.DataFrame, columns: tuple[str, ...], caption: str) -> dict[str, Any]:
    """A small table of a sheet, with the cells any table has."""
    table = Table(rows.reset_index(drop=True), columns, STRIPS, labels=MARK_LABELS)
    cells: list[list[Cell]] = plain_rows(table)
    numbers = {n for line in cells for n, cell in enumerate(line) if cell.is_number}
    heads = [Column(table.label(c), style.unit_of(c), n in numbers) for n, c in enumerate(columns)]
    return {"caption": caption if cells else f"{caption}: none", "columns": heads, "rows": cells}
