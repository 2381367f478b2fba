"""Reads the readings, fits them, writes the fitted tables: the only place of the topic that touches the store."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from pipelines.locating.correction import correct_distances, fit_lines, mean_section_slowness
from pipelines.locating.coverage import backtest_windows, choose_method, fit_quantiles, summarise_coverage
from pipelines.locating.estimates import describe_classes, describe_instruments, describe_noise
from pipelines.locating.readings import Readings, select_readings
from pipelines.locating.velocity import fit_velocity
from pipelines.locating.window import LEVELS
from shared import dictionary
from shared.settings import Settings
from shared.store import read_model, write_table

if TYPE_CHECKING:
    import duckdb

TABLES = (
    "fitted.velocity_by_class", "fitted.instrument_bias", "fitted.corrected_distances", "fitted.locating_lines",
    "fitted.window_quantiles", "fitted.window_coverage", "fitted.locating_noise",
)


def run(con: duckdb.DuckDBPyConnection, settings: Settings) -> dict[str, int]:
    """Fit the readings and write the tables of the topic; returns rows by table."""
    # ---- read
    table = read_model(con, "core.locating_readings")
    paths = read_model(con, "core.locating_paths")
    runs = read_model(con, "core.locating_runs")
    sections = con.execute("select section_id, cable_class, length_m from staging.sections order by section_id").df()
    pieces = con.execute(
        "select section_id, from_m, to_m, cable_class from staging.section_pieces order by section_id, from_m",
    ).df()
    instruments = con.execute("select instrument_id from staging.instruments order by instrument_id").df()
    has_tails = con.execute("select count(tail_m) > 0.5 * count(*) from staging.terminals").fetchone()

    # ---- compute
    frames = fit_tables(
        table, paths, runs, sections, pieces, instruments["instrument_id"].tolist(), settings,
        tails_recorded=bool(has_tails and has_tails[0]),
    )

    # ---- write
    return {name: write_table(con, name, frames[name]) for name in TABLES}


def fit_tables(
    table: pd.DataFrame, paths: pd.DataFrame, runs: pd.DataFrame, sections: pd.DataFrame, pieces: pd.DataFrame,
    instruments: list[str], settings: Settings, *, tails_recorded: bool,
) -> dict[str, pd.DataFrame]:
    """Every fitted table of the topic; empty ones where no reading is usable."""
    readings = select_readings(table, paths)
    last_at = table[table["is_usable"].astype(bool)].groupby("instrument_id")["read_at"].max()
    names = sorted({*instruments, *readings.instruments})
    frames = {name: pd.DataFrame(columns=list(dictionary.tables()[name].columns)) for name in TABLES}
    if not len(readings):
        frames["fitted.instrument_bias"] = frames["fitted.instrument_bias"].reindex(range(len(names))).assign(
            instrument_id=names, readings=0, verdict="too_few_readings",
        )
        return frames
    fit = fit_velocity(readings, tails_recorded=tails_recorded)
    slowness = mean_section_slowness(sections, pieces, readings.classes, fit.state.slowness)
    corrected = correct_distances(fit, runs, slowness)
    facts = ["reading_id", "job_id", "read_at", "cable_class", "instrument_id", "true_length_m"]
    digs = corrected.merge(table[facts], on="reading_id", how="left")
    tested = backtest_windows(digs, LEVELS, fit.freedom, fit.noise.wrong_share)
    method = choose_method(tested)
    frames["fitted.velocity_by_class"] = describe_classes(fit, median_settings(readings, table), settings)
    frames["fitted.instrument_bias"] = describe_instruments(fit, names, last_at, settings)
    frames["fitted.corrected_distances"] = digs[[*corrected.columns, "job_id"]]
    frames["fitted.locating_lines"] = fit_lines(fit)
    frames["fitted.window_quantiles"] = fit_quantiles(digs, method, LEVELS, fit.freedom, fit.noise.wrong_share)
    frames["fitted.window_coverage"] = summarise_coverage(tested, method, settings.general.interval_level)
    frames["fitted.locating_noise"] = describe_noise(fit)
    return frames


def median_settings(readings: Readings, table: pd.DataFrame) -> pd.Series:
    """Median setting in use by class, over the readings of a fault or of a cable's end that pass the class.

    Calibration readings on a known run are left out: they are not how the crews work.
    """
    at_work = table[table["reading_kind"] != "known_length"].set_index("reading_id")["velocity_setting_pct"]
    setting = at_work.reindex(readings.reading_id).to_numpy(float)[readings.part_row]
    by_class = pd.Series(setting).groupby(readings.part_class).median()
    by_class.index = [readings.classes[k] for k in by_class.index]
    return by_class
