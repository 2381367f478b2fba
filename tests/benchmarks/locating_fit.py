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

from pipelines.locating.readings import REFERENCE_PCT, Readings
from pipelines.locating.velocity import fit_velocity
from tests.locating_fleets import Design, make_readings

# Dug readings alone and no slack, so that every way estimates the same thing; one instrument reads 3 m far
PLAIN = Design(
    classes=3, instruments=6, dug=20, far_end=0, known=0, slack=0.0, paced_share=0.3, planted_zero_m={1: 3.0}
)
DESIGNS = {
    "no gross errors": PLAIN,
    "a tenth gross errors": Design(**{**PLAIN.__dict__, "wrong_share": 0.1}),
}


def first_class(readings: Readings) -> np.ndarray:
    return readings.part_class[np.searchsorted(readings.part_row, np.arange(len(readings)))]


def by_ratio_of_means(readings: Readings) -> np.ndarray:
    k = first_class(readings)
    return np.array(
        [readings.time_m[k == c].sum() / readings.length_m[k == c].sum() for c in range(len(readings.classes))]
    )


def by_mean_percent_error(readings: Readings) -> np.ndarray:
    k, ratio = first_class(readings), readings.time_m / readings.length_m
    return np.array([ratio[k == c].mean() for c in range(len(readings.classes))])


def by_least_squares_through_the_origin(readings: Readings) -> np.ndarray:
    k, x, y = first_class(readings), readings.length_m, readings.time_m
    return np.array([(x[k == c] @ y[k == c]) / (x[k == c] @ x[k == c]) for c in range(len(readings.classes))])


def by_mixed_lm(readings: Readings) -> np.ndarray:
    """statsmodels MixedLM: the same fixed effects, offset and scale random by instrument, one noise for all."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    k = first_class(readings)
    x = np.column_stack(
        [np.where(k == c, readings.length_m, 0.0) for c in range(len(readings.classes))] + [np.ones(len(k))]
    )
    random = np.column_stack([np.ones(len(k)), readings.length_m])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fitted = MixedLM(readings.time_m, x, groups=readings.instrument, exog_re=random).fit(reml=True)
    return np.asarray(fitted.fe_params)[: len(readings.classes)]


def by_ours(readings: Readings) -> np.ndarray:
    return fit_velocity(readings, tails_recorded=True).state.slowness


WAYS: dict[str, Callable[[Readings], np.ndarray]] = {
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
        held_out = [
            make_readings(Design(**{**design.__dict__, "wrong_share": 0.0}), np.random.default_rng([7, n]))
            for n in range(fleets)
        ]
        for way, fit in WAYS.items():
            errors, windows, start = [], [], time.perf_counter()
            slowness = [fit(readings) for readings, _ in made]
            spent = time.perf_counter() - start
            for found, (_, truth), (right, _) in zip(slowness, made, held_out, strict=True):
                errors += (REFERENCE_PCT / found - truth.velocity_pct).tolist()
                # what a crew would be off by with that velocity alone, no offsets taken off: the same for every way
                off = right.time_m / found[first_class(right)] - right.length_m
                windows.append(np.quantile(np.abs(off), 0.8))
            rows.append(
                {
                    "readings": name,
                    "way": way,
                    "bias points": np.mean(errors),
                    "rms points": np.sqrt(np.mean(np.square(errors))),
                    "80 % of errors within m": np.mean(windows),
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
