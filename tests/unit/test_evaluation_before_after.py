"""Sets picked, failures counted on either side of the day, and what was to be expected, on small fleets."""

from __future__ import annotations

import dataclasses
import datetime as dt

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from pipelines.evaluation.before_after import (
    GROUP,
    LEAST_EXPECTED,
    _copy_loops,
    _count_failures,
    _count_new,
    _fill_ranges,
    _finish,
    _set_windows,
    _share_recorded,
    expect_members,
    expect_nothing_done,
    find_in_model,
    list_events,
    tabulate_before_after,
)
from pipelines.evaluation.cohorts import (
    _pick_by_rule,
    _sum_loops,
    join_members,
    list_by_rules,
    list_injected,
    list_members,
    list_replaced,
    list_watched,
)
from pipelines.survival.history import FailureHistory, code_names, known_at
from pipelines.survival.model import FailureModel, fit_failure_model
from shared.errors import UserError
from shared.settings import Settings
from tests.survival_fleets import make_fleet

DAY = pd.Timestamp("2021-06-30")
REASONS = pd.DataFrame({"section_id": ["S000000"], "retired_because": ["programme"]})


def table_of(
    history: FailureHistory, model: FailureModel, members: pd.DataFrame, years: float, coverage: float
) -> pd.DataFrame:
    """Before and after of the sets by one model."""
    return tabulate_before_after(history, expect_nothing_done(history, model, members, years), coverage)


def place_sections(history: FailureHistory) -> FailureHistory:
    """Each section in a place of its own."""
    return dataclasses.replace(history, sections=history.sections.assign(position=np.arange(len(history.sections))))


@pytest.fixture(scope="module")
def history() -> FailureHistory:
    return place_sections(make_fleet(11, loops=60).history)


@pytest.fixture(scope="module")
def model(history: FailureHistory) -> FailureModel:
    return fit_failure_model(known_at(history, dt.date(2020, 12, 31)), Settings())


def replace_first(history: FailureHistory, after: int) -> FailureHistory:
    """The first section in service is replaced on a day; so many failures follow on the cable in its place."""
    sections = history.sections.copy()
    old = sections[sections["retired_on"].isna() & sections["is_installed_on_known"]].index[0]
    # its name comes after all others, whose numbers stay those that the model knows
    new = sections.loc[[old]].assign(section_id="ZNEW", installed_on=DAY, in_view_from=DAY)
    sections.loc[old, ["retired_on", "in_view_to"]] = DAY
    failures = history.failures
    failures = failures[failures["section_id"].ne(sections.loc[old, "section_id"])]
    # three before the day, one of them more than three years before; those that follow, and one too late to count
    days = [DAY + pd.Timedelta(days=d) for d in (-10, -400, -2000, 1300, *range(30, 30 + after))]
    added = pd.DataFrame(
        {
            "job_id": [f"X{k}" for k in range(len(days))],
            "loop_id": sections.loc[old, "loop_id"],
            "section_id": [sections.loc[old, "section_id"]] * 3 + ["ZNEW"] * (1 + after),
            "failed_on": days,
            "closed_on": days,
            "is_counted": True,
            "why_not": None,
            "district_id": "D1",
            "cause": "unknown",
            "failed_component": "cable",
        }
    )
    return dataclasses.replace(
        history,
        sections=pd.concat([sections, new], ignore_index=True),
        failures=pd.concat([failures, added], ignore_index=True),
    )


def test_replaced_cable_is_followed_in_its_place(history: FailureHistory, model: FailureModel) -> None:
    now = replace_first(history, after=2)
    replaced = list_replaced(now, REASONS)
    table = table_of(now, model, replaced, 3.0, 0.9).set_index(["grouped_by", "group_name"])
    row = table.loc["replaced_in", "2021"]
    assert (row["sections"], row["failures_before"], row["seen_after"]) == (1, 2, 2)
    assert (row["years_before"], row["years_after"]) == (pytest.approx(3.0, abs=0.01), pytest.approx(3.0, abs=0.01))
    assert row["naive_after"] == pytest.approx(2.0, rel=0.01)
    assert row["naive_fall_pct"] == pytest.approx(0.0, abs=0.5)
    # every other section of this fleet left without cable in its place: nobody can say what followed
    followed = replaced[replaced["is_followed"] & replaced["grouped_by"].eq("replaced_in")]
    assert followed["on"].tolist() == [DAY]


