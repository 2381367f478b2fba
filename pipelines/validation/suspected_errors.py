"""Which records carry the signature of an error, what would undo it, and how likely is that?

Nothing here changes a record. Choosing the nearest explanation for every odd reading would flatter the instruments, so
each proposal waits for a person's decision in a corrections file.
"""

import math
from collections.abc import Hashable
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shared.arrays import Floats
from shared.units import M_PER_FT

FT_PER_M = 1.0 / M_PER_FT
# Shares of records with each error before any is looked at; from memory of such exports, common practice, no source.
PRIORS = {
    "feet_for_metres": 0.03,
    "dug_feet_for_metres": 0.01,
    "wrong_terminal": 0.03,
    "utc_written_as_local": 0.012,
    "wrong_section": 0.01,
    "wrong_direction": 0.01,
    "wrong_dug_distance": 0.01,
    "both_halves_counted": 0.03,
}
PROPOSED_FROM = 0.5
"""Probability from which an error is proposed."""
STEP_LOST = 0.05
"""Share of interruptions of a whole loop of which the steps of one half were not written down."""
LOOSE_SHARE = 0.05
LOOSE_SD = 1.2
"""Errors of no known kind: this share of readings, with this standard deviation of the log ratio."""
PLACE_SD_M = 4.0
PLACE_SD_SHARE = 0.02
"""Spread of a dug distance against the map, metres and as a share of the distance."""
MAP_IN_FEET = 0.05
"""Share of loops whose lengths may stand in feet on the map."""
LENGTHS_OFF = 0.05
"""Share of digs on whose way a length of the register is wrong otherwise."""
LENGTHS_OFF_SD = 0.2
"""Spread of such a length, as a share of the way to the section's end."""
COLUMNS = ["job_id", "column", "slip", "value_now", "value_proposed", "likelihood", "grounds"]


def propose_unit_errors(readings: pd.DataFrame) -> pd.DataFrame:
    """Estimates, or dug distances, that were probably written in feet.

    Parameters
    ----------
    readings
        job_id, estimated_distance_m, dug_distance_m; one row a job with both above 0 and not equal.

    Returns
    -------
    DataFrame
        The columns of ``COLUMNS``; likelihood is the probability of the error given the two distances.

    Notes
    -----
    ln(estimate / dug) of sound records is normal about its median with a robust spread (1.4826 MAD, at least 2 %); a
    unit error moves it by ln(3.2808). Bayes' rule over: sound, feet for metres in either distance, and an error of no
    known kind.

    Checked by: tests/unit/test_validation_suspected_errors.py
    """
    if len(readings) < 5:
        return pd.DataFrame(columns=COLUMNS)
    ratio = np.log(readings["estimated_distance_m"].to_numpy(float) / readings["dug_distance_m"].to_numpy(float))
    centre = float(np.median(ratio))
    spread = max(1.4826 * float(np.median(np.abs(ratio - centre))), 0.02)
    step = math.log(FT_PER_M)
    weights = {
        "feet_for_metres": PRIORS["feet_for_metres"] * _normal(ratio - centre - step, spread),
        "dug_feet_for_metres": PRIORS["dug_feet_for_metres"] * _normal(ratio - centre + step, spread),
    }
    sound = (1.0 - sum(PRIORS[s] for s in weights) - LOOSE_SHARE) * _normal(ratio - centre, spread)
    whole = sound + LOOSE_SHARE * _normal(ratio - centre, LOOSE_SD) + sum(weights.values())
    found = []
    for error, column in (("feet_for_metres", "estimated_distance_m"), ("dug_feet_for_metres", "dug_distance_m")):
        chance = weights[error] / whole
        for i in np.flatnonzero(chance >= PROPOSED_FROM):
            row = readings.iloc[i]
            said = f"estimate / dug = {math.exp(ratio[i]):.2f}, that of the others {math.exp(centre):.2f}; "
            said += f"one metre is {FT_PER_M:.2f} feet"
            now = float(row[column])
            found.append((row["job_id"], column, error, f"{now:g}", f"{now / FT_PER_M:.1f}", float(chance[i]), said))
    return pd.DataFrame(found, columns=COLUMNS)


