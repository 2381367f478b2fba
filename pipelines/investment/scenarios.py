"""What does the plan become under other settings, which setting moved it, and which sections change sides?"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from shared import dictionary
from shared.settings import Settings

RECORDS = frozenset(("general_as_of", "restoration_longest_accepted_days"))
"""Settings by which a refresh reads records otherwise: nothing that was read by others can be planned by them."""

AFTERWARDS = frozenset(
    ("replacement_backtest_origins", "replacement_backtest_replicates", "replacement_before_after_years")
)
"""Settings of [replacement] that only the evaluation asks for."""

TO_PLAN = frozenset(
    ("general_horizon_years", "general_interval_coverage", "general_small_group", "survival_min_failures")
)
"""Settings of other sections that the plan, or its limits, follow."""

BASE = "base"


@dataclass(frozen=True)
class Outcome:
    """A plan under some settings: its work by section, its years, and its figures by name."""

    programme: pd.DataFrame
    years: pd.DataFrame
    figures: Mapping[str, float]


@dataclass(frozen=True)
class Comparison:
    """rows: the base, each scenario, and each setting by itself. sections: those that change sides."""

    rows: pd.DataFrame
    sections: pd.DataFrame


Changes = dict[str, tuple[Any, Any]]
"""Settings by section_field, each with its value in the base and its other."""


def find_changes(base: Settings, other: Settings) -> Changes:
    """Settings that differ, by section_field: the value in the base, and the other."""
    before, after = base.flat(), other.flat()
    return {name: (value, after[name]) for name, value in before.items() if after[name] != value}


def moves_plan(name: str) -> bool:
    """Whether the plan follows a setting, named section_field."""
    return name in TO_PLAN or (name.startswith("replacement_") and name not in AFTERWARDS)


def say_value(value: Any) -> str:
    """A setting's value as text: 3000000 and 0.35, never 3e+06."""
    return f"{value:.12g}" if isinstance(value, float) else str(value)


def compare_scenarios(
    base: Settings,
    before: Outcome,
    scenarios: Mapping[str, Settings],
    plan_all: Callable[[Mapping[str, Settings]], Iterable[Outcome]],
) -> Comparison:
    """Every scenario as a whole, each of its settings moved alone from the base, and the sections that change sides.

    Parameters
    ----------
    base, before
        Settings and plan of the base run.
    scenarios
        Settings of each scenario, by its name.
    plan_all
        Plans under each of some settings, in their order; they are named by whom they are for.

    Returns
    -------
    Comparison
        rows: one row the base (scenario base), one a scenario (changed_setting empty), and one each setting of it that
        moves the plan, moved alone. Figures are of all years of the plan; first_year_* of the first. sections_paying:
        whose replacement alone returns its cost. sections_changed have another action than in the base (replace,
        inject, wait), sections_other_year the same in another year. sections: of each scenario as a whole, both kinds.

    Notes
    -----
    What a scenario changes, less what its settings change alone, is what they change only together. The same settings
    are planned once.

    Checked by: tests/unit/test_investment_scenarios.py
    """
    parts: list[tuple[str, str, Changes]] = []
    for scenario, settings in scenarios.items():
        changed = {name: ends for name, ends in find_changes(base, settings).items() if moves_plan(name)}
        parts += [(scenario, "", changed), *((scenario, name, {name: ends}) for name, ends in changed.items())]
    wanted: dict[str, tuple[str, Settings]] = {}
    for scenario, name, changed in parts:
        said = f"{scenario}, {_key(name)} alone" if name else scenario
        wanted.setdefault(str(changed), (said, move_settings(base, changed)))
    wanted.pop(str({}), None)  # what changes nothing is the base
    plans = {str({}): before} | dict(zip(wanted, plan_all(dict(wanted.values())), strict=True))

    rows, lists = [{"scenario": BASE, **dict.fromkeys(TEXTS, ""), **describe_plan(before, before)}], []
    for scenario, name, changed in parts:
        found = plans[str(changed)]
        ends = (_key(name), *map(say_value, changed[name])) if name else ("", "", "")
        rows.append({"scenario": scenario, **dict(zip(TEXTS, ends, strict=True)), **describe_plan(found, before)})
        if not name:
            lists.append(list_changed(found.programme, before.programme).assign(scenario=scenario))
    frame = dictionary.make_frame("scenarios.scenario_comparison", rows)
    return Comparison(frame, pd.concat(lists, ignore_index=True))


