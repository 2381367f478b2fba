"""Fleets of many kinds with a known truth: what the ranking's limits must hold in, and the demo does not have.

Loops lie in four districts and are laid within a year; failures are drawn quarter by quarter from the curve of the
class, the multipliers and what each world adds, so that the truth of the years to come is a sum and not a guess.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.survival.history import FailureHistory

FIRST, LAST = 2006, 2026
"""Years from the first on record to the as-of day, the last day before LAST."""

CLASSES = pd.DataFrame(
    [("HMWPE", 0.2, 1964, 1975, 18.0, 2.6), ("XLPE", 0.4, 1970, 1986, 7.0, 3.0), ("TRXLPE", 0.4, 1984, 2006, 1.0, 1.8)],
    columns=["cable_class", "share", "first", "last", "rate_at_30", "shape"],
)
"""rate_at_30: failures per 100 km and year at 30 years of age, of a power law."""

NEW_CLASS, BAD_CLASS, BAD_YEAR = 2, 1, 1978


@dataclass(frozen=True)
class World:
    """What is true of a kind of fleet.

    loop_variance, section_variance: of the gamma multipliers. loop_only, undated: share of the failures known by loop
    alone, and of the sections without a date. flat_from: age from which the hazard rises no more. early: times by which
    new cable fails more, going out within three years. splice: failures a year of a repair's splices, for two years.
    trend: growth a year. weather: coefficient of variation of a district's year. replaced: sections a year that are
    replaced, those with the most failures on record. early_recorded: share of the failures of half the districts put on
    record before 2012. bad_year: times by which BAD_CLASS of BAD_YEAR fails more. is_scattered: the years of a loop's
    sections differ; else a loop is laid in one year. jacketed: times by which the cable of half the loops, with a
    jacketed neutral, fails as often.
    """

    loops: int = 200
    loop_variance: float = 0.35
    section_variance: float = 0.35
    loop_only: float = 0.03
    undated: float = 0.05
    flat_from: float = np.inf
    early: float = 0.0
    splice: float = 0.0
    trend: float = 0.0
    weather: float = 0.0
    replaced: float = 0.0
    early_recorded: float = 1.0
    bad_year: float = 1.0
    is_scattered: bool = False
    jacketed: float = 1.0


WORLDS = {
    "as designed": World(),
    "no heterogeneity": World(loop_variance=0.0, section_variance=0.0),
    "strong heterogeneity": World(loop_variance=1.0, section_variance=1.0),
    "early failures": World(early=6.0, splice=0.04),
    "hazard that flattens": World(flat_from=28.0),
    "trend, weather": World(trend=0.03, weather=0.5),
    "loop only, undated": World(loop_only=0.3, undated=0.3),
    "worst replaced first": World(replaced=0.006),
    "early years missing": World(early_recorded=0.4),
    "one bad year": World(bad_year=6.0),
    "bad year, scattered": World(bad_year=6.0, is_scattered=True),
    "12 loops": World(loops=12),
    "jacketed half": World(jacketed=0.5),
}


@dataclass(frozen=True)
class KnownWorld:
    """A history and its truth: of each section (by section_id) failures to be expected of each of the next ten years.

    truth: section_id, loop_id, cable_class, installed (year), multiplier, seen (failures expected while on record by
    curve alone), year_0 to year_9. failures: section_id and moment (year) of every failure on record.
    """

    history: FailureHistory
    truth: pd.DataFrame

    def expected(self, years: int) -> pd.Series:
        """Failures truly to be expected of each section over the next years, were it left in service."""
        return self.truth.set_index("section_id")[[f"year_{n}" for n in range(years)]].sum(axis=1)


def cumulate(age: np.ndarray, code: np.ndarray, world: World) -> np.ndarray:
    """Failures of a kilometre up to an age: a power law, straight on from flat_from."""
    rate, shape = CLASSES["rate_at_30"].to_numpy()[code] / 100.0, CLASSES["shape"].to_numpy()[code]
    age = np.maximum(age, 0.0)
    bent = np.minimum(age, world.flat_from)
    base = rate * 30.0 / shape * (bent / 30.0) ** shape
    if np.isfinite(world.flat_from):
        base = base + rate * (world.flat_from / 30.0) ** (shape - 1.0) * (age - bent)
    new = np.minimum(age, 3.0)
    return base + world.early * 0.01 * (new - new**2 / 6.0)


def make_world(world: World, seed: int) -> KnownWorld:
    """One fleet of a world."""
    rng = np.random.default_rng(seed)
    loops, per_loop = world.loops, rng.integers(5, 15, world.loops)
    loop = np.repeat(np.arange(loops), per_loop)
    of_loop = rng.choice(3, loops, p=CLASSES["share"])
    first, last = CLASSES["first"].to_numpy()[of_loop], CLASSES["last"].to_numpy()[of_loop]
    laid = np.floor(first + (last - first) * rng.random(loops))[loop]
    if world.is_scattered:
        laid = np.floor(first[loop] + (last - first)[loop] * rng.random(len(loop)))
    code, installed = of_loop[loop], laid + rng.random(len(loop))
    km = rng.lognormal(np.log(0.085), 0.45, len(loop))
    district = (np.arange(loops) % 4)[loop]
    multiplier = np.ones(len(loop))
    if world.loop_variance:
        multiplier *= rng.gamma(1 / world.loop_variance, world.loop_variance, loops)[loop]
    if world.section_variance:
        multiplier *= rng.gamma(1 / world.section_variance, world.section_variance, len(loop))
    multiplier *= np.where((code == BAD_CLASS) & (laid == BAD_YEAR), world.bad_year, 1.0)
    multiplier *= np.where(loop // 4 % 2, world.jacketed, 1.0)
    retired = np.full(len(loop), np.inf)
    spread = world.weather**2 / 4.0
    weather = (
        rng.gamma(1 / spread, spread, (LAST - FIRST, 1)) * rng.gamma(1 / spread, spread, (LAST - FIRST, 4))
        if world.weather
        else np.ones((LAST - FIRST, 4))
    )

    def rise(moment: float) -> float:
        return float((1.0 + world.trend) ** (moment - LAST))

    hit, when, on_record = [], [], np.zeros(len(loop))
    for quarter in range(4 * (LAST - FIRST)):
        moment = FIRST + quarter / 4.0
        year = quarter // 4
        part = cumulate(moment + 0.25 - installed, code, world) - cumulate(moment - installed, code, world)
        expected = km * part * multiplier * rise(moment) * weather[year, district]
        for one, at in zip(hit, when, strict=True):
            if world.splice and moment - 2.0 < at < moment:
                expected[one] += world.splice / 4.0
        count = rng.poisson(np.where(retired > moment, expected, 0.0))
        for one in np.repeat(np.arange(len(km)), count):
            hit.append(int(one))
            when.append(moment + 0.25 * rng.random())
        np.add.at(on_record, np.repeat(np.arange(len(km)), count), 1.0)
        if world.replaced and quarter % 4 == 1:
            worst = np.argsort(-(on_record + 0.01 * rng.random(len(km))), kind="stable")
            worst = worst[: round(world.replaced * len(km))]
            worst = worst[np.isinf(retired[worst]) & (on_record[worst] > 0)]
            retired[worst] = moment + 0.25
            new = np.arange(len(km), len(km) + len(worst))
            loop, district, km = np.r_[loop, loop[worst]], np.r_[district, district[worst]], np.r_[km, km[worst]]
            code, installed = (
                np.r_[code, np.full(len(new), NEW_CLASS)],
                np.r_[installed, np.full(len(new), moment + 0.25)],
            )
            own = rng.gamma(2.0, 0.5, len(new)) if world.section_variance else np.ones(len(new))
            multiplier, retired = np.r_[multiplier, own], np.r_[retired, np.full(len(new), np.inf)]
            on_record = np.r_[on_record, np.zeros(len(new))]
    owner, at = np.array(hit, dtype=np.int64), np.array(when)
    put_down = (at >= 2012) | (district[owner] >= 2) | (rng.random(len(owner)) < world.early_recorded)
    ahead = {}
    for n in range(10):
        age = LAST + n - installed
        ahead[f"year_{n}"] = (
            km * (cumulate(age + 1, code, world) - cumulate(age, code, world)) * multiplier * rise(LAST + n + 0.5)
        )
        if world.splice:  # what the splices of repairs already made still add
            left = np.clip(2.0 - (LAST - at) - n, 0.0, 1.0)
            ahead[f"year_{n}"] = ahead[f"year_{n}"] + np.bincount(owner, world.splice * left, len(km))
    seen = km * (
        cumulate(np.minimum(retired, LAST) - installed, code, world) - cumulate(FIRST - installed, code, world)
    )
    ids = np.array([f"S{n:06d}" for n in range(len(km))])
    truth = pd.DataFrame(
        {"section_id": ids, "loop_id": [f"L{n:04d}" for n in loop], "district_id": [f"D{n + 1}" for n in district]}
    )
    truth = truth.assign(cable_class=CLASSES["cable_class"].to_numpy()[code], installed=installed, length_km=km)
    truth = truth.assign(neutral=np.where((loop // 4 % 2 == 1) & (world.jacketed != 1.0), "jacketed", "bare"))
    truth = truth.assign(multiplier=multiplier, seen=seen, retired=retired, **ahead)
    undated = rng.random(len(km)) < world.undated
    keep = rng.permutation(np.flatnonzero(put_down))
    alone = rng.random(len(keep)) < world.loop_only
    return KnownWorld(
        _record(truth, undated, owner[keep], at[keep], alone), truth[np.isinf(retired)].reset_index(drop=True)
    )


def _day(moment: np.ndarray) -> pd.Series:
    """Date of a moment in years."""
    return pd.Series(pd.Timestamp("2006-01-01") + pd.to_timedelta(np.floor((moment - 2006.0) * 365.25), unit="D"))


def _record(
    truth: pd.DataFrame, undated: np.ndarray, owner: np.ndarray, at: np.ndarray, alone: np.ndarray
) -> FailureHistory:
    """The history as the warehouse would have it."""
    as_of = dt.date(LAST - 1, 12, 31)
    end, begin = pd.Timestamp(as_of), pd.Timestamp(f"{FIRST}-01-01")
    laid, known = _day(truth["installed"].to_numpy()), pd.Series(~undated)
    retired = _day(truth["retired"].where(np.isfinite(truth["retired"]), LAST + 1).to_numpy())
    retired = retired.where(np.isfinite(truth["retired"]))
    number = truth.groupby("loop_id").cumcount() + 1
    sections = truth[["section_id", "loop_id", "district_id", "cable_class", "neutral", "length_km"]].assign(
        half_loop_id=truth["loop_id"] + np.where(number % 2, "/A", "/B"),
        position=number,
        insulation=truth["cable_class"],
        installation="buried",
        conductor="1/0 AL",
        length_m=truth["length_km"] * 1000.0,
        installed_on=laid.where(known),
        is_installed_on_known=known,
        retired_on=retired,
        rejuvenated_on=pd.NaT,
        customers=6,
        recorded_from=begin,
    )
    leaves = retired.fillna(end).clip(upper=end)
    sections["in_view_from"] = laid.clip(lower=begin).where(known & (laid <= leaves))
    sections["in_view_to"] = leaves.where(sections["in_view_from"].notna())
    sections["exposure_years"] = ((sections["in_view_to"] - sections["in_view_from"]).dt.days / 365.25).fillna(0.0)
    sections["exposure_km_years"] = sections["exposure_years"] * sections["length_km"]
    day = np.minimum(np.maximum(_day(at), np.maximum(laid.to_numpy()[owner], begin)), end)
    why = np.select([alone, undated[owner]], ["loop_only", "undated_section"], "")
    age = (day - laid.to_numpy()[owner]).dt.days / 365.25
    failures = pd.DataFrame(
        {
            "job_id": [f"J{n:06d}" for n in range(len(owner))],
            "loop_id": truth["loop_id"].to_numpy()[owner],
            "section_id": pd.Series(truth["section_id"].to_numpy()[owner], dtype=object).where(~alone),
            "district_id": truth["district_id"].to_numpy()[owner],
            "cable_class": truth["cable_class"].to_numpy()[owner],
            "failed_on": day,
            "closed_on": day,
            "age_years": np.where(why == "", age, np.nan),
            "cause": "unknown",
            "failed_component": "cable",
            "is_counted": why == "",
            "why_not": pd.Series(why, dtype=object).where(why != ""),
        }
    )
    return FailureHistory(sections, failures, as_of)
