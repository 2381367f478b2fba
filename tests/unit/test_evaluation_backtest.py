"""The back-test's parts on cases worked by hand: origins, what was known, orders, ties at the cut, calibration."""

from __future__ import annotations

import dataclasses
import datetime as dt
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from pipelines.evaluation.backtest import (
    RULES,
    calibrate,
    capture_rows,
    choose_origins,
    draw_loops,
    list_units,
    roll_up,
    run_backtest,
)
from pipelines.evaluation.capture import _interpolate_at, _number_blocks, _sum_blocks, measure_capture, sum_drawn
from pipelines.evaluation.rule_orders import _largest_first, _sort_down, order_by_rule
from pipelines.survival.history import FailureHistory, known_at


@dataclass(frozen=True)
class FlatModel:
    """Expects the same of every kilometre, and a failure more of each section for every one on record."""

    history: FailureHistory

    def forecast(self, years: float) -> pd.DataFrame:
        sections = self.history.sections
        sections = sections[sections["retired_on"].isna()]
        seen = self.history.failures["section_id"].value_counts()
        recorded = sections["section_id"].map(seen).fillna(0.0)
        return sections.assign(expected_failures=sections["length_km"] * years * 0.1 + recorded)


@dataclass(frozen=True)
class Given:
    """A forecast that is given."""

    frame: pd.DataFrame

    def forecast(self, years: float) -> pd.DataFrame:
        assert years == 5.0
        return self.frame


def make_history(sections: list[tuple], failures: list[tuple], as_of: str = "2025-12-31") -> FailureHistory:
    """Sections as (id, loop, km, installed, retired), failures as (section, failed, closed)."""
    frame = pd.DataFrame(sections, columns=["section_id", "loop_id", "length_km", "installed_on", "retired_on"])
    for column in ("installed_on", "retired_on"):
        frame[column] = pd.to_datetime(frame[column])
    end = pd.Timestamp(as_of)
    frame = frame.assign(
        is_installed_on_known=frame["installed_on"].notna(),
        rejuvenated_on=pd.NaT,
        cable_class=frame["loop_id"],
        in_view_from=frame["installed_on"].clip(lower=pd.Timestamp("2006-01-01")),
        in_view_to=frame["retired_on"].fillna(end),
        exposure_years=0.0,
        exposure_km_years=0.0,
    )
    jobs = pd.DataFrame(failures, columns=["section_id", "failed_on", "closed_on"])
    jobs["loop_id"] = jobs["section_id"].map(frame.set_index("section_id")["loop_id"])
    for column in ("failed_on", "closed_on"):
        jobs[column] = pd.to_datetime(jobs[column])
    laid = jobs["section_id"].map(frame.set_index("section_id")["installed_on"])
    age = (jobs["failed_on"] - laid).dt.days / 365.25
    jobs = jobs.assign(is_counted=True, why_not=None, age_years=age, failed_component="cable")
    return FailureHistory(frame, jobs, dt.date.fromisoformat(as_of))


def make_units(**columns: list[float]) -> pd.DataFrame:
    n = len(next(iter(columns.values())))
    given = {name: np.array(values, dtype=float) for name, values in columns.items()}
    counts = ("failures", "failures_recent", "failures_five_years", "age_years", "observed", "observed_distinct")
    counts += ("class_rate", "class_age_rate")
    base = {name: np.zeros(n) for name in counts}
    names = [f"s{k}" for k in range(n)]
    ids = {"section_id": names, "section_code": np.arange(n), "loop_code": np.arange(n)}
    return pd.DataFrame({**ids, "length_km": np.ones(n), **base, **given})


def test_origins_are_yearly_the_last_one_horizon_ago() -> None:
    history = make_history([("a", "L", 1.0, "1990-01-01", None)], [])
    origins, horizon = choose_origins(history, 5.0, 3)
    assert origins == [dt.date(2018, 12, 31), dt.date(2019, 12, 31), dt.date(2020, 12, 31)]
    assert horizon == 5.0


def test_origins_wait_for_three_years_of_records() -> None:
    history = make_history([("a", "L", 1.0, "1990-01-01", None), ("b", "L", 1.0, "2019-01-01", None)], [])
    origins, _ = choose_origins(history, 5.0, 30)
    assert origins[0] == dt.date(2009, 12, 31)  # records from 2006-01-01, whenever the last cable was laid


