"""Dig windows of next year's digs on invented worlds, asked as a person would ask them; and drifts told from chance.

python -m tests.simulated.windows_study [--worlds 200] [--notice 40] [--seed 1]
"""

from __future__ import annotations

import argparse
import itertools
from dataclasses import replace

import duckdb
import numpy as np
import pandas as pd

from pipelines import warehouse
from pipelines.intake.raw import ensure_raw_tables
from pipelines.locating.correction import ALONG, BY_CLASS
from pipelines.locating.readings import select_readings
from pipelines.locating.step import fit_before, fit_tables, read_inputs, reading_facts
from pipelines.locating.window import find_dig_window
from pipelines.locating.window_basis import Asked, read_basis
from shared import dictionary
from shared.errors import UserError
from shared.settings import Settings
from shared.store import LAYERS, write_settings, write_tables
from tests.conftest import write_raw
from tests.locating_worlds import CLASSES, Drawn, World, class_name, draw_world, instrument_ids

BANDS_M = (0.0, 30.0, 60.0, 100.0, 200.0, np.inf)
TAILS = ("known", "absent")
KINDS = (
    "tails known",
    "tails absent",
    "tails unknown",
    "tails wrong",
    "drift",
    "steps",
    "resets",
    "one class",
    "few records",
)


def draw_kind(kind: str, rng: np.random.Generator) -> World:
    """Parameters of a world of a kind: what it is named for, the rest as usual."""
    sign = rng.choice([-1.0, 1.0], 2)
    base = World(tails=str(rng.choice(TAILS)), section_sd=rng.uniform(0.006, 0.016), noise=rng.uniform(0.012, 0.022))
    if kind.startswith("tails "):
        return replace(base, tails=kind.removeprefix("tails "))
    return {
        "drift": replace(base, drift={0: (sign[0] * rng.uniform(0.006, 0.010), rng.uniform(1.0, 4.5))}),
        "steps": replace(base, step={0: (sign[0] * rng.uniform(0.015, 0.03), rng.uniform(1.0, 5.5))}),
        "resets": replace(
            base,
            drift={0: (sign[0] * rng.uniform(0.006, 0.010), rng.uniform(0.0, 1.0))},
            step={1: (sign[1] * rng.uniform(0.015, 0.03), rng.uniform(0.5, 2.5))},
            calibrated={0: rng.uniform(3.5, 5.5), 1: rng.uniform(3.0, 5.5), 2: rng.uniform(3.0, 5.5)},
            resets=True,
            cures=True,
        ),
        "one class": replace(base, one_class=True),
        "few records": replace(base, digs=60),
    }[kind]


def fill_warehouse(drawn: Drawn) -> tuple[duckdb.DuckDBPyConnection, Settings]:
    """A warehouse in memory with the world's records, and its readings laid along their ways."""
    con = duckdb.connect(":memory:")
    con.execute("set TimeZone = 'UTC'")
    for layer in LAYERS:
        con.execute(f"create schema {layer}")
    ensure_raw_tables(con)
    for stem in dictionary.source_tables():
        write_raw(con, stem, drawn.files.get(stem, pd.DataFrame()))
    settings = stand_on(con, drawn.as_of)
    return con, settings


def stand_on(con: duckdb.DuckDBPyConnection, day: pd.Timestamp) -> Settings:
    """Build the readings anew as of a day."""
    settings = Settings().override("general", as_of=day.date())
    write_settings(con, settings)
    wanted = {name for name in warehouse.models() if name.startswith(("staging.", "core.locating_"))}
    warehouse.build_models(con, "staging", "core", commented=False, only=wanted)
    return settings


def as_typed(dig: pd.Series, way: str) -> Asked:
    """What the crew would type of a dig."""
    return Asked(
        distance_m=dig["displayed_distance_m"],
        from_terminal=dig["test_terminal_id"] if way == ALONG else None,
        toward_terminal=dig["toward_terminal_id"] if way == ALONG else None,
        classes=dig["class_path"] if way == BY_CLASS else (),
        instrument_id=dig["instrument_id"],
        velocity_pct=dig["velocity_setting_pct"],
        on=dig["read_at"].date(),
    )


def ask_all(con: duckdb.DuckDBPyConnection, settings: Settings, digs: pd.DataFrame) -> pd.DataFrame:
    """Every dig asked each way: a row a dig, way and level, or a refusal."""
    rows, basis = [], read_basis(con)
    for _, dig in digs.iterrows():
        for way in (ALONG, BY_CLASS):
            asked = {"way": way, **dig[["job_id", "route_m", "dug_distance_m", "is_gross", "instrument_id"]]}
            asked["cable_class"] = dig["class_path"][-1][0]
            try:
                window = find_dig_window(basis, as_typed(dig, way), settings.locating.window_coverage)
            except UserError as refused:
                rows.append({**asked, "level": np.nan, "refused": refused.what})
                continue
            for level, low, high in window.windows:
                rows.append({**asked, "level": level, "corrected_m": window.corrected_m, "lo_m": low, "hi_m": high})
    return pd.DataFrame(rows)


