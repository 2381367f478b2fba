"""Which instruments and classes can be told apart."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipelines.locating import line
from pipelines.locating.identifiability import common_scale_sd, condition_number, link_classes_and_instruments
from pipelines.locating.line import SLOWNESS_PRIOR_SD, State
from pipelines.locating.mixed_model import solve, sum_fixed_by_group, sum_products
from pipelines.locating.velocity import fit_velocity
from tests.locating_fleets import Design, made_up_fit, make_readings

# instrument 2 alone on class 2; the others share classes 0 and 1
ALONE = Design(classes=3, instruments=4, reads=((0,), (0, 1), (2,), (1,)), dug=20)


def fit(design: Design, seed: int = 51):
    return fit_velocity(make_readings(design, np.random.default_rng(seed))[0], tails_recorded=True)


def test_the_graph_of_who_read_what() -> None:
    links = link_classes_and_instruments(fit(ALONE))
    component = links.groupby("instrument")["component"].first()
    assert component[0] == component[1] == component[3] != component[2]
    assert not links.loc[links["instrument"] == 2, "is_shared"].any()
    assert links.loc[links["instrument"] == 0, "is_shared"].all()


def test_instruments_that_share_no_class_are_not_linked() -> None:
    links = link_classes_and_instruments(fit(Design(classes=2, instruments=4, reads=((1,), (1,), (0,), (0,)), dug=20)))
    component = links.groupby("instrument")["component"].first()
    assert component[0] == component[1] != component[2] == component[3]


def test_alone_on_its_class_nothing_is_known_but_the_prior() -> None:
    known = common_scale_sd(fit(ALONE))
    assert known[2] == pytest.approx(SLOWNESS_PRIOR_SD)
    assert known[[0, 1, 3]].max() < 0.02


def test_more_readings_of_its_own_do_not_part_an_instrument_from_its_class() -> None:
    many = Design(classes=3, instruments=4, reads=((0,), (0, 1), (2,), (1,)), dug=120)
    assert common_scale_sd(fit(many))[2] == pytest.approx(SLOWNESS_PRIOR_SD)


def test_a_class_hard_to_tell_apart_has_a_large_condition_number() -> None:
    shared = condition_number(fit(Design(classes=3, instruments=4, dug=20)))
    assert 1.0 <= shared < 1000.0


def test_the_condition_of_two_classes_is_that_of_their_correlation() -> None:
    """At the heaviest point; (1 + |r|) / (1 - |r|)."""
    found = made_up_fit()
    covariance = found.points[1].inverse
    r = abs(covariance[0, 1]) / (covariance[0, 0] * covariance[1, 1]) ** 0.5
    assert condition_number(found) == pytest.approx((1 + r) / (1 - r))


def fit_of(paths: list[tuple[int, dict[int, float], float, int]]):
    """A fit of readings given as instrument, metres by class, probability to be right, and how many of them."""
    each = [path[:3] for path in paths for _ in range(path[3])]
    parts = [(row, k, m) for row, (_, path, _) in enumerate(each) for k, m in path.items()]
    rows, n = np.resize(np.arange(6), len(each)), len(each)
    found = made_up_fit()
    readings = replace(
        found.readings,
        time_m=found.readings.time_m[rows],
        length_m=np.array([sum(path.values()) for _, path, _ in each]),
        instrument=np.array([i for i, _, _ in each]),
        part_row=np.array([p[0] for p in parts]),
        part_class=np.array([p[1] for p in parts]),
        part_m=np.array([p[2] for p in parts]),
        run=np.arange(n),
        classes=("A", "B", "C"),
        instruments=("I1", "I2", "I3", "I4"),
    )
    return replace(found, readings=readings, right=np.array([right for _, _, right in each]))


def test_edges_count_right_readings_with_a_fifth_of_their_path_in_the_class() -> None:
    """Others make a tie from three and a tenth of the class's readings on: 5 of 20, 3.4 of 4 no more."""
    links = link_classes_and_instruments(
        fit_of(
            [
                (0, {0: 50.0}, 0.9, 15),
                (0, {0: 50.0}, 0.5, 9),  # as likely wrong as right
                (-1, {0: 50.0}, 0.9, 9),  # by nobody on record
                (1, {0: 20.0, 1: 80.0}, 0.9, 5),  # a fifth counts
                (2, {0: 19.0, 2: 81.0}, 0.9, 3),  # less does not
                (3, {2: 80.0}, 0.9, 2),  # two are no edge, but they are two of the class
            ]
        )
    )
    found = links[["instrument", "cable_class", "readings", "is_shared"]].to_numpy().tolist()
    assert found == [[0, 0, 15, True], [1, 0, 5, True], [1, 1, 5, False], [2, 2, 3, False]]
    component = links["component"].tolist()
    assert component[0] == component[1] == component[2] != component[3]
    for others, is_shared in ((5, True), (4, False)):
        links = link_classes_and_instruments(
            fit_of([(0, {0: 9.0}, 0.9, 15 if others == 5 else 8), (1, {0: 9.0}, 0.9, others)])
        )
        assert links.set_index("instrument").loc[0, "is_shared"] == is_shared
    # 4 of 10 are a tie (3 + 1), 3 of 4 of them are not (3 + 0.4)
    for own, others, is_shared in ((6, 4, True), (7, 4, False), (3, 4, True), (30, 3, False)):
        links = link_classes_and_instruments(fit_of([(0, {0: 9.0}, 0.9, own), (1, {0: 9.0}, 0.9, others)]))
        assert links.set_index("instrument").loc[0, "is_shared"] == is_shared


