"""Scenarios: what each setting moves alone, what is left over, and which sections change sides, by hand."""

from __future__ import annotations

import re
from collections.abc import Mapping

import pandas as pd
import pytest

from pipelines import warehouse
from pipelines.investment.scenarios import (
    AFTERWARDS,
    RECORDS,
    TO_PLAN,
    Outcome,
    compare_scenarios,
    find_changes,
    list_changed,
    moves_plan,
    say_value,
    tabulate_changes,
)
from shared.settings import Settings

SETTINGS = Settings()


def work(*rows: tuple[str, str, int]) -> pd.DataFrame:
    """Work on sections of 100 m: section, action, year."""
    frame = pd.DataFrame(rows, columns=["section_id", "action", "plan_year"])
    return frame.assign(loop_id="L", length_m=100.0)


def outcome(programme: pd.DataFrame) -> Outcome:
    """A section replaced costs 10 and avoids 2 failures, one injected 4 and 1; a failure avoided is worth 6."""
    rows = []
    for year in (1, 2):
        own = programme[programme["plan_year"].eq(year)]
        replaced, injected = int(own["action"].eq("replace").sum()), int(own["action"].eq("inject").sum())
        failures, spent = 2.0 * replaced + injected, 10.0 * replaced + 4.0 * injected
        rows.append((year, 0.1 * replaced, 0.1 * injected, spent, failures, 6.0 * failures, 6.0 * failures - spent))
    names = ["replaced_km", "injected_km", "spent", "avoided_failures", "avoided_cost", "net_benefit"]
    years = pd.DataFrame(rows, columns=["plan_year", *names])
    return Outcome(programme, years, {"sections_paying": 3.0, "plan_gap": 0.001, "plan_avoided_cost_lo": 5.0})


BASE = outcome(work(("a", "replace", 1), ("b", "replace", 2), ("c", "inject", 1)))


def plan_all(wanted: Mapping[str, Settings]) -> list[Outcome]:
    PLANNED.extend(wanted)
    return [plan(settings) for settings in wanted.values()]


def plan(settings: Settings) -> Outcome:
    """A dear price injects b in place of replacing it; little money drops a; both leave c alone."""
    dear, poor = settings.replacement.cost_per_m_buried == 310.0, settings.replacement.budget == 1e6
    rows = [("c", "inject", 1)]
    rows += [] if poor else [("a", "replace", 1)]
    rows += [] if dear and poor else [("b", "inject" if dear else "replace", 2)]
    return outcome(work(*rows))


PLANNED: list[str] = []