def test_failures_up_to_the_day_are_known_on_the_day(history: FailureHistory, model: FailureModel) -> None:
    """The model stands half a year before the day; the failure ten days before it must raise what it expects."""
    now = replace_first(history, after=0)
    quiet = dataclasses.replace(now, failures=now.failures[now.failures["job_id"].ne("X0")])
    expected = [
        table_of(h, model, list_replaced(h, REASONS), 3.0, 0.9)
        .query("grouped_by == 'replaced_in' and group_name == '2021'")["expected_after"]
        .iloc[0]
        for h in (now, quiet)
    ]
    assert expected[0] > 1.1 * expected[1]


def test_what_follows_changes_nothing_of_what_was_expected(history: FailureHistory, model: FailureModel) -> None:
    tables = [
        table_of(h, model, list_replaced(h, REASONS), 3.0, 0.9).set_index(["grouped_by", "group_name"])
        for h in (replace_first(history, after=0), replace_first(history, after=9))
    ]
    mine = ("replaced_in", "2021")
    # only the share of failures whose section is on record may move, and that by little
    assert tables[0].loc[mine, "expected_after"] == pytest.approx(tables[1].loc[mine, "expected_after"], rel=0.01)
    assert tables[1].loc[mine, "seen_after"] == 9


def test_a_section_on_the_models_own_day_is_expected_as_the_forecast_says(
    history: FailureHistory, model: FailureModel
) -> None:
    forecast = model.forecast_groups(3.0, "loop_id").set_index("loop_id")
    loop = forecast.index[3]
    code = history.keep(code_names).sections.set_index("loop_id").loc[loop, "loop_code"].iloc[0]
    members = list_watched(history, {loop: dt.date(2020, 12, 31)})
    known = model.windows.sections.loc[model.windows.in_service, "section_id"]
    members = members[members["section_id"].isin(known)]
    table = table_of(history, model, members, 3.0, 0.9)
    # failures closed after the day are known to the comparison and not to the model: none on this loop
    late = list_events(history).query("failed_on <= '2020-12-31' < closed_on")
    assert code not in set(late["loop_code"])
    assert table["expected_after"].iloc[0] == pytest.approx(forecast.loc[loop, "expected_failures"], rel=0.002)


def test_injected_and_watched_sets() -> None:
    history = place_sections(make_fleet(3, loops=12).history)
    sections = history.sections.assign(
        rejuvenated_on=pd.Series(pd.Timestamp("2022-05-01"), history.sections.index).where(
            history.sections["section_id"] == "S000004"
        )
    )
    now = dataclasses.replace(history, sections=sections)
    injected = list_injected(now)
    assert injected[["group_name", "section_id"]].to_numpy().tolist() == [["2022", "S000004"], ["all years", "S000004"]]
    # a failure of the injected cable itself is counted, and one of which the loop alone is known is not
    assert injected[["counts", "counts_loop_only", "is_followed"]].to_numpy().tolist() == [["same", False, True]] * 2
    watched = list_watched(now, {"L00001": dt.date(2021, 1, 1)})
    there = sections[
        (sections["loop_id"] == "L00001")
        & ~(sections["retired_on"] < "2021-01-01")
        & ~(sections["installed_on"] > "2021-01-01")
    ]
    assert sorted(watched["section_id"]) == there["section_id"].tolist()
    assert set(watched["counts"]) == {"loop"}


def test_a_fleet_of_which_nothing_was_replaced_injected_or_watched_has_no_set() -> None:
    history = place_sections(make_fleet(3, loops=5).history)
    sections = history.sections.assign(retired_on=pd.NaT, rejuvenated_on=pd.NaT)
    nothing = list_members(dataclasses.replace(history, sections=sections), REASONS, {})
    assert nothing.empty
    assert list(nothing.columns) == list(list_watched(history, {"L00001": history.as_of}).columns)


def test_no_verdict_without_enough_to_expect(history: FailureHistory, model: FailureModel) -> None:
    members = join_members(list_members(history, REASONS, {}), list_by_rules(history, model))
    table = table_of(history, model, members, 3.0, 0.9)
    few = table["expected_after"] < LEAST_EXPECTED
    assert (table.loc[few, "effect_verdict"] == "too_few").all()
    assert (table.loc[~few, "effect_verdict"] != "too_few").all()
    claimed = table["effect_verdict"].eq("fewer_than_expected")
    assert (table["seen_over_expected_hi"].lt(1.0) & ~few).equals(claimed)