def test_what_others_know_is_the_precision_of_a_common_shift_without_the_instrument() -> None:
    """Dense matrices: readings of the others alone, their errors of scale and zero in the covariance."""
    readings, _ = make_readings(
        Design(classes=2, instruments=3, dug=4, far_end=2, known=2, reads=((1,), (0, 1), (0, 1))),
        np.random.default_rng(8),
    )
    readings = replace(readings, run=np.arange(len(readings)) // 2)
    state = State(np.array([1.02, 0.95]), 0.02, 0.3, np.array([0.01, 0.0, -0.02]), np.array([0.0, 1.2, 0.0]))
    design = line.linearise(readings, state, readings.time_m * 0, readings.length_m, *line.priors(2, True, True))
    weight, run_variance = np.random.default_rng(9).uniform(0.1, 0.6, len(readings)), 0.01**2
    spread = np.diag([0.005, 0.6])
    products = sum_products(design, weight, run_variance)
    solution = solve(products, design, np.array([np.linalg.inv(spread**2)] * 3))
    worse = replace(solution, inverse=4 * solution.inverse)
    found = replace(
        made_up_fit(),
        readings=readings,
        state=state,
        points=(worse, solution),
        own=sum_fixed_by_group(design, weight, run_variance),
        right=np.ones(len(readings)),
    )
    x = np.zeros((len(readings), 4))
    x[design.row, design.column] = design.value
    known = common_scale_sd(found)
    links = link_classes_and_instruments(found)
    for i in range(3):
        others = readings.instrument != i
        z = np.column_stack([design.scale, design.zero])
        same = readings.instrument[:, None] == readings.instrument
        runs = (readings.run[:, None] == readings.run) & same
        rows = (
            np.diag(1 / weight)
            + same * (z @ spread**2 @ z.T)
            + runs * run_variance * np.outer(design.scale, design.scale)
        )
        precision = x[others].T @ np.linalg.solve(rows[np.ix_(others, others)], x[others]) + np.diag(
            design.prior_precision
        )
        classes = links.loc[(links["instrument"] == i) & links["is_shared"], "cable_class"].to_numpy()
        slowness = state.slowness[classes]
        block = np.linalg.inv(precision)[np.ix_(classes, classes)]
        assert known[i] == pytest.approx((slowness @ np.linalg.solve(block, slowness)) ** -0.5, rel=1e-6)
        assert 0 < known[i] < 0.1
    # readings that say next to nothing of a class at 0.95: 0.3 / 0.95, which is worse than the prior
    solution = solve(sum_products(design, 1e-12 * weight, 0.0), design, np.array([np.linalg.inv(spread**2)] * 3))
    vague = replace(found, points=(solution, solution), own=sum_fixed_by_group(design, 1e-12 * weight, 0.0))
    assert common_scale_sd(vague)[0] == SLOWNESS_PRIOR_SD == 0.3
