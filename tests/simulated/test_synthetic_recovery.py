"""The truth can be recovered from the invented tables by simple means, so that a product that fails to is at fault."""

import numpy as np
import pytest
from scipy.optimize import minimize

from synthetic_data import summary, truth
from synthetic_data.demo import make_utility

YEAR_DAYS = 365.25


@pytest.fixture(scope="module")
def plain():
    return make_utility(900, 20260101, with_programmes=False, with_stories=False)


@pytest.fixture(scope="module")
def demo():
    return make_utility(900, 20260101)


def test_counts_by_five_years_are_near_those_meant(plain):
    """Four deviations: Poisson, times the spread that loop and section multipliers add (about 1.5)."""
    for drawn, (_, meant) in zip(summary.count_blocks(plain), summary.BLOCKS, strict=True):
        assert abs(drawn - meant) < 4 * 1.5 * np.sqrt(meant)
    for drawn, (_, meant) in zip(summary.count_repeaters(plain), summary.AT_LEAST, strict=True):
        assert abs(drawn - meant) < 4 * 1.5 * np.sqrt(meant)
    assert 860 < plain.truths["sections"]["length_m"].sum() / 1000 < 940


def test_the_summary_prints_its_figures():
    text = summary.summarise(60, 1)
    assert "60 loops, seed 1" in text
    assert "body failures 2021-2025" in text


@pytest.mark.parametrize("row", [truth.HMWPE, truth.XLPE_BARE])
def test_shape_and_rate_by_direct_maximum_likelihood(plain, row):
    """Power law per km on recurrent failures with late entry: sum(log intensity) minus cumulative intensity."""
    name = truth.CLASSES[row].name
    sections = plain.truths["sections"].query("cable_class == @name")
    installed = sections["installed_on"].to_numpy()
    days = [np.datetime64(day) - installed for day in ("2006-01-01", "2026-01-01")]
    a, b = (d / np.timedelta64(86400, "s") / YEAR_DAYS for d in days)
    km = sections["length_m"].to_numpy() / 1000
    failures = plain.truths["failures"]
    own = failures[(failures["kind"] == "body") & failures["section_id"].isin(sections["section_id"])]
    born = own["section_id"].map(sections.set_index("section_id")["installed_on"])
    at = (own["failed_at"].dt.tz_localize(None) - born).dt.total_seconds().to_numpy() / 86400 / YEAR_DAYS

    def negative(p):
        shape, rate = np.exp(p)
        cumulative = (rate * 30 / shape * ((b / 30) ** shape - (a / 30) ** shape) * km).sum()
        return cumulative - (np.log(rate) + (shape - 1) * np.log(at / 30)).sum()

    shape, rate = np.exp(minimize(negative, np.log([2.0, 0.05]), method="Nelder-Mead").x)
    print(
        f"{name}: shape {shape:.2f} (true {truth.CLASSES[row].shape}), "
        f"rate at 30 {100 * rate:.1f} (true {truth.CLASSES[row].rate_at_30})"
    )
    # the multipliers make counts clump, so that the error is about one and a half that of a Poisson process
    assert abs(shape - truth.CLASSES[row].shape) < 0.6
    assert abs(100 * rate / truth.CLASSES[row].rate_at_30 - 1) < 0.3


def test_velocity_from_far_ends_of_a_right_instrument(demo):
    """Known length over shown length, times the setting, on R-01 and before any model: within 1.5 points of c."""
    known = demo.tables["known_lengths"]
    own = (
        known[known["instrument_id"] == "R-01"]
        .drop(columns="cable_class")
        .merge(demo.truths["sections"], on="section_id")
    )
    bare = own[own["cable_class"] == truth.CLASSES[truth.XLPE_BARE].name]
    velocity = (bare["known_length_m"] / bare["reading_m"] * bare["velocity_setting_pct"]).mean()
    assert abs(velocity - 53.0) < 1.5


def test_wrong_settings_read_as_far_as_they_should(demo):
    """R-02 is set 5.7 % fast on bare XLPE; tails and slack come on top, so it is compared with R-01 on that class."""
    jobs = demo.tables["jobs"].merge(demo.truths["sections"][["section_id", "cable_class"]], on="section_id")
    jobs = jobs[(jobs["cable_class"] == truth.CLASSES[truth.XLPE_BARE].name) & (jobs["dug_distance_m"] > 40)]
    ratio = (jobs["estimated_distance_m"] / jobs["dug_distance_m"]).groupby(jobs["instrument_id"]).median()
    assert abs(ratio["R-02"] / ratio["R-01"] - 56 / 53) < 0.03
    assert ratio["R-05"] < ratio["R-01"] - 0.02


def test_loops_picked_for_failures_fail_less_afterwards_with_nothing_done(plain):
    """Regression to the mean is in the data: half of the fall comes without any programme."""
    failures = (
        plain.truths["failures"]
        .query("kind == 'body'")
        .merge(plain.truths["sections"][["section_id", "loop_id"]], on="section_id")
    )
    year = failures["failed_at"].dt.year
    before = failures[year.between(2011, 2015)].groupby("loop_id").size()
    after = failures[year.between(2016, 2020)].groupby("loop_id").size()
    picked = before[before >= 3].index
    assert len(picked) > 10
    assert after.reindex(picked, fill_value=0).sum() < 0.8 * before[picked].sum()


def test_about_one_loop_in_nine_stays_abnormal_for_more_than_ten_days(demo):
    jobs = demo.tables["jobs"]
    days = (jobs["normal_at"] - jobs["reported_at"]).dt.total_seconds() / 86400
    assert 0.08 < (days > 10).mean() < 0.14


def test_the_search_takes_longer_than_the_drive_on_long_half_loops(demo):
    jobs = demo.tables["jobs"]
    sections = demo.tables["sections"].groupby("loop_id")["position"].max()
    long_loops = jobs[jobs["loop_id"].map(sections) > 8]
    drive = (long_loops["arrived_at"] - long_loops["dispatched_at"]).dt.total_seconds().mean()
    search = (long_loops["located_at"] - long_loops["arrived_at"]).dt.total_seconds().mean()
    assert search > 1.5 * drive
