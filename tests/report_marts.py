"""Small invented marts for the tests of the reports: right columns, plausible figures, no meaning."""

from __future__ import annotations

from contextlib import nullcontext
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd

from pipelines import publish, warehouse
from reports.marts import Judged, judged
from reports.results import Results
from reports.standing import write_reports
from shared import dictionary
from shared.intervals import poisson_limits
from shared.settings import Settings
from shared.store import Workspace, has_table, open_warehouse, write_settings, write_table

CLASSES = ("HMWPE/bare/buried", "XLPE/bare/buried", "XLPE/jacketed/buried", "TRXLPE/jacketed/duct", "EPR/jacketed/duct")
DISTRICTS = ("Alder", "Birch", "Cedar")
STAGES = {
    "report_to_dispatch": 14,
    "dispatch_to_arrive": 41,
    "arrive_to_locate": 96,
    "locate_to_restore": 38,
    "report_to_restore": 189,
    "locate_to_pinpoint": 160,
    "restore_to_repair": 2_900,
    "repair_to_normal": 5_200,
    "repair_to_close": 9_000,
}
RULES = (
    "model",
    "most_failures",
    "recent_failures",
    "failures_per_km",
    "oldest_first",
    "three_in_five_years",
    "random",
)


def with_poisson_limits(rows: pd.DataFrame) -> pd.DataFrame:
    """Counts seen with their exact limits, as the step of the back-test writes them."""
    lo, hi = poisson_limits(rows["observed"].to_numpy(), 0.9)
    return rows.assign(observed_lo=lo, observed_hi=hi)


def summed_up(rows: pd.DataFrame, reference: str) -> pd.DataFrame:
    """The back-test of one date as if it were all dates together, with invented limits."""
    last = rows[rows["origin"] == rows["origin"].max()].drop(columns=["origin", "horizon_years"])
    share = last["capture_fraction"]
    fraction = "length_fraction" if "length_fraction" in last else "cost_fraction"
    model = last[last["rule"] == reference].set_index(["level", fraction])["capture_fraction"]
    gap = share - model.loc[pd.MultiIndex.from_frame(last[["level", fraction]])].to_numpy()
    return last.rename(columns={"failures_total": "failures_distinct"}).assign(
        origins=2, capture_lo=share - 0.03, capture_hi=share + 0.03, difference_to_model=gap,
        difference_lo=gap - 0.02, difference_hi=gap + 0.02,
        verdict=np.where(last["rule"] == reference, None, np.where(gap < -0.02, "worse", "cannot_tell")),
    )  # fmt: skip


def filled(table: str, frame: pd.DataFrame) -> pd.DataFrame:
    """The frame with every column of the dictionary's table; of those not given, counts are 0, the others missing."""
    facts = dictionary.columns()
    whole = frame.reindex(columns=list(dictionary.tables()[table].columns))
    absent = [c for c in whole.columns if c not in frame.columns and facts[c].type in ("integer", "number")]
    return whole.fillna(dict.fromkeys(absent, 0)) if table.startswith("marts.") else whole


class Given:
    """Tables by name; one that is not given has its columns and no row, and what pages state is made from the rest."""

    def __init__(self, tables: dict[str, pd.DataFrame], settings: Settings | None = None) -> None:
        self.tables, self.settings = tables, settings or Settings()

    def read(self, name: str) -> pd.DataFrame:
        if name not in self.tables and name.endswith("_findings"):
            return self.made(name)
        return self.tables.get(name, pd.DataFrame(columns=list(dictionary.tables()[name].columns))).copy()

    def read_only(self, name: str, column: str, values: list[str]) -> pd.DataFrame:
        rows = self.read(name)
        return rows[rows[column].isin(values)].reset_index(drop=True)

    def fills(self, name: str, column: str = "") -> bool:
        rows = self.read(name)
        return bool(rows[column].notna().any()) if column else len(rows) > 0

    def made(self, name: str) -> pd.DataFrame:
        """The rows of a model, from the tables given."""
        with duckdb.connect() as con:
            warehouse.load_macros(con)
            for schema in ("settings", "marts", "fitted"):
                con.execute(f"create schema {schema}")
            write_settings(con, self.settings)
            for needed in warehouse.models()[name].reads:
                if not needed.startswith("settings."):
                    write_table(con, needed, self.read(needed).reindex(columns=dictionary.tables()[needed].columns))
            return con.execute(warehouse.models()[name].query).df()


