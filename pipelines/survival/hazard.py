"""Failure intensity by age and kind of cable: a regression that corrects the classes' power laws.

The hazard is constant within a year of age, so the likelihood is that of a Poisson count with exposure. What the power
law of its class expects of a cell is the exposure; the regression says by how much the cell does better or worse.
"""

from dataclasses import dataclass
from typing import Any, Self

import numpy as np
import pandas as pd
from sklearn.base import BaseEstimator, RegressorMixin, TransformerMixin
from sklearn.ensemble import HistGradientBoostingRegressor
from sklearn.preprocessing import SplineTransformer
from sklearn.utils.validation import check_is_fitted, validate_data
from threadpoolctl import threadpool_limits

from pipelines.survival.curves import PowerLawCurves
from pipelines.survival.integer_codes import join_codes
from shared.arrays import Floats, Integers

NUMBERS = ["age_years", "vintage_year", "log2_length"]
CATEGORIES = ["cable_class", "insulation", "neutral", "installation", "conductor", "district_id"]

LEAST_FAILURES = 20.0
"""A class with fewer gets no curve of age of its own beside its power law."""

CONVERGED, MOST_STEPS, MOST_HALVINGS = 1e-7, 100, 21
"""Newton's method ends where slope and gain are so small a part of the failures expected, or after so many steps."""


class StepSpline(TransformerMixin, BaseEstimator):  # type: ignore[misc]
    """Splines whose coefficients are steps, so that a ridge penalty pulls the curve towards a flat one.

    Parameters
    ----------
    n_knots
        Knots, at quantiles of each column.
    degree
        Degree of the pieces.

    Notes
    -----
    The B-splines of each column are summed from the right: a coefficient is then the step from one to the next, and the
    sum of squared steps is the penalty of a first-order P-spline. Outside the knots the curve stays at its last value.

    References
    ----------
    P. H. C. Eilers and B. D. Marx, Statistical Science 11 (1996) 89-121.

    Checked by: tests/unit/test_survival_hazard.py
    """

    def __init__(self, n_knots: int = 6, degree: int = 3) -> None:
        self.n_knots = n_knots
        self.degree = degree

    def fit(self, X: Any, y: Any = None) -> Self:  # noqa: ARG002
        """Place the knots."""
        values = validate_data(self, X, dtype=np.float64)
        self.splines_ = []
        for column in values.T:
            knots = np.unique(np.quantile(column, np.linspace(0, 1, self.n_knots)))
            if len(knots) < 2:
                knots = np.array([knots[0], knots[0] + 1.0])
            spline = SplineTransformer(degree=self.degree, knots=knots[:, None], extrapolation="constant")
            self.splines_.append(spline.fit(column[:, None]))
        return self

    def transform(self, X: Any) -> Floats:
        """Values of the summed splines, the first of each column left out (it is 1 everywhere)."""
        check_is_fitted(self)
        values = validate_data(self, X, dtype=np.float64, reset=False)
        bases = [spline.transform(column[:, None]) for spline, column in zip(self.splines_, values.T, strict=True)]
        return np.hstack([np.cumsum(basis[:, ::-1], axis=1)[:, ::-1][:, 1:] for basis in bases])


class CategoryCodes(TransformerMixin, BaseEstimator):  # type: ignore[misc]
    """Values of text columns as numbers in their order, -1 for one not seen in the fit.

    Notes
    -----
    Each column is looked up by its different values, so that cost follows the categories.

    Checked by: tests/unit/test_survival_hazard.py
    """

    def fit(self, X: pd.DataFrame, y: Any = None) -> Self:  # noqa: ARG002
        """Learn the categories of each column."""
        self.categories_ = [np.unique(np.asarray(pd.unique(X[name]), dtype=str)) for name in X.columns]
        return self

    def transform(self, X: pd.DataFrame) -> Integers:
        """Number of each value, one column a column."""
        check_is_fitted(self)
        found = np.empty(X.shape, dtype=np.int64)
        for k, (name, known) in enumerate(zip(X.columns, self.categories_, strict=True)):
            code, values = pd.factorize(X[name])
            named = np.asarray(values, dtype=str)
            place = np.minimum(np.searchsorted(known, named), len(known) - 1)
            found[:, k] = np.where(known[place] == named, place, -1)[code]
        return found


