"""Dig windows as they are asked: by terminals or by class, one or many, and errors in words."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from pipelines.locating import window
from pipelines.locating.coverage import wilson_limits
from pipelines.locating.effects import store_effects
from pipelines.locating.window import DigWindow, find_dig_window, find_tested, interpolate_quantile, read_way
from pipelines.locating.window_basis import Asked, Basis, lay_chain, read_basis
from pipelines.locating.window_file import BEYOND, WINDOWS_OUT, answer_readings, read_readings
from shared import dictionary
from shared.errors import UserError
from shared.settings import Settings
from shared.store import write_table
from tests.unit.test_locating_placing import made_effects

AS_OF = date(2024, 1, 1)
QUANTILES = {0.5: 0.7, 0.8: 1.3, 0.95: 2.0}


def table(name: str, *rows: dict) -> pd.DataFrame:
    """Rows of a table of the dictionary, what is not given missing."""
    return pd.DataFrame(list(rows), columns=list(dictionary.tables()[name].columns))


def section(name: str, position: int, start: str, end: str, **more: object) -> dict:
    given = {"section_id": name, "loop_id": "L1", "position": position, "from_terminal_id": start}
    given |= {"to_terminal_id": end, "cable_class": "A", "insulation": "XLPE", "length_m": 80.0}
    begun = {"in_service_from": more.get("installed_on")}
    return given | {"installed_on": None, "retired_on": None} | begun | more


@pytest.fixture
def basis() -> Basis:
    """A loop of three sections, the middle one of B with a piece of A; terminal T1 has a tail of 3 m, T0 of 2."""
    effects = made_effects(np.random.default_rng(9))
    pairs = [(way, level, q) for way in ("along_loop", "by_class") for level, q in QUANTILES.items()]
    return Basis(
        effects=effects,
        quantiles=pd.DataFrame(pairs, columns=["way", "window_level", "quantile"]),
        coverage=table("marts.window_coverage"),
        season=table("marts.season"),
        levels=table("marts.instrument_levels"),
        proposals=table("marts.setting_proposals"),
        velocities=pd.DataFrame({"cable_class": ["A", "B"], "setting_median_pct": [53.0, np.nan]}),
        drift=table("marts.instrument_drift"),
        sections=pd.DataFrame(
            [
                section("S1", 1, "T0", "T1"),
                section("S2", 2, "T1", "T2", cable_class="B", length_m=63.0),
                section("S3", 3, "T2", "T3"),
                section("X1", 1, "T8", "T9", loop_id="L2"),
            ]
        ),
        pieces=pd.DataFrame(
            [("S2", 0.0, 10.0, "A", None)], columns=["section_id", "from_m", "to_m", "cable_class", "installed_on"]
        ),
        tails=pd.Series({"T0": 2.0, "T1": 3.0}),
        locating=Settings().locating,
        as_of=AS_OF,
    )


LOOP = Asked(distance_m=120.0, from_terminal="T0", toward_terminal="T1", instrument_id="I1", velocity_pct=53.0)
CLASS = Asked(distance_m=90.0, classes=read_way(["A"]), instrument_id="I1", velocity_pct=53.0)


def seen(basis: Basis, asked: Asked, coverage: float = 0.8) -> DigWindow:
    return find_dig_window(basis, asked, coverage)


def test_a_reading_is_walked_along_todays_register(basis: Basis) -> None:
    """Tails of both terminals, cable with its slack, the piece, the instrument's scale and zero."""
    found = seen(basis, LOOP)
    left = (120 - 0.8 - 3 * 0.4) / 1.02 - 1.02 * (2 + 1.02 * 75 + 3) - 0.93 * 3 - 1.02 * 1.02 * 10
    assert found.corrected_m == pytest.approx(75 + 10 + left / (0.93 * 1.02))
    assert found.sections == ("S2",)
    # from the other end: no tail at T2 is on record, the piece comes last
    back = seen(basis, replace(LOOP, from_terminal="T2", distance_m=90.0))
    left = (90 - 0.8 - 3 * 0.4) / 1.02 - 0.93 * (1.02 * 50 + 3) - 1.02 * (1.02 * 10 + 3)
    assert back.corrected_m == pytest.approx(60 + left / (1.02 * 1.02))
    assert back.sections == ("S1",)


