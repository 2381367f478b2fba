"""How the cable of each class ages: the survival part of the replacement page."""

import pandas as pd

from reports.figures import survival as figures
from reports.marts import Judged, Marts, judged
from reports.page import Exhibit, Section, largest
from reports.pages.survival_groups import attributes, splices, vintages, years
from reports.words import Words
from shared.settings import Settings

say = Words("replacement")


DRAWN_CLASSES = 6
"""Classes drawn in a chart; the others are in its table."""


def section(marts: Marts, settings: Settings) -> Section:
    """Rates, shapes and cumulative failures by class."""
    found = judged(marts, "survival")
    ages, classes, curves = (
        marts.read("marts.age_rates"),
        marts.read("marts.class_survival"),
        marts.read("marts.mean_cumulative_failures"),
    )
    return Section(
        "How the cable ages",
        (
            age_rates(ages, classes, settings, found),
            shapes(classes, settings, found),
            cumulative(curves, classes, settings),
            vintages(marts.read("marts.mean_cumulative_by_vintage"), settings),
            years(marts.read("marts.installation_years"), settings),
            attributes(marts.read("marts.attribute_effects"), settings),
            splices(marts.read("marts.splice_failures"), marts.read("fitted.splice_comparison"), settings),
        ),
    )


def classes_drawn(classes: pd.DataFrame, present: pd.Series) -> list[str]:
    """Classes with the most failures, most first, among those present."""
    known = classes[classes["cable_class"].isin(set(present))].sort_values(
        ["failures", "cable_class"], ascending=[False, True]
    )
    return known["cable_class"].head(DRAWN_CLASSES).tolist() or sorted(set(present))[:DRAWN_CLASSES]


def age_rates(rates: pd.DataFrame, classes: pd.DataFrame, settings: Settings, found: Judged) -> Exhibit:
    """Failure rate by age and class."""
    rows = rates[rates["exposure_km_years"] > 0] if len(rates) else rates
    if rows.empty:
        return say.absent("age-rates")
    rows = rows.sort_values(["cable_class", "age_from"]).reset_index(drop=True)
    drawn = classes_drawn(classes, rows["cable_class"])
    name, age = found["highest_firm_rate_class"], found["highest_firm_rate_age_from"]
    worst = rows[rows["cable_class"].eq(name) & rows["age_from"].eq(age)]
    finding = "".join(say("age-rates.finding", worst=row) for row in worst.to_dict("records")) or say("age-rates.loose")
    hidden = rows["cable_class"].nunique() - len(drawn)
    return say.exhibit(
        "age-rates",
        finding,
        rows,
        chart=figures.chart_age_rates(rows, drawn),
        more=(say(hidden > 0 and "age-rates.hidden", hidden=hidden),),
        failures=rows["failures"].sum(),
        exposure_km_years=float(rows["exposure_km_years"].sum()),
        settings=settings,
    )


def shapes(classes: pd.DataFrame, settings: Settings, found: Judged) -> Exhibit:
    """Which classes wear out."""
    if classes.empty:
        return say.absent("shapes")
    rows = classes.sort_values(["failures", "cable_class"], ascending=[False, True]).reset_index(drop=True)
    fitted = rows.dropna(subset=["shape", "shape_lo", "shape_hi"])
    verdicts = fitted["cable_class"].map(found["shape"] or {})
    growing = fitted[verdicts.eq("grows")]
    finding = say(
        "shapes.finding",
        len(growing) > 0 and "shapes.steepest",
        n_growing=len(growing),
        n_fitted=len(fitted),
        n_falling=int(verdicts.eq("falls").sum()),
        steep=largest(growing, "shape") if len(growing) else None,
    )
    return say.exhibit(
        "shapes",
        finding,
        rows,
        chart=figures.chart_shapes(fitted) if len(fitted) else None,
        failures=rows["failures"].sum(),
        n_rows=len(rows),
        settings=settings,
    )


def cumulative(curves: pd.DataFrame, classes: pd.DataFrame, settings: Settings) -> Exhibit:
    """Mean cumulative failures per kilometre by class."""
    from pipelines.survival.rates import LEAST_JUDGED

    if curves.empty:
        return say.absent("cumulative")
    rows = curves.sort_values(["cable_class", "age_years"]).reset_index(drop=True)
    drawn = classes_drawn(classes, rows["cable_class"])
    last = rows[rows["cable_class"].isin(drawn)].groupby("cable_class", sort=True).tail(1)
    firm = last[last["cable_class"].isin(classes.loc[classes["failures"].ge(LEAST_JUDGED), "cable_class"])]
    highest = largest(firm, "mcf_per_km") if len(firm) else None
    finding = say("cumulative.finding" if len(firm) else "cumulative.loose", highest=highest)
    ends = last.sort_values(["mcf_per_km", "cable_class"], ascending=[False, True]).reset_index(drop=True)
    return say.exhibit(
        "cumulative",
        finding,
        ends,
        extra=len(rows) - len(ends),
        chart=figures.chart_mean_cumulative(rows, drawn),
        n_rows=len(rows),
        cable_class=rows["cable_class"].nunique(),
        settings=settings,
    )