Table = tuple[Integers, Floats]
"""Row of each cell in a table of different rows, and the table."""


def _number_rows(X: pd.DataFrame, names: list[str]) -> tuple[Integers, pd.DataFrame]:
    """Number of each row's combination of values, and one row of each."""
    code = join_codes(*(pd.factorize(X[name], use_na_sentinel=False)[0] for name in names))
    one = np.zeros(int(code.max(initial=-1)) + 1, dtype=np.int64)
    one[code] = np.arange(len(code))
    return code, X.iloc[one]


def _add_up(coefficients: Floats, kinds: Table, ages: Table) -> Floats:
    """Logarithm of each cell's rate over the expected one."""
    (kind, of_kind), (age, of_age) = kinds, ages
    split = of_kind.shape[1]
    return np.asarray((of_kind @ coefficients[:split])[kind] + (of_age @ coefficients[split:])[age])


def fit_ridge(kinds: Table, ages: Table, seen: Floats, expected: Floats, penalty: float) -> Floats:
    """Poisson regression by Newton's method, with one ridge penalty on all columns but the first, which is 1.

    Parameters
    ----------
    kinds, ages
        Two tables; a cell's columns are its row of the first and its row of the second.
    seen, expected
        Failures of each cell, and what is expected of it: the exposure.
    penalty
        Ridge penalty, in failures.

    Returns
    -------
    array
        Coefficients of the first table's columns, then of the second's.

    Notes
    -----
    Cells differ in few kinds and ages, so sums over cells go by kind and by age before any column is looked at: no
    matrix of all cells is made. A step is halved until the likelihood gains by it (L. Armijo, Pacific Journal of
    Mathematics 16 (1966) 1-3).

    Checked by: tests/unit/test_survival_hazard.py
    """
    from scipy.sparse import csr_array

    (kind, of_kind), (age, of_age) = kinds, ages
    ridge = np.full(of_kind.shape[1] + of_age.shape[1], penalty)
    ridge[0] = 0.0
    found = np.zeros(len(ridge))
    found[0] = np.log(seen.sum() / expected.sum())

    def judge(coefficients: Floats) -> tuple[float, Floats, Floats]:
        """Loss, failures that each cell is to have, and slope of the loss."""
        log_rate = _add_up(coefficients, kinds, ages)
        with np.errstate(over="ignore", invalid="ignore"):  # a step too far
            mean = expected * np.exp(log_rate)
            sums = [np.bincount(row, mean - seen) @ table for row, table in (kinds, ages)]
        loss = mean.sum() - seen @ log_rate + ridge @ coefficients**2 / 2.0
        return float(loss), mean, np.concatenate(sums) + ridge * coefficients

    loss, mean, slope = judge(found)
    for _ in range(MOST_STEPS):
        across = of_kind.T @ (csr_array((mean, (kind, age)), shape=(len(of_kind), len(of_age))) @ of_age)
        alone = [table.T @ (np.bincount(row, mean)[:, None] * table) for row, table in (kinds, ages)]
        curvature = np.block([[alone[0], across], [across.T, alone[1]]]) + np.diag(ridge)
        step, before = np.linalg.solve(curvature, -slope), loss
        decrement = step @ curvature @ step
        for part in 0.5 ** np.arange(MOST_HALVINGS):
            loss, mean, slope = judge(found + part * step)
            if loss <= before - 2.0**-11 * part * decrement + 1e-14 * abs(before):
                break
        found = found + part * step
        if max(np.abs(slope).max(), decrement / 2.0) <= CONVERGED * expected.sum():
            break
    return found


