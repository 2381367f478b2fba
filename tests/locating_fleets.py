"""Fleets of readings with known truth, for the tests of locating: made by the measurement model, not by the fit."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from pipelines.locating.as_of import FitAsOf
from pipelines.locating.effects import describe_effects
from pipelines.locating.instrument_levels import Levels, still_levels
from pipelines.locating.line import State
from pipelines.locating.mixed_model import Solution
from pipelines.locating.noise import Noise
from pipelines.locating.readings import REFERENCE_PCT, Readings
from pipelines.locating.velocity import VelocityFit


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
        tails=dug[order].astype(float),
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


def six_readings() -> Readings:
    """One reading of each kind: taped, paced, by satellite, both ends added, no instrument on record, two classes."""
    return Readings(
        reading_id=np.array([f"r{i}" for i in range(6)]),
        time_m=np.array([108.0, 213.0, 106.0, 300.0, 48.0, 86.0]),
        length_m=np.array([102.0, 200.0, 104.0, 300.0, 50.0, 80.0]),
        tail_m=np.array([2.0, 0.0, 4.0, 0.0, 0.0, 0.0]),
        tails=np.array([1.0, 1.0, 1.0, 0.0, 0.0, 1.0]),
        zero_errors=np.array([1.0, 1.0, 1.0, 2.0, 2.0, 1.0]),
        is_dug=np.array([True, True, True, False, False, True]),
        is_paced=np.array([False, True, False, False, False, False]),
        is_satellite=np.array([False, False, True, False, False, False]),
        is_register=np.array([False, False, False, True, False, False]),
        part_row=np.array([0, 1, 2, 3, 3, 4, 5, 5]),
        part_class=np.array([0, 0, 1, 0, 1, 1, 0, 1]),
        part_m=np.array([102.0, 200.0, 104.0, 180.0, 120.0, 50.0, 60.0, 20.0]),
        instrument=np.array([0, 0, 1, 1, -1, 1]),
        run=np.array([0, 0, 1, 2, 3, 1]),
        classes=("A", "B"),
        instruments=("I1", "I2"),
    )


STATE = State(np.array([1.02, 0.95]), 0.02, 0.3, np.array([0.01, -0.02]), np.array([0.5, 3.2]))


def made_up_fit(readings: Readings | None = None) -> VelocityFit:
    """A fit nobody made: two points of arbitrary covariances, so that what is derived from it can be worked out."""
    rng = np.random.default_rng(77)

    def covariance(count: int, *size: float) -> np.ndarray:
        parts = rng.normal(0, 1, (count, len(size), len(size))) + 2 * np.eye(len(size))
        return parts @ np.swapaxes(parts, 1, 2) / 5 * np.outer(size, size)

    small = (0.004, 0.005, 0.006, 0.2)
    points = tuple(
        Solution(
            fixed=np.array([1.02, 0.95, 0.02, 0.3]) + shift * np.array([0.004, -0.006, 0.002, 0.1]),
            random=np.array([[0.01, 0.5], [-0.02, 3.2]]) + shift * np.array([[0.002, 0.1], [0.001, -0.2]]),
            inverse=covariance(1, *small)[0],
            within=covariance(2, 0.003, 0.3),
            carried=rng.normal(0, 1, (2, 2, 4)) * np.array([[0.4], [20.0]]) / np.array([1, 1, 1, 40.0]),
            criterion=0.0,
        )
        for shift in (-3, 1)
    )
    readings = readings or six_readings()
    n = len(readings)
    return VelocityFit(
        readings=readings,
        state=STATE,
        points=points,
        weights=np.array([0.25, 0.75]),
        scale_sd=np.array([0.01, 0.02]),
        zero_sd=np.array([0.4, 0.8]),
        faulty=np.array([[0.1, 0.2], [0.3, 0.9]]),
        noise=Noise(0.6, 0.03, 0.05, 0.015, 0.01, 0.04),
        factor=np.array([0.81, 1.44]),
        residual_m=np.resize([1.0, -2.0, 0.5, -0.8, 1.5, -1.2], n),
        variance_m2=np.resize([4.0, 9.0, 6.0, 16.0, 5.0, 3.0], n),
        leverage=np.resize([0.2, 0.1, 0.3, 0.25, 0.4, 0.15], n),
        right=np.resize([0.9, 0.4, 0.8, 0.95, 0.5, 0.7], n),
        own=np.stack([1e4 * np.eye(4), 2e4 * np.eye(4)]),
        has_slack=True,
        freedom=12.0,
        rounds=17,
        moved=np.zeros((2, 2, 2)),
    )


def as_it_stands(fit: VelocityFit, levels: Levels | None = None) -> FitAsOf:
    """A fit as of a day on which all its readings were made; nothing moves but as the levels say."""
    levels = levels or still_levels(len(fit.readings.instruments))
    effects = describe_effects(fit, levels, pd.Series(dtype=float))
    return FitAsOf(fit.readings, np.zeros(len(fit.readings)), pd.DataFrame(), levels, fit, effects)


def mixture_covariance(
    fit: VelocityFit, fixed_a: np.ndarray, random_a: np.ndarray, fixed_b: np.ndarray, random_b: np.ndarray, group: int
) -> float:
    """Covariance of two contrasts under the mixture of the points, from the whole covariance of fixed and random."""
    a, b = np.append(fixed_a, random_a), np.append(fixed_b, random_b)
    inner, means = [], []
    for point, scale_sd, zero_sd in zip(fit.points, fit.scale_sd, fit.zero_sd, strict=True):
        q = len(point.fixed)
        if group < 0:
            whole = np.zeros((q + 2, q + 2))
            whole[:q, :q], whole[q:, q:] = point.inverse, np.diag([scale_sd**2, zero_sd**2])
            mean = np.append(point.fixed, [0.0, 0.0])
        else:
            # u = own part - carried beta
            turn = np.block([[np.eye(q), np.zeros((q, 2))], [-point.carried[group], np.eye(2)]])
            middle = np.block([[point.inverse, np.zeros((q, 2))], [np.zeros((2, q)), point.within[group]]])
            whole, mean = turn @ middle @ turn.T, np.append(point.fixed, point.random[group])
        inner.append(a @ whole @ b)
        means.append((a @ mean, b @ mean))
    return float(fit.weights @ inner + np.cov(np.transpose(means), aweights=fit.weights, ddof=0)[0, 1])
