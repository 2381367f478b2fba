"""All past dates together: each failure once, by brute force; limits, verdicts, rates of classes, rules that flag."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from pipelines.evaluation.backtest import LENGTH_FRACTIONS, Backtest, run_backtest
from pipelines.evaluation.backtest_summary import Tally, expand_tails, summarise_calibration
from pipelines.evaluation.class_rates import rate_units
from pipelines.evaluation.rule_orders import flag_by_rule
from pipelines.survival.history import FailureHistory, code_names, known_at
from reports.pages import replacement_evaluation as page
from shared.settings import Settings
from tests.report_marts import found_in
from tests.unit.test_evaluation_backtest import FlatModel, make_history, make_units

YEARS = 5.0


def make_fleet(seed: int, loops: int = 7, failures: int = 30) -> FailureHistory:
    """Sections of several loops, some retired or laid late, and failures of 2008 to 2025."""
    rng = np.random.default_rng(seed)
    sections, jobs = [], []
    for k in range(4 * loops):
        laid = f"{rng.integers(1975, 2018)}-06-01"
        retired = f"{rng.integers(2019, 2025)}-06-01" if rng.random() < 0.2 else None
        sections.append((f"s{k:02d}", f"L{k % loops}", float(rng.uniform(0.05, 0.4)), laid, retired))
    for _ in range(failures):
        name, _, _, laid, retired = sections[rng.integers(len(sections))]
        day = pd.Timestamp("2008-01-01") + pd.Timedelta(days=int(rng.integers(0, 6500)))
        if laid < str(day.date()) < (retired or "9"):
            jobs.append((name, day, day + pd.Timedelta(days=20)))
    return make_history(sections, jobs)


def tried(history: FailureHistory, origins: list[dt.date], replicates: int = 60, **options) -> Backtest:
    random = np.random.default_rng(1)
    return run_backtest(
        history, FlatModel, origins, YEARS, coverage=0.9, replicates=replicates, random=random, **options
    )


def rows_of(tested: Backtest, level: str = "section") -> pd.DataFrame:
    rows = tested.summary[tested.summary["level"].eq(level) & ~tested.summary["is_own_length"]]
    return rows.set_index(["rule", "length_fraction"]).sort_index()


def judge_by_hand(history: FailureHistory, origins: list[dt.date], fraction: float) -> tuple[int, float, int]:
    """Failures in all, those on the oldest cable up to a share of the length, and failures counted once a date."""
    captured, distinct, often = 0.0, 0, 0
    for failure in history.failures.itertuples():
        on = failure.failed_on.date()
        seen_by = [o for o in origins if o < on <= o + dt.timedelta(days=round(YEARS * 365.25))]
        often += sum(is_standing(history, failure.section_id, o) for o in seen_by)
        if not seen_by or not is_standing(history, failure.section_id, max(seen_by)):
            continue
        distinct += 1
        captured += part_picked(history, failure.section_id, max(seen_by), fraction)
    return distinct, captured, often


def is_standing(history: FailureHistory, section: str, origin: dt.date) -> bool:
    row, day = history.sections.set_index("section_id").loc[section], pd.Timestamp(origin)
    return bool(row["installed_on"] <= day and not row["retired_on"] <= day)


def part_picked(history: FailureHistory, section: str, origin: dt.date, fraction: float) -> float:
    """How much of a section lies on the oldest cable up to a share of the length at a date."""
    rows = history.sections[[is_standing(history, name, origin) for name in history.sections["section_id"]]]
    own = rows.set_index("section_id").loc[section]
    older = rows.loc[rows["installed_on"] < own["installed_on"], "length_km"].sum()
    tied = rows.loc[rows["installed_on"] == own["installed_on"], "length_km"].sum()
    return float(np.clip((fraction * rows["length_km"].sum() - older) / tied, 0, 1))


@pytest.mark.parametrize("seed", range(6))
def test_each_failure_is_judged_once_as_by_hand(seed: int) -> None:
    rng = np.random.default_rng(100 + seed)
    history = make_fleet(seed)
    origins = sorted({dt.date(int(y), int(m), 15) for y, m in rng.integers((2011, 1), (2022, 13), (4, 2))})
    tested = tried(history, origins)
    rows = rows_of(tested)
    for fraction in LENGTH_FRACTIONS:
        distinct, captured, often = judge_by_hand(history, origins, fraction)
        row = rows.loc[("oldest_first", fraction)]
        assert (row["failures_distinct"], row["origins"]) == (distinct, len(origins))
        assert row["failures_captured"] == pytest.approx(captured)
        assert row["capture_fraction"] == pytest.approx(captured / distinct)
    assert distinct <= len(history.failures) and distinct < often
    assert tested.captures.query("rule == 'model' and level == 'loop'").groupby("origin")[
        "failures_total"
    ].first().sum() == pytest.approx(often)
    assert tested.calibration["observed_distinct"].sum() == pytest.approx(distinct)


def test_the_order_of_the_dates_does_not_matter() -> None:
    history, origins = make_fleet(3), [dt.date(y, 12, 31) for y in (2014, 2016, 2017, 2020)]
    forth, back = (tried(history, order, present_rule={"failures": 1.0}) for order in (origins, origins[::-1]))
    pd.testing.assert_frame_equal(forth.summary, back.summary)
    for one in (forth, back):
        assert one.summary["is_own_length"].sum() == 4
    sums = [summarise_calibration(one.calibration, 0.9) for one in (forth, back)]
    pd.testing.assert_frame_equal(*sums)


@pytest.mark.parametrize("more", [dt.date(2012, 6, 30), dt.date(2019, 6, 30), dt.date(2024, 6, 30)])
def test_a_date_that_sees_no_failure_changes_nothing(more: dt.date) -> None:
    """Before the first, between two, and after the last: no failure comes from it to the next date."""
    history, origins = make_fleet(4, failures=60), [dt.date(2012, 12, 31), dt.date(2019, 12, 31)]
    following = min([o for o in origins if o > more], default=dt.date(2026, 1, 1))
    on = history.failures["failed_on"]
    quiet = history.failures[~((on > pd.Timestamp(more)) & (on <= pd.Timestamp(following)))]
    history = FailureHistory(history.sections, quiet.reset_index(drop=True), history.as_of)
    plain, extended = (tried(history, days) for days in (origins, [*origins, more]))
    kept = ["failures_distinct", "failures_captured", "capture_lo", "capture_hi", "difference_lo", "verdict"]
    for level in ("section", "loop"):
        assert rows_of(plain, level)["failures_distinct"].iloc[0] > 5
        pd.testing.assert_frame_equal(rows_of(plain, level)[kept], rows_of(extended, level)[kept])


def test_a_replicate_is_the_fleet_drawn_anew_for_all_dates_at_once() -> None:
    """Limits of the extremes are among what is found on fleets put together of the loops drawn."""
    history, origins = make_fleet(5, loops=4), [dt.date(2015, 12, 31), dt.date(2020, 12, 31)]
    sections = history.sections.assign(retired_on=pd.NaT)
    history = FailureHistory(sections, history.failures, history.as_of)
    tally, drawn = (
        rows_of(tried(history, origins, replicates=30)),
        np.random.default_rng(1).multinomial(4, [0.25] * 4, 30),
    )
    shares = []
    for times in drawn:
        parts, jobs = [], []
        for loop, count in enumerate(times):
            for again in range(count):
                mine = sections[sections["loop_id"] == f"L{loop}"]
                renamed = {name: f"{name}-{again}" for name in mine["section_id"]}
                parts.append(mine.assign(section_id=mine["section_id"].map(renamed), loop_id=f"L{loop}-{again}"))
                of_loop = history.failures[history.failures["section_id"].isin(renamed)]
                jobs.append(of_loop.assign(section_id=of_loop["section_id"].map(renamed)))
        again = FailureHistory(pd.concat(parts, ignore_index=True), pd.concat(jobs, ignore_index=True), history.as_of)
        distinct, captured, _ = judge_by_hand(again, origins, 0.2)
        shares.append(captured / distinct if distinct else 0.0)
    row = tally.loc[("oldest_first", 0.2)]
    tails = expand_tails(0.9, 4)
    assert [row["capture_lo"], row["capture_hi"]] == pytest.approx(np.quantile(shares, tails).tolist(), abs=2e-3)


def test_tails_reach_further_on_few_loops() -> None:
    assert expand_tails(0.9, 1) == [0.0, 1.0]
    for loops in (3, 10, 200):
        low, high = expand_tails(0.9, loops)
        reach = stats.t.ppf(0.95, loops - 1) * np.sqrt(loops / (loops - 1))
        assert (low, high) == pytest.approx((stats.norm.cdf(-reach), stats.norm.cdf(reach)))
    assert expand_tails(0.9, 10**6) == pytest.approx([0.05, 0.95], abs=1e-4)


def test_verdicts_come_from_the_limits_alone() -> None:
    units = pd.DataFrame({"loop_code": np.arange(40), "length_km": 1.0, "observed_distinct": 1.0})
    whole, spread = np.full(101, 40.0), np.linspace(-2, 2, 101)[:, None]
    tally = Tally(origins=3)
    for rule, captured, drawn in [
        ("model", 12.0, 12 + 0 * spread),
        ("ahead", 16.0, 16 + spread),
        ("behind", 8.0, 8 + spread),
        ("near", 13.0, 13 + spread),
        ("alike", 12.0, 12 + 1e-14 + 0 * spread),
    ]:
        tally.add("loop", rule, "", np.array([4.0]), np.array([captured]), drawn)
    tally.count("loop", units, (whole, whole[None]), 40, "length_km")
    rows = tally.tabulate(0.9).set_index("rule")
    assert rows["verdict"].to_dict() == {
        "ahead": "better", "alike": "cannot_tell", "behind": "worse", "model": None, "near": "cannot_tell"
    }  # fmt: skip
    assert rows.loc["ahead", "difference_to_model"] == pytest.approx(4 / 40)
    assert rows.loc["model", ["difference_to_model", "difference_lo", "difference_hi"]].isna().all()
    assert rows["picked_fraction"].eq(0.1).all()
    low, high = expand_tails(0.9, 40)
    assert rows.loc["near", "capture_lo"] == pytest.approx((13 - 2 + 4 * low) / 40)
    assert rows.loc["near", "difference_hi"] == pytest.approx((1 - 2 + 4 * high) / 40)
    nothing = Tally(origins=1)
    nothing.count("loop", units.assign(observed_distinct=0.0), (0 * whole, 0 * whole[None]), 40, "length_km")
    for rule in ("model", "near"):
        nothing.add("loop", rule, "", np.array([4.0]), np.array([0.0]), 0 * spread)
    empty = nothing.tabulate(0.9)
    assert empty[["capture_fraction", "capture_lo", "difference_hi", "verdict"]].isna().all(axis=None)
    assert empty["failures_distinct"].eq(0).all()
    assert Tally().tabulate(0.9).empty


def test_a_difference_that_stands_on_two_loops_is_no_difference() -> None:
    """All failures that followed lie on two of thirty loops, which the model picks first and the others last."""
    sections = [(f"s{k:02d}", f"L{k:02d}", 1.0, f"{2010 - k}-01-01", None) for k in range(30)]
    past = [(f"s0{k}", f"2012-0{m}-01", f"2012-0{m}-09") for k in (0, 1) for m in (1, 2, 3)]
    later = [(f"s0{k}", f"202{y}-05-01", f"202{y}-05-09") for k in (0, 1) for y in (1, 2, 3)]
    row = tried(make_history(sections, past + later), [dt.date(2020, 12, 31)]).summary.query("level == 'loop'")
    oldest = row.set_index(["rule", "length_fraction"]).loc[("oldest_first", 0.2)]
    assert oldest["difference_to_model"] == -1
    assert (oldest["failures_distinct"], oldest["verdict"]) == (6, "cannot_tell")


def test_a_rule_is_held_against_as_much_of_the_ranking_as_it_flags() -> None:
    """Two of ten sections flagged, with two of six failures; the model's first two have one and a half."""
    sections = [(f"s{k}", f"L{k}", 1.0 if k else 2.0, "1990-01-01", None) for k in range(10)]
    past = [(f"s{k}", f"20{y}-03-01", f"20{y}-03-09") for k in (1, 2) for y in (17, 18, 19)]
    past += [("s3", f"20{y:02d}-03-01", f"20{y:02d}-03-09") for y in range(7, 15)]
    later = [(f"s{k}", f"2022-0{k + 1}-01", f"2022-0{k + 1}-09") for k in (1, 2, 3, 3, 5, 6)]
    tested = tried(make_history(sections, past + later), [dt.date(2020, 12, 31)], present_rule={"failures": 7.0})
    own = tested.summary[tested.summary["is_own_length"]].set_index(["level", "rule"])
    flagged = own.loc[("section", "three_in_five_years")]
    assert flagged["length_fraction"] == pytest.approx(2 / 11)
    # eight on record put s3 first, with two failures; then half of s1 and s2, which tie
    assert (flagged["failures_captured"], flagged["difference_to_model"]) == (2, pytest.approx((2 - 3) / 6))
    present = own.loc[("section", "present_rule")]
    assert (present["length_fraction"], present["failures_captured"]) == (pytest.approx(1 / 11), 2)
    assert present[["difference_to_model", "difference_lo", "difference_hi"]].tolist() == [0, 0, 0]
    assert present["verdict"] == "cannot_tell"
    assert "present_rule" not in set(tried(make_history(sections, past), [dt.date(2020, 12, 31)]).summary["rule"])


