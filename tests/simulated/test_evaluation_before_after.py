"""Before and after on fleets of known truth where nothing is done: the fall expected must be the one seen.

Cable is picked for its record of the last years and left as it is. Whoever holds the years after against the record
sees a fall; the model, from what was known on the day, must have expected it. With half of the later failures taken
away, that must be found.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import os

import numpy as np
import pandas as pd
import pytest

from pipelines.evaluation.before_after import expect_nothing_done, tabulate_before_after
from pipelines.evaluation.cohorts import join_members, list_by_rules, list_members
from pipelines.survival.history import FailureHistory, known_at
from pipelines.survival.model import FailureModel, fit_failure_model
from shared.settings import Settings
from tests.simulated.test_evaluation_backtest import make_fleet

FLEETS = 60 if os.environ.get("LOOPWEAR_FULL") == "1" else 8
ORIGIN = dt.date(2019, 12, 31)
REPLACED_ON = pd.Timestamp("2020-09-01")
YEARS = 3.0
NO_REASONS = pd.DataFrame({"section_id": [], "retired_because": []})


def table_of(
    history: FailureHistory, model: FailureModel, members: pd.DataFrame, years: float, coverage: float
) -> pd.DataFrame:
    """Before and after of the sets by one model."""
    return tabulate_before_after(history, expect_nothing_done(history, model, members, years), coverage)


def rename_worst(history: FailureHistory, kept: float, rng: np.random.Generator) -> FailureHistory:
    """The worst loops' cable gets new names on a day, as if replaced; a share of its later failures is kept."""
    failures, sections = history.failures.copy(), history.sections.copy()
    failed = pd.to_datetime(failures["failed_on"])
    recent = failed.gt(REPLACED_ON - pd.Timedelta(days=1096)) & failed.le(REPLACED_ON)
    worst = failures.loc[recent, "loop_id"].value_counts().sort_index().sort_values(ascending=False, kind="stable")
    # position tells a section from its neighbours: the cable that follows lies where the old one lay
    sections["position"] = np.arange(len(sections))
    chosen = sections["loop_id"].isin(worst.index[:20]) & (sections["installed_on"] < REPLACED_ON)
    after = sections[chosen].assign(
        section_id=sections["section_id"] + "R1", installed_on=REPLACED_ON, in_view_from=REPLACED_ON
    )
    sections.loc[chosen, "retired_on"] = REPLACED_ON
    sections.loc[chosen, "in_view_to"] = REPLACED_ON
    later = failures["section_id"].isin(sections.loc[chosen, "section_id"]) & failed.gt(REPLACED_ON)
    failures.loc[later, "section_id"] += "R1"
    dropped = later & (rng.random(len(failures)) > kept)
    return dataclasses.replace(
        history,
        sections=pd.concat([sections, after], ignore_index=True),
        failures=failures[~dropped].reset_index(drop=True),
    )


@pytest.fixture(scope="module")
def tables() -> pd.DataFrame:
    """Before and after of every fleet as it is, with its worst cable renamed, and with half its later failures gone."""
    frames = []
    for fleet in range(FLEETS):
        history, _ = make_fleet(900 + fleet)
        for told in ("as_it_is", "renamed", "halved"):
            kept = 0.5 if told == "halved" else 1.0
            now = history if told == "as_it_is" else rename_worst(history, kept, np.random.default_rng(fleet))
            model = fit_failure_model(known_at(now, ORIGIN), Settings())
            members = join_members(list_members(now, NO_REASONS, {}), list_by_rules(now, model))
            table = table_of(now, model, members, YEARS, 0.90)
            frames.append(table.assign(fleet=fleet, told=told))
    return pd.concat(frames, ignore_index=True)


def rows_of(tables: pd.DataFrame, told: str, grouped_by: str) -> pd.DataFrame:
    return tables[(tables["grouped_by"] == grouped_by) & (tables["told"] == told)]


COUNTS = ["failures_before", "naive_after", "expected_after", "seen_after"]
NOTHING_DONE = [("as_it_is", "recent_failures"), ("renamed", "replaced_in")]


@pytest.mark.parametrize(("told", "grouped_by"), NOTHING_DONE)
def test_with_nothing_done_the_model_expects_the_fall_that_the_record_does_not(
    tables: pd.DataFrame, told: str, grouped_by: str
) -> None:
    sums = rows_of(tables, told, grouped_by)[COUNTS].sum()
    print(told, sums.round(1).to_dict())
    # Poisson, and a fifth more variance for what the multipliers leave open
    chance = 2.5 * np.sqrt(1.2 * sums["expected_after"])
    assert abs(sums["seen_after"] - sums["expected_after"]) < chance
    # the record carried on promises far more failures than come: a fall that nothing brought about
    assert sums["naive_after"] - sums["seen_after"] > chance
    assert sums["naive_after"] > 1.2 * sums["seen_after"]


def test_with_nothing_done_an_effect_is_claimed_no_more_often_than_the_limits_say(tables: pd.DataFrame) -> None:
    verdicts = pd.concat([rows_of(tables, *which) for which in NOTHING_DONE])["effect_verdict"]
    false_alarms = verdicts.isin(["fewer_than_expected", "more_than_expected"]).mean()
    assert false_alarms <= 0.10 + 2.5 * np.sqrt(0.09 / len(verdicts))


def test_half_of_the_failures_taken_away_is_found(tables: pd.DataFrame) -> None:
    rows = rows_of(tables, "halved", "replaced_in")
    sums = rows[COUNTS].sum()
    assert sums["seen_after"] / sums["expected_after"] == pytest.approx(0.5, abs=0.12)
    assert rows["effect_verdict"].eq("fewer_than_expected").mean() >= 0.6