def test_a_set_before_any_model_has_no_row(history: FailureHistory, model: FailureModel) -> None:
    members = list_watched(history, {"L00001": dt.date(2015, 1, 1)})
    assert table_of(history, model, members, 3.0, 0.9).empty
    later = list_watched(history, {"L00001": model.windows.as_of + dt.timedelta(days=1)})
    assert table_of(history, model, later, 3.0, 0.9)["group_name"].tolist() == ["L00001"]


def test_a_watched_loop_that_is_not_there_is_named() -> None:
    history = place_sections(make_fleet(3, loops=12).history)
    with pytest.raises(UserError) as caught:
        list_watched(history, {"L00001": dt.date(2021, 1, 1), "L99999": dt.date(2021, 1, 1)})
    assert str(caught.value) == (
        "setting replacement.watched names L99999, which has no section loaded\n  where: settings file\n"
        "  to do: correct the loop_id, or load loops.csv and sections.csv, then: loopwear refresh"
    )


def test_an_older_model_brought_up_to_date_says_nearly_what_a_new_one_says(
    history: FailureHistory, model: FailureModel
) -> None:
    """Three years lie between the model and the day: their failures and their exposure must count."""
    day = dt.date(2023, 12, 31)
    fresh = fit_failure_model(known_at(history, day), Settings())
    loops = sorted(set(history.sections["loop_id"]))
    watched = list_watched(history, dict.fromkeys(loops, day))
    old, new = (
        table_of(history, m, watched, 2.0, 0.9).set_index("group_name")["expected_after"] for m in (model, fresh)
    )
    # 190 failures in all: the level of the last years alone moves by a tenth
    assert old.sum() == pytest.approx(new.sum(), rel=0.15)
    assert np.corrcoef(np.log(old), np.log(new))[0, 1] > 0.97
    # as the model stood three years before, untold of what happened since, it is further off
    since = known_at(history, dt.date(2020, 12, 31)).failures
    untold = dataclasses.replace(history, failures=since)
    stale = table_of(untold, model, watched, 2.0, 0.9).set_index("group_name")["expected_after"]
    assert np.corrcoef(np.log(stale), np.log(new))[0, 1] < np.corrcoef(np.log(old), np.log(new))[0, 1]


def test_time_without_a_failure_since_the_models_day_lowers_what_is_expected(
    history: FailureHistory, model: FailureModel
) -> None:
    day = pd.Timestamp("2023-12-31")
    quiet = dataclasses.replace(history, failures=known_at(history, dt.date(2020, 12, 31)).failures)
    watched = list_watched(quiet, dict.fromkeys(sorted(set(history.sections["loop_id"])), day.date()))
    expected = table_of(quiet, model, watched, 2.0, 0.9)["expected_after"].sum()
    # the same cable and years with the multipliers as they were on the model's own day
    ahead = model.expected_by_class(5.0) - model.expected_by_class(3.0)
    stays = model.windows.sections["section_id"].isin(watched["section_id"]).to_numpy()
    untouched = (ahead * model.posterior.shape / model.posterior.rate)[stays].sum()
    assert 0.5 * untouched < expected < 0.95 * untouched


def test_sets_of_sections_are_expected_only_the_failures_whose_section_is_told(
    history: FailureHistory, model: FailureModel
) -> None:
    """With every second later failure known by loop alone, half as many are expected to be seen on a section."""
    after = pd.to_datetime(history.failures["failed_on"]).gt(DAY)
    second = after & (np.arange(len(history.failures)) % 2 == 0) & history.failures["is_counted"]
    blurred = history.failures.assign(
        section_id=history.failures["section_id"].where(~second),
        is_counted=history.failures["is_counted"] & ~second,
        why_not=history.failures["why_not"].where(~second, "loop_only"),
    )
    mine = ("replaced_in", "2021")
    expected, shares = [], []
    for failures in (history.failures, blurred):
        now = replace_first(dataclasses.replace(history, failures=failures), after=0)
        table = table_of(now, model, list_replaced(now, REASONS), 3.0, 0.9)
        expected.append(table.set_index(["grouped_by", "group_name"]).loc[mine, "expected_after"])
        later = list_events(now).query("failed_on > @DAY")
        shares.append(later["section_code"].ge(0).mean())
    assert shares[1] < 0.65 * shares[0]
    assert expected[1] / expected[0] == pytest.approx(shares[1] / shares[0], rel=0.01)


