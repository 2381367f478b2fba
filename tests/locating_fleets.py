"""Fleets of readings with known truth, for the tests of locating: made by the measurement model, not by the fit."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from pipelines.locating.readings import REFERENCE_PCT, Readings


@dataclass(frozen=True)
class Design:
    """How a fleet of readings is made.

    dug, far_end and known are numbers of readings of each kind, per instrument and class it reads. Instruments are
    good (scale and offset errors of a few tenths) unless planted otherwise.
    """

    classes: int = 3
    instruments: int = 6
    dug: int = 20
    far_end: int = 10
    known: int = 4
    paced_share: float = 0.0
    wrong_share: float = 0.0
    mixed_share: float = 0.0
    reads: tuple[tuple[int, ...], ...] | None = None
    scale_sd: float = 0.003
    zero_sd_m: float = 0.4
    planted_scale: dict[int, float] = field(default_factory=dict)
    planted_zero_m: dict[int, float] = field(default_factory=dict)
    noise: float = 0.02
    noise_m: float = 0.3
    section_sd: float = 0.015
    slack: float = 0.02
    slack_sd: float = 0.008
    tape: float = 0.007
    paced: float = 0.04
    register: float = 0.01
    tail_m: float = 2.0


@dataclass(frozen=True)
class Truth:
    velocity_pct: np.ndarray
    scale: np.ndarray
    zero_m: np.ndarray
    is_wrong: np.ndarray
    route_m: np.ndarray


def make_readings(design: Design, rng: np.random.Generator) -> tuple[Readings, Truth]:
    """Readings of a fleet and the truth behind them."""
    velocity = rng.uniform(48, 56, design.classes)
    scale = rng.normal(0, design.scale_sd, design.instruments)
    zero = rng.normal(0, design.zero_sd_m, design.instruments)
    for i, value in design.planted_scale.items():
        scale[i] = value
    for i, value in design.planted_zero_m.items():
        zero[i] = value
    reads = design.reads or tuple(tuple(range(design.classes)) for _ in range(design.instruments))
    per = [("dug", design.dug), ("far_end", design.far_end), ("known", design.known)]
    plan = [(i, k, kind) for i, own in enumerate(reads) for k in own for kind, count in per for _ in range(count)]
    instrument, first = np.array([p[0] for p in plan]), np.array([p[1] for p in plan])
    kind = np.array([p[2] for p in plan])
    n = len(plan)
    dug = kind == "dug"
    section = np.exp(rng.normal(np.log(85), 0.45, n))
    # four of five faults lie in the section tested, the rest one or two sections further on
    further = np.where(rng.random(n) < 0.2, section * rng.integers(1, 3, n), 0.0)
    cable = np.where(dug, np.maximum(rng.random(n) * section, 3.0) + further, section + further)
    second = (first + 1) % design.classes
    mixed = (rng.random(n) < design.mixed_share) & (design.classes > 1)
    part_first = np.where(mixed, cable * rng.uniform(0.2, 0.8, n), cable)
    own = 1 + rng.normal(0, design.section_sd, n)
    time = (part_first / velocity[first] + (cable - part_first) / velocity[second]) * own * REFERENCE_PCT
    time = time * (1 + scale[instrument]) * (1 + rng.normal(0, design.noise, n))
    time = time + zero[instrument] * 1.0 + rng.normal(0, design.noise_m, n)
    slack = 1 + rng.normal(design.slack, design.slack_sd, n)
    # tails are on record, and taken into the recorded length
    route = np.where(dug, (cable - np.minimum(design.tail_m, 0.5 * cable)) / slack, cable)
    paced = dug & (rng.random(n) < design.paced_share)
    recorded = route * (
        1
        + np.where(
            dug,
            rng.normal(0, np.where(paced, design.paced, design.tape)),
            np.where(kind == "far_end", rng.normal(0, design.register, n), 0.0),
        )
    )
    tail = np.where(dug, np.minimum(design.tail_m, 0.5 * cable), 0.0)
    wrong = dug & (rng.random(n) < design.wrong_share)
    slip = rng.choice([0.3048, 1 / 0.3048, 2.0, 0.5], n)
    slip = np.where(rng.random(n) < 0.25, rng.uniform(0.2, 2.5, n), slip)
    time = np.where(wrong, time * slip, time)
    share = part_first / cable
    length = recorded + tail
    order = np.lexsort((np.arange(n), instrument))
    rows = np.arange(n)
    is_two = mixed[order]
    part_row = np.concatenate([rows, rows[is_two]])
    part_class = np.concatenate([first[order], second[order][is_two]])
    part_m = np.concatenate([(length * share)[order], (length * (1 - share))[order][is_two]])
    by_row = np.lexsort((part_class, part_row))
    readings = Readings(
        reading_id=np.char.add("r", rows.astype(str)),
        time_m=time[order],
        length_m=length[order],
        tail_m=tail[order],
        zero_errors=np.ones(n),
        is_dug=dug[order],
        is_paced=paced[order],
        is_satellite=np.zeros(n, dtype=bool),
        is_register=(kind == "far_end")[order],
        part_row=part_row[by_row],
        part_class=part_class[by_row],
        part_m=part_m[by_row],
        instrument=instrument[order],
        run=rows,
        classes=tuple(f"class {k}" for k in range(design.classes)),
        instruments=tuple(f"I{i:03d}" for i in range(design.instruments)),
    )
    return readings, Truth(velocity, scale, zero, wrong[order], route[order])
