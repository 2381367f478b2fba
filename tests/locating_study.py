"""Scores of the fit on fleets of known truth: bias, coverage, verdicts, windows. Used by the simulation study."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace

import numpy as np
import pandas as pd

from pipelines.locating.class_and_instrument_tables import describe_classes, describe_instruments
from pipelines.locating.coverage import parametric_quantile
from pipelines.locating.placing import place_readings
from pipelines.locating.readings import REFERENCE_PCT
from pipelines.locating.velocity import VelocityFit, fit_velocity
from pipelines.locating.verdicts import check_distances, tolerated_error
from pipelines.locating.ways import Ways
from shared.settings import Settings
from tests.locating_fleets import Design, Truth, as_it_stands, make_readings

# Two classes of 120 readings; six instruments of 40 readings each, so each figure of the study is at the size it names
FORTY = Design(classes=2, instruments=6, dug=12, far_end=6, known=2, planted_scale={0: 0.03}, planted_zero_m={1: 4.0})
# a class named twice is read twice as often, so that each instrument has forty readings
ALONE = ((0, 0), (0, 1), (0, 1), (1, 1), (2, 2), (0, 1))

DESIGNS: dict[str, Design] = {
    "forty readings each": FORTY,
    "few readings": Design(classes=3, instruments=4, dug=3, far_end=1, known=0),
    "one class": replace(FORTY, classes=1, dug=24, far_end=12, known=4),
    "confounded instrument": replace(FORTY, classes=3, reads=ALONE, planted_zero_m={}, planted_scale={0: 0.03}),
    "a tenth gross errors": replace(FORTY, wrong_share=0.1),
    "three in ten paced": replace(FORTY, paced_share=0.3),
    "mixed runs": replace(FORTY, mixed_share=0.5),
    "no far ends": replace(FORTY, dug=20, far_end=0, known=0, slack=0.0),
}

COVERAGES = (0.5, 0.8, 0.95)
TOLERANCE = Settings().locating


def score_design(design: Design, fleets: int, seed: int) -> dict[str, np.ndarray]:
    """Scores of every fleet, class, instrument and new dig of a design, pooled by name."""
    found: dict[str, list[float]] = defaultdict(list)
    for fleet in range(fleets):
        rng = np.random.default_rng([seed, fleet])
        # every other fleet's faulty instrument reads near, so that bias of the method and the pull of the faulty
        # instrument on the velocity can be told apart
        side = 1 if fleet % 2 == 0 else -1
        design = replace(design, planted_scale={i: side * abs(value) for i, value in design.planted_scale.items()})
        readings, truth = make_readings(design, rng)
        fit = fit_velocity(readings, tails_recorded=True)
        _score_classes(found, fit, truth, design)
        _score_instruments(found, fit, truth, design)
        _score_windows(found, fit, truth, design, rng)
    return {name: np.array(values) for name, values in found.items()}


def _score_classes(found: dict[str, list[float]], fit: VelocityFit, truth: Truth, design: Design) -> None:
    in_use = pd.Series(truth.velocity_pct, index=list(fit.readings.classes))
    table = describe_classes(fit, in_use, Settings())
    error = table["velocity_fitted_pct"].to_numpy() - truth.velocity_pct
    inside = (table["velocity_lo"] <= truth.velocity_pct) & (truth.velocity_pct <= table["velocity_hi"])
    # no number is given where class and instrument cannot be told apart
    given = table["velocity_fitted_pct"].notna()
    found["velocity_error"] += error[given].tolist()
    # an instrument that reads far is a slower cable in disguise
    side = -np.sign(sum(design.planted_scale.values()))
    found["velocity_drawn"] += (side * error[given]).tolist()
    found["velocity_covered"] += inside[given].tolist()
    found["class_condemned"] += (table["verdict"] == "out_of_tolerance").tolist()
    found["class_not_separable"] += (table["verdict"] == "not_separable").tolist()


def _score_instruments(found: dict[str, list[float]], fit: VelocityFit, truth: Truth, design: Design) -> None:
    names = list(fit.readings.instruments)
    table = describe_instruments(as_it_stands(fit), names, pd.Series(dtype="datetime64[us, UTC]"), Settings())
    verdict = table["verdict"].to_numpy()
    slowness = REFERENCE_PCT / truth.velocity_pct.mean()
    zero = truth.zero_m / slowness
    planted = set(design.planted_scale) | set(design.planted_zero_m)
    for i in range(len(names)):
        row = table.iloc[i]
        if verdict[i] != "not_separable":
            found["scale_covered"].append(row["scale_lo"] <= 1 + truth.scale[i] <= row["scale_hi"])
        found["offset_covered"].append(row["offset_lo"] <= zero[i] <= row["offset_hi"])
        found["offset_error"].append(row["offset_m"] - zero[i])
        found["not_separable"].append(verdict[i] == "not_separable")
        if i not in planted:
            found["good_condemned"].append(verdict[i] == "out_of_tolerance")
    for i in design.planted_scale:
        row = table.iloc[i]
        if verdict[i] != "not_separable":
            found["bad_scale_se"].append((row["scale_hi"] - row["scale_lo"]) / 2 / fit.quantile(0.9))
            found["bad_scale_unseen"].append(row["scale_lo"] <= 1 <= row["scale_hi"])
        own = (fit.readings.instrument == i) & fit.readings.is_dug
        distance = check_distances(fit.readings.length_m[own], TOLERANCE)
        error = np.abs(truth.scale[i] * distance + zero[i])
        if (error > tolerated_error(distance, TOLERANCE)).any():
            found["bad_scale_passed"].append(verdict[i] == "in_tolerance")
            found["bad_scale_condemned"].append(verdict[i] == "out_of_tolerance")
    for i in design.planted_zero_m:
        found["bad_offset_passed"].append(verdict[i] == "in_tolerance")
        found["bad_offset_found"].append(verdict[i] == "out_of_tolerance")


def _score_windows(
    found: dict[str, list[float]], fit: VelocityFit, truth: Truth, design: Design, rng: np.random.Generator
) -> None:
    """New taped digs by the same instruments on single classes, the tail on record: do the windows hold them?"""
    digs = 40
    group, single = np.zeros(digs, dtype=np.int64), np.zeros(digs, dtype=np.int64)
    time, tail, taped = np.zeros(digs), np.zeros(digs), np.zeros(digs)
    for n in range(digs):
        i = group[n] = rng.integers(design.instruments)
        own = design.reads[i] if design.reads else tuple(range(design.classes))
        k = single[n] = rng.choice(own)
        cable = max(rng.random() * float(np.exp(rng.normal(np.log(85), 0.45))), 3.0)
        tail[n] = min(design.tail_m, 0.5 * cable)
        route = (cable - tail[n]) / (1 + rng.normal(design.slack, design.slack_sd))
        flown = cable * REFERENCE_PCT / truth.velocity_pct[k] * (1 + rng.normal(0, design.section_sd))
        time[n] = flown * (1 + truth.scale[i]) * (1 + rng.normal(0, design.noise)) + truth.zero_m[i]
        time[n] += rng.normal(0, design.noise_m)
        taped[n] = route * (1 + rng.normal(0, design.tape))
    # tail, then cable that goes on
    twice, is_tail = np.repeat(np.arange(digs), 2), np.tile([True, False], digs)
    ways = Ways(twice, single[twice], np.tile([0.0, 1.0], digs), tail[twice] * is_tail, is_tail, digs)
    nothing = np.zeros(digs)
    placed = place_readings(
        as_it_stands(fit).effects, ways, time, group + 1, years=nothing, moved=(nothing, nothing),
        further_variance_m2=nothing, is_tail_known=True,
    )  # fmt: skip
    for coverage in COVERAGES:
        half = placed.se_m * parametric_quantile(coverage, fit.freedom, 0.0)
        found[f"window_{coverage}"] += (np.abs(placed.corrected_m - taped) <= half).tolist()


def summarise(scores: dict[str, np.ndarray]) -> dict[str, float]:
    """Figures of the study, one design."""
    summary = {
        "velocity bias": scores["velocity_error"].mean(),
        "velocity sd": scores["velocity_error"].std(),
        "velocity drawn": scores["velocity_drawn"].mean(),
        "velocity covered": scores["velocity_covered"].mean(),
        "scale covered": scores["scale_covered"].mean(),
        "offset covered": scores["offset_covered"].mean(),
        "offset rmse m": float(np.sqrt((scores["offset_error"] ** 2).mean())),
        "offset within 0.5 m": (np.abs(scores["offset_error"]) < 0.5).mean(),
        "good condemned": scores["good_condemned"].mean(),
        "class condemned": scores["class_condemned"].mean(),
        "not separable": scores["not_separable"].mean(),
        "class not separable": scores["class_not_separable"].mean(),
    }
    for name in scores:
        if name.startswith("bad_"):
            summary[name.replace("_", " ")] = scores[name].mean()
    for coverage in COVERAGES:
        summary[f"window {coverage:.0%}"] = scores[f"window_{coverage}"].mean()
    return {name: float(value) for name, value in summary.items()}


COLUMNS = {
    "velocity bias": "bias",
    "velocity drawn": "drawn",
    "velocity covered": "v held",
    "scale covered": "s held",
    "offset covered": "o held",
    "offset rmse m": "o rmse",
    "offset within 0.5 m": "o<0.5",
    "good condemned": "false",
    "bad scale unseen": "unseen",
    "bad scale passed": "passed",
    "bad scale condemned": "condemned",
    "bad scale se": "s se",
    "bad offset found": "o found",
    "window 50%": "w50",
    "window 80%": "w80",
    "window 95%": "w95",
}
LEGEND = """bias: mean error of the velocity, points of c; drawn: the part of it towards the one instrument 3 % off
v, s, o held: share of 90 % limits of velocity, scale and offset that hold the truth
o rmse, o<0.5: error of the offset in metres, and share within half a metre; o found: 4 m offset found out of tolerance
false: good instruments called out of tolerance
unseen: 3 % scale error whose 90 % limits do not exclude none; s se: standard error of that scale
passed, condemned: of such instruments truly out of tolerance where they dig, called in it and called out of it
w50, w80, w95: share of new digs inside their windows"""


def print_study(fleets: int, seed: int, designs: list[str]) -> None:
    """The study as a table, a line a design; every design where none is named."""
    print(f"{fleets} fleets a design, seed {seed}")
    print("design".ljust(24) + "".join(name.rjust(10) for name in ("fleets", *COLUMNS.values())))
    for title in designs or DESIGNS:
        figures = summarise(score_design(DESIGNS[title], fleets, seed))
        cells = [
            f"{figures[name]:+.3f}"
            if "bias" in name or "drawn" in name
            else f"{figures[name]:.3f}"
            if name in figures
            else "-"
            for name in COLUMNS
        ]
        print(title.ljust(24) + "".join(cell.rjust(10) for cell in (str(fleets), *cells)), flush=True)
    print(LEGEND)
