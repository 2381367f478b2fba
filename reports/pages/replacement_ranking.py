"""The ranking of loops and sections as tables to search, and a sheet for each of the first loops."""

import numpy as np
import pandas as pd
from markupsafe import Markup

from reports.figures import replacement as figures
from reports.figures.map import DRAWN_LOOPS, Plane, draw_map, lay_flat, nearest_m
from reports.marts import Judged, Marts, judged
from reports.page import Exhibit
from reports.words import Words
from shared import dictionary
from shared.settings import Settings

say = Words("replacement")


SHOWN_LOOPS = 25
"""Loops drawn in the figure, and loops that have a sheet."""

LIMITS = (
    "limits of the posterior; those of failures also hold the error of the class curve and of the years to come, those "
    "of ranks take the curves as they are."
)


def in_rank_order(rows: pd.DataFrame) -> pd.DataFrame:
    key = [c for c in ("rank", "loop_id", "section_id") if c in rows.columns]
    return rows.dropna(subset=["rank"]).sort_values(key).reset_index(drop=True) if len(rows) else rows


def ranking(marts: Marts, settings: Settings) -> tuple[Exhibit, ...]:
    """Exhibits of the ranking: loops, the map where there are coordinates, sections."""
    loops, found = marts.read("marts.loop_ranking"), judged(marts, "replacement")
    made = (
        first_loops(loops, settings, found),
        loop_map(loops, marts.read("marts.loop_places"), settings),
        first_sections(marts.read("marts.section_ranking"), loops, settings, found),
    )
    return tuple(exhibit for exhibit in made if exhibit is not None)


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


def first_of_each(firsts: pd.DataFrame) -> Exhibit:
    """The loop that each of three orders puts first, and why they differ."""
    if firsts.empty:
        return say.absent("firsts")
    asked = dictionary.codes()["ordered_by"]
    rows = firsts.assign(place=firsts["ordered_by"].map(list(asked).index)).sort_values("place", ignore_index=True)
    said = "; ".join(say("firsts.one", row=row) for row in rows.to_dict("records"))
    return say.exhibit(
        "firsts", say("firsts.finding", said=said), rows.assign(ordered_by=rows["ordered_by"].map(asked))
    )


def loop_map(loops: pd.DataFrame, places: pd.DataFrame, settings: Settings) -> Exhibit | None:
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
        more=(
            say(
                "map.files",
                "map.placed" if settings.general.coordinate_reference_system else "map.unplaced",
                settings=settings,
            ),
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
