"""Cable of one class or insulation compared by when and how it was laid: part of the replacement page."""

import pandas as pd

from reports.figures import survival_groups as figures
from reports.page import Exhibit
from reports.words import Words
from shared.settings import Settings

say = Words("replacement")


def vintages(curves: pd.DataFrame, settings: Settings) -> Exhibit:
    """Mean cumulative failures by decade of laying; drawn is the class with the most failures that has two decades."""
    from pipelines.survival.rates import LEAST_JUDGED

    if curves.empty:
        return say.absent("vintages", settings=settings)
    ends = curves.groupby(["cable_class", "vintage"], sort=True).tail(1).reset_index(drop=True)
    name = class_with_decades(ends)
    drawn = curves[curves["cable_class"].eq(name)]
    firm = ends[ends["cable_class"].eq(name) & ends["vintage_failures"].ge(LEAST_JUDGED)]
    said = [say("vintages.decade", row=row) for row in firm.to_dict("records")]
    return say.exhibit(
        "vintages",
        say("vintages.finding" if said else "vintages.loose", name=name, decades="; ".join(said)),
        ends,
        extra=len(curves) - len(ends),
        chart=figures.chart_vintages(drawn),
        vintage_failures=ends["vintage_failures"].sum(),
        n_ends=len(ends),
        cable_class=ends["cable_class"].nunique(),
        settings=settings,
    )


def years(rows: pd.DataFrame, settings: Settings) -> Exhibit:
    """Years of laying whose cable fails unlike that of the years around."""
    if rows.empty:
        return say.absent("years")
    order = ["probability_apart", "cable_class", "installed_year"]
    rows = rows.sort_values(order, ascending=[False, True, True], kind="stable", ignore_index=True)
    classes = rows["cable_class"].nunique()
    said = [say("years.year", row=row) for row in rows[rows["is_apart"]].to_dict("records")]
    return say.exhibit(
        "years",
        say(
            "years.apart" if said else "years.none_apart", listed="; ".join(said), n_years=len(rows), n_classes=classes
        ),
        rows,
        failures=rows["failures"].sum(),
        n_years=len(rows),
        n_classes=classes,
        settings=settings,
    )


def class_with_decades(ends: pd.DataFrame) -> str:
    """The class with the most failures among those with two decades, or of all where none has two."""
    sums = (
        ends.groupby("cable_class", sort=True)
        .agg(decades=("vintage", "size"), failures=("vintage_failures", "sum"))
        .reset_index()
    )
    sums = sums.assign(is_alone=sums["decades"].lt(2))
    first = sums.sort_values(["is_alone", "failures"], ascending=[True, False], kind="stable").iloc[0]
    return str(first["cable_class"])


def attributes(effects: pd.DataFrame, settings: Settings) -> Exhibit:
    """Hazard ratios of neutral, installation, decade and district within an insulation."""
    told = effects[effects["attribute_verdict"].isin(["higher", "lower", "within_chance"])] if len(effects) else effects
    if told.empty:
        return say.absent("attributes")
    told = told.reset_index(drop=True)
    apart = effects[effects["attribute_verdict"].eq("not_separable")]
    return say.exhibit(
        "attributes",
        attributes_sentence(told, apart),
        name_values(effects),
        chart=figures.chart_attributes(name_values(told)),
        n_told=len(told),
        n_effects=len(effects) - len(told),
        settings=settings,
    )


def name_values(effects: pd.DataFrame) -> pd.DataFrame:
    """The rows with their attribute and value in words."""
    words = [say(f"attribute.{row['attribute']}", row=row) for row in effects.to_dict("records")]
    return effects.assign(value_words=words)


def attributes_sentence(told: pd.DataFrame, apart: pd.DataFrame) -> str:
    """Which values differ beyond chance, each against its reference."""
    clear = name_values(told[told["attribute_verdict"].ne("within_chance")]).to_dict("records")
    said = [say("attributes.value", row=row) for row in clear]
    within = len(told) - len(clear)
    names = ", ".join(name_values(apart)["value_words"]) if len(apart) else ""
    return say(
        "attributes.beyond" if said else "attributes.none_beyond",
        bool(said and within) and "attributes.within",
        bool(names) and "attributes.not_separable",
        listed="; ".join(said),
        within=within,
        names=names,
    )


def splices(rows: pd.DataFrame, compared: pd.DataFrame, settings: Settings) -> Exhibit:
    """Splice failures by the time since the last repair, cable failures beside them."""
    if rows.empty:
        return say.absent("splices")
    order = {band: place for place, band in enumerate(BAND_WORDS)}
    rows = rows.sort_values("repair_band", key=lambda bands: bands.map(order), ignore_index=True)
    return say.exhibit(
        "splices",
        splices_sentence(compared),
        rows,
        chart=figures.chart_splices(rows.assign(band_words=rows["repair_band"].map(BAND_WORDS))),
        splice_failures=rows["splice_failures"].sum(),
        cable_failures=rows["cable_failures"].sum(),
        section_years=rows["section_years"].sum(),
        settings=settings,
    )


BAND_WORDS = {
    "no_repair_on_record": "no repair",
    "up_to_3_months": "to 3 months",
    "3_to_12_months": "3 to 12 months",
    "1_to_2_years": "1 to 2 years",
    "2_to_5_years": "2 to 5 years",
    "over_5_years": "over 5 years",
}


def splices_sentence(compared: pd.DataFrame) -> str:
    """The rate of the first two years after a repair beside that of later ones, and whether they differ."""
    said = (say(f"splices.{row.judged}", row=row) for row in compared.itertuples())
    return "".join(said) or say("splices.none_failed")