def test_loops_left_alone_are_followed_until_something_is_done(history: FailureHistory, model: FailureModel) -> None:
    members = list_by_rules(history, model)
    picked = members["section_id"].iloc[0]
    injected = pd.Timestamp("2021-12-31")
    sections = history.sections.assign(
        rejuvenated_on=pd.Series(injected, history.sections.index).where(history.sections["section_id"].eq(picked))
    )
    now = list_by_rules(dataclasses.replace(history, sections=sections), model)
    assert now.loc[now["section_id"].eq(picked), "until"].eq(injected).all()
    retired = history.sections.set_index("section_id")["retired_on"].reindex(members["section_id"])
    gone = retired.notna().to_numpy()
    assert members.loc[gone, "until"].tolist() == retired[gone].tolist()
    assert members.loc[~gone, "until"].isna().all()


def make_tiny(sections: list[tuple], failures: list[tuple] = (), as_of: str = "2025-12-31") -> FailureHistory:
    """Sections as (id, loop, position, installed, retired, injected), failures as (section, loop, failed, closed)."""
    frame = pd.DataFrame(
        sections, columns=["section_id", "loop_id", "position", "installed_on", "retired_on", "rejuvenated_on"]
    )
    days = {name: pd.to_datetime(frame[name]) for name in ("installed_on", "retired_on", "rejuvenated_on")}
    frame = frame.assign(**days, length_km=0.5, is_installed_on_known=True, recorded_from=pd.Timestamp("2006-01-01"))
    jobs = pd.DataFrame(failures, columns=["section_id", "loop_id", "failed_on", "closed_on"])
    jobs = jobs.assign(failed_on=pd.to_datetime(jobs["failed_on"]), closed_on=pd.to_datetime(jobs["closed_on"]))
    alone = jobs["section_id"].isna()
    jobs = jobs.assign(is_counted=~alone, why_not=pd.Series("loop_only", jobs.index, dtype=object).where(alone, None))
    return code_names(FailureHistory(frame, jobs, dt.date.fromisoformat(as_of)))


def test_a_failure_within_ninety_days_is_no_new_occasion() -> None:
    first = pd.Timestamp("2020-01-01")
    days = [first + pd.Timedelta(days=d) for d in (0, 90, 181, 272)]
    history = make_tiny(
        [("a", "L", 1, "1990-01-01", None, None), ("b", "L", 2, "1990-01-01", None, None)],
        [
            *(("b", "L", day, None) for day in days[::-1]),
            ("a", "L", days[3], days[3]),
            (None, "L", days[0], None),
            (None, "X", days[0], None),
        ],
    )
    events = list_events(history)
    assert events["section_code"].tolist() == [-1, -1, 0, 1, 1, 1, 1]
    assert events["failed_on"].tolist()[2:] == [days[3], *days]
    # 90 days after is a repeat, 91 is not; known by loop alone it is none of the section's
    assert events["is_occasion"].tolist() == [False, False, True, True, False, True, True]
    assert sorted(events["loop_code"]) == [-1, 0, 0, 0, 0, 0, 0]
    assert events["closed_on"].tolist()[3:] == days
    assert list_events(make_tiny([("a", "L", 1, None, None, None)])).empty


def test_time_before_and_after_ends_with_the_records_the_cable_and_today() -> None:
    history = make_tiny(
        [
            ("a", "L", 1, "1990-01-01", None, None),
            ("b", "L", 2, "2019-12-31", None, None),
            ("c", "M", 3, "1990-01-01", None, None),
        ]
    )
    members = pd.DataFrame(
        {"section_code": [2, 0, 1, 0], "on": pd.to_datetime(["2007-01-01", "2020-12-31", "2020-12-31", "2024-12-31"])}
    ).assign(until=pd.to_datetime([None, "2021-12-31", None, None]))
    found = _set_windows(members, history, 3.0)
    # three years are 1096 days
    assert found["since"].dt.strftime("%F").tolist() == ["2006-01-01", "2017-12-31", "2019-12-31", "2021-12-31"]
    assert found["until"].dt.strftime("%F").tolist() == ["2010-01-01", "2021-12-31", "2024-01-01", "2025-12-31"]
    assert (found["before_years"] * 365.25).tolist() == pytest.approx([365, 1096, 366, 1096])
    assert found["after_years"].tolist() == pytest.approx([1096 / 365.25, 365 / 365.25, 1096 / 365.25, 365 / 365.25])
    assert found["loop_code"].tolist() == [1, 0, 0, 0]
    assert found["position"].tolist() == [3, 1, 2, 1]
    doubtful = dataclasses.replace(history, sections=history.sections.assign(is_installed_on_known=False))
    assert _set_windows(members[2:3], doubtful, 3.0)["since"].tolist() == [pd.Timestamp("2017-12-31")]


