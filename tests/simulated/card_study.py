"""The field card against the commands: random readings and searches, answered by the card's script in a browser, by
dig-window and by search-sequence.

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
from pipelines.ranking.search_sequence import Evidence, SearchSequence, plan_loop
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
    asked.pulse = read(asked.pulse, 1);
    asked.sampling = read(asked.sampling, 1);
    (asked.way || []).forEach((part, i) => { part.route = read(lengths[i], size) ?? Infinity; });
    return answer(asked, facts);
})"""
"""The card's own functions on many cases; an empty box is what the form leaves undefined."""

SEARCH = """(cases) => cases.map((asked) => {
    const reading = answer(asked, facts);
    return planSearch({ ...asked, window: { ...asked, ...reading.windows.find(({ level }) => level === 0.8) } }, facts);
})"""
"""The card's own order of tests for many cases, each with a reading that it answers."""


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
        "pulse": str(rng.choice(["", "", "20", "100", "500"])),
        "sampling": str(rng.choice(["", "", "0.1", "1,5", "4"])),
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
        pulse_ns=read_number(case["pulse"]) if case["pulse"] else None,
        sampling_m=read_number(case["sampling"]) if case["sampling"] else None,
        **given,
    )
    try:
        found = find_dig_window(basis, asked, 0.8)
    except UserError:
        return None
    return [found.corrected_m, *(edge for _, *edges in found.windows for edge in edges)]


def draw_search(rng: np.random.Generator, facts: dict[str, Any]) -> dict[str, Any]:
    """A half-loop with some indicators looked at and a reading along its loop."""
    place = int(rng.choice([k for k, halves in enumerate(facts["halves"]) if halves]))
    half, stops = int(rng.integers(len(facts["halves"][place]))), len(facts["loops"][place]) - 1
    start = int(rng.integers(stops - 1))
    case: dict[str, Any] = {"loop": facts["loops"][place][0], "half": half, "day": "", "instrument": ""}
    for name in ("tripped", "untripped"):
        if rng.random() < 0.5:
            case[name] = int(rng.integers(len(facts["halves"][place][half][3]) + 1))
    return case | {"from": start, "toward": 1, "distance": rng.uniform(20, 400), "setting": 52.0}


def plan_case(results: Results, basis: Basis, case: dict[str, Any], facts: dict[str, Any]) -> SearchSequence:
    """The same search as search-sequence plans it."""
    place = next(k for k, loop in enumerate(facts["loops"]) if loop[0] == case["loop"])
    loop, (name, source, opened, _) = facts["loops"][place], facts["halves"][place][case["half"]]
    stops = [stop.replace("~", loop[0], 1) for stop in (loop[1][0], *(section[3] for section in loop[2:]))]
    own = stops[source : opened + 1] if opened > source else stops[opened : source + 1][::-1]
    ends = stops[case["from"]], stops[case["from"] + 1]
    asked = Asked(case["distance"], *ends, velocity_pct=case["setting"])
    window = (*ends, *next(edges for level, *edges in find_dig_window(basis, asked, 0.8).windows if level == 0.8))
    seen = [(own[case[which]],) if which in case else () for which in ("tripped", "untripped")]
    read = results.whole.read_only
    strip, terminals = (read(name, "loop_id", [loop[0]]) for name in ("marts.loop_strips", "staging.terminals"))
    evidence = Evidence(*seen, window if set(ends) <= set(own) else None)
    return plan_loop(strip, terminals, results.settings, half=name.partition("/")[2] or None, evidence=evidence)[0]


def run_searches(results: Results, card: Card, file: Path, cases: int, seed: int) -> tuple[Counter[str], float]:
    """How many searches were planned by both, or without the reading by the card where the command refuses it; the
    largest difference in a chance or in the expected tests.
    """
    rng, worst, found, basis = np.random.default_rng(seed), 0.0, Counter[str](), read_basis(results.con)
    drawn = [draw_search(rng, card.facts) for _ in range(cases)]
    for case, by_card in zip(drawn, ask_card(file, drawn, SEARCH), strict=True):
        try:
            planned = plan_case(results, basis, case, card.facts)
        except UserError:
            found["refused"] += 1
            worst = math.inf if by_card["is_weighed"] else worst
            continue
        found["weighed" if by_card["is_weighed"] else "planned"] += 1
        apart = np.abs(planned.chain.chances - by_card["chances"]).max()
        worst = max(worst, float(apart), abs(by_card["tests"] - planned.expected.loc["this_order", "tests"]))
    return found, worst


def ask_card(file: Path, cases: list[dict[str, Any]], script: str = SOLVE) -> list[dict[str, Any]]:
    """Answers of the card's script to all cases, in one page."""
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=find_browser(), args=["--no-sandbox", "--disable-gpu"])
        page = browser.new_page()
        page.goto(file.as_uri())
        found: list[dict[str, Any]] = page.evaluate(script, cases)
        browser.close()
    return found


def run(workspace: Path, folder: Path, cases: int, seed: int) -> tuple[Counter[str], float, Counter[str], float]:
    """How many cases were answered, refused by both, or referred to the command by the card; the largest difference, m.

    A case that one refuses and the other answers is an infinite difference. Then run_searches of a quarter as many.
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
        return found, worst, *run_searches(results, card, file, cases // 4, seed)


def main() -> None:
    """Print how far card and command are apart."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("workspace", type=Path)
    asked.add_argument("--cases", type=int, default=1000)
    asked.add_argument("--seed", type=int, default=1)
    given = asked.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        found, worst, searches, apart = run(given.workspace, Path(folder), given.cases, given.seed)
    print(
        f"{found['answered']:,} readings answered, {found['refused']:,} refused by both, {found['referred']:,} "
        f"referred to the command by the card; largest difference {1000 * worst:.4f} mm"
    )
    print(
        f"{searches['weighed']:,} orders of tests with a reading weighed, {searches['planned']:,} without, in "
        f"{searches['refused']:,} the command refuses the reading and the card leaves it out; largest difference in a "
        f"chance or in the expected tests {apart:.5f}"
    )


if __name__ == "__main__":
    main()