class SplineHazard(RegressorMixin, BaseEstimator):  # type: ignore[misc]
    """Poisson regression of failures on age by class, vintage, length, and kind of cable, with one ridge penalty.

    Parameters
    ----------
    penalty
        Ridge penalty in failures: how many failures' worth of evidence move a step or a category by about one.
    n_knots
        Knots of the splines of age and vintage.

    Notes
    -----
    fit(X, y, sample_weight): X a frame with columns NUMBERS and CATEGORIES; y failures over expected failures of a
    cell, sample_weight the expected failures (Poisson with exposure: T. R. Holford, Biometrics 36 (1980) 299-305;
    N. Laird and D. Olivier, JASA 76 (1981) 231-240). Categories share one penalty, so a rare one stays near its like.
    predict gives the factor by which a cell's rate exceeds the expected one.

    Checked by: tests/unit/test_survival_hazard.py
    """

    def __init__(self, penalty: float = 10.0, n_knots: int = 6) -> None:
        self.penalty = penalty
        self.n_knots = n_knots

    def fit(self, X: pd.DataFrame, y: Any, sample_weight: Any = None) -> Self:
        """Fit to cells."""
        weight = np.ones(len(X)) if sample_weight is None else np.asarray(sample_weight, dtype=np.float64)
        seen = np.asarray(y) * weight
        self.numbers_ = StepSpline(self.n_knots).fit(X[NUMBERS].to_numpy(dtype=np.float64))
        self.categories_ = CategoryCodes().fit(X[CATEGORIES])
        kind = self.categories_.transform(X[CATEGORIES])[:, CATEGORIES.index("cable_class")]
        failures = np.bincount(kind, seen, len(self.categories_.categories_[0]))
        self.classes_of_age_ = np.flatnonzero(failures >= LEAST_FAILURES)
        self.age_ = StepSpline(4, degree=2).fit(X[["age_years"]].to_numpy(dtype=np.float64))
        self.coef_ = fit_ridge(*self._tabulate(X), seen, weight, self.penalty)
        return self

    def predict(self, X: pd.DataFrame) -> Floats:
        """Rate over expected rate of each row."""
        check_is_fitted(self)
        return np.asarray(np.exp(_add_up(self.coef_, *self._tabulate(X))))

    def _tabulate(self, X: pd.DataFrame) -> tuple[Table, Table]:
        """Columns of the regression in two tables, of kinds of cable and of ages by class; a category not known is 0.

        The first column is 1.
        """
        row, one = _number_rows(X, [*NUMBERS[1:], *CATEGORIES])
        numbers = self.numbers_.transform(one[NUMBERS].to_numpy(dtype=np.float64))
        of_age = self.numbers_.splines_[0].n_features_out_ - 1
        codes = self.categories_.transform(one[CATEGORIES])
        named = [
            np.eye(len(known) + 1)[code, :-1] for code, known in zip(codes.T, self.categories_.categories_, strict=True)
        ]
        kinds = np.hstack([np.ones((len(one), 1)), numbers[:, of_age:], *named])
        age_row, aged = _number_rows(X, [NUMBERS[0], "cable_class"])
        numbers = aged[NUMBERS].to_numpy(dtype=np.float64)
        kind = self.categories_.transform(aged[CATEGORIES])[:, [CATEGORIES.index("cable_class")]]
        own = (kind == self.classes_of_age_)[:, :, None] * self.age_.transform(numbers[:, :1])[:, None]
        steps = self.numbers_.transform(numbers)[:, :of_age]
        return (row, kinds), (age_row, np.hstack([steps, own.reshape(len(aged), -1)]))


