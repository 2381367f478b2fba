"""Field cards: what is on which, and that none outgrows a phone."""

from __future__ import annotations

import datetime as dt
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from pipelines.locating.effects import Effects, store_effects
from pipelines.locating.window_basis import Basis, read_basis
from pipelines.publish import write_results
from reports.choice import EVERYTHING, Choice
from reports.links import Links
from reports.pages import card
from reports.render import render
from reports.results import Results
from shared import dictionary
from shared.errors import UserError
from shared.settings import Settings
from shared.store import Workspace, open_warehouse, write_settings, write_table

SETTINGS = Settings().override("general", as_of=dt.date(2025, 12, 31))


EFFECTS = Effects(
    classes=("XLPE/bare/buried",), instruments=("", "R-01"), slowness=np.array([1.0, 1.02]), slack=0.02, tail_m=0.1,
    fixed_covariance=np.eye(4) * 1e-4, own=np.zeros((2, 3)), own_covariance=np.zeros((2, 3, 3)),
    own_with_fixed=np.zeros((2, 3, 4)), factor=np.ones(2), terms={"noise_constant_m": 1.0},
)  # fmt: skip


def publish(folder: Path, loops: int, districts: tuple[str, ...] = ("OB", "QH"), sections: int = 12) -> Path:
    """Results of so many loops, shared out among districts, with one fitted line."""
    names = [f"{districts[n % len(districts)] if districts else 'X'}-L{n:05d}" for n in range(loops)]
    parts = [(loop, place) for loop in names for place in range(sections)]
    tables = {
        "staging.districts": pd.DataFrame({"district_id": list(districts)}),
        "staging.loops": pd.DataFrame({"loop_id": names, "district_id": [n[:2] if districts else None for n in names]}),
        "staging.terminals": pd.DataFrame(
            {"terminal_id": [f"{loop}-T{i:02d}" for loop in names for i in range(sections + 1)], "tail_m": 2.0}
        ),
        "staging.sections": pd.DataFrame(
            {
                "section_id": [f"{loop}-S{i:02d}" for loop, i in parts],
                "loop_id": [loop for loop, _ in parts],
                "position": [i + 1 for _, i in parts],
                "from_terminal_id": [f"{loop}-T{i:02d}" for loop, i in parts],
                "to_terminal_id": [f"{loop}-T{i + 1:02d}" for loop, i in parts],
                "length_m": 90.0,
                "cable_class": "XLPE/bare/buried",
                "insulation": "XLPE",
            }
        ),
        **store_effects(EFFECTS),
    }
    empty = (
        "fitted.window_quantiles", "marts.window_coverage", "marts.season", "marts.instrument_levels",
        "marts.setting_proposals", "marts.velocity_by_class", "marts.instrument_drift", "staging.section_pieces",
        "marts.instrument_bias",
    )  # fmt: skip
    tables |= dict.fromkeys(empty, pd.DataFrame())
    with open_warehouse(Workspace(folder)) as con:
        write_settings(con, SETTINGS)
        for name, frame in tables.items():
            write_table(con, name, frame.reindex(columns=list(dictionary.tables()[name].columns)))
        write_results(con, folder / "results.duckdb", SETTINGS)
    return folder / "results.duckdb"


def facts_of(text: str) -> dict[str, object]:
    return json.loads(re.search(r'id="facts">(.*?)</script>', text, re.DOTALL)[1])


def test_each_district_has_a_card_of_its_own_loops(tmp_path: Path) -> None:
    with Results(publish(tmp_path, 5)) as results:
        made = card.make_cards(results, results.known.districts)
        listed = render(results, "card", EVERYTHING, Links(files=frozenset(each.file for each in made)))
        served = render(results, "card", EVERYTHING, Links(is_served=True))
        one = render(results, "card", Choice(districts=("QH",)))
    assert [(each.file, len(each.loops)) for each in made] == [("card-OB.html", 3), ("card-QH.html", 2)]
    assert 'href="card-OB.html"' in listed and "3 loops, OB-L00000 to OB-L00004" in listed
    assert 'href="/card?district=QH"' in served
    assert [loop[0] for loop in facts_of(one)["loops"]] == ["QH-L00001", "QH-L00003"]
    assert facts_of(one)["loops"][0][:3] == ["QH-L00001", ["~-T00", 2], ["~-S00", 0, 86, "~-T01", 2]]


