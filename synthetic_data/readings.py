"""What was shown and what was dug: the reading of each job.

What is dug is taped along the route, which is shorter than the cable by tails and slack.
"""

import numpy as np
import pandas as pd

from synthetic_data import truth
from synthetic_data.failures import TERMINATION, History, day_of_year
from synthetic_data.fleet import Fleet
from synthetic_data.jobs import Work
from synthetic_data.network import Network, settings_pct, show


def _pick_instruments(work: Work, district: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    ids = np.array([d.district_id for d in truth.DISTRICTS])
    owners = np.where(work.jobs["crew_id"] == truth.NIGHT_POOL, truth.NIGHT_POOL, ids[district])
    chosen = np.zeros(len(owners), dtype=int)
    for owner, shares in truth.INSTRUMENTS_OF.items():
        members = np.flatnonzero(owners == owner)
        rows, weights = zip(*shares, strict=True)
        chosen[members] = rng.choice(rows, size=len(members), p=weights)
    return chosen


def add_readings(fleet: Fleet, history: History, work: Work, network: Network, rng: np.random.Generator) -> Work:
    """Add to each job what its instrument showed and what was dug.

    Notes
    -----
    New cable in ducts outside Sabble Creek has fault indicators and is located by them, and nobody there notes
    a reading over it, so that R-06 alone ever reads that class: the two cannot be told apart.

    Checked by: tests/unit/test_synthetic_readings.py (through make_utility),
    tests/simulated/test_synthetic_recovery.py (through make_utility)
    """
    jobs, s = work.jobs, history.sections
    n = len(jobs)
    section, kind = jobs["section"].to_numpy(), jobs["kind_row"].to_numpy()
    district = fleet.loops["district_row"].to_numpy()[jobs["loop_row"]]
    far_out = district == len(truth.DISTRICTS) - 1
    cable_class = s.cable_class[section]
    instrument = _pick_instruments(work, district, rng)
    has_reading = (kind != TERMINATION) & (rng.random(n) < np.where(jobs["cause"] == "dig_in", 0.35, 0.9))
    has_reading &= far_out | (cable_class != truth.TRXLPE)
    setting = settings_pct(instrument, cable_class, jobs["crew_id"].to_numpy())
    paths = _follow_paths(fleet, jobs, network, has_reading, far_out, rng)
    at = jobs["located_at"].to_numpy()
    shown = show(paths["light_m"].to_numpy(), instrument, setting, at, rng)
    far_shown = show(paths["far_light_m"].to_numpy(), instrument, setting, at, rng)
    dug, dug_method = _dig(paths["route_m"].to_numpy(), rng)
    recorded = rng.random(n) < np.array([i.recorded for i in truth.INSTRUMENTS])[instrument]
    names = np.array([i.instrument_id for i in truth.INSTRUMENTS], dtype=object)
    jobs = pd.concat([jobs, paths], axis=1).assign(
        instrument_row=np.where(has_reading, instrument, -1),
        setting_true_pct=np.where(has_reading, setting, np.nan),
        instrument_id=_where_else_none(has_reading, names[instrument]),
        velocity_setting_pct=np.where(has_reading & recorded, np.round(setting, 2), np.nan),
        estimated_distance_m=shown,
        far_end_distance_m=far_shown,
        dug_distance_m=dug,
        dug_method=dug_method,
    )
    return Work(jobs, work.searches)


def _follow_paths(
    fleet: Fleet,
    jobs: pd.DataFrame,
    network: Network,
    has_reading: np.ndarray,
    far_out: np.ndarray,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Where each reading was taken, towards what, and the true time and route to the fault and to the far end.

    Most crews test from an end of the faulted section, one in five from a terminal or two further back.
    """
    n, s = len(jobs), network.sections
    at = jobs["located_at"].to_numpy()
    warmth = truth.soil_temperature_c(day_of_year(at)) - truth.TEMPERATURE_OF_VELOCITY_C
    forward = rng.random(n) < 0.5
    behind = np.where(rng.random(n) < 0.8, 0, rng.integers(1, 3, n))
    has_far = rng.random(n) < 0.4
    places = zip(*(jobs[c].tolist() for c in ("loop_row", "position", "section", "offset_m")), strict=True)
    counts = fleet.loops["count"].tolist()
    rows: list[dict[str, object]] = []
    for j, (loop, position, section, offset) in enumerate(places):
        if not has_reading[j]:
            rows.append({"light_m": np.nan})
            continue
        step = 1 if forward[j] else -1
        near = position - 1 if forward[j] else position
        back = min(int(behind[j]), near if forward[j] else counts[loop] - near)
        if not far_out[j] and network.holds_class(loop, near - step * back, step, back, at[j], truth.TRXLPE):
            back = 0
        length = float(s.length_m[section])
        start = near - step * back
        light, route = network.follow(
            loop, start, step, back, (section, offset if forward[j] else length - offset), at[j], warmth[j]
        )
        row: dict[str, object] = {
            "light_m": light,
            "route_m": route,
            "test_terminal_id": network.terminal_id(loop, start),
            "toward_terminal_id": network.terminal_id(loop, start + step),
        }
        if has_far[j]:
            row["far_light_m"], _ = network.follow(loop, start, step, back, (section, length), at[j], warmth[j])
            row["far_end_terminal_id"] = network.terminal_id(loop, near + step)
        rows.append(row)
    columns = ["light_m", "route_m", "far_light_m", "test_terminal_id", "toward_terminal_id", "far_end_terminal_id"]
    return pd.DataFrame(rows, columns=columns, index=jobs.index)


def _dig(route_m: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Distance as dug and how it was measured; a quarter is never written down."""
    n = len(route_m)
    shares = [share for _, share, _, _ in truth.DUG_METHODS]
    which = rng.choice(len(truth.DUG_METHODS), size=n, p=shares)
    fraction = np.array([f for _, _, f, _ in truth.DUG_METHODS])[which]
    metres = np.array([m for _, _, _, m in truth.DUG_METHODS])[which]
    measured = route_m * (1 + rng.normal(0, 1, n) * fraction) + rng.normal(0, 1, n) * metres
    # nobody paces to the decimetre
    paced = which == [m for m, _, _, _ in truth.DUG_METHODS].index("paced")
    measured = np.where(paced, np.round(measured), np.round(measured, 1))
    known = ~np.isnan(route_m) & (rng.random(n) >= truth.DUG_MISSING)
    names = np.array([m for m, _, _, _ in truth.DUG_METHODS], dtype=object)[which]
    return np.where(known, np.maximum(measured, 0.0), np.nan), _where_else_none(known, names)


def _where_else_none(known: np.ndarray, values: np.ndarray) -> np.ndarray:
    kept = values.astype(object)
    kept[~known] = None
    return np.asarray(kept)