def test_present_rule_flags_what_meets_all_its_thresholds() -> None:
    units = make_units(
        length_km=[1, 1, 4, 1],
        failures_present=[3, 2, 3, 3],
        failures_five_years=[0, 3, 2, 4],
        age_years=[30, 30, 30, 9],
    )
    assert flag_by_rule(units, "present_rule", {"failures": 3, "years": 5}).tolist() == [True, False, True, True]
    assert flag_by_rule(units, "present_rule", {"failures": 3, "age_years": 10}).tolist() == [True, False, True, False]
    assert flag_by_rule(units, "present_rule", {"failures_per_km": 2}).tolist() == [True, True, False, True]
    assert flag_by_rule(units, "three_in_five_years", {}).tolist() == [False, True, False, True]


def test_present_rule_looks_back_its_own_years() -> None:
    sections = [("a", "A", 1.0, "1990-01-01", None), ("b", "B", 9.0, "1990-01-01", None)]
    jobs = [("a", "2016-12-01", "2016-12-02"), ("a", "2022-01-01", "2022-01-02"), ("b", "2023-01-01", "2023-01-02")]
    shares = {}
    for years in (4.0, 5.0, None):
        rule = {"failures": 1.0} | ({} if years is None else {"years": years})
        rows = tried(make_history(sections, jobs), [dt.date(2020, 12, 31)], present_rule=rule).summary
        own = rows.query("rule == 'present_rule' and level == 'section'").iloc[0]
        shares[years] = (own["length_fraction"], own["failures_captured"], own["failures_distinct"])
    assert shares == {4.0: (0, 0, 2), 5.0: (0.1, 1, 2), None: (0.1, 1, 2)}


