"""Readings besides the one a dig follows: the tests of a search, and calibration readings on known lengths."""

import numpy as np
import pandas as pd

from synthetic_data import truth
from synthetic_data.failures import History
from synthetic_data.fleet import Fleet
from synthetic_data.jobs import Work, half_loop_positions
from synthetic_data.network import Network, settings_pct, show, warmth_k
from synthetic_data.search import Test


def make_test_shots(fleet: Fleet, work: Work, network: Network, rng: np.random.Generator) -> pd.DataFrame:
    """The tests of the jobs from 2016 on, one row a test; times in seconds.

    Notes
    -----
    A clear test shows the far end of the run tested, a test on the fault shows the fault where it was within
    the last section; shots from both ends of the faulted section close one job in four.
    """
    rows: list[dict[str, object]] = []
    jobs = work.jobs
    count, open_at, radial = (fleet.loops[c].to_numpy() for c in ("count", "open_at", "is_radial"))
    both_ends = rng.random(len(jobs)) < 1 / 4
    listed = np.flatnonzero((jobs["instrument_row"] >= 0) & (jobs["reported_at"] >= truth.SHOTS_FROM))
    for j in listed:
        job = jobs.iloc[j]
        loop, position = int(job["loop_row"]), int(job["position"])
        order = half_loop_positions(int(count[loop]), int(open_at[loop]), position, is_radial=bool(radial[loop]))
        for test in work.searches[j].tests:
            rows.append(_shot(network, job, order, test, len(_of_job(rows, job["job_id"])) + 1))
        if both_ends[j]:
            number = len(_of_job(rows, job["job_id"])) + 1
            rows += [_end_shot(network, job, forward, number + k) for k, forward in enumerate((True, False))]
    frame = pd.DataFrame(rows)
    if frame.empty:
        return frame
    instrument = frame["instrument_row"].to_numpy()
    at, setting = frame["shot_at"].to_numpy(), frame["setting_true_pct"].to_numpy()
    frame["far_end_distance_m"] = show(frame["far_light"].to_numpy(), instrument, setting, at, rng)
    frame["fault_distance_m"] = show(frame["fault_light"].to_numpy(), instrument, setting, at, rng)
    return frame


def _of_job(rows: list[dict[str, object]], job_id: object) -> list[dict[str, object]]:
    """The last rows that are this job's."""
    own = []
    for row in reversed(rows):
        if row["job_id"] != job_id:
            break
        own.append(row)
    return own


def _base_shot(job: pd.Series, number: int, at: float) -> dict[str, object]:
    return {
        "job_id": job["job_id"],
        "shot_no": number,
        "shot_at": np.floor(at / 60) * 60,
        "instrument_id": job["instrument_id"],
        "velocity_setting_pct": job["velocity_setting_pct"],
        "instrument_row": int(job["instrument_row"]),
        "setting_true_pct": job["setting_true_pct"],
        "far_end_terminal_id": None,
        "far_light": np.nan,
        "fault_light": np.nan,
    }


def _shot(network: Network, job: pd.Series, order: list[int], test: Test, number: int) -> dict[str, object]:
    """A test over a run of the half-loop, from its end nearest the source."""
    loop, at = int(job["loop_row"]), float(job["arrived_at"]) + test.at * 60
    step = 1 if order[0] == 1 else -1
    run = order[test.first - 1 : test.last]
    terminal = run[0] - 1 if step > 0 else run[0]
    shot = _base_shot(job, number, at) | {
        "terminal_id": network.terminal_id(loop, terminal),
        "toward_terminal_id": network.terminal_id(loop, terminal + step),
        "result": "clear" if test.is_clear else "fault_seen",
    }
    warmth = warmth_k(at)
    past_new = job["instrument_id"] != truth.INSTRUMENTS[truth.R_06].instrument_id and network.holds_class(
        loop, terminal, step, len(run), at, truth.TRXLPE
    )
    if past_new:
        return shot
    if test.is_clear:
        light, _ = network.follow(loop, terminal, step, len(run), None, at, warmth)
        shot |= {"far_light": light, "far_end_terminal_id": network.terminal_id(loop, terminal + step * len(run))}
    else:
        row = int(job["section"])
        offset = float(job["offset_m"])
        along = offset if step > 0 else float(network.sections.length_m[row]) - offset
        whole = run.index(int(job["position"]))
        shot["fault_light"], _ = network.follow(loop, terminal, step, whole, (row, along), at, warmth)
    return shot


def _end_shot(network: Network, job: pd.Series, forward: bool, number: int) -> dict[str, object]:
    """A shot at the fault from one end of the faulted section, once it is isolated."""
    loop, position, row = int(job["loop_row"]), int(job["position"]), int(job["section"])
    at = float(job["located_at"]) + number * 300
    terminal, step = (position - 1, 1) if forward else (position, -1)
    offset = float(job["offset_m"])
    along = offset if forward else float(network.sections.length_m[row]) - offset
    light, _ = network.follow(loop, terminal, step, 0, (row, along), at, warmth_k(at))
    return _base_shot(job, number, at) | {
        "terminal_id": network.terminal_id(loop, terminal),
        "toward_terminal_id": network.terminal_id(loop, terminal + step),
        "result": "fault_seen",
        "fault_light": light,
    }


def make_known_lengths(network: Network, history: History, rng: np.random.Generator) -> pd.DataFrame:
    """Calibration readings on sound sections of known length: R-06 never has any."""
    s = history.sections
    rows = []
    fits = np.isin(s.cable_class, [truth.XLPE_BARE, truth.XLPE_JACKETED]) & np.isnan(s.retired) & (s.length_m > 60)
    pool = rng.choice(np.flatnonzero(fits), size=min(6, int(fits.sum())), replace=False)
    for instrument, months in ((0, (4, 10)), (1, (4,)), (2, (4, 10)), (truth.R_04, (4, 10)), (4, (10,)), (6, (10,))):
        for year in range(2008, 2026):
            for month in months:
                at = float(np.datetime64(f"{year}-{month:02d}-15", "s").astype(np.int64))
                row = int(rng.choice(pool))
                loop, position = int(s.loop[row]), int(s.position[row])
                length = float(s.length_m[row])
                light, _ = network.follow(loop, position - 1, 1, 0, (row, length), at, warmth_k(at))
                setting = settings_pct(np.array([instrument]), s.cable_class[[row]], np.array([""]))
                shown = show(np.array([light]), np.array([instrument]), setting, np.array([at]), rng)
                rows.append(
                    {
                        "instrument_id": truth.INSTRUMENTS[instrument].instrument_id,
                        "read_on": np.datetime64(f"{year}-{month:02d}-15", "us"),
                        "section_id": s.section_id[row],
                        "known_length_m": length,
                        "reading_m": shown[0],
                        "velocity_setting_pct": round(float(setting[0]), 2),
                    }
                )
    return pd.DataFrame(rows)