def propose_terminals(places: pd.DataFrame) -> pd.DataFrame:
    """Test terminals that the dug distance contradicts, where one neighbour fits.

    Parameters
    ----------
    places
        job_id, dug_distance_m, test_terminal_id, candidate_terminal_id, candidate_at_m (place along the chain),
        section_from_m, section_to_m (ends of the repaired section along the chain). One row a job and candidate: the
        recorded terminal itself and its neighbours.

    Returns
    -------
    DataFrame
        The columns of ``COLUMNS``.

    Notes
    -----
    The miss of a terminal is how far the dug distance laid off from it, in either direction, ends outside the
    repaired section; misses are normal with a spread of 4 m and 2 % of the distance. Neighbours share the prior.

    Checked by: tests/unit/test_validation_suspected_errors.py
    """
    if places.empty:
        return pd.DataFrame(columns=COLUMNS)
    frame = places.reset_index(drop=True)
    dug = frame["dug_distance_m"].to_numpy(float)
    lo, hi = frame["section_from_m"].to_numpy(float), frame["section_to_m"].to_numpy(float)
    at = frame["candidate_at_m"].to_numpy(float)
    miss = _miss(at, dug, lo, hi)
    spread = PLACE_SD_M + PLACE_SD_SHARE * dug
    frame["weight"] = np.exp(-0.5 * (miss / spread) ** 2)
    frame["miss"] = miss
    is_own = frame["candidate_terminal_id"] == frame["test_terminal_id"]
    others = frame.groupby("job_id")["candidate_terminal_id"].transform("size") - 1
    prior = np.where(is_own, 1.0 - PRIORS["wrong_terminal"], PRIORS["wrong_terminal"] / np.maximum(others, 1))
    # Lengths of a loop that stand in feet on the map explain a miss without any error of the crew's.
    in_feet = np.exp(-0.5 * (_miss(at / FT_PER_M, dug, lo / FT_PER_M, hi / FT_PER_M) / spread) ** 2)
    frame["weight"] += np.where(is_own, MAP_IN_FEET * in_feet, 0.0)
    # A small floor: the section itself may be the wrong one.
    frame["weight"] = prior * (frame["weight"] + 1e-3)
    frame["chance"] = frame["weight"] / frame.groupby("job_id")["weight"].transform("sum")
    frame["own_miss"] = frame["miss"].where(is_own).groupby(frame["job_id"]).transform("max")
    chosen = frame[~is_own & (frame["chance"] >= PROPOSED_FROM)]
    rows = [
        (
            row["job_id"],
            "test_terminal_id",
            "wrong_terminal",
            row["test_terminal_id"],
            row["candidate_terminal_id"],
            float(row["chance"]),
            _terminal_evidence(row),
        )
        for row in chosen.to_dict("records")
    ]
    return pd.DataFrame(rows, columns=COLUMNS)


def propose_swapped_ends(jobs: pd.DataFrame) -> pd.DataFrame:
    """Test terminals that are said to be the far end too: the two ends were probably exchanged.

    Parameters
    ----------
    jobs
        job_id, test_terminal_id, toward_terminal_id, far_end_terminal_id.

    Notes
    -----
    Exchanged ends (3 in 100 records) are compared with an error in the far end alone (taken as 1 in 500).

    Checked by: tests/unit/test_validation_suspected_errors.py
    """
    same = jobs.dropna(subset=["toward_terminal_id", "far_end_terminal_id"])
    same = same[
        (same["far_end_terminal_id"] == same["test_terminal_id"])
        & (same["toward_terminal_id"] != same["test_terminal_id"])
    ]
    chance = PRIORS["wrong_terminal"] / (PRIORS["wrong_terminal"] + 1.0 / 500.0)
    rows = []
    for row in same.to_dict("records"):
        test, toward = row["test_terminal_id"], row["toward_terminal_id"]
        said = f"{test} is said to be tested from and to be the far end as well"
        rows.append((row["job_id"], "test_terminal_id", "wrong_terminal", test, toward, chance, said))
        rows.append((row["job_id"], "toward_terminal_id", "wrong_terminal", toward, test, chance, said))
    return pd.DataFrame(rows, columns=COLUMNS)


