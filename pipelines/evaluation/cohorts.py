"""Which cable was picked, when, and what counts as failing afterwards: the sets that before and after are told of."""

import datetime as dt
from collections.abc import Mapping

import numpy as np
import pandas as pd

from pipelines.evaluation.backtest import RECENT_YEARS
from pipelines.evaluation.before_after import SUCCESSION_DAYS
from pipelines.evaluation.rule_orders import order_by_rule
from pipelines.survival.history import FailureHistory, code_names, find_rows
from pipelines.survival.model import FailureModel
from shared.arrays import Booleans, Floats, Integers
from shared.errors import UserError
from shared.units import DAYS_PER_YEAR

PICKED_LOOPS = 25
"""Loops that a rule picks at a past date, but no more than a tenth of the fleet's."""

ALL_YEARS = "all years"

PICKING_RULES = ("most_failures", "recent_failures")

COLUMNS = [
    "grouped_by",
    "group_name",
    "section_id",
    "section_code",
    "on",
    "until",
    "counts",
    "counts_loop_only",
    "is_followed",
]


def list_members(history: FailureHistory, reasons: pd.DataFrame, watched: Mapping[str, dt.date]) -> pd.DataFrame:
    """The sets that stand whatever any model says: cable replaced, cable injected, and loops a person watches.

    Parameters
    ----------
    history
        What is known now.
    reasons
        section_id and retired_because.
    watched
        Loops with the day something was done on each.

    Returns
    -------
    DataFrame
        One row a set and section: grouped_by (replaced_in, replaced_because, injected_in, watched), group_name,
        section_id, section_code (history.code_names), on (the day it was picked), until (the end of the time after,
        missing: open), counts (place: failures of the cable that took its place; same: of the section itself; loop: of
        the whole loop), counts_loop_only, is_followed (cable lies in its place).

    Notes
    -----
    Checked by: tests/unit/test_evaluation_before_after.py
    """
    return join_members(list_replaced(history, reasons), list_injected(history), list_watched(history, watched))


def join_members(*parts: pd.DataFrame) -> pd.DataFrame:
    """Lists of members one below the other."""
    # a list without rows has no types, and would take them from the others
    return pd.concat(
        [part[COLUMNS] for part in parts if len(part)] or [pd.DataFrame(columns=COLUMNS)], ignore_index=True
    )


def list_replaced(history: FailureHistory, reasons: pd.DataFrame) -> pd.DataFrame:
    """Sections taken out of service, by year and by reason; failures after are those of the cable in their place."""
    sections = history.keep(code_names).sections
    retired = pd.to_datetime(sections["retired_on"])
    gone = sections[retired <= pd.Timestamp(history.as_of)]
    if gone.empty:
        return pd.DataFrame()
    gone = gone[["section_id", "section_code"]].assign(on=retired[gone.index])
    stated = reasons.dropna().set_index("section_id")["retired_because"].astype(object)
    because = gone["section_id"].map(stated).astype(object).fillna("unknown")
    gone, because = gone[because.ne("regrouped")], because[because.ne("regrouped")]  # split or merged: not replaced
    gone = gone.assign(
        until=pd.Series(index=gone.index, dtype="datetime64[ns]"),
        counts="place",
        counts_loop_only=False,
        is_followed=gone["section_code"].isin(history.keep(find_followers)["section_code"]),
    )
    return pd.concat(
        [
            gone.assign(grouped_by="replaced_in", group_name=gone["on"].dt.year.astype(str)),
            gone.assign(grouped_by="replaced_because", group_name=because.astype(str)),
        ],
        ignore_index=True,
    )


def find_followers(history: FailureHistory) -> pd.DataFrame:
    """Cable that took the place of cable taken out of service: section_code, follower (its section_code).

    Notes
    -----
    It lies in the same place of the loop, and was laid no more than SUCCESSION_DAYS before.

    Checked by: tests/unit/test_evaluation_before_after.py (through list_replaced)
    """
    sections = history.keep(code_names).sections[
        ["section_code", "loop_code", "position", "installed_on", "retired_on"]
    ]
    gone = sections[pd.to_datetime(sections["retired_on"]) <= pd.Timestamp(history.as_of)]
    pairs = gone.merge(sections, on=["loop_code", "position"], suffixes=("", "_next"))
    laid, left = pd.to_datetime(pairs["installed_on_next"]), pd.to_datetime(pairs["retired_on"])
    follows = pairs["section_code"].ne(pairs["section_code_next"]) & laid.ge(left - pd.Timedelta(days=SUCCESSION_DAYS))
    return pairs.loc[follows, ["section_code", "section_code_next"]].set_axis(["section_code", "follower"], axis=1)


