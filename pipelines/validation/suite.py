"""Runs the rules of a table with Great Expectations on a frame of facts."""

from __future__ import annotations

import importlib
import logging
import os
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np

from pipelines.validation.rules import Holds, Listed, NotBefore, Rule, Within

if TYPE_CHECKING:
    import pandas as pd

    from shared.arrays import Integers


def run_suite(table: str, facts: pd.DataFrame, rules: tuple[Rule, ...]) -> dict[str, Integers]:
    """Which rows fail which rule.

    Parameters
    ----------
    table
        Name of the table, for the suite.
    facts
        One row a row judged, with a unique integer index.
    rules
        Rules whose facts are columns of the frame.

    Returns
    -------
    dict
        Rule name to the index labels of the rows that fail it, sorted.

    Raises
    ------
    RuntimeError
        An expectation could not be run: a fault of ours. It must never read as "no row fails".

    Notes
    -----
    An ephemeral context, the suite in code; no file is written and no progress is shown.

    Checked by: tests/unit/test_validation_rules.py (through load_paths)
    """
    failed = {rule.name: np.empty(0, dtype=np.int64) for rule in rules}
    if facts.empty or not rules:
        return failed
    definition = _batch_definition()
    batch = definition.get_batch({"dataframe": facts})
    # Every rule is put to every row; only those that fail are asked again for the rows, which costs twice as much.
    outcome = _validate(batch, table, rules, "BOOLEAN_ONLY")
    broken = tuple(rule for rule in rules if not outcome[rule.name].success)
    for name, result in _validate(batch, table, broken, "COMPLETE").items():
        failed[name] = np.sort(np.asarray(result.result["unexpected_index_list"], dtype=np.int64))
    # The engine holds on to the rows it was given last: an empty batch under the same name lets them go.
    definition.get_batch({"dataframe": facts.iloc[:0]})
    return failed


@cache
def _batch_definition() -> Any:
    """Where frames are handed over: one context a process, since making one takes longer than judging a small table."""
    os.environ.setdefault("GX_ANALYTICS_ENABLED", "false")
    import great_expectations as gx
    from great_expectations.data_context.types.base import ProgressBarsConfig

    # The second sets a level of its own when imported; the workflow engine's handler would print what it says.
    for chatty in ("great_expectations", "great_expectations.data_context.types.base"):
        logging.getLogger(chatty).setLevel(logging.WARNING)
    context = gx.get_context(mode="ephemeral")
    context.variables.progress_bars = ProgressBarsConfig(globally=False)
    asset = context.data_sources.add_pandas("facts").add_dataframe_asset("rows")
    return asset.add_batch_definition_whole_dataframe("all")


def _validate(batch: Any, table: str, rules: tuple[Rule, ...], result_format: str) -> dict[str, Any]:
    """Results by rule: Great Expectations gives them in no certain order."""
    if not rules:
        return {}
    import great_expectations as gx

    suite = gx.ExpectationSuite(f"{table} {result_format}", expectations=[_expectation(rule) for rule in rules])
    results = {}
    for result in batch.validate(suite, result_format={"result_format": result_format}).results:
        name = result.expectation_config.meta["rule"]
        if _raised(result.exception_info):
            raise RuntimeError(f"rule {name} of table {table} could not be run: {result.exception_info}")
        results[name] = result
    lost = {rule.name for rule in rules} - set(results)
    if lost:
        raise RuntimeError(f"table {table}: no result for {sorted(lost)}")
    return results


def _expectation(rule: Rule) -> Any:
    gxe: Any = importlib.import_module("great_expectations.expectations")
    common: dict[str, Any] = {
        "meta": {"rule": rule.name},
        "severity": "warning" if rule.severity == "warn" else "critical",
    }
    demand = rule.demand
    if isinstance(demand, Within):
        return gxe.ExpectColumnValuesToBeBetween(
            column=demand.fact, min_value=demand.low, max_value=demand.high, strict_min=demand.low_open, **common
        )
    if isinstance(demand, NotBefore):
        return gxe.ExpectColumnPairValuesAToBeGreaterThanB(
            column_A=demand.later,
            column_B=demand.earlier,
            or_equal=True,
            ignore_row_if="either_value_is_missing",
            **common,
        )
    # Both are yes-or-no facts: for a Listed rule the frame says whether the row's list of columns is empty.
    assert isinstance(demand, Holds | Listed)
    return gxe.ExpectColumnValuesToBeInSet(column=demand.fact, value_set=[True], **common)


def _raised(info: dict[str, Any]) -> bool:
    """Whether an expectation raised: the information is one flat entry, or one a metric."""
    if "raised_exception" in info:
        return bool(info["raised_exception"])
    return any(bool(entry.get("raised_exception")) for entry in info.values() if isinstance(entry, dict))
