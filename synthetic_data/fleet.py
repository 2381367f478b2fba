"""The fleet as first laid: districts, loops, terminals, sections, with the hidden multipliers of each section."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from synthetic_data import truth


@dataclass(frozen=True)
class Sections:
    """Sections as columns, one entry a section; a replacement is a further entry.

    loop: row of the loop. position: from 1. installed, retired, injected: seconds since 1970 (nan: never).
    factor: every multiplier of the class's intensity that does not change with time.
    velocity_pct: of this very section's cable, percent of c. length_m is cable, tails included: the cable lies
    in the ground from tail_from_m to length_m - tail_to_m, and is longer there than its route by the slack.
    """

    section_id: np.ndarray
    loop: np.ndarray
    position: np.ndarray
    length_m: np.ndarray
    cable_class: np.ndarray
    installed: np.ndarray
    retired: np.ndarray
    retired_because: np.ndarray
    injected: np.ndarray
    section_multiplier: np.ndarray
    factor: np.ndarray
    velocity_pct: np.ndarray
    tail_from_m: np.ndarray
    tail_to_m: np.ndarray
    slack: np.ndarray

    @property
    def route_m(self) -> np.ndarray:
        """Length of route between the points that distances are taped from."""
        return np.asarray((self.length_m - self.tail_from_m - self.tail_to_m) / (1 + self.slack))


@dataclass(frozen=True)
class Fleet:
    """Loops as a frame (one row a loop), terminals as a frame, sections as columns.

    loops carries the hidden columns class_row, district_row, multiplier, count (sections), open_at (terminal
    number of the normal open point) and first_terminal (row of its terminal 0 in terminals).
    """

    loops: pd.DataFrame
    terminals: pd.DataFrame
    sections: Sections


def _apportion(shares: np.ndarray, total: int) -> np.ndarray:
    """Whole numbers in proportion to the shares, by largest remainder, adding up to the total."""
    ideal = shares / shares.sum() * total
    counts = np.floor(ideal).astype(int)
    short = total - counts.sum()
    counts[np.argsort(-(ideal - counts), kind="stable")[:short]] += 1
    return np.asarray(counts)


def _draw_loops(loops: int, rng: np.random.Generator) -> pd.DataFrame:
    classes = np.repeat(
        np.arange(len(truth.CLASSES)), _apportion(np.array([c.share_of_loops for c in truth.CLASSES]), loops)
    )
    exits = max(1, round(loops / 150))
    classes = np.concatenate([classes, np.full(exits, truth.PILC)])
    district = np.empty(len(classes), dtype=int)
    for row in range(len(truth.CLASSES)):
        members = np.flatnonzero(classes == row)
        shares = np.array([d.class_shares[row] for d in truth.DISTRICTS])
        district[members] = rng.permutation(np.repeat(np.arange(len(shares)), _apportion(shares, len(members))))
    order = np.lexsort((rng.random(len(classes)), district))
    frame = pd.DataFrame({"class_row": classes[order], "district_row": district[order]})
    is_exit = frame["class_row"].to_numpy() == truth.PILC
    number = np.arange(1, len(frame) + 1)
    codes = np.array([d.district_id for d in truth.DISTRICTS])[frame["district_row"]]
    frame["loop_id"] = [
        f"{c}-X{n:04d}" if x else f"{c}-L{n:04d}" for c, n, x in zip(codes, number, is_exit, strict=True)
    ]
    count = truth.SECTIONS_LEAST + np.rint(
        (truth.SECTIONS_MOST - truth.SECTIONS_LEAST) * rng.beta(2, 4, len(frame))
    ).astype(int)
    frame["count"] = np.where(is_exit, 1, count)
    frame["is_radial"] = (rng.random(len(frame)) < truth.RADIAL_SHARE) | is_exit
    frame["is_exit"] = is_exit
    middle = np.rint(frame["count"] * rng.uniform(0.38, 0.62, len(frame))).astype(int)
    frame["open_at"] = np.where(frame["is_radial"], frame["count"], middle)
    frame["multiplier"] = rng.gamma(1 / truth.LOOP_VARIANCE, truth.LOOP_VARIANCE, len(frame))
    facts = [truth.CLASSES[row] for row in frame["class_row"]]
    first = np.array([c.installed_from for c in facts])
    last = np.array([c.installed_to for c in facts])
    frame["base_year"] = first + np.floor(rng.random(len(frame)) * (last - first + 1)).astype(int)
    frame["feeder"] = rng.integers(1, 9, len(frame))
    return frame


def _draw_terminals(loops: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    per_loop = loops["count"].to_numpy() + 1
    loop = np.repeat(np.arange(len(loops)), per_loop)
    first = np.concatenate([[0], np.cumsum(per_loop)[:-1]])
    number = np.arange(per_loop.sum()) - first[loop]
    radial = loops["is_radial"].to_numpy()[loop]
    is_exit = loops["is_exit"].to_numpy()[loop]
    at_source = (number == 0) | ((number == loops["count"].to_numpy()[loop]) & ~radial) | is_exit
    homes = rng.poisson(truth.HOMES_PER_TRANSFORMER, len(loop))
    businesses = rng.binomial(homes, 0.03)
    kind = np.where(at_source, "riser", np.where(rng.random(len(loop)) < 0.04, "switch_cabinet", "transformer"))
    customers = np.where(kind == "transformer", np.maximum(homes, businesses), 0)
    heading = np.cumsum(rng.normal(0, 0.5, len(loop)))
    step = np.where(number == 0, 0.0, truth.LENGTH_MEDIAN_M)
    origin = np.array([d.origin_km for d in truth.DISTRICTS])[loops["district_row"]] * 1000
    start = origin + rng.uniform(0, 9000, (len(loops), 2))
    walk = np.column_stack([np.cos(heading), np.sin(heading)]) * step[:, None]
    gone = np.cumsum(walk, axis=0)
    place = start[loop] + gone - gone[first][loop]
    loop_ids = loops["loop_id"].to_numpy()[loop]
    return pd.DataFrame(
        {
            "terminal_id": [f"{a}-T{b:02d}" for a, b in zip(loop_ids, number, strict=True)],
            "loop_row": loop,
            "number": number,
            "loop_id": loop_ids,
            "kind": kind,
            "customers": customers,
            "tail_m": np.round(np.maximum(rng.normal(truth.TAIL_MEAN_M, 0.4, len(loop)), 0.5), 1),
            "x": np.round(place[:, 0], 1),
            "y": np.round(place[:, 1], 1),
        }
    )


def draw_velocity_pct(cable_class: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Velocity of each section's cable, percent of c: its class's, and the spread between sections."""
    mean = np.array([c.velocity_pct for c in truth.CLASSES])[cable_class]
    spread = np.array([c.velocity_sd_pct for c in truth.CLASSES])[cable_class]
    return np.asarray(rng.normal(mean, spread))