def found_in(topic: str, tables: dict[str, pd.DataFrame], settings: Settings | None = None) -> Judged:
    """What the page of a topic states, from the tables given."""
    return judged(Given(tables, settings), topic)


def write_small_marts(con: duckdb.DuckDBPyConnection, *, loops: int = 40, digs: int = 120, seed: int = 5) -> None:
    """Write every export mart with a few invented rows."""
    draws = np.random.default_rng(seed)
    for name, frame in {
        **restoration_marts(draws),
        **locating_marts(draws, digs),
        **survival_marts(draws),
        **replacement_marts(draws, loops),
        **evaluation_marts(draws),
        **firmness_marts(loops),
        **strip_marts(loops),
        "marts.quarantine": quarantine_mart(),
        "core.job_stages": job_stages(draws),
        "staging.loops": pd.DataFrame(
            {"loop_id": (f"L-{n:06d}" for n in range(1, loops + 1)), "district_id": DISTRICTS[0]}
        ),
    }.items():
        write_table(con, name, filled(name, frame))
    stated = [
        m for m in warehouse.build_order(("marts",)) if m.table.endswith("_findings") or m.table.endswith("_pooled")
    ]
    warehouse.load_macros(con)
    write_settings(con, Settings())
    for model in stated:
        for needed in model.reads:
            if not needed.startswith("settings.") and not has_table(con, needed):
                write_table(con, needed, pd.DataFrame(columns=list(dictionary.tables()[needed].columns)))
        con.execute(f"create or replace table {model.table} as\n{model.query}")


def publish_small(
    folder: Path, settings: Settings, con: duckdb.DuckDBPyConnection | None = None, *, loops: int = 40
) -> Path:
    """The results of small marts, or of a warehouse, as a run publishes them; returns the file."""
    folder.mkdir(parents=True, exist_ok=True)
    with open_warehouse(Workspace(folder / "small")) if con is None else nullcontext(con) as opened:
        if con is None:
            write_small_marts(opened, loops=loops)
        write_settings(opened, settings)
        file = folder / "results.duckdb"
        file.unlink(missing_ok=True)
        publish.write_results(opened, file, settings)
    return file


def write_pages(
    folder: Path, settings: Settings, con: duckdb.DuckDBPyConnection | None = None, *, loops: int = 40
) -> list[Path]:
    """The standing pages of small marts, or of a warehouse, in the folder's reports."""
    with Results(publish_small(folder, settings, con, loops=loops)) as results:
        return write_reports(results, folder / "reports", folder / "before")


def around(values: np.ndarray, draws: np.random.Generator, share: float = 0.15) -> dict[str, np.ndarray]:
    """Limits on both sides of values."""
    width = share * values * draws.uniform(0.7, 1.3, len(values))
    return {"lo": values - width, "hi": values + width}


def restoration_marts(draws: np.random.Generator) -> dict[str, pd.DataFrame]:
    groups = [("all", "all")] + [("district", d) for d in DISTRICTS]
    groups += [("method", m) for m in ("arc_reflection", "sectionalizing", "visual")]
    groups += [("cable_class", c) for c in CLASSES] + [("year", str(y)) for y in range(2016, 2026)]
    groups += [("month", f"{m:%Y-%m}") for m in pd.date_range("2024-01-01", "2025-12-01", freq="MS")]
    summary = pd.DataFrame(groups, columns=["grouped_by", "group_name"])
    summary["jobs"] = np.where(summary["grouped_by"] == "all", 2_000, draws.integers(4, 300, len(summary)))
    for what, mean in (("locate", 96.0), ("restore", 189.0)):
        values = mean * draws.uniform(0.8, 1.25, len(summary))
        edges = around(values, draws)
        summary[f"mean_time_to_{what}_min"] = values
        summary[f"mean_time_to_{what}_lo"], summary[f"mean_time_to_{what}_hi"] = edges["lo"], edges["hi"]
        summary[f"median_time_to_{what}_min"] = values * 0.85
        summary[f"p90_time_to_{what}_min"] = values * 1.9
    summary["customers_interrupted"] = summary["jobs"] * 61
    summary["customer_minutes"] = summary["customers_interrupted"] * 140.0
    yearly = summary["grouped_by"] == "year"
    summary["saidi_min"] = np.where(yearly, draws.uniform(4, 9, len(summary)), np.nan)
    summary["saifi"] = summary["saidi_min"] / 130
    summary["caidi_min"] = np.where(yearly, 130.0, np.nan)
    rows = []
    for grouping, group in groups[:4]:
        for stage, mean in STAGES.items():
            rows.append((grouping, group, stage, 900, mean, mean * 0.93, mean * 1.08, mean * 0.8, mean * 2.1))
    columns = ["grouped_by", "group_name", "stage", "jobs", "mean_min", "mean_lo", "mean_hi", "median_min", "p90_min"]
    return {"marts.restoration_summary": summary, "marts.restoration_stages": pd.DataFrame(rows, columns=columns)}