@pytest.mark.parametrize(
    ("counts", "loop_only", "failures"),
    [
        ("same", False, (1, 2)),
        ("same", True, (2, 3)),
        ("place", False, (1, 2)),
        ("place", True, (2, 3)),
        ("loop", True, (3, 6)),
    ],
)
def test_what_counts_on_either_side(counts: str, loop_only: bool, failures: tuple[int, int]) -> None:
    on, since, until = (pd.Timestamp(day) for day in ("2020-06-30", "2019-06-30", "2021-06-30"))
    day = pd.Timedelta(days=1)
    history = make_tiny(
        [
            ("a", "L", 1, "1990-01-01", None, None),
            ("b", "L", 2, "1990-01-01", None, None),
            ("c", "L", 1, on - 60 * day, None, None),
            ("d", "L", 1, on - 61 * day, None, None),
            ("e", "M", 1, on, None, None),
        ],
        [
            ("a", "L", since, None),  # the first day is over
            ("a", "L", on, None),
            ("b", "L", since + day, None),
            (None, "L", since + day, None),
            ("a", "L", on + day, None),
            ("a", "L", until, None),
            ("a", "L", until + day, None),
            ("c", "L", on + day, None),
            ("c", "L", until, None),
            ("d", "L", until, None),
            ("e", "M", until, None),
            (None, "L", until, None),
        ],
    )
    member = {"grouped_by": "x", "group_name": "y", "loop_code": 0, "section_code": 0, "position": 1}
    member |= {"since": since, "on": on, "until": until, "counts": counts, "counts_loop_only": loop_only}
    # a set with two sections of a loop counts what is known by loop alone, or of the whole loop, once
    members = pd.DataFrame([member] * 2)
    before, after = _count_failures(members, list_events(history), history)
    assert (before.tolist(), after.tolist()) == ([failures[0]], [failures[1]])
    apart = members.assign(group_name=["y", "z"])
    before, after = _count_failures(apart, list_events(history), history)
    assert (before.tolist(), after.tolist()) == ([failures[0]] * 2, [failures[1]] * 2)


def test_the_share_with_a_section_on_record_is_that_since_the_set_s_first_day() -> None:
    events = pd.DataFrame(
        {
            "section_code": [3, -1, 0, -1, 2, -1],
            "failed_on": pd.to_datetime([f"2020-01-0{day}" for day in (1, 2, 3, 4, 5, 6)]),
        }
    )
    members = pd.DataFrame(
        {
            "grouped_by": "x",
            "group_name": ["a", "a", "b", "c", "d", "e"],
            "on": pd.to_datetime([f"2020-01-0{day}" for day in (4, 2, 4, 4, 4, 6)]),
            "counts": ["same", "same", "place", "loop", "same", "same"],
            "counts_loop_only": [False, False, False, False, True, False],
        }
    )
    # since the 2nd two of four, since the 4th one of two, since the 6th nothing
    assert _share_recorded(members, events).tolist() == [2 / 4, 2 / 4, 1 / 2, 1, 1, 1]
    assert _share_recorded(members[2:3].assign(on=pd.Timestamp("2019-12-31")), events).tolist() == [3 / 6]


