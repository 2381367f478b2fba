"""The windows in forward order: each past dig asked as crews ask, by a fit to the readings before it."""

import itertools
from collections.abc import Callable

import numpy as np
import pandas as pd

from pipelines.locating.as_of import FitAsOf, years_after
from pipelines.locating.correction import ALONG, BY_CLASS, Register, place_digs
from pipelines.locating.readings import Readings, keep_readings
from pipelines.locating.season import season_shift, take_season_off

ORIGINS = 5
"""Times the fit is made anew, with equally many digs between them."""
ENOUGH = 50
"""Digs before the first origin."""
COLUMNS = ("reading_id", "way", "origin_at", "forward_error_m", "forward_se_m", "freedom", "wrong_share")


def foresee_digs(
    readings: Readings,
    facts: pd.DataFrame,
    register: Register,
    fit_before: Callable[[Readings, pd.DataFrame, pd.Timestamp], FitAsOf],
) -> pd.DataFrame:
    """Error and standard error of each later dig, foreseen from the readings before its origin, asked both ways.

    Parameters
    ----------
    readings
        As they came, the season in them.
    facts
        read_at, insulation and true_length_m of every reading, in the same order.
    fit_before
        Fits readings, with their facts, as of a moment.

    Returns
    -------
    DataFrame
        COLUMNS, a row a way and dig after the first origin; empty where there are too few. Errors are corrected less
        dug distance. Freedom and share of gross errors are those of the fit at the origin, for the parametric quantile.

    Notes
    -----
    The digs in order of time are cut into ORIGINS + 1 parts of equal number. At the start of each part but the first
    everything is fitted anew, season, movement of the instruments and usual tail, to the readings of every kind before
    it; the movement then goes on to the day of each dig, as for a reading of today.

    Checked by: tests/unit/test_locating_forward.py
    """
    read_at = facts["read_at"]
    dug = np.flatnonzero(readings.is_dug & read_at.notna().to_numpy())
    dug = dug[np.lexsort((readings.reading_id[dug], read_at.to_numpy()[dug]))]
    cuts = np.linspace(0, len(dug), ORIGINS + 2).astype(int)
    if cuts[1] < ENOUGH:
        return pd.DataFrame(columns=list(COLUMNS))
    parts = []
    for start, end in itertools.pairwise(cuts[1:]):
        origin, rows = read_at.iloc[dug[start]], dug[start:end]
        before = (read_at < origin).to_numpy()
        found = fit_before(keep_readings(readings, before), facts[before], origin)
        later = take_season_off(readings, season_shift(found.season, facts["insulation"], read_at))
        years = years_after(read_at.iloc[rows], origin)
        # an instrument that had read nothing before has moved nowhere
        known = pd.Series(range(len(found.levels.rate)), index=list(found.fit.readings.instruments), dtype=float)
        group = pd.Series([*readings.instruments, ""], dtype=object).iloc[readings.instrument[rows]].map(known)
        moved = found.levels.shift(np.asarray(group.fillna(-1), dtype=np.int64), years)
        for way in (ALONG, BY_CLASS):
            kept, placed = place_digs(found.effects, later, rows, register, way, years, moved)
            parts.append(
                pd.DataFrame(
                    {
                        "reading_id": readings.reading_id[rows[kept]],
                        "way": way,
                        "origin_at": origin,
                        "forward_error_m": placed.corrected_m - facts["true_length_m"].to_numpy(float)[rows[kept]],
                        "forward_se_m": placed.se_m,
                        "freedom": found.fit.freedom,
                        "wrong_share": found.fit.noise.wrong_share,
                    }
                )
            )
    return pd.concat(parts, ignore_index=True)