def test_windows_of_every_level_lie_about_the_corrected_distance(basis: Basis) -> None:
    for asked in (LOOP, CLASS):
        found = seen(basis, asked, 0.9)
        assert [level for level, *_ in found.windows] == [0.5, 0.8, 0.9, 0.95]
        normal = [stats.norm.ppf(0.5 + level / 2) for level in (0.8, 0.9, 0.95)]
        share = (normal[1] - normal[0]) / (normal[2] - normal[0])
        for level, low, high in found.windows:
            half = found.se_m * QUANTILES.get(level, 1.3 + share * 0.7)
            assert (low, high) == pytest.approx((found.corrected_m - half, found.corrected_m + half))
    near = seen(basis, replace(CLASS, distance_m=3.0))
    assert near.windows[-1][1] == 0.0
    # one of its own widens, one never seen widens more
    assert seen(basis, replace(CLASS, instrument_id=None)).se_m != seen(basis, CLASS).se_m


def test_by_class_the_usual_tail_is_taken_off_and_said(basis: Basis) -> None:
    found = seen(basis, CLASS)
    at = found.corrected_m
    left = 90 - 0.8 - 0.4 - 1.5 * 1.02 * 1.02
    assert at == pytest.approx(left / (1.02 * 1.02 * 1.04 + 0.012 * 0.4))
    usual = 1.5 + 0.02 * at + 0.4 * (1 + 0.012 * at)
    assert f"a usual tail of {usual:.1f} m" in found.describe() and found.sections == ()
    two = seen(basis, replace(CLASS, classes=read_way(["A=30", "B"])))
    left -= 30 * (1.02 * 1.02 * 1.04 + 0.012 * 0.4)
    assert two.corrected_m == pytest.approx(30 + left / (1.02 * 0.93 * 1.04 + 0.012 * 0.4))
    assert two.place.endswith("over A then B")
    # cut in two it is the same way
    cut = seen(basis, replace(CLASS, classes=read_way(["A=30", "A"])))
    assert (cut.corrected_m, cut.se_m) == pytest.approx((at, found.se_m))


def test_the_setting_taken_is_said(basis: Basis) -> None:
    asked = replace(CLASS, velocity_pct=None)
    rows = [{"instrument_id": i, "cable_class": c, "setting_median_pct": s}
            for i, c, s in (("I1", "B", 56.0), ("I2", "A", 51.0), ("I2", "B", 55.0))]  # fmt: skip
    known = replace(basis, proposals=table("marts.setting_proposals", *rows))
    for instrument, cable_class, setting, words in (
        ("I2", "A", 51.0, "the median of I2 on the class"),
        ("I1", "A", 56.0, "the median of I1 on other classes"),
        (None, "A", 53.0, "the median in use on the class"),
    ):
        found = seen(known, replace(asked, instrument_id=instrument, classes=read_way([cable_class])))
        assert found.velocity_pct == setting
        assert found.notes[0] == f"Setting not stated: taken as {setting:.1f} % of c, {words}."
        same = seen(known, replace(asked, instrument_id=instrument, velocity_pct=setting))
        assert (same.corrected_m, same.notes) == (found.corrected_m, found.notes[1:])
    assert "Instrument not stated: its own error widens the window." in found.notes
    with pytest.raises(UserError, match="no setting is on record for the class"):
        seen(basis, replace(asked, classes=read_way(["B"])))


