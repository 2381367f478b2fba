"""Reads the readings, fits them, writes the fitted tables: the only place of the topic that touches the store."""

from dataclasses import dataclass
from functools import partial

import duckdb
import numpy as np
import pandas as pd

from pipelines.locating.as_of import FitAsOf, fit_as_of
from pipelines.locating.class_and_instrument_tables import describe_classes, describe_instruments, describe_noise
from pipelines.locating.correction import Register, correct_digs
from pipelines.locating.coverage import backtest_windows, fit_quantiles, summarise_coverage
from pipelines.locating.drift import chart_drift, describe_drift, describe_levels
from pipelines.locating.effects import store_effects
from pipelines.locating.forward import foresee_digs
from pipelines.locating.identifiability import common_scale_sd
from pipelines.locating.instrument_levels import expected_time
from pipelines.locating.line import cable_time, effects_of
from pipelines.locating.noise import length_variance
from pipelines.locating.proposals import describe_reads_long, propose_settings
from pipelines.locating.readings import Readings, select_readings
from pipelines.locating.register import find_contradicted_lengths
from pipelines.locating.velocity import VelocityFit
from pipelines.locating.window import COVERAGES
from shared import dictionary
from shared.settings import Settings
from shared.store import read_model, write_tables

TABLES = dictionary.tables_made_in("pipelines/locating")


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
    terminal_tails: pd.Series
    as_of: pd.Timestamp


def read_inputs(con: duckdb.DuckDBPyConnection) -> Inputs:
    """The tables the topic reads, from a warehouse with staging and core built."""
    tails = read_model(con, "staging.terminals", columns=("tail_m",))["tail_m"].astype(float)
    return Inputs(
        readings=read_model(con, "core.locating_readings"),
        paths=read_model(con, "core.locating_paths"),
        runs=read_model(con, "core.locating_runs"),
        spans=read_model(con, "core.locating_spans"),
        sections=read_model(
            con, "staging.sections", columns=("section_id", "loop_id", "cable_class", "insulation", "length_m")
        ),
        pieces=read_model(
            con, "staging.section_pieces", columns=("section_id", "from_m", "to_m", "cable_class", "installed_on")
        ),
        instruments=read_model(con, "staging.instruments", columns=("instrument_id", "last_calibrated_on")),
        tails_recorded=bool(tails.notna().mean() > 0.5),
        terminal_tails=tails,
        as_of=pd.Timestamp(con.execute("select general_as_of from settings.current").fetchall()[0][0], tz="UTC"),
    )


def fit_tables(inputs: Inputs, settings: Settings) -> dict[str, pd.DataFrame]:
    """Every fitted table of the topic; empty ones where no reading is usable."""
    table, coverage = inputs.readings, settings.general.interval_coverage
    readings = select_readings(inputs.readings, inputs.paths, inputs.runs)
    last_at = table[table["is_usable"].astype(bool)].groupby("instrument_id")["read_at"].max()
    names = sorted({*inputs.instruments["instrument_id"], *readings.instruments})
    frames = {name: dictionary.make_frame(name) for name in TABLES}
    frames["marts.reads_long"] = describe_reads_long(dug_with_both(table), coverage)
    if not len(readings):
        frames["marts.instrument_bias"] = (
            frames["marts.instrument_bias"]
            .reindex(range(len(names)))
            .assign(
                instrument_id=names, readings=0, verdict="too_few_readings", verdict_reason="no_reading",
                is_drifting=False, drift_verdict="cannot_tell",
            )
        )  # fmt: skip
        return frames
    facts = reading_facts(readings, inputs)
    found = fit_before(inputs, settings, readings, facts, inputs.as_of)
    fit = found.fit
    frames["marts.season"] = found.season
    frames["marts.velocity_by_class"] = describe_classes(fit, median_settings(fit.readings, table), settings)
    frames["marts.instrument_bias"] = describe_instruments(found, names, last_at, settings)
    frames["marts.instrument_levels"] = describe_levels(found, inputs.as_of, settings)
    frames["fitted.locating_noise"] = describe_noise(fit)
    frames |= store_effects(found.effects)
    frames |= _digs_and_windows(found, inputs, readings, facts, settings)
    frames |= _drift(found, inputs, facts, settings)
    frames["marts.register_lengths"] = _register_lengths(fit, inputs)
    return frames