def test_a_card_is_one_file_that_asks_for_nothing(tmp_path: Path) -> None:
    with Results(publish(tmp_path, 4)) as results:
        text = render(results, "card", Choice(districts=("OB",)))
    assert re.findall(r"<(?:script|link|img|iframe)[^>]*(?:src|href)=\"([^\"]*)", text) == ["data:,"]
    assert not re.search(r"https?://|@import|url\(|fetch\(|XMLHttpRequest|<a ", text)


def test_no_card_is_above_a_megabyte_however_large_the_district(tmp_path: Path) -> None:
    with Results(publish(tmp_path, 3_000, districts=("OB",))) as results:
        made = card.make_cards(results, ("OB",))
        sizes = [len(render(results, "card", Choice(districts=("OB",)), part=str(each.part)).encode()) for each in made]
        with pytest.raises(UserError, match="there is no part '9' of this card"):
            render(results, "card", Choice(districts=("OB",)), part="9")
    assert sum(len(each.loops) for each in made) == 3_000
    assert [each.file for each in made] == ["card-OB.html", "card-OB_2.html"]
    assert made[1].address == "/card?district=OB&part=2"
    assert max(sizes) < 1_000_000 and sizes[0] > 800_000


def test_of_too_many_instruments_those_last_read_are_on_the_card(make_warehouse, monkeypatch) -> None:
    names = ("", *(f"R-{n:03d}" for n in range(60)))
    many = replace(
        EFFECTS, instruments=names, own=np.zeros((61, 3)), own_covariance=np.zeros((61, 3, 3)),
        own_with_fixed=np.zeros((61, 3, 4)), factor=np.ones(61),
    )  # fmt: skip
    basis = replace(basis_of(make_warehouse, {}), effects=many)
    monkeypatch.setattr(card, "ROOM", 10_000)
    kept = list(card.card_facts(basis, list(names[:0:-1]))["instruments"])
    assert kept == ["", *names[:0:-1]][: len(kept)] and 10 < len(kept) < 60


def test_without_districts_there_is_one_card_of_everything(tmp_path: Path) -> None:
    with Results(publish(tmp_path, 3, districts=())) as results:
        (made,) = card.make_cards(results, results.known.districts)
        text = render(results, "card")
    assert (made.file, len(made.loops)) == ("card.html", 3) and len(facts_of(text)["loops"]) == 3


def test_where_nothing_is_fitted_the_page_says_what_to_load(tmp_path: Path) -> None:
    with open_warehouse(Workspace(tmp_path)) as con:
        write_settings(con, SETTINGS)
        write_results(con, tmp_path / "results.duckdb", SETTINGS)
    with Results(tmp_path / "results.duckdb") as results:
        assert card.make_cards(results, results.known.districts) == []
        assert "What to do:" in render(results, "card")


def basis_of(make_warehouse, tables: dict[str, str]) -> Basis:
    con = make_warehouse(tables, SETTINGS, build=("staging",))
    for name, rows in store_effects(EFFECTS).items():
        write_table(con, name, rows)
    for name in ("fitted.window_quantiles", "marts.window_coverage", "marts.season", "marts.instrument_levels",
                 "marts.setting_proposals", "marts.velocity_by_class", "marts.instrument_drift"):  # fmt: skip
        write_table(con, name, pd.DataFrame())
    return read_basis(con)


