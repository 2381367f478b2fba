"""What is wrong with the register, and how far does each fault move the rates? Looked at before any fit."""

import dataclasses
from collections.abc import Callable, Iterator

import numpy as np
import pandas as pd

from pipelines.survival.completeness import assess_completeness
from pipelines.survival.history import FailureHistory, code_names
from pipelines.survival.observation_windows import Windows, build_windows
from pipelines.survival.power_law import fit_power_law, summarise_ages
from shared import dictionary
from shared.eras import EARLIEST_YEAR
from shared.settings import Settings
from shared.units import DAYS_PER_YEAR

YEARS_CARRIED_BACK = 3
"""Retirements of this many years from the first on record stand in for the years before it."""

Row = dict[str, object]


def audit_register(history: FailureHistory, settings: Settings) -> pd.DataFrame:
    """Faults of the register by class, each with the rate and shape as used and with the fault treated the other way.

    Parameters
    ----------
    history
        Sections and failures, all of them, those that do not count too.
    settings
        general.interval_coverage, survival.min_failures.

    Returns
    -------
    DataFrame
        One row a finding and class that has any: finding, cable_class, sections, length_km and failures concerned,
        rate_per_100km_year (as used), rate_with (treated the other way), effect_pct, shape, shape_with (missing where
        the finding does not move ages, or failures are too few).

    Notes
    -----
    missing_date, default_date: left out as used; with them (spread over the likely years, or their date believed).
    before_era: in as used; without. orphan_failure: the section is not in the register; counted for the class that has
    most km on the loop. replaced_under_its_id: failures before the installation date of their section; counted.
    after_retirement: counted. no_retirements: years on record without a single retirement, before the first; with the
    cable carried back that the first three years of retirements would imply, and the orphans of those years.
    incomplete_years: years of a district before its records are complete (assess_completeness); in as used; with the
    district on record from the first complete year alone.

    Checked by: tests/unit/test_survival_audit.py
    """
    history = history.keep(code_names)
    starts = history.keep(assess_completeness).starts
    classes = history.sections["cable_class"].astype("category")  # told apart by number
    failures = history.failures.assign(cable_class=history.keep(_class_of_failures))
    history = dataclasses.replace(history, sections=history.sections.assign(cable_class=classes))
    windows = build_windows(history)
    frame = _window_frame(windows)
    events = _event_frame(windows, frame)
    rows: list[Row] = []
    for name in sorted(classes.dropna().unique()):
        sections = history.sections[history.sections["cable_class"] == name]
        own, late = (rows_of[rows_of["cable_class"] == name] for rows_of in (frame, events))
        used, seen = own[own["is_known"]], late[late["is_known"]]
        base = _summary(used, seen, settings)
        for finding, concerned, km, extra, treated in _findings(name, sections, own, late, failures, history, starts):
            if concerned == 0 and extra == 0:
                continue
            other = treated(settings, used, seen)
            rows.append(
                {
                    "finding": finding,
                    "cable_class": name,
                    "sections": concerned,
                    "length_km": km,
                    "failures": extra,
                    "rate_per_100km_year": base[0],
                    "rate_with": other[0],
                    "effect_pct": 100.0 * (other[0] / base[0] - 1.0) if base[0] and other[0] is not None else None,
                    "shape": base[1],
                    "shape_with": other[1],
                }
            )
    return dictionary.make_frame("marts.register_audit", rows)


def count_orphans(history: FailureHistory) -> pd.DataFrame:
    """Failures by year and class, and how many of them lie on sections that are not in the register.

    Notes
    -----
    A share that grows the further back one looks is the sign of cable that failed, was taken out, and was dropped from
    the register: what is left looks better than it was. Columns of marts.register_orphans.

    Checked by: tests/unit/test_survival_audit.py
    """
    history = history.keep(code_names)
    failures = history.failures.assign(cable_class=history.keep(_class_of_failures))
    used = failures[failures["is_counted"].astype(bool) | (failures["why_not"] == "not_in_register")]
    table = (
        used.assign(year=pd.to_datetime(used["failed_on"]).dt.year, is_orphan=used["why_not"] == "not_in_register")
        .groupby(["cable_class", "year"])
        .agg(failures=("job_id", "size"), orphans=("is_orphan", "sum"))
        .reset_index()
    )
    return table.assign(orphan_share=table["orphans"] / table["failures"])


Treatment = Callable[[Settings, pd.DataFrame, pd.DataFrame], tuple[float | None, float | None]]