def test_a_short_record_shortens_the_horizon_and_none_gives_none() -> None:
    short = make_history([("a", "L", 1.0, "1990-01-01", None)], [], as_of="2011-12-31")
    assert choose_origins(short, 5.0, 5) == ([dt.date(2008, 12, 31), dt.date(2009, 12, 31)], 2.0)
    bare = make_history([("a", "L", 1.0, "2025-06-01", None)], [])
    assert choose_origins(bare, 5.0, 5) == ([], 5.0)


def test_only_what_was_known_at_the_origin_counts_as_history() -> None:
    history = make_history(
        [
            ("a", "L", 1.0, "1990-01-01", None),
            ("b", "L", 2.0, "1990-01-01", "2022-06-30"),
            ("c", "L", 1.0, "2023-01-01", None),
        ],
        [
            ("a", "2010-05-01", "2010-05-09"),
            ("a", "2019-05-01", "2019-05-09"),
            ("a", "2020-12-28", "2021-01-15"),  # reported before the origin, closed after: known to nobody
            ("b", "2021-03-01", "2021-03-02"),
            ("a", "2026-01-01", "2026-01-02"),
        ],
        as_of="2026-12-31",
    )
    origin = dt.date(2020, 12, 31)
    units = list_units(history, origin, 5.0, FlatModel(known_at(history, origin)))
    assert units["section_id"].tolist() == ["a", "b"]  # c came later, b was not yet retired
    assert units["failures"].tolist() == [2, 0]
    assert units["failures_recent"].tolist() == [1, 0]
    assert units["failures_five_years"].tolist() == [1, 0]
    assert units["observed"].tolist() == [0, 1]  # the failure of 2026 lies beyond the horizon
    in_service = (dt.date(2022, 6, 30) - origin).days / round(5 * 365.25)
    assert units["expected_in_view"].tolist() == pytest.approx([0.5 + 2, 1.0 * in_service])


def test_orders_of_the_rules() -> None:
    units = make_units(
        length_km=[1, 2, 4, 1],
        failures=[1, 2, 3, 0],
        failures_recent=[1, 0, 0, 0],
        failures_five_years=[0, 3, 0, 0],
        age_years=[10, 20, 30, 40],
        expected=[1, 8, 4, 2],
    )

    def picked(rule: str) -> list[int]:
        return order_by_rule(units, rule)[0].tolist()

    assert picked("model") == [1, 3, 0, 2]
    assert picked("most_failures") == [2, 1, 0, 3]
    assert picked("recent_failures") == [0, 3, 2, 1]  # the rest by age
    assert picked("failures_per_km") == [1, 0, 2, 3]  # 1, 1, 0.75, 0 per km; the tie to the older
    assert picked("oldest_first") == [3, 2, 1, 0]
    assert picked("three_in_five_years")[0] == 1
    assert len(order_by_rule(units, "three_in_five_years")[1]) == 2
    assert len(order_by_rule(units, "random")[1]) == 1


def test_ties_at_the_cut_count_in_part() -> None:
    # One unit of 1 km with 4 failures first, then three alike with 6 failures on 3 km, to 2.5 of 4 km.
    units = make_units(length_km=[1, 1, 1, 1], failures=[5, 2, 2, 2], observed=[4, 6, 0, 0])
    order, groups = order_by_rule(units, "most_failures")
    captured, _ = measure_capture(units, order, groups, np.ones((1, 4)), (0.25, 0.625, 1.0))
    assert captured[0].tolist() == pytest.approx([4, 4 + 6 * 1.5 / 3, 10])


def test_a_long_unit_before_short_ones_is_not_blended_with_them() -> None:
    """40 km without a failure, then all ten on two km, each longer than a block of 1/4000 of the whole."""
    units = make_units(length_km=[40, 1, 1, 58], failures=[9, 8, 7, 6], observed=[0, 4, 6, 0])
    order, groups = order_by_rule(units, "most_failures")
    cuts = (0.4, 0.405, 0.41, 0.415, 0.42)
    captured, drawn = measure_capture(units, order, groups, np.ones((1, 4)), cuts)
    assert captured[0].tolist() == pytest.approx([0, 2, 4, 7, 10])
    assert drawn[0, 0].tolist() == pytest.approx([0, 2, 4, 7, 10])


