"""What changed since the last run: the key figures of the run before beside those of this one."""

import json
from pathlib import Path
from typing import Any

from reports import style
from reports.marts import Marts
from reports.words import Words
from shared.settings import Settings

FILE = "last_figures.json"
"""Kept beside the pages: the figures of this run, and of the last one that had others."""

FIRST_LOOPS = 10

VERDICTS = Words("locating").text("verdicts")

PROGRAMME_WORDS = {
    "programme_sections": ("The sections of the first year's work went from {} to {}.", 0),
    "programme_spent": ("The cost of the first year's work went from {} to {}.", 0),
    "programme_gain": ("The cost that the first year's work avoids went from {} to {}.", 0),
}
"""Figures of the programme that are compared, with their sentences and decimals."""


def key_figures(marts: Marts, settings: Settings) -> dict[str, Any]:
    """The figures that are compared from run to run; a table without rows gives none."""
    figures: dict[str, Any] = {"as_of": str(settings.general.as_of)}
    figures["settings"] = {key: value for key, value in settings.flat().items() if isinstance(value, int | float)}
    money = marts.read("marts.replacement_figures").set_index("figure")["amount"]
    for figure in PROGRAMME_WORDS:
        figures[figure] = round(float(money[figure]), 2) if figure in money.index else None
    for stem in ("jobs", "sections", "loops"):
        figures[stem] = len(marts.read(f"staging.{stem}"))
    summary = marts.read("marts.restoration_summary")
    whole = summary[summary["grouped_by"] == "all"]
    for what in ("locate", "restore"):
        mean = whole[f"mean_time_to_{what}_min"].dropna()
        figures[f"time_to_{what}"] = round(float(mean.iloc[0]), 2) if len(mean) else None
    ranking = marts.read("marts.loop_ranking")
    ranking = ranking.sort_values(["rank", "loop_id"]) if len(ranking) else ranking
    figures["first_loops"] = ranking["loop_id"].head(FIRST_LOOPS).tolist()
    figures["expected_failures"] = round(float(ranking["expected_failures"].sum()), 2) if len(ranking) else None
    for name, table, key in (
        ("class_verdicts", "marts.velocity_by_class", "cable_class"),
        ("instrument_verdicts", "marts.instrument_bias", "instrument_id"),
    ):
        rows = marts.read(table)
        figures[name] = dict(zip(rows[key].tolist(), rows["verdict"].tolist(), strict=True))
    return figures


def remember(folder: Path, now: dict[str, Any]) -> tuple[dict[str, Any] | None, str]:
    """The figures to compare with, and the text to keep for the next run.

    Parameters
    ----------
    folder
        Folder of the pages.
    now
        Figures of this run.

    Returns
    -------
    tuple
        Figures of the last run that had others (none: there was none), and the new content of FILE.

    Notes
    -----
    A run that changes nothing leaves the comparison as it was, so the same input gives the same bytes.
    A file that cannot be read counts as no earlier run.

    Checked by: tests/unit/test_reports_changes.py
    """
    try:
        kept = json.loads((folder / FILE).read_text(encoding="utf-8"))
        current, before = kept["now"], kept["before"]
    except (OSError, ValueError, KeyError, TypeError):
        current, before = None, None
    if current is not None and current != now:
        before = current
    return before, json.dumps({"now": now, "before": before}, indent=1, sort_keys=True) + "\n"


def in_words(before: dict[str, Any] | None, now: dict[str, Any]) -> tuple[str, ...]:
    """What changed, a sentence each."""
    if before is None:
        return ("No earlier run of this workspace had other figures, so there is nothing to compare with.",)
    said = [f"Compared with the run as of {before.get('as_of')}; this one is as of {now['as_of']}."]
    old_settings = before.get("settings", now["settings"])
    turned = [
        f"{key.replace('_', '.', 1)} from {old_settings[key]} to {value}"
        for key, value in now["settings"].items()
        if old_settings.get(key, value) != value  # a key the earlier version did not have is no change
    ]
    if turned:
        said.append(f"Settings changed: {', '.join(turned)}.")
    for stem, noun in (("jobs", "closed job"), ("sections", "section"), ("loops", "loop")):
        more = now[stem] - before.get(stem, 0)
        if more:
            said.append(f"{style.counted(abs(more), noun)} {'more' if more > 0 else 'fewer'}: {now[stem]:,} now.")
    for key, words, decimals in (
        ("time_to_locate", "The mean time to locate went from {} to {} minutes.", 1),
        ("time_to_restore", "The mean time to restore went from {} to {} minutes.", 1),
        ("expected_failures", "The failures expected over the horizon went from {} to {}.", 1),
        *((figure, words, decimals) for figure, (words, decimals) in PROGRAMME_WORDS.items()),
    ):
        if key not in before:
            continue
        old, new = style.number(before.get(key), decimals), style.number(now[key], decimals)
        if old != new:
            said.append(words.format(old, new))
    came = [loop for loop in now["first_loops"] if loop not in before.get("first_loops", [])]
    went = [loop for loop in before.get("first_loops", []) if loop not in now["first_loops"]]
    if came or went:
        said.append(
            f"Among the first {FIRST_LOOPS} loops, new: {', '.join(came) or 'none'}; gone: {', '.join(went) or 'none'}."
        )
    for name in ("class_verdicts", "instrument_verdicts"):
        for key, verdict in now[name].items():
            old = before.get(name, {}).get(key)
            if old != verdict:
                said.append(f"{key} is now {VERDICTS[verdict]} ({VERDICTS.get(old, 'not judged')} before).")
    return tuple(said) if len(said) > 1 else (f"{said[0]} None of the key figures moved.",)
