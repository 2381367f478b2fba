"""Ways of a pulse: sections, pieces and tails in the order passed."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipelines.locating.ways import Ways, lay_classes, lay_ways, ways_along, ways_by_class

DAY = pd.Timestamp("2020-06-01")
NO_PIECES = pd.DataFrame(columns=["section_id", "from_m", "to_m", "cable_class", "installed_on"])


def sections(*rows: tuple, direction: int = 1) -> pd.DataFrame:
    """Sections of one reading: id, class, route, near tail, far tail."""
    frame = pd.DataFrame(rows, columns=["section_id", "cable_class", "route_m", "near_tail_m", "far_tail_m"])
    return frame.assign(row=0, place=range(len(rows)), direction=direction, on=DAY)


def pieces(*rows: tuple) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=["section_id", "from_m", "to_m", "cable_class", "installed_on"])


def stretches(ways: Ways, row: int = 0) -> list[tuple[int, float, float]]:
    """Class, route and tail of each stretch that has a length."""
    own = ways.row == row
    assert not (ways.is_tail & (ways.route_m > 0)).any() and not (~ways.is_tail & (ways.tail_m > 0)).any()
    every = zip(ways.cable_class[own].tolist(), ways.route_m[own].tolist(), ways.tail_m[own].tolist(), strict=True)
    return [each for each in every if each[1] or each[2]]


def test_sections_with_their_tails_and_none_beyond_the_last() -> None:
    chain = sections(("S1", "A", 70.0, 2.0, 3.0), ("S2", "B", 80.0, 1.0, 4.0))
    assert stretches(lay_ways(chain, NO_PIECES, ("A", "B"), 1)) == [
        (0, 0, 2), (0, 70, 0), (0, 0, 3), (1, 0, 1), (1, 80, 0),
    ]  # fmt: skip


def test_a_class_that_nobody_read_is_numbered_after_the_last() -> None:
    chain = sections(("S1", "X", 70.0, 0.0, 0.0), ("S2", "B", 80.0, 0.0, 0.0))
    cut = pieces(("S2", 0.0, 10.0, None, None))
    assert stretches(lay_ways(chain, cut, ("A", "B"), 1)) == [(2, 70, 0), (2, 10, 0), (1, 70, 0)]
    parts = pd.DataFrame({"row": 0, "place": [1, 0], "cable_class": ["A", "X"], "route_m": [5.0, 6.0]})
    assert stretches(lay_classes(parts, ("A", "B"), 1)) == [(2, 6, 0), (0, 5, 0)]


CUT = (("S1", 60.0, 75.0, "C", None), ("S1", 10.0, 30.0, "B", None))


@pytest.mark.parametrize(
    ("direction", "expected"),
    [
        (1, [(0, 0, 2), (0, 10, 0), (1, 20, 0), (0, 30, 0), (2, 10, 0), (0, 0, 3), (1, 50, 0)]),
        # from the other end what lies at 60 to 70 m comes first
        (-1, [(0, 0, 2), (2, 10, 0), (0, 30, 0), (1, 20, 0), (0, 10, 0), (0, 0, 3), (1, 50, 0)]),
    ],
)
def test_pieces_are_cut_out_of_their_section_from_either_end(direction: int, expected: list) -> None:
    """The last is longer than its section is, and ends with it."""
    chain = sections(("S1", "A", 70.0, 2.0, 3.0), ("S2", "B", 50.0, 0.0, 0.0), direction=direction)
    assert stretches(lay_ways(chain, pieces(*CUT), ("A", "B", "C"), 1)) == expected


def test_pieces_that_overlap_are_counted_once() -> None:
    chain = sections(("S1", "A", 70.0, 0.0, 0.0))
    cut = pieces(("S1", 10.0, 40.0, "B", None), ("S1", 15.0, 20.0, "C", None), ("S1", 30.0, 50.0, "C", None))
    assert stretches(lay_ways(chain, cut, ("A", "B", "C"), 1)) == [(0, 10, 0), (1, 30, 0), (2, 10, 0), (0, 20, 0)]


@pytest.mark.parametrize("direction", [1, -1])
def test_pieces_on_record_anyhow_never_change_the_length_of_the_section(direction: int) -> None:
    rng = np.random.default_rng(3)
    for _ in range(100):
        route = rng.uniform(5, 100)
        ends = np.sort(rng.uniform(-10, 120, (rng.integers(1, 5), 2)), axis=1)
        cut = pieces(*(("S1", low, high, rng.choice(["A", "B"]), None) for low, high in ends))
        ways = lay_ways(sections(("S1", "C", route, 1.0, 1.0), direction=direction), cut, ("A", "B", "C"), 1)
        assert ways.route_m.min() >= 0
        assert ways.route_m.sum() == pytest.approx(route)
        # what no piece covers stays the section's own: seen in steps of a millimetre or so
        at = np.linspace(0, route, 20_001)
        bare = ~((ends[:, :1] <= at) & (at <= ends[:, 1:])).any(axis=0)
        assert ways.route_m[ways.cable_class == 2].sum() == pytest.approx(route * bare.mean(), abs=0.05)


def test_pieces_laid_after_the_reading_are_not_there_yet() -> None:
    chain = sections(("S1", "A", 70.0, 0.0, 0.0))
    cut = pieces(("S1", 10.0, 20.0, "B", DAY), ("S1", 30.0, 40.0, "B", DAY + pd.Timedelta(days=1)))
    assert stretches(lay_ways(chain, cut, ("A", "B"), 1)) == [(0, 10, 0), (1, 10, 0), (0, 50, 0)]


RUNS = pd.DataFrame(
    [
        ("r1", "S2", "A", 90.0, 80.0, 150.0, 5.0, 4.0, 1),
        ("r1", "S1", "A", 0.0, 0.0, 80.0, 2.0, 3.0, 1),
        ("r1", "S3", "B", 170.0, 150.0, 170.0, 5.0, 4.0, 1),
        ("r1", "S4", "A", 200.0, 170.0, 200.0, 0.0, 4.0, 1),
        ("r2", "S1", "A", 0.0, 0.0, 80.0, 3.0, 2.0, -1),
    ],
    columns=[
        "reading_id", "section_id", "cable_class", "cable_from_m", "run_from_m", "run_to_m", "near_tail_m",
        "far_tail_m", "direction",
    ],
)  # fmt: skip


def test_ways_of_past_readings_are_those_of_their_day() -> None:
    read_at = pd.Series([pd.Timestamp("2020-06-02", tz="UTC"), pd.Timestamp("2020-05-30", tz="UTC")])
    found = ways_along(np.array(["r2", "r1"]), RUNS, pieces(("S1", 0.0, 10.0, "B", DAY)), read_at, ("A", "B"))
    assert stretches(found) == [(0, 0, 3), (0, 70, 0), (1, 10, 0)]
    # tails of one terminal, up and down it, follow one another; the piece is not laid yet
    assert stretches(found, 1) == [
        (0, 0, 2), (0, 80, 0), (0, 0, 3), (0, 0, 5), (0, 70, 0), (0, 0, 4), (1, 0, 5), (1, 20, 0), (1, 0, 4),
        (0, 30, 0),
    ]  # fmt: skip


def test_ways_by_class_are_classes_and_lengths_alone() -> None:
    """Neighbours of one class are one stretch; a reading whose way is unknown goes along its section's class."""
    only = pd.Series(["A", "B", "X"])
    found = ways_by_class(np.array(["r1", "r9", "r8"]), RUNS, only, ("A", "B"))
    assert stretches(found) == [(0, 150, 0), (1, 20, 0), (0, 30, 0)]
    assert [cable_class for row in (1, 2) for cable_class, *_ in stretches(found, row)] == [1, 2]
    assert found.rows == 3 and not found.tail_m.any()
