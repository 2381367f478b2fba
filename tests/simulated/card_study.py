"""The field card against the command: random readings, answered by the card's script in a browser and by dig-window.

python -m tests.simulated.card_study WORKSPACE [--cases 1000] [--seed 1]
"""

from __future__ import annotations

import argparse
import datetime as dt
import math
import tempfile
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
from playwright.sync_api import sync_playwright

from pipelines.locating.window import find_dig_window
from pipelines.locating.window_basis import Asked, Basis, read_basis
from reports.choice import EVERYTHING
from reports.links import NOWHERE
from reports.pages.card import Card, make_cards, render
from reports.pdf import find_browser
from reports.render import frame_of
from reports.results import Results
from shared.errors import UserError
from shared.store import Workspace
from shared.units import M_PER_FT, VELOCITY_PCT

CONVENTIONS = ("percent", "m_per_us", "half_m_per_us", "ft_per_us", "half_ft_per_us")
ODD = ("", "0", "-3", "1,234", "12.3.4", "9e1", "ninety", "0x10", "250000", "NaN", "Infinity", ".", "1,2,3")
"""What may stand in a box and is mostly no number, or none that the card may take."""

SOLVE = """(cases) => cases.map(({ distance, unit, setting, convention, lengths, ...asked }) => {
    const read = (text, size) => (text === "" ? undefined : numberIn(text) * size);
    const size = unit === "ft" ? facts.foot : 1;
    asked.distance = read(distance, size);
    asked.setting = read(setting, facts.conventions[convention]);
    (asked.way || []).forEach((part, i) => { part.route = read(lengths[i], size) ?? Infinity; });
    return answer(asked, facts);
})"""
"""The card's own functions on many cases; an empty box is what the form leaves undefined."""


def draw_case(rng: np.random.Generator, facts: dict[str, Any]) -> dict[str, Any]:
    """What somebody may have put into the form, as its boxes hold it."""

    def typed(value: float) -> str:
        text = str(rng.choice(ODD)) if rng.random() < 0.02 else f"{value:.2f}"
        return text.replace(".", ",") if rng.random() < 0.3 and text not in ODD else text

    unit, convention = str(rng.choice(["m", "ft"])), str(rng.choice(CONVENTIONS))
    size = M_PER_FT if unit == "ft" else 1.0
    days = int(rng.integers(-facts["days"], 500))
    case: dict[str, Any] = {
        "instrument": str(rng.choice(list(facts["instruments"]))),
        "day": "" if rng.random() < 0.3 else str(dt.date.fromisoformat(facts["as_of"]) + dt.timedelta(days=days)),
        "distance": typed(rng.lognormal(4.5, 1.0) / size),
        "unit": unit,
        "setting": typed(rng.uniform(28, 82) / VELOCITY_PCT[convention]),
        "convention": convention,
        "lengths": [],
    }
    if rng.random() < 0.5:
        loop = facts["loops"][int(rng.integers(len(facts["loops"])))]
        start, toward = int(rng.integers(len(loop) - 1)), int(rng.choice([-1, 1]))
        toward = toward if 0 <= start + toward <= len(loop) - 2 else -toward
        return case | {"loop": loop[0], "from": start, "toward": toward}
    classes = rng.integers(0, len(facts["classes"]) - 1, int(rng.integers(1, 4)))
    case["lengths"] = [*(typed(rng.lognormal(4.0, 0.8) / size) for _ in classes[1:]), ""]
    return case | {"way": [{"k": int(k), "tail": 0} for k in classes]}


def read_number(text: str) -> float:
    """A number with a decimal point or comma, or nan."""
    return float(text.replace(",", ".")) if text not in ODD or text.isdigit() else math.nan


def ask_command(basis: Basis, case: dict[str, Any], facts: dict[str, Any]) -> list[float] | None:
    """Corrected distance and the edges of the windows by the command; none where it refuses."""
    size = M_PER_FT if case["unit"] == "ft" else 1.0
    given: dict[str, Any] = {}
    if "loop" in case:
        loop = next(each for each in facts["loops"] if each[0] == case["loop"])
        stops = [loop[1][0], *(section[3] for section in loop[2:])]
        names = [stops[at].replace("~", loop[0], 1) for at in (case["from"], case["from"] + case["toward"])]
        given = dict(zip(("from_terminal", "toward_terminal"), names, strict=True))
    else:
        named = [facts["classes"][part["k"]] for part in case["way"]]
        lengths = [*(read_number(text) * size for text in case["lengths"][:-1]), math.inf]
        given["classes"] = tuple(zip(named, lengths, strict=True))
    asked = Asked(
        distance_m=read_number(case["distance"]) * size,
        velocity_pct=read_number(case["setting"]) * VELOCITY_PCT[case["convention"]],
        instrument_id=case["instrument"] or None,
        on=dt.date.fromisoformat(case["day"]) if case["day"] else None,
        **given,
    )
    try:
        found = find_dig_window(basis, asked, 0.8)
    except UserError:
        return None
    return [found.corrected_m, *(edge for _, *edges in found.windows for edge in edges)]


def ask_card(file: Path, cases: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Answers of the card's script to all cases, in one page."""
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=find_browser(), args=["--no-sandbox", "--disable-gpu"])
        page = browser.new_page()
        page.goto(file.as_uri())
        found: list[dict[str, Any]] = page.evaluate(SOLVE, cases)
        browser.close()
    return found


def run(workspace: Path, folder: Path, cases: int, seed: int) -> tuple[Counter[str], float]:
    """How many cases were answered, refused by both, or referred to the command by the card; the largest difference, m.

    A case that one refuses and the other answers is an infinite difference.
    """
    rng, worst, found = np.random.default_rng(seed), 0.0, Counter[str]()
    with Results(Workspace(workspace).results) as results:
        card: Card = max(make_cards(results, results.known.districts), key=lambda each: len(each.loops))
        file = folder / card.file
        file.write_text(render(card, frame_of(results, EVERYTHING, NOWHERE)), encoding="utf-8")
        drawn, basis = [draw_case(rng, card.facts) for _ in range(cases)], read_basis(results.con)
        for case, by_card in zip(drawn, ask_card(file, drawn), strict=True):
            ask, by_command = by_card.get("ask", ""), ask_command(basis, case, card.facts)
            if ask and (by_command is None or ask.endswith("use the command loopwear dig-window.")):
                found["refused" if by_command is None else "referred"] += 1
            elif ask or by_command is None:
                worst = math.inf
            else:
                ours = [by_card["corrected"], *(edge for w in by_card["windows"] for edge in (w["low"], w["high"]))]
                worst = max(worst, *(abs(a - b) for a, b in zip(ours, by_command, strict=True)))
                found["answered"] += 1
    return found, worst


def main() -> None:
    """Print how far card and command are apart."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("workspace", type=Path)
    asked.add_argument("--cases", type=int, default=1000)
    asked.add_argument("--seed", type=int, default=1)
    given = asked.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        found, worst = run(given.workspace, Path(folder), given.cases, given.seed)
    print(
        f"{found['answered']:,} readings answered, {found['refused']:,} refused by both, {found['referred']:,} "
        f"referred to the command by the card; largest difference {1000 * worst:.4f} mm"
    )


if __name__ == "__main__":
    main()
