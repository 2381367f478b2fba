"""Many fleets with known truth: are shapes and forecasts unbiased, do limits hold the truth as often as they say?

Small by default; LOOPWEAR_FULL=1 runs 1,000 fleets and prints the figures (about an hour on one core).
"""

from __future__ import annotations

import os

import numpy as np
import pytest
from scipy.stats import norm

from pipelines.survival.model import ModelChoices, fit_failure_model
from pipelines.survival.rates import tabulate_classes
from shared.settings import Settings
from tests.survival_fleets import AS_OF, CLASSES, make_fleet

SETTINGS = Settings().override("general", as_of=AS_OF)
FLEETS = 1000 if os.environ.get("LOOPWEAR_FULL") == "1" else 12


def study_shapes(fleets: int) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """Fitted over true shape and number of failures by class (no multipliers), and whether limits held the truth."""
    found: dict[str, list[tuple[float, float]]] = {name: [] for name in CLASSES}
    held = []
    for seed in range(fleets):
        plain = make_fleet(seed, loops=120, loop_variance=0.0, section_variance=0.0)
        classes = tabulate_classes(plain.history, SETTINGS).set_index("cable_class")
        for name, (true, _) in CLASSES.items():
            row = classes.loc[name]
            if np.isfinite(row["shape"]):
                found[name].append((row["shape"] / true, row["failures"]))
                held.append(row["shape_lo"] < true < row["shape_hi"])
    return {name: np.array(rows) for name, rows in found.items()}, np.array(held, dtype=float)


def study(fleets: int) -> dict[str, np.ndarray]:
    """Forecasts against what is truly to be expected, and how often limits held it."""
    ratio, sections, loops = [], [], []
    for seed in range(fleets):
        fleet = make_fleet(10_000 + seed, loops=120)
        model = fit_failure_model(fleet.history, SETTINGS, ModelChoices("power_law"))
        forecast, truth = model.forecast(5.0).set_index("section_id"), fleet.true_expected(5.0)
        truth = truth.loc[forecast.index]
        ratio.append(forecast["expected_failures"].sum() / truth.sum())
        lo, hi = forecast["expected_failures_lo"], forecast["expected_failures_hi"]
        sections.append(((lo < truth) & (truth < hi)).mean())
        by_loop = model.forecast_groups(5.0, "loop_id").set_index("loop_id")
        true_loop = truth.groupby(forecast["loop_id"]).sum().loc[by_loop.index]
        inside = (by_loop["expected_failures_lo"] < true_loop) & (true_loop < by_loop["expected_failures_hi"])
        loops.append(inside.mean())
    return {"forecast": np.array(ratio), "sections held": np.array(sections), "loops held": np.array(loops)}


@pytest.mark.slow
def test_shapes_are_unbiased_and_their_limits_hold(capsys) -> None:
    """Three times as many fleets: a shape is soon fitted, and an old class seen over a few years leaves it loose.

    With n failures maximum likelihood puts a shape too high by about n / (n - 1) (time-truncated samples; MIL-HDBK-189,
    from memory): the smallest class is printed beside that, and held to nothing.
    """
    found, held = study_shapes(3 * FLEETS)
    errors = {name: rows[:, 0].std(ddof=1) / np.sqrt(len(rows)) for name, rows in found.items()}
    with capsys.disabled():
        print()
        for name, rows in found.items():
            n = rows[:, 1].mean()
            print(
                f"  shape of {name}: {rows[:, 0].mean():.4f} of the truth (standard error {errors[name]:.4f}, "
                f"{len(rows)} fleets of {n:.0f} failures, n / (n - 1) = {n / (n - 1):.3f})"
            )
        print(f"  shape held: {held.mean():.4f} ({len(held)} limits)")
    slack = norm.ppf(0.999) if FLEETS < 1000 else 0.0
    for name, rows in found.items():
        if rows[:, 1].mean() > 50:
            assert abs(rows[:, 0].mean() - 1.0) < 0.02 + slack * errors[name], name
    assert abs(held.mean() - 0.90) < 0.03 + slack * 0.3 / np.sqrt(len(held))


@pytest.mark.slow
def test_bias_and_coverage(capsys) -> None:
    found = study(FLEETS)
    with capsys.disabled():
        print()
        for name, values in found.items():
            error = values.std(ddof=1) / np.sqrt(len(values))
            print(f"  {name}: mean {values.mean():.4f} (standard error {error:.4f}, n {len(values)})")
    slack = norm.ppf(0.999)

    def near(name: str, low: float, high: float) -> bool:
        values = found[name]
        error = slack * values.std(ddof=1) / np.sqrt(len(values)) if FLEETS < 1000 else 0.0
        return low - error <= values.mean() <= high + error

    assert near("forecast", 0.98, 1.02)
    for name in ("sections held", "loops held"):
        assert near(name, 0.87, 0.93), name
