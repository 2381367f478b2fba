"""A register without sections, a record without failures: every table is empty, none falls over."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from pipelines.survival import attribute_effects, audit, completeness, panels, rates, splices, vintages
from pipelines.survival.cells import find_patterns
from pipelines.survival.cox import fit_cox
from pipelines.survival.evidence import count_occasions
from pipelines.survival.history import code_names
from pipelines.survival.integer_codes import code_kinds, join_codes
from pipelines.survival.mean_cumulative import estimate_mean_cumulative
from pipelines.survival.observation_windows import build_windows, loop_only_failures
from shared.settings import Settings
from tests.survival_fleets import small_history

WHOLE = small_history([{}], [{"section_id": "S0", "failed_on": "2004-01-01"}])
TABLES = (
    rates.tabulate_classes,
    rates.tabulate_age_rates,
    rates.tabulate_mean_cumulative,
    vintages.tabulate_vintages,
    attribute_effects.compare_attributes,
    splices.tabulate_splices,
    audit.audit_register,
    completeness.tabulate_completeness,
    panels.compare_late_entry,
    panels.tabulate_first_failures,
    panels.tabulate_fits,
)


@pytest.mark.parametrize("failures", [0, 1])
def test_without_sections_there_is_nothing_to_tell(failures: int) -> None:
    history = dataclasses.replace(WHOLE, sections=WHOLE.sections.head(0), failures=WHOLE.failures.head(failures))
    assert rates.view_classes(history) == []
    for tabulate in TABLES:
        table = tabulate(history, Settings())
        assert isinstance(table, pd.DataFrame)
        assert table.empty, tabulate
    assert audit.count_orphans(history)["orphans"].sum() == 0
    windows = build_windows(history)
    assert (len(windows.owner), len(windows.event_window), len(count_occasions(windows))) == (0, 0, 0)
    assert [len(part) for part in find_patterns(windows)] == [0, 0]
    assert [len(part) for part in loop_only_failures(history, windows)] == [0, 0, 0]
    assert code_names(history).failures["section_code"].tolist() == [-1] * failures


def test_without_failures_what_was_observed_stands() -> None:
    history = dataclasses.replace(WHOLE, failures=WHOLE.failures.head(0))
    rows = {tabulate.__name__: len(tabulate(history, Settings())) for tabulate in TABLES}
    # in view from 12 to 32: five bands of five years, seven with the years before the records
    seen = {"tabulate_classes": 1, "tabulate_age_rates": 5, "compare_late_entry": 7}
    assert {name: count for name, count in rows.items() if count} == seen
    none = np.zeros(0)
    curve = estimate_mean_cumulative([0.0], [9.0], [1.0], none, none, 0.9)
    assert len(curve.to_frame()) == 0
    assert len(estimate_mean_cumulative(none, none, none, none, none, 0.9).to_frame()) == 0


def test_no_failure_and_no_section_give_no_ratio() -> None:
    some, none = np.zeros(1, dtype=np.int64), np.zeros(0, dtype=np.int64)
    for of, kinds in ((some, np.zeros((1, 1))), (none, np.zeros((0, 1)))):
        fit = fit_cox(of, of, of + 9, of + 1.0, none, none, kinds, of, of)
        assert np.isnan(fit.coefficients).tolist() == [True]
        assert (fit.variance.shape, fit.robust_variance.shape, fit.log_likelihood) == ((1, 1), (1, 1), 0.0)
    assert code_kinds(WHOLE.sections.head(0)).tolist() == join_codes(none, none, none).tolist() == []


def test_jobs_are_put_in_their_order_and_a_register_may_lack_columns() -> None:
    two = small_history(
        [{"section_id": "b"}, {"section_id": "a"}], [{"section_id": s, "failed_on": "2004-01-01"} for s in "ab"]
    )
    turned = dataclasses.replace(two, failures=two.failures.iloc[::-1])
    coded = code_names(turned)
    assert coded.failures["job_id"].tolist() == ["J0", "J1"]
    assert coded.failures["section_code"].tolist() == [0, 1]
    assert coded.sections["section_id"].tolist() == ["a", "b"]
    assert coded.sections.index.tolist() == [0, 1]
    bare = two.sections.drop(columns=["half_loop_id", "conductor"])
    less = code_names(dataclasses.replace(two, sections=bare, failures=two.failures.drop(columns="job_id")))
    assert "kind_code" in coded.sections
    assert {"half_code", "kind_code"}.isdisjoint(less.sections)
    assert less.failures["section_code"].tolist() == [0, 1]
    assert two.keep(code_names) is two.keep(code_names)
    assert coded.keep(code_names) is coded
    assert "_kept" not in coded.__dict__ or not coded.__dict__["_kept"]
