"""What the evidence for the ranking costs: seconds of processor for each part, on a workspace that is refreshed.

Run: python -m tests.benchmarks.evaluation_models WORKSPACE
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from pipelines.evaluation import backtest, evaluate
from pipelines.evaluation.backtest_money import CaptureByMoney, price_sections
from pipelines.evaluation.class_rates import rate_units
from pipelines.evaluation.cohorts import list_members
from pipelines.evaluation.ranking_sensitivity import tabulate_sensitivity
from pipelines.evaluation.rule_orders import order_by_rule
from pipelines.ranking import ranking_history
from pipelines.ranking.rank_changes import compare_rankings, take_ranking
from pipelines.survival.history import known_at
from pipelines.survival.model import fit_failure_model
from pipelines.survival.step import read_choices, read_history
from shared.settings import Settings
from shared.store import Workspace, open_warehouse, read_model


def timed(name: str, call: Callable[[], Any], seconds: dict[str, float]) -> Any:
    """Call twice and keep the second time: the first loads modules."""
    call()
    begun = time.process_time()
    found = call()
    seconds[name] = time.process_time() - begun
    return found


def main(folder: Path) -> dict[str, float]:
    """Print and return the seconds of each part."""
    con = open_warehouse(Workspace(folder), read_only=True)
    found = con.execute("select general_as_of from settings.current").fetchone()
    if found is None:
        raise SystemExit("refresh the workspace first")
    settings = Settings().override("general", as_of=found[0])
    history, form = read_history(con, settings), read_choices(con)
    reasons = read_model(con, "staging.sections")[["section_id", "retired_because"]]
    origins, _ = backtest.choose_origins(history, 5.0, 5)
    dates = evaluate.add_last_year(origins, found[0])
    model = fit_failure_model(history, settings, form)
    then = [fit_failure_model(known_at(history, day), settings, form) for day in dates]
    seconds: dict[str, float] = {}
    members = timed("sets picked", lambda: list_members(history, reasons, {}), seconds)
    judged = timed(
        "past models judged",
        lambda: [evaluate.judge_model(history, past, members, dates, settings) for past in then],
        seconds,
    )
    timed("put together", lambda: evaluate.tabulate_judged(history, judged, 0.9), seconds)
    draws = backtest.draw_loops(history.sections["loop_code"].nunique(), 200, np.random.default_rng(0))
    parts = []
    for origin, past in zip(origins, then, strict=False):
        units = backtest.list_units(history, origin, 5.0, past)
        units = units.assign(**rate_units(known_at(history, origin), units))
        parts += [
            (part, origin, 5.0, grain, {rule: order_by_rule(part, rule) for rule in backtest.RULES}, draws)
            for part, grain in ((units, "section"), (backtest.roll_up(units, backtest.RATES), "loop"))
        ]
    measure = CaptureByMoney(price_sections(history.sections, settings.replacement), 6_000.0, 0.9)
    timed("for the same money", lambda: [measure(*part) for part in parts], seconds)
    timed("other readings", lambda: tabulate_sensitivity(history, model, 5.0), seconds)
    kept = timed("kept rankings read", lambda: ranking_history.read_kept(con), seconds)
    now = take_ranking(
        99,
        found[0],
        "",
        {},
        5.0,
        read_model(con, "marts.loop_ranking").assign(expected_class=1.0, failures_shared=0),
        read_model(con, "fitted.section_ranking"),
    )
    timed("rankings compared", lambda: compare_rankings(kept[0], now), seconds)
    for name, took in seconds.items():
        print(f"{name:20s} {took:6.3f} s")
    print(f"{'all':20s} {sum(seconds.values()):6.3f} s of processor, {len(history.sections):,} sections")
    return seconds


if __name__ == "__main__":
    main(Path(sys.argv[1]))