def test_the_correction_follows_the_instrument_in_time(basis: Basis) -> None:
    """Levels of the past are those on record; after the as-of day the drift goes on, 0.6 % a year."""
    levels = [{"instrument_id": "I1", "level_on": day, "scale_error_pct": scale, "offset_m": offset}
              for day, scale, offset in (
                  (date(2022, 1, 1), 0.8, 0.2), (date(2023, 1, 1), 1.4, 0.6), (AS_OF, 2.0, 0.8),
              )]  # fmt: skip
    drift = {"instrument_id": "I1", "is_drifting": True, "drift_pct_per_year": 0.6}
    drift["drift_from_at"] = pd.Timestamp("2019-12-02", tz="UTC")
    moved = replace(
        basis, levels=table("marts.instrument_levels", *levels), drift=table("marts.instrument_drift", drift)
    )
    mean = (1.02 + 0.93) / 2
    for on, scale, zero in (
        (date(2023, 1, 1), 1.014, 0.8 - 0.2 * mean),
        (None, 1.02, 0.8),
        (date(2025, 1, 1), 1.02 + 0.006 * 366 / 365.25, 0.8),
    ):
        found = seen(moved, replace(CLASS, on=on))
        left = 90 - zero - 0.4 - 1.5 * 1.02 * scale
        assert found.corrected_m == pytest.approx(left / (scale * 1.02 * 1.04 + 0.012 * 0.4))
        assert (
            f"I1 drifts by 0.60% a year since 2019-12-02: the correction follows the drift to {on or AS_OF}; "
            "have it checked on a run of known length."
        ) in found.notes
    assert not any("drifts" in note for note in seen(moved, replace(CLASS, instrument_id="I2")).notes)


def test_the_season_of_the_class_the_reading_ends_in_is_taken_off(basis: Basis) -> None:
    season = {"insulation": "XLPE", "season_pct": 2.0, "reads_longest_day": 45, "is_carried": True}
    carried = replace(basis, season=table("marts.season", season))
    for on, shift, words in (
        (date(2024, 2, 14), 0.02, "long on 2024-02-14."),
        (date(2024, 8, 14), 0.02 * np.cos(2 * np.pi * 182 / 365.25), "short on 2024-08-14."),
    ):
        found = seen(carried, replace(CLASS, on=on))
        left = 90 / (1 + shift) - 0.8 - 0.4 - 1.5 * 1.02 * 1.02
        assert found.corrected_m == pytest.approx(left / (1.02 * 1.02 * 1.04 + 0.012 * 0.4))
        assert f"Season: readings of XLPE are 2.0% {words}" in found.notes
    paper = carried.sections.assign(insulation=["XLPE", "PILC", "XLPE", "XLPE"])
    other = seen(replace(carried, sections=paper), replace(CLASS, on=date(2024, 2, 14), classes=read_way(["A=3", "B"])))
    assert "The data carry no season for this class." in other.notes


def test_a_reading_inside_the_blind_zone_gets_no_window_but_says_why(basis: Basis) -> None:
    with pytest.raises(UserError, match=r"^15.0 m \(49 ft\) is inside the blind zone of a pulse of 200 ns \(15.9 m"):
        seen(basis, replace(CLASS, distance_m=15.0, pulse_ns=200.0))
    assert seen(basis, replace(CLASS, distance_m=16.0, pulse_ns=200.0)).corrected_m > 0
    for given in ({"pulse_ns": 0.0}, {"pulse_ns": 100_001.0}, {"sampling_m": -1.0}, {"sampling_m": 101.0}):
        with pytest.raises(UserError, match="is out of bounds"):
            seen(basis, replace(CLASS, **given))
    coarse = seen(basis, replace(CLASS, sampling_m=12.0))
    usual = basis.locating.sampling_m
    further = (12.0**2 - usual**2) / 12 / (1.02 * 1.02 * 1.04 + 0.012 * 0.4) ** 2
    assert coarse.se_m**2 == pytest.approx(seen(basis, CLASS).se_m ** 2 + further)


ABOVE, BETWEEN = "give metres above 0", "give percent of c, 30 to 80"
NEXT = "give the next terminal in the direction tested"


