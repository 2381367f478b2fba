"""What each rule caught of the failures that followed all past dates, each failure counted once."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from shared.arrays import Booleans, Floats
from shared.intervals import poisson_limits

DIFFERENCES = ("difference_to_model", "difference_lo", "difference_hi")


@dataclass
class Sum:
    """Sums over past dates at each cut: of the measure picked, of failures, and of those of each replicate."""

    picked: Floats
    captured: Floats
    drawn: Floats

    def __add__(self, other: Sum) -> Sum:
        return Sum(self.picked + other.picked, self.captured + other.captured, self.drawn + other.drawn)


@dataclass
class Tally:
    """Adds up, date by date, what each rule caught of the failures that the date judges.

    sums: by level, rule and cuts: "" for the shares that all rules are cut at, else the rule at whose own length.
    totals: the whole, by level. has_failed: loops with a failure that followed.

    Notes
    -----
    A failure is judged at the last past date before it: by the newest ranking that its reader would have held. The
    dates cut the years into periods that do not overlap, so failures and the failures expected are counted once
    whatever the horizon, and dates without a failure change nothing. The loops are drawn once for all dates.

    Checked by: tests/unit/test_evaluation_backtest_summary.py
    """

    sums: dict[tuple[str, str, str], Sum] = field(default_factory=dict)
    totals: dict[str, Sum] = field(default_factory=dict)
    has_failed: Booleans | bool = False
    origins: int = 0

    def count(self, level: str, units: pd.DataFrame, drawn: tuple[Floats, Floats], loops: int, by: str) -> None:
        """Add a date's whole: its units, and capture.sum_drawn of them with observed_distinct the last counted."""
        failures = units["observed_distinct"].to_numpy(dtype=np.float64)
        self.has_failed = self.has_failed | (np.bincount(units["loop_code"], failures, loops) > 0)
        whole = Sum(np.array([units[by].sum()]), np.array([failures.sum()]), drawn[1][-1])
        self.totals[level] = self.totals[level] + whole if level in self.totals else whole

    def add(self, level: str, rule: str, cuts: str, picked: Floats, captured: Floats, drawn: Floats) -> None:
        """Add a date's captures of a rule: picked, captured (cuts,) and drawn (replicates, cuts)."""
        key, more = (level, rule, cuts), Sum(picked, captured, drawn)
        self.sums[key] = self.sums[key] + more if key in self.sums else more

    def tabulate(self, coverage: float, reference: str = "model") -> pd.DataFrame:
        """Rows of backtest_summary, with picked_fraction for length_fraction; none without a date.

        Notes
        -----
        Limits are percentile limits over resampled loops, expanded for a small sample: the levels are those at which a
        normal's quantile is Student's t times sqrt(m / (m - 1)), m loops having failed. With fewer than two the limits
        are the extremes of the replicates. A replicate without a failure has captured nothing by any rule, so that
        limits of a difference that stands on a few loops reach to zero. verdict: of the rule against the reference.

        References
        ----------
        T. Hesterberg, What Teachers Should Know About the Bootstrap, The American Statistician 69 (2015), section 5.3
        (expanded percentile interval).
        """
        tails = expand_tails(coverage, int(np.sum(self.has_failed)))
        parts = []
        for (level, rule, cuts), one in sorted(self.sums.items(), key=lambda entry: entry[0]):
            if cuts and rule == reference:
                continue
            total, model = self.totals[level], self.sums[level, reference, cuts]
            failures, each = float(np.sum(total.captured)), np.maximum(total.drawn, 1e-9)[:, None]
            # sums of parts differ in their last digits: a difference of nothing must not be called one
            (lo, hi), (gap_lo, gap_hi) = (
                np.quantile(kind / each, tails, axis=0).round(12) + 0.0 for kind in (one.drawn, one.drawn - model.drawn)
            )
            rows = pd.DataFrame({"picked_fraction": (one.picked / total.picked).round(12)}).assign(
                level=level,
                rule=rule,
                origins=self.origins,
                failures_distinct=round(failures),
                capture_fraction=one.captured / max(failures, 1.0),
                capture_lo=lo,
                capture_hi=hi,
                difference_to_model=((one.captured - model.captured) / max(failures, 1.0)).round(12) + 0.0,
                difference_lo=gap_lo,
                difference_hi=gap_hi,
                verdict=np.where(gap_lo > 0, "better", np.where(gap_hi < 0, "worse", "cannot_tell")),
                is_own_length=bool(cuts),
                failures_captured=one.captured,
            )
            if rule == reference or not failures:
                rows = rows.assign(**dict.fromkeys(DIFFERENCES, np.nan), verdict=None)
            if not failures:
                rows = rows.assign(capture_fraction=np.nan, capture_lo=np.nan, capture_hi=np.nan)
            parts.append(rows)
        return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def expand_tails(coverage: float, loops: int) -> list[float]:
    """Levels of the quantiles of replicates that limits of a statistic of so many loops take."""
    from scipy.special import ndtr, stdtrit

    if loops < 2:
        return [0.0, 1.0]
    reach = stdtrit(loops - 1, 0.5 + coverage / 2.0) * np.sqrt(loops / (loops - 1))
    return [float(ndtr(-reach)), float(ndtr(reach))]


def summarise_calibration(tenths: pd.DataFrame, coverage: float) -> pd.DataFrame:
    """Failures expected and seen by tenth of the length and in all, each failure counted once.

    Parameters
    ----------
    tenths
        backtest.calibrate of every past date.
    coverage
        Of the limits.

    Returns
    -------
    DataFrame
        decile (0: the whole length), origins, expected_distinct, observed_distinct, observed_lo, observed_hi.

    Notes
    -----
    The periods that the dates judge do not overlap, so the counts of a tenth add up, and their limits are exact
    Poisson limits of the mean behind the sum.

    Checked by: tests/unit/test_evaluation_backtest_summary.py
    """
    if tenths.empty:
        return pd.DataFrame()
    sums = pd.concat([tenths.assign(decile=0), tenths]).groupby("decile").sum(numeric_only=True)
    lo, hi = poisson_limits(sums["observed_distinct"].to_numpy(), coverage)
    return pd.DataFrame(
        {
            "decile": sums.index.to_numpy(),
            "origins": tenths["origin"].nunique(),
            "expected_distinct": sums["expected_distinct"].to_numpy(),
            "observed_distinct": sums["observed_distinct"].to_numpy(),
            "observed_lo": lo,
            "observed_hi": hi,
        }
    )
