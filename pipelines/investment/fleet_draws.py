"""Within what limits do failures and money of any list of sections lie? Draws of the failure model's posterior.

Three things are uncertain, and each is drawn where it is shared:

* a section's own multiplier, beside what its loop shares: independent from section to section;
* what the sections of a loop share: one for the loop;
* the curve of a class: its level and, the further ahead, its growth with age: one each for all sections of the class.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.investment.lifetime import Lifetime
from pipelines.survival import treatment
from pipelines.survival.curves import CLASS_SPREAD
from pipelines.survival.model import FailureModel
from pipelines.survival.power_law import fit_power_law, summarise_classes
from shared.arrays import Floats, Integers

DRAWS = 2000
"""Draws: an end of a 90 % limit is then right to about 1.5 % of the limits' width."""


LIMITS = 0.9
"""Coverage of the limits of a shape from which its standard deviation is taken."""


@dataclass(frozen=True)
class FleetDraws:
    """What is uncertain of every section, and the draws of what its class shares.

    classes: names of the classes. own: variance of a section's relative multiplier beside what its loop shares.
    shared: variance of what a loop shares. loop, kind: loop and class of each section. level, growth: deviation
    of the logarithm of a class's level, and that of its growth by year (years x classes). standard: normal draws (2 x
    classes x draws), the same for every list, so that totals of one fleet move together. loops' chance is drawn anew
    for each list.
    """

    classes: list[str]
    own: Floats
    shared: Floats
    loop: Integers
    kind: Integers
    yearly: Floats
    level: Floats
    growth: Floats
    standard: Floats

    def draw(self, weights: Floats, growth: Floats, rng: np.random.Generator) -> Floats:
        """Draws of a total, given what each section is expected to add to it.

        Parameters
        ----------
        weights
            One a section, in expectation: failures, or money.
        growth
            Standard deviation of the logarithm of each class's growth, over the time that the total counts.
        rng
            Source of the draws.

        Notes
        -----
        Given the classes' curves the total is a gamma with its posterior mean and variance (exact for the sum of
        independent sections given what their loop shares); the curves move the part of each class by a lognormal with
        mean 1.

        Checked by: tests/simulated/test_investment_fleet_draws.py
        """
        by_class = np.bincount(self.kind, weights, len(self.level))
        by_loop = np.bincount(self.loop, weights, len(self.shared))
        total = float(weights.sum())
        if total <= 0.0:
            return np.zeros(self.standard.shape[2])
        variance = float(self.shared @ by_loop**2 + self.own @ weights**2)
        spread = self.level**2 + growth**2
        moved = self.level[:, None] * self.standard[0] + growth[:, None] * self.standard[1]
        curves = by_class @ np.exp(moved - spread[:, None] / 2.0)
        shape = total**2 / max(variance, 1e-12 * total**2)
        return np.asarray(curves * rng.gamma(shape, 1.0 / shape, len(curves)))

    def tabulate(self) -> pd.DataFrame:
        """What draws of any list's failures over the horizon need of the classes: rows of marts.class_draws.

        Notes
        -----
        With expected_failures e, own_variance and loop_variance of the sections of a list, its total in a draw is the
        sum of e times the level_factor of their class, times a gamma variate of mean 1 whose variance is the sum of
        own_variance e^2 and of loop_variance times each loop's squared sum of e, over the squared sum of e.

        Checked by: tests/simulated/test_investment_fleet_draws.py
        """
        factor = np.exp(self.level[:, None] * self.standard[0] - self.level[:, None] ** 2 / 2.0)
        classes, draws = factor.shape
        return pd.DataFrame(
            {
                "cable_class": np.repeat(np.array(self.classes, dtype=object), draws),
                "draw": np.tile(np.arange(1, draws + 1), classes),
                "level_factor": factor.ravel(),
                "growth_normal": self.standard[1].ravel(),
            }
        )

    def tabulate_growth(self) -> pd.DataFrame:
        """How far the growth of each class may err, by year: rows of fitted.class_growth.

        Checked by: tests/unit/test_investment_weigh.py (through plan_money)
        """
        years, classes = self.growth.shape
        return pd.DataFrame(
            {
                "cable_class": np.tile(np.array(self.classes, dtype=object), years),
                "years_ahead": np.repeat(np.arange(1, years + 1), classes),
                "growth_deviation": self.growth.ravel(),
            }
        )

    def average_growth(self, weights: Floats, first: int = 0) -> Floats:
        """Growth's deviation over years with weights from one on: the mean over the failures that they weigh."""
        years = np.minimum(np.arange(first, first + len(weights)), len(self.yearly) - 1)
        failures = weights[:, None] * self.yearly[years]
        total = failures.sum(axis=0)
        return np.asarray((failures * self.growth[years]).sum(axis=0) / np.where(total > 0, total, 1.0))


