"""What is written down with a commitment: expectations, the cohort, the districts compared, and the decisions."""

from __future__ import annotations

import dataclasses
import datetime as dt

import numpy as np
import pandas as pd
import pytest

from pipelines.evaluation import commitments
from pipelines.evaluation.commitments import (
    ALL_DISTRICTS,
    OTHER_DISTRICTS,
    YEARS_PROMISED,
    _name_places,
    commit_work,
    promise_work,
)
from pipelines.ranking.costs import NewCable
from pipelines.survival.history import FailureHistory
from pipelines.survival.model import FailureModel, fit_failure_model
from shared.settings import Settings
from tests.survival_fleets import make_fleet

NEW = NewCable(2.0, None, 0, 0.0)
TERMS = Settings().override("replacement", injection_multiplier=0.4, injection_years=3.0).replacement


@pytest.fixture(scope="module")
def history() -> FailureHistory:
    made = make_fleet(5, loops=60).history
    return dataclasses.replace(made, sections=made.sections.assign(position=np.arange(len(made.sections))))


@pytest.fixture(scope="module")
def model(history: FailureHistory) -> FailureModel:
    return fit_failure_model(history, Settings())


@pytest.fixture(scope="module")
def lines(model: FailureModel) -> pd.DataFrame:
    """Three sections of one class, one a kind of work."""
    there = model.windows.sections[model.windows.in_service].query("cable_class == 'XLPE/bare/buried'")
    there = there.sort_values("section_id")
    return pd.DataFrame(
        {
            "section_id": there["section_id"].iloc[[0, 7, 30]].to_numpy(),
            "loop_id": there["loop_id"].iloc[[0, 7, 30]].to_numpy(),
            "action": ["replace", "inject", "replace"],
            "plan_year": [1, 1, 3],
            "cost": [100.0, 50.0, 70.0],
            "mobilising_cost": [10.0, 0.0, 0.0],
            "project_id": ["p1", "p1", None],
        }
    )  # fmt: skip


@pytest.fixture(scope="module")
def rows(model: FailureModel, lines: pd.DataFrame) -> pd.DataFrame:
    return promise_work(model, lines, NEW, TERMS, 5.0)[0]


def test_without_work_each_year_is_expected_as_the_forecast_says(rows: pd.DataFrame, model: FailureModel) -> None:
    forecast = model.forecast(5.0).set_index("section_id")["expected_failures"]
    five = pd.Series([each[:5].sum() for each in rows["without"]], rows["section_id"])
    assert len(rows["without"].iloc[0]) == YEARS_PROMISED
    assert five.to_numpy() == pytest.approx(forecast.loc[five.index].to_numpy())


def test_planned_is_the_new_cable_or_what_injection_leaves(rows: pd.DataFrame) -> None:
    replaced, injected, later = (rows[rows["role"].eq("committed")].set_index("section_id")).to_dict("records")
    assert replaced["planned"] == pytest.approx(np.full(YEARS_PROMISED, 0.02 * replaced["length_km"]))
    assert injected["planned"][:3] == pytest.approx(0.4 * injected["without"][:3])
    assert injected["planned"][3:] == pytest.approx(injected["without"][3:])
    assert (later["due_from"], later["due_to"]) == (dt.date(2028, 1, 1), dt.date(2028, 12, 31))


def test_the_cohort_is_of_the_same_classes_and_never_what_is_spoken_for(
    rows: pd.DataFrame, model: FailureModel, lines: pd.DataFrame
) -> None:
    cohort = rows[rows["role"].eq("cohort")]
    assert set(cohort["cable_class"]) == {"XLPE/bare/buried"}
    assert not set(cohort["section_id"]) & set(lines["section_id"])
    gone = cohort["section_id"].iloc[:5].tolist()
    fewer, _ = promise_work(model, lines, NEW, TERMS, 5.0, spoken_for=gone)
    assert not set(gone) & set(fewer["section_id"])
    assert set(fewer["section_id"]) <= set(model.windows.sections.loc[model.windows.in_service, "section_id"])


def test_a_large_cohort_is_an_even_part(
    model: FailureModel, lines: pd.DataFrame, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(commitments, "COHORT_TIMES", 5)
    rows, method = promise_work(model, lines, NEW, TERMS, 5.0)
    cohort = rows[rows["role"].eq("cohort")]
    first = [
        np.sum([each[0] for each in rows.loc[rows["role"].eq(role), "without"]]) for role in ("cohort", "committed")
    ]
    assert 3 * first[1] < first[0] < 10 * first[1]
    assert "one in " in method and f"{len(cohort):,} sections" in method


def test_of_too_small_a_class_all_classes_are_compared_with(model: FailureModel) -> None:
    there = model.windows.sections[model.windows.in_service]
    whole = there[there["cable_class"].eq("HMWPE/bare/buried")]
    asked = pd.DataFrame({"section_id": whole["section_id"], "action": "replace", "plan_year": 1, "cost": 1.0})
    rows, method = promise_work(model, asked, NEW, TERMS, 5.0)
    assert rows.loc[rows["role"].eq("cohort"), "cable_class"].nunique() == 2
    assert "of the same classes there are too few" in method


@pytest.mark.parametrize(
    ("expected", "names"),
    [({"D1": 5.0, "D2": 2.0}, None), ({"D1": 5.0, "D2": 1.0, "D3": 1.5}, ["D1"]), ({"D1": 5.0, "D2": 1.0}, [])],
)
def test_small_districts_are_compared_together(expected: dict[str, float], names: list[str] | None) -> None:
    cohort = pd.DataFrame({"district_id": list(expected), "expected": list(expected.values())})
    assert _name_places(cohort.iloc[:1], cohort) == names


def test_one_district_is_compared_by_itself_or_with_all(rows: pd.DataFrame) -> None:
    assert set(rows["compared_in"]) <= {"D1", ALL_DISTRICTS, OTHER_DISTRICTS}
    assert len(set(rows["compared_in"])) == 1


def test_lines_become_decisions_with_their_calendar_year(
    history: FailureHistory, model: FailureModel, lines: pd.DataFrame
) -> None:
    made = commit_work(history, model, lines, Settings(), "agreed", dt.date(2026, 1, 10))
    assert [each["year"] for each in made.decisions] == ["2026", "2026", "2028"]
    assert [each["project_id"] for each in made.decisions] == ["p1", "p1", ""]
    assert {each["decision"] for each in made.decisions} == {"replace", "inject"}
    assert {each["reason"] for each in made.decisions} == {"agreed"}
    committed = made.rows[made.rows["role"].eq("committed")]
    assert committed["decision_id"].tolist() == [each["decision_id"] for each in made.decisions]
    assert committed["cost"].tolist() == [110.0, 50.0, 70.0]  # with the mobilising that the section bears
    again = commit_work(history, model, lines.iloc[::-1], Settings(), "agreed", dt.date(2026, 1, 10))
    assert again.decisions == made.decisions
    assert made.head["known_on"].tolist() == [history.as_of]
