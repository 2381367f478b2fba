"""Reads the readings, fits them, writes the fitted tables: the only place of the topic that touches the store."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pipelines.locating.class_and_instrument_tables import describe_classes, describe_instruments, describe_noise
from pipelines.locating.correction import correct_distances, fit_lines, mean_section_slowness
from pipelines.locating.coverage import backtest_windows, choose_method, fit_quantiles, summarise_coverage
from pipelines.locating.drift import chart_drift, describe_drift
from pipelines.locating.forward import foresee_digs
from pipelines.locating.identifiability import common_scale_sd
from pipelines.locating.line import cable_time, effects_of
from pipelines.locating.noise import length_variance
from pipelines.locating.proposals import describe_reads_long, propose_settings
from pipelines.locating.readings import Readings, select_readings
from pipelines.locating.register import find_contradicted_lengths
from pipelines.locating.season import fit_season, season_errors, season_shift, take_season_off
from pipelines.locating.velocity import VelocityFit, fit_velocity
from pipelines.locating.window import COVERAGES
from shared import dictionary
from shared.settings import Settings
from shared.store import read_model, write_tables

if TYPE_CHECKING:
    import duckdb

TABLES = (
    "marts.velocity_by_class",
    "marts.instrument_bias",
    "fitted.corrected_distances",
    "fitted.locating_lines",
    "fitted.window_quantiles",
    "fitted.window_backtest",
    "marts.window_coverage",
    "fitted.locating_noise",
    "marts.setting_proposals",
    "marts.reads_long",
    "marts.drift_chart",
    "marts.instrument_drift",
    "marts.season",
    "marts.register_lengths",
)


def run(con: duckdb.DuckDBPyConnection, settings: Settings) -> dict[str, int]:
    """Fit the readings and write the tables of the topic; returns rows by table."""
    # ---- read
    inputs = read_inputs(con)

    # ---- compute
    frames = fit_tables(inputs, settings)

    # ---- write
    return write_tables(con, frames)


@dataclass(frozen=True)
class Inputs:
    """The tables the topic reads: core.locating_readings and its kin, and sections, pieces, instruments of staging."""

    readings: pd.DataFrame
    paths: pd.DataFrame
    runs: pd.DataFrame
    spans: pd.DataFrame
    sections: pd.DataFrame
    pieces: pd.DataFrame
    instruments: pd.DataFrame
    tails_recorded: bool


def read_inputs(con: duckdb.DuckDBPyConnection) -> Inputs:
    """The tables the topic reads, from a warehouse with staging and core built."""
    return Inputs(
        readings=read_model(con, "core.locating_readings"),
        paths=read_model(con, "core.locating_paths"),
        runs=read_model(con, "core.locating_runs"),
        spans=read_model(con, "core.locating_spans"),
        sections=read_model(
            con, "staging.sections", columns=("section_id", "loop_id", "cable_class", "insulation", "length_m")
        ),
        pieces=read_model(con, "staging.section_pieces", columns=("section_id", "from_m", "to_m", "cable_class")),
        instruments=read_model(con, "staging.instruments", columns=("instrument_id", "last_calibrated_on")),
        tails_recorded=bool(
            con.execute("select count(tail_m) > 0.5 * count(*) from staging.terminals").fetchall()[0][0]
        ),
    )


@dataclass(frozen=True)
class Fitted:
    """Usable readings as received, their facts, the season in them, and the fit with it taken off where carried."""

    readings: Readings
    facts: pd.DataFrame
    season: pd.DataFrame
    fit: VelocityFit


def fit_readings(inputs: Inputs, coverage: float) -> Fitted | None:
    """Fit the usable readings; none where nothing is usable."""
    readings = select_readings(inputs.readings, inputs.paths)
    if not len(readings):
        return None
    facts = reading_facts(readings, inputs)
    fit = fit_velocity(readings, tails_recorded=inputs.tails_recorded)
    season = fit_season(season_errors(fit, facts), coverage)
    if season["is_carried"].any():
        calm = take_season_off(readings, season_shift(season, facts["insulation"], facts["read_at"]))
        fit = fit_velocity(calm, tails_recorded=inputs.tails_recorded)
    return Fitted(readings, facts, season, fit)


def fit_tables(inputs: Inputs, settings: Settings) -> dict[str, pd.DataFrame]:
    """Every fitted table of the topic; empty ones where no reading is usable."""
    table, coverage = inputs.readings, settings.general.interval_coverage
    found = fit_readings(inputs, coverage)
    last_at = table[table["is_usable"].astype(bool)].groupby("instrument_id")["read_at"].max()
    names = sorted({*inputs.instruments["instrument_id"], *(found.readings.instruments if found else ())})
    frames = {name: pd.DataFrame(columns=list(dictionary.tables()[name].columns)) for name in TABLES}
    frames["marts.reads_long"] = describe_reads_long(dug_with_both(table), coverage)
    if found is None:
        frames["marts.instrument_bias"] = (
            frames["marts.instrument_bias"]
            .reindex(range(len(names)))
            .assign(instrument_id=names, readings=0, verdict="too_few_readings")
        )
        return frames
    fit, facts = found.fit, found.facts
    foreseen = foresee_digs(found.readings, facts, coverage, tails_recorded=inputs.tails_recorded)
    frames["marts.season"] = found.season
    frames["marts.velocity_by_class"] = describe_classes(fit, median_settings(fit.readings, table), settings)
    frames["marts.instrument_bias"] = describe_instruments(fit, names, last_at, settings)
    frames["fitted.locating_noise"] = describe_noise(fit)
    frames["fitted.locating_lines"] = fit_lines(fit)
    frames |= _digs_and_windows(fit, inputs, foreseen, frames["fitted.locating_lines"], settings)
    frames |= _drift(fit, inputs, facts, coverage)
    frames["marts.register_lengths"] = _register_lengths(fit, inputs)
    return frames


def reading_facts(readings: Readings, inputs: Inputs) -> pd.DataFrame:
    """Moment, instrument, class and insulation of every reading of the fit, in its order."""
    insulation = inputs.sections.drop_duplicates("cable_class").set_index("cable_class")["insulation"]
    frame = inputs.readings.set_index("reading_id").reindex(list(readings.reading_id)).reset_index()
    return frame[["reading_id", "read_at", "instrument_id", "cable_class"]].assign(
        insulation=frame["cable_class"].map(insulation)
    )


def dug_with_both(table: pd.DataFrame) -> pd.DataFrame:
    """Dug readings with both distances, back-filled ones left out, with or without a setting on record."""
    return table[
        (table["reading_kind"] == "dug") & (table["is_usable"] | (table["unusable_because"] == "setting_unknown"))
    ]


def _digs_and_windows(
    fit: VelocityFit, inputs: Inputs, foreseen: pd.DataFrame, lines: pd.DataFrame, settings: Settings
) -> dict[str, pd.DataFrame]:
    slowness = mean_section_slowness(inputs.sections, inputs.pieces, fit.readings.classes, fit.state.slowness)
    corrected = correct_distances(fit, inputs.runs, slowness)
    facts = [
        "reading_id",
        "job_id",
        "read_at",
        "cable_class",
        "instrument_id",
        "true_length_m",
        "displayed_distance_m",
        "velocity_setting_pct",
    ]
    digs = corrected.merge(inputs.readings[facts], on="reading_id", how="left")
    ahead = foreseen.merge(digs, on="reading_id", how="inner")
    tested = backtest_windows(ahead, COVERAGES)
    method = choose_method(tested)
    return {
        "fitted.corrected_distances": digs[[*corrected.columns, "job_id"]],
        "fitted.window_quantiles": fit_quantiles(ahead, method, COVERAGES, fit.freedom, fit.noise.wrong_share),
        "fitted.window_backtest": tested.assign(is_used=tested["window_method"] == method),
        "marts.window_coverage": summarise_coverage(tested, method, settings.general.interval_coverage),
        "marts.setting_proposals": propose_settings(fit, lines, digs, settings),
    }


def _drift(fit: VelocityFit, inputs: Inputs, facts: pd.DataFrame, coverage: float) -> dict[str, pd.DataFrame]:
    time = cable_time(fit.readings, fit.state)
    leave_out = fit.residual_m / (1.0 - fit.leverage)
    # a scale that cannot be told from the class is no error to be charted
    scale = np.where(common_scale_sd(fit) < 0.02, fit.state.scale, 0.0)
    charted = facts.assign(
        relative_error=leave_out / time + effects_of(fit.readings, scale), standard_error=fit.variance_m2**0.5 / time
    )[fit.right > 0.5].dropna(subset=["instrument_id"])
    chart = chart_drift(charted)
    calibrated = inputs.instruments.set_index("instrument_id")["last_calibrated_on"]
    return {"marts.drift_chart": chart, "marts.instrument_drift": describe_drift(chart, charted, calibrated, coverage)}


def _register_lengths(fit: VelocityFit, inputs: Inputs) -> pd.DataFrame:
    ends = fit.readings.is_register
    slowness = cable_time(fit.readings, fit.state) / fit.readings.length_m
    noise_m2 = (fit.variance_m2 - length_variance(fit.readings, fit.noise)).clip(min=0.01)
    held_against = pd.DataFrame(
        {
            "reading_id": fit.readings.reading_id,
            "excess_m": fit.residual_m / slowness,
            "standard_error_m": noise_m2**0.5 / slowness,
        }
    )[ends]
    found = find_contradicted_lengths(
        inputs.spans, held_against, inputs.sections[["section_id", "loop_id", "cable_class", "length_m"]]
    )
    return found[found["is_contradicted"]].drop(columns="is_contradicted")


def median_settings(readings: Readings, table: pd.DataFrame) -> pd.Series:
    """Median setting in use by class, over the readings of a fault or of a cable's end that pass the class.

    Calibration readings on a known run are left out: they are not how the crews work.
    """
    at_work = table[table["reading_kind"] != "known_length"].set_index("reading_id")["velocity_setting_pct"]
    setting = at_work.reindex(readings.reading_id).to_numpy(float)[readings.part_row]
    by_class = pd.Series(setting).groupby(readings.part_class).median()
    by_class.index = [readings.classes[k] for k in by_class.index]
    return by_class