def test_rates_of_classes_by_hand() -> None:
    sections = [
        ("a", "A", 2.0, "2006-01-01", None),
        ("b", "A", 1.0, "2016-01-01", None),
        ("c", "B", 4.0, "2011-01-01", None),
        ("d", "A", 1.0, None, None),
    ]
    jobs = [("a", "2007-01-01", "2007-01-02"), ("a", "2008-01-01", "2008-01-02"), ("a", "2019-01-01", "2019-01-02")]
    known = known_at(make_history(sections, jobs), dt.date(2020, 12, 31)).keep(code_names)
    units = pd.DataFrame({"section_code": [0, 1, 2, 3], "age_years": [15.0, 5.0, 10.0, -1.0]})
    found = rate_units(known, units)
    years = {name: (pd.Timestamp("2020-12-31") - pd.Timestamp(day)).days / 365.25 for name, day in
             (("a", "2006-01-01"), ("b", "2016-01-01"), ("c", "2011-01-01"))}  # fmt: skip
    of_a, of_c = 2 * years["a"] + years["b"], 4 * years["c"]
    fleet = 3.5 / (of_a + of_c)
    class_a, class_b = 3.5 / (of_a + 0.5 / fleet), 0.5 / (of_c + 0.5 / fleet)
    assert found["class_rate"].tolist() == pytest.approx([class_a, class_a, class_b, class_a])
    # a is just below fifteen: band 10 to 15, one failure; b just below five: band 0 to 5, where a and b were observed
    at = [np.floor(age / 5) for age in units["age_years"]]
    assert at[:2] == [3, 1]
    bands = {
        3: 0.5 / (0.5 / class_a + 2 * max(years["a"] - 15, 0)),
        1: 0.5 / (2 * 5 + max(years["b"] - 5, 0) + 0.5 / class_a),
        2: 0.5 / (4 * max(years["c"] - 10, 0) + 0.5 / class_b),
    }
    assert found["class_age_rate"].tolist() == pytest.approx([bands[3], bands[1], bands[2], class_a])
    empty = rate_units(known, units.iloc[:0])
    assert all(len(rates) == 0 for rates in empty.values())


