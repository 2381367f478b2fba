"""The restoration page: its findings are written from the numbers, and its figures hold them."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from reports import page as shell
from reports.figures import restoration as figures
from reports.figures import restoration_compare, restoration_minutes
from reports.figures.restoration import chart_periods
from reports.marts import Judged
from reports.pages import restoration, restoration_indices
from reports.pages import restoration_changes as changes
from reports.pages import restoration_clocks as clocks
from shared import dictionary
from shared.settings import Settings
from tests.report_marts import Given, evaluation_marts, filled, found_in


def said(text: str) -> str:
    """A sentence with plain spaces before its per cent signs."""
    return text.replace("\u00a0", " ").replace("\u202f", " ")


def waterfall(loop: dict[str, float], radial: dict[str, float]) -> pd.DataFrame:
    rows = []
    for grouped_by, name, parts in (
        ("configuration", "loop", loop),
        ("configuration", "radial", radial),
        ("loop_size", "5 to 8 sections", loop),
        ("loop_size", "13 sections and more", loop),
        ("loop_size", "radial", radial),
    ):
        rows += [
            {
                "grouped_by": grouped_by,
                "group_name": name,
                "part": part,
                "jobs": 10,
                "customer_minutes": 1000 * share,
                "share_of_minutes": share,
            }
            for part, share in parts.items()
        ]
    return pd.DataFrame(rows)


def judged_waterfall(loop: dict[str, float], radial: dict[str, float]) -> tuple[pd.DataFrame, Judged]:
    rows = waterfall(loop, radial)
    return rows, found_in("restoration", {"marts.restoration_waterfall": rows})


LOOP = {
    "report_to_dispatch": 0.1,
    "dispatch_to_arrive": 0.3,
    "arrive_to_locate": 0.5,
    "locate_to_restore": 0.1,
    "unsplit": 0.0,
}
RADIAL = {
    "report_to_dispatch": 0.1,
    "dispatch_to_arrive": 0.1,
    "arrive_to_locate": 0.2,
    "locate_to_restore": 0.6,
    "unsplit": 0.0,
}


def test_without_data_every_exhibit_says_what_to_do() -> None:
    page = restoration.build(Given({}), Settings())
    assert len(page.exhibits) >= 16
    for exhibit in page.exhibits:
        assert exhibit.is_absent, exhibit.key
        assert "run: loopwear refresh" in exhibit.remedy
    assert "no closed jobs" in page.summary[0]
    frame = shell.Frame(as_of=dt.date(2025, 1, 1), level=0.9, horizon_years=5, currency="USD", pages=())
    assert "What to do:" in shell.render(page, frame)


JOB = {"job_id": "J1", "loop_id": "L1", "reported_at": pd.Timestamp("2025-01-01", tz="UTC")}


@pytest.mark.parametrize(
    ("tables", "key", "column"),
    [
        ({}, "clocks", None),
        ({"jobs": {}}, "clocks", "restored_at"),
        ({"jobs": {"restored_at": JOB["reported_at"]}, "loops": {}}, "clocks", "configuration"),
        ({"jobs": {}, "loops": {"configuration": "loop"}}, "waterfall", "customers_interrupted"),
        ({"jobs": {}}, "abnormal", "normal_at"),
        ({"jobs": {"arrived_at": JOB["reported_at"]}}, "months-locate", "located_at"),
        ({"jobs": {"section_id": "S1"}}, "search", "test_shots"),
        ({"jobs": {}, "districts": {}}, "indices", "customers_served"),
    ],
)
def test_an_empty_figure_names_the_first_column_that_is_missing(tables: dict, key: str, column: str | None) -> None:
    filled_in = {
        f"staging.{name}": pd.DataFrame([{"loop_id": "L1"} | (JOB if name == "jobs" else {}) | own]).reindex(
            columns=list(dictionary.tables()[f"staging.{name}"].columns)
        )
        for name, own in tables.items()
    }
    page = restoration.build(Given(filled_in), Settings())
    exhibit = next(e for e in page.exhibits if e.key == key)
    if column is None:
        assert exhibit.finding == "This needs jobs, and none is loaded here."
    else:
        assert exhibit.finding.startswith(f"This needs {column} of ")
        assert f"with {column}, then run: loopwear refresh" in exhibit.remedy


def test_every_need_is_a_column_that_can_be_loaded() -> None:
    page = restoration.build(Given({}), Settings().override("restoration", show_crews=True))
    needs = clocks.say.text("needs")
    assert set(needs) <= {exhibit.key for exhibit in page.exhibits}
    for places in needs.values():
        for place in "|".join(places).split("|"):
            table, column = place.split(".")
            assert column in dictionary.load_tables()[table].columns, place


def index_rows(**changed: object) -> pd.DataFrame:
    """Two years on every basis and kind of days."""
    rows = [
        {"year": year, "basis": basis, "days_left_out_by": by, "is_without_major_events": by != "", "saidi_min": 4.0,
         "saifi": 0.04 - 0.01 * (basis != "as_recorded"), "caidi_min": 100.0 + 33.3 * (basis != "as_recorded"),
         "days_left_out": {"": 0, "utility": 2, "threshold": None if year == 2024 else 1}[by]} | changed
        for year in (2024, 2025)
        for basis in ("as_recorded", "reconciled", "duplicates_joined")
        for by in ("", "utility", "threshold")
    ]  # fmt: skip
    return filled("marts.restoration_indices", pd.DataFrame(rows))


def test_the_indices_are_told_on_every_basis_with_what_tells_them_apart() -> None:
    changed = filled(
        "marts.restoration_bases",
        pd.DataFrame(
            [("J1", "reconciled", "both_halves_counted"), ("J1", "duplicates_joined", "both_halves_counted"),
             ("J2", "duplicates_joined", "joined_away"), ("J3", "duplicates_joined", "reported_sooner")],
            columns=["job_id", "basis", "counted_otherwise"],
        ),
    )  # fmt: skip
    waiting = filled(
        "marts.quarantined_jobs",
        pd.DataFrame(
            [(2024, 2, 0, 50, 0.01, 9.5), (2025, 1, 1, None, None, None)],
            columns=list(dictionary.tables()["marts.quarantined_jobs"].columns),
        ),
    )
    tables = {"marts.restoration_indices": index_rows(), "marts.restoration_bases": changed}
    exhibit = restoration_indices.bases(Given(tables | {"marts.quarantined_jobs": waiting}), Settings())
    assert said(exhibit.finding) == (
        "In 2025 CAIDI is 100.0 minutes as recorded, 133.3 once customers and steps agree, and 133.3 with duplicates "
        "joined as well; SAIFI is 0.040, 0.030 and 0.030."
    )
    assert "1 job counts all customers of the loop" in exhibit.more[0]
    assert "and 1 job was probably entered twice" in exhibit.more[0]
    assert exhibit.more[1] == (
        "The utility flags 4 major event days. The 2.5 beta threshold is passed on 1 day, in 1 year that has one."
    )
    assert said(exhibit.more[2]).endswith(
        "The others weigh most in 2024: at most 9.5 minutes of SAIDI and 0.010 of SAIFI, if each lasted 7 days."
    )
    assert [trace.name for trace in exhibit.chart.data[:3]] == ["as recorded", "reconciled", "duplicates joined"]
    alike = restoration_indices.bases(Given({"marts.restoration_indices": index_rows()}), Settings())
    assert alike.more[0].startswith("The three agree")
    # in 2025 no job has minutes as recorded: the last year with all three is told, and without such a year none
    rows = index_rows()
    lacking = rows[rows["basis"].ne("as_recorded") | rows["year"].eq(2024)]
    assert said(
        restoration_indices.bases(Given({"marts.restoration_indices": lacking}), Settings()).finding
    ).startswith("In 2024 CAIDI is 100.0 minutes as recorded")
    none = Given({"marts.restoration_indices": rows[rows["basis"].ne("as_recorded")]})
    assert restoration_indices.bases(none, Settings()).chart is None


def test_the_indices_of_the_page_are_as_recorded_without_the_days_of_one_kind() -> None:
    day = {"reported_on": dt.date(2025, 5, 1), "is_flagged": True, "is_major_event_day": True}
    for marked_by, by in (("flags", "utility"), ("2.5 beta", "threshold")):
        major = filled("marts.restoration_major_events", pd.DataFrame([day | {"marked_by": marked_by}]))
        tables = {"marts.restoration_indices": index_rows(), "marts.restoration_major_events": major}
        page = restoration.build(Given(tables), Settings())
        rows = next(e for e in page.exhibits if e.key == "indices").tables[0].frame
        assert set(rows["basis"]) == {"as_recorded"}
        assert rows["days_left_out_by"].tolist() == ["", by] * 2


def test_crews_are_shown_only_when_the_settings_ask_for_them() -> None:
    def keys(settings: Settings) -> set[str]:
        return {exhibit.key for exhibit in restoration.build(Given({}), settings).exhibits}

    assert "funnel-crew-locate" not in keys(Settings())
    assert "funnel-crew-locate" in keys(Settings().override("restoration", show_crews=True))


def test_the_waterfall_says_its_shares() -> None:
    exhibit = clocks.waterfall(*judged_waterfall(LOOP, RADIAL))
    assert said(exhibit.finding).startswith(
        "Half of the customer-minutes on loops pass while the section is being found (50 %)."
    )
    assert "travel takes 30 %" in said(exhibit.finding)
    assert "60 % of its minutes pass after the section is found" in said(exhibit.more[0])
    other = clocks.waterfall(*judged_waterfall(LOOP | {"arrive_to_locate": 0.4, "locate_to_restore": 0.2}, RADIAL))
    assert said(other.finding).startswith("40 % of the customer-minutes")


@pytest.mark.parametrize(
    ("share", "words"),
    [
        (0.5, "Half"),
        (0.515, "Half"),
        (0.26, "A quarter"),
        (0.34, "A third"),
        (0.6, "More than half"),
        (0.42, "42 %"),
        (0.76, "Three quarters"),
        (0.66, "Two thirds"),
    ],
)
def test_shares_in_words(share: float, words: str) -> None:
    exhibit = clocks.waterfall(*judged_waterfall(LOOP | {"arrive_to_locate": share}, RADIAL))
    assert said(exhibit.finding).startswith(f"{words} of the customer-minutes")


def test_the_bars_of_the_waterfall_are_the_shares() -> None:
    rows = waterfall(LOOP, RADIAL)
    chart = restoration_minutes.chart_waterfall(rows[rows["grouped_by"] == "loop_size"], {"radial": "Radials"})
    drawn = {trace.name: list(trace.x) for trace in chart.data}
    assert drawn["finding the section"] == pytest.approx([20])
    assert drawn["section found, not yet back"] == pytest.approx([60])
    assert sum(x[0] for x in drawn.values()) == pytest.approx(100)


def comparison() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "grouped_by": "district",
            "group_name": ["D1", "D2", "D3"],
            "measure": "time_to_locate",
            "jobs": [100, 400, 200],
            "ratio_seen": [1.3, 0.99, 0.8],
            "ratio_adjusted": [1.2, 1.0, 0.85],
            "ratio_lo": [1.1, 0.97, 0.8],
            "ratio_hi": [1.3, 1.03, 0.9],
            "funnel_95_lo": 0.95,
            "funnel_95_hi": 1.05,
            "funnel_998_lo": 0.9,
            "funnel_998_hi": 1.1,
            "funnel_all_lo": 0.92,
            "funnel_all_hi": 1.08,
            "ratio_shrunk": 1.0,
            "verdict": ["slower", "within", "faster"],
        }
    )


def test_the_funnel_names_who_is_beyond_chance() -> None:
    found = found_in("restoration", {"marts.restoration_comparison": comparison()})
    exhibit = changes.funnel(comparison(), "district", "time_to_locate", Settings(), found)
    assert said(exhibit.finding) == (
        "Beyond chance: D3 15 % faster (10 to 20 %); D1 20 % slower (10 to 30 %). The other one is within it."
    )
    calm = comparison().assign(verdict="within")
    assert changes.funnel(calm, "district", "time_to_locate", Settings(), found).finding == (
        "None of 3 districts differs from the fleet by more than chance."
    )


def test_the_funnel_draws_the_differences_in_percent() -> None:
    chart = restoration_compare.chart_funnel(comparison())
    drawn = {trace.name: trace for trace in chart.data}
    assert list(drawn["slower"].y) == pytest.approx([20])
    assert list(drawn["slower"].error_y.array) == pytest.approx([10])
    assert list(drawn["faster"].text) == ["D3"]


def test_names_of_many_groups_are_left_to_the_table() -> None:
    many = pd.concat([comparison().assign(group_name=lambda f, n=n: f["group_name"] + str(n)) for n in range(4)])
    drawn = {trace.name: trace for trace in restoration_compare.chart_funnel(many).data}
    assert set(drawn["within chance"].text) == {""}
    assert set(drawn["within chance"].hovertext) == {"D20", "D21", "D22", "D23"}
    assert "" not in set(drawn["slower"].text)


NO_YEARS = pd.DataFrame(columns=["measure"])


def trend() -> pd.DataFrame:
    months = pd.date_range("2023-01-01", periods=14, freq="MS")
    return pd.DataFrame(
        {
            "measure": "time_to_restore",
            "reported_month": months,
            "jobs": 10,
            "mean_min": [100.0] * 13 + [60.0],
            "share_closed": [1.0] * 13 + [0.5],
            "is_immature": [False] * 13 + [True],
            "adjusted_mean_min": [np.nan] * 13 + [90.0],
            "adjusted_lo": [np.nan] * 13 + [70.0],
            "adjusted_hi": [np.nan] * 13 + [110.0],
            "centre_min": 100.0,
            "lower_min": 80.0,
            "upper_min": 120.0,
            "signal": [""] * 14,
        }
    )


def test_a_fall_in_an_incomplete_month_is_no_finding() -> None:
    exhibit = changes.months(trend(), NO_YEARS, "time_to_restore", Settings())
    assert "No month differs by more than chance: 13 months" in exhibit.finding
    assert exhibit.more == ("The last 1 month is not complete and not judged.",)
    drawn = {trace.name: trace for trace in exhibit.chart.data}
    assert list(drawn["not complete, adjusted"].y) == [90.0]
    assert drawn["month"].y[-1] is None or np.isnan(drawn["month"].y[-1])


def test_signals_are_counted() -> None:
    rows = trend()
    rows.loc[[2, 5], "signal"] = ["outside", "run"]
    exhibit = changes.months(rows, NO_YEARS, "time_to_restore", Settings())
    assert exhibit.finding.startswith("1 month outside the limits and 1 month in a run on one side, of 13 months")


def test_savings_are_compared() -> None:
    rows = pd.DataFrame(
        {
            "scenario": ["arrive_10_minutes_sooner", "search_halved", "both"],
            "lever": ["arrive_sooner", "search_shorter", "both"],
            "grouped_by": "all",
            "group_name": "all",
            "jobs": 50,
            "customer_minutes": 10_000.0,
            "saved_customer_minutes": [600.0, 2400.0, 3000.0],
            "saved_lo": [500.0, 2000, 2500],
            "saved_hi": [700.0, 2800, 3500],
            "saved_share": [0.06, 0.24, 0.3],
            "saved_per_year": [60.0, 240.0, 300.0],
            "added_customer_minutes": [600.0, 2400.0, np.nan],
            "jobs_without_record": [0, 2, 2],
            "cost_per_saved_minute": [np.nan, 0.5, np.nan],
            "cost_per_saved_minute_lo": [np.nan, 0.4, np.nan],
            "cost_per_saved_minute_hi": [np.nan, 0.6, np.nan],
        }
    )
    exhibit = changes.savings(rows, Settings(), found_in("restoration", {"marts.restoration_what_if": rows}))
    assert said(exhibit.finding) == (
        "Halving the search would save 240 customer-minutes a year, 24.0 % (20.0 to 28.0) of them; arriving 10 minutes "
        "sooner 60, 6.0 % (5.0 to 7.0). Halving the search saves 4 times as much."
    )
    assert said(exhibit.more[0]) == "A customer-minute saved would cost: Search cut to 50 % USD 0.50 (0.40 to 0.60)."
    assert "indicators are those interrupted most in the very record" in exhibit.more[1]
    assert all(word in exhibit.more[2] for word in ("backfeed", "grounding", "rules of rest", "isolation"))
    assert list(exhibit.chart.data[1].x)[:2] == [60, 240]
    named = Settings().override("restoration", indicator_loops="L1", search_share=0.4, arrive_sooner_min=5.0)
    rows["scenario"] = ["arrive_5_minutes_sooner", "search_cut_to_40_pct", "both"]
    rows["cost_per_saved_minute"] = np.nan
    other = changes.savings(rows, named, found_in("restoration", {"marts.restoration_what_if": rows}))
    assert said(other.finding).startswith("Cutting the search to 40 % would save")
    assert "arriving 5 minutes sooner" in other.finding
    assert "no costs" in other.more[0] and "backfeed" in other.more[1]
    bars = exhibit.chart.data[0]
    assert list(bars.x) == [60, 240, 300]
    assert list(bars.error_x.array) == pytest.approx([10, 40, 50])
    rows[["saved_lo", "saved_hi"]] = np.nan
    rows["scenario"] = ["arrive_10_minutes_sooner", "search_halved", "both"]
    few = changes.savings(rows, Settings(), found_in("restoration", {"marts.restoration_what_if": rows})).finding
    assert said(few).startswith(
        "Halving the search would save 240 customer-minutes a year, 24.0 % (too few days or storms for limits) of them;"
    )


def test_the_stage_bars_begin_where_the_one_before_ends() -> None:
    stages = pd.DataFrame(
        {
            "stage": list(figures.CUSTOMER_STAGES),
            "mean_min": [10.0, 30.0, 60.0, 20.0],
            "mean_lo": 1.0,
            "mean_hi": 99.0,
            "median_min": 9.0,
        }
    )
    chart = figures.chart_customer_stages(stages)
    assert list(chart.data[0].base) == [0, 10, 40, 100]


def test_the_first_sentence_is_of_loops_and_says_its_limits() -> None:
    clock = pd.DataFrame(
        [
            {
                "grouped_by": "configuration",
                "group_name": "loop",
                "stage": "customer_clock",
                "jobs": 90,
                "mean_min": 130.2,
                "mean_lo": 128.9,
                "mean_hi": 131.6,
            }
        ]
    )
    stages = pd.DataFrame(
        [
            {
                "grouped_by": "all",
                "group_name": "all",
                "stage": "arrive_to_locate",
                "jobs": 90,
                "mean_min": 70.9,
                "mean_lo": 69.5,
                "mean_hi": 72.2,
            }
        ]
    )
    given = Given(
        {
            "marts.restoration_clocks": clock,
            "marts.restoration_waterfall": waterfall(LOOP, RADIAL),
            "marts.restoration_stages": stages,
        }
    )
    assert said(restoration.where_minutes_go(given)) == (
        "130 minutes (129 to 132) pass on average until the last customer is back after a cable fault on a loop; from "
        "arrival to the section found 71 (70 to 72), and 50 % of the customer-minutes pass while the section is being "
        "found."
    )


def test_the_last_year_is_judged_against_the_one_before() -> None:
    def words(judged: str, lo: float, hi: float) -> str:
        row = ("time_to_restore", 105.2, 104.9, lo, hi, judged)
        columns = ["measure", "last_mean_min", "before_mean_min", "difference_lo", "difference_hi", "judged"]
        return changes.year_words(pd.DataFrame([row], columns=columns), "time_to_restore")

    start = "The last twelve complete months average 105 minutes, the twelve before 105: "
    assert words("within", -4, 4) == f"{start}a difference of −4 to 4, within chance."
    assert words("fall", -51, -49) == f"{start}a difference of −51 to −49, a fall beyond chance."
    assert words("rise", 49, 51) == f"{start}a difference of 49 to 51, a rise beyond chance."
    assert words("too_few", np.nan, np.nan) == f"{start}too few days or storms to tell a change from chance."


def test_bars_of_this_period_lead_to_the_jobs_they_count() -> None:
    rows = pd.DataFrame({"stage": ["arrive_to_locate"], "mean_min": [40.0], "mean_before_min": [60.0]})
    before, now = chart_periods(rows, "2024").data
    assert (before.name, list(before.x), list(now.x)) == ("2024", [60.0], [40.0])
    assert now.meta == {"to": ["jobs?has=arrive_to_locate_min&by=-arrive_to_locate_min"]} and before.meta == {
        "to": [None]
    }


def test_the_back_test_of_the_order_of_tests_says_its_limits() -> None:
    rows = evaluation_marts(np.random.default_rng(1))[changes.SEARCH_BACKTEST]
    made = changes.search_backtest(rows, Settings())
    assert made.finding == (
        "Over 120 past jobs the order of search-sequence would have needed 2.50 tests; crews used 3.10, a difference "
        "of 0.60 (0.30 to 0.90). Testing outward from the source would have needed 3.70, halving the number of "
        "sections 2.70 (0.20 more than the order, 0.05 to 0.35); no order could be expected to need fewer than 2.40."
    )
    assert any("closing onto a fault" in caution for caution in made.cautions)
    assert changes.search_backtest(rows.head(0), Settings()).is_absent


def test_the_half_loops_interrupted_most_are_those_of_the_latest_period_and_lead_to_their_jobs() -> None:
    rows = pd.DataFrame(
        {
            "period": ["2025", "last 12 months", "last 12 months"],
            "rank": [1, 2, 1],
            "half_loop_id": ["L9", "L1/B", "L1/A"],
            "customers": [5, 20, 71],
            "interruptions": [9, 2, 4],
            "customer_minutes": [10.0, 2000.0, 30_000.0],
            "longest_min": [2.0, 60.0, 300.0],
            "is_in_programme": [True, False, True],
            "job_ids": ["J9", "J5 J6", "J1 J2 J3 J4"],
            **dict.fromkeys(("loop_id", "district_id"), "L1"),
        }
    )
    exhibit = clocks.most_interrupted(rows)
    assert exhibit.finding == (
        "The last 12 months had 2 half-loops with two or more sustained interruptions: L1/A had 4, each time for up to "
        "71 customers."
    )
    assert exhibit.more == ("The programme works on 1 of the 2 half-loops named here.",)
    four = "jobs?job_id=J1&job_id=J2&job_id=J3&job_id=J4"
    assert exhibit.tables[0].to["interruptions"] == [four, "jobs?job_id=J5&job_id=J6"]
    (bars,) = restoration_compare.chart_interrupted(rows[rows["period"] == "last 12 months"].sort_values("rank")).data
    assert (list(bars.x), list(bars.y), bars.meta["to"][0]) == ([4, 2], ["L1/A", "L1/B"], four)


def weeks(**columns: object) -> pd.DataFrame:
    month = {"window_from": dt.date(2025, 1, 1), "window_to": dt.date(2025, 1, 29), "window_weeks": 4, "jobs": 12}
    usual = {"share_closed": 0.6, "jobs_expected": 20.0, "mean_min": 80.0, "adjusted_mean_min": 95.0}
    limits = {"adjusted_lo": 70.0, "adjusted_hi": 120.0, "is_immature": True, "unknown_because": ""}
    return pd.DataFrame([month | usual | limits | columns])


@pytest.mark.parametrize(
    ("why", "said_of_it"),
    [
        ("", "About 60 % of the jobs of the last four weeks are on file: 12 of about 20. Their mean time"),
        ("record_ended", "The last record is well before the as-of day"),
        ("delay_beyond_record", "The record is too short for its closing delays"),
        ("none_on_file", "No job of the last four weeks before the as-of day is on file; 60 % of any should be."),
        (
            "too_few_settled",
            "About 60 % of the jobs of the last four weeks are on file: 12 of about 20. Fewer than 100",
        ),
    ],
)
def test_the_latest_weeks_say_what_is_known_or_why_it_is_not(why: str, said_of_it: str) -> None:
    lag = pd.DataFrame({"lag_days": [0.0, 1.0], "share_closed": [0.5, 1.0], "jobs": 40})
    rows = weeks(unknown_because=why, **({"adjusted_mean_min": np.nan} if why else {}))
    found = found_in("restoration", {"fitted.closing_lag": lag})
    assert said(changes.latest_weeks(rows, lag, Settings(), found).finding).startswith(said_of_it)


def test_a_group_that_cannot_be_told_is_named_and_counts_nowhere() -> None:
    rows = comparison().assign(verdict=["not_separable", "within", "faster"], grouped_by="crew")
    found = found_in("restoration", {"marts.restoration_comparison": rows})
    exhibit = changes.funnel(rows, "crew", "time_to_locate", Settings(), found)
    assert said(exhibit.finding) == "Beyond chance: D3 15 % faster (10 to 20 %). The other one is within it."
    assert exhibit.more[0].startswith("Unknown for D1: what is theirs")
    assert {trace.name for trace in exhibit.chart.data} >= {"unknown", "within chance", "faster"}
