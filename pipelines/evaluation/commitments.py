"""What has to be written down when work is committed, so that it can be judged later by nothing that is known later?

Of every section committed, and of others it will be compared with, the failures to expect year by year with nothing
done, by the failure model of that day: its own record shrunk towards its kind, which corrects for regression to the
mean. Nothing of this is worked out again.
"""

import datetime as dt
import hashlib
from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.investment.fleet_draws import split_variance
from pipelines.investment.lifetime import Lifetime, look_ahead
from pipelines.investment.tables import use_learned_injection
from pipelines.ranking.costs import NewCable, find_new_cable
from pipelines.survival.history import FailureHistory, counts_as_failure
from pipelines.survival.model import FailureModel
from shared.arrays import Floats, Integers
from shared.settings import Replacement, Settings

YEARS_PROMISED = 15
"""Years for which failures are written down; nothing is followed longer."""

COHORT_TIMES = 30
"""Times what is expected of the committed sections that the cohort need expect: more would add nothing to what can be
told."""

LEAST_IN_DISTRICT = 2.0
"""Failures a year that the cohort of a district must expect to be compared with its own district alone."""

ALL_DISTRICTS, OTHER_DISTRICTS = "all districts", "other districts"

METHOD = (
    "Fixed when the work was committed, and not worked out again. Expected without work: class curve times posterior "
    "multiplier of each section, year by year (empirical Bayes: regression to the mean is corrected for). Cohort: "
    "{chosen}, {sections} that expect {expected} failures in the first year, each followed until "
    "something is done to it. Ratio: failures seen since the work, over those expected there times seen over expected "
    "of the cohort, year by year, {districts}. {coverage} % limits: Poisson count with a gamma expectation (Jeffreys), "
    "with the variance of the multipliers and of what loops share on both sides, the count of the cohort (Fay and "
    "Feuer 1997), and the levels of classes that both sides hold in different shares. It can be told once planned work "
    "would show limits below 1, and work that does nothing limits above plan, each with a chance of {power} %."
)
"""Method in words, kept with each commitment."""

PROMISED = [
    "role", "section_id", "loop_id", "district_id", "cable_class", "compared_in", "action", "due_from", "due_to",
    "length_km", "cost", "without", "planned", "own_variance", "loop_variance", "level_error",
]  # fmt: skip

POWER = 0.8
"""Chance with which both must show before it can be told: the usual choice."""


@dataclass(frozen=True)
class Commitment:
    """Work committed: head (one row, with the method), rows (promise_work), and the decisions to be loaded."""

    head: pd.DataFrame
    rows: pd.DataFrame
    decisions: list[dict[str, str]]


def commit_work(
    history: FailureHistory,
    model: FailureModel,
    lines: pd.DataFrame,
    settings: Settings,
    reason: str,
    decided_on: dt.date,
    spoken_for: Collection[str] = (),
) -> Commitment:
    """Turn lines of a programme into decisions, with what they will be judged by.

    Parameters
    ----------
    history, model
        What is known, and the failure model fitted to it.
    lines
        Rows of marts.programme.
    settings
        Of the run that made the programme.
    reason, decided_on
        Why, and on which day, the work was decided on.
    spoken_for
        Sections of earlier commitments.

    Notes
    -----
    The id of the commitment comes from its day and sections, so that the same one entered again is the same. A year of
    a decision is the calendar year in which the year of the plan begins. The estimated cost of a section is that of the
    programme with the mobilising that it bears.

    Checked by: tests/unit/test_evaluation_commitments.py
    """
    lines = lines.assign(cost=lines["cost"] + lines["mobilising_cost"]).sort_values("section_id", ignore_index=True)
    counted = history.failures[counts_as_failure(history.failures) & history.failures["section_id"].notna()]
    new_cable = find_new_cable(
        history.sections,
        counted,
        settings.replacement,
        min_failures=settings.survival.min_failures,
        as_of=pd.Timestamp(history.as_of),
    )
    terms = use_learned_injection(settings.replacement, model)
    rows, method = promise_work(model, lines, new_cable, terms, settings.general.horizon_years, spoken_for)
    listed = lines["section_id"] + "/" + lines["action"] + "/" + lines["plan_year"].astype(str)
    mark = hashlib.sha256(" ".join([str(history.as_of), *listed]).encode()).hexdigest()[:6]
    name = f"{decided_on}-{mark}"
    first_year = (history.as_of + dt.timedelta(days=1)).year
    decisions = [
        {
            "decision_id": f"{name}/{line['section_id']}",
            "loop_id": line["loop_id"],
            "section_id": line["section_id"],
            "decision": line["action"],
            "year": str(first_year + int(line["plan_year"]) - 1),
            "project_id": str(line["project_id"]) if pd.notna(line["project_id"]) else "",
            "reason": reason,
            "decided_on": str(decided_on),
        }
        for line in lines.to_dict("records")
    ]
    head = pd.DataFrame(
        [{"commitment_id": name, "committed_on": decided_on, "known_on": history.as_of, "reason": reason,
          "method": method}]
    )  # fmt: skip
    ids = (name + "/" + rows["section_id"]).where(rows["role"].eq("committed"))
    return Commitment(head, rows.assign(commitment_id=name, decision_id=ids), decisions)