def fixed_factor(
    loops: pd.DataFrame,
    loop: np.ndarray,
    cable_class: np.ndarray,
    installed: np.ndarray,
    section_multiplier: np.ndarray,
    *,
    with_stories: bool,
) -> np.ndarray:
    """Loop, section, district and vintage multipliers of a section's intensity."""
    factor = section_multiplier * loops["multiplier"].to_numpy()[loop]
    if not with_stories:
        return np.asarray(factor)
    district = np.array([d.failure_factor for d in truth.DISTRICTS])[loops["district_row"].to_numpy()[loop]]
    year = installed.astype("datetime64[s]").astype("datetime64[Y]").astype(int) + 1970
    first, last = truth.VINTAGE_YEARS
    vintage = (cable_class == truth.VINTAGE_CLASS) & (year >= first) & (year <= last)
    return np.asarray(factor * district * np.where(vintage, truth.VINTAGE_FACTOR, 1.0))


def make_fleet(loops: int, rng: np.random.Generator, *, with_stories: bool = True) -> Fleet:
    """Draw the fleet as first laid.

    Parameters
    ----------
    loops
        Number of loops; a few single-section station exits come on top.
    rng
        Source of randomness.
    with_stories
        Whether districts and vintages differ in failures; without, only class, loop and section do.

    Notes
    -----
    Checked by: tests/unit/test_synthetic_fleet.py
    """
    frame = _draw_loops(loops, rng)
    terminals = _draw_terminals(frame, rng)
    count = frame["count"].to_numpy()
    loop = np.repeat(np.arange(len(frame)), count)
    total = len(loop)
    position = np.arange(total) - (np.cumsum(count) - count)[loop] + 1
    length = truth.LENGTH_MEDIAN_M * np.exp(rng.normal(0, truth.LENGTH_SIGMA, total))
    length = np.where(frame["is_exit"].to_numpy()[loop], 500.0, np.round(length, 1))
    cable_class = frame["class_row"].to_numpy()[loop]
    base = pd.to_datetime(frame["base_year"].astype(str) + "-03-01").to_numpy().astype("datetime64[s]").astype(float)
    work = base + rng.uniform(0, 240, len(frame)) * 86400
    # a loop is laid within a few weeks, section after section
    installed = np.floor((work[loop] + position * rng.uniform(0, 4, total) * 86400) / 86400) * 86400
    multiplier = rng.gamma(1 / truth.SECTION_VARIANCE, truth.SECTION_VARIANCE, total)
    ids = frame["loop_id"].to_numpy()[loop]
    frame["first_terminal"] = np.concatenate([[0], np.cumsum(count + 1)[:-1]])
    tails = terminals["tail_m"].to_numpy()
    terminal = frame["first_terminal"].to_numpy()[loop] + position
    sections = Sections(
        section_id=np.array([f"{a}-S{b:02d}" for a, b in zip(ids, position, strict=True)], dtype=object),
        loop=loop,
        position=position,
        length_m=length,
        cable_class=cable_class,
        installed=installed,
        retired=np.full(total, np.nan),
        retired_because=np.full(total, None, dtype=object),
        injected=np.full(total, np.nan),
        section_multiplier=multiplier,
        factor=fixed_factor(frame, loop, cable_class, installed, multiplier, with_stories=with_stories),
        velocity_pct=draw_velocity_pct(cable_class, rng),
        tail_from_m=tails[terminal - 1],
        tail_to_m=tails[terminal],
        slack=rng.normal(truth.SLACK_MEAN, truth.SLACK_SD, total),
    )
    return Fleet(frame, terminals, sections)
