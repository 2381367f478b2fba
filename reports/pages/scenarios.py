"""Scenarios side by side: the plan under other settings, which setting moved it, and which sections change sides."""

import pandas as pd

from pipelines.investment.scenarios import BASE, TOGETHER, Comparison, tabulate_changes
from reports.figures import scenarios as figures
from reports.page import Exhibit, Page, Section
from reports.words import Words
from shared.settings import Settings

say = Words("scenarios")

SHOWN_SECTIONS = 500
KM = ["replaced_km", "injected_km"]


def build(found: Comparison, idle: dict[str, list[str]], n_sections: int, settings: Settings) -> Page:
    """The page of a comparison.

    Parameters
    ----------
    found
        The rows and the sections.
    idle
        Settings of each scenario that the plan does not follow.
    n_sections
        Sections in service.
    settings
        Of the base run.

    Notes
    -----
    Checked by: tests/unit/test_reports_scenarios.py
    """
    whole = found.rows[found.rows["changed_setting"].eq("")].reset_index(drop=True)
    made = (plans(whole, n_sections, settings), changes(found.rows), first_year(whole), sections(found.sections))
    notes = tuple(say("idle", scenario=name, names=", ".join(names)) for name, names in idle.items() if names)
    return Page("scenarios", say.text("title"), say.text("question"), notes, (Section("Compared with the base", made),))


def plans(whole: pd.DataFrame, n_sections: int, settings: Settings) -> Exhibit:
    """The base and each scenario as a whole."""
    base, others = whole.iloc[0], whole[whole["scenario"].ne(BASE)]
    values = {"base": base, "currency": settings.general.currency}
    is_moved = bool(others["sections_changed"].add(others["sections_other_year"]).gt(0).any())
    most = others.iloc[_most_moved(others[KM] - base[KM])]
    return say.exhibit(
        "plans",
        say("plans.first" if is_moved else "plans.none", row=most, **values),
        whole,
        more=tuple(say("plans.each", row=row, **values) for _, row in others.iterrows()),
        chart=figures.chart_plans(whole),
        n_scenarios=len(others),
        n_sections=n_sections,
        horizon=settings.general.horizon_years,
        coverage=settings.general.interval_coverage,
        gap=whole["plan_gap"].max(),
    )


def _most_moved(changes: pd.DataFrame) -> int:
    """Place of the row with the largest changes, signs aside."""
    return int(changes.abs().sum(axis=1).to_numpy(dtype=float).argmax())


def changes(rows: pd.DataFrame) -> Exhibit:
    """What each setting moves alone, and what is left over."""
    found = tabulate_changes(rows)
    alone = found[found["changed_setting"].ne(TOGETHER)]
    if alone.empty:
        return Exhibit("changes", say.text("changes.title"), say("plans.none"), tuple(say.text("changes.sources")))
    most = alone.iloc[_most_moved(alone[KM])]
    left = found[found["changed_setting"].eq(TOGETHER)]
    return say.exhibit(
        "changes",
        say("changes.first", row=most),
        found,
        more=tuple(say("changes.together", row=row) for _, row in left.iterrows()),
        chart=figures.chart_changes(found),
        wordings={"changed_setting": {key: figures.setting_words(key) for key in found["changed_setting"]}},
        n_settings=len(alone),
    )


def first_year(whole: pd.DataFrame) -> Exhibit:
    """The first year of each plan."""
    said = "; ".join(say("first_year.one", row=row) for _, row in whole.iterrows())
    return say.exhibit("first_year", say("first_year.finding", said=said), whole)


def sections(moved: pd.DataFrame) -> Exhibit:
    """The sections that change sides."""
    said = []
    for scenario, own in moved.groupby("scenario", sort=False):
        kinds = own["scenario_change"].value_counts()
        counts = {k: int(kinds.get(k, 0)) for k in ("comes_in", "drops_out", "other_action", "other_year")}
        changed = own[own["scenario_change"].ne("other_year")]
        km = float(changed["length_m"].sum()) / 1000
        said.append(say("sections.each", scenario=scenario, changed=len(changed), changed_km=km, **counts))
    if not said:
        return Exhibit("sections", say.text("sections.title"), say("plans.none"), tuple(say.text("sections.sources")))
    order = moved.assign(last=moved["scenario_change"].eq("other_year"))
    order = order.sort_values(["last", "length_m", "scenario", "section_id"], ascending=[True, False, True, True])
    rows = order.drop(columns="last").reset_index(drop=True)
    shown = rows.head(SHOWN_SECTIONS)
    return say.exhibit("sections", said[0], shown, more=tuple(said[1:]), extra=len(rows) - len(shown), n_rows=len(rows))