def test_counts_of_periods_add_up_with_exact_limits() -> None:
    tenths = pd.DataFrame(
        {
            "origin": pd.to_datetime(["2019-01-01"] * 2 + ["2020-01-01"] * 2),
            "decile": [1, 10, 1, 10],
            "expected_distinct": [0.5, 2.0, 1.5, 6.0],
            "observed_distinct": [0.0, 3.0, 1.0, 4.0],
        }
    )
    rows = summarise_calibration(tenths, 0.9).set_index("decile")
    assert rows["expected_distinct"].to_dict() == {0: 10.0, 1: 2.0, 10: 8.0}
    assert rows["observed_distinct"].to_dict() == {0: 8.0, 1: 1.0, 10: 7.0}
    assert rows.loc[0, ["observed_lo", "observed_hi"]].tolist() == pytest.approx(
        [stats.gamma.ppf(0.05, 8), stats.gamma.ppf(0.95, 9)]
    )
    assert rows["origins"].eq(2).all()
    assert summarise_calibration(tenths.iloc[:0], 0.9).empty


@dataclass(frozen=True)
class Steady:
    """Expects the same of every kilometre and year."""

    history: FailureHistory

    def forecast(self, years: float) -> pd.DataFrame:
        sections = self.history.sections
        return sections.assign(expected_failures=sections["length_km"] * years * 0.2)


