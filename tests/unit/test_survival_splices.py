"""Splice failures by the time since the last repair: hand-counted spells, and a planted hazard found."""

from __future__ import annotations

import datetime as dt
import itertools

import numpy as np
import pandas as pd
import pytest
from scipy.stats import chi2

from pipelines.survival.history import FailureHistory
from pipelines.survival.splices import BANDS, _count, tabulate_splices
from shared.settings import Settings
from tests.survival_fleets import small_history

AS_OF = dt.date(2025, 1, 1)
SETTINGS = Settings().override("general", as_of=AS_OF)


def make_history(sections: list[dict], failures: list[tuple[str, str, str]]) -> FailureHistory:
    base = {
        "installed_on": "1980-01-01",
        "is_installed_on_known": True,
        "recorded_from": "2005-01-01",
        "retired_on": None,
    }
    frame = pd.DataFrame([base | row for row in sections])
    for name in ("installed_on", "recorded_from", "retired_on"):
        frame[name] = pd.to_datetime(frame[name])
    struck = pd.DataFrame(failures, columns=["section_id", "failed_on", "failed_component"])
    struck = struck.assign(job_id=[f"J{n}" for n in range(len(struck))], is_counted=True, why_not=None)
    return FailureHistory(frame, struck.assign(failed_on=pd.to_datetime(struck["failed_on"])), AS_OF)


def test_spells_counted_by_hand() -> None:
    history = make_history(
        [{"section_id": "A"}, {"section_id": "B", "retired_on": "2015-01-01"}, {"section_id": "C"}],
        [
            ("A", "2010-01-01", "cable"),
            ("A", "2011-07-02", "splice"),
            ("A", "2020-01-01", "unknown"),
            ("B", "2014-12-01", "splice"),
        ],
    )
    table = tabulate_splices(history, SETTINGS).set_index("repair_band")
    never = table.loc["no_repair_on_record"]
    # A five years to 2010, B ten less a month, C twenty
    assert never["section_years"] == pytest.approx((1826 + 3621 + 7305) / 365.25)
    assert (never["splice_failures"], never["cable_failures"]) == (1, 1)
    # A's second failure came 547 days after the first, its third 3,105 days after the second
    assert table.loc["1_to_2_years", "splice_failures"] == 1
    assert table.loc["over_5_years", "cable_failures"] == 1
    after = table.drop("no_repair_on_record")
    assert after["section_years"].sum() == pytest.approx((547 + 3105 + 1827 + 31) / 365.25)
    assert after["splice_failures"].sum() + after["cable_failures"].sum() == 2


def test_a_planted_hazard_lies_within_the_limits() -> None:
    """Each repair's splice fails at 3 per 100 years in its first two years, at 0.6 later; limits are Garwood's."""
    rng = np.random.default_rng(4)
    sections, failures = [], []
    for n in range(1500):
        sections.append({"section_id": f"S{n:04d}"})
        at = 2006 + 4 * rng.random()
        failures.append((f"S{n:04d}", at, "cable"))
        met = rng.exponential()
        life = met / 0.03 if met < 0.06 else 2 + (met - 0.06) / 0.006
        if at + life < 2025:
            failures.append((f"S{n:04d}", at + life, "splice"))
    dated = [(s, str(np.datetime64("1970-01-01") + int((at - 1970) * 365.25)), c) for s, at, c in failures]
    table = tabulate_splices(make_history(sections, dated), SETTINGS)
    after = table[table["repair_band"].ne("no_repair_on_record")]
    young, old = after.iloc[:3], after.iloc[3:]
    for part, truth in ((young, 3.0), (old, 0.6)):
        count, years = part["splice_failures"].sum(), part["section_years"].sum()
        assert chi2.ppf(0.005, 2 * count) / 2 < truth * years / 100 < chi2.ppf(0.995, 2 * count + 2) / 2
    row = after.iloc[1]
    assert row["splice_rate_lo"] == pytest.approx(
        100 * chi2.ppf(0.05, 2 * row["splice_failures"]) / 2 / row["section_years"]
    )


