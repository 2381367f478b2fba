"""The way a pulse takes: tails and cable in the order passed, as terminals, route and classes say."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from shared.arrays import Booleans, Floats, Integers


@dataclass(frozen=True)
class Ways:
    """Stretches of cable in the order a pulse passes them, for many readings.

    Parameters
    ----------
    row
        Reading of each stretch, in order, shape (m,); every reading has at least one.
    cable_class
        Class of each stretch, an index into the effects' classes, shape (m,).
    route_m
        Its length along the route, metres; the last stretch of a reading goes on beyond it.
    tail_m
        Its cable on record that is not on the route (up and down a terminal), metres.
    is_tail
        Whether it is such a tail, on record or not.
    rows
        Number of readings.
    """

    row: Integers
    cable_class: Integers
    route_m: Floats
    tail_m: Floats
    is_tail: Booleans
    rows: int


def lay_ways(sections: pd.DataFrame, pieces: pd.DataFrame, classes: tuple[str, ...], rows: int) -> Ways:
    """Ways along sections of the register, with their tails and the pieces of other cable in them.

    Parameters
    ----------
    sections
        Sections in the order passed: row, place, section_id, cable_class, route_m, near_tail_m, far_tail_m, direction
        (1: passed from its from-terminal) and on (day of the reading).
    pieces
        section_id, from_m, to_m, cable_class, installed_on, from the section's from-terminal.
    classes
        Classes of the effects; one that is not among them is numbered after the last.

    Notes
    -----
    Tails belong to the class of their section. The last section of a way has no far tail: nothing is passed there.

    Checked by: tests/unit/test_locating_ways.py
    """
    facts = sections.reset_index(drop=True)
    cut = _cut_pieces(facts, pieces)
    is_last = ~facts.duplicated("row", keep="last")
    tail = facts.assign(order=-1.0, route_m=0.0, tail_m=facts["near_tail_m"], is_tail=True)
    far = facts.assign(order=np.inf, route_m=0.0, tail_m=facts["far_tail_m"], is_tail=True)[~is_last]
    columns = ["row", "place", "order", "cable_class", "route_m", "tail_m", "is_tail"]
    parts = pd.concat([tail[columns], cut[columns], far[columns]]).sort_values(["row", "place", "order"], kind="stable")
    return Ways(
        row=parts["row"].to_numpy(np.int64),
        cable_class=_numbered(parts["cable_class"], classes),
        route_m=parts["route_m"].to_numpy(float),
        tail_m=parts["tail_m"].to_numpy(float),
        is_tail=parts["is_tail"].to_numpy(bool),
        rows=rows,
    )


def _cut_pieces(facts: pd.DataFrame, pieces: pd.DataFrame) -> pd.DataFrame:
    """Each section cut at the pieces in it, in the order passed."""
    whole = facts.assign(order=0.0, tail_m=0.0, is_tail=False, number=facts.index)
    if pieces.empty:
        return whole
    own = pieces.rename(columns={"cable_class": "piece_class"})
    found = whole.merge(own[["section_id", "from_m", "to_m", "piece_class", "installed_on"]], on="section_id")
    laid = pd.to_datetime(found["installed_on"])
    found = found[~(laid > pd.to_datetime(found["on"])).fillna(False)]
    start, end = found["from_m"].clip(0, found["route_m"]), found["to_m"].clip(0, found["route_m"])
    onward = found["direction"] > 0
    found = found.assign(
        start=np.where(onward, start, found["route_m"] - end), end=np.where(onward, end, found["route_m"] - start)
    ).sort_values(["number", "start", "end"])
    by = found.groupby("number")
    # pieces on record may overlap: each begins where those before it end
    done = by["end"].cummax().groupby(found["number"]).shift(fill_value=0.0)
    begin = np.maximum(found["start"], done)
    step = by.cumcount() * 2.0
    gap = found.assign(order=step, route_m=begin - done)
    piece = found.assign(
        order=step + 1, cable_class=found["piece_class"], route_m=(found["end"] - begin).clip(lower=0.0)
    )
    last = by["end"].max()
    rest = whole[whole["number"].isin(last.index)]
    rest = rest.assign(order=1e9, route_m=rest["route_m"] - rest["number"].map(last))
    return pd.concat([whole[~whole["number"].isin(last.index)], gap, piece, rest])


def lay_classes(parts: pd.DataFrame, classes: tuple[str, ...], rows: int) -> Ways:
    """Ways by class alone, no tail known: parts as row, place, cable_class, route_m."""
    ordered = parts.sort_values(["row", "place"], kind="stable")
    return Ways(
        row=ordered["row"].to_numpy(np.int64),
        cable_class=_numbered(ordered["cable_class"], classes),
        route_m=ordered["route_m"].to_numpy(float),
        tail_m=np.zeros(len(ordered)),
        is_tail=np.zeros(len(ordered), dtype=bool),
        rows=rows,
    )


def _numbered(names: pd.Series, classes: tuple[str, ...]) -> Integers:
    """Number of each class; that after the last for any other."""
    number = {name: k for k, name in enumerate(classes)}
    return np.asarray(names.map(number).fillna(len(classes)), dtype=np.int64)


def ways_along(
    reading_id: np.ndarray, runs: pd.DataFrame, pieces: pd.DataFrame, read_at: pd.Series, classes: tuple[str, ...]
) -> Ways:
    """Ways of past readings along the register of their day.

    Parameters
    ----------
    reading_id
        Readings with a known way, in order.
    runs
        core.locating_runs.
    pieces
        As for lay_ways.
    read_at
        Moment of each reading, in the same order.
    """
    facts = _of_readings(reading_id, runs)
    return lay_ways(
        facts.assign(
            route_m=facts["run_to_m"] - facts["run_from_m"],
            on=read_at.dt.tz_localize(None).to_numpy()[facts["row"].to_numpy()],
        ),
        pieces,
        classes,
        len(reading_id),
    )


def ways_by_class(reading_id: np.ndarray, runs: pd.DataFrame, only_class: pd.Series, classes: tuple[str, ...]) -> Ways:
    """Ways of past readings as somebody without the register's terminals would give them: classes and their lengths.

    Parameters
    ----------
    only_class
        Class of each reading's section, for those without a known way.
    """
    facts = _of_readings(reading_id, runs)
    facts["place"] = (
        (facts["cable_class"] != facts.groupby("row")["cable_class"].shift()).groupby(facts["row"]).cumsum()
    )
    facts["route_m"] = facts["run_to_m"] - facts["run_from_m"]
    parts = facts.groupby(["row", "place"], as_index=False).agg({"cable_class": "first", "route_m": "sum"})
    rest = np.setdiff1d(np.arange(len(reading_id)), parts["row"].to_numpy())
    alone = pd.DataFrame({"row": rest, "place": 0, "cable_class": only_class.to_numpy(object)[rest], "route_m": 1.0})
    return lay_classes(pd.concat([parts, alone], ignore_index=True), classes, len(reading_id))


def _of_readings(reading_id: np.ndarray, runs: pd.DataFrame) -> pd.DataFrame:
    row = pd.Series(np.arange(len(reading_id)), index=reading_id)
    facts = runs[runs["reading_id"].isin(row.index)]
    facts = facts.assign(row=row.reindex(facts["reading_id"]).to_numpy(), place=facts["cable_from_m"])
    return facts.sort_values(["row", "place", "section_id"], kind="stable", ignore_index=True)
