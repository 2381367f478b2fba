"""Does the neutral, how and when it was laid, or the district make cable of one age and insulation fail more?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.survival.cox import fit_cox
from pipelines.survival.history import FailureHistory, code_names
from pipelines.survival.rates import LEAST_JUDGED
from pipelines.survival.vintages import name_vintage
from shared import dictionary
from shared.arrays import Floats, Integers
from shared.settings import Settings
from shared.units import DAYS_PER_YEAR

ATTRIBUTES = ("neutral", "installation", "vintage", "district_id")


def compare_attributes(history: FailureHistory, settings: Settings) -> pd.DataFrame:
    """Hazard ratios of neutral, installation, decade of laying and district, among cable of one insulation and age.

    Parameters
    ----------
    history
        Sections and failures; sections without a known date, time after an injection, and what was never in view are
        left out.
    settings
        survival.min_failures and general.interval_coverage.

    Returns
    -------
    DataFrame
        One row a value of an attribute: attribute, attribute_value, reference_value (the value with the most failures),
        hazard_ratio to it with limits, sections, failures, exposure_km_years, attribute_verdict (reference, higher,
        lower, within_chance, not_separable, too_few). Sections of a value with fewer than min_failures take no
        part, and count for no other value. A verdict may be within_chance though the limits exclude 1.

    Notes
    -----
    Proportional hazards per km by age (Andersen and Gill), one baseline for each insulation, all attributes together,
    so each ratio holds the others still. Limits are those of one ratio alone: Student's t on the log scale, robust to
    failures clustering on loops (Lin and Wei, times m / (m - 1) of m loops that failed, never below the model's own
    variance); degrees of freedom: loops that failed less coefficients. Higher and lower are said of all ratios at once:
    where one minus the coverage is not reached by Holm's p-value over every pair of values of an attribute, since the
    reference is chosen after the fact, and where value and reference have LEAST_JUDGED failures each. Not separable: no
    insulation has cable of both values in view at one age, once the other attributes are held. Cable of one age in two
    decades was observed at two times, so the decade's ratio is also that of the times.

    References
    ----------
    S. Holm, Scandinavian Journal of Statistics 6 (1979) 65-70.

    Checked by: tests/unit/test_survival_attribute_effects.py
    """
    part = _take_part(history)
    dropped = []
    while part.has_failures:
        described = _count_values(part)
        rare = described["failures"] < settings.survival.min_failures
        if not rare.any():
            break
        dropped.append(described[rare].assign(attribute_verdict="too_few"))
        part = part.leave_out(described[rare])
    else:
        described = dictionary.make_frame("marts.attribute_effects")
    if not described.empty:
        described = _fill_in(described, part, settings.general.interval_coverage)
    order = {name: place for place, name in enumerate(ATTRIBUTES)}
    table = dictionary.stack_frames("marts.attribute_effects", (described, *dropped))
    by = ["attribute", "attribute_value"]
    return table.sort_values(
        by, key=lambda of: of.map(order) if of.name == "attribute" else of, kind="stable", ignore_index=True
    )


@dataclass(frozen=True)
class _Part:
    """Sections that take part, a row each, and for each of their failures the row of its section and the age in days.

    sections: entry_days, exit_days, length_km, loop_code, insulation and ATTRIBUTES as categories.
    """

    sections: pd.DataFrame
    row: Integers
    age_days: Integers

    @property
    def has_failures(self) -> bool:
        return bool(len(self.row))

    def leave_out(self, rare: pd.DataFrame) -> _Part:
        """The part without the sections of some values."""
        kept = np.ones(len(self.sections), dtype=np.bool_)
        for name, value in zip(rare["attribute"], rare["attribute_value"], strict=True):
            kept &= (self.sections[name] != value).to_numpy(dtype=np.bool_)
        sections = self.sections[kept].reset_index(drop=True)
        for name in ATTRIBUTES:
            sections[name] = sections[name].cat.remove_unused_categories()
        own = kept[self.row]
        return _Part(sections, (np.cumsum(kept) - 1)[self.row[own]], self.age_days[own])


def _take_part(history: FailureHistory) -> _Part:
    """Dated sections with ages in view in days, up to their injection, and their failures."""
    coded = history.keep(code_names)
    seen = coded.sections[coded.sections["in_view_from"].notna()].reset_index(drop=True)
    installed = pd.to_datetime(seen["installed_on"])
    until = pd.concat([pd.to_datetime(seen[c]) for c in ("in_view_to", "rejuvenated_on")], axis=1).min(axis=1)
    entry = (pd.to_datetime(seen["in_view_from"]) - installed).dt.days.to_numpy(dtype=np.int64)
    leave = np.maximum((until - installed).dt.days.to_numpy(dtype=np.int64), entry)
    years, place = np.unique(installed.dt.year.to_numpy(dtype=np.int64), return_inverse=True)
    sections = (
        seen[["insulation", "neutral", "installation", "district_id"]]
        .astype(str)
        .astype("category")
        .assign(
            vintage=pd.Categorical(np.array([name_vintage(int(year)) for year in years], dtype=object)[place]),
            entry_days=entry,
            exit_days=leave,
            length_km=seen["length_km"].astype(np.float64),
            loop_code=seen["loop_code"],
        )
    )
    counted = coded.failures[coded.failures["is_counted"].astype(bool)]
    row_of = np.full(int(coded.sections["section_code"].max() if len(seen) else -1) + 2, -1)
    row_of[seen["section_code"].to_numpy()] = np.arange(len(seen))
    row = row_of[np.minimum(counted["section_code"].to_numpy(dtype=np.int64), len(row_of) - 1)]
    failed = pd.to_datetime(counted["failed_on"])[row >= 0].reset_index(drop=True)
    row = row[row >= 0]
    age = (failed - installed.iloc[row].reset_index(drop=True)).dt.days.to_numpy(dtype=np.int64)
    # one age is one day: a failure on the day of entry is taken to be of the day after, when the section is at risk
    age = np.maximum(age, entry[row] + 1)
    own = age <= leave[row]
    return _Part(sections, row[own], age[own])


def _count_values(part: _Part) -> pd.DataFrame:
    """What is observed of each value, and which value the others are compared with: that with the most failures."""
    s = part.sections
    km_years = (s["length_km"] * (s["exit_days"] - s["entry_days"])).to_numpy() / DAYS_PER_YEAR
    tables = []
    for name in ATTRIBUTES:
        code, values = s[name].cat.codes.to_numpy(), s[name].cat.categories.astype(str)
        failures = np.bincount(code[part.row], minlength=len(values))
        tables.append(
            pd.DataFrame(
                {
                    "attribute": name,
                    "attribute_value": values,
                    "reference_value": values[int(np.argmax(failures))],
                    "hazard_ratio": np.nan,
                    "hazard_ratio_lo": np.nan,
                    "hazard_ratio_hi": np.nan,
                    "sections": np.bincount(code, minlength=len(values)),
                    "failures": failures,
                    "exposure_km_years": np.bincount(code, weights=km_years, minlength=len(values)),
                    "attribute_verdict": "reference",
                }
            )
        )
    return pd.concat(tables, ignore_index=True)


def _fill_in(described: pd.DataFrame, part: _Part, coverage: float) -> pd.DataFrame:
    """The ratios of all values but the references, which have the most failures of their attribute."""
    from scipy.stats import t

    asked = described[described["attribute_value"].ne(described["reference_value"])]
    logs, errors, freedom = _fit(asked, part)
    spread = t.ppf((1.0 + coverage) / 2.0, freedom) * errors
    ratios = np.exp(np.column_stack([logs - spread, logs, logs + spread]))
    is_told = np.isfinite(logs) & np.isfinite(errors)
    is_judged = is_told & asked["failures"].ge(LEAST_JUDGED).to_numpy()
    pairs = asked[is_judged].groupby("attribute").size().pipe(lambda n: n * (n + 1) // 2).sum()
    is_clear = np.zeros(len(asked), dtype=np.bool_)
    p_values = 2.0 * t.sf(np.abs(logs[is_judged]) / errors[is_judged], freedom)
    order = np.argsort(p_values)
    passed = p_values[order] * (pairs - np.arange(len(order))) <= 1.0 - coverage
    is_clear[np.flatnonzero(is_judged)[order[np.logical_and.accumulate(passed)]]] = True
    verdict = np.select(
        [np.isnan(logs), ~is_told, is_clear & (logs > 0.0), is_clear],
        ["not_separable", "too_few", "higher", "lower"],
        "within_chance",
    )
    table = described.assign(hazard_ratio=1.0)
    names = ["hazard_ratio_lo", "hazard_ratio", "hazard_ratio_hi"]
    table.loc[asked.index, names] = np.where(is_told[:, None], ratios, np.nan)
    table.loc[asked.index, "attribute_verdict"] = verdict
    return table


def _fit(asked: pd.DataFrame, part: _Part) -> tuple[Floats, Floats, int]:
    """Log hazard ratio of each value asked for, its standard error, and the degrees of freedom."""
    s = part.sections
    kind = np.asarray(s.groupby(["insulation", *ATTRIBUTES], sort=True, observed=True).ngroup(), dtype=np.int64)
    kinds = s.iloc[np.unique(kind, return_index=True)[1]]
    design = np.zeros((len(kinds), len(asked)))
    for place, row in enumerate(asked.itertuples()):
        design[:, place] = kinds[str(row.attribute)] == row.attribute_value
    fit = fit_cox(
        kind,
        s["entry_days"].to_numpy(),
        s["exit_days"].to_numpy(),
        s["length_km"].to_numpy(),
        part.row,
        part.age_days,
        design,
        kinds["insulation"].cat.codes.to_numpy().astype(np.int64),
        s["loop_code"].to_numpy(),
    )
    loops = s["loop_code"].to_numpy()[part.row]
    failed = len(np.unique(loops))
    robust = np.diag(fit.robust_variance) * failed / max(failed - 1, 1)
    errors = np.sqrt(np.maximum(robust, np.diag(fit.variance)))
    return fit.coefficients, errors, max(failed - int(np.isfinite(fit.coefficients).sum()), 1)
