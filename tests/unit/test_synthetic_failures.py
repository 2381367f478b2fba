"""Failures, programmes and splices of the invented fleet."""

import dataclasses

import numpy as np
import pytest

from synthetic_data import truth
from synthetic_data.failures import (
    BODY,
    YEAR_S,
    Events,
    draw_body_failures,
    draw_splice_failures,
    draw_storm_days,
    make_history,
)
from synthetic_data.fleet import make_fleet


@pytest.fixture(scope="module")
def walked():
    fleet = make_fleet(300, np.random.default_rng(2))
    storms = draw_storm_days(np.random.default_rng(3))
    return fleet, make_history(fleet, storms, np.random.default_rng(4))


def test_events_are_in_order_and_strike_cable_in_service(walked):
    _, history = walked
    s, e = history.sections, history.events
    assert (np.diff(e.at) >= 0).all()
    assert (e.at >= s.installed[e.section]).all()
    assert not (e.at >= s.retired[e.section]).any()
    assert ((e.offset_m >= 0) & (e.offset_m <= s.length_m[e.section])).all()


def test_a_replacement_takes_the_place_on_the_day_the_old_cable_goes(walked):
    fleet, history = walked
    s = history.sections
    first = len(fleet.sections.loop)
    gone = {(a, b, c) for a, b, c in zip(s.loop, s.position, s.retired, strict=True) if not np.isnan(c)}
    assert len(s.loop) > first
    for row in range(first, len(s.loop)):
        assert (s.loop[row], s.position[row], s.installed[row]) in gone
        assert s.cable_class[row] == truth.REPLACEMENT_CLASS
    assert len(set(s.section_id)) == len(s.section_id)


def test_never_two_sections_in_service_at_one_place(walked):
    _, history = walked
    s = history.sections
    for place in {(a, b) for a, b in zip(s.loop, s.position, strict=True)}:
        rows = np.flatnonzero((s.loop == place[0]) & (s.position == place[1]))
        rows = rows[np.argsort(s.installed[rows])]
        assert (s.retired[rows[:-1]] == s.installed[rows[1:]]).all()


def test_body_failures_follow_the_power_law_of_their_class():
    """Expected count by the closed form, 30 rate / shape x (age / 30)^shape x km, within four Poisson deviations."""
    fleet = make_fleet(2000, np.random.default_rng(5), with_stories=False)
    ones = np.ones(len(fleet.sections.loop))
    s = dataclasses.replace(fleet.sections, factor=ones)
    start, end = (float(np.datetime64(f"{y}-01-01", "s").astype(np.int64)) for y in (2006, 2016))
    events = draw_body_failures(s, start, end, np.random.default_rng(6))
    for row in (truth.HMWPE, truth.XLPE_BARE, truth.XLPE_JACKETED):
        facts = truth.CLASSES[row]
        own = s.cable_class == row
        a, b = ((t - s.installed[own]) / YEAR_S for t in (start, end))
        expected = (
            facts.rate_at_30
            / 100
            * 30
            / facts.shape
            * ((b / 30) ** facts.shape - (a / 30) ** facts.shape)
            * s.length_m[own]
            / 1000
        ).sum()
        counted = (s.cable_class[events.section] == row).sum()
        assert abs(counted - expected) < 4 * np.sqrt(expected)


def test_injection_cuts_the_failures_that_follow_to_a_quarter():
    fleet = make_fleet(1500, np.random.default_rng(7), with_stories=False)
    s = dataclasses.replace(fleet.sections, factor=np.ones(len(fleet.sections.loop)))
    start, end = (float(np.datetime64(f"{y}-01-01", "s").astype(np.int64)) for y in (2015, 2025))
    plain = len(draw_body_failures(s, start, end, np.random.default_rng(8)).at)
    injected = dataclasses.replace(s, injected=np.full(len(s.loop), start - 1))
    treated = len(draw_body_failures(injected, start, end, np.random.default_rng(9)).at)
    assert abs(treated - 0.25 * plain) < 4 * np.sqrt(0.25 * plain + plain / 16)


def test_splices_fail_by_their_two_hazards():
    n = 200_000
    repairs = Events(np.zeros(n), np.zeros(n, dtype=int), np.zeros(n), np.full(n, BODY))
    failures = draw_splice_failures(repairs, np.random.default_rng(10))
    years = failures.at / YEAR_S
    assert 1.49 < len(years) / n < 1.51
    within_two = 1 - np.exp(-2 * truth.SPLICE_HAZARD_YOUNG)
    within_ten = 1 - np.exp(-2 * truth.SPLICE_HAZARD_YOUNG - 8 * truth.SPLICE_HAZARD_LATER)
    assert abs((years < 2).mean() - within_two) < 0.002
    assert abs((years < 10).mean() - within_ten) < 0.002


def test_season_has_mean_one():
    assert abs(truth.season_factor(np.arange(1, 366)).mean() - 1) < 1e-3


def test_no_programme_means_nothing_retired():
    fleet = make_fleet(60, np.random.default_rng(11))
    storms = draw_storm_days(np.random.default_rng(12))
    history = make_history(fleet, storms, np.random.default_rng(13), with_programmes=False)
    assert np.isnan(history.sections.retired).all()
    assert np.isnan(history.sections.injected).all()


def test_four_to_seven_storm_days_a_year():
    year = draw_storm_days(np.random.default_rng(14)).astype("datetime64[s]").astype("datetime64[Y]")
    counts = np.unique(year, return_counts=True)[1]
    assert len(counts) == 20
    assert counts.min() >= 4
    assert counts.max() <= 7