TEXTS = ("changed_setting", "from_value", "to_value")


def _key(name: str) -> str:
    """A setting as it is written: section.field."""
    return name.replace("_", ".", 1)


def move_settings(base: Settings, changed: Changes) -> Settings:
    """The base with some settings at their other value."""
    for name, (_, value) in changed.items():
        section, _, field = name.partition("_")
        base = base.override(section, **{field: value})
    return base


def tabulate_changes(rows: pd.DataFrame) -> pd.DataFrame:
    """What each setting of each scenario changes by itself, and what is left over.

    Parameters
    ----------
    rows
        Of compare_scenarios.

    Returns
    -------
    DataFrame
        scenario, changed_setting (TOGETHER: what a scenario of several settings changes beyond the sum of each alone),
        from_value, to_value and the changes of SUMS against the base.

    Notes
    -----
    Checked by: tests/unit/test_investment_scenarios.py
    """
    sums = list(SUMS)
    base = rows.loc[rows["scenario"].eq(BASE), sums].iloc[0]
    moved = rows.assign(**(rows[sums] - base))[["scenario", "changed_setting", "from_value", "to_value", *sums]]
    parts = []
    for scenario, own in moved[moved["scenario"].ne(BASE)].groupby("scenario", sort=False):
        whole, alone = own[own["changed_setting"].eq("")], own[own["changed_setting"].ne("")]
        parts.append(alone)
        if len(alone) > 1:
            left = whole[sums] - alone[sums].sum()
            parts.append(left.assign(scenario=scenario, changed_setting=TOGETHER, from_value="", to_value=""))
    return pd.concat(parts, ignore_index=True)[list(moved.columns)] if parts else moved.head(0)


TOGETHER = "only together"

SUMS = ("replaced_km", "injected_km", "spent", "avoided_failures", "avoided_cost")
"""Figures that add up over the years of a plan."""


def describe_plan(found: Outcome, before: Outcome) -> dict[str, float]:
    """The figures of a row of scenario_comparison."""
    first = found.years[found.years["plan_year"].eq(1)]
    changed = list_changed(found.programme, before.programme)["scenario_change"]
    other_year = int(changed.eq("other_year").sum())
    return {
        **{name: float(found.years[name].sum()) for name in SUMS},
        "avoided_cost_lo": found.figures.get("plan_avoided_cost_lo", np.nan),
        "avoided_cost_hi": found.figures.get("plan_avoided_cost_hi", np.nan),
        "net_benefit": float(found.years["net_benefit"].sum()),
        "sections_paying": int(found.figures["sections_paying"]),
        "sections_changed": len(changed) - other_year,
        "sections_other_year": other_year,
        "plan_gap": found.figures["plan_gap"],
        **{f"first_year_{name}": float(first[name].sum()) for name in SUMS},
    }


def list_changed(programme: pd.DataFrame, before: pd.DataFrame) -> pd.DataFrame:
    """Sections whose action or year in one plan is not that in another.

    Parameters
    ----------
    programme, before
        Work of the plan and of the base: section_id, loop_id, length_m, action, plan_year; a row a section.

    Returns
    -------
    DataFrame
        section_id, loop_id, length_m, base_action, base_year, scenario_action, scenario_year (year of the plan; empty
        with wait) and scenario_change: comes_in, drops_out, other_action, other_year.
    """
    columns = ["section_id", "loop_id", "length_m", "action", "plan_year"]
    both = before[columns].merge(programme[columns], on="section_id", how="outer", suffixes=("", "_then"))
    is_in, was_in = both["action_then"].notna(), both["action"].notna()
    same = both["action"].astype("str").eq(both["action_then"].astype("str"))
    change = np.select([~was_in, ~is_in, ~same], ["comes_in", "drops_out", "other_action"], "other_year")
    frame = pd.DataFrame(
        {
            "section_id": both["section_id"],
            "loop_id": both["loop_id"].fillna(both["loop_id_then"]),
            "length_m": both["length_m"].fillna(both["length_m_then"]),
            "base_action": both["action"].astype("object").fillna("wait"),
            "base_year": both["plan_year"].astype("Int64"),
            "scenario_action": both["action_then"].astype("object").fillna("wait"),
            "scenario_year": both["plan_year_then"].astype("Int64"),
            "scenario_change": change,
        }
    )
    moved = ~same | both["plan_year"].ne(both["plan_year_then"])
    return frame[moved].sort_values("section_id", kind="stable", ignore_index=True)