def kinds_of_instruments(world: World) -> pd.Series:
    """What each instrument does in time; index instrument_id."""
    names = pd.Series("steady", index=instrument_ids(world))
    for said, which in (("drifts", world.drift), ("stepped", world.step)):
        names.iloc[list(which)] = said
    if world.resets:
        names.iloc[list(world.calibrated)] = "calibrated"
    if world.one_class:
        names.iloc[-1] = "one class"
    return names


Found = dict[str, pd.DataFrame]
"""windows, proposals, drift and quoted (the back-test that stands beside the windows) of a world."""


def try_world(kind: str, seed: int, number: int) -> Found:
    """A world of a kind, fitted and asked."""
    rng = np.random.default_rng([seed, number])
    drawn = draw_world(draw_kind(kind, rng), rng)
    con, settings = fill_warehouse(drawn)
    frames = fit_tables(read_inputs(con), settings)
    write_tables(con, frames)
    own = kinds_of_instruments(drawn.world)
    quoted = frames["marts.window_coverage"]
    found = {
        "windows": ask_all(con, settings, drawn.ahead),
        "proposals": score_proposals(drawn, frames["marts.setting_proposals"]),
        "drift": frames["marts.instrument_drift"][["instrument_id", "drift_verdict"]],
        "quoted": quoted[quoted["grouped_by"] == "all"],
    }
    con.close()
    named = {name: frame.assign(world=number, kind=kind) for name, frame in found.items()}
    for name in ("windows", "proposals", "drift"):
        named[name]["instrument_kind"] = named[name]["instrument_id"].map(own)
    return named


def score_proposals(drawn: Drawn, proposals: pd.DataFrame) -> pd.DataFrame:
    """Proposed settings beside those that are right on the last day of the records."""
    world = drawn.world
    names = pd.Series(range(world.instruments), index=instrument_ids(world))
    classes = pd.Series(range(len(CLASSES)), index=[class_name(k) for k in range(len(CLASSES))])
    right = drawn.truth.setting_at(
        proposals["instrument_id"].map(names).to_numpy(),
        proposals["cable_class"].map(classes).to_numpy(),
        np.full(len(proposals), float(world.years)),
    )
    inside = proposals["setting_proposed_lo"].le(right) & proposals["setting_proposed_hi"].ge(right)
    return proposals[["instrument_id", "cable_class", "digs"]].assign(
        error_pct=100 * (proposals["setting_proposed_pct"] / right - 1),
        reach_pct=50 * (proposals["setting_proposed_hi"] - proposals["setting_proposed_lo"]) / right,
        is_inside=inside,
    )


def notice_drift(seed: int, number: int) -> dict[str, object]:
    """Years from the start of a drift of 0.8 % a year until a yearly refit calls the instrument moved, and drifting.

    Not within six years: infinite. is_false: some refit called a stable instrument drifting.
    """
    rng = np.random.default_rng([seed, 7, number])
    start, rate = 3.0 + rng.random(), 0.008 * float(rng.choice([-1.0, 1.0]))
    world = World(years=9, digs=1050, digs_ahead=0, drift={0: (rate, start)}, tails=str(rng.choice(TAILS)))
    drawn = draw_world(world, rng)
    con, _ = fill_warehouse(drawn)
    moved = drifting = np.inf
    is_false = False
    for year in range(2, world.years + 1):
        settings = stand_on(con, drawn.day(year) - pd.Timedelta(days=1))
        inputs = read_inputs(con)
        readings = select_readings(inputs.readings, inputs.paths, inputs.runs)
        found = fit_before(inputs, settings, readings, reading_facts(readings, inputs), inputs.as_of)
        verdicts = found.levels.verdict(
            found.fit.quantile(settings.general.interval_coverage), settings.locating.tolerance_pct / 100
        )
        own = verdicts[0] if year > start else "steady"
        moved = min(moved, year - start if own in ("drifting", "stepped") else np.inf)
        drifting = min(drifting, year - start if own == "drifting" else np.inf)
        is_false |= "drifting" in verdicts[1 if year > start else 0 :]
    con.close()
    return {"moved": moved, "drifting": drifting, "is_false": is_false}


# ---- what is printed


def judge_windows(asked: pd.DataFrame) -> pd.DataFrame:
    """Whether windows held the place recorded and the true one, and how many half widths the error was."""
    found = asked[asked["level"].notna()].copy()
    for name, place in (("recorded", found["dug_distance_m"]), ("true", found["route_m"])):
        found[f"held_{name}"] = (place >= found["lo_m"]) & (place <= found["hi_m"])
    error = found["dug_distance_m"] - found["corrected_m"]
    reach = np.where(error > 0, found["hi_m"] - found["corrected_m"], found["corrected_m"] - found["lo_m"])
    found["half_widths"] = error.abs() / np.maximum(reach, 1e-6)
    found["width_m"] = found["hi_m"] - found["lo_m"]
    names = [f"{low:.0f} to {high:.0f} m" for low, high in itertools.pairwise(BANDS_M[:-1])]
    found["band"] = pd.cut(
        found["route_m"], list(BANDS_M), right=False, labels=[*names, f"{BANDS_M[-2]:.0f} m and more"]
    )
    return found