def test_falls_limits_and_verdicts_by_hand() -> None:
    sums = pd.DataFrame(
        {
            "grouped_by": "x",
            "group_name": [*"abcde"],
            "length_km": 2.0,
            "before_km": [6.0, 6, 6, 6, 6],
            "after_km": [3.0, 3, 3, 3, 3],
            "failures_before": [40, 8, 2, 0, 6],
            "expected_after": [10.0, 3.0, 2.99, 10.0, 0.0],
            "raw": [20.0, 3.0, 2.99, 10.0, 0.0],
            "variance": [4.0, 0.9, 0.9, 1.0, 0.0],
            "level_weight": [3.0, 0.0, 0.0, 0.5, 0.0],
            "seen_after": [2, 3, 0, 40, 0],
        }
    )
    found = _finish(sums, 0.8)
    assert found["effect_verdict"].tolist() == [
        "fewer_than_expected",
        "as_expected",
        "too_few",
        "more_than_expected",
        "too_few",
    ]
    assert found["years_before"].tolist() == [3] * 5
    assert found["years_after"].tolist() == [1.5] * 5
    assert found["naive_after"].tolist() == [20, 4, 1, 0, 3]
    np.testing.assert_allclose(found["naive_fall_pct"], [90, 25, 100, np.nan, 100])
    np.testing.assert_allclose(found["expected_fall_pct"], [50, 25, -199, np.nan, 100])
    assert found["seen_over_expected"].tolist() == [0.2, 1, 0, 4, 0]
    # relative variances: 4 / 20^2 + (3 / 20)^2, and so on
    spread = np.array([0.0325, 0.1, 0.9 / 2.99**2, 0.0125])
    for name, tail in (("lo", 0.1), ("hi", 0.9)):
        gamma = stats.gamma.ppf(tail, 1 / spread, scale=sums["expected_after"][:4] * spread)
        assert found[f"expected_after_{name}"].tolist()[:4] == pytest.approx(gamma.tolist())
    assert found["seen_after_hi"].tolist() == pytest.approx(stats.gamma.ppf(0.9, sums["seen_after"] + 1).tolist())
    assert not set(found.columns) & {"before_km", "after_km", "variance", "level_weight", "raw"}


def test_ranges_one_after_another() -> None:
    number, place = _fill_ranges(np.array([5, 0, 7]), np.array([7, 0, 10]))
    assert (number.tolist(), place.tolist()) == ([0, 0, 2, 2, 2], [5, 6, 7, 8, 9])


def test_loops_are_put_up_anew_as_known_on_a_day(history: FailureHistory, model: FailureModel) -> None:
    sections, stand = model.windows.sections, model.windows.as_of
    events, rows = list_events(history), history.keep(code_names)
    retired = rows.sections.set_index("section_code")["retired_on"].sort_index().to_numpy()
    loops = sorted(set(sections["loop_code"]))[:8]
    codes = sections["section_code"].to_numpy()
    assert find_in_model(model, np.array([*codes[::-1], codes.max() + 5])).tolist() == [*range(len(codes))[::-1], -1]
    for days in (0, 1095):
        on = stand + pd.Timedelta(days=days)
        copies = pd.DataFrame({"loop_code": loops, "on": on})
        tree, row, copy = _copy_loops(model, copies, events, retired)
        assert row.tolist() == np.flatnonzero(sections["loop_code"].isin(loops)).tolist()
        assert np.array(loops)[copy].tolist() == sections["loop_code"].iloc[row].tolist()
        half = sections["half_loop_id"].iloc[row].to_numpy()
        assert tree.half_starts.tolist() == [k for k in range(len(row)) if k == 0 or half[k] != half[k - 1]]
        assert np.unique(copy[tree.half_starts[tree.loop_starts]]).tolist() == list(range(8))
        # what each section's class expects up to the day, or to its end, by the forecast of that many years
        end = np.minimum(pd.Series(retired[codes[row]]).fillna(on), on)
        years = (end - stand).dt.days.to_numpy() / 365.25
        told = [model.expected_by_class(max(y, 0.0))[r] / model.class_level[r] for y, r in zip(years, row, strict=True)]
        shares = (model.failures - model.recorded).sum()
        occasions = (model.tree.failures.sum() - shares) / model.failures.sum()
        assert tree.expected == pytest.approx(model.tree.expected[row] + np.array(told) * occasions)
        late = events[events["is_occasion"] & ((events["failed_on"] > stand) | (events["closed_on"] > stand))]
        new = [(late["section_code"].eq(c) & late["failed_on"].le(on)).sum() for c in codes[row]]
        assert tree.failures == pytest.approx(model.tree.failures[row] + np.array(new))
    assert sum(new) > 0
    # reported on the model's day and closed later it was unknown then; the day of the leaf itself counts
    made = pd.DataFrame(
        {
            "section_code": codes[[0, 0, 0, 0, 1]],
            "failed_on": stand + pd.to_timedelta([0, 0, 5, 6, 5], unit="D"),
            "closed_on": stand + pd.to_timedelta([0, 1, 5, 6, 5], unit="D"),
            "is_occasion": [True, True, True, True, False],
        }
    )
    row = np.array([0, 1])
    assert _count_new(
        model, made, row, np.array([stand + pd.Timedelta(days=5)] * 2, dtype="datetime64[ns]")
    ).tolist() == [2, 0]


