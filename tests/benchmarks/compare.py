"""How long five scenarios take beside one full refresh of the same fleet.

python -m tests.benchmarks.compare [--sections 10000]

The demo's fleet is made, loaded and refreshed, its budget in proportion to its size; then five settings files are
compared, tables and page written. One of them makes the failure model be fitted again, one moves three settings.
"""

from __future__ import annotations

import argparse
import shutil
import tempfile
import time
from pathlib import Path

from pipelines.investment.step import plan_again, read_outcome
from pipelines.load import load
from pipelines.refresh import refresh
from reports.results import Results
from reports.scenarios import read_scenarios, write_comparison
from shared.settings import Settings
from shared.store import Workspace
from synthetic_data.demo import write_demo

SCENARIOS = {
    "dear": "cost_per_m_buried = 310",
    "half_the_money": "budget = {half}",
    "minutes_twice": "customer_minute_value = 0.6",
    "injection_leaves_half": "injection_multiplier = 0.5",
    "dear_and_long": "cost_per_m_buried = 310\ncable_life_years = 50\ndiscount_rate_pct = 3",
}


def measure_compare(space: Workspace, scratch: Path) -> tuple[float, int]:
    """Seconds of five scenarios from opening the results to the page, and plans that were made."""
    with Results(space.results) as results:
        base = results.settings
        own, again = read_outcome(results.con), plan_again(results.con, base)(base)
        assert again.figures["plan_gain"] == own.figures["plan_gain"], "the base is not planned as the refresh did"
    files = [scratch / f"{name}.toml" for name in SCENARIOS]
    for file, text in zip(files, SCENARIOS.values(), strict=True):
        half = base.replacement.budget / 2
        file.write_text(f"[replacement]\n{text.format(half=half)}\n", encoding="utf-8")
    said: list[str] = []
    begun = time.perf_counter()
    with Results(space.results) as results:
        given = read_scenarios(results.settings, files, said.append)
        write_comparison(results, scratch / "scenarios", given, "five", said.append)
    return time.perf_counter() - begun, len(said)


def main(sections: int = 10_000) -> float:
    """Print seconds of both; returns those of the scenarios over those of the refresh."""
    folder = Path(tempfile.mkdtemp(prefix="loopwear-compare-"))
    try:
        space, settings = Workspace(folder / "space"), Settings()
        settings = settings.override("replacement", budget=settings.replacement.budget * sections / 10_000)
        for paths, mapping in write_demo(folder / "demo", loops=max(5, sections // 11)).loads:
            load(space, list(paths), settings, mapping)
        begun = time.perf_counter()
        refresh(space, settings)
        whole = time.perf_counter() - begun
        five, plans = measure_compare(space, folder)
        with Results(space.results) as results:
            in_service = int(read_outcome(results.con).figures["sections_in_service"])
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    print(
        f"{in_service:,} sections in service: refresh {whole:.1f} s; five scenarios, {plans} plans and two fits, "
        f"{five:.1f} s, {five / whole:.2f} of it (wall)"
    )
    return five / whole


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sections", type=int, default=10_000)
    main(parser.parse_args().sections)
