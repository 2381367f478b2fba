"""The back-test on simulated fleets of known truth, beside perfect knowledge and the most that data can tell."""

from __future__ import annotations

import datetime as dt
import os

import numpy as np
import pandas as pd
import pytest

from pipelines.evaluation.backtest import run_backtest
from pipelines.survival import hierarchical_frailty
from pipelines.survival.history import FailureHistory, known_at
from pipelines.survival.model import fit_failure_model
from shared.settings import Settings

FULL = os.environ.get("LOOPWEAR_FULL") == "1"
FLEETS, LOOPS = (60, 400) if FULL else (5, 200)
HORIZON = 5.0
AS_OF = dt.date(2025, 12, 31)
ORIGINS = [dt.date(2014, 12, 31), dt.date(2017, 12, 31), dt.date(2020, 12, 31)]
CLASSES = pd.DataFrame(
    [("HMWPE", 0.2, 1964, 1974, 18.0, 2.6), ("XLPE", 0.4, 1970, 1985, 7.0, 3.0), ("TRXLPE", 0.4, 1984, 2005, 1.0, 1.8)],
    columns=["cable_class", "share", "first", "last", "rate_at_30", "shape"],
).set_index("cable_class")
LOOP_VARIANCE, SECTION_VARIANCE = 0.35, 0.35


def make_fleet(seed: int) -> tuple[FailureHistory, pd.DataFrame]:
    """A fleet on record from 2006 with its failures, and its true curves and multipliers."""
    rng = np.random.default_rng(seed)
    per_loop = rng.integers(5, 15, LOOPS)
    loop = np.repeat(np.arange(LOOPS), per_loop)
    names = np.array(CLASSES.index)[rng.choice(3, LOOPS, p=CLASSES["share"])]
    truth = CLASSES.loc[names[loop]].reset_index()
    year = (truth["first"] + (truth["last"] - truth["first"]) * rng.random(LOOPS)[loop]).to_numpy()
    truth = truth.assign(
        section_id=[f"s{k:05d}" for k in range(len(loop))],
        loop_id=[f"L{k:04d}" for k in loop],
        length_km=rng.lognormal(np.log(0.085), 0.45, len(loop)),
        installed=year,
        multiplier=rng.gamma(1 / LOOP_VARIANCE, LOOP_VARIANCE, LOOPS)[loop]
        * rng.gamma(1 / SECTION_VARIANCE, SECTION_VARIANCE, len(loop)),
    )
    count = rng.poisson(expected_between(truth, 2006.0, 2026.0) * truth["multiplier"])
    row = np.repeat(np.arange(len(truth)), count)
    lower, upper = ((t - year[row]) ** truth["shape"].to_numpy()[row] for t in (2006.0, 2026.0))
    at = year[row] + (lower + rng.random(len(row)) * (upper - lower)) ** (1 / truth["shape"].to_numpy()[row])
    day = pd.Timestamp("2006-01-01") + pd.to_timedelta(np.floor((at - 2006.0) * 365.25), unit="D")
    installed = pd.Timestamp("2006-01-01") - pd.to_timedelta(np.round((2006.0 - year) * 365.25), unit="D")
    begin = np.maximum(installed, pd.Timestamp("2006-01-01"))
    exposure = (pd.Timestamp(AS_OF) - begin).days / 365.25
    sections = truth[["section_id", "loop_id", "cable_class", "length_km"]].assign(
        half_loop_id=truth["loop_id"],
        district_id="D",
        position=1,
        insulation=truth["cable_class"],
        neutral="bare",
        installation="buried",
        conductor=None,
        length_m=truth["length_km"] * 1000,
        installed_on=installed,
        is_installed_on_known=True,
        retired_on=pd.NaT,
        rejuvenated_on=pd.NaT,
        customers=6,
        recorded_from=pd.Timestamp("2006-01-01"),
        in_view_from=begin,
        in_view_to=pd.Timestamp(AS_OF),
        exposure_years=exposure,
        exposure_km_years=exposure * truth["length_km"],
    )
    failures = pd.DataFrame(
        {
            "job_id": [f"j{k}" for k in range(len(row))],
            "loop_id": truth["loop_id"].to_numpy()[row],
            "section_id": truth["section_id"].to_numpy()[row],
            "district_id": "D",
            "cable_class": truth["cable_class"].to_numpy()[row],
            "failed_on": day,
            "closed_on": day,
            "age_years": at - year[row],
            "cause": "unknown",
            "failed_component": "cable",
            "is_counted": True,
            "why_not": None,
        }
    )
    inside = failures["failed_on"].le(pd.Timestamp(AS_OF)) & failures["age_years"].gt(0)
    return FailureHistory(sections, failures[inside].reset_index(drop=True), AS_OF), truth


