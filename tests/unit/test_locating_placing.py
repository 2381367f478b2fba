"""Placing a reading: against a slow walk of one reading at a time, and its variance against differences."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pandas as pd
import pytest

from pipelines.locating.effects import Effects, describe_effects, read_effects, store_effects
from pipelines.locating.instrument_levels import still_levels
from pipelines.locating.line import line as line_of_readings
from pipelines.locating.noise import MEASURED_LENGTH_SHARE, SATELLITE_M
from pipelines.locating.placing import Placed, place_readings
from pipelines.locating.ways import Ways
from tests.locating_fleets import as_it_stands, made_up_fit, mixture_covariance

FLEET = {
    "noise_constant_m": 0.5, "noise_growing": 0.02, "noise_dig_share2": 1.3e-4, "noise_dig_m2": 0.2,
    "usual_tail_m": 1.5, "usual_tail_per_m": 0.02, "usual_tail_variance_m2": 0.8, "usual_tail_variance_per_m": 0.01,
    "usual_tails": 1.0, "usual_tails_per_m": 0.012,
}  # fmt: skip


def spread(rng: np.random.Generator, sizes: np.ndarray) -> np.ndarray:
    """A covariance of these sizes."""
    root = rng.normal(0, 1, (len(sizes), len(sizes))) / 2 + np.eye(len(sizes))
    return root @ root.T * np.outer(sizes, sizes)


def made_effects(rng: np.random.Generator) -> Effects:
    """Two classes and any other, two instruments and one never seen."""
    sizes = np.array([0.01, 0.01, 0.02, 0.005, 0.2])
    own = np.array([[0.0, 0.0, 0.0], [0.02, 0.8, 0.006], [-0.015, -0.3, 0.0]])
    whole = [spread(rng, np.concatenate([[0.006, 0.3, 0.002], sizes])) for _ in own]
    crossed = np.array([w[:3, 3:] for w in whole])
    crossed[:, 2] = crossed[0] = 0.0
    return Effects(
        classes=("A", "B"),
        instruments=("", "I1", "I2"),
        slowness=np.array([1.02, 0.93, 0.975]),
        slack=0.02,
        tail_m=0.4,
        fixed_covariance=whole[0][3:, 3:],
        own=own,
        own_covariance=np.array([w[:3, :3] for w in whole]),
        own_with_fixed=crossed / 10,
        factor=np.array([1.0, 0.8, 1.5]),
        terms=dict(FLEET),
    )


def draw_ways(rng: np.random.Generator, n: int, *, classes: int = 3, tails: bool = True) -> Ways:
    """Ways of one to six stretches: cable of some class, tails between."""
    parts = []
    for row in range(n):
        plan = [False, *(rng.random(rng.integers(0, 5)) < 0.6), True] if tails else [True] * rng.integers(1, 5)
        for is_route in plan:
            metres = (rng.uniform(2, 60), 0.0) if is_route else (0.0, rng.uniform(0, 4))
            parts.append((row, rng.integers(classes), *metres, not is_route))
    row, cable_class, route, tail, is_tail = (np.array(column) for column in zip(*parts, strict=True))
    return Ways(row.astype(np.int64), cable_class.astype(np.int64), route, tail, is_tail, n)


def place(effects: Effects, ways: Ways, time: np.ndarray, group: np.ndarray, *, is_tail_known: bool, **more) -> Placed:
    n = ways.rows
    given = {"years": np.zeros(n), "moved": (np.zeros(n), np.zeros(n)), "further_variance_m2": np.zeros(n), **more}
    return place_readings(effects, ways, time, group, is_tail_known=is_tail_known, **given)


def walk(
    effects: Effects, stretches: list[tuple], time: float, g: int, moved: tuple, known: bool
) -> tuple[float, float, int, bool]:  # fmt: skip
    """One reading, stretch by stretch: where it ends, the slope there, the class, and whether it is beyond."""
    usual = {name: 0.0 if known else value for name, value in FLEET.items() if name.startswith("usual")}
    scale = 1 + effects.own[g, 0] + moved[0]
    left = time - effects.own[g, 1] - moved[1] - usual["usual_tails"] * effects.tail_m
    left -= usual["usual_tail_m"] * effects.slowness[stretches[0][0]] * scale
    at = 0.0
    for number, (k, route, tail, is_tail) in enumerate(stretches):
        per_metre = scale * effects.slowness[k]
        slope = per_metre * (1 + effects.slack + usual["usual_tail_per_m"])
        slope += usual["usual_tails_per_m"] * effects.tail_m
        # of a tail its cable on record and what no record has
        whole = per_metre * tail + effects.tail_m if is_tail else slope * route
        is_last = number == len(stretches) - 1
        if left < whole or is_last:
            # within a tail nothing is gained along the route
            along = 0.0 if is_tail else max(left, 0.0) / slope
            return at + along, slope, k, is_last and along > route
        at, left = at + route, left - whole
    raise AssertionError


@pytest.mark.parametrize("known", [True, False])
def test_readings_end_where_a_slow_walk_ends(known: bool) -> None:
    """Tails and cable of several classes, instruments that moved, ends in the near tail, at a joint and beyond."""
    rng = np.random.default_rng(7)
    effects, n = made_effects(rng), 400
    ways = draw_ways(rng, n)
    whole = np.bincount(ways.row, weights=(ways.route_m + ways.tail_m), minlength=n)
    time, group = whole * rng.uniform(-0.1, 1.4, n), rng.integers(0, 3, n)
    moved = (rng.normal(0, 0.02, n), rng.normal(0, 1, n))
    found = place(effects, ways, time, group, is_tail_known=known, moved=moved)
    expected = []
    for i in range(n):
        own = ways.row == i
        stretches = list(
            zip(ways.cable_class[own], ways.route_m[own], ways.tail_m[own], ways.is_tail[own], strict=True)
        )
        expected.append(walk(effects, stretches, time[i], group[i], (moved[0][i], moved[1][i]), known))
    at, _, end_class, is_beyond = zip(*expected, strict=True)
    assert found.corrected_m == pytest.approx(np.array(at))
    assert found.end_class.tolist() == list(end_class)
    assert found.is_beyond.tolist() == list(is_beyond)
    assert (np.array(at) == 0).sum() > 20 and sum(is_beyond) > 50


def test_a_time_used_up_at_a_joint_ends_there() -> None:
    """The next section begins as the time is used up: its near tail lies behind the fault."""
    effects, cable = made_effects(np.random.default_rng(1)), np.array([0.0, 80.0, 0.0, 60.0])
    ways = Ways(np.zeros(4, dtype=np.int64), np.array([0, 0, 0, 1]), cable, np.array([2.0, 0, 5, 0]), cable == 0, 1)
    used, far_tail = 1.02 * (1.02 * 80 + 2) * 1.02 + 0.4 + 0.8, 1.02 * 1.02 * 5 + 0.4
    ends = [
        place(effects, ways, np.array([used + more]), np.array([1]), is_tail_known=True).corrected_m[0]
        for more in (-1.02 * 1.02 * 1.02, 1e-9, 2.0, far_tail - 1e-9, far_tail + 1.02 * 0.93 * 1.02 * 7)
    ]
    assert ends == pytest.approx([79.0, 80.0, 80.0, 80.0, 87.0])


def test_by_class_the_usual_tail_is_taken_off_and_widens_the_window() -> None:
    effects, n = made_effects(np.random.default_rng(2)), 3
    ways = Ways(np.arange(n), np.full(n, 1), np.full(n, 500.0), np.zeros(n), np.zeros(n, dtype=bool), n)
    time, group = np.array([40.0, 90.0, 200.0]), np.array([1, 2, 0])
    bare, usual = (place(effects, ways, time, group, is_tail_known=known) for known in (True, False))
    # usual tails of so long a path: 1.5 m and 2 cm a metre on record, of cable without slack, and 0.4 m of each beside
    per_metre, at = (1 + effects.own[group, 0]) * 0.93, usual.corrected_m
    tail = (1.5 + 0.02 * at) / 1.02 + 0.4 * (1 + 0.012 * at) / (1.02 * per_metre)
    assert at == pytest.approx(bare.corrected_m - tail)
    certain = replace(effects, terms=FLEET | {"usual_tail_variance_m2": 0.0, "usual_tail_variance_per_m": 0.0})
    without = place(certain, ways, time, group, is_tail_known=False)
    scatter = (0.8 + 0.01 * at) * 0.93**2 / (per_metre * 1.04 + 0.012 * 0.4) ** 2
    assert usual.se_m**2 == pytest.approx(without.se_m**2 + scatter)
    # a way of no tails, known to have none, is the same reading asked two ways
    untailed = replace(effects, terms=FLEET | {name: 0.0 for name in FLEET if name.startswith("usual")})
    same = place(untailed, ways, time, group, is_tail_known=False)
    assert (same.corrected_m, same.se_m) == (pytest.approx(bare.corrected_m), pytest.approx(bare.se_m))


def nudge(effects: Effects, name: str, group: int, by: float) -> Effects:
    """The effects with one of their terms moved."""
    names = ["A", "B", "other class"]
    if name in names:
        return replace(effects, slowness=effects.slowness + by * (np.arange(3) == names.index(name)))
    if name in ("slack", "tail_m"):
        return replace(effects, **{name: getattr(effects, name) + by})
    own = effects.own.copy()
    own[group, ("scale", "zero_m").index(name)] += by
    return replace(effects, own=own)


@pytest.mark.parametrize(("classes", "tails", "close"), [(1, False, 1e-5), (3, True, 5e-3)])
@pytest.mark.parametrize("known", [True, False])
def test_the_variance_is_that_of_the_delta_method(classes: int, tails: bool, close: float, known: bool) -> None:
    """Differences of the corrected distance by each term, through the whole covariance, and noise over the slope.

    Over several classes the slack's derivative is spread over the path in proportion, which is a small matter.
    """
    rng = np.random.default_rng(11)
    effects, n = made_effects(rng), 120
    ways = draw_ways(rng, n, classes=classes, tails=tails)
    whole = np.bincount(ways.row, weights=(ways.route_m + ways.tail_m), minlength=n)
    time, years, further = whole * rng.uniform(0.4, 1.3, n), rng.uniform(-1, 2, n), rng.uniform(0, 0.3, n)
    tried = 0
    for g in range(3):
        group = np.full(n, g)

        def placed(of: Effects, drift: float = 0.0, group: np.ndarray = group) -> Placed:
            # a drift moves what is read after the as-of day alone
            moved = (drift * np.maximum(years, 0), np.zeros(n))
            return place(
                of, ways, time, group, is_tail_known=known, years=years, moved=moved, further_variance_m2=further
            )

        found = placed(effects)
        names, step = ["scale", "zero_m", "rate", "A", "B", "other class", "slack", "tail_m"], 1e-6
        slopes, ends = [], []
        for name in names:
            low, high = (
                placed(effects, by) if name == "rate" else placed(nudge(effects, name, g, by)) for by in (-step, step)
            )
            slopes.append((high.corrected_m - low.corrected_m) / (2 * step))
            ends.append((low.end_class == found.end_class) & (high.end_class == found.end_class))
        gradient = np.array(slopes).T
        covariance = np.block(
            [
                [effects.own_covariance[g], effects.own_with_fixed[g]],
                [effects.own_with_fixed[g].T, effects.fixed_covariance],
            ]
        )
        by_zero = gradient[:, names.index("zero_m")]
        # of readings that end in cable, not in a tail: those of a tail gain nothing along the route
        ok, at = np.all(ends, axis=0) & (by_zero < -0.1), found.corrected_m
        tails = gradient[:, names.index("tail_m")] / np.where(ok, by_zero, 1.0)
        time_of = (time - tails * effects.tail_m - effects.own[g, 1]) / (1 + effects.own[g, 0])
        noise = (0.5**2 + (0.02 * time_of) ** 2) * effects.factor[g] + 1.3e-4 * time_of**2 + 0.2 + further
        if not known:
            noise = noise + (0.8 + 0.01 * at) * effects.slowness[found.end_class] ** 2
        expected = np.einsum("ni,ij,nj->n", gradient, covariance, gradient) + noise * by_zero**2
        assert found.se_m[ok] ** 2 == pytest.approx(expected[ok], rel=close)
        tried += int(ok.sum())
    assert tried > 150


def test_effects_come_back_from_their_tables_to_the_last_bit() -> None:
    effects = made_effects(np.random.default_rng(5))
    tables = store_effects(effects)
    back = read_effects(tables["fitted.locating_effects"], tables["fitted.locating_covariance"])
    for each in fields(Effects):
        ours, theirs = getattr(effects, each.name), getattr(back, each.name)
        if each.name == "own_with_fixed":  # a drift is not tied to the cable
            assert (theirs[:, :2] == ours[:, :2]).all() and not theirs[:, 2].any()
        elif each.name.endswith("covariance"):  # symmetric to the last bit, from the upper half
            assert (np.triu(theirs) == np.triu(ours)).all() and (theirs == np.swapaxes(theirs, -1, -2)).all()
        elif isinstance(ours, np.ndarray):
            assert (theirs == ours).all()
        else:
            assert theirs == ours
    assert effects.instrument_rows(pd.Series(["I2", None, "I9", "", "I1"])).tolist() == [2, 0, 0, 0, 1]


def test_effects_of_a_fit_written_out() -> None:
    """Classes and any other, slack, tail; instruments and one never seen; their covariance over the points."""
    fit = made_up_fit()
    levels = replace(
        still_levels(2), rate=np.array([0.006, 0.0]), moved=np.array([np.diag([1e-5, 0.02, 4e-6]), np.zeros((3, 3))])
    )
    fit = replace(fit, moved=levels.moved[:, :2, :2])
    found = as_it_stands(fit, levels).effects
    assert (found.classes, found.instruments) == (("A", "B"), ("", "I1", "I2"))
    assert found.slowness.tolist() == pytest.approx([1.02, 0.95, 0.985])
    assert (found.slack, found.tail_m) == (0.02, 0.3)
    assert found.own.tolist() == [[0, 0, 0], [0.01, 0.5, 0.006], [-0.02, 3.2, 0.0]]
    assert found.factor.tolist() == [1.0, 0.81, 1.44]
    # A, B, other class (mean of the two), slack, tail; scale and zero
    views = [np.eye(6)[0], np.eye(6)[1], np.array([0.5, 0.5, 0, 0, 0, 0]), *np.eye(6)[2:]]
    for group in (-1, 0, 1):
        whole = np.array([[mixture_covariance(fit, a[:4], a[4:], b[:4], b[4:], group) for b in views] for a in views])
        if group < 0:
            whole[2, 2] += 0.035**2  # of 1.02 and 0.95
            assert found.fixed_covariance == pytest.approx(whole[:5, :5])
            assert found.own_covariance[0, :2, :2] == pytest.approx(whole[5:, 5:])
            assert not found.own_covariance[0, 2].any() and not found.own_with_fixed[0].any()
        else:
            g = group + 1
            assert found.own_covariance[g, :2, :2] == pytest.approx(whole[5:, 5:] + fit.moved[group])
            assert found.own_covariance[g, 2].tolist() == [0, 0, levels.moved[group, 2, 2]]
            assert found.own_with_fixed[g, :2] == pytest.approx(whole[5:, :5])
    assert {name: value for name, value in found.terms.items() if name.startswith("noise")} == pytest.approx(
        {
            "noise_constant_m": 0.6,
            "noise_growing": 0.03,
            # of four digs one is paced, one placed by satellite
            "noise_dig_share2": MEASURED_LENGTH_SHARE + 0.05**2 / 4,
            "noise_dig_m2": SATELLITE_M**2 / 4,
        }
    )


def test_the_usual_tail_is_that_of_the_digs_or_of_the_terminals() -> None:
    fit = made_up_fit()
    names = [name for name in FLEET if name.startswith("usual")]

    def usual(of, tails: list[float]) -> list[float]:
        terms = describe_effects(of, still_levels(2), pd.Series(tails, dtype=float)).terms
        return [terms[name] for name in names]

    assert usual(fit, [1.0, 3.0, np.nan]) == [2.0, 0.0, 1.0, 0.0, 1.0, 0.0]  # four digs are too few
    assert usual(fit, []) == [0.0, 0.0, 0.0, 0.0, 1.0, 0.0]
    rng = np.random.default_rng(1)
    route = rng.uniform(10, 300, 4000)
    tail = 1.0 + 0.02 * route + rng.normal(0, np.sqrt(0.25 + 0.001 * route))
    n = len(route)
    plain = replace(
        fit.readings, time_m=route, length_m=route + tail, tail_m=tail, is_dug=np.ones(n, dtype=bool),
        tails=1.0 + 2 * rng.poisson(0.01 * route),
        is_paced=np.zeros(n, dtype=bool), is_satellite=np.zeros(n, dtype=bool),
    )  # fmt: skip
    # the first tail is a terminal's, 1 m and 0.25 m2; the rest grows with the path
    found = usual(replace(fit, readings=plain), [0.5, 1.5])
    assert found == pytest.approx([1.0, 0.02, 0.25, 0.001, 1.0, 0.02], rel=0.25)


def test_two_routes_to_one_number() -> None:
    """A reading made by the line of the fit, without noise, is placed where its true length says."""
    fit = made_up_fit()
    one = replace(fit, readings=replace(fit.readings, time_m=line_of_readings(fit.readings, fit.state)))
    dug = np.flatnonzero(fit.readings.is_dug)
    effects = as_it_stands(one).effects
    first = np.searchsorted(fit.readings.part_row, dug)
    route = fit.readings.part_m.copy()
    route[first] -= fit.readings.tail_m[dug]
    rows, classes, routes, tails = [], [], [], []
    for i, row in enumerate(dug):
        own = np.flatnonzero(fit.readings.part_row == row)
        rows += [i] * (1 + len(own))
        classes += [fit.readings.part_class[own[0]], *fit.readings.part_class[own]]
        routes += [0.0, *route[own]]
        # the fit takes recorded tails for cable with slack in it
        tails += [fit.readings.tail_m[row] * 1.02, *np.zeros(len(own))]
    is_tail = np.array(routes) == 0
    ways = Ways(np.array(rows), np.array(classes), np.array(routes), np.array(tails), is_tail, len(dug))
    found = place(effects, ways, one.readings.time_m[dug], fit.readings.instrument[dug] + 1, is_tail_known=True)
    assert found.corrected_m == pytest.approx(fit.readings.length_m[dug] - fit.readings.tail_m[dug])
