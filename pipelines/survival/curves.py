"""Failure curves of all classes at once: a power law each, and what stands in for a class with too few failures."""

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from pipelines.survival import chunks
from pipelines.survival.power_law import YOUNGEST_YEARS, ShapePrior, fit_shape, summarise_classes
from shared.arrays import Floats, Integers

FLEET_PRIOR = ShapePrior(1.5, 0.5)
CLASS_SPREAD = 0.5


@dataclass(frozen=True)
class PowerLawCurves:
    """Expected failures of a kilometre of each class: rate x age ** shape.

    variation: coefficient of variation of the class's level, from its number of failures.
    """

    shape: Floats
    rate: Floats
    variation: Floats

    def cumulative(self, codes: Integers, ages_years: Floats) -> Floats:
        """Expected failures of one kilometre up to each age, class by code."""
        powers = np.maximum(ages_years, 0.0)
        powers **= self.shape[codes]
        powers *= self.rate[codes]
        return np.asarray(powers)

    def intensity(self, codes: Integers, ages_years: Floats) -> Floats:
        """Failures per kilometre and year at each age."""
        ages = np.maximum(ages_years, YOUNGEST_YEARS)
        return np.asarray(self.rate[codes] * self.shape[codes] * ages ** (self.shape[codes] - 1.0))


class Curves(Protocol):
    """Failures of one kilometre of several kinds of cable, by code.

    variation: coefficient of variation of the level of each.
    """

    @property
    def variation(self) -> Floats: ...

    def cumulative(self, codes: Integers, ages_years: Floats) -> Floats:
        """Expected failures up to each age."""

    def intensity(self, codes: Integers, ages_years: Floats) -> Floats:
        """Expected failures per year at each age."""


def expect_between(curves: Curves, codes: Integers, low: Floats, high: Floats) -> Floats:
    """Expected failures of one kilometre of each code between two ages, in years."""
    expected = np.empty(len(codes))
    for part in chunks.split(len(codes)):
        up_to_low, up_to_high = curves.cumulative(codes[part], np.stack([low[part], high[part]]))
        np.subtract(up_to_high, up_to_low, out=expected[part])
    return expected


def fit_power_law_curves(
    codes: Integers,
    classes: int,
    entry_years: Floats,
    exit_years: Floats,
    km: Floats,
    event_codes: Integers,
    event_ages_years: Floats,
    event_weights: Floats,
    min_failures: int,
) -> PowerLawCurves:
    """A power law for every class, by maximum likelihood; classes with few failures share a shape.

    Parameters
    ----------
    codes, entry_years, exit_years, km
        Class, ages in view (years) and length (km) of each window.
    classes
        How many classes there are.
    event_codes, event_ages_years, event_weights
        Class, age (years) and weight of each failure.
    min_failures
        Classes with fewer take the shape common to all, and a level shrunk towards the fleet's as if half a failure of
        the fleet's rate had been seen besides.

    Notes
    -----
    A few failures leave a shape wide open, and a wild shape runs away when carried forward. So the fleet's shape has a
    prior about 1.5 (common practice, no source), and the shape of a class one about the fleet's; with some dozens of
    failures neither matters. The table of classes shows the likelihood's own shape and limits.

    Checked by: tests/unit/test_survival_power_law.py
    """
    data = summarise_classes(codes, classes, entry_years, exit_years, km, event_codes, event_ages_years, event_weights)
    counts = np.array([d.failures for d in data])
    shared = fit_shape(data, FLEET_PRIOR) if counts.sum() >= 2 else FLEET_PRIOR.centre
    exposure = np.array([d.moments(shared)[0] for d in data])
    fleet = max(counts.sum(), 0.5) / exposure.sum() if exposure.sum() > 0 else 0.0
    shape = np.full(classes, shared)
    rate = (counts + 0.5) / (exposure + 0.5 / fleet) if fleet > 0 else np.zeros(classes)
    for code, d in enumerate(data):
        if counts[code] >= min_failures:
            shape[code] = fit_shape([d], ShapePrior(shared, CLASS_SPREAD))
            rate[code] = counts[code] / d.moments(float(shape[code]))[0]
    return PowerLawCurves(shape, rate, 1.0 / np.sqrt(counts + 0.5))
