"""Does the neutral, how and when it was laid, or the district make cable of one age and insulation fail more?"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipelines.survival.cox import fit_cox
from pipelines.survival.history import FailureHistory
from pipelines.survival.vintages import name_vintages
from shared.settings import Settings

Floats = NDArray[np.float64]

ATTRIBUTES = ("neutral", "installation", "vintage", "district_id")
COLUMNS = [
    "attribute", "attribute_value", "reference_value", "hazard_ratio", "hazard_ratio_lo", "hazard_ratio_hi", "sections",
    "failures", "exposure_km_years", "attribute_verdict",
]


def compare_attributes(history: FailureHistory, settings: Settings) -> pd.DataFrame:
    """Hazard ratios of neutral, installation, decade of laying and district, among cable of one insulation and age.

    Parameters
    ----------
    history
        Sections and failures; sections without a known date, time after an injection, and what was never in view are
        left out.
    settings
        survival.min_failures and general.interval_level.

    Returns
    -------
    DataFrame
        One row a value of an attribute: attribute, attribute_value, reference_value (the value with the most failures),
        hazard_ratio to it with limits, sections, failures, exposure_km_years, attribute_verdict (reference, higher,
        lower, within_chance, not_separable, too_few). Sections of a value with fewer than min_failures take no
        part, and count for no other value.

    Notes
    -----
    Proportional hazards per km by age (Andersen and Gill), one baseline for each insulation, all attributes together,
    so each ratio holds the others still. Limits: normal on the log scale, robust to failures clustering on loops (Lin
    and Wei). Not separable: no insulation has cable of both values in view at one age, once the other attributes are
    held. Cable of one age in two decades was in view at two times, so the decade's ratio is also that of the times.

    Checked by: tests/unit/test_survival_attribute_effects.py, tests/published/test_survival_reference_fleet.py
    """
    sections, failures = _take_part(history)
    dropped = []
    while not failures.empty:
        described = _count_values(sections, failures)
        rare = described["failures"] < settings.survival.min_failures
        if not rare.any():
            break
        dropped.append(described[rare].assign(attribute_verdict="too_few"))
        for row in described[rare].itertuples():
            sections = sections[sections[str(row.attribute)] != row.attribute_value]
        failures = failures[failures["section_id"].isin(sections["section_id"])]
    else:
        described = pd.DataFrame(columns=COLUMNS)
    if not described.empty:
        described = _fill_in(described, sections, failures, settings.general.interval_level)
    order = {name: place for place, name in enumerate(ATTRIBUTES)}
    parts = [part for part in (described, *dropped) if not part.empty]
    if not parts:
        return pd.DataFrame(columns=COLUMNS)
    table = pd.concat(parts, ignore_index=True).assign(order=lambda t: t["attribute"].map(order))
    return table.sort_values(["order", "attribute_value"], kind="stable", ignore_index=True)[COLUMNS]


def _take_part(history: FailureHistory) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Dated sections with ages in view in days, up to their injection, and their failures with age in days."""
    seen = history.sections[history.sections["in_view_from"].notna()]
    installed = pd.to_datetime(seen["installed_on"])
    until = pd.concat([pd.to_datetime(seen[c]) for c in ("in_view_to", "rejuvenated_on")], axis=1).min(axis=1)
    entry = (pd.to_datetime(seen["in_view_from"]) - installed).dt.days
    sections = seen.assign(
        entry_days=entry, exit_days=np.maximum((until - installed).dt.days, entry), vintage=name_vintages(installed),
    )
    counted = history.failures[history.failures["is_counted"].astype(bool)].sort_values("job_id")
    placed = counted[["job_id", "section_id", "failed_on"]].merge(
        sections[["section_id", "installed_on", "entry_days", "exit_days", *ATTRIBUTES]], on="section_id",
    )
    age = (pd.to_datetime(placed["failed_on"]) - pd.to_datetime(placed["installed_on"])).dt.days
    # one age is one day: a failure on the day of entry is taken to be of the day after, when the section is at risk
    placed = placed.assign(age_days=np.maximum(age, placed["entry_days"] + 1))
    return sections, placed[placed["age_days"] <= placed["exit_days"]]


