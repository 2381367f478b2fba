"""What have engineers decided, how much of it can a plan honour, and what does each decision cost?

A decision on a section comes before one on its loop, a later one before an earlier. Work that is decided is planned
before all other; a decision to wait or to exclude leaves out years.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from pipelines.investment.options import ACTIONS, number_year
from shared.arrays import Booleans, Floats, Integers

DECISION = ("decision_id", "loop_id", "section_id", "decision", "year", "project_id", "reason", "decided_on")
"""Columns of a decision, as loaded."""

NOT_IN_SERVICE = "no cable is in service under this id: retired, or not in the register"
NOT_INJECTABLE = "the register says that it cannot be injected"
YEAR_OVER = "its year is over, and the register does not show the work"
DONE = "done"
NO_ROOM = "it does not fit the limits of the years it may be done in, or opens a loop in a third year"


@dataclass(frozen=True)
class Decided:
    """What decisions allow each section, and what became of each decision on it.

    may: shape (years, sections, actions), whether it may be worked on. blocked: shape (years, sections), where a
    decision to wait or to exclude forbids work. committed: place in ACTIONS of the action decided on, -1 where none is.
    project: project_id decided on, None where none is. pairs: one row a decision and section (place: row of the
    sections, -1 where there is none), with problem, empty where the plan can honour it.
    """

    may: Booleans
    blocked: Booleans
    committed: Integers
    project: pd.Series
    pairs: pd.DataFrame

    @property
    def decided(self) -> list[str]:
        """Of each section: committed, excluded (no year is left to it) or free."""
        excluded = ~self.may.any(axis=(0, 2))
        return list(np.where(self.committed >= 0, "committed", np.where(excluded, "excluded", "free")))

    def release(self, sections: Integers, problem: str) -> Decided:
        """The same without what is committed of some sections: it does not fit, and they are planned like any other."""
        committed, may, pairs = self.committed.copy(), self.may.copy(), self.pairs.copy()
        committed[sections] = -1
        may[:, sections] = ~self.blocked[:, sections, None]
        hit = pairs["place"].isin(sections) & pairs["problem"].eq("") & pairs["decision"].isin(ACTIONS.categories)
        pairs.loc[hit, "problem"] = problem
        return replace(self, committed=committed, may=may, pairs=pairs)

    def allow(self, gains: Floats, raw: Floats, section: Integers, action: Integers) -> tuple[Floats, Booleans]:
        """Gains as the decisions allow them, and which options are committed to.

        gains, raw: shape (years, options), of what is offered and of everything. An option that is committed to gains
        what it is worth, offered or not, and -inf in a year that is not allowed; others of its section nothing.
        """
        allowed = self.may[:, section, action]
        wanted = self.committed[section]
        committed = wanted == action
        free = np.where(allowed & (wanted < 0), gains, 0.0)
        return np.where(committed, np.where(allowed, raw, -np.inf), free), committed


def settle_decisions(decisions: pd.DataFrame, sections: pd.DataFrame, first_year: int, years: int) -> Decided:
    """Lay every decision on the sections it is on, the one that comes before others first.

    Parameters
    ----------
    decisions
        Decisions in force: staging.decisions.
    sections
        Sections in service: section_id, loop_id, is_injectable, installed_on, rejuvenated_on.
    first_year, years
        Calendar year in which the plan's first year begins, and years of the plan.

    Notes
    -----
    Replacing is done where the cable was laid after the day of the decision, injecting where it was injected since.

    Checked by: tests/unit/test_investment_decisions.py
    """
    n = len(sections)
    decided = Decided(
        np.ones((years, n, 2), dtype=bool),
        np.zeros((years, n), dtype=bool),
        np.full(n, -1),
        pd.Series([None] * n, dtype="object"),
        pd.DataFrame(),
    )
    pairs = _pair_sections(decisions, sections)
    holder, problems = [""] * n, []
    injectable = sections["is_injectable"].to_numpy(dtype=bool)
    for pair in pairs.to_dict("records"):
        place, action = pair["place"], pair["decision"]
        if place >= 0 and decided.project[place] is None and isinstance(pair["project_id"], str):
            decided.project[place] = pair["project_id"]
        if place < 0:
            problems.append(NOT_IN_SERVICE)
        elif pair["is_done"]:
            problems.append(DONE)
        elif action == "inject" and not injectable[place]:
            problems.append(NOT_INJECTABLE)
        else:
            problems.append(
                _lay(decided, place, action, _number_year(pair["year"], first_year), pair["decision_id"], holder)
            )
    return replace(decided, pairs=pairs.assign(problem=pd.Series(problems, dtype="object")))


def _pair_sections(decisions: pd.DataFrame, sections: pd.DataFrame) -> pd.DataFrame:
    """Decisions and the sections they are on, in the order in which they come before one another."""
    places = sections[["section_id", "loop_id"]].astype("str").assign(place=np.arange(len(sections)))
    of_whole = decisions["section_id"].isna()
    whole = decisions[of_whole].merge(places.drop(columns="section_id"), on="loop_id", how="left")
    single = decisions[~of_whole].merge(places.drop(columns="loop_id"), on="section_id", how="left")
    pairs = pd.concat([single, whole], ignore_index=True).assign(
        is_whole=lambda rows: rows["section_id"].isna(),
        decided_on=lambda rows: pd.to_datetime(rows["decided_on"]),
        place=lambda rows: rows["place"].fillna(-1).astype("int64"),
    )
    laid, injected = (
        pd.to_datetime(sections[name]).reset_index(drop=True).reindex(pairs["place"]).to_numpy()
        for name in ("installed_on", "rejuvenated_on")
    )
    since = np.where(
        pairs["decision"].eq("replace"), laid, np.where(pairs["decision"].eq("inject"), injected, np.datetime64("NaT"))
    )
    pairs = pairs.assign(is_done=since > pairs["decided_on"].to_numpy()).sort_values("decision_id", ascending=False)
    pairs = pairs.sort_values("decided_on", ascending=False, kind="stable").sort_values("is_whole", kind="stable")
    return pairs.reset_index(drop=True)


def _lay(decided: Decided, place: int, action: str, year: int | None, decision_id: str, holder: list[str]) -> str:
    """Lay one decision on one section, where those laid before leave room; returns what is in its way."""
    may = decided.may[:, place].copy()
    left = may.copy()
    if action in ACTIONS.categories:
        column = list(ACTIONS.categories).index(action)
        if year is not None and year < 0:
            return YEAR_OVER
        wanted = np.zeros_like(may)
        wanted[slice(None) if year is None else slice(year, year + 1), column] = True
        left &= wanted
        if not left.any() and (year is None or year < len(may)):
            return f"decision {holder[place]} comes before it"
    elif action == "wait":
        left[: len(may) if year is None else max(year, 0)] = False
    elif year is None:
        left[:] = False
    elif 0 <= year < len(may):
        left[year] = False
    if decided.committed[place] >= 0 and not left.any():
        return f"decision {holder[place]} comes before it"
    if action not in ACTIONS.categories:
        decided.blocked[:, place] |= ~left.any(axis=1) & may.any(axis=1)
    elif left.any():
        decided.committed[place] = column
    if (left != may).any():
        holder[place] = decision_id
    decided.may[:, place] = left
    return ""


def _number_year(year: Any, first_year: int) -> int | None:
    """Year of the plan from 0; None where any is meant."""
    return None if pd.isna(year) else number_year(int(year), first_year)


def list_decisions(
    decisions: pd.DataFrame,
    decided: Decided | None,
    prices: pd.DataFrame | None,
    sections: pd.DataFrame,
    plan_year: pd.Series,
    as_of: dt.date,
) -> pd.DataFrame:
    """Every decision with what became of it in the plan, and what it costs against the free plan.

    Parameters
    ----------
    decisions
        Decisions in force: staging.decisions.
    decided, prices
        What became of them, and what each costs: Plan. None where there are none.
    sections
        Sections in service, with loop_id and district_id.
    plan_year
        Year of the plan in which each section is worked on, missing where it is not; along the sections.
    as_of
        The plan's first year begins the day after.

    Returns
    -------
    DataFrame
        decision_id, loop_id, section_id, decision, year, project_id, reason and decided_on as loaded, district_id,
        sections_decided, first_plan_year, outcome, conflict, cost_of_it, failures_forgone.

    Notes
    -----
    Checked by: tests/unit/test_investment_decisions.py
    """
    if decided is None or prices is None:
        return pd.DataFrame()
    rows = []
    planned = plan_year.reset_index(drop=True).reindex(decided.pairs["place"]).to_numpy()
    pairs = decided.pairs.assign(planned=planned)
    for _, pair in pairs.groupby("decision_id", sort=True):
        in_way = pair.loc[~pair["problem"].isin(["", DONE]), "problem"].value_counts()
        told = [
            text if len(pair) == 1 else f"{count} of {len(pair)} sections: {text}" for text, count in in_way.items()
        ]
        is_over = _is_over(pair.iloc[0], as_of) and not told
        outcome = "done" if pair["problem"].eq(DONE).all() else "without_effect" if is_over else "honoured"
        rows.append(
            {
                "decision_id": pair["decision_id"].iloc[0],
                "sections_decided": int(pair["place"].ge(0).sum()),
                "first_plan_year": pair["planned"].min() if pair["planned"].notna().any() else pd.NA,
                "outcome": "conflict" if told else outcome,
                "conflict": "; ".join(map(str, told)) or None,
            }
        )
    found = pd.DataFrame(rows, columns=["decision_id", "sections_decided", "first_plan_year", "outcome", "conflict"])
    districts = sections[["loop_id", "district_id"]].astype("str").drop_duplicates("loop_id")
    return (
        decisions[[*DECISION]]
        .merge(found, on="decision_id")
        .merge(prices, on="decision_id", how="left")
        .merge(districts, on="loop_id", how="left")
        .sort_values("decision_id", ignore_index=True)
        .astype({"first_plan_year": "Int64"})
    )


def _is_over(pair: pd.Series, as_of: dt.date) -> bool:
    """Whether a decision to wait or to exclude names a year that is over."""
    year = _number_year(pair["year"], (as_of + dt.timedelta(days=1)).year)
    return pair["decision"] not in ACTIONS.categories and year is not None and year < 0