def test_a_fleet_of_thirteen_jobs_is_not_told_of_more_failures() -> None:
    """Five dates a year apart see the last failures up to five times; the page tells of each once."""
    sections = [(f"s{k}", f"L{k % 4}", 1.0, "1985-01-01", None) for k in range(8)]
    jobs = [(f"s{k % 8}", f"20{8 + k:02d}-03-10", f"20{8 + k:02d}-03-12") for k in range(13)]
    history, settings = make_history(sections, jobs), Settings()
    origins = [dt.date(y, 12, 31) for y in range(2014, 2019)]
    tested = run_backtest(history, Steady, origins, YEARS, coverage=0.9, replicates=60, random=np.random.default_rng(1))
    assert tested.calibration["observed"].sum() == 19  # what the page added up before
    tables = {
        "marts.backtest_summary": tested.summary,
        "marts.calibration_summary": summarise_calibration(tested.calibration, 0.9),
    }
    found = found_in("replacement", tables)
    said = page.calibration(tables["marts.calibration_summary"], settings, found).finding
    # 8 km at 0.2 a year: four years of 1.6 and the five of the last date
    expected = 0.2 * 8 * (4 + 5)
    assert said.startswith(f"6 failures came and {expected:.0f} were expected, each counted once: a ratio of 0.42")
    caught = page.capture(tested.summary, tested.captures, settings, found)
    assert "of 6 later failures, each counted once: not clearly more or less" in caught.finding
    assert (caught.count or "").startswith("6 later failures after 5 past dates")