def expected_between(truth: pd.DataFrame, start: float, end: float) -> np.ndarray:
    """Failures the true class curve expects between two moments in years: power law per km from installation."""

    def cumulative(moment: float) -> pd.Series:
        age = (moment - truth["installed"]).clip(lower=0.0)
        return truth["rate_at_30"] / 100 * 30 / truth["shape"] * (age / 30) ** truth["shape"]

    return ((cumulative(end) - cumulative(start)) * truth["length_km"]).to_numpy()


def rules_that_know(history: FailureHistory, truth: pd.DataFrame, origin: dt.date) -> dict[str, pd.Series]:
    """Scores per km of perfect knowledge, and of the multipliers given the true curves and dispersions."""
    now = 2006.0 + (pd.Timestamp(origin) - pd.Timestamp("2006-01-01")).days / 365.25
    known = truth[truth["installed"] < now]
    ahead = expected_between(known, now, now + HORIZON)
    seen = known_at(history, origin).failures["section_id"].value_counts()
    tree = hierarchical_frailty.build_tree(
        known["section_id"].map(seen).fillna(0.0).to_numpy(),
        expected_between(known, 2006.0, now),
        known["length_km"].to_numpy(),
        pd.factorize(known["loop_id"])[0],
        pd.factorize(known["loop_id"])[0],
    )
    post = hierarchical_frailty.fit_posterior(
        tree, hierarchical_frailty.Variances(loop=LOOP_VARIANCE, half_loop=0.0, section=SECTION_VARIANCE)
    )
    per_km = pd.Series(ahead / known["length_km"].to_numpy(), index=known["section_id"])
    return {"perfect": per_km * known["multiplier"].to_numpy(), "true_curves": per_km * (post.shape / post.rate)}


@pytest.fixture(scope="module")
def capture() -> pd.DataFrame:
    """Capture by fleet, level, rule and share of length, mean over the origins."""
    frames = []
    for fleet in range(FLEETS):
        history, truth = make_fleet(500 + fleet)
        tested = run_backtest(
            history,
            lambda known: fit_failure_model(known, Settings()),
            ORIGINS,
            HORIZON,
            coverage=0.90,
            replicates=2,
            random=np.random.default_rng(0),
            further_rules={o: rules_that_know(history, truth, o) for o in ORIGINS},
        )
        frames.append(tested.captures.assign(fleet=fleet))
    rows = pd.concat(frames)
    table = rows.pivot_table("capture_fraction", ["level", "length_fraction", "rule"], "fleet")
    print(rows.pivot_table("capture_fraction", ["level", "length_fraction"], "rule").round(3).to_string())
    return table


@pytest.mark.parametrize("grain", ["section", "loop"])
def test_the_model_captures_nearly_what_the_true_curves_would(capture: pd.DataFrame, grain: str) -> None:
    at_tenth = capture.loc[grain, 0.10]
    ratio = at_tenth.loc["model"].mean() / at_tenth.loc["true_curves"].mean()
    assert ratio >= 0.97


@pytest.mark.parametrize("grain", ["section", "loop"])
@pytest.mark.parametrize("fraction", [0.01, 0.05, 0.10, 0.20])
def test_no_simple_rule_beats_the_model_by_more_than_chance(capture: pd.DataFrame, grain: str, fraction: float) -> None:
    rows = capture.loc[grain, fraction]
    simple = rows.drop(index=["model", "perfect", "true_curves"])
    gap = rows.loc["model"] - simple.loc[simple.mean(axis=1).idxmax()]
    assert gap.mean() > -2 * gap.std(ddof=1) / np.sqrt(FLEETS)


def test_knowing_more_captures_more(capture: pd.DataFrame) -> None:
    at_tenth = capture.loc["section", 0.10].mean(axis=1)
    assert at_tenth["perfect"] > at_tenth["true_curves"] > at_tenth["failures_per_km"] > at_tenth["random"]
    assert at_tenth["random"] == pytest.approx(0.10)