def promise_work(
    model: FailureModel,
    lines: pd.DataFrame,
    new_cable: NewCable,
    terms: Replacement,
    horizon_years: float,
    spoken_for: Collection[str] = (),
) -> tuple[pd.DataFrame, str]:
    """Everything that the later comparison of some work with its plan needs, and the method in words.

    Parameters
    ----------
    model
        The failure model of the day.
    lines
        Work to be done: section_id, action (replace, inject), plan_year (1 the first), cost. Sections in service.
    new_cable
        What would be laid.
    terms
        With the share of failures that an injection leaves (tables.use_learned_injection).
    horizon_years
        Horizon by which the shared variance of a loop is judged.
    spoken_for
        Sections of earlier commitments: they are in no cohort.

    Returns
    -------
    DataFrame
        One row a section: role (committed, cohort), section_id, loop_id, district_id, cable_class, compared_in (the
        districts it is compared within), action, due_from, due_to (of the year of the plan), length_km, cost, without
        and planned (failures of each of YEARS_PROMISED years after the model's date, with nothing done and with the
        work done in its year), own_variance and loop_variance (relative, of the section's multiplier and of what its
        loop shares), level_error (coefficient of variation of the level of its class).

    Notes
    -----
    Cohort: all other sections in service of the same classes (of all classes where those expect fewer failures than
    the committed), or an even part of them where they expect more than COHORT_TIMES as many. The next in the ranking
    would be more alike, but too few: the count of the cohort is then the greatest part of the error; and a ranking
    puts those next of which most is feared, right or wrong, as it does the committed.

    Checked by: tests/unit/test_evaluation_commitments.py, tests/simulated/follow_up_study.py
    """
    w = model.windows
    row = np.flatnonzero(w.in_service)
    loop, own, shared = split_variance(model, row, horizon_years)
    there = (
        w.sections.iloc[row]
        .assign(
            expected=(model.ahead(1.0) * model.posterior.mean)[row],
            own_variance=own,
            loop_variance=shared[loop],
            # what all classes share is taken off by the cohort
            level_error=np.sqrt(np.maximum(model.variation[row] ** 2 - model.common_variation**2, 0.0)),
        )
        .sort_values("section_id", kind="stable")
    )
    committed = there.merge(
        lines[["section_id", "action", "plan_year", "cost"]].astype({"section_id": str, "action": str}), on="section_id"
    )
    cohort, chosen = _choose_cohort(there, committed, spoken_for)
    places = _name_places(committed, cohort)
    both = pd.concat([committed.assign(role="committed"), cohort.assign(role="cohort")], ignore_index=True)
    districts = both["district_id"].astype(str)
    both["compared_in"] = districts if places is None else districts.where(districts.isin(places), OTHER_DISTRICTS)
    if places is not None and not places:
        both["compared_in"] = ALL_DISTRICTS
    lifetime = look_ahead(model, both["section_id"], new_cable, terms, horizon_years)
    without = lifetime.old[:YEARS_PROMISED]
    first = w.as_of + pd.Timedelta(days=1)
    year = both["plan_year"].fillna(1).astype(int)
    begins = pd.Series([first + pd.DateOffset(years=n - 1) for n in year], both.index)
    ends = pd.Series([first + pd.DateOffset(years=n) - pd.Timedelta(days=1) for n in year], both.index)
    is_line = both["role"].eq("committed")
    planned = _plan_failures(both["action"], np.asarray(year, dtype=np.int64) - 1, without, lifetime, terms)
    rows = both.assign(
        action=both["action"].where(is_line),
        due_from=begins.where(is_line).dt.date,
        due_to=ends.where(is_line).dt.date,
        cost=both["cost"].where(is_line),
        without=list(without.T),
        planned=list(planned.T),
    )[PROMISED]
    method = METHOD.format(
        chosen=chosen,
        sections=f"{len(cohort):,} sections",
        expected=f"{cohort['expected'].sum():.1f}",
        districts="district by district"
        if places is None
        else f"{', '.join(places)} by themselves and the other districts together"
        if places
        else "all districts together",
        coverage=f"{100 * model.coverage:.0f}",
        power=f"{100 * POWER:.0f}",
    )
    return rows, method


def _choose_cohort(
    there: pd.DataFrame, committed: pd.DataFrame, spoken_for: Collection[str]
) -> tuple[pd.DataFrame, str]:
    """The sections to compare with, and in words which they are."""
    others = there[~there["section_id"].isin({*committed["section_id"], *spoken_for})]
    alike = others[others["cable_class"].isin(committed["cable_class"])]
    chosen, most = "all other sections in service of the same classes", committed["expected"].sum()
    if alike["expected"].sum() < most:
        alike, chosen = others, "all other sections in service (of the same classes there are too few)"
    part = max(1, int(alike["expected"].sum() // max(COHORT_TIMES * most, 1e-300)))
    if part > 1:
        chosen = f"one in {part} of {chosen}, evenly by their ids"
    return alike.iloc[::part], chosen


def _name_places(committed: pd.DataFrame, cohort: pd.DataFrame) -> list[str] | None:
    """Districts compared by themselves, the others together; none where all are, empty where all are compared as one.

    The others together must expect as much as one.
    """
    expected = cohort.groupby(cohort["district_id"].astype(str))["expected"].sum()
    large = sorted(expected.index[expected >= LEAST_IN_DISTRICT])
    if set(committed["district_id"].astype(str)) | set(expected.index) <= set(large):
        return None
    return large if expected.drop(large).sum() >= LEAST_IN_DISTRICT else []


def _plan_failures(
    action: pd.Series, begin: Integers, without: Floats, lifetime: Lifetime, terms: Replacement
) -> Floats:
    """Failures of each year and section with the work done in its year; years before it as if it were done by then."""
    age = np.maximum(np.arange(len(without))[:, None] - begin, 0)
    new = lifetime.new_yearly(int(age.max(initial=0)) + 1)[age] * lifetime.new_km
    injected = np.where(age < terms.injection_years, terms.injection_multiplier, 1.0) * without
    is_new, is_injected = (action.eq(name).to_numpy(dtype=bool) for name in ("replace", "inject"))
    return np.asarray(np.select([is_new, is_injected], [new, injected], without))
