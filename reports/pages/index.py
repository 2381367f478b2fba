"""The first page: what needs attention, three questions, three answers, a small chart each."""

import pandas as pd
from markupsafe import Markup

from reports.figures.small import bars
from reports.marts import Marts
from reports.page import Page
from reports.words import Words
from shared.settings import Settings

say = Words("index")

BARS = 5
"""Bars of a small chart at most."""


def build(marts: Marts, settings: Settings) -> Page:
    """The index; the answers come from the pages they link to."""
    del marts, settings
    return Page(key="index", title=say("title"), question=say("question"), summary=(), sections=())


def attention(marts: Marts) -> tuple[str, ...]:
    """What a person should look at first: instruments out of tolerance, rows and decisions that wait.

    Checked by: tests/unit/test_reports_index.py
    """
    bias, found = marts.read("marts.instrument_bias"), marts.read("marts.quarantine")
    out = bias.loc[bias["verdict"] == "out_of_tolerance", "instrument_id"].tolist()
    rejected = found[found["severity"] == "reject"]
    rows = len(rejected.drop_duplicates(["batch", "table", "file", "row_number"]))
    pairs = marts.read("marts.job_clusters")
    undecided = int((pairs["cluster_decision"].fillna("") == "").sum())
    proposed = marts.read("marts.proposed_corrections")
    open_ = int((proposed["decision"].fillna("") == "").sum())
    return tuple(
        said
        for said in (
            say(bool(out) and "instruments", n=len(out), named=", ".join(out[:6])),
            say(rows > 0 and "rejected", n=rows),
            say(undecided > 0 and "duplicates", n=undecided),
            say(open_ > 0 and "corrections", n=open_),
        )
        if said
    )


def charts(marts: Marts) -> dict[str, Markup]:
    """A small chart for each answer, by the page it leads to."""
    loops = marts.read("marts.loop_ranking").sort_values(["rank", "loop_id"]).head(BARS)
    stages = marts.read("marts.restoration_stages")
    years = stages[(stages["grouped_by"] == "year") & (stages["stage"] == "report_to_restore")]
    velocities = marts.read("marts.velocity_by_class").sort_values(["readings", "cable_class"], ascending=[False, True])
    off = velocities.dropna(subset=["bias_points"]).head(BARS)
    return {
        "replacement": chart("loops", loops["loop_id"], loops["expected_rate_per_100km_year"], 1),
        "restoration": chart("years", years["group_name"].tail(BARS), years["mean_min"].tail(BARS), 0),
        "locating": chart("classes", off["cable_class"], off["bias_points"], 1),
    }


def chart(key: str, names: pd.Series, values: pd.Series, decimals: int) -> Markup:
    """A small chart with its heading."""
    return bars(say(f"{key}.heading"), names.tolist(), values.tolist(), decimals)
