"""Which loops moved since the last ranking, and why? Two rankings compared, place by place."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

KEPT_RUNS = 3
"""Rankings kept to compare with."""

SMALL_PCT = 0.5
"""A change of less is not worth a word."""

LOOP_FACTS = (
    "loop_id",
    "rank",
    "length_km",
    "failures_recorded",
    "failures_shared",
    "multiplier",
    "class_rate_per_100km_year",
    "expected_rate_per_100km_year",
)
SECTION_FACTS = ("section_id", "loop_id", "cable_class", "length_km", "installed_on")


@dataclass(frozen=True)
class Ranking:
    """A ranking with what it stands on: loops by LOOP_FACTS, sections in service by SECTION_FACTS."""

    run_number: int
    as_of: dt.date
    model_form: str
    settings: Mapping[str, str]
    loops: pd.DataFrame
    sections: pd.DataFrame

    def is_same_as(self, other: Ranking) -> bool:
        """Whether nothing differs but the number of the run."""
        return (
            (self.as_of, self.model_form, dict(self.settings)) == (other.as_of, other.model_form, dict(other.settings))
            and _is_equal(self.loops, other.loops)
            and _is_equal(self.sections, other.sections)
        )


def _is_equal(one: pd.DataFrame, other: pd.DataFrame) -> bool:
    """Frames that agree, numbers to nine digits: what a run leaves in the store and what it computed."""
    if len(one) != len(other):
        return False
    for column in one.columns:
        a, b = one[column].reset_index(drop=True), other[column].reset_index(drop=True)
        if pd.api.types.is_numeric_dtype(a):
            if not np.allclose(a.to_numpy(dtype=float), b.to_numpy(dtype=float), rtol=1e-9, atol=1e-12, equal_nan=True):
                return False
        elif column == "installed_on":
            if not pd.to_datetime(a).fillna(pd.Timestamp(0)).eq(pd.to_datetime(b).fillna(pd.Timestamp(0))).all():
                return False
        elif not a.astype(str).eq(b.astype(str)).all():
            return False
    return True


def take_ranking(
    run_number: int,
    as_of: dt.date,
    model_form: str,
    settings: Mapping[str, str],
    horizon_years: float,
    loops: pd.DataFrame,
    sections: pd.DataFrame,
) -> Ranking:
    """What is kept of the rankings of loops and sections that assemble made."""
    per_year = loops["length_km"] * horizon_years
    loops = loops.assign(class_rate_per_100km_year=100.0 * loops["expected_class"] / per_year)
    return Ranking(
        run_number,
        as_of,
        model_form,
        settings,
        loops[list(LOOP_FACTS)].sort_values("loop_id", ignore_index=True),
        sections[list(SECTION_FACTS)].sort_values("section_id", ignore_index=True),
    )


def choose_earlier(kept: Sequence[Ranking], now: Ranking) -> Ranking | None:
    """The last ranking kept that differs from this one; none where there is none.

    Notes
    -----
    A run that changes nothing is not kept, so the same input gives the same comparison however often it is run.

    Checked by: tests/unit/test_ranking_rank_changes.py
    """
    differing = [ranking for ranking in kept if not ranking.is_same_as(now)]
    return max(differing, key=lambda ranking: ranking.run_number) if differing else None


def is_worth_keeping(kept: Sequence[Ranking], now: Ranking) -> bool:
    """Whether this ranking differs from the last one kept."""
    return not kept or not max(kept, key=lambda ranking: ranking.run_number).is_same_as(now)


def compare_rankings(then: Ranking | None, now: Ranking) -> pd.DataFrame:
    """Places moved since an earlier ranking, taken apart.

    Parameters
    ----------
    then, now
        The earlier ranking (none: no rows) and this one.

    Returns
    -------
    DataFrame
        One row a loop of either: loop_id, run_then, as_of_then, rank_then, rank_now, places_moved (up is positive),
        places_own, places_by_others, rate_then, rate_now, class_change_pct, record_change_pct, failures_then,
        failures_now, length_then_km, length_now_km, sections_added, sections_removed, churn_reasons.

    Notes
    -----
    Failures expected per km are the class's times the multiplier, so their change is the product of two: of the class
    (age, length, curves) and of the record (multiplier). places_own are the places the loop would have moved had no
    other loop's figure changed; places_by_others are the rest.

    Checked by: tests/unit/test_ranking_rank_changes.py
    """
    if then is None:
        return pd.DataFrame()
    both = then.loops.merge(now.loops, on="loop_id", how="outer", suffixes=("_then", "_now"), sort=True)
    own = _places_own(both)
    moved = both["rank_then"] - both["rank_now"]
    made = pd.DataFrame(
        {
            "loop_id": both["loop_id"],
            "run_then": then.run_number,
            "as_of_then": pd.Timestamp(then.as_of),
            "rank_then": both["rank_then"].astype("Int64"),
            "rank_now": both["rank_now"].astype("Int64"),
            "places_moved": moved.astype("Int64"),
            "places_own": own.astype("Int64"),
            "places_by_others": (moved - own).astype("Int64"),
            "rate_then": both["expected_rate_per_100km_year_then"],
            "rate_now": both["expected_rate_per_100km_year_now"],
            "class_change_pct": _change(both, "class_rate_per_100km_year"),
            "record_change_pct": _change(both, "multiplier"),
            "failures_then": both["failures_recorded_then"].astype("Int64"),
            "failures_now": both["failures_recorded_now"].astype("Int64"),
            "length_then_km": both["length_km_then"],
            "length_now_km": both["length_km_now"],
        }
    )
    register = _compare_register(then, now)
    made = made.merge(register, on="loop_id", how="left").fillna(dict.fromkeys(register.columns[1:], 0))
    shared = (both["failures_shared_now"] - both["failures_shared_then"]).to_numpy(dtype=np.float64)
    whole = _fleet_reasons(then, now)
    reasons = [
        explain_move(row, float(more), whole, now.as_of)
        for row, more in zip(made.to_dict("records"), shared, strict=True)
    ]
    return made.assign(
        churn_reasons=reasons,
        sections_added=made["sections_added"].astype("int64"),
        sections_removed=made["sections_removed"].astype("int64"),
    ).drop(columns=["lengths_corrected", "dates_corrected", "classes_corrected"])


def _places_own(both: pd.DataFrame) -> pd.Series:
    """Places each loop would have moved by its own figure alone, among the others as they were."""
    before = both["expected_rate_per_100km_year_then"].to_numpy(dtype=np.float64)
    after = both["expected_rate_per_100km_year_now"].to_numpy(dtype=np.float64)
    stays = ~np.isnan(before) & ~np.isnan(after)
    ordered = np.sort(before[~np.isnan(before)])
    above = len(ordered) - np.searchsorted(ordered, after, side="right")
    # the loop's own old figure is no rival of its new one
    above = above - (stays & (before > after))
    own = both["rank_then"].to_numpy(dtype=np.float64) - (1.0 + above)
    # a figure that did not change moves nobody, whatever the order among equals
    own = np.where(np.isclose(before, after, rtol=1e-9), 0.0, own)
    return pd.Series(np.where(stays, own, np.nan), both.index)


def _change(both: pd.DataFrame, column: str) -> pd.Series:
    before = both[f"{column}_then"]
    return 100.0 * (both[f"{column}_now"] / before.where(before > 0) - 1.0)


def _compare_register(then: Ranking, now: Ranking) -> pd.DataFrame:
    """Sections added, removed and corrected, by loop."""
    both = then.sections.merge(now.sections, on="section_id", how="outer", suffixes=("_then", "_now"))
    stays = both["loop_id_then"].notna() & both["loop_id_now"].notna()
    laid = {when: pd.to_datetime(both[f"installed_on_{when}"]).fillna(pd.Timestamp(0)) for when in ("then", "now")}
    counts = pd.DataFrame(
        {
            "loop_id": both["loop_id_now"].fillna(both["loop_id_then"]),
            "sections_added": both["loop_id_then"].isna(),
            "sections_removed": both["loop_id_now"].isna(),
            "lengths_corrected": stays & ~np.isclose(both["length_km_then"], both["length_km_now"], atol=0.0005),
            "dates_corrected": stays & laid["then"].ne(laid["now"]),
            "classes_corrected": stays & both["cable_class_then"].ne(both["cable_class_now"]),
        }
    )
    return counts.groupby("loop_id").sum().reset_index()


def _fleet_reasons(then: Ranking, now: Ranking) -> tuple[str, ...]:
    """What changed for every loop: settings and the form of the model."""
    changed = [
        f"{key} from {then.settings.get(key, 'nothing')} to {now.settings.get(key, 'nothing')}"
        for key in sorted({*then.settings, *now.settings})
        if then.settings.get(key) != now.settings.get(key)
    ]
    said = [f"settings changed: {', '.join(changed)}"] if changed else []
    if then.model_form != now.model_form:
        said.append(f"model form changed from {then.model_form} to {now.model_form}")
    return tuple(said)


def explain_move(row: Mapping[Any, Any], more_shared: float, whole: tuple[str, ...], as_of: dt.date) -> str:
    """Why a loop moved, in words and numbers; empty where it kept its place.

    Parameters
    ----------
    row
        A row of compare_rankings, with lengths_corrected, dates_corrected and classes_corrected.
    more_shared
        By how much its share of failures known by loop alone grew.
    whole
        What changed for every loop.
    as_of
        Day of this ranking.

    Notes
    -----
    Checked by: tests/unit/test_ranking_rank_changes.py (through compare_rankings)
    """
    if pd.isna(row["rank_now"]):
        return "no longer ranked: no cable in service"
    if pd.isna(row["rank_then"]):
        return "not ranked then: no cable in service"
    if row["places_moved"] == 0:
        return ""
    said = [*_record_reasons(row, more_shared), *_register_reasons(row), *_model_reasons(row, as_of), *whole]
    own, others = int(row["places_own"]), int(row["places_by_others"])
    if others and (not own or abs(others) >= abs(own)):
        said.append(f"{'others moved past it' if others < 0 else 'others fell behind it'} ({abs(others)})")
    if own and others:
        said.append(f"places by its own figure {own:+d}, by the others' {others:+d}".replace("-", "\u2212"))
    return "; ".join(said)


def _record_reasons(row: Mapping[Any, Any], more_shared: float) -> list[str]:
    new = int(row["failures_now"]) - int(row["failures_then"])
    said = []
    if new > 0:
        said.append(f"{new} new failure{'s' if new > 1 else ''} on record ({int(row['failures_now'])} now)")
    if new < 0:
        said.append(
            f"{-new} failure{'s' if new < -1 else ''} fewer on record ({int(row['failures_now'])} now): "
            "corrected, or on cable since taken out of service"
        )
    if abs(more_shared) >= 0.05:
        said.append(f"its share of failures known by loop alone {more_shared:+.1f}".replace("-", "\u2212"))
    return said


def _register_reasons(row: Mapping[Any, Any]) -> list[str]:
    said = []
    for column, words in (
        ("sections_added", "added"),
        ("sections_removed", "taken out of service or off the register"),
    ):
        if row[column]:
            said.append(f"{_counted(row[column], 'section')} {words}")
    if row["lengths_corrected"]:
        said.append(
            f"length of {_counted(row['lengths_corrected'], 'section')} corrected "
            f"({row['length_then_km']:.2f} to {row['length_now_km']:.2f} km in all)"
        )
    if row["dates_corrected"]:
        said.append(f"installation date of {_counted(row['dates_corrected'], 'section')} corrected")
    if row["classes_corrected"]:
        said.append(f"cable class of {_counted(row['classes_corrected'], 'section')} corrected")
    return said


def _model_reasons(row: Mapping[Any, Any], as_of: dt.date) -> list[str]:
    """Change of what the class expects, with the date or without, and of the multiplier where nothing new is said."""
    said = []
    days = (pd.Timestamp(as_of) - pd.Timestamp(row["as_of_then"])).days
    change = float(row["class_change_pct"])
    if abs(change) >= SMALL_PCT:
        since = f"{'older by' if days > 0 else 'taken back'} {abs(days)} days" if days else "curves fitted anew"
        said.append(f"its class expects {_more(change)} per km and year ({since})")
    change = float(row["record_change_pct"])
    if abs(change) >= SMALL_PCT:
        quiet = days > 0 and row["failures_now"] == row["failures_then"] and change < 0
        said.append(f"its multiplier is {_more(change)}" + (": time went by without a failure" if quiet else ""))
    return said


def _more(change_pct: float) -> str:
    return f"{abs(change_pct):.1f} % {'more' if change_pct > 0 else 'less'}"


def _counted(count: int, noun: str) -> str:
    return f"{int(count)} {noun}{'' if count == 1 else 's'}"