def propose_contradictions(records: pd.DataFrame) -> pd.DataFrame:
    """The likeliest single correction of each record whose dug distance, terminals and section cannot all be right.

    Parameters
    ----------
    records
        Rows of core.record_contradictions.

    Returns
    -------
    DataFrame
        The columns of ``COLUMNS``, one row a record: also one less likely than ``PROPOSED_FROM``, since something in
        it is wrong. Of a section that is not on the loop nothing is proposed: the register may lack it.

    Notes
    -----
    Weighed: the two ends exchanged or the other direction (of a section behind, where the dug distance then ends in
    it), another section (the one in which the dug distance ends), the dug distance itself, and the register: lengths
    in feet, or lengths off by a fifth. Where the distance ends is a coincidence if the section or the distance is
    wrong: these are divided by the sections ahead.

    Checked by: tests/unit/test_validation_suspected_errors.py
    """
    rows = []
    for row in records[records["record_contradiction"] != "section_not_on_loop"].to_dict("records"):
        dug, lo, hi = (float(row[name]) for name in ("dug_distance_m", "section_from_m", "section_to_m"))
        spread = PLACE_SD_M + PLACE_SD_SHARE * dug
        test, toward, other = (row[f"{name}terminal_id"] for name in ("test_", "toward_", "other_toward_"))
        own, register = row["dug_section_id"], 0.0
        found: dict[tuple[str, tuple[tuple[str, Any, Any], ...]], float] = {}
        by_chance = 1.0 / max(float(row["sections_ahead"]), 1.0)
        if row["record_contradiction"] == "dug_outside_section":
            in_feet = _likeness(dug, lo * M_PER_FT, hi * M_PER_FT, spread)
            register = MAP_IN_FEET * in_feet + LENGTHS_OFF * _likeness(dug, lo, hi, spread + LENGTHS_OFF_SD * hi)
        else:
            if not pd.isna(other):
                found["wrong_direction", (("toward_terminal_id", toward, other),)] = _likeness(dug, lo, hi, spread)
            gap = float(row["toward_at_m"])
            if not math.isnan(gap):
                ends = (("test_terminal_id", test, toward), ("toward_terminal_id", toward, test))
                found["wrong_terminal", ends] = _likeness(dug, lo + gap, hi + gap, spread)
        if not pd.isna(own):
            found["wrong_section", (("section_id", row["section_id"], own),)] = by_chance
        found["wrong_dug_distance", (("dug_distance_m", f"{dug:g}", ""),)] = by_chance
        weights = {said: PRIORS[said[0]] * likeness for said, likeness in found.items()}
        (slip, changes), weight = max(weights.items(), key=lambda item: item[1])
        chance = weight / (sum(weights.values()) + register)
        grounds = _contradiction_evidence(row, register > sum(weights.values()))
        for column, now, value in changes:
            rows.append((row["job_id"], column, slip, "" if pd.isna(now) else now, value, chance, grounds))
    return pd.DataFrame(rows, columns=COLUMNS)


def _likeness(dug: float, lo: float, hi: float, spread: float) -> float:
    """Likelihood, at most 1, of a dug distance if the fault lies between two places."""
    return math.exp(-0.5 * (max(lo - dug, dug - hi, 0.0) / spread) ** 2)


def _contradiction_evidence(row: dict[Hashable, Any], is_register_likelier: bool) -> str:
    """Both readings of a record: by its distance, and by the section it names."""
    end = "beyond the loop" if pd.isna(row["dug_section_id"]) else f"in {row['dug_section_id']}"
    place = f"{row['section_from_m']:.0f} to {row['section_to_m']:.0f} m"
    if row["record_contradiction"] == "section_behind_terminal":
        named = f"lies behind {row['test_terminal_id']}, {place} the other way"
    else:
        named = f"lies at {place}" + ("; check the register's lengths first" if is_register_likelier else "")
    toward = "" if pd.isna(row["toward_terminal_id"]) else f" toward {row['toward_terminal_id']}"
    return (
        f"by the distance, {row['dug_distance_m']:g} m from {row['test_terminal_id']}{toward}, it was dug {end}; "
        f"the section named, {row['section_id']}, {named}"
    )