def test_random_captures_its_share() -> None:
    units = make_units(length_km=[3, 1, 6], observed=[5, 2, 13])
    captured, _ = measure_capture(units, *order_by_rule(units, "random"), np.ones((1, 3)), (0.1, 0.2))
    assert captured[0].tolist() == pytest.approx([2, 4])


def test_replicates_draw_units_with_their_length_and_failures() -> None:
    rng = np.random.default_rng(3)
    units = make_units(length_km=rng.uniform(1, 2, 40), observed=rng.poisson(1.0, 40), failures=rng.poisson(1.0, 40))
    weights = rng.multinomial(40, np.full(40, 1 / 40), size=7).astype(float)
    order, groups = order_by_rule(units, "failures_per_km")
    _, drawn = measure_capture(units, order, groups, weights, (0.1,))
    for weight, failures in zip(weights, drawn[:, 0, 0], strict=True):
        repeated = units.loc[units.index.repeat(weight.astype(int))].reset_index(drop=True)
        repeated["loop_code"] = np.arange(len(repeated))
        once = np.ones((1, len(repeated)))
        again, _ = measure_capture(repeated, *order_by_rule(repeated, "failures_per_km"), once, (0.1,))
        assert failures == pytest.approx(again[0, 0], rel=1e-4)


def test_loops_are_sums_of_their_sections() -> None:
    units = make_units(length_km=[1, 3], failures=[1, 2], age_years=[40, -1], observed=[1, 1], expected=[0.5, 0.25])
    units["loop_code"] = 0
    loop = roll_up(units).iloc[0]
    assert (loop["length_km"], loop["failures"], loop["observed"], loop["expected"]) == (4, 3, 2, 0.75)
    assert loop["age_years"] == 40  # of the length whose date is known


def test_calibration_goes_by_tenths_of_the_length() -> None:
    units = make_units(length_km=[1] * 20, expected=list(range(20)), observed=[1] * 20)
    units["expected_in_view"], units["observed_shared"] = units["expected"], units["observed"]
    units["expected_distinct"], units["observed_distinct_shared"] = units["expected"] / 5, units["observed"] / 2
    table = calibrate(units, dt.date(2020, 12, 31), 0.90)
    assert table["decile"].tolist() == list(range(1, 11))
    assert table["expected"].tolist() == [2 * k + 2 * k + 1 for k in range(10)]
    assert table["observed"].tolist() == [2] * 10
    assert table["expected_distinct"].tolist() == pytest.approx([(4 * k + 1) / 5 for k in range(10)])
    assert table["observed_distinct"].tolist() == [1] * 10


def test_a_failure_known_by_loop_alone_is_shared_as_the_forecast_is() -> None:
    sections = [
        ("s0", "L0", 1.0, "1980-01-01", None),
        ("s1", "L0", 3.0, "1980-01-01", None),
        ("s2", "L1", 1.0, "1980-01-01", None),
    ]
    history = make_history(sections, [("s2", "2022-01-01", "2022-01-05"), ("s0", "2022-03-01", "2022-03-05")])
    alone = history.failures["section_id"].eq("s0")
    failures = history.failures.assign(
        is_counted=~alone,
        why_not=np.where(alone, "loop_only", None),
        section_id=history.failures["section_id"].where(~alone),
    )
    history, origin = dataclasses.replace(history, failures=failures), dt.date(2020, 12, 31)
    units = list_units(history, origin, 5.0, FlatModel(known_at(history, origin))).set_index("section_id")
    assert units["observed"].to_dict() == {"s0": 0, "s1": 0, "s2": 1}
    shares = units["expected_in_view"] / units.groupby("loop_code")["expected_in_view"].transform("sum")
    assert units["observed_shared"].tolist() == pytest.approx([shares["s0"], shares["s1"], 1.0])
    assert calibrate(units.reset_index(), origin, 0.9)["observed"].sum() == pytest.approx(2.0)