def _findings(
    name: str,
    sections: pd.DataFrame,
    frame: pd.DataFrame,
    events: pd.DataFrame,
    failures: pd.DataFrame,
    history: FailureHistory,
    starts: dict[str, pd.Timestamp],
) -> Iterator[tuple[str, int, float, int, Treatment]]:
    """Each finding of a class: sections, km and failures concerned, and the figures with it treated the other way."""
    mine = failures[failures["cable_class"] == name]
    open_sections = sections[~sections["is_installed_on_known"].astype(bool)]
    for finding, group in (
        ("missing_date", open_sections[open_sections["installed_on"].isna()]),
        ("default_date", open_sections[open_sections["installed_on"].notna()]),
    ):
        more = frame[frame["section_code"].isin(group["section_code"])]
        late = events[events["section_code"].isin(group["section_code"])]
        if finding == "default_date" and len(group):
            more, late = _believe(more, late, group)
        number = int(mine["section_code"].isin(group["section_code"]).mul(mine["why_not"] == "undated_section").sum())
        yield finding, len(group), float(group["length_km"].sum()), number, _with(more, late)
    earliest = sections["insulation"].astype("object").map(EARLIEST_YEAR)
    early = sections[
        sections["is_installed_on_known"].astype(bool) & (pd.to_datetime(sections["installed_on"]).dt.year < earliest)
    ]
    yield (
        "before_era",
        len(early),
        float(early["length_km"].sum()),
        int(mine[mine["is_counted"].astype(bool)]["section_code"].isin(early["section_code"]).sum()),
        _without(early["section_code"]),
    )
    for finding, why in (
        ("orphan_failure", "not_in_register"),
        ("replaced_under_its_id", "before_installation"),
        ("after_retirement", "after_retirement"),
    ):
        group = mine[mine["why_not"] == why]
        concerned = sections[sections["section_code"].isin(group["section_code"])]
        yield (finding, len(concerned), float(concerned["length_km"].sum()), len(group), _counted(len(group), 0.0))
    km, exposure, orphans = _carry_back(sections, mine, history)
    yield "no_retirements", 0, km, orphans if km else 0, _counted(orphans, exposure)
    short = sections[_begins(sections, starts) > pd.to_datetime(sections["in_view_from"])]
    before = pd.to_datetime(mine["failed_on"]) < _begins(mine, starts)
    number = int((before & mine["is_counted"].astype(bool)).sum())
    yield "incomplete_years", len(short), float(short["length_km"].sum()), number, _begun_at(starts)


def _carry_back(sections: pd.DataFrame, mine: pd.DataFrame, history: FailureHistory) -> tuple[float, float, int]:
    """Km that was retired unseen, its exposure, and the orphans of those years."""
    retired = pd.to_datetime(sections["retired_on"])
    retired = retired[retired <= pd.Timestamp(history.as_of)]
    if retired.empty or sections.empty:
        return 0.0, 0.0, 0
    begun = pd.to_datetime(sections["recorded_from"]).min()
    silent = max(0.0, (retired.min() - begun).days / DAYS_PER_YEAR)
    if silent < 1.0:
        return 0.0, 0.0, 0
    first = retired[retired < retired.min() + pd.DateOffset(years=YEARS_CARRIED_BACK)]
    a_year = float(sections.loc[first.index, "length_km"].sum()) / YEARS_CARRIED_BACK
    orphans = mine[(mine["why_not"] == "not_in_register") & (pd.to_datetime(mine["failed_on"]) < retired.min())]
    return a_year * silent, a_year * silent * silent / 2.0, len(orphans)


def _with(more: pd.DataFrame, late: pd.DataFrame) -> Treatment:
    def treat(settings: Settings, used: pd.DataFrame, seen: pd.DataFrame) -> tuple[float | None, float | None]:
        return _summary(pd.concat([used, more]), pd.concat([seen, late]), settings)

    return treat


def _without(codes: pd.Series) -> Treatment:
    def treat(settings: Settings, used: pd.DataFrame, seen: pd.DataFrame) -> tuple[float | None, float | None]:
        return _summary(used[~used["section_code"].isin(codes)], seen[~seen["section_code"].isin(codes)], settings)

    return treat


def _begun_at(starts: dict[str, pd.Timestamp]) -> Treatment:
    def treat(settings: Settings, used: pd.DataFrame, seen: pd.DataFrame) -> tuple[float | None, float | None]:
        age = ((_begins(used, starts) - used["installed_on"]).dt.days / DAYS_PER_YEAR).fillna(0.0)
        entry = age.clip(lower=used["entry_years"]).clip(upper=used["exit_years"])
        return _summary(used.assign(entry_years=entry), seen[~(seen["failed_on"] < _begins(seen, starts))], settings)

    return treat