def fit_before(
    inputs: Inputs, settings: Settings, readings: Readings, facts: pd.DataFrame, as_of: pd.Timestamp
) -> FitAsOf:
    """The fit of readings as of a day, as the tables and settings say."""
    return fit_as_of(
        readings,
        facts,
        as_of,
        inputs.instruments.set_index("instrument_id")["last_calibrated_on"],
        inputs.terminal_tails,
        tails_recorded=inputs.tails_recorded,
        usual_tail_m=settings.locating.usual_tail_m,
        coverage=settings.general.interval_coverage,
    )


def reading_facts(readings: Readings, inputs: Inputs) -> pd.DataFrame:
    """Moment, instrument, class, insulation and true length of every reading of the fit, in its order."""
    insulation = inputs.sections.drop_duplicates("cable_class").set_index("cable_class")["insulation"]
    frame = inputs.readings.set_index("reading_id").reindex(list(readings.reading_id)).reset_index()
    return frame[["reading_id", "read_at", "instrument_id", "cable_class", "true_length_m"]].assign(
        insulation=frame["cable_class"].map(insulation)
    )


def dug_with_both(table: pd.DataFrame) -> pd.DataFrame:
    """Dug readings with both distances, back-filled ones left out, with or without a setting on record."""
    return table[
        (table["reading_kind"] == "dug") & (table["is_usable"] | (table["unusable_because"] == "setting_unknown"))
    ]


def _digs_and_windows(
    found: FitAsOf, inputs: Inputs, readings: Readings, facts: pd.DataFrame, settings: Settings
) -> dict[str, pd.DataFrame]:
    fit, register = found.fit, Register(inputs.readings, inputs.runs, inputs.pieces, settings.locating)
    corrected = correct_digs(fit, found.effects, register)
    foreseen = foresee_digs(readings, facts, register, partial(fit_before, inputs, settings))
    columns = [
        "reading_id", "job_id", "read_at", "cable_class", "instrument_id", "true_length_m", "displayed_distance_m",
        "velocity_setting_pct",
    ]  # fmt: skip
    digs = corrected.merge(inputs.readings[columns], on="reading_id", how="left")
    ahead = foreseen.merge(digs, on="reading_id", how="inner")
    tables = {
        "fitted.corrected_distances": digs[[*corrected.columns, "job_id"]],
        "fitted.window_quantiles": fit_quantiles(ahead, COVERAGES, fit.freedom, fit.noise.wrong_share),
        "marts.setting_proposals": propose_settings(fit, digs, settings),
    }
    if len(ahead):
        tested = backtest_windows(ahead, COVERAGES)
        tables["fitted.window_backtest"] = tested
        tables["marts.window_coverage"] = summarise_coverage(tested, settings.general.interval_coverage)
    return tables


def _drift(found: FitAsOf, inputs: Inputs, facts: pd.DataFrame, settings: Settings) -> dict[str, pd.DataFrame]:
    fit = found.fit
    time = expected_time(fit)
    # the movement goes back on what was taken off it; a scale that cannot be told from the class is no error
    scale = np.where(common_scale_sd(fit) < 0.02, fit.state.scale, 0.0)
    moved = found.levels.shift(fit.readings.instrument, found.years)[0]
    charted = facts.assign(
        relative_error=fit.residual_m / (1.0 - fit.leverage) / time + moved + effects_of(fit.readings, scale),
        standard_error=fit.variance_m2**0.5 / time,
    )[fit.right > 0.5].dropna(subset=["instrument_id"])
    chart = chart_drift(charted)
    calibrated = inputs.instruments.set_index("instrument_id")["last_calibrated_on"]
    return {
        "marts.drift_chart": chart,
        "marts.instrument_drift": describe_drift(chart, found, inputs.as_of, calibrated, settings),
    }


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