def test_later_events_change_neither_order_nor_forecast() -> None:
    sections = [(f"s{k}", f"L{k % 3}", 1.0 + k / 10, "1980-01-01", None) for k in range(9)]
    past = [("s1", "2012-01-01", "2012-01-05"), ("s4", "2015-01-01", "2015-01-05")]
    later = [("s7", "2022-01-01", "2022-01-05"), ("s8", "2023-01-01", "2023-01-05")]
    origin = dt.date(2020, 12, 31)
    plain, extended = (make_history(sections, rows) for rows in (past, past + later))
    before, after = (list_units(h, origin, 5.0, FlatModel(known_at(h, origin))) for h in (plain, extended))
    seen = ["observed", "observed_shared", "observed_distinct", "observed_distinct_shared"]
    pd.testing.assert_frame_equal(before.drop(columns=seen), after.drop(columns=seen))
    assert after["observed"].sum() == 2


def test_every_rule_at_every_origin_and_level_and_the_same_each_time() -> None:
    sections = [(f"s{k}", f"L{k % 4}", 1.0 + k / 10, "1980-01-01", None) for k in range(12)]
    failures = [(f"s{k % 12}", f"20{7 + k % 18:02d}-03-0{1 + k % 9}", f"20{7 + k % 18:02d}-03-20") for k in range(40)]
    history = make_history(sections, failures)
    origins = [dt.date(2018, 12, 31), dt.date(2019, 12, 31)]

    def test_once():
        return run_backtest(
            history, FlatModel, origins, 5.0, coverage=0.90, replicates=50, random=np.random.default_rng(1)
        )

    first, second = test_once(), test_once()
    pd.testing.assert_frame_equal(first.captures, second.captures)
    pd.testing.assert_frame_equal(first.summary, second.summary)
    assert len(first.captures) == 2 * 2 * len(RULES) * 4
    assert len(first.summary) == 2 * (len(RULES) * 4 + 1)
    assert first.captures.groupby("origin")["failures_total"].nunique().eq(1).all()
    assert first.captures["capture_fraction"].between(0, 1).all()


def test_replicates_taken_as_far_as_needed_are_those_of_the_whole() -> None:
    rng = np.random.default_rng(6)
    units = make_units(
        length_km=rng.uniform(0.05, 0.5, 900),
        observed=rng.poisson(0.4, 900).astype(float),
        failures=rng.integers(0, 4, 900).astype(float),
        age_years=rng.uniform(0, 40, 900),
    ).assign(loop_code=np.repeat(np.arange(90), 10))
    draws = rng.multinomial(90, np.full(90, 1 / 90), size=40).astype(float)
    order, groups = order_by_rule(units, "most_failures")
    captured, drawn = measure_capture(units, order, groups, draws)
    whole, drawn_whole = measure_capture(units, order, groups, draws, (*(0.01, 0.05, 0.10, 0.20), 1.0))
    np.testing.assert_allclose(captured, whole[:, :4])
    np.testing.assert_allclose(drawn, drawn_whole[..., :4], rtol=1e-12)
    np.testing.assert_allclose(drawn_whole[:, 0, 4], sum_drawn(units, draws)[1][0])


def test_orders_are_those_of_a_plain_sort() -> None:
    rng = np.random.default_rng(8)
    for mean in (0.05, 3.0):  # few with a failure on record, and nearly all
        units = make_units(
            length_km=rng.integers(1, 4, 300),
            failures=rng.poisson(mean, 300),
            age_years=rng.integers(-1, 30, 300),
            failures_five_years=rng.poisson(mean, 300),
            expected=rng.integers(0, 9, 300),
        )
        per_km, age = units["failures"] / units["length_km"], units["age_years"]
        keys = {
            "most_failures": (-units["failures"], -age),
            "failures_per_km": (-per_km, -age),
            "oldest_first": (-age,),
            "three_in_five_years": (-units["failures_five_years"].ge(3).astype(int),),
            "model": (-units["expected"] / units["length_km"],),
        }
        by_age = np.argsort(-age.to_numpy(), kind="stable")
        for rule, key in keys.items():
            order, groups = order_by_rule(units, rule, by_age)
            assert order.tolist() == np.lexsort(key[::-1]).tolist(), rule  # stable: equals as they come
            ties = pd.DataFrame(dict(enumerate(key))).iloc[order].drop_duplicates()
            assert order[groups].tolist() == ties.index.tolist(), rule
            assert np.array_equal(order, order_by_rule(units, rule)[0]), rule