def list_injected(history: FailureHistory) -> pd.DataFrame:
    """Sections injected in place, by year and all; failures after are their own, until taken out of service."""
    sections = history.keep(code_names).sections
    injected = pd.to_datetime(sections["rejuvenated_on"])
    kept = sections[(injected <= pd.Timestamp(history.as_of)).to_numpy(dtype=bool)]
    on = injected[kept.index]
    frame = pd.DataFrame(
        {
            "grouped_by": "injected_in",
            "group_name": on.dt.year.astype(str),
            "section_id": kept["section_id"],
            "section_code": kept["section_code"],
            "on": on,
            "until": pd.to_datetime(kept["retired_on"]),
            "counts": "same",
            "counts_loop_only": False,
            "is_followed": True,
        }
    )
    # a section is injected once, so the years are sets of their own and may be taken together
    return pd.concat([frame, frame.assign(group_name=ALL_YEARS)], ignore_index=True)


def list_by_rules(history: FailureHistory, model: FailureModel) -> pd.DataFrame:
    """Sections of the loops that each rule would have picked on a model's date, followed until something was done.

    Parameters
    ----------
    history
        What is known now.
    model
        Fitted at the date to known_at of this history.

    Returns
    -------
    DataFrame
        As list_members gives them; grouped_by is the rule, group_name the date.

    Notes
    -----
    Ending the time after at a replacement does not favour anyone: until then the failures come as they would have.

    Checked by: tests/unit/test_evaluation_before_after.py
    """
    history = history.keep(code_names)
    w = model.windows
    units, loop = _sum_loops(model)
    parts = []
    for rule in PICKING_RULES:
        code = w.sections["section_code"].to_numpy()[_pick_by_rule(units, rule)[loop] & w.in_service]
        facts = history.sections[["section_id", "retired_on", "rejuvenated_on"]].iloc[history.keep(find_rows)[code]]
        injected = pd.to_datetime(facts["rejuvenated_on"])
        ends = [injected.where(injected > w.as_of), pd.to_datetime(facts["retired_on"])]
        parts.append(
            pd.DataFrame(
                {
                    "grouped_by": rule,
                    "group_name": f"{w.as_of:%Y-%m-%d}",
                    "section_id": facts["section_id"].to_numpy(),
                    "section_code": code,
                    "on": w.as_of,
                    "until": pd.concat(ends, axis=1).min(axis=1).to_numpy(),
                }
            )
        )
    return pd.concat(parts, ignore_index=True).assign(counts="same", counts_loop_only=True, is_followed=True)


def _sum_loops(model: FailureModel) -> tuple[pd.DataFrame, Integers]:
    """Loops of a model with what the rules go by, cable in service alone, and the loop of each section."""
    w = model.windows
    loop = model.tree.loop_of_half[model.tree.half_of_section]
    km = w.sections["length_km"].to_numpy(dtype=np.float64) * w.in_service
    ago = (w.as_of.to_datetime64() - w.event_on) / np.timedelta64(1, "D") / DAYS_PER_YEAR
    recent = w.sum_by_section(w.event_weight * (ago < RECENT_YEARS), w.event_window)

    def total(values: Floats) -> Floats:
        return np.bincount(loop, weights=values * w.in_service).astype(np.float64)

    length = total(km)
    units = pd.DataFrame(
        {
            "length_km": length,
            "failures": total(model.recorded.astype(np.float64)),
            "failures_recent": total(recent),
            "age_years": total(km * w.sum_by_section(w.weight * w.age_now)) / np.maximum(length, 1e-9),
        }
    )
    return units, loop


def _pick_by_rule(loops: pd.DataFrame, rule: str) -> Booleans:
    """Whether each loop is among those that a rule picks."""
    present = np.flatnonzero(loops["length_km"] > 0)
    order, _ = order_by_rule(loops.iloc[present], rule)
    chosen = np.zeros(len(loops), dtype=bool)
    chosen[present[order[: min(PICKED_LOOPS, int(np.ceil(len(present) / 10)))]]] = True
    return chosen


def list_watched(history: FailureHistory, watched: Mapping[str, dt.date]) -> pd.DataFrame:
    """Sections in service on the day something was done on their loop; all later failures of the loop count.

    Raises
    ------
    UserError
        A loop is not in the register.
    """
    if not watched:
        return pd.DataFrame()
    sections = history.keep(code_names).sections
    unknown = sorted(set(watched) - set(sections["loop_id"]))
    if unknown:
        raise UserError(
            f"setting replacement.watched names {', '.join(unknown)}, which has no section loaded",
            "settings file",
            "correct the loop_id, or load loops.csv and sections.csv, then: loopwear refresh",
        )
    on = sections["loop_id"].map({loop: pd.Timestamp(day) for loop, day in watched.items()})
    installed = pd.to_datetime(sections["installed_on"])
    retired = pd.to_datetime(sections["retired_on"])
    there = on.notna() & ~(installed > on) & ~(retired < on)
    return pd.DataFrame(
        {
            "grouped_by": "watched",
            "group_name": sections["loop_id"],
            "section_id": sections["section_id"],
            "section_code": sections["section_code"],
            "on": on,
            "until": pd.NaT,
            "counts": "loop",
            "counts_loop_only": True,
            "is_followed": True,
        }
    )[there]