def test_bands_meet_and_take_in_every_failure() -> None:
    ends = list(BANDS.values())
    assert all(before[1] == later[0] for before, later in itertools.pairwise(ends))
    history = make_history(
        [{"section_id": "A"}],
        [("A", "2010-01-01", "splice"), ("A", "2010-01-01", "splice"), ("A", "2010-04-02", "cable")],
    )
    table = tabulate_splices(history, SETTINGS)
    assert table["splice_failures"].sum() == 2
    assert table["cable_failures"].sum() == 1


def test_nothing_is_said_where_no_splice_is_named() -> None:
    nothing, one = (
        tabulate_splices(make_history([{"section_id": "A"}], [("A", "2010-01-01", part)]), SETTINGS)
        for part in ("cable", "splice")
    )
    assert nothing.empty
    assert list(nothing.columns) == list(one.columns)
    assert one["splice_failures"].sum() == 1


def test_every_band_by_hand() -> None:
    """A fails 60 days, 10 months, 18 months, four years and six years after the repair before; B is cut by nothing."""
    days = [0, 60, 360, 900, 2361, 4553]
    failed = [str(np.datetime64("2003-01-01") + int(day)) for day in days]
    parts = ["cable", "splice", "splice", "cable", "unknown", "splice"]
    history = small_history(
        [
            {"installed_on": "2002-01-01"},
            {"installed_on": None, "is_installed_on_known": False, "retired_on": "2008-01-01"},
            {"installed_on": "2004-01-01", "is_installed_on_known": False},  # a stand-in date is no date
            {"retired_on": "2000-01-01"},
        ],
        [
            {"section_id": "S0", "failed_on": day, "failed_component": part}
            for day, part in zip(failed, parts, strict=True)
        ]
        + [{"section_id": "S3", "failed_on": "2004-01-01", "failed_component": "splice"}]
        + [{"section_id": "S9", "failed_on": "2004-01-01", "failed_component": "splice", "why_not": "not_in_register"}]
        + [{"section_id": "S2", "failed_on": "2012-01-01", "why_not": "undated_section", "failed_component": "splice"}],
    )
    table = tabulate_splices(history, SETTINGS)
    assert table["repair_band"].tolist() == ["no_repair_on_record", *BANDS]
    between = (
        np.append(np.diff(days), (pd.Timestamp("2020-01-01") - pd.Timestamp("2003-01-01")).days - days[-1]) / 365.25
    )
    between = np.append(between, 8.0)  # C after its failure
    years = [sum(min(b, high) - min(b, low) for b in between) for low, high in BANDS.values()]
    assert table["section_years"].tolist() == pytest.approx([365 / 365.25 + 8.0 + 12.0, *years])
    assert table["splice_failures"].tolist() == [1, 1, 1, 0, 0, 1]
    assert table["cable_failures"].tolist() == [1, 0, 0, 1, 1, 0]
    scale = 100 / table["section_years"]
    for kind in ("splice", "cable"):
        rates = table[[f"{kind}_{name}" for name in ("rate_per_100_section_years", "rate_lo", "rate_hi")]]
        count = table[f"{kind}_failures"]
        lo = np.where(count > 0, chi2.ppf(0.05, 2 * np.maximum(count, 1)) / 2, 0.0)
        limits = np.stack([count, lo, chi2.ppf(0.95, 2 * count + 2) / 2], axis=1)
        np.testing.assert_allclose(rates, limits * scale.to_numpy()[:, None])


@pytest.mark.parametrize(
    ("years", "low", "high", "counted"), [(1.0, 0.0, 1.0, 1), (1.0, 1.0, 2.0, 0), (0.0, 0.0, 1.0, 1)]
)
def test_a_failure_at_the_edge_belongs_to_the_band_before(years: float, low: float, high: float, counted: int) -> None:
    spells = pd.DataFrame({"years": [years, 3.0], "ended_by": ["splice", None]})
    row = _count(spells, "x", low, high, SETTINGS)
    assert row[:3] == ["x", min(years, high) - min(years, low) + high - low, counted]
    empty = _count(spells.head(0), "x", low, high, SETTINGS)
    assert empty[1:3] == [0.0, 0]
    assert np.isnan(empty[3:6]).all()
