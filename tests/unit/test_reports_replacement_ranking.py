"""The ranking's tables and map: what they say is counted from the marts."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator

import pandas as pd
import pytest

from reports.marts import Marts
from reports.pages import replacement_ranking
from reports.pages.replacement import reasons
from shared.settings import Settings
from shared.store import Workspace, open_warehouse
from tests.report_marts import filled, found_in, write_small_marts

SETTINGS = Settings().override("general", as_of=dt.date(2025, 12, 31))


@pytest.fixture(scope="module")
def marts(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Marts]:
    con = open_warehouse(Workspace(tmp_path_factory.mktemp("sheets")))
    write_small_marts(con, loops=40)
    yield Marts(con)
    con.close()


def test_a_fleet_without_coordinates_has_no_map(marts: Marts) -> None:
    loops, places = marts.read("marts.loop_ranking"), marts.read("marts.loop_places")
    assert replacement_ranking.loop_map(loops, places.iloc[:0], Settings()) is None
    made = replacement_ranking.loop_map(loops, places, Settings())
    assert made is not None and "40 loops drawn of 40" in made.count


def test_the_map_says_how_far_the_first_loops_lie_apart(marts: Marts) -> None:
    """The first 25 loops of the small marts lie in a row, 300 m from one to the next."""
    made = replacement_ranking.loop_map(marts.read("marts.loop_ranking"), marts.read("marts.loop_places"), Settings())
    assert made is not None
    assert "within ⟦0.3|km|⟧" in made.finding
    feet = marts.read("marts.loop_places").assign(straight_over_cable=2.6)
    other = replacement_ranking.loop_map(marts.read("marts.loop_ranking"), feet, Settings())
    assert other is not None and "within" not in other.finding
    assert "do not fit the cable's lengths in metres" in other.left_out


@pytest.mark.parametrize(("multiplier", "is_said"), [(1.4, True), (2.0, False)])
def test_what_bad_luck_may_explain_is_said_only_where_there_is_any(multiplier: float, is_said: bool) -> None:
    loops = pd.DataFrame(
        {
            "rank": [1, 2],
            "loop_id": ["L1", "L2"],
            "failures_recorded": [6, 4],
            "expected_recorded": [3.0, 2.0],
            "multiplier": multiplier,
            "reasons": "fails",
        }
    )
    loops = filled("marts.loop_ranking", loops)
    finding = reasons(loops, found_in("replacement", {"marts.loop_ranking": loops})).finding
    assert finding.startswith("L1 has failed 6 times; 3.0 were expected of cable of its classes and ages.")
    assert ("2.0 times as often as their classes. The forecast uses 1.4 times:" in finding) == is_said
    assert ("bad luck" in finding) == is_said