@pytest.mark.parametrize(
    ("asked", "text"),
    [
        (replace(CLASS, classes=(("XX", 1.0),)), "no reading passed the class 'XX'|--class|known: A, B"),
        (replace(CLASS, classes=(("A", 0.0), ("B", 1.0))), f"length 0.0 of 'A' is out of bounds|--class|{ABOVE}"),
        (replace(CLASS, instrument_id="X9"), "unknown instrument 'X9'|--instrument|known: I1, I2"),
        (replace(CLASS, distance_m=0.0), f"distance 0.0 is out of bounds|--distance|{ABOVE}"),
        (replace(CLASS, distance_m=100_000.0), f"distance 100000.0 is out of bounds|--distance|{ABOVE}"),
        (replace(CLASS, velocity_pct=80.1), f"velocity 80.1 is out of bounds|--velocity|{BETWEEN}"),
        (replace(CLASS, velocity_pct=29.9), f"velocity 29.9 is out of bounds|--velocity|{BETWEEN}"),
        (replace(LOOP, toward_terminal=None), f"no terminal to look toward|--toward|{NEXT}"),
        (
            replace(LOOP, from_terminal="YYY"),
            "terminal 'YYY' has no section in service|--from|known: T0, T1, T2, T3, T8, T9",
        ),
        (replace(LOOP, toward_terminal="T9"), f"'T0' and 'T9' are not two terminals of one loop|--toward|{NEXT}"),
        (replace(LOOP, toward_terminal="T0"), f"'T0' and 'T0' are not two terminals of one loop|--toward|{NEXT}"),
    ],
)
def test_what_cannot_be_answered_is_said(basis: Basis, asked: Asked, text: str) -> None:
    with pytest.raises(UserError) as fault:
        seen(basis, asked)
    what, where, remedy = text.split("|")
    assert str(fault.value) == f"{what}\n  where: {where}\n  to do: {remedy}"


def test_bounds_that_are_just_answered(basis: Basis) -> None:
    for distance, velocity in ((0.001, 53.0), (99_999.0, 53.0), (40.0, 30.0), (40.0, 80.0)):
        assert seen(basis, replace(CLASS, distance_m=distance, velocity_pct=velocity)).velocity_pct == velocity


def test_the_chain_is_that_of_the_day(basis: Basis) -> None:
    """The newest cable of a position lies in the ground; what is retired or not yet laid does not."""

    def day(year: int) -> pd.Timestamp:
        return pd.Timestamp(year, 1, 1)

    rows = [
        section("S1", 1, "T0", "T1", retired_on=day(2020)),
        section("S1b", 1, "T0", "T1", installed_on=day(2020), length_m=4.0),
        section("S2", 2, "T1", "T2", installed_on=day(2010)),
        section("S2b", 2, "T1", "T2", installed_on=day(2021)),
    ]
    laid = replace(basis, sections=pd.DataFrame(rows))
    for year, names in ((2019, ["S1", "S2"]), (2020, ["S1b", "S2"]), (2022, ["S1b", "S2b"])):
        assert lay_chain(laid, replace(LOOP, on=date(year, 1, 2)))["section_id"].tolist() == names
    found = lay_chain(laid, LOOP)
    # tails of 2 and 3 m leave nothing of four metres
    assert found["route_m"].tolist() == [0.0, 77.0]
    assert found[["near_tail_m", "far_tail_m"]].to_numpy().tolist() == [[2, 3], [3, 0]]
    back = lay_chain(laid, replace(LOOP, from_terminal="T2", toward_terminal="T0"))
    assert (back["section_id"].tolist(), back["direction"].tolist()) == (["S2b", "S1b"], [-1, -1])
    with pytest.raises(UserError, match="terminal 'T0' has no section in service"):
        lay_chain(replace(laid, sections=laid.sections.iloc[2:]), LOOP)


def test_the_classes_of_a_way_are_read_with_their_lengths() -> None:
    assert read_way(["A/b=60", "C/d=5.5", "E/f"]) == (("A/b", 60.0), ("C/d", 5.5), ("E/f", np.inf))
    assert read_way(["A=b=5", "C"]) == (("A=b", 5.0), ("C", np.inf))
    assert read_way([]) == ()
    for text in ("A/b", "A=b", "=", "A="):
        with pytest.raises(UserError, match="has no length") as fault:
            read_way([text, "C"])
        assert "give all classes but the last as CLASS=METRES" in str(fault.value)