def _miss(at: Floats, dug: Floats, lo: Floats, hi: Floats) -> Floats:
    """How far a distance laid off from a place, in the better of two directions, ends outside an interval."""
    ends = (at + dug, at - dug)
    return np.asarray(np.minimum(*(np.maximum(np.maximum(lo - end, end - hi), 0.0) for end in ends)))


def _terminal_evidence(row: dict[Hashable, Any]) -> str:
    return (
        f"from {row['test_terminal_id']} the dug distance of {row['dug_distance_m']:g} m ends {row['own_miss']:.0f} m "
        f"outside the repaired section, from {row['candidate_terminal_id']} {row['miss']:.0f} m"
    )


def propose_zone_errors(stamps: pd.DataFrame) -> pd.DataFrame:
    """Stamps of crews that were probably written in UTC in a local field.

    Parameters
    ----------
    stamps
        job_id, source_file, dispatched_at, arrived_at, located_at, restored_at (instants), utc_offset_min (minutes
        that the district is behind UTC at the time, above 0 in the Americas).

    Returns
    -------
    DataFrame
        The columns of ``COLUMNS``, one row for arrived_at and one for located_at of a job.

    Notes
    -----
    A local time that was UTC was moved by the offset once more at intake. For each job the spans dispatch to arrival
    and location to restoration are weighed as they are and with both stamps put back; log spans of the others are
    normal with a robust spread, and a span below a minute counts as 1e-4. Only a cluster of two jobs or
    more of one file and calendar year is proposed: one feed writes UTC for a season, not once.

    Checked by: tests/unit/test_validation_suspected_errors.py
    """
    frame = stamps.dropna(subset=["dispatched_at", "arrived_at", "located_at", "restored_at"]).reset_index(drop=True)
    if len(frame) < 20:
        return pd.DataFrame(columns=COLUMNS)
    before = (frame["arrived_at"] - frame["dispatched_at"]).dt.total_seconds().to_numpy(np.float64) / 60.0
    after = (frame["restored_at"] - frame["located_at"]).dt.total_seconds().to_numpy(np.float64) / 60.0
    offset = frame["utc_offset_min"].to_numpy(np.float64)
    recorded = _log_span(before, before) + _log_span(after, after)
    put_back = _log_span(before - offset, before) + _log_span(after + offset, after)
    prior = PRIORS["utc_written_as_local"]
    odds = np.log(prior / (1.0 - prior)) + (put_back - recorded)
    chance = np.where(np.abs(offset) >= 60.0, 1.0 / (1.0 + np.exp(-odds)), 0.0)
    hits = frame.assign(chance=chance, year=frame["arrived_at"].dt.year)[chance >= PROPOSED_FROM]
    rows = []
    for (file, year), cluster in hits.groupby(["source_file", "year"]):
        if len(cluster) < 2:
            continue
        in_year = int(((frame["arrived_at"].dt.year == year) & (frame["source_file"] == file)).sum())
        for row in cluster.to_dict("records"):
            minutes = float(row["utc_offset_min"])
            said = (
                f"{minutes / 60:g} hours late against dispatch and restoration, as UTC in a local field is; so are "
                f"{len(cluster)} of {in_year} jobs of {year} in {file}"
            )
            for column in ("arrived_at", "located_at"):
                moved = row[column] - pd.Timedelta(minutes=minutes)
                rows.append(
                    (
                        row["job_id"],
                        column,
                        "utc_written_as_local",
                        _iso(row[column]),
                        _iso(moved),
                        float(row["chance"]),
                        said,
                    )
                )
    return pd.DataFrame(rows, columns=COLUMNS)