def job_stages(draws: np.random.Generator, jobs: int = 600) -> pd.DataFrame:
    """Jobs with the minutes of their stages, in whole minutes, some missing."""
    minutes = {
        f"{stage}_min": np.where(draws.random(jobs) < 0.1, np.nan, draws.gamma(2.0, mean / 2, jobs).round())
        for stage, mean in list(STAGES.items())[:5]
    }
    return pd.DataFrame({
        "job_id": [f"J-{n:05d}" for n in range(jobs)], "district_id": np.array(DISTRICTS)[draws.integers(0, 3, jobs)],
        "reported_year": draws.integers(2016, 2026, jobs), **minutes,
    })  # fmt: skip


def locating_marts(draws: np.random.Generator, digs: int) -> dict[str, pd.DataFrame]:
    dug = draws.uniform(10, 600, digs)
    instruments = np.array(["R-01", "R-02", "R-03"])[draws.integers(0, 3, digs)]
    error = dug * np.where(instruments == "R-02", 0.057, 0.002) + np.where(instruments == "R-03", 3.2, 0.0)
    error = error + draws.normal(0, 0.015, digs) * dug
    errors = pd.DataFrame(
        {
            "job_id": [f"J-{n:05d}" for n in range(digs)],
            "loop_id": "L-0001",
            "section_id": "S-0001",
            "cable_class": np.array(CLASSES)[draws.integers(0, 5, digs)],
            "instrument_id": instruments,
            "velocity_setting_pct": 53.0,
            "estimated_distance_m": dug + error,
            "dug_distance_m": dug,
            "error_m": error,
            "error_pct": 100 * error / dug,
            "corrected_distance_m": dug + error / 4,
            "corrected_error_m": error / 4,
            "called_section_id": "S-0001",
            "section_called_right": draws.random(digs) < 0.8,
            "record_contradiction": None,
        }
    )
    fitted = np.array([55.4, 53.1, 53.3, 52.0, 48.9])
    velocities = pd.DataFrame(
        {
            "cable_class": CLASSES,
            "readings": [80, 240, 110, 30, 6],
            "velocity_fitted_pct": fitted,
            "velocity_lo": fitted - 0.4,
            "velocity_hi": fitted + 0.4,
            "setting_median_pct": [55.5, 55.9, 53.0, 53.0, 53.0],
            "verdict": ["in_tolerance", "out_of_tolerance", "in_tolerance", "in_tolerance", "too_few_readings"],
        }
    )
    velocities["bias_points"] = velocities["setting_median_pct"] - velocities["velocity_fitted_pct"]
    bias = pd.DataFrame(
        {
            "instrument_id": ["R-01", "R-02", "R-03", "R-04"],
            "readings": [150, 90, 70, 3],
            "offset_m": [0.1, 0.3, 3.2, 0.0],
            "offset_lo": [-0.3, -0.2, 2.6, -2.0],
            "offset_hi": [0.5, 0.8, 3.8, 2.0],
            "scale": [1.0, 1.002, 0.999, 1.0],
            "scale_lo": [0.996, 0.997, 0.994, 0.98],
            "scale_hi": [1.004, 1.007, 1.004, 1.02],
            "verdict": ["in_tolerance", "in_tolerance", "out_of_tolerance", "too_few_readings"],
            "verdict_reason": ["limits_inside", "limits_inside", "limits_outside", "more_readings"],
            "readings_needed": [0, 0, 0, 18],
            "drift_verdict": ["steady", "steady", "steady", "cannot_tell"],
            "last_reading_at": pd.to_datetime(["2025-11-02 10:00"] * 4, utc=True),
        }
    )
    for name in ("scale", "scale_lo", "scale_hi", "offset_lo", "offset_hi", "offset_m"):
        bias[name.replace("scale", "scale_as_of").replace("offset", "offset_as_of")] = bias[name]
    return {"marts.locating_errors": errors, "marts.velocity_by_class": velocities, "marts.instrument_bias": bias}