def test_levels_between_those_tabled_follow_the_normal_scale() -> None:
    quantiles = pd.Series([0.67449, 1.28155, 1.95996], index=[0.5, 0.8, 0.95])
    assert interpolate_quantile(quantiles, 0.90) == pytest.approx(1.64485, abs=1e-4)  # normal table


def test_the_back_test_is_of_the_same_way_and_never_of_fewer_than_thirty() -> None:
    """Class and band, else the class, else the band, else all; else nothing."""
    groups = (
        ("class_and_band", "A, 60 to 100 m", "over A at 60 to 100 m"),
        ("cable_class", "A", "over A, all distances"),
        ("distance_band", "60 to 100 m", "at 60 to 100 m, all classes"),
        ("all", "all", "of all classes and distances"),
    )
    for enough in range(5):
        rows = [
            {
                "grouped_by": name, "group_name": group, "way": way, "window_level": level,
                "tried": 30 + n if n >= enough else 29, "held": held + n, "held_lo": 0.5, "held_hi": 0.9,
            }
            for n, (name, group, _) in enumerate(groups)
            for way, level, held in (("by_class", 0.8, 10), ("along_loop", 0.5, 0), ("along_loop", 0.8, 20))
        ]  # fmt: skip
        known = table("marts.window_coverage", *rows)
        found = find_tested(known, "along_loop", "A", 99.9, 0.8)
        expected = window.Tested(20 + enough, 30 + enough, 0.5, 0.9, groups[enough][2]) if enough < 4 else None
        assert found == expected
    assert find_tested(known.iloc[:0], "along_loop", "A", 99.9, 0.8) is None


def test_a_window_in_words() -> None:
    low, high = (float(each[0]) for each in wilson_limits(np.array([41.0]), np.array([50.0]), 0.9))
    told = DigWindow(
        asked=Asked(100.0, from_terminal="T0", toward_terminal="T1"), way="along_loop", velocity_pct=53.0,
        place="from T0 toward T1", corrected_m=98.0, se_m=2.0, windows=((0.5, 96.5, 99.5), (0.8, 95.0, 101.0)),
        coverage=0.8, sections=("S1", "S2"), tested=window.Tested(41, 50, low, high, "over A, all distances"),
        register_on=AS_OF, notes=("As said.",),
    )  # fmt: skip
    back_test = "back-test: 80% windows asked this way held 41 of 50 past digs over A, all distances "
    back_test += f"(82%, 90% limits {low:.0%} to {high:.0%})"
    lines = [
        "displayed 100.0 m (328 ft) at 53.0 % of c, an instrument not stated",
        "corrected 98.0 m (322 ft) along the cable's route from T0 toward T1",
        "50% window 96.5 m (317 ft) to 99.5 m (326 ft)",
        "80% window 95.0 m (312 ft) to 101.0 m (331 ft)",
        "sections in the 80% window: S1, S2",
        "about one in five faults lies outside a window of 80%",
        back_test,
        "register, instruments and fit as of 2024-01-01",
        "As said.",
    ]  # fmt: skip
    assert told.describe().split("\n") == lines
    bare = replace(told, sections=(), tested=None, coverage=0.95).describe().split("\n")
    assert bare[4:6] == [
        "about one in twenty faults lies outside a window of 95%",
        "back-test: fewer than 30 past digs could be tried this way, so no share is given",
    ]