def test_a_card_writes_loops_short_and_leaves_out_broken_chains(make_warehouse) -> None:
    basis = basis_of(
        make_warehouse,
        {
            "sections": """
            section_id|loop_id|position|from_terminal_id|to_terminal_id|length_m|insulation|neutral|installation
            L1-S1|L1|1|L1-T0|L1-T1|80|XLPE|bare|buried
            L1-S2|L1|2|L1-T1|X9|60|EPR|bare|buried
            L2-S1|L2|1|L2-T0|L2-T1|80|XLPE|bare|buried
            L2-S2|L2|2|L2-T5|L2-T6|60|XLPE|bare|buried
        """,
            "terminals": """
            terminal_id | tail_m | loop_id
            L1-T0       | 2      | L1
            L1-T1       |        | L1
            X9          | 1      | L1
        """,
        },
    )
    assert card.loop_chains(basis) == [
        ["L1", ["~-T0", 2.0], ["~-S1", 0, 80.0 - 2.0, "~-T1", 0.0], ["~-S2", 1, 60.0 - 1.0, "X9", 1.0]]
    ]


def test_a_card_has_the_half_loops_that_its_chains_hold() -> None:
    chains = [
        ["L1", ["~-T0", 0.0], *([f"~-S{k}", 0, 90.0, f"~-T{k}", 0.0] for k in range(1, 6))],
        ["L2", ["T0", 0.0], ["S8", 0, 90.0, "T1", 0.0]],
    ]  # fmt: skip
    strips = pd.DataFrame(
        {
            "loop_id": ["L1"] * 5 + ["L2", "L3"],
            "half_loop_id": ["L1/A"] * 2 + ["L1/B"] * 3 + ["L2", "L3"],
            "position": [1, 2, 3, 4, 5, 1, 1],
            "section_id": [*(f"L1-S{k}" for k in range(1, 6)), "S9", "S1"],
            "start_m": 0.0,
            "end_m": 90.0,
            "expected_failures": [0.3, 0.1, 0.1, 0.2, 0.5, 0.1, 0.1],
        }
    )
    halves = [["L1/A", 0, 2, [0.75, 0.25]], ["L1/B", 5, 2, [0.625, 0.25, 0.125]]]
    assert card.search_halves(strips, chains) == [halves, []]  # S9 is not on the chain of L2


def test_a_loop_that_changed_lately_says_since_when_it_lies_so(make_warehouse) -> None:
    """As of 2025-12-31: L1 was rebuilt 30 days before, L2 will be ten days after, L3 long ago; L1 holds a piece."""
    basis = basis_of(
        make_warehouse,
        {
            "sections": """
            section_id|loop_id|position|from_terminal_id|to_terminal_id|length_m|insulation|neutral|installation|retired_on|installed_on
            L1-S1|L1|1|L1-T0|L1-T1|80|XLPE|bare|buried|2025-12-01|1980-01-01
            L1-N1|L1|1|L1-T0|L1-T1|82|XLPE|bare|buried|          |2025-12-01
            L2-S1|L2|1|L2-T0|L2-T1|70|XLPE|bare|buried|          |1980-01-01
            L2-N1|L2|1|L2-T0|L2-T1|71|XLPE|bare|buried|          |2026-01-10
            L3-S1|L3|1|L3-T0|L3-T1|60|XLPE|bare|buried|2015-01-01|1980-01-01
            L3-N1|L3|1|L3-T0|L3-T1|61|XLPE|bare|buried|          |2015-01-01
        """,
            "section_pieces": """
            section_id|from_m|to_m|insulation|neutral|installation|installed_on
            L1-N1|20|30|EPR|bare|buried|2025-12-15
        """,
        },
    )
    (one, two, three) = card.loop_chains(basis)
    assert one == [
        "L1", ["~-T0", 0.0, -16, None],
        ["~-N1", 0, 82.0, "~-T1", 0.0, [[0, 20.0], [1, 10.0], [0, 82.0 - 30.0]]],
    ]  # fmt: skip
    assert two[1] == ["~-T0", 0.0, -card.DAYS, 9] and three[1] == ["~-T0", 0.0]