def prepare_draws(model: FailureModel, lifetime: Lifetime, place: Integers, rng: np.random.Generator) -> FleetDraws:
    """What the posterior says of every section, and the draws that are shared.

    Parameters
    ----------
    model
        The fitted failure model.
    lifetime
        Failures year by year of the sections.
    place
        Of each section in service its row in the model.
    rng
        Source of the draws.

    Notes
    -----
    The variance that sections of a loop share is the one with which the loop's total over the horizon has its exact
    posterior variance (hierarchical_frailty.fit_totals). Level: FailureModel.variation, the mean over a class by what
    it expects. Growth: f(a + t) / f(a) = ((a + t) / a)^(b - 1) of a power law errs, on the log scale, by
    b ln((a + t) / a) times the error of ln b (_shape_errors), where b ln((a + t) / a) is read off the curve as
    ln((a + t) / a) + ln(f(a + t) / f(a)), at the mean age of the class by what it expects.

    Checked by: tests/simulated/test_investment_fleet_draws.py
    """
    windows = model.windows
    kind, names = pd.factorize(windows.sections["cable_class"].iloc[place], sort=True)
    loop, own, shared = split_variance(model, place, lifetime.horizon_years)
    expected = model.ahead(lifetime.horizon_years)[place] * model.posterior.mean[place]

    def mean_by_class(values: Floats) -> Floats:
        weight = np.bincount(kind, expected, len(names))
        return np.asarray(np.bincount(kind, expected * values, len(names)) / np.where(weight > 0, weight, 1.0))

    level = mean_by_class(model.variation[place])
    age = mean_by_class(windows.sum_by_section(windows.weight * windows.age_now)[place])
    yearly = np.stack([np.bincount(kind, each, len(names)).astype(np.float64) for each in lifetime.old])
    years = np.arange(len(yearly)) + 0.5
    older = np.log1p(years[:, None] / np.maximum(age, 1.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        risen = np.log(yearly / yearly[0])
    growth = _shape_errors(model, names) * np.maximum(older + np.where(np.isfinite(risen), risen, 0.0), 0.0)
    standard = rng.standard_normal((2, len(names), DRAWS))
    alike = (model.common_variation / np.maximum(level, model.common_variation))[:, None]
    standard[0] = np.sqrt(1.0 - alike**2) * standard[0] + alike * rng.standard_normal(DRAWS)
    return FleetDraws(names.tolist(), own, shared, loop, kind, yearly, level, growth, standard)


def split_variance(model: FailureModel, place: Integers, horizon_years: float) -> tuple[Integers, Floats, Floats]:
    """Relative variance of the multipliers: of each section beside what its loop shares, and of what a loop shares.

    Parameters
    ----------
    model
        The fitted failure model.
    place
        Rows of the model's sections: all those in service.
    horizon_years
        Over it each loop's total keeps its exact posterior variance.

    Returns
    -------
    loop, own, shared
        Loop and own variance of each section, and the shared variance of each loop.

    Notes
    -----
    Checked by: tests/simulated/test_investment_fleet_draws.py (through prepare_draws)
    """
    loop = model.tree.loop_of_half[model.tree.half_of_section][place]
    totals = model.totals_ahead(horizon_years)
    expected = model.ahead(horizon_years)[place] * model.posterior.mean[place]
    relative = 1.0 / model.posterior.shape[place]
    loops = len(totals.loop_mean)
    together, squares, apart = (
        np.bincount(loop, each, loops) for each in (expected, expected**2, expected**2 * relative)
    )
    room = together**2 - squares
    shared = np.where(
        room > 1e-9 * together**2, (totals.loop_variance - apart) / np.where(room > 0, room, 1.0), 0.0
    ).clip(0.0)
    return loop, np.maximum(relative - shared[loop], 0.0), shared


def _shape_errors(model: FailureModel, names: pd.Index[str]) -> Floats:
    """Standard deviation of the logarithm of each class's shape: its likelihood, with the prior that shapes have.

    Notes
    -----
    The likelihood knows what ages were observed: a shape seen through a few years of age is loose whatever its number
    of failures. Failures come in clusters, on loops; the variance grows by what that adds to a count of the class: one
    and the mean, over its failures, of the loops' variance times what the loop expects.
    """
    from scipy.special import ndtri

    bare = treatment.leave_out_treated(model.windows)
    of_section = names.get_indexer(pd.Index(bare.sections["cable_class"]))
    code = of_section[bare.owner]
    seen, failed = code >= 0, code[bare.event_window] >= 0
    data = summarise_classes(
        code[seen],
        len(names),
        bare.entry_years[seen],
        bare.exit_years[seen],
        bare.km[seen],
        code[bare.event_window][failed],
        bare.event_age_years[failed],
        bare.event_weight[failed],
    )
    loop = model.tree.loop_of_half[model.tree.half_of_section]
    errors = np.full(len(names), CLASS_SPREAD)
    for place, of_class in enumerate(data):
        law = fit_power_law(of_class, LIMITS)
        if law is None:
            continue
        mine = of_section == place
        together = np.bincount(loop[mine], model.expected[mine])
        clustered = 1.0 + model.variances.loop * (together**2).sum() / max(together.sum(), 1e-12)
        likely = np.log(law.shape_hi / law.shape_lo) / (2.0 * ndtri((1.0 + LIMITS) / 2.0))
        errors[place] = (1.0 / (clustered * likely**2) + 1.0 / CLASS_SPREAD**2) ** -0.5
    return errors
