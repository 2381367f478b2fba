"""The fit beside simpler ways, on the same readings in one run: error of the velocity, of the window, and time.

python -m tests.benchmarks.locating_fit           the comparison, then 200,000 readings
python -m tests.benchmarks.locating_fit --small   a few fleets, as the tests run it
"""

from __future__ import annotations

import sys
import time
import warnings
from collections.abc import Callable

import numpy as np
import pandas as pd

from pipelines.locating import line
from pipelines.locating.readings import REFERENCE_PCT, Readings, keep_readings
from pipelines.locating.velocity import fit_velocity
from tests.locating_fleets import Design, make_readings

# Dug readings alone and no slack, so that every way estimates the same thing; one instrument reads 3 m far. Half of
# the readings are fitted, the other half, gross errors left out, is what the windows are tried on
PLAIN = Design(
    classes=3, instruments=6, dug=40, far_end=0, known=0, slack=0.0, paced_share=0.3, planted_zero_m={1: 3.0}
)
DESIGNS = {"no gross errors": PLAIN, "a tenth gross errors": Design(**{**PLAIN.__dict__, "wrong_share": 0.1})}


Found = tuple[np.ndarray, Callable[[Readings], np.ndarray]]
"""Slowness by class, and how later readings are turned into distances."""


def first_class(readings: Readings) -> np.ndarray:
    return readings.part_class[np.searchsorted(readings.part_row, np.arange(len(readings)))]


def with_slowness(slowness: np.ndarray) -> Found:
    """A way that knows velocities and no instruments."""
    return slowness, lambda later: later.time_m / slowness[first_class(later)]


def by_ratio_of_means(readings: Readings) -> Found:
    k = first_class(readings)
    return with_slowness(
        np.array(
            [readings.time_m[k == c].sum() / readings.length_m[k == c].sum() for c in range(len(readings.classes))]
        )
    )


def by_mean_percent_error(readings: Readings) -> Found:
    k, ratio = first_class(readings), readings.time_m / readings.length_m
    return with_slowness(np.array([ratio[k == c].mean() for c in range(len(readings.classes))]))


def by_least_squares_through_the_origin(readings: Readings) -> Found:
    k, x, y = first_class(readings), readings.length_m, readings.time_m
    return with_slowness(
        np.array([(x[k == c] @ y[k == c]) / (x[k == c] @ x[k == c]) for c in range(len(readings.classes))])
    )


def by_mixed_lm(readings: Readings) -> Found:
    """statsmodels MixedLM: the same fixed effects, offset and scale random by instrument, one noise for all."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    k, classes = first_class(readings), len(readings.classes)
    x = np.column_stack([np.where(k == c, readings.length_m, 0.0) for c in range(classes)] + [np.ones(len(k))])
    random = np.column_stack([np.ones(len(k)), readings.length_m])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fitted = MixedLM(readings.time_m, x, groups=readings.instrument, exog_re=random).fit(reml=True)
        own = np.array([np.asarray(fitted.random_effects[i]) for i in range(len(readings.instruments))])
    fixed = np.asarray(fitted.fe_params)

    def correct(later: Readings) -> np.ndarray:
        of = own[later.instrument]
        return (later.time_m - fixed[-1] - of[:, 0]) / (fixed[first_class(later)] + of[:, 1])

    return fixed[:classes], correct


def by_ours(readings: Readings) -> Found:
    state = fit_velocity(readings, tails_recorded=True).state

    def correct(later: Readings) -> np.ndarray:
        left = later.time_m - state.tail_m - line.effects_of(later, state.zero_m)
        slope = state.slowness[first_class(later)] * (1 + state.slack) * (1 + line.effects_of(later, state.scale))
        return left / slope

    return state.slowness, correct


WAYS: dict[str, Callable[[Readings], Found]] = {
    "this fit": by_ours,
    "ratio of means": by_ratio_of_means,
    "mean percent error": by_mean_percent_error,
    "least squares through the origin": by_least_squares_through_the_origin,
    "statsmodels MixedLM": by_mixed_lm,
}


def compare(fleets: int) -> pd.DataFrame:
    """Error of the velocity in points of c, half width of an 80 % window in metres, and milliseconds a fleet."""
    rows = []
    for name, design in DESIGNS.items():
        made = [make_readings(design, np.random.default_rng([7, n])) for n in range(fleets)]
        fitted = [keep_readings(readings, np.arange(len(readings)) % 2 == 0) for readings, _ in made]
        later = [
            keep_readings(readings, (np.arange(len(readings)) % 2 == 1) & ~truth.is_wrong) for readings, truth in made
        ]
        for way, fit in WAYS.items():
            start = time.perf_counter()
            found = [fit(readings) for readings in fitted]
            spent = time.perf_counter() - start
            errors = np.concatenate(
                [
                    REFERENCE_PCT / slowness - truth.velocity_pct
                    for (slowness, _), (_, truth) in zip(found, made, strict=True)
                ]
            )
            off = np.concatenate(
                [correct(readings) - readings.length_m for (_, correct), readings in zip(found, later, strict=True)]
            )
            rows.append(
                {
                    "readings": name,
                    "way": way,
                    "bias points": errors.mean(),
                    "rms points": np.sqrt(np.mean(errors**2)),
                    "80 % window +- m": np.quantile(np.abs(off), 0.8),
                    "ms a fleet": 1000 * spent / fleets,
                }
            )
    return pd.DataFrame(rows)


def large_readings(instruments: int, classes: int = 30, each: int = 50) -> Readings:
    """Readings of many instruments on eight of the classes each, three in ten over two classes."""
    rng = np.random.default_rng(5)
    own = min(8, classes)
    reads = tuple(tuple(sorted(rng.choice(classes, own, replace=False))) for _ in range(instruments))
    design = Design(
        classes=classes,
        instruments=instruments,
        dug=each * 3 // 5,
        far_end=each * 3 // 10,
        known=each // 10,
        paced_share=0.3,
        wrong_share=0.05,
        mixed_share=0.3,
        reads=reads,
    )
    return make_readings(design, rng)[0]


def main(arguments: list[str]) -> None:
    is_small = "--small" in arguments
    print(compare(3 if is_small else 40).round(3).to_string(index=False))
    size = large_readings(12, 5, 20)  # what MixedLM can do in seconds
    times = {}
    for way in ("this fit", "statsmodels MixedLM"):
        start = time.perf_counter()
        WAYS[way](size)
        times[way] = time.perf_counter() - start
    print(f"{len(size):,} readings: MixedLM takes {times['statsmodels MixedLM'] / times['this fit']:.1f} times as long")
    if not is_small:
        big = large_readings(500)
        wall, processor = time.perf_counter(), time.process_time()
        fit = fit_velocity(big, tails_recorded=True)
        print(
            f"{len(big):,} readings, {len(big.classes)} classes, {len(big.instruments)} instruments: "
            f"{time.perf_counter() - wall:.1f} s ({time.process_time() - processor:.1f} s of processor), "
            f"{fit.rounds} rounds"
        )


if __name__ == "__main__":
    main(sys.argv[1:])