def propose_customers(jobs: pd.DataFrame) -> pd.DataFrame:
    """Counts of interrupted customers that are the whole loop's, while the restoration steps brought back one half.

    Parameters
    ----------
    jobs
        job_id, customers_interrupted, customers_back (of all the job's steps), loop_customers; one row a job with
        steps on a loop with two ends.

    Notes
    -----
    A count of both halves (3 in 100 jobs) is weighed against a loop that was out as a whole, of whose steps those of
    one half were lost. How often a loop is out as a whole is learnt from the steps of the other jobs.

    Checked by: tests/unit/test_validation_suspected_errors.py
    """
    is_whole = jobs["customers_back"] >= jobs["loop_customers"]
    out_as_a_whole = (is_whole.sum() + 0.5) / (len(jobs) + 1.0)
    chance = PRIORS["both_halves_counted"] / (PRIORS["both_halves_counted"] + STEP_LOST * out_as_a_whole)
    found = jobs[(jobs["customers_interrupted"] == jobs["loop_customers"]) & ~is_whole]
    others = f"of {len(jobs)} jobs with steps {is_whole.sum()} brought back a whole loop"
    rows = []
    for row in found.to_dict("records"):
        now, back = f"{row['customers_interrupted']:g}", f"{row['customers_back']:g}"
        said = f"all {now} customers of the loop are counted, the steps brought back {back}; {others}"
        rows.append((row["job_id"], "customers_interrupted", "both_halves_counted", now, back, float(chance), said))
    return pd.DataFrame(rows if chance >= PROPOSED_FROM else [], columns=COLUMNS)


def propose_velocities(refused: pd.DataFrame) -> pd.DataFrame:
    """Velocities taken out as too low that are right once doubled: v/2 written for v.

    Parameters
    ----------
    refused
        job_id, value (the velocity as received), usual_pct (median setting of the instrument, may be missing).

    Notes
    -----
    Twice the value is weighed against the instrument's usual setting with a spread of 2 points of c; the alternative is
    any value from 0 to 80. Without a usual setting the band 45 to 60 stands for it.

    Checked by: tests/unit/test_validation_suspected_errors.py
    """
    rows = []
    for row in refused.to_dict("records"):
        value = float(pd.to_numeric(pd.Series([row["value"]]), errors="coerce").iloc[0])
        if not 15.0 <= value <= 40.0:
            continue
        usual = None if pd.isna(row["usual_pct"]) else float(row["usual_pct"])
        weight = (
            float(45.0 <= 2 * value <= 60.0) / 15.0
            if usual is None
            else float(_normal(np.array([2 * value - usual]), 2.0)[0])
        )
        chance = 0.8 * weight / (0.8 * weight + 0.2 / 80.0)
        if chance >= PROPOSED_FROM:
            against = (
                "no setting of this instrument is on record"
                if usual is None
                else f"the instrument is usually set to {usual:.1f}"
            )
            said = f"received as {value:g} and taken out; twice that is {2 * value:g} % of c; {against}"
            rows.append((row["job_id"], "velocity_setting_pct", "velocity_halved", "", f"{2 * value:g}", chance, said))
    return pd.DataFrame(rows, columns=COLUMNS)


def _normal(x: Floats, sd: float) -> Floats:
    return np.asarray(np.exp(-0.5 * (x / sd) ** 2) / (sd * math.sqrt(2.0 * math.pi)))


def _log_span(span: NDArray[Any], all_spans: NDArray[Any]) -> NDArray[Any]:
    """Log density of a span among the positive spans on record; negative ones weigh next to nothing."""
    logs = np.log(all_spans[all_spans > 1.0])
    centre = float(np.median(logs))
    spread = max(1.4826 * float(np.median(np.abs(logs - centre))), 0.2)
    inside = span > 1.0
    z = (np.log(np.where(inside, span, 1.0)) - centre) / spread
    # Student's t with 4 degrees of freedom: storms make long spans that are no error.
    density = (1.0 + z**2 / 4.0) ** -2.5
    return np.asarray(np.log(np.where(inside, density, 1e-4)))


def _iso(moment: pd.Timestamp) -> str:
    return moment.tz_convert("UTC").strftime("%Y-%m-%d %H:%M:%SZ")