def test_members_share_what_is_expected_of_their_loop(history: FailureHistory, model: FailureModel) -> None:
    members = list_watched(history, dict.fromkeys(sorted(set(history.sections["loop_id"]))[:4], dt.date(2020, 12, 31)))
    members = members[members["section_id"].isin(model.windows.sections["section_id"][model.windows.in_service])]
    history = history.keep(code_names)
    dated = _set_windows(members, history, 2.0)  # 730 days
    retired = np.full(len(history.sections), np.datetime64("NaT"), dtype="datetime64[ns]")
    mean, variance, error = expect_members(model, dated, list_events(history)[:0], retired)
    place = find_in_model(model, dated["section_code"].to_numpy())
    totals = model.totals_ahead(730 / 365.25)
    loop = model.tree.loop_of_half[model.tree.half_of_section][place]
    for one in np.unique(loop):
        mine = loop == one
        assert mean[mine].sum() == pytest.approx(totals.loop_mean[one], rel=1e-3)
        ahead = model.ahead(730 / 365.25)[place[mine]]
        assert mean[mine] / mean[mine].sum() == pytest.approx(ahead / ahead.sum(), rel=1e-6)
        assert variance[mine][0] == pytest.approx(totals.loop_variance[one], rel=2e-3)
        assert not variance[mine][1:].any()
    assert error == pytest.approx(model.variation[place])


def test_sets_keep_what_can_be_judged_and_count_the_rest(history: FailureHistory, model: FailureModel) -> None:
    loop = sorted(set(history.sections["loop_id"]))[0]
    members = expect_nothing_done(history, model, list_watched(history, {loop: dt.date(2021, 6, 30)}), 3.0)
    members = members[members["expected"].notna()].reset_index(drop=True)
    changed = {"expected": np.nan, "after_years": 0.0, "before_years": 0.0, "is_followed": False}
    for at, (column, value) in enumerate(changed.items()):
        members.loc[at, column] = value
    members["after_years"] = members["after_years"].where(members["after_years"].eq(0), 0.5)
    found = tabulate_before_after(history, members, 0.9)
    assert found["sections_left_out"].tolist() == [4]
    assert found["sections"].tolist() == [len(members) - 4]
    assert found["years_after"].tolist() == [pytest.approx(0.5)]
    assert found["expected_after"].iloc[0] == pytest.approx(members["expected"][4:].sum())
    assert found["length_km"].iloc[0] == pytest.approx(members["length_km"][4:].sum())
    assert found["picked_from"].tolist() == found["picked_to"].tolist() == [DAY]
    assert tabulate_before_after(history, members[:4], 0.9).empty
    two = pd.concat([members, members.assign(group_name="A")])
    assert tabulate_before_after(history, two, 0.9)["group_name"].tolist() == ["A", loop]
    assert GROUP == ["grouped_by", "group_name"]


def test_cable_taken_out_is_followed_by_what_was_laid_in_its_place() -> None:
    on = pd.Timestamp("2020-06-30")
    rows = [(f"o{k}", f"L{k}", 1, "1990-01-01", on, None) for k in range(5)]
    laid = [on - pd.Timedelta(days=60), on - pd.Timedelta(days=61), on, on]
    rows += [(f"p{k}", f"L{k}", 2 if k == 3 else 1, day, None, None) for k, day in enumerate(laid)]
    rows += [("q", "M", 1, "1990-01-01", "2025-12-31", None), ("r", "M", 1, "1990-01-01", "2026-01-01", None)]
    reasons = pd.DataFrame({"section_id": ["o0", "o1"], "retired_because": ["failed", None]})
    found = list_replaced(make_tiny(rows), reasons)
    year, because = (found[found["grouped_by"].eq(by)] for by in ("replaced_in", "replaced_because"))
    assert dict(zip(year["section_id"], year["is_followed"], strict=True)) == {
        "o0": True,
        "o1": False,
        "o2": True,
        "o3": False,
        "o4": False,
        "q": False,
    }
    assert set(year["group_name"]) == {"2020", "2025"}
    assert because.set_index("section_id")["group_name"].to_dict() == {
        "o0": "failed",
        "o1": "unknown",
        "o2": "unknown",
        "o3": "unknown",
        "o4": "unknown",
        "q": "unknown",
    }
    assert found["counts"].eq("place").all()
    assert not found["counts_loop_only"].any()
    assert found["until"].isna().all()