def survival_marts(draws: np.random.Generator) -> dict[str, pd.DataFrame]:
    shape = np.array([2.6, 3.0, 2.4, 1.6, 1.5])
    rate = np.array([22.0, 8.0, 1.8, 0.3, 0.5])
    classes = pd.DataFrame(
        {
            "cable_class": CLASSES,
            "sections": 200,
            "length_km": 40.0,
            "exposure_km_years": 700.0,
            "failures": (rate * 7).round().astype(int),
            "rate_per_100km_year": rate,
            "rate_lo": rate * 0.8,
            "rate_hi": rate * 1.2,
            "shape": shape,
            "shape_lo": shape - 0.5,
            "shape_hi": shape + 0.5,
            "scale_years_1km": 14.0,
            "scale_lo": 12.0,
            "scale_hi": 16.0,
        }
    )
    ages, curves = [], []
    for name, b, r in zip(CLASSES, shape, rate, strict=True):
        for low in range(0, 50, 5):
            expected = r * ((low + 2.5) / 30) ** (b - 1)
            seen = int(draws.poisson(expected))
            ages.append((name, low, low + 5, 100.0, seen, float(seen), seen * 0.6, seen * 1.5 + 3, expected))
        steps = np.sort(draws.uniform(5, 50, 30))
        total = np.cumsum(np.full(30, r / 400))
        curves += [(name, a, 30.0, m, m * 0.8, m * 1.25) for a, m in zip(steps, total, strict=True)]
    age_columns = [
        "cable_class",
        "age_from",
        "age_to",
        "exposure_km_years",
        "failures",
        "rate_per_100km_year",
        "rate_lo",
        "rate_hi",
        "fitted_rate_per_100km_year",
    ]
    curve_columns = ["cable_class", "age_years", "at_risk_km", "mcf_per_km", "mcf_lo", "mcf_hi"]
    return {
        "marts.class_survival": classes,
        "marts.age_rates": pd.DataFrame(ages, columns=age_columns),
        "marts.mean_cumulative_failures": pd.DataFrame(curves, columns=curve_columns),
    }


def ranked(names: dict[str, object], count: int, draws: np.random.Generator) -> pd.DataFrame:
    """A ranking of so many things, worst first."""
    expected = np.sort(draws.gamma(0.6, 1.0, count))[::-1]
    rank = np.arange(1, count + 1)
    cost = draws.uniform(40_000, 400_000, count)
    avoided = expected * 60_000
    return pd.DataFrame(
        {
            "rank": rank,
            "rank_lo": np.maximum(1, rank - 5),
            "rank_hi": np.minimum(count, rank + 9),
            **names,
            "length_km": draws.uniform(0.2, 2.0, count),
            "failures_recorded": draws.poisson(expected * 2),
            "expected_recorded": expected * 1.3,
            "multiplier": 1.2,
            "multiplier_lo": 0.6,
            "multiplier_hi": 2.0,
            "expected_failures": expected,
            "expected_failures_lo": expected * 0.5,
            "expected_failures_hi": expected * 1.7,
            "customer_minutes_at_risk": expected * 7_000,
            "replacement_cost": cost,
            "avoided_cost": avoided,
            "benefit_cost_ratio": avoided / cost,
            "reasons": [f"{n} failures on record" for n in range(count)],
        }
    )


