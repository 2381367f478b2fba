"""The benchmark of survival, small: its fleet has the truth it says, and both steps run on its tables."""

from __future__ import annotations

import numpy as np

from tests.benchmarks import survival_speed


def test_the_shapes_of_the_invented_fleet_are_found() -> None:
    fleet = survival_speed.make_fleet(50_000)
    found = survival_speed.fit_ours(fleet)[:, 0]
    truth = np.linspace(1.5, 3.0, survival_speed.CLASSES)
    # some 660 failures a class: a standard error of 4 to 5 %, wider for the multipliers of the loops
    assert np.abs(found / truth - 1.0).max() < 0.25
    assert abs((found / truth).mean() - 1.0) < 0.05


def test_both_steps_run_on_its_tables() -> None:
    seconds = survival_speed.whole(600, 600)
    assert seconds.keys() == {"survival", "replacement"}