def _count_values(sections: pd.DataFrame, failures: pd.DataFrame) -> pd.DataFrame:
    """What is in view of each value, and which value the others are held against: that with the most failures."""
    km_years = sections["length_km"] * (sections["exit_days"] - sections["entry_days"]) / 365.25
    parts = []
    for name in ATTRIBUTES:
        seen = sections.assign(km_years=km_years).groupby(name, sort=True).agg(
            sections=("section_id", "size"), exposure_km_years=("km_years", "sum"))
        count = failures.groupby(name).size().reindex(seen.index, fill_value=0).to_numpy(dtype=np.int64)
        parts.append(pd.DataFrame({
            "attribute": name, "attribute_value": seen.index.astype(str),
            "reference_value": str(seen.index[int(np.argmax(count))]), "hazard_ratio": np.nan,
            "hazard_ratio_lo": np.nan, "hazard_ratio_hi": np.nan, "sections": seen["sections"].to_numpy(),
            "failures": count, "exposure_km_years": seen["exposure_km_years"].to_numpy(),
            "attribute_verdict": "reference",
        }))
    return pd.concat(parts, ignore_index=True)


def _fill_in(described: pd.DataFrame, sections: pd.DataFrame, failures: pd.DataFrame, level: float) -> pd.DataFrame:
    """The ratios of all values but the references."""
    is_asked = described["attribute_value"].ne(described["reference_value"])
    asked = described[is_asked]
    ratios = np.exp(_fit(asked, sections, failures, level))
    lo, ratio, hi = ratios.T
    verdict = np.select(
        [np.isnan(ratio), ~np.isfinite(ratio) | (ratio == 0.0), lo > 1.0, hi < 1.0],
        ["not_separable", "too_few", "higher", "lower"], "within_chance",
    )
    is_told = np.isin(verdict, ["higher", "lower", "within_chance"])
    table = described.assign(hazard_ratio=1.0)
    names = ["hazard_ratio_lo", "hazard_ratio", "hazard_ratio_hi"]
    table.loc[asked.index, names] = np.where(is_told[:, None], ratios, np.nan)
    table.loc[asked.index, "attribute_verdict"] = verdict
    return table


def _fit(asked: pd.DataFrame, sections: pd.DataFrame, failures: pd.DataFrame, level: float) -> Floats:
    """Lower limit, value and upper limit of the log hazard ratio of each value asked for."""
    from scipy.special import ndtri

    kept = sections.sort_values("section_id", ignore_index=True)
    kind = np.asarray(kept.groupby(["insulation", *ATTRIBUTES], sort=True).ngroup().to_numpy(), dtype=np.int64)
    kinds = kept.iloc[np.unique(kind, return_index=True)[1]]
    design = np.zeros((len(kinds), len(asked)))
    for place, row in enumerate(asked.itertuples()):
        design[:, place] = kinds[str(row.attribute)] == row.attribute_value
    section = pd.Series(np.arange(len(kept)), index=kept["section_id"])
    fit = fit_cox(
        kind, kept["entry_days"].to_numpy(dtype=np.int64), kept["exit_days"].to_numpy(dtype=np.int64),
        kept["length_km"].to_numpy(dtype=np.float64), failures["section_id"].map(section).to_numpy(dtype=np.int64),
        failures["age_days"].to_numpy(dtype=np.int64), design,
        np.unique(kinds["insulation"].to_numpy(dtype=str), return_inverse=True)[1].astype(np.int64),
        np.unique(kept["loop_id"].to_numpy(dtype=str), return_inverse=True)[1].astype(np.int64),
    )
    spread = ndtri((1.0 + level) / 2.0) * np.sqrt(np.diag(fit.robust_variance))
    return np.column_stack([fit.coefficients - spread, fit.coefficients, fit.coefficients + spread])