def replacement_marts(draws: np.random.Generator, loops: int) -> dict[str, pd.DataFrame]:
    loop_ids = [f"L-{n:06d}" for n in range(1, loops + 1)]
    districts = [DISTRICTS[n % 3] for n in range(loops)]
    installed = pd.Timestamp("1975-07-01").date()
    by_loop = ranked(
        {
            "loop_id": loop_ids,
            "district_id": districts,
            "sections": 11,
            "oldest_installed": installed,
            "worst_class": [CLASSES[n % 5] for n in range(loops)],
        },
        loops,
        draws,
    )
    sections = 3 * loops
    by_section = ranked(
        {
            "section_id": [f"S-{n:06d}" for n in range(1, sections + 1)],
            "loop_id": [loop_ids[n // 3] for n in range(sections)],
            "district_id": [districts[n // 3] for n in range(sections)],
            "cable_class": [CLASSES[n % 5] for n in range(sections)],
            "installed_on": installed,
        },
        sections,
        draws,
    )
    picked = by_section.head(9)
    programme = pd.DataFrame(
        {
            "loop_id": picked["loop_id"],
            "section_id": picked["section_id"],
            "length_m": picked["length_km"] * 1000,
            "cost": picked["replacement_cost"],
            "avoided_failures": picked["expected_failures"] * 0.9,
            "avoided_customer_minutes": picked["customer_minutes_at_risk"],
            "net_benefit": 10_000.0,
            "programme_order": range(1, 10),
            "mobilising_cost": 6_000.0,
            "plan_year": [1] * 6 + [2] * 3,
            "action": ["replace", "inject", "inject"] * 3,
        }
    )
    backtest, calibration = [], []
    for origin in (pd.Timestamp("2015-12-31").date(), pd.Timestamp("2020-12-31").date()):
        for grain in ("loop", "section"):
            for place, rule in enumerate(RULES):
                for fraction in (0.01, 0.05, 0.10, 0.20):
                    share = fraction ** (0.45 + 0.06 * place) if rule != "random" else fraction
                    backtest.append((origin, 5.0, grain, rule, fraction, 240 * share, 240, share))
        calibration += [(origin, d, 2.0 * d, int(draws.poisson(2.0 * d))) for d in range(1, 11)]
    columns = [
        "origin",
        "horizon_years",
        "level",
        "rule",
        "length_fraction",
        "failures_captured",
        "failures_total",
        "capture_fraction",
    ]
    rows = pd.DataFrame(backtest, columns=columns)
    tenths = pd.DataFrame(calibration, columns=["origin", "decile", "expected", "observed"])
    summed = tenths.drop(columns="origin").groupby("decile").sum()
    summed.loc[0] = summed.sum()
    summary = with_poisson_limits(summed.sort_index().reset_index().assign(origins=2))
    return {
        "marts.loop_ranking": by_loop,
        "marts.section_ranking": by_section,
        "marts.programme": programme,
        **money_marts(),
        "marts.backtest": rows,
        "marts.backtest_summary": summed_up(rows, "model").assign(is_own_length=False),
        "marts.backtest_calibration": with_poisson_limits(tenths),
        "marts.calibration_summary": summary.rename(
            columns={"expected": "expected_distinct", "observed": "observed_distinct"}
        ),
    }


def evaluation_marts(draws: np.random.Generator) -> dict[str, pd.DataFrame]:
    """Past forecasts, and sets before and after."""
    scores = pd.DataFrame(
        [(pd.Timestamp(f"{year}-12-31"), how, name) for year in (2020, 2024)
         for how, name in [("all", "all"), *(("cable_class", c) for c in CLASSES)]],
        columns=["origin", "grouped_by", "group_name"],
    )  # fmt: skip
    expected = np.where(scores["grouped_by"] == "all", 80.0, 16.0)
    scores = scores.assign(
        length_km=900.0, loops=850, expected=expected, expected_lo=(0.8 * expected).astype(int),
        expected_hi=(1.2 * expected).astype(int), observed_failures=draws.poisson(expected), is_inside=True,
        deviance_model=300.0, deviance_constant=450.0, deviance_class_constant=340.0, loops_inside_fraction=0.982,
        loops_inside_promised=0.985,
    )  # fmt: skip
    sets = pd.DataFrame(
        [("replaced_in", "2022"), ("replaced_because", "programme"), ("recent_failures", "2020-12-31"),
         ("most_failures", "2020-12-31"), ("injected_in", "all years"), ("watched", "L-000001")],
        columns=["grouped_by", "group_name"],
    )  # fmt: skip
    seen = np.array([1, 4, 21, 30, 1, 2])
    expected = np.array([9.0, 40.0, 20.0, 28.0, 4.0, 2.5])
    naive = 2.0 * expected
    sets = sets.assign(
        picked_from=pd.Timestamp("2020-12-31"), picked_to=pd.Timestamp("2022-06-30"), loops=20, sections=200,
        length_km=25.0, years_before=3.0, failures_before=naive.astype(int), years_after=3.0, naive_after=naive,
        expected_after=expected, expected_after_lo=0.8 * expected, expected_after_hi=1.2 * expected, seen_after=seen,
        seen_after_lo=0.6 * seen, seen_after_hi=1.6 * seen, naive_fall_pct=100 * (1 - seen / naive),
        expected_fall_pct=50.0, seen_over_expected=seen / expected, seen_over_expected_lo=0.6 * seen / expected,
        seen_over_expected_hi=1.6 * seen / expected, sections_left_out=3,
        effect_verdict=["fewer_than_expected", "fewer_than_expected", "as_expected", "as_expected",
                        "as_expected", "too_few"],
    )  # fmt: skip
    rules = ("model", "model_per_cost", *RULES[1:])
    money = pd.DataFrame(
        [(pd.Timestamp("2020-12-31"), 5.0, grain, rule, share, 9e7 * share, 240 * share**0.5, 240, share**0.5)
         for grain in ("loop", "section") for rule in rules for share in (0.01, 0.05, 0.10, 0.20)],
        columns=["origin", "horizon_years", "level", "rule", "cost_fraction", "money_spent", "failures_captured",
                 "failures_total", "capture_fraction"],
    )  # fmt: skip
    groups = [("all", "all"), *(("district", name) for name in DISTRICTS)]
    searches = pd.DataFrame(groups, columns=["grouped_by", "group_name"]).assign(
        jobs=[120, 60, 40, 20], mean_tests=3.1, mean_sequence_tests=2.5, mean_outward_tests=3.7, mean_halving_tests=2.7,
        mean_expected_tests=2.55, mean_entropy_bits=2.4, saved_tests=0.6, saved_tests_lo=0.3, saved_tests_hi=0.9,
        saved_on_halving=0.2, saved_on_halving_lo=0.05, saved_on_halving_hi=0.35,
    )  # fmt: skip
    steps = pd.DataFrame(
        [("Rows read", 900, True), ("in quarantine", -20, False), ("Failures in the class curves", 880, True)],
        columns=["step", "jobs", "is_total"],
    ).assign(step_order=[0, 1, 30], why="as it is")
    doubted = pd.DataFrame(
        [("all", "all", 880, 878, None, None), ("cable_class", CLASSES[0], 300, 298, None, None),
         ("loop", "L-000001", 5, 3, 1, 4), ("loop", "L-000002", 4, 4, 2, 1)],
        columns=["grouped_by", "group_name", "failures", "failures_joined", "rank", "rank_joined"],
    )  # fmt: skip
    firsts = pd.DataFrame(
        [("per_km", "L-000001", 1, 3, 2.0), ("by_money", "L-000003", 3, 1, 1.0), ("programme", "L-000003", 3, 1, 1.0)],
        columns=["ordered_by", "loop_id", "rank", "rank_by_money", "place_in_programme"],
    ).assign(length_km=1.2, expected_failures=2.1, benefit_cost_ratio=0.9, replacement_cost=2e5)
    return {
        "marts.count_reconciliation": steps, "marts.duplicates_both_ways": doubted, "marts.first_loops": firsts,
        "marts.forecast_score": scores, "marts.before_after": sets, "marts.backtest_money": money,
        "marts.backtest_money_summary": summed_up(money[money["level"] == "loop"], "model_per_cost"),
        "marts.search_backtest": searches,
    }  # fmt: skip


def firmness_marts(loops: int) -> dict[str, pd.DataFrame]:
    """The first loop and the thirtieth have changed places; two loops hang on the unknown causes."""
    now = np.arange(1, loops + 1)
    then = now.copy()
    then[[0, min(29, loops - 1)]] = then[[min(29, loops - 1), 0]]
    moves = pd.DataFrame({
        "loop_id": [f"L-{n:06d}" for n in now], "run_then": 3, "as_of_then": pd.Timestamp("2024-12-31"),
        "rank_then": then, "rank_now": now, "places_moved": then - now, "places_own": then - now,
        "places_by_others": 0, "rate_then": 20.0, "rate_now": 21.0, "class_change_pct": 2.0, "record_change_pct": 3.0,
        "failures_then": 4, "failures_now": 5, "length_then_km": 1.2, "length_now_km": 1.2, "sections_added": 0,
        "sections_removed": 0,
        "churn_reasons": np.where(then != now, "1 new failure on record (5 now)", ""),
    })  # fmt: skip
    variants = pd.DataFrame(
        [
            ("as_it_is", 25, "", ""),
            ("unknown_causes_left_out", 23, "L-000001, L-000002", "L-000031, L-000032"),
            ("loop_only_left_out", 25, "", ""),
        ],
        columns=["variant", "top_stay", "top_left", "top_came"],
    ).assign(failures_used=900.0, sections_used=9000, loops_ranked=loops, top_loops=25, variant_explained="as said")
    return {"marts.ranking_churn": moves, "marts.ranking_sensitivity": variants}  # fmt: skip


def money_marts() -> dict[str, pd.DataFrame]:
    years = pd.DataFrame(
        {
            "plan_year": [1, 2],
            "budget": 500_000.0,
            "spent": [480_000.0, 470_000.0],
            "loops": [6, 3],
            "sections_replaced": [2, 1],
            "replaced_km": [0.3, 0.1],
            "sections_injected": [4, 2],
            "injected_km": [0.5, 0.2],
            "avoided_failures": [5.0, 2.0],
            "avoided_cost": [200_000.0, 90_000.0],
            "net_benefit": [-280_000.0, -380_000.0],
            "sections_waiting": [390, 387],
            "waiting_km": [40.2, 39.9],
            "waiting_paying": [1, 0],
            "price": [1.2, 1.1],
        }
    )
    curve = pd.DataFrame(
        {
            "curve_point": [1, 2, 3],
            "spent": [100_000.0, 480_000.0, 900_000.0],
            "sections_replaced": [1, 2, 9],
            "sections_injected": [1, 4, 5],
            "avoided_failures": [2.0, 5.0, 6.0],
            "cost_per_failure_avoided": [50_000.0, 96_000.0, 150_000.0],
            "marginal_cost_per_failure_avoided": [50_000.0, 126_667.0, 420_000.0],
            "marginal_return": [1.2, 0.4, 0.1],
        }
    )
    figures = pd.DataFrame(
        [
            ("plan_gap", 0.0001),
            ("plan_gain", 290_000.0),
            ("plan_bound", 305_000.0),
            ("sections_injectable", 250.0),
            ("sections_paying_injected", 7.0),
            ("replaced_only_km", 0.4),
            ("replaced_only_failures", 1.9),
            ("injection_left", 0.2),
            ("injection_left_lo", 0.05),
            ("injection_left_hi", 0.4),
            ("injection_failures_since", 2.0),
            ("injection_expected_untreated", 8.0),
            ("programme_benefit_cost", 0.42),
            ("programme_benefit_cost_lo", 0.3),
            ("programme_benefit_cost_hi", 0.6),
            ("plan_benefit_cost", 0.31),
            ("plan_benefit_cost_lo", 0.2),
            ("plan_benefit_cost_hi", 0.45),
        ],
        columns=["figure", "amount"],
    ).assign(explained="")
    options = pd.DataFrame(
        {
            "section_id": ["a", "b", "c"],
            "loop_id": "L",
            "best_action_now": ["replace", "wait", "wait"],
            "best_year": pd.array([2026, 2030, None], dtype="Int64"),
            "wait_years": pd.array([0, 4, None], dtype="Int64"),
            "cost_of_waiting": [900.0, -300.0, -2_000.0],
            "benefit_cost_flat": [1.5, 0.6, 0.1],
            "benefit_cost_growing": [2.0, 1.1, 0.2],
            "plan_year": pd.array([2, None, None], dtype="Int64"),
            "why_waiting": ["budget", "later_year", None],
        }
    )
    budgets = pd.DataFrame(
        [
            (share, 500_000.0 * share, year, 12.0 + year - 4.0 * share, 12.0 + year)
            for share in (0.0, 0.5, 1.0, 1.5, 2.0)
            for year in (1, 2)
        ],
        columns=["budget_share", "budget", "years_of_plan", "failures_per_year_with", "failures_per_year_without"],
    )
    budgets = budgets.assign(lo=budgets["failures_per_year_with"] - 2.0, hi=budgets["failures_per_year_with"] + 3.0)
    return {
        "marts.programme_years": years,
        "marts.cost_curve": curve,
        "marts.replacement_figures": figures,
        "marts.section_options": options,
        "marts.budget_curve": budgets,
    }


def strip_marts(loops: int, sections: int = 6) -> dict[str, pd.DataFrame]:
    """The first loops laid out: every fifth is radial, the others are open after their third section."""
    strips, marks = [], []
    for n in range(1, min(loops, 30) + 1):
        loop, start, is_radial = f"L-{n:06d}", 0.0, n % 5 == 0
        for place in range(1, sections + 1):
            end = start + 20.0 * place + n
            half = loop if is_radial else f"{loop}/{'A' if place <= 3 else 'B'}"
            strips.append(
                (
                    loop,
                    half,
                    place,
                    f"{loop}-S{place}",
                    f"{loop}-T{place - 1}",
                    f"{loop}-T{place}",
                    start,
                    end,
                    CLASSES[(n + place) % 5],
                    pd.Timestamp("1980-05-01").date() if place % 4 else None,
                    0.1 * place,
                    1,
                    "to" if place == 3 and not is_radial else None,
                    "radial" if is_radial else "loop",
                )
            )
            start = end
        day = pd.Timestamp("2020-03-01").date()
        for kind, section, at, basis, job, why in (
            ("failure", 1, 5.0, "dug", "J-1", None),
            ("splice", 1, 5.0, "dug", "J-1", None),
            ("failure", 1, 6.0, "dug", "J-2", None),
            ("failure", 2, 40.0, "middle", "J-3", None),
            ("failure", 2, 41.0, "dug", "J-4", "excluded_cause"),
            ("splice", 3, 90.0, "piece", None, None),
            ("failure", None, None, "loop_only", "J-5", "loop_only"),
        ):
            job_id, section_id = job and f"{job}-{n}", section and f"{loop}-S{section}"
            marks.append((loop, kind, section_id, at, basis, job_id, day, "cable", "unknown", why))
    places = pd.DataFrame(
        {
            "loop_id": [f"L-{n:06d}" for n in range(1, loops + 1)],
            "x": [300.0 * (n % 40) for n in range(loops)],
            "y": [300.0 * (n // 40) for n in range(loops)],
            "terminals": 7,
            "straight_over_cable": 0.8,
        }
    )
    return {
        "marts.loop_strips": pd.DataFrame(strips, columns=list(dictionary.tables()["marts.loop_strips"].columns)),
        "marts.loop_strip_marks": pd.DataFrame(
            marks, columns=list(dictionary.tables()["marts.loop_strip_marks"].columns)),
        "marts.loop_places": places,
    }  # fmt: skip


def quarantine_mart() -> pd.DataFrame:
    rows = [
        ("b1", "jobs", "jobs.csv", row, rule, severity, column, value, message)
        for row, rule, severity, column, value, message in (
            (7, "number_unreadable", "reject", "estimated_distance_m", "12,x", "not a number; write 12.5"),
            (9, "time_out_of_order", "warn", "arrived_at", "2021-01-01", "before dispatched_at; check both"),
            (
                12,
                "time_out_of_order",
                "warn",
                "arrived_at",
                "<script>alert(1)</script>",
                "before dispatched_at; check both",
            ),
        )
    ]
    return pd.DataFrame(rows, columns=list(dictionary.tables()["marts.quarantine"].columns))