def test_loops_are_drawn_as_in_one_go() -> None:
    drawn = draw_loops(7, 50, np.random.default_rng(4))
    whole = np.random.default_rng(4).multinomial(7, np.full(7, 1 / 7), size=50)
    assert drawn.tolist() == whole.tolist()


@pytest.mark.parametrize(
    ("begin", "as_of", "origins", "horizon"),
    [
        # two years of records: a third of them before the origin, a year after it; a day less gives none
        ("2023-12-31", "2025-12-31", [dt.date(2024, 12, 31)], 1.0),
        ("2024-01-01", "2025-12-31", [], 5.0),
        ("2019-12-31", "2025-12-31", [dt.date(2021, 12, 31), dt.date(2022, 12, 31)], 3.0),
        ("2020-01-02", "2025-12-31", [dt.date(2022, 12, 31), dt.date(2023, 12, 31)], 2.0),
        ("2000-01-01", "2025-12-31", [dt.date(2017, 12, 31), dt.date(2018, 12, 31), dt.date(2019, 12, 31)], 6.0),
    ],
)
def test_what_the_records_allow(begin: str, as_of: str, origins: list[dt.date], horizon: float) -> None:
    history = make_history([("a", "L", 1.0, "1990-01-01", None)], [], as_of=as_of)
    viewed = history.sections.assign(in_view_from=pd.Timestamp(begin))
    asked = 6.0 if horizon == 6.0 else 5.0
    assert choose_origins(dataclasses.replace(history, sections=viewed), asked, 3) == (origins, horizon)
    unseen = dataclasses.replace(history, sections=viewed.assign(in_view_from=pd.NaT))
    assert choose_origins(unseen, 5.0, 3) == ([], 5.0)


def test_a_horizon_of_a_year_and_a_half_ends_so_many_days_ago() -> None:
    history = make_history([("a", "L", 1.0, "1990-01-01", None)], [])
    # a year before 2025-12-31, then half of 365.25 days
    assert choose_origins(history, 1.5, 1)[0] == [dt.date(2024, 12, 31) - dt.timedelta(days=183)]


@pytest.mark.parametrize("by_name", [True, False])
def test_days_at_the_edges_of_what_is_counted(by_name: bool) -> None:
    origin, edge = pd.Timestamp("2020-12-31"), [pd.Timedelta(days=d) for d in (0, 1, 1095, 1096, 1825, 1826)]
    back = [(f"f{k}", origin - gap, origin - gap) for k, gap in enumerate(edge)]
    # 1826 days are five years: the last of them counts, the day after does not
    ahead = [("e0", origin + edge[1], origin + edge[1]), ("e0", origin + edge[5], origin + edge[5])]
    ahead += [("e0", origin + pd.Timedelta(days=1827), origin + pd.Timedelta(days=1827))]
    names = ["e0", *(f"f{k}" for k in range(6))]
    sections = [(name, f"L{9 - k}", 2.0, "2020-06-30", None) for k, name in enumerate(names)]
    sections[1] = ("f0", "L8", 2.0, None, None)
    history = make_history(sections, [*back, *ahead], as_of="2026-12-31")

    forecast = FlatModel(known_at(history, origin.date())).forecast(5.0)
    model = Given(forecast.drop(columns="section_code") if by_name else forecast[::-1])
    score = pd.Series(np.arange(7.0), index=names)
    units = list_units(history, origin.date(), 5.0, model, {"known": score}).set_index("section_id")
    assert units.index.tolist() == names
    assert units["failures"].tolist() == [0, 1, 1, 1, 1, 1, 1]
    assert units["failures_recent"].tolist() == [0, 1, 1, 1, 0, 0, 0]
    assert units["failures_five_years"].tolist() == [0, 1, 1, 1, 1, 1, 0]
    assert units["observed"].tolist() == [2, 0, 0, 0, 0, 0, 0]
    assert units["age_years"].tolist() == pytest.approx([184 / 365.25, -1, *[184 / 365.25] * 5])
    assert units["known"].tolist() == list(range(7))
    assert units["expected"].tolist() == pytest.approx([1.0, *[2.0] * 6])
    assert units["expected_in_view"].tolist() == units["expected"].tolist()