def test_many_readings_are_answered_each_in_its_place(basis: Basis) -> None:
    """Text as it comes, comma decimals; what cannot be answered keeps its row and the reason."""
    rows = pd.DataFrame(
        [
            ("r1", "2024-01-01", "I1", "53", "120,0", "T0", "T1", ""),
            ("r2", "", "I1", "53", "90", "", "", "A"),
            ("r3", "", "I1", "53", "", "", "", "A"),
            ("r4", "", "I1", "fast", "90", "", "", "A"),
            ("r5", "someday", "I1", "53", "90", "", "", "A"),
            ("r6", "", "I1", "53", "90", "", "", ""),
            ("r7", "", "I1", "53", "90", "T0", "T9", "A"),
            ("r8", "", "I1", "53", "1,234", "", "", "A"),
        ],
        columns=[
            "reading_id", "read_on", "instrument_id", "velocity_setting_pct", "displayed_distance_m",
            "test_terminal_id", "toward_terminal_id", "cable_class",
        ],
    )  # fmt: skip
    found = answer_readings(basis, rows, "Mind.")
    assert tuple(found.columns) == WINDOWS_OUT
    assert found["reading_id"].tolist() == rows["reading_id"].tolist() and set(found["caution"]) == {"Mind."}
    for n, asked in enumerate((LOOP, CLASS)):
        one = seen(basis, asked)
        limits = [round(limit, 3) for _, *both in one.windows for limit in both]
        assert found.loc[n, ["corrected_m", *WINDOWS_OUT[3:9]]].tolist() == [round(one.corrected_m, 3), *limits]
        assert (found.loc[n, "way"], found.loc[n, "note"]) == (one.way, " ".join(one.notes))
    assert found["corrected_m"].isna().tolist() == [False, False] + [True] * 6
    assert found["note"].tolist()[2:] == [
        "no displayed_distance_m; give metres above 0",
        "velocity_setting_pct 'fast' is no number; give a number",
        "read_on 'someday' is no day; give it as YYYY-MM-DD",
        "neither terminals nor a cable class; give the two terminals or a class",
        "'T0' and 'T9' are not two terminals of one loop; give the next terminal in the direction tested",
        "displayed_distance_m '1,234' may be thousands or decimals; write it with a decimal point",
    ]


def test_a_file_of_readings_is_read_as_text(tmp_path) -> None:
    file = tmp_path / "readings.csv"
    file.write_text("\ufeffreading_id,displayed_distance_m\n007,\n", encoding="utf-8")
    assert read_readings(file).to_dict("records") == [{"reading_id": "007", "displayed_distance_m": ""}]
    file.write_text("reading_id;displayed_distance_m\n1;84,5;x\n2\n")
    assert read_readings(file).fillna("").to_dict("records") == [
        {"reading_id": "1", "displayed_distance_m": "84,5", BEYOND: ["x"]},
        {"reading_id": "2", "displayed_distance_m": "", BEYOND: ""},
    ]
    file.write_text("reading_id\n1\n")
    with pytest.raises(UserError, match="no column displayed_distance_m") as fault:
        read_readings(file)
    assert "headings: reading_id, read_on, instrument_id" in str(fault.value)
    with pytest.raises(UserError, match="cannot be read"):
        read_readings(tmp_path / "none.csv")


def test_a_basis_is_read_once_it_is_fitted(make_warehouse) -> None:
    con = make_warehouse({}, Settings().override("general", as_of=AS_OF), build=("staging", "core"))
    with pytest.raises(UserError, match="no velocities are fitted yet"):
        read_basis(con)
    effects = made_effects(np.random.default_rng(9))
    tables = store_effects(effects)
    write_table(con, "fitted.locating_effects", tables["fitted.locating_effects"].iloc[:0])
    with pytest.raises(UserError, match="no velocity could be fitted"):
        read_basis(con)
    for name, frame in tables.items():
        write_table(con, name, frame)
    for name in (
        "fitted.window_quantiles", "marts.window_coverage", "marts.season", "marts.instrument_levels",
        "marts.setting_proposals", "marts.velocity_by_class", "marts.instrument_drift",
    ):  # fmt: skip
        write_table(con, name, table(name))
    found = read_basis(con)
    assert (found.as_of, found.effects.instruments) == (AS_OF, effects.instruments)
    assert (found.effects.slowness == effects.slowness).all() and found.effects.terms == effects.terms