def coverage_by(found: pd.DataFrame, *groups: str) -> pd.DataFrame:
    """Coverage of each level in percent, of places recorded and true, and the median width of 80 % windows."""
    keys = [*groups]
    held = found.pivot_table(
        index=keys, columns="level", values=["held_recorded", "held_true"], aggfunc="mean", observed=True
    )
    held = held.mul(100).round(1)
    held.columns = [f"{'rec' if name == 'held_recorded' else 'true'} {level:.0%}" for name, level in held.columns]
    at_80 = found[found["level"] == 0.8].groupby(keys, observed=True)
    held.insert(0, "digs", at_80.size())
    return held.assign(
        width_80_m=at_80["width_m"].median().round(2), factor_80=at_80["half_widths"].quantile(0.8).round(2)
    )


def print_windows(asked: pd.DataFrame) -> None:
    """Coverage tables, tails known or absent apart from unknown and wrong ones."""
    found = judge_windows(asked)
    refused = asked[asked["level"].isna()]
    if len(refused):
        print(f"\nno window: {len(refused)}\n{refused.groupby('refused').size().to_string()}")
    known = ~found["kind"].isin(["tails unknown", "tails wrong"])
    sound, unsound = found[known], found[~known]
    for title, rows, groups in (
        ("by kind of world", found, ("way", "kind")),
        ("tails known or absent: all", sound, ("way",)),
        ("tails known or absent: right readings (no gross error)", sound[~sound["is_gross"]], ("way",)),
        ("tails known or absent: by class", sound, ("way", "cable_class")),
        ("tails known or absent: by distance band", sound, ("way", "band")),
        ("tails known or absent: by kind of instrument", sound, ("way", "instrument_kind")),
        ("tails unknown or wrong: by distance band", unsound, ("way", "kind", "band")),
    ):
        if len(rows):
            print(f"\n{title}\n{coverage_by(rows, *groups).to_string()}")


def print_proposals(proposals: pd.DataFrame) -> None:
    """How near the proposals are to the settings right today, and how often within their 90 % limits."""
    by = proposals.groupby(["instrument_kind", "kind"])
    table = pd.DataFrame(
        {
            "proposals": by.size(),
            "inside_pct": 100 * by["is_inside"].mean(),
            "median_error_pct": by["error_pct"].apply(lambda e: e.abs().median()),
            "median_reach_pct": by["reach_pct"].median(),
        }
    )
    print(f"\nproposed settings as of the last day, 90 % limits\n{table.round(2).to_string()}")


def print_drift(drift: pd.DataFrame) -> None:
    """Verdicts, and false alarms."""
    table = pd.crosstab([drift["instrument_kind"], drift["kind"]], drift["drift_verdict"])
    print(f"\nverdicts on instruments\n{table.to_string()}")
    stable = drift[drift["instrument_kind"].isin(["steady", "one class"])]
    for said, verdicts in (("drifting", ["drifting"]), ("drifting or stepped", ["drifting", "stepped"])):
        worlds = stable["drift_verdict"].isin(verdicts).groupby(stable["world"]).any()
        print(f"worlds with a stable instrument called {said}: {worlds.sum()} of {len(worlds)} ({worlds.mean():.1%})")


def print_notice(worlds: int, seed: int) -> None:
    """Years until a drift of 0.8 % a year is called."""
    found = pd.DataFrame([notice_drift(seed, number) for number in range(worlds)])
    print(f"\ndrift of 0.8 % a year, refitted yearly, {worlds} worlds: years until the instrument is called")
    for said in ("moved", "drifting"):
        years = found[said].quantile([0.5, 0.8], interpolation="higher").to_list()
        print(f"{said}: median {years[0]:.1f}, 80 % within {years[1]:.1f}, never {np.isinf(found[said]).sum()}")
    print(f"worlds with a stable instrument called drifting at any of the refits: {found['is_false'].sum()}")


def try_worlds(worlds: int, seed: int) -> Found:
    """Worlds of each kind in turn, together."""
    found = [try_world(KINDS[number % len(KINDS)], seed, number) for number in range(worlds)]
    return {name: pd.concat([each[name] for each in found], ignore_index=True) for name in found[0]}


def print_quoted(quoted: pd.DataFrame) -> None:
    """The back-tests that the product prints beside its windows."""
    by = quoted.groupby(["way", "window_level"])[["tried", "held"]].sum()
    by["held_pct"] = (100 * by["held"] / by["tried"].astype(float)).round(1)
    print(f"\nthe product's own back-tests, all worlds\n{by.to_string()}")


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--worlds", type=int, default=200)
    parser.add_argument("--notice", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    print(f"{given.worlds} worlds, seed {given.seed}")
    if given.worlds:
        everything = try_worlds(given.worlds, given.seed)
        print_windows(everything["windows"])
        print_quoted(everything["quoted"])
        print_proposals(everything["proposals"])
        print_drift(everything["drift"])
    if given.notice:
        print_notice(given.notice, given.seed)