def test_ages_and_rates_of_loops_are_means_by_length() -> None:
    units = make_units(length_km=[1, 3, 2, 1], age_years=[40, 0, -1, -1], known=[1, 2, 4, 8])
    loops = roll_up(units.assign(loop_code=[0, 0, 0, 1]), ("known",))
    assert loops["age_years"].tolist() == [40 / 4, -1]
    assert loops["known"].tolist() == [(1 + 6 + 8) / 6, 8]
    short = roll_up(units.assign(length_km=0.1, loop_code=0)).iloc[0]
    assert short["age_years"] == pytest.approx(20)


def test_tenths_of_the_length_go_by_the_middle_of_a_section() -> None:
    # Least per km first: 1, 3, 4 and 2 km, middles at 0.5, 2.5, 6 and 9 of 10.
    units = make_units(length_km=[4, 1, 2, 3], expected=[8, 0.5, 9, 3], observed=[0, 0, 0, 0])
    units["expected_in_view"], units["observed_shared"] = units["expected"], [1, 0, 2, 0]
    units["expected_distinct"], units["observed_distinct_shared"] = units["expected"], units["observed_shared"]
    table = calibrate(units, dt.date(2020, 12, 31), 0.90)
    assert table["decile"].tolist() == [1, 3, 7, 10]
    assert table["length_km"].tolist() == [1, 3, 4, 2]
    assert table["expected"].tolist() == [0.5, 3, 8, 9]
    # exact limits of a Poisson mean: quantiles of a gamma
    assert table["observed_lo"].tolist()[2:] == pytest.approx(stats.gamma.ppf(0.05, [1, 2]).tolist())
    assert table["observed_hi"].tolist() == pytest.approx(stats.gamma.ppf(0.95, [1, 1, 2, 3]).tolist())


def test_rows_of_captures_by_hand() -> None:
    shares = np.linspace(0.2, 0.4, 11)[:, None] * np.ones(4)
    rows = capture_rows(make_units(observed=[3, 1]), np.array([2.0, 2, 3, 4]), shares, 0.8)
    assert rows["failures_total"].tolist() == [4] * 4
    assert rows["capture_fraction"].tolist() == [0.5, 0.5, 0.75, 1]
    # the tenth and the ninetieth of eleven even steps
    assert rows["capture_lo"].tolist() == pytest.approx([0.22] * 4)
    assert rows["capture_hi"].tolist() == pytest.approx([0.38] * 4)
    nothing = capture_rows(make_units(observed=[0]), np.zeros(4), np.zeros((0, 4)), 0.8)
    assert nothing[["capture_fraction", "capture_lo", "capture_hi"]].isna().all(axis=None)
    assert capture_rows(make_units(observed=[1]), np.ones(4), np.ones((1, 4)), 0.8)["capture_fraction"].eq(1).all()


def test_further_rules_and_measures_are_taken_along() -> None:
    sections = [(f"s{k}", f"L{k % 4}", 1.0, "1980-01-01", None) for k in range(8)]
    history = make_history(sections, [("s1", "2021-03-01", "2021-03-02"), ("s6", "2022-03-01", "2022-03-02")])
    seen, day = [], dt.date(2020, 12, 31)
    truth = {day: {"truth": pd.Series(np.isin(np.arange(8), [1, 6]) * 1.0, index=[f"s{k}" for k in range(8)])}}

    def measure(units, origin, horizon, grain, orders, draws):
        seen.append((origin, horizon, grain, sorted(orders), draws.shape, len(units)))
        return pd.DataFrame({"grain": [grain]})

    options = {"coverage": 0.9, "replicates": 20, "further_rules": truth, "further_measure": measure}
    found = run_backtest(history, FlatModel, [day], 5.0, random=np.random.default_rng(1), **options)
    rules = sorted([*RULES, "truth"])
    assert seen == [(day, 5.0, "section", rules, (20, 4), 8), (day, 5.0, "loop", rules, (20, 4), 4)]
    assert found.further["grain"].tolist() == ["section", "loop"]
    best = found.captures.set_index(["rule", "level", "length_fraction"])["failures_captured"]
    # a fifth of the length is 1.6 of 8 sections, and 0.8 of the first of four loops
    assert best["truth", "section", 0.2] == pytest.approx(2 * 1.6 / 2)
    assert best["truth", "loop", 0.2] == pytest.approx(0.8)
    assert found.calibration["origin"].eq(pd.Timestamp(day)).all()
    none = run_backtest(history, FlatModel, [], 5.0, coverage=0.9, replicates=20, random=np.random.default_rng(1))
    assert none.captures.empty and none.summary.empty and none.calibration.empty and none.further.empty