def test_each_setting_is_moved_alone_and_what_is_left_over_is_told() -> None:
    PLANNED.clear()
    dear = SETTINGS.override("replacement", cost_per_m_buried=310.0)
    both = dear.override("replacement", budget=1e6).override("general", seed=7)
    found = compare_scenarios(SETTINGS, BASE, {"dear": dear, "both": both}, plan_all)
    # the same settings are planned once: dear as a whole, alone in it, and alone in both
    assert PLANNED == ["dear", "both", "both, replacement.budget alone"]
    rows = found.rows.set_index(["scenario", "changed_setting"])
    assert rows.index.tolist() == [
        ("base", ""),
        ("dear", ""),
        ("dear", "replacement.cost_per_m_buried"),
        ("both", ""),
        ("both", "replacement.budget"),
        ("both", "replacement.cost_per_m_buried"),
    ]
    assert rows["from_value"].tolist() == ["", "", "190", "", "3000000", "190"]
    assert rows["to_value"].tolist() == ["", "", "310", "", "1000000", "310"]
    assert rows["replaced_km"].tolist() == pytest.approx([0.2, 0.1, 0.1, 0.0, 0.1, 0.1])
    assert rows["injected_km"].tolist() == pytest.approx([0.1, 0.2, 0.2, 0.1, 0.1, 0.2])
    assert rows["spent"].tolist() == [24, 18, 18, 4, 14, 18]
    assert rows["avoided_failures"].tolist() == [5, 4, 4, 1, 3, 4]
    assert rows["net_benefit"].tolist() == [30 - 24, 24 - 18, 24 - 18, 6 - 4, 18 - 14, 24 - 18]
    assert rows["first_year_spent"].tolist() == [14, 14, 14, 4, 4, 14]
    assert rows["sections_changed"].tolist() == [0, 1, 1, 2, 1, 1]
    assert rows["sections_other_year"].eq(0).all()
    assert rows["avoided_cost_lo"].eq(5.0).all() and rows["avoided_cost_hi"].isna().all()

    changes = tabulate_changes(found.rows).set_index(["scenario", "changed_setting"])
    assert changes.index.tolist() == [*(rows.index[n] for n in (2, 4, 5)), ("both", "only together")]
    # both: 1 failure of 5 left; a alone takes 2, b alone 1, so one more goes only with both
    assert changes["avoided_failures"].tolist() == [-1, -2, -1, (1 - 5) - (-2 - 1)]
    assert changes["spent"].tolist() == [-6, -10, -6, (4 - 24) - (-10 - 6)]
    assert found.sections[["scenario", "section_id", "scenario_change"]].values.tolist() == [
        ["dear", "b", "other_action"],
        ["both", "a", "drops_out"],
        ["both", "b", "drops_out"],
    ]


def test_a_scenario_that_moves_nothing_of_the_plan_is_the_base() -> None:
    PLANNED.clear()
    found = compare_scenarios(SETTINGS, BASE, {"seed": SETTINGS.override("general", seed=7)}, plan_all)
    assert PLANNED == [] and found.sections.empty
    base, seed = found.rows.drop(columns="scenario").to_dict("records")
    assert str(base) == str(seed)
    assert tabulate_changes(found.rows).empty


def test_sections_that_come_in_drop_out_or_change_are_told_apart() -> None:
    then = work(("a", "replace", 2), ("b", "inject", 2), ("d", "inject", 1), ("c", "inject", 1))
    found = list_changed(then, BASE.programme).set_index("section_id").astype("object")
    assert found["scenario_change"].to_dict() == {"a": "other_year", "b": "other_action", "d": "comes_in"}
    assert found.loc["d", ["base_action", "scenario_action", "scenario_year"]].tolist() == ["wait", "inject", 1]
    assert found["base_year"].isna().tolist() == [False, False, True]
    gone = list_changed(then.head(0), BASE.programme)
    assert gone["scenario_change"].eq("drops_out").all() and gone["scenario_year"].isna().all()
    assert gone["length_m"].tolist() == [100.0] * 3 and gone["loop_id"].eq("L").all()


def test_values_are_written_as_a_person_types_them() -> None:
    assert [say_value(v) for v in (3e6, 0.35, 1e-4, 5, "XLPE/bare/buried")] == [
        "3000000", "0.35", "0.0001", "5", "XLPE/bare/buried",
    ]  # fmt: skip
    assert find_changes(SETTINGS, SETTINGS.override("survival", min_failures=9)) == {"survival_min_failures": (5, 9)}


def test_every_setting_that_models_read_records_by_is_refused_or_reaches_no_plan() -> None:
    assert SETTINGS.flat().keys() >= RECORDS | AFTERWARDS | TO_PLAN
    queries = " ".join(m.query for name, m in warehouse.models().items() if name.startswith(("staging.", "core.")))
    read = set(re.findall(r"\bcurrent\.(\w+)", queries))
    # sustained interruptions and the night are figures of restoration: no plan asks for them
    harmless = {"restoration_sustained_min", "restoration_night_from_hour", "restoration_night_to_hour"}
    assert read == RECORDS | harmless
    assert moves_plan("replacement_budget") and moves_plan("general_horizon_years")
    assert not any(moves_plan(name) for name in RECORDS | harmless | AFTERWARDS)
