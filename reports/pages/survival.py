"""How the cable of each class ages: the survival part of the replacement page."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from reports import style
from reports.figures import survival as figures
from reports.page import Exhibit, Section, Table, absent, largest
from reports.pages.survival_groups import ATTRIBUTES, SPLICES, VINTAGES, attributes, splices, vintages

if TYPE_CHECKING:
    from reports.marts import Marts
    from shared.settings import Settings

CLASSES = "marts.class_survival"
AGES = "marts.age_rates"
CURVES = "marts.mean_cumulative_failures"

REMEDY = "load districts.csv, loops.csv, sections.csv and jobs.csv, then run: loopwear refresh"

DRAWN_CLASSES = 6
"""Classes drawn in a chart; the others are in its table."""


def section(marts: Marts, settings: Settings) -> Section:
    """Rates, shapes and cumulative failures by class."""
    ages, classes, curves = marts.read(AGES), marts.read(CLASSES), marts.read(CURVES)
    return Section(
        "How the cable ages",
        (
            age_rates(ages, classes, settings),
            shapes(classes, settings),
            cumulative(curves, classes, settings),
            vintages(marts.read(VINTAGES), settings),
            attributes(marts.read(ATTRIBUTES), settings),
            splices(marts.read(SPLICES), settings),
        ),
    )


def classes_drawn(classes: pd.DataFrame, present: pd.Series) -> list[str]:
    """Classes with the most failures, most first, among those present."""
    known = classes[classes["cable_class"].isin(set(present))].sort_values(
        ["failures", "cable_class"], ascending=[False, True]
    )
    return known["cable_class"].head(DRAWN_CLASSES).tolist() or sorted(set(present))[:DRAWN_CLASSES]


def age_rates(rates: pd.DataFrame, classes: pd.DataFrame, settings: Settings) -> Exhibit:
    """Failure rate by age and class."""
    title = "Failure rate by age and cable class"
    rows = rates[rates["exposure_km_years"] > 0] if len(rates) else rates
    if rows.empty:
        return absent("age-rates", title, (AGES,), "No cable has been in view, so there is no rate.", REMEDY)
    rows = rows.sort_values(["cable_class", "age_from"]).reset_index(drop=True)
    drawn = classes_drawn(classes, rows["cable_class"])
    thick = rows[rows["failures"] >= 5]
    finding = "No class and age band has five failures yet, so every rate here is loose."
    if len(thick):
        worst = largest(thick, "rate_per_100km_year")
        finding = (
            f"{worst['cable_class']} aged {style.number(worst['age_from'])} to {style.number(worst['age_to'])} fails "
            f"most: {style.quantity(worst['rate_per_100km_year'], '1/(100 km year)', 1)} "
            f"({style.limits(worst['rate_lo'], worst['rate_hi'], 1)}; {style.counted(worst['failures'], 'failure')})."
        )
    hidden = rows["cable_class"].nunique() - len(drawn)
    return Exhibit(
        key="age-rates",
        title=title,
        finding=finding,
        sources=(AGES,),
        more=(f"Classes with fewer failures, in the table alone: {hidden}.",) if hidden > 0 else (),
        definition="Failures that count over length times years in view, in bands of age. Line: the fitted power law "
        "over the same exposure. A mark pointing down: no failure, the rate is below it.",
        count=f"{style.counted(rows['failures'].sum(), 'failure')} over "
        f"{style.quantity(float(rows['exposure_km_years'].sum()), 'km-years', 0)}.",
        interval=f"{style.percent(settings.general.interval_level)} exact Poisson limits (Garwood 1936).",
        left_out="Dig-ins, animals and vehicles; terminations and equipment; time before a district's records.",
        chart=figures.chart_age_rates(rows, drawn),
        tables=(
            Table(
                rows,
                (
                    "cable_class",
                    "age_from",
                    "age_to",
                    "exposure_km_years",
                    "failures",
                    "rate_per_100km_year",
                    "rate_lo",
                    "rate_hi",
                    "fitted_rate_per_100km_year",
                ),
                AGES,
            ),
        ),
    )


def shapes(classes: pd.DataFrame, settings: Settings) -> Exhibit:
    """Which classes wear out."""
    title = "Does the rate grow with age?"
    if classes.empty:
        return absent("shapes", title, (CLASSES,), "No class is fitted.", REMEDY)
    rows = classes.sort_values(["failures", "cable_class"], ascending=[False, True]).reset_index(drop=True)
    fitted = rows.dropna(subset=["shape", "shape_lo", "shape_hi"])
    growing, falling = fitted[fitted["shape_lo"] > 1], fitted[fitted["shape_hi"] < 1]
    finding = (
        f"For {len(growing)} of {style.counted(len(fitted), 'fitted class', 'fitted classes')} the rate grows with age "
        f"beyond the limits of chance, for {len(falling)} it falls."
    )
    if len(growing):
        steep = largest(growing, "shape")
        finding += (
            f" Steepest is {steep['cable_class']}, shape {style.number(steep['shape'], 2)} "
            f"({style.limits(steep['shape_lo'], steep['shape_hi'], 2)})."
        )
    return Exhibit(
        key="shapes",
        title=title,
        finding=finding,
        sources=(CLASSES,),
        definition="Power law: failures to an age = length times (age over scale) to the power of the shape. Shape 1: "
        "the rate does not change; 2: it grows in proportion to age. Scale: age by which one kilometre has failed "
        "once.",
        count=f"{style.counted(rows['failures'].sum(), 'failure')} in {style.counted(len(rows), 'class', 'classes')}.",
        interval=f"{style.percent(settings.general.interval_level)} likelihood limits of the recurrent failures; "
        "rates: exact Poisson limits.",
        left_out=f"Classes with fewer than {settings.survival.min_failures} failures get no power law of their own.",
        chart=figures.chart_shapes(fitted) if len(fitted) else None,
        tables=(
            Table(
                rows,
                (
                    "cable_class",
                    "sections",
                    "length_km",
                    "exposure_km_years",
                    "failures",
                    "rate_per_100km_year",
                    "rate_lo",
                    "rate_hi",
                    "shape",
                    "shape_lo",
                    "shape_hi",
                    "scale_years_1km",
                ),
                CLASSES,
            ),
        ),
    )


def cumulative(curves: pd.DataFrame, classes: pd.DataFrame, settings: Settings) -> Exhibit:
    """Mean cumulative failures per kilometre by class."""
    title = "Failures per kilometre up to an age"
    if curves.empty:
        return absent("cumulative", title, (CURVES,), "There is no curve: no failure counts.", REMEDY)
    rows = curves.sort_values(["cable_class", "age_years"]).reset_index(drop=True)
    drawn = classes_drawn(classes, rows["cable_class"])
    last = rows[rows["cable_class"].isin(drawn)].groupby("cable_class", sort=True).tail(1)
    highest = largest(last, "mcf_per_km")
    finding = (
        f"A kilometre of {highest['cable_class']} has failed {style.number(highest['mcf_per_km'], 2)} times by age "
        f"{style.number(highest['age_years'], 0)} on average ({style.limits(highest['mcf_lo'], highest['mcf_hi'], 2)})."
    )
    ends = last.sort_values(["mcf_per_km", "cable_class"], ascending=[False, True]).reset_index(drop=True)
    return Exhibit(
        key="cumulative",
        title=title,
        finding=finding,
        sources=(CURVES,),
        definition="Mean cumulative failures: at each failure age, one over the length in view at that age, summed up "
        "to it.",
        count=f"{len(rows):,} steps in {style.counted(rows['cable_class'].nunique(), 'class', 'classes')}.",
        interval=f"{style.percent(settings.general.interval_level)} limits, robust to failures clustering on "
        "loops (Lawless and Nadeau 1995).",
        left_out="Ages at which hardly any cable is in view jump; the length at risk stands in the table.",
        chart=figures.chart_mean_cumulative(rows, drawn),
        tables=(
            Table(
                ends,
                ("cable_class", "age_years", "at_risk_km", "mcf_per_km", "mcf_lo", "mcf_hi"),
                CURVES,
                labels={"age_years": "Last step at age"},
                extra=len(rows) - len(ends),
            ),
        ),
    )
