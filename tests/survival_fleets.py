"""Fleets with a known truth for the tests of survival: power laws times loop and section multipliers."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.survival.history import FailureHistory

AS_OF = dt.date(2025, 12, 31)
RECORDED_FROM = pd.Timestamp("2006-01-01")
CLASSES = {"XLPE/bare/buried": (2.6, 25.0), "HMWPE/bare/buried": (2.0, 14.0), "TRXLPE/jacketed/duct": (1.5, 60.0)}
"""Shape and scale in years of one kilometre, by class."""


@dataclass(frozen=True)
class KnownFleet:
    """A history and what lies behind it: true multiplier by section_id."""

    history: FailureHistory
    multiplier: pd.Series

    def true_expected(self, years: float) -> pd.Series:
        """Failures truly to be expected of each section in service over the years after the as-of date."""
        s = self.history.sections[self.history.sections["retired_on"].isna()].set_index("section_id")
        shape = s["cable_class"].map({k: v[0] for k, v in CLASSES.items()})
        scale = s["cable_class"].map({k: v[1] for k, v in CLASSES.items()})
        age = (pd.Timestamp(AS_OF) - s["true_installed_on"]).dt.days / 365.25
        ahead = ((age + years) / scale) ** shape - (age / scale) ** shape
        return s["length_km"] * ahead * self.multiplier.loc[s.index]


def make_fleet(
    seed: int,
    *,
    loops: int = 150,
    loop_variance: float = 0.35,
    section_variance: float = 0.35,
    missing_dates: float = 0.1,
    orphans: float = 0.3,
    loop_only: float = 0.05,
) -> KnownFleet:
    """Late entry, retirements (a share of the early ones off the register), missing dates, failures by loop alone."""
    rng = np.random.default_rng(seed)
    counts = rng.integers(5, 16, loops)
    loop = np.repeat(np.arange(loops), counts)
    size = len(loop)
    kinds = list(CLASSES)
    kind = rng.choice(3, loops, p=[0.5, 0.15, 0.35])[loop]
    year = np.array([rng.integers(a, b, size) for a, b in ((1970, 1986), (1964, 1975), (1990, 2015))])
    laid = pd.to_datetime(pd.Series(year[kind, np.arange(size)]).astype(str)) + pd.to_timedelta(
        rng.integers(0, 365, size), unit="D"
    )
    length = rng.lognormal(np.log(0.09), 0.45, size)
    multiplier = np.ones(size)
    if loop_variance:
        multiplier *= rng.gamma(1 / loop_variance, loop_variance, loops)[loop]
    if section_variance:
        multiplier *= rng.gamma(1 / section_variance, section_variance, size)
    retired = pd.Series(pd.to_datetime(rng.integers(2006, 2026, size).astype(str))).where(rng.random(size) < 0.08)
    retired = retired.where(retired > laid)
    shape = np.array([CLASSES[k][0] for k in kinds])[kind]
    scale = np.array([CLASSES[k][1] for k in kinds])[kind]
    end = retired.fillna(pd.Timestamp(AS_OF))
    entry = np.maximum((RECORDED_FROM - laid).dt.days / 365.25, 0.0).to_numpy()
    leave = np.maximum((end - laid).dt.days / 365.25, entry).to_numpy()
    low, high = (entry / scale) ** shape, (leave / scale) ** shape
    number = rng.poisson(length * multiplier * (high - low))
    owner = np.repeat(np.arange(size), number)
    age = scale[owner] * rng.uniform(low[owner], high[owner]) ** (1 / shape[owner])
    failed_on = laid.iloc[owner].reset_index(drop=True) + pd.to_timedelta(np.floor(age * 365.25), unit="D")
    failed_on = np.maximum(failed_on, RECORDED_FROM)
    ids = pd.Series([f"S{n:06d}" for n in range(size)])
    dropped = ((retired < pd.Timestamp("2010-01-01")) & (rng.random(size) < orphans)).to_numpy()
    undated = rng.random(size) < missing_dates
    known = pd.Series(~undated)
    loop_ids = pd.Series([f"L{n:05d}" for n in loop])
    sections = pd.DataFrame(
        {
            "section_id": ids,
            "loop_id": loop_ids,
            "half_loop_id": loop_ids + np.where(np.arange(size) // 4 % 2, "/B", "/A"),
            "district_id": "D1",
            "position": 1,
            "cable_class": [kinds[k] for k in kind],
            "length_m": length * 1000,
            "length_km": length,
            "installed_on": laid.where(known),
            "true_installed_on": laid,
            "is_installed_on_known": known,
            "retired_on": retired,
            "rejuvenated_on": pd.NaT,
            "customers": 0,
            "recorded_from": RECORDED_FROM,
            "conductor": "1/0 AL",
        }
    )
    parts = sections["cable_class"].str.split("/", expand=True)
    sections["insulation"], sections["neutral"], sections["installation"] = parts[0], parts[1], parts[2]
    view_from = np.maximum(laid, RECORDED_FROM).where(known & (end >= RECORDED_FROM))
    sections["in_view_from"], sections["in_view_to"] = view_from, end.where(view_from.notna())
    sections["exposure_years"] = ((sections["in_view_to"] - view_from).dt.days / 365.25).fillna(0.0)
    sections["exposure_km_years"] = sections["exposure_years"] * length
    alone = rng.random(len(owner)) < loop_only
    why = np.select([alone, dropped[owner], undated[owner]], ["loop_only", "not_in_register", "undated_section"], "")
    failures = pd.DataFrame(
        {
            "job_id": [f"J{n:06d}" for n in range(len(owner))],
            "loop_id": sections["loop_id"].to_numpy()[owner],
            "section_id": pd.Series(ids.to_numpy()[owner]).where(~alone),
            "district_id": "D1",
            "cable_class": pd.Series(sections["cable_class"].to_numpy()[owner]).where(~(alone | dropped[owner])),
            "failed_on": failed_on,
            "closed_on": failed_on + pd.Timedelta(days=5),
            "age_years": np.where(undated[owner], np.nan, (failed_on - laid.iloc[owner].to_numpy()).dt.days / 365.25),
            "cause": "unknown",
            "failed_component": "cable",
            "is_counted": why == "",
            "why_not": pd.Series(why, dtype=object).where(why != ""),
        }
    )
    kept = sections[~dropped].reset_index(drop=True)
    return KnownFleet(FailureHistory(kept, failures, AS_OF), pd.Series(multiplier, index=ids))


def small_history(sections: list[dict], failures: list[dict] = (), as_of: str = "2020-01-01") -> FailureHistory:
    """A fleet written out by hand. Dates four years apart are 1,461 days, so ages in between are whole years.

    What a row leaves out: one km of class A on half-loop L1/A, laid 1988, on record from 2000, in view as core has it;
    a failure counts, and has the class and loop of its section.
    """
    end = pd.Timestamp(as_of)
    base = {
        "loop_id": "L1",
        "district_id": "D1",
        "cable_class": "A",
        "length_km": 1.0,
        "installed_on": "1988-01-01",
        "is_installed_on_known": True,
        "retired_on": None,
        "rejuvenated_on": None,
        "recorded_from": "2000-01-01",
        "conductor": "x",
        "insulation": "XLPE",
        "neutral": "bare",
        "installation": "buried",
    }
    frame = pd.DataFrame([base | {"section_id": f"S{n}"} | row for n, row in enumerate(sections)])
    for name in ("installed_on", "retired_on", "rejuvenated_on", "recorded_from"):
        frame[name] = pd.to_datetime(frame[name])
    if "half_loop_id" not in frame:
        frame["half_loop_id"] = frame["loop_id"] + "/A"
    leaves = frame["retired_on"].where(frame["retired_on"] <= end, end)
    enters = np.maximum(frame["installed_on"], frame["recorded_from"])
    frame["in_view_from"] = enters.where(frame["is_installed_on_known"] & (enters <= leaves))
    frame["in_view_to"] = leaves.where(frame["in_view_from"].notna())
    frame["exposure_years"] = ((frame["in_view_to"] - frame["in_view_from"]).dt.days / 365.25).fillna(0.0)
    frame["exposure_km_years"] = frame["exposure_years"] * frame["length_km"]
    columns = ["section_id", "loop_id", "cable_class", "failed_on", "closed_on", "failed_component", "why_not"]
    struck = pd.DataFrame(list(failures), columns=columns)
    of = frame.set_index("section_id")
    for name in ("loop_id", "cable_class"):
        struck[name] = struck[name].astype("object").fillna(struck["section_id"].map(of[name]))
    struck["failed_on"] = pd.to_datetime(struck["failed_on"])
    struck["closed_on"] = pd.to_datetime(struck["closed_on"]).fillna(struck["failed_on"])
    struck["failed_component"] = struck["failed_component"].astype("object").fillna("cable")
    struck["why_not"] = struck["why_not"].astype("object").where(struck["why_not"].notna(), None)
    ages = (struck["failed_on"] - pd.to_datetime(struck["section_id"].map(of["installed_on"]))).dt.days / 365.25
    struck = struck.assign(
        job_id=[f"J{n}" for n in range(len(struck))],
        district_id="D1",
        age_years=ages,
        is_counted=struck["why_not"].isna(),
    )
    return FailureHistory(frame, struck, end.date())