def test_days_at_the_edges_of_injected_and_watched_sets() -> None:
    on, day = pd.Timestamp("2021-01-01"), pd.Timedelta(days=1)
    history = make_tiny(
        [
            ("a", "L", 1, on, None, "2025-12-31"),
            ("b", "L", 1, on + day, None, "2026-01-01"),
            ("c", "L", 1, "1990-01-01", on, None),
            ("d", "L", 1, None, on - day, None),
            ("e", "L", 1, None, "2024-05-05", "2022-05-05"),
            ("f", "M", 1, None, None, None),
        ]
    )
    watched = list_watched(history, {"L": on.date()})
    assert watched["section_id"].tolist() == ["a", "c", "e"]
    assert watched[["counts_loop_only", "is_followed"]].all(axis=None)
    injected = list_injected(history)
    assert injected["section_id"].tolist() == ["a", "e", "a", "e"]
    assert injected["group_name"].tolist() == ["2025", "2022", "all years", "all years"]
    assert injected.index.tolist() == list(range(4))
    assert injected["until"].tolist()[1::2] == [pd.Timestamp("2024-05-05")] * 2


@pytest.mark.parametrize(("present", "picked"), [(1, 1), (10, 1), (11, 2), (250, 25), (251, 25), (400, 25)])
def test_a_rule_picks_a_tenth_of_the_loops_and_at_most_25(present: int, picked: int) -> None:
    loops = pd.DataFrame({"failures": np.arange(present + 3)[::-1], "age_years": 1.0, "length_km": 1.0})
    loops.loc[:2, "length_km"] = 0.0  # of the three with most failures no cable is left
    chosen = _pick_by_rule(loops.assign(length_km=loops["length_km"] * 0.1), "most_failures")
    assert np.flatnonzero(chosen).tolist() == list(range(3, 3 + picked))


def test_loops_of_a_model_are_sums_of_cable_in_service(history: FailureHistory, model: FailureModel) -> None:
    units, loop = _sum_loops(model)
    w = model.windows
    frame = w.sections.assign(loop=loop, recorded=model.recorded)[w.in_service]
    by_loop = frame.groupby("loop")
    assert units["length_km"].to_numpy() == pytest.approx(by_loop["length_km"].sum().to_numpy())
    assert units["failures"].tolist() == by_loop["recorded"].sum().tolist()
    # three years of 365.25 days before the model's day: the 1095th day is within, the 1096th is not
    events = history.keep(code_names).failures.assign(failed_on=lambda f: pd.to_datetime(f["failed_on"]))
    known = events[events["section_code"].isin(frame["section_code"]) & events["failed_on"].le(w.as_of)]
    ago = (w.as_of - known["failed_on"]).dt.days
    recent = known[(ago < 3 * 365.25) & (pd.to_datetime(known["closed_on"]) <= w.as_of)]
    recent = recent[recent["why_not"].isna() | recent["why_not"].eq("undated_section")]
    counted = recent["section_code"].map(frame.set_index("section_code")["loop"]).value_counts()
    assert units["failures_recent"].to_numpy() == pytest.approx(
        counted.reindex(range(len(units)), fill_value=0).to_numpy()
    )
    dated = frame.groupby("loop")["is_installed_on_known"].transform("all")
    age = (w.as_of - pd.to_datetime(frame["installed_on"])).dt.days / 365.25
    mean = (age * frame["length_km"])[dated].groupby(frame["loop"]).sum() / by_loop["length_km"].sum()
    some = mean.dropna()
    assert units["age_years"].iloc[some.index].to_numpy() == pytest.approx(some.to_numpy(), rel=1e-3)
    assert len(some) > 5