def _begins(rows: pd.DataFrame, starts: dict[str, pd.Timestamp]) -> pd.Series:
    """First day of the complete records of each row's district, where its early years are incomplete."""
    return pd.to_datetime(rows["district_id"].astype("object").map(starts))


def _counted(failures: int, exposure_km_years: float) -> Treatment:
    def treat(settings: Settings, used: pd.DataFrame, seen: pd.DataFrame) -> tuple[float | None, float | None]:  # noqa: ARG001
        exposure = _exposure(used) + exposure_km_years
        total = seen["weight"].to_numpy(dtype=np.float64).sum() + failures
        return (100.0 * total / exposure if exposure > 0 else None), None

    return treat


def _believe(more: pd.DataFrame, late: pd.DataFrame, group: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Windows and failures of sections whose stand-in date is believed: one window each."""
    installed = group.set_index("section_code")["installed_on"].pipe(pd.to_datetime)
    whole = more.groupby("section_code", sort=True).first().reset_index()
    shift = (whole["installed_on"] - whole["section_code"].map(installed)).dt.days.to_numpy() / DAYS_PER_YEAR
    km = group.set_index("section_code")["length_km"]
    whole = whole.assign(
        km=whole["section_code"].map(km).to_numpy(),
        entry_years=np.maximum(whole["entry_years"] + shift, 0.0),
        exit_years=np.maximum(whole["exit_years"] + shift, 0.0),
    )
    own = late.drop_duplicates(["section_code", "failed_on"]).assign(weight=1.0)
    ages = (own["failed_on"] - own["section_code"].map(installed)).dt.days / DAYS_PER_YEAR
    return whole, own.assign(age_years=ages)[ages >= 0]


def _summary(used: pd.DataFrame, seen: pd.DataFrame, settings: Settings) -> tuple[float | None, float | None]:
    """Rate per 100 km and year, and shape, of windows and failures."""
    exposure = _exposure(used)
    if exposure <= 0:
        return None, None
    failures = seen["weight"].to_numpy(dtype=np.float64).sum()
    law = None
    if failures >= settings.survival.min_failures:
        law = fit_power_law(
            summarise_ages(used["entry_years"], used["exit_years"], used["km"], seen["age_years"], seen["weight"]),
            settings.general.interval_coverage,
        )
    return 100.0 * failures / exposure, law.shape if law else None


def _exposure(used: pd.DataFrame) -> float:
    return float((used["km"] * (used["exit_years"] - used["entry_years"])).sum())


def _window_frame(windows: Windows) -> pd.DataFrame:
    owned = windows.sections[["section_code", "cable_class", "district_id", "is_installed_on_known"]]
    owned = owned.iloc[windows.owner].reset_index(drop=True)
    days = pd.to_timedelta(np.round(windows.age_now * DAYS_PER_YEAR), unit="D")
    return pd.DataFrame(
        {
            "section_code": owned["section_code"],
            "cable_class": owned["cable_class"],
            "district_id": owned["district_id"],
            "is_known": owned["is_installed_on_known"].astype(bool),
            "km": windows.km,
            "entry_years": windows.entry_years,
            "exit_years": windows.exit_years,
            "installed_on": windows.as_of - days,
        }
    )


def _event_frame(windows: Windows, frame: pd.DataFrame) -> pd.DataFrame:
    owned = frame[["section_code", "cable_class", "district_id", "is_known"]]
    owned = owned.iloc[windows.event_window].reset_index(drop=True)
    return owned.assign(age_years=windows.event_age_years, weight=windows.event_weight, failed_on=windows.event_on)


def _class_of_failures(history: FailureHistory) -> pd.Series:
    """Class of each failure; where its section is unknown, the class with most kilometres on its loop."""
    stated = history.failures["cable_class"].astype("object")
    open_loops = history.failures.loc[stated.isna(), "loop_id"].unique()
    near = history.sections.loc[history.sections["loop_id"].isin(open_loops), ["loop_id", "cable_class", "length_km"]]
    km = near.astype({"cable_class": "object"}).groupby(["loop_id", "cable_class"])["length_km"].sum().reset_index()
    most = km.sort_values(["loop_id", "length_km", "cable_class"]).groupby("loop_id")["cable_class"].last()
    return stated.fillna(history.failures["loop_id"].map(most)).fillna("unknown").astype("category")
