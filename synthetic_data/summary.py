"""What was drawn, counted, beside what was meant."""

import pandas as pd

from shared.units import DAYS_PER_YEAR
from synthetic_data import truth
from synthetic_data.demo import Utility, make_utility

BLOCKS = ((2006, 240), (2011, 313), (2016, 372), (2021, 479))
"""First year of each five, and the body failures meant for it at 900 loops without programmes."""
AT_LEAST = ((1, 1018), (2, 247), (3, 81))
"""Sections with so many body failures or more, meant at 900 loops without programmes."""
LAST_RATES = (49.0, 16.0, 2.8, 0.2, 0.6)
"""Body failures per 100 km and year of 2021 to 2025 meant for the classes in their order."""
LOOPS_MEANT = 900


def count_blocks(utility: Utility) -> list[int]:
    """Body failures in each block of five years from 2006."""
    failures = utility.truths["failures"]
    year = failures.loc[failures["kind"] == "body", "failed_at"].dt.year
    return [int(year.between(first, first + 4).sum()) for first, _ in BLOCKS]


def count_repeaters(utility: Utility) -> list[int]:
    """Sections with at least one, two, three body failures."""
    failures = utility.truths["failures"]
    each = failures.loc[failures["kind"] == "body", "section_id"].value_counts()
    return [int((each >= least).sum()) for least, _ in AT_LEAST]


def rates_of_last_years(utility: Utility) -> pd.DataFrame:
    """Body failures and rate per 100 km and year of each class, 2021 to 2025."""
    sections, failures = utility.truths["sections"], utility.truths["failures"]
    start, end = pd.Timestamp("2021-01-01"), pd.Timestamp("2026-01-01")
    begin = sections["installed_on"].where(sections["installed_on"] > start, start)
    stop = sections["retired_on"].where(sections["retired_on"] < end, end)
    years = ((stop - begin).dt.total_seconds() / 86400 / DAYS_PER_YEAR).clip(lower=0)
    exposure = (years * sections["length_m"] / 1000).groupby(sections["cable_class"]).sum()
    late = failures[(failures["kind"] == "body") & (failures["failed_at"] >= start.tz_localize("UTC"))]
    counts = late["section_id"].map(sections.set_index("section_id")["cable_class"]).value_counts()
    names = [c.name for c in truth.CLASSES]
    table = pd.DataFrame({"failures": counts.reindex(names, fill_value=0), "km_years": exposure.reindex(names)})
    return table.assign(rate=100 * table["failures"] / table["km_years"])


def summarise(loops: int, seed: int) -> str:
    """The figures as text: plain fleet (no programmes, no districts or vintages) beside what was meant, then the demo.

    Checked by: tests/simulated/test_synthetic_recovery.py
    """
    share = loops / LOOPS_MEANT
    plain = make_utility(loops, seed, with_programmes=False, with_stories=False)
    lines = [
        f"{truth.UTILITY} (invented): {loops} loops, seed {seed}",
        "",
        "without programmes, districts, vintages: drawn (meant at this size)",
    ]
    sections = plain.truths["sections"]
    lines.append(
        f"  sections {len(sections):,} ({9600 * share:,.0f}), km {sections['length_m'].sum() / 1000:,.0f} "
        f"({900 * share:,.0f})"
    )
    lines += [
        f"  body failures {first}-{first + 4}: {drawn} ({meant * share:.0f})"
        for drawn, (first, meant) in zip(count_blocks(plain), BLOCKS, strict=True)
    ]
    lines += [
        f"  sections with {least} or more: {drawn} ({meant * share:.0f})"
        for drawn, (least, meant) in zip(count_repeaters(plain), AT_LEAST, strict=True)
    ]
    rates = rates_of_last_years(plain)
    lines += [
        f"  {name}: {row['rate']:.1f} per 100 km and year, {row['failures']:.0f} failures ({meant})"
        for (name, row), meant in zip(rates.iterrows(), LAST_RATES, strict=False)
    ]
    kinds = plain.truths["failures"]["kind"].value_counts()
    lines.append(
        "  "
        + ", ".join(f"{kind} {kinds.get(kind, 0)}" for kind in kinds.index)
        + f"; in all {len(plain.truths['failures'])} ({2000 * share:.0f} to {2200 * share:.0f})"
    )
    return "\n".join([*lines, "", "the demo, before its errors", *_demo_lines(make_utility(loops, seed))])


def _demo_lines(utility: Utility) -> list[str]:
    jobs, sections = utility.tables["jobs"], utility.truths["sections"]
    hours = (jobs["restored_at"] - jobs["reported_at"]).dt.total_seconds() / 3600
    radial = jobs["loop_id"].map(utility.tables["loops"].set_index("loop_id")["configuration"]) == "radial"
    abnormal = (jobs["normal_at"] - jobs["reported_at"]).dt.total_seconds() / 86400
    locate = (jobs["located_at"] - jobs["arrived_at"]).dt.total_seconds() / 60
    read, dug = jobs["estimated_distance_m"].notna(), jobs["dug_distance_m"].notna()
    replaced = utility.tables["sections"].groupby("retired_because")["length_m"].sum() / 1000
    injected = sections.loc[sections["rejuvenated_on"].notna(), "length_m"].sum() / 1000
    kinds = utility.truths["failures"]["kind"].value_counts()
    return [
        f"  failures {len(utility.truths['failures'])}: " + ", ".join(f"{k} {n}" for k, n in kinds.items()),
        f"  body failures by five years from 2006: {count_blocks(utility)}",
        f"  closed jobs {len(jobs)}, with a reading {int(read.sum())}, and dug {int((read & dug).sum())}",
        "  km retired: " + ", ".join(f"{k} {v:.1f}" for k, v in replaced.items()) + f"; km injected {injected:.1f}",
        f"  restored: loop {hours[~radial].mean():.2f} h, radial {hours[radial].mean():.2f} h",
        f"  located {locate.mean():.0f} min after arrival",
        f"  abnormal for more than 10 days: {(abnormal > 10).mean():.1%} (about 11 %)",
    ]