class BoostedHazard(RegressorMixin, BaseEstimator):  # type: ignore[misc]
    """The challenger: gradient-boosted trees with a Poisson loss on the same cells.

    Parameters
    ----------
    rounds
        Boosting rounds.
    penalty
        Ridge penalty of a leaf, in failures.
    seed
        Seed of the trees' ties.

    Notes
    -----
    Same fit and predict as SplineHazard.

    Checked by: tests/unit/test_survival_hazard.py
    """

    def __init__(self, rounds: int = 40, penalty: float = 10.0, seed: int = 0) -> None:
        self.rounds = rounds
        self.penalty = penalty
        self.seed = seed

    def fit(self, X: pd.DataFrame, y: Any, sample_weight: Any = None) -> Self:
        """Fit to cells."""
        weight = np.ones(len(X)) if sample_weight is None else np.asarray(sample_weight, dtype=np.float64)
        self.codes_ = CategoryCodes().fit(X[CATEGORIES])
        self.trees_ = HistGradientBoostingRegressor(
            loss="poisson",
            learning_rate=0.05,
            max_iter=self.rounds,
            max_leaf_nodes=8,
            min_samples_leaf=50,
            l2_regularization=self.penalty,
            early_stopping=False,
            random_state=self.seed,
        )
        self.trees_.fit(self._columns(X), y, sample_weight=weight)
        return self

    def predict(self, X: pd.DataFrame) -> Floats:
        """Rate over expected rate of each row."""
        check_is_fitted(self)
        return np.asarray(self.trees_.predict(self._columns(X)))

    def _columns(self, X: pd.DataFrame) -> Floats:
        return np.hstack([X[NUMBERS].to_numpy(dtype=np.float64), self.codes_.transform(X[CATEGORIES])])


Hazard = SplineHazard | BoostedHazard


def make_hazard(form: str, penalty: float) -> Hazard:
    """An unfitted hazard by name: spline or boosted."""
    forms: dict[str, type[SplineHazard] | type[BoostedHazard]] = {"spline": SplineHazard, "boosted": BoostedHazard}
    return forms[form](penalty=penalty)


@dataclass(frozen=True)
class PatternCurves:
    """Expected failures of a kilometre of each pattern by age: a table by whole year, straight within a year.

    up_to: pattern x age, expected failures from age 0 to each whole age. variation: coefficient of variation of the
    pattern's rate.
    """

    up_to: Floats
    variation: Floats

    def cumulative(self, codes: Integers, ages_years: Floats) -> Floats:
        """Expected failures of one kilometre up to each age, pattern by code; straight on beyond the table."""
        ages = np.maximum(ages_years, 0.0)
        whole = np.minimum(ages.astype(np.int64), self.up_to.shape[1] - 2)
        low, high = self.up_to[codes, whole], self.up_to[codes, whole + 1]
        return np.asarray(low + (ages - whole) * (high - low))

    def intensity(self, codes: Integers, ages_years: Floats) -> Floats:
        """Failures per kilometre and year at each age."""
        whole = np.clip(ages_years.astype(np.int64), 0, self.up_to.shape[1] - 2)
        return np.asarray(self.up_to[codes, whole + 1] - self.up_to[codes, whole])


def describe_cells(cells: pd.DataFrame, patterns: pd.DataFrame) -> pd.DataFrame:
    """The regression's columns for cells (pattern, age)."""
    frame = (
        patterns.astype(dict.fromkeys(CATEGORIES, "category")).iloc[cells["pattern"].to_numpy()].reset_index(drop=True)
    )
    frame["age_years"] = cells["age"].to_numpy(dtype=np.float64) + 0.5
    return frame


def expect_cells(cells: pd.DataFrame, laws: PowerLawCurves, class_of_pattern: Integers) -> Floats:
    """Failures that the power laws expect of each cell."""
    age, code = cells["age"].to_numpy(dtype=np.float64), class_of_pattern[cells["pattern"].to_numpy()]
    in_year = laws.cumulative(code, age + 1.0) - laws.cumulative(code, age)
    return np.asarray(cells["exposure_km_years"].to_numpy(dtype=np.float64) * in_year)


