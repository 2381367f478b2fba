"""The ranking under other readings of the records, against fits from the beginning."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from pipelines.evaluation.ranking_sensitivity import (
    VARIANTS,
    Evidence,
    gather_evidence,
    rank_again,
    share_of_ageing,
    tabulate_sensitivity,
    weigh_failures,
)
from pipelines.survival.history import FailureHistory
from pipelines.survival.model import FailureModel, fit_failure_model
from shared.settings import Settings
from tests.survival_fleets import make_fleet

HORIZON = 5.0
CAUSES = ["unknown", "water_treeing", "workmanship"]


@pytest.fixture(scope="module")
def history() -> FailureHistory:
    """A fleet with a quarter of its causes unknown, a fifth of its failures known by loop alone, a fifth undated."""
    made = make_fleet(7, loops=300, missing_dates=0.2, loop_only=0.2).history
    causes = np.random.default_rng(7).choice(CAUSES, len(made.failures), p=[0.25, 0.5, 0.25])
    return dataclasses.replace(made, failures=made.failures.assign(cause=causes))


@pytest.fixture(scope="module")
def model(history: FailureHistory) -> FailureModel:
    return fit_failure_model(history, Settings())


def rank_by(model: FailureModel) -> list[str]:
    loops = model.forecast_loops(HORIZON)
    rate = loops["expected_failures"] / loops["length_km"]
    return loops.assign(rate=rate).sort_values(["rate", "loop_id"], ascending=[False, True])["loop_id"].tolist()


def test_evidence_as_it_is_is_the_models_own(history: FailureHistory, model: FailureModel) -> None:
    found = gather_evidence(history, model, np.ones(len(history.failures)))
    assert found.failures == pytest.approx(model.failures)
    assert found.occasions == pytest.approx(model.tree.failures)


def test_as_it_is_gives_the_ranking_itself(history: FailureHistory, model: FailureModel) -> None:
    base = gather_evidence(history, model, np.ones(len(history.failures)))
    assert rank_again(model, base, base, HORIZON) == rank_by(model)


@pytest.mark.parametrize("variant", ["unknown_causes_left_out", "loop_only_left_out", "undated_left_out"])
def test_the_head_is_that_of_a_fit_from_the_beginning(
    history: FailureHistory, model: FailureModel, variant: str
) -> None:
    sections, failures = history.sections, history.failures
    if variant == "undated_left_out":
        sections = sections[sections["is_installed_on_known"]]
    weights = weigh_failures(failures, variant, 1.0)
    anew = rank_by(
        fit_failure_model(dataclasses.replace(history, sections=sections, failures=failures[weights > 0]), Settings())
    )
    base = gather_evidence(history, model, np.ones(len(failures)))
    given = gather_evidence(history, model, weights)
    if variant == "undated_left_out":
        dated = model.windows.sections["is_installed_on_known"].to_numpy(dtype=bool)
        given = Evidence(base.failures, base.occasions, base.recent, dated)
    again = rank_again(model, base, given, HORIZON)
    kept = len(set(again[:25]) & set(anew[:25]))
    moved = len(set(rank_by(model)[:25]) & set(anew[:25]))
    print(variant, "as the full fit:", kept, "of 25; the ranking itself:", moved)
    assert kept >= 23
    # the short way must say more of the variant than the ranking left as it is
    assert kept >= moved


def test_a_class_that_failed_less_of_late_falls(history: FailureHistory, model: FailureModel) -> None:
    base = gather_evidence(history, model, np.ones(len(history.failures)))
    sections = model.windows.sections
    quiet = sections["cable_class"].eq("XLPE/bare/buried").to_numpy()
    given = Evidence(base.failures, base.occasions, np.where(quiet, 0.0, base.recent), base.is_used)
    of_class = set(sections.loc[quiet, "loop_id"])
    before, after = (
        np.mean([place for place, loop in enumerate(rank_again(model, base, evidence, HORIZON)) if loop in of_class])
        for evidence in (base, given)
    )
    assert after > before + 5


def test_weights_follow_the_share_of_known_causes() -> None:
    failures = pd.DataFrame(
        {
            "cause": ["dig_in", "water_treeing", "workmanship", "overload", "unknown", "unknown", "water_treeing"],
            "why_not": ["excluded_cause", None, None, "loop_only", None, "loop_only", "other_component"],
        }
    )
    share, known = share_of_ageing(failures)
    # of dig_in, water_treeing, workmanship and overload three were nobody's doing; the termination is no cable
    assert (share, known) == (3 / 4, 4)
    assert weigh_failures(failures, "unknown_causes_in_proportion", share).tolist() == [1, 1, 1, 1, 0.75, 0.75, 1]
    assert weigh_failures(failures, "unknown_causes_left_out", share).tolist() == [1, 1, 1, 1, 0, 0, 1]
    assert weigh_failures(failures, "loop_only_left_out", share).tolist() == [1, 1, 1, 0, 1, 0, 1]


def test_the_table_names_who_leaves_and_who_comes(history: FailureHistory, model: FailureModel) -> None:
    table = tabulate_sensitivity(history, model, HORIZON).set_index("variant")
    assert table.index.tolist() == list(VARIANTS)
    assert table["top_loops"].eq(25).all()
    assert table.loc["as_it_is", "top_stay"] == 25
    for row in table.itertuples():
        left, came = (set(filter(None, str(text).split(", "))) for text in (row.top_left, row.top_came))
        assert len(left) == len(came) == 25 - row.top_stay
    assert table.loc["unknown_causes_left_out", "failures_used"] < table.loc["as_it_is", "failures_used"]
    assert table.loc["undated_left_out", "sections_used"] < table.loc["as_it_is", "sections_used"]