@pytest.mark.parametrize(
    "key",
    [[], [0, 0, 0], [1, 0, 2, 0, 2, 0], [3, 1, 2], [-1, 0, -1, 5], [0, 0, 0, 7, 40_000, 7], [32_767, 32_768, 0, 5]],
)
def test_the_largest_come_first_and_equals_stay(key: list[int]) -> None:
    for values in (np.array(key, dtype=np.int64), np.array(key, dtype=float), np.array(key, dtype=np.int64) > 1):
        wanted = sorted(range(len(key)), key=lambda place, values=values: -float(values[place]))
        assert _largest_first(values).tolist() == _sort_down(values).tolist() == wanted


def test_groups_of_ties_and_an_unknown_rule() -> None:
    units = make_units(age_years=[5, 5, 7], failures_five_years=[3, 2, 4], score=[1, 9, 1])
    assert [part.tolist() for part in order_by_rule(units, "oldest_first")] == [[2, 0, 1], [0, 1]]
    assert [part.tolist() for part in order_by_rule(units, "three_in_five_years")] == [[0, 2, 1], [0, 2]]
    assert [part.tolist() for part in order_by_rule(units, "score")] == [[1, 0, 2], [0, 1]]
    assert [part.tolist() for part in order_by_rule(units[:1], "most_failures")] == [[0], [0]]


def test_blocks_and_their_sums_by_hand() -> None:
    # Of 4 km a block is a metre; ties begin at 0, 0.4, 0.8, 1.2, 3.2 and 3.9 m.
    assert _number_blocks(np.array([0.4, 0.4, 0.4, 2.0, 0.7, 1.0]) / 1000, 4.0).tolist() == [0, 0, 0, 1, 2, 2]
    draws = np.array([[1.0, 0.0], [2.0, 3.0]])
    sizes, counts = _sum_blocks(
        [np.array([1.0, 2, 4]), np.array([0.0, 1, 1])], np.array([0, 0, 1]), np.array([0, 1, 0]), draws
    )
    assert sizes.tolist() == [[1, 4], [2 + 6, 8]]
    assert counts.tolist() == [[0, 1], [3, 2]]
    long = np.arange(3000) // 7
    rng = np.random.default_rng(2)
    values, loop, many = rng.random(3000), rng.integers(0, 5, 3000), rng.integers(0, 4, (3, 5))
    (found,) = _sum_blocks([values], long, loop, many)
    assert found == pytest.approx(np.stack([np.bincount(long, values * row[loop]) for row in many]))
    units = make_units(length_km=rng.random(2500), observed=rng.integers(0, 3, 2500))
    weights = rng.integers(0, 4, (3, 2500))
    length, (failed,) = sum_drawn(units, weights)
    assert length == pytest.approx(weights @ units["length_km"].to_numpy())
    assert failed == pytest.approx(weights @ units["observed"].to_numpy())


def test_counts_are_read_between_steps() -> None:
    sizes, counts = np.array([[1.0, 0.0, 3.0]]), np.array([[2.0, 1.0, 6.0]])
    found = _interpolate_at(sizes, [counts, 2 * counts], np.array([[0.0, 0.5, 1.0, 2.5, 4.0, 9.0]]))
    assert found.tolist() == [[[0, 1, 2, 3 + 6 * 0.5, 9, 9], [0, 2, 4, 12, 18, 18]]]