def fit_hazard(
    hazard: Hazard, cells: pd.DataFrame, patterns: pd.DataFrame, laws: PowerLawCurves, class_of_pattern: Integers
) -> Hazard:
    """Fit a hazard to cells, the power laws' expectation as exposure.

    Notes
    -----
    One thread: cells are few, threads that wait for each other on a busy machine cost ten times what they save, and
    the sums come out the same whatever the machine.

    Checked by: tests/unit/test_survival_hazard.py
    """
    expected = expect_cells(cells, laws, class_of_pattern)
    used = expected > 1e-9  # a failure on the day of entry, at a birthday, has no exposure beside it
    failures = cells["failures"].to_numpy(dtype=np.float64)[used]
    described = describe_cells(cells[used], patterns)
    with threadpool_limits(limits=1):
        return hazard.fit(described, failures / expected[used], sample_weight=expected[used])


def draw_up_curves(
    hazard: Hazard,
    cells: pd.DataFrame,
    patterns: pd.DataFrame,
    laws: PowerLawCurves,
    class_of_pattern: Integers,
    years_ahead: int,
) -> PatternCurves:
    """Curves of all patterns: the power law of the class times the hazard's factor.

    Parameters
    ----------
    hazard
        Fitted.
    cells, patterns, laws, class_of_pattern
        As in fit_hazard; the cells say at which ages each pattern was observed.
    years_ahead
        Factors are worked out from the first age in view to this many years after the last; before and after they stay.

    Notes
    -----
    Checked by: tests/unit/test_survival_hazard.py
    """
    size = len(patterns)
    first = np.full(size, 10**6)
    last = np.zeros(size, dtype=np.int64)
    np.minimum.at(first, cells["pattern"].to_numpy(), cells["age"].to_numpy())
    np.maximum.at(last, cells["pattern"].to_numpy(), cells["age"].to_numpy())
    first = np.where(first > last, 0, first)
    last = last + years_ahead
    ages = int(last.max()) + 2
    spans = last - first + 1
    pattern = np.repeat(np.arange(size), spans)
    age = np.arange(len(pattern)) - np.repeat(np.cumsum(spans) - spans, spans) + first[pattern]
    with threadpool_limits(limits=1):
        factor = hazard.predict(describe_cells(pd.DataFrame({"pattern": pattern, "age": age}), patterns))
    place = np.clip(np.arange(ages)[None, :], first[:, None], last[:, None]) - first[:, None]
    factors = factor[(np.cumsum(spans) - spans)[:, None] + place]
    whole = np.arange(ages + 1, dtype=np.float64)
    up_to = laws.cumulative(class_of_pattern[:, None], np.broadcast_to(whole, (size, ages + 1)))
    table = np.zeros((size, ages + 1))
    np.cumsum(np.diff(up_to, axis=1) * factors, axis=1, out=table[:, 1:])
    return PatternCurves(table, laws.variation[class_of_pattern])


def blend_curves(laws: PowerLawCurves, class_of_pattern: Integers, *curves: PatternCurves) -> PatternCurves:
    """Mean of the power laws and further curves of the same patterns.

    Notes
    -----
    Forms that err in different ways err less in their mean, and a forecast is no proof of any one of them.

    References
    ----------
    J. M. Bates and C. W. J. Granger, Operational Research Quarterly 20 (1969) 451-468, The combination of forecasts.

    Checked by: tests/unit/test_survival_model.py (through fit_failure_model)
    """
    size, ages = curves[0].up_to.shape
    whole = np.broadcast_to(np.arange(ages, dtype=np.float64), (size, ages))
    tables = [laws.cumulative(class_of_pattern[:, None], whole), *(c.up_to for c in curves)]
    return PatternCurves(np.mean(tables, axis=0), curves[0].variation)
