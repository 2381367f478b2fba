"""The findings about decades, attributes and splices: computed from the rows, and sound where there is little."""

from __future__ import annotations

import pandas as pd

from pipelines.survival.rates import compare_splices
from reports.pages import survival_groups as page
from shared.settings import Settings


def effects(**changed: object) -> pd.DataFrame:
    row = {
        "attribute": "neutral",
        "attribute_value": "jacketed",
        "reference_value": "bare",
        "hazard_ratio": 0.35,
        "hazard_ratio_lo": 0.25,
        "hazard_ratio_hi": 0.48,
        "sections": 100,
        "failures": 40,
        "exposure_km_years": 80.0,
        "attribute_verdict": "lower",
    }
    return pd.DataFrame([row | changed])


def bands(counts: list[int], years: float = 100.0) -> pd.DataFrame:
    table = pd.DataFrame({"repair_band": list(page.BAND_WORDS), "section_years": years, "splice_failures": counts})
    rates = {f"{kind}_{part}": 1.0 for kind in ("splice", "cable") for part in ("rate_lo", "rate_hi")}
    return table.assign(
        cable_failures=3, splice_rate_per_100_section_years=1.0, cable_rate_per_100_section_years=1.0, **rates
    )


def compared(counts: list[int]) -> str:
    return page.splices_sentence(compare_splices(bands(counts), 0.9))


def test_only_what_lies_beyond_chance_is_said_to_differ() -> None:
    clear, open_ = effects(), effects(attribute_verdict="within_chance", hazard_ratio_hi=1.2)
    assert "jacketed neutral fails 0.35 times as often as bare (0.25 to 0.48)" in page.attributes_sentence(
        clear, clear.head(0)
    )
    assert page.attributes_sentence(open_, clear.head(0)) == "No value differs from its reference beyond chance."
    apart = effects(attribute="installation", attribute_value="duct", attribute_verdict="not_separable")
    assert page.attributes_sentence(clear, apart).endswith("the other attributes: duct installation.")


def test_the_page_names_the_years_of_laying_that_stand_out() -> None:
    row = {"cable_class": "XLPE", "installed_year": 1978, "loops": 12, "failures": 40.0, "expected_failures": 8.0}
    limits = {"year_factor": 4.6, "year_factor_lo": 3.5, "year_factor_hi": 6.0, "probability_apart": 0.99}
    plain = {"installed_year": 1979, "failures": 9.0, "year_factor": 1.0, "probability_apart": 0.01, "is_apart": False}
    rows = pd.DataFrame([row | limits | plain, row | limits | {"is_apart": True}])
    said = page.years(rows, Settings()).finding
    assert "XLPE laid in 1978 fails 4.6 times as often as that of the years around (3.5 to 6.0; 40 failures" in said
    assert "1979" not in said
    assert page.years(rows.head(1), Settings()).finding.startswith("No year of laying fails unlike the years around it")
    assert page.years(rows.head(0), Settings()).is_absent


def test_a_fleet_with_nothing_to_compare_says_so() -> None:
    assert page.attributes(effects(attribute_verdict="reference"), Settings()).is_absent
    assert page.attributes(effects().head(0), Settings()).is_absent
    assert page.vintages(pd.DataFrame(), Settings()).is_absent
    assert page.splices(pd.DataFrame(), pd.DataFrame(), Settings()).is_absent


def test_splices_of_the_first_two_years_are_compared_with_later_ones() -> None:
    # 12 in 300 section-years against 2 in 200
    sentence = compared([1, 4, 4, 4, 1, 1])
    assert "in 4.0 of 100 section-years, later in 1.0: 4.0 times as often" in sentence
    assert sentence.endswith("beyond chance.")
    assert compared([1, 1, 1, 1, 1, 1]).endswith("within chance.")
    assert "all of them in the first two years" in compared([0, 2, 0, 0, 0, 0])
    assert compared([5, 0, 0, 0, 0, 0]) == "No splice has failed after a repair on record."


def test_bands_are_shown_in_the_order_of_time() -> None:
    shuffled = bands([0, 1, 1, 1, 1, 1]).sort_values("repair_band", ascending=False)
    table = page.splices(shuffled, compare_splices(shuffled, 0.9), Settings()).tables[0]
    assert table.frame["repair_band"].tolist() == list(page.BAND_WORDS)


def test_the_class_drawn_is_the_one_with_most_failures_among_those_with_two_decades() -> None:
    ends = pd.DataFrame(
        {
            "cable_class": ["A", "B", "B", "C", "C"],
            "vintage": ["1970-1979", "1970-1979", "1980-1989"] * 1 + ["1970-1979", "1980-1989"],
            "vintage_failures": [90, 10, 10, 30, 5],
        }
    )
    assert page.class_with_decades(ends) == "C"
    assert page.class_with_decades(ends.head(1)) == "A"


def test_a_decade_of_few_failures_is_in_the_table_alone() -> None:
    ends = pd.DataFrame({"cable_class": "A", "vintage": ["1970-1979", "1980-1989"], "vintage_failures": [30, 9]})
    ends = ends.assign(mcf_per_km=[0.5, 4.0], mcf_lo=0.3, mcf_hi=5.0, age_years=40.0, in_view_from_age_years=20.0)
    made = page.vintages(ends.assign(at_risk_km=1.0, vintage_length_km=1.0), Settings())
    assert "laid 1970-1979" in made.finding
    assert "laid 1980-1989" not in made.finding
    few = page.vintages(ends.head(0).reindex([0]).fillna(ends.iloc[1]), Settings())
    assert few.finding.startswith("No decade of any class has ten failures yet")


def test_splices_are_not_said_to_differ_on_nine_failures() -> None:
    assert compared([0, 9, 0, 0, 0, 0]).startswith("After a repair 9 splices failed")
    assert compared([0, 8, 0, 0, 1, 0]).endswith("within chance.")
    assert compared([0, 9, 0, 0, 1, 0]).endswith("beyond chance.")
