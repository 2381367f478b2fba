"""Cable of one class or insulation compared by when and how it was laid: part of the replacement page."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from pipelines.survival.rates import compare_rates
from reports import style
from reports.figures import survival_groups as figures
from reports.page import Exhibit, Table, absent

if TYPE_CHECKING:
    from shared.settings import Settings

VINTAGES = "marts.mean_cumulative_by_vintage"
ATTRIBUTES = "marts.attribute_effects"
SPLICES = "marts.splice_failures"

REMEDY = "load districts.csv, loops.csv, sections.csv and jobs.csv, then run: loopwear refresh"

ATTRIBUTE_WORDS = {
    "neutral": "{} neutral",
    "installation": "{} installation",
    "vintage": "laid {}",
    "district_id": "district {}",
}
"""How a value of an attribute is said."""


def vintages(curves: pd.DataFrame, settings: Settings) -> Exhibit:
    """Mean cumulative failures by decade of laying; drawn is the class with the most failures that has two decades."""
    title = "Failures per kilometre by decade of laying"
    if curves.empty:
        return absent(
            "vintages", title, (VINTAGES,),
            f"No decade of any class has the {settings.survival.min_failures} failures asked for.", REMEDY,
        )  # fmt: skip
    ends = curves.groupby(["cable_class", "vintage"], sort=True).tail(1).reset_index(drop=True)
    name = class_with_decades(ends)
    drawn = curves[curves["cable_class"].eq(name)]
    said = [
        f"laid {row['vintage']}, {style.number(row['mcf_per_km'], 2)} "
        f"({style.limits(row['mcf_lo'], row['mcf_hi'], 2)}) from age {style.number(row['in_view_from_age_years'], 0)} "
        f"to {style.number(row['age_years'], 0)}"
        for row in ends[ends["cable_class"].eq(name)].to_dict("records")
    ]
    return Exhibit(
        key="vintages",
        title=title,
        finding=f"Failures of a kilometre of {name}: {'; '.join(said)}.",
        sources=(VINTAGES,),
        definition="Mean cumulative failures of the cable of one class laid in one decade. A decade is in view only "
        "between the ages it had while records were kept, and its curve counts from the age at which a tenth of it was "
        "in view: compare slopes at one age, not ends. Whether decades differ at one age is asked in the next figure.",
        count=f"{style.counted(ends['vintage_failures'].sum(), 'failure')} in {style.counted(len(ends), 'curve')} of "
        f"{style.counted(ends['cable_class'].nunique(), 'class', 'classes')}.",
        interval=f"{style.percent(settings.general.interval_level)} limits, robust to failures clustering on loops "
        "(Lawless and Nadeau 1995).",
        left_out=f"Decades with fewer than {settings.survival.min_failures} failures; cable without a known date.",
        chart=figures.chart_vintages(drawn),
        tables=(
            Table(
                ends,
                ("cable_class", "vintage", "vintage_length_km", "vintage_failures", "in_view_from_age_years",
                 "age_years", "at_risk_km", "mcf_per_km", "mcf_lo", "mcf_hi"),
                VINTAGES,
                labels={"age_years": "Last step at age", "in_view_from_age_years": "In view from age"},
                extra=len(curves) - len(ends),
            ),
        ),
    )  # fmt: skip


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
    title = "At one age and insulation, what makes cable fail more?"
    told = effects[effects["attribute_verdict"].isin(["higher", "lower", "within_chance"])] if len(effects) else effects
    if told.empty:
        return absent(
            "attributes", title, (ATTRIBUTES,), "No two values of an attribute can be compared yet.", REMEDY,
        )  # fmt: skip
    told = told.reset_index(drop=True)
    apart = effects[effects["attribute_verdict"].eq("not_separable")]
    return Exhibit(
        key="attributes",
        title=title,
        finding=attributes_sentence(told, apart),
        sources=(ATTRIBUTES,),
        definition="Hazard ratio: failures per km and year over those of the reference, at one age, within one "
        "insulation, the other attributes held (proportional hazards with a baseline by age for each insulation; "
        "Andersen and Gill 1982). Cable of one age but two decades was in view at two times, so a decade's ratio is "
        "also that of the times. What was laid together and treated alike cannot be told from what causes failures.",
        count=f"{style.counted(len(told), 'value')} compared, {len(effects) - len(told)} in the table alone "
        "(references, too few failures, not separable).",
        interval=f"{style.percent(settings.general.interval_level)} limits, normal on the log scale, robust to "
        "failures clustering on loops (Lin and Wei 1989).",
        left_out=f"Values with fewer than {settings.survival.min_failures} failures, and their cable; cable without a "
        "known date; time after an injection.",
        chart=figures.chart_attributes(name_values(told)),
        tables=(
            Table(
                name_values(effects),
                ("value_words", "reference_value", "hazard_ratio", "hazard_ratio_lo", "hazard_ratio_hi", "sections",
                 "failures", "exposure_km_years", "attribute_verdict"),
                ATTRIBUTES,
                labels={"value_words": "Cable", "reference_value": "Against", "attribute_verdict": "Verdict"},
            ),
        ),
    )  # fmt: skip


def name_values(effects: pd.DataFrame) -> pd.DataFrame:
    """The rows with their attribute and value in words."""
    words = [ATTRIBUTE_WORDS[row["attribute"]].format(row["attribute_value"]) for row in effects.to_dict("records")]
    return effects.assign(value_words=words)


def attributes_sentence(told: pd.DataFrame, apart: pd.DataFrame) -> str:
    """Which values differ beyond chance, each against its reference."""
    clear = name_values(told[told["attribute_verdict"].ne("within_chance")]).to_dict("records")
    said = [
        f"{row['value_words']} fails {style.number(row['hazard_ratio'], 2)} times as often as {row['reference_value']} "
        f"({style.limits(row['hazard_ratio_lo'], row['hazard_ratio_hi'], 2)})"
        for row in clear
    ]
    within = len(told) - len(clear)
    sentence = f"Beyond chance: {'; '.join(said)}." if said else "No value differs from its reference beyond chance."
    if said and within:
        sentence += f" {style.counted(within, 'other value')} within chance."
    if len(apart):
        names = ", ".join(name_values(apart)["value_words"])
        sentence += f" Not separable from insulation and the other attributes: {names}."
    return sentence


def splices(rows: pd.DataFrame, settings: Settings) -> Exhibit:
    """Splice failures by the time since the last repair, cable failures beside them."""
    title = "How long do the splices of a repair last?"
    if rows.empty:
        return absent(
            "splices", title, (SPLICES,), "No counted failure names a splice.",
            "failed_component of jobs.csv says what failed: splice, cable or unknown.",
        )  # fmt: skip
    order = {band: place for place, band in enumerate(BAND_WORDS)}
    rows = rows.sort_values("repair_band", key=lambda bands: bands.map(order), ignore_index=True)
    return Exhibit(
        key="splices",
        title=title,
        finding=splices_sentence(rows, settings.general.interval_level),
        sources=(SPLICES,),
        definition="A section's time in view is cut at each of its repairs: every section-year and failure falls in "
        "one band. Failures of cable: cable or an unknown component. Sections once repaired are worse than others from "
        "the start, so compare splices with cable in one band, not with sections without a repair alone.",
        count=f"{style.counted(rows['splice_failures'].sum(), 'splice failure')} and "
        f"{style.counted(rows['cable_failures'].sum(), 'cable failure')} in "
        f"{style.number(rows['section_years'].sum(), 0)} section-years.",
        interval=f"{style.percent(settings.general.interval_level)} exact Poisson limits (Garwood 1936).",
        left_out="Splices called cable on the record, and those laid with the cable; failures known by loop alone; "
        "terminations. The ranking does not add splices of its own: a section's multiplier already rises with each "
        "failure, and adding them foretold later years no better (shared/decisions, 0027).",
        chart=figures.chart_splices(rows.assign(band_words=rows["repair_band"].map(BAND_WORDS))),
        tables=(
            Table(
                rows,
                ("repair_band", "section_years", "splice_failures", "splice_rate_per_100_section_years",
                 "splice_rate_lo", "splice_rate_hi", "cable_failures", "cable_rate_per_100_section_years",
                 "cable_rate_lo", "cable_rate_hi"),
                SPLICES,
                labels={
                    "repair_band": "Last repair", "section_years": "Section-years",
                    "splice_rate_per_100_section_years": "in 100", "splice_rate_lo": "low", "splice_rate_hi": "high",
                    "cable_rate_per_100_section_years": "in 100 ", "cable_rate_lo": "low ", "cable_rate_hi": "high ",
                },
            ),
        ),
    )  # fmt: skip


BAND_WORDS = {
    "no_repair_on_record": "no repair",
    "up_to_3_months": "to 3 months",
    "3_to_12_months": "3 to 12 months",
    "1_to_2_years": "1 to 2 years",
    "2_to_5_years": "2 to 5 years",
    "over_5_years": "over 5 years",
}


def splices_sentence(rows: pd.DataFrame, level: float) -> str:
    """The rate of the first two years after a repair beside that of later ones, and whether they differ."""
    bands = rows.set_index("repair_band")
    young = bands.loc[bands.index.intersection(["up_to_3_months", "3_to_12_months", "1_to_2_years"])]
    later = bands.loc[bands.index.intersection(["2_to_5_years", "over_5_years"])]
    counts = [float(part["splice_failures"].sum()) for part in (young, later)]
    years = [float(part["section_years"].sum()) for part in (young, later)]
    if not all(years) or not any(counts):
        return "No splice has failed after a repair on record."
    rates = [100.0 * count / span for count, span in zip(counts, years, strict=True)]
    if not all(counts):
        return (
            f"After a repair {style.counted(sum(counts), 'splice')} failed, all of them in "
            f"{'the first two years' if counts[0] else 'later years'}."
        )
    compared = compare_rates(counts, years, level)
    said = "beyond chance" if compared.lo > 1.0 or compared.hi < 1.0 else "within chance"
    return (
        f"In the first two years after a repair a splice fails in {style.number(rates[0], 1)} of 100 section-years, "
        f"later in {style.number(rates[1], 1)}: {style.number(compared.ratio, 1)} times as often "
        f"({style.limits(compared.lo, compared.hi, 1)}, exact binomial), {said}."
    )
