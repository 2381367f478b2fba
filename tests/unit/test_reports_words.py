"""How texts are filled in, and what a page learns of the judgements that a mart wrote."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path

import pandas as pd
import pytest

from reports import marts, words
from reports.words import Words
from tests.report_marts import Given

WORDS = Path(words.__file__).parent / "words"


@pytest.fixture
def say(monkeypatch: pytest.MonkeyPatch) -> Words:
    table = {
        "a": {
            "jobs": "{n:counted job} {n:one is|are} in {row[place]}.",
            "limits": "{lo:1} to {hi:percent 1}, {of:share 1}, {swing:pct}",
            "ends": "{row:limits mean 1}; {row:limits share 0 %}",
            "verdict": "It is {judged:by better=better than|level=level with} it.",
            "units": "{length:q km|1} for {spent:money {currency}} in {minutes:duration}",
        }
    }
    monkeypatch.setattr(words, "_read", lambda _: table)
    return Words("any")


def test_fields_are_written_as_their_format_says(say: Words) -> None:
    assert say("a.jobs", n=1, row={"place": "Alder"}) == "1 job is in Alder."
    assert say("a.jobs", n=1204, row={"place": "Alder"}) == "1,204 jobs are in Alder."
    limits = say("a.limits", lo=3.14, hi=0.0625, of=0.123, swing=12.4).replace("\u00a0", " ").replace("\u202f", " ")
    assert limits == "3.1 to 6.2 %, 12.3, 12 %"
    assert (
        say("a.units", length=1.25, spent=60_500, currency="USD", minutes=90)
        == "⟦1.25|km|1⟧ for USD 60,500 in 1.5 hours"
    )
    assert say("a.units", length=1, spent=1, currency="USD", minutes=2880).endswith("in 2.0 days")


def test_limits_are_those_of_a_row_or_said_to_be_unknown(say: Words) -> None:
    row = pd.Series({"mean_lo": 3.14, "mean_hi": 5.0, "share_lo": 0.1, "share_hi": 0.25})
    rows = [row, next(row.to_frame().T.itertuples())]
    assert [say("a.ends", row=one).replace("\u00a0", " ").replace("\u202f", " ") for one in rows] == [
        "3.1 to 5.0; 10 to 25 %"
    ] * 2
    few = "too few days or storms for limits"
    assert say("a.ends", row=row.replace({5.0: math.nan, 0.1: math.nan})) == f"{few}; {few}"


def test_words_are_chosen_by_the_code_of_a_judgement(say: Words) -> None:
    assert say("a.verdict", judged="level") == "It is level with it."
    assert say("a.verdict", judged=None) == "It is – it."
    with pytest.raises(KeyError):
        say("a.verdict", judged="unheard_of")


def test_a_key_that_is_false_is_left_out(say: Words) -> None:
    assert say("a.verdict", None, False, "a.jobs", judged="better", n=2, row={"place": "B"}) == (
        "It is better than it. 2 jobs are in B."
    )


def test_figures_and_judgements_are_read_by_name_and_group() -> None:
    rows = pd.DataFrame(
        {
            "figure": ["share", "capture", "shape", "shape", "none"],
            "group_name": ["", "", "A", "B", ""],
            "amount": [0.5, math.nan, 2.0, 1.0, math.nan],
            "judged": [None, "better", "grows", None, None],
        }
    )
    found = marts.judged(Given({"marts.survival_findings": rows}), "survival")
    assert (found["share"], found["capture"], found["none"], found["unheard_of"]) == (0.5, "better", None, None)
    assert (found.of("shape", "A"), found.of("shape", "B"), found.of("shape", "C")) == ("grows", 1.0, None)


@pytest.mark.parametrize("path", sorted(WORDS.glob("*.toml")), ids=lambda path: path.stem)
def test_every_text_of_every_page_has_sound_braces(path: Path) -> None:
    def texts(table: dict) -> list[str]:
        nested = [texts(v) for v in table.values() if isinstance(v, dict)]
        return [v for v in table.values() if isinstance(v, str)] + [t for part in nested for t in part]

    for text in texts(tomllib.loads(path.read_text(encoding="utf-8"))):
        assert all(name is None or name for _, name, _, _ in words._Fields().parse(text)), text
