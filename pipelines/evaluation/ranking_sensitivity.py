"""Does the head of the ranking hang on choices nobody can prove? The ranking under each of them."""

import dataclasses
from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipelines.survival import evidence, hierarchical_frailty
from pipelines.survival.history import FailureHistory, counts_as_failure
from pipelines.survival.model import FailureModel
from shared.arrays import Booleans, Floats, Integers
from shared.units import DAYS_PER_YEAR

TOP = 25
"""Loops at the head that are followed, but no more than a tenth of the fleet's."""

VARIANTS = (
    "as_it_is",
    "unknown_causes_left_out",
    "unknown_causes_in_proportion",
    "loop_only_left_out",
    "undated_left_out",
    "duplicates_joined",
)


@dataclass(frozen=True)
class Evidence:
    """What speaks of each section: failures, occasions, and failures with old years counting less.

    is_used: whether the section takes part at all.
    """

    failures: Floats
    occasions: Floats
    recent: Floats
    is_used: Booleans


def tabulate_sensitivity(
    history: FailureHistory, model: FailureModel, horizon_years: float, duplicates: Collection[str] = ()
) -> pd.DataFrame:
    """How many of the first loops stay first under other readings of the same records.

    Parameters
    ----------
    history, model
        What is known, and the model the ranking stands on.
    horizon_years
        Horizon of the ranking.
    duplicates
        Jobs that may be one with another, undecided.

    Returns
    -------
    DataFrame
        One row a variant: variant, failures_used, sections_used, loops_ranked, top_loops, top_stay, top_left, top_came
        (loops by name), variant_explained.

    Notes
    -----
    Each variant is a refit with the form and the shape of the curves held: the level of each class follows its
    failures, (failures + 1/2) under the variant over the same as it is; the level of the last years, the evidence of
    every section and the posterior of the multipliers are taken anew. The spreads of the multipliers are held. Against
    fits from the beginning the head of the list differs by a loop or two: see the test. as_it_is goes the same way and
    gives the ranking itself. Only the order is told: the fleet's total would need the curves' shape fitted anew.

    Checked by: tests/unit/test_evaluation_ranking_sensitivity.py
    """
    placed = _place_failures(history, model)
    base = _weigh_evidence(placed, model, np.ones(len(history.failures)))
    share, known = share_of_ageing(history.failures)
    dated = model.windows.sections["is_installed_on_known"].to_numpy(dtype=bool)
    as_it_is = rank_again(model, base, base, horizon_years)
    head = as_it_is[: min(TOP, int(np.ceil(len(as_it_is) / 10)))]
    rows = []
    for variant in VARIANTS:
        weights = weigh_failures(history.failures, variant, share, duplicates)
        given = base if (weights == 1.0).all() else _weigh_evidence(placed, model, weights)
        if variant == "undated_left_out" and not dated.all():
            given = dataclasses.replace(base, is_used=dated)
        ranked = as_it_is if given is base else rank_again(model, base, given, horizon_years)
        top = ranked[: len(head)]
        rows.append(
            {
                "variant": variant,
                "failures_used": float(given.failures[given.is_used].sum()),
                "sections_used": int((given.is_used & model.windows.in_service).sum()),
                "loops_ranked": len(ranked),
                "top_loops": len(head),
                "top_stay": len(set(head) & set(top)),
                "top_left": ", ".join(loop for loop in head if loop not in top),
                "top_came": ", ".join(loop for loop in top if loop not in head),
                "variant_explained": explain_variant(variant, share, known),
            }
        )
    return pd.DataFrame(rows)


def tabulate_duplicates(
    history: FailureHistory, model: FailureModel, horizon_years: float, duplicates: Collection[str]
) -> pd.DataFrame:
    """Failures, rates and ranks with jobs that may be one with another counted as they are, and once.

    Parameters
    ----------
    history, model, horizon_years, duplicates
        As for tabulate_sensitivity.

    Returns
    -------
    DataFrame
        grouped_by (all, cable_class, loop), group_name, failures, failures_joined (on known sections),
        rate_per_100km_year, rate_joined_per_100km_year, rank, rank_joined. Groups with such a job, and the loop that
        ranks first either way; no rows where no such job counts.

    Notes
    -----
    Rates are those of the class curves: dated cable in view. Ranks are tabulate_sensitivity's.

    Checked by: tests/unit/test_evaluation_ranking_sensitivity.py
    """
    failures = history.failures
    is_one = failures["job_id"].isin(duplicates)
    counts = counts_as_failure(failures)
    if not (is_one & (counts | failures["why_not"].eq("loop_only"))).any():
        return pd.DataFrame()
    base, joined = (
        gather_evidence(history, model, weigh_failures(failures, variant, 1.0, duplicates))
        for variant in ("as_it_is", "duplicates_joined")
    )
    now, then = (rank_again(model, base, given, horizon_years) for given in (base, joined))
    places = {loop: place for place, loop in enumerate(then, start=1)}
    exposure = history.sections.groupby("cable_class", observed=True)["exposure_km_years"].sum()
    rows = []
    for grouped_by, column in (("all", ""), ("cable_class", "cable_class"), ("loop", "loop_id")):
        names = failures[column].astype(object) if column else pd.Series("all", index=failures.index)
        # the curves are of dated cable; the ranking's failures are those of any known section
        used = failures["is_counted"].astype(bool) if grouped_by == "cable_class" else counts
        before, after = names[used].value_counts(), names[used & ~is_one].value_counts()
        named = set(names[is_one & (used | failures["why_not"].eq("loop_only"))].dropna())
        for name in sorted(named | ({now[0], then[0]} if grouped_by == "loop" and now else set())):
            km_years = exposure.sum() if grouped_by == "all" else exposure.get(name, np.nan)
            is_loop = grouped_by == "loop"
            rows.append(
                {
                    "grouped_by": grouped_by,
                    "group_name": name,
                    "failures": int(before.get(name, 0)),
                    "failures_joined": int(after.get(name, 0)),
                    "rate_per_100km_year": 100.0 * before.get(name, 0) / km_years if km_years else np.nan,
                    "rate_joined_per_100km_year": 100.0 * after.get(name, 0) / km_years if km_years else np.nan,
                    "rank": now.index(name) + 1 if is_loop and name in places else None,
                    "rank_joined": places.get(name) if is_loop else None,
                }
            )
    frame = pd.DataFrame(rows)
    # of all cable the count is the ranking's, which holds cable without a date: no rate
    frame.loc[frame["grouped_by"].ne("cable_class"), ["rate_per_100km_year", "rate_joined_per_100km_year"]] = np.nan
    return frame.astype({"rank": "Int64", "rank_joined": "Int64"})


def share_of_ageing(failures: pd.DataFrame) -> tuple[float, int]:
    """Share of the failures of the cable with a known cause that nobody brought about, and how many have one."""
    cable = failures["why_not"].isna() | failures["why_not"].isin(["excluded_cause", "undated_section", "loop_only"])
    known = failures[cable & failures["cause"].ne("unknown")]
    return (float(known["why_not"].ne("excluded_cause").mean()) if len(known) else 1.0), len(known)


def weigh_failures(failures: pd.DataFrame, variant: str, share: float, duplicates: Collection[str] = ()) -> Floats:
    """Weight of each failure under a variant."""
    unknown = failures["cause"].eq("unknown").to_numpy()
    alone = failures["why_not"].eq("loop_only").to_numpy()
    match variant:
        case "unknown_causes_left_out":
            return np.where(unknown, 0.0, 1.0)
        case "unknown_causes_in_proportion":
            return np.where(unknown, share, 1.0)
        case "loop_only_left_out":
            return np.where(alone, 0.0, 1.0)
        case "duplicates_joined" if duplicates:
            return np.where(failures["job_id"].isin(duplicates), 0.0, 1.0)
        case _:
            return np.ones(len(failures))


def explain_variant(variant: str, share: float, known: int) -> str:
    """A variant in words."""
    return {
        "as_it_is": "unknown causes count as failures of the cable, failures known by loop alone are shared out, "
        "sections without a date count in parts over their likely years",
        "unknown_causes_left_out": "no failure of unknown cause counts",
        "unknown_causes_in_proportion": f"each failure of unknown cause counts {share:.2f}: the share of {known} known "
        "causes that nobody brought about",
        "loop_only_left_out": "failures known by loop alone are left out",
        "undated_left_out": "sections without an installation date are left out, with their failures",
        "duplicates_joined": "of two jobs that may be one, undecided, one counts",
    }[variant]


def gather_evidence(history: FailureHistory, model: FailureModel, weights: Floats) -> Evidence:
    """Evidence of each section of the model when failures count by weights.

    Notes
    -----
    Failures known by loop alone lie on the loop's sections as the model shared them.
    """
    return _weigh_evidence(_place_failures(history, model), model, weights)


@dataclass(frozen=True)
class _Placed:
    """Where each failure lies in the model: place of its section, or of its loop where that alone is known; else -1.

    failed: its day. is_own: it counts, on a known section. is_alone: known by its loop alone. is_bare: its cable was
    not yet injected. by_day: the failures in the order of their sections and days.
    """

    section: Integers
    loop: Integers
    failed: NDArray[np.datetime64]
    is_own: Booleans
    is_alone: Booleans
    is_bare: Booleans
    by_day: Integers


def _place_failures(history: FailureHistory, model: FailureModel) -> _Placed:
    sections, failures = model.windows.sections, history.failures
    section = pd.Index(sections["section_id"]).get_indexer(failures["section_id"])
    is_alone, loop = failures["why_not"].eq("loop_only").to_numpy(), np.full(len(failures), -1)
    loop[is_alone] = pd.Index(name_loops(model)).get_indexer(pd.Index(failures["loop_id"][is_alone]))
    failed = pd.to_datetime(failures["failed_on"]).to_numpy(dtype="datetime64[D]")
    injected = pd.to_datetime(sections["rejuvenated_on"]).to_numpy(dtype="datetime64[D]")
    return _Placed(
        section,
        loop,
        failed,
        is_own=counts_as_failure(failures).to_numpy() & (section >= 0),
        is_alone=loop >= 0,
        is_bare=~(failed > injected[section]),
        by_day=np.lexsort((failed.astype(np.int64), section)),
    )


def _weigh_evidence(placed: _Placed, model: FailureModel, weights: Floats) -> Evidence:
    section, own = placed.section, placed.is_own & (weights > 0)
    as_of = model.windows.as_of.to_datetime64().astype("datetime64[D]")
    fading = weights * np.exp(-(as_of - placed.failed).astype(np.float64) / DAYS_PER_YEAR / evidence.LEVEL_YEARS)
    size = len(model.windows.sections)
    recorded = np.bincount(section[own], weights[own], size)
    # the level of a class is that of cable not yet injected
    bare = own & placed.is_bare
    recent = np.bincount(section[bare], fading[bare], size)
    occasions = np.bincount(section[own], (weights * _is_occasion(placed, own))[own], size)

    loop = model.tree.loop_of_half[model.tree.half_of_section]
    at, alone, loops = placed.loop, placed.is_alone, len(model.tree.loop_starts)
    count = np.maximum(np.bincount(at[alone], minlength=loops), 1)
    shares = model.failures - model.recorded
    shared = shares * (np.bincount(at[alone], weights[alone], loops) / count)[loop]
    shared_recent = shares * (np.bincount(at[alone], fading[alone], loops) / count)[loop]
    return Evidence(
        failures=recorded + shared,
        occasions=occasions + shared,
        recent=recent + shared_recent,
        is_used=np.ones(size, dtype=bool),
    )


def _is_occasion(placed: _Placed, own: Booleans) -> Booleans:
    """Whether each failure is an occasion of its own: evidence.count_occasions, failure by failure."""
    order = placed.by_day[own[placed.by_day]]
    section, day = placed.section[order], placed.failed[order].astype(np.int64)
    again = (np.diff(section) == 0) & (np.diff(day) <= evidence.REPEAT_DAYS)
    found = np.zeros(len(own), dtype=bool)
    found[order[np.r_[True, ~again]] if len(order) else order] = True
    return found


def rank_again(model: FailureModel, base: Evidence, given: Evidence, horizon_years: float) -> list[str]:
    """Loops by failures expected per km under other evidence, worst first."""
    w = model.windows
    used = given.is_used
    code = pd.factorize(w.sections["cable_class"])[0]
    told, before = (np.bincount(code[used], e.failures[used]) + 0.5 for e in (given, base))
    size = max(len(told), code.max() + 1)
    factor = np.ones(size)
    factor[: len(told)] = told / before
    # what the model awaited of the last years follows from its level and from what it saw
    seen, seen_now = (np.bincount(code[used], e.recent[used], size) for e in (base, given))
    rate_level = np.ones(size)
    rate_level[code] = model.class_level
    trust = evidence.LEVEL_FAILURES
    awaited = (trust + seen) / rate_level - trust
    new_level = (trust + seen_now) / np.maximum(trust + awaited * factor, 1e-9)
    ahead = np.where(used, model.ahead(horizon_years) * (factor * new_level / rate_level)[code], 0.0)
    expected = model.expected * factor[code] * used
    occasions = given.occasions * used
    tree = hierarchical_frailty.Tree(
        occasions,
        expected * occasions.sum() / max(float((given.failures * used).sum()), 1e-300),
        model.tree.relative_length,
        model.tree.half_starts,
        model.tree.loop_starts,
    )
    totals = hierarchical_frailty.fit_totals(tree, model.variances, ahead)
    loop = model.tree.loop_of_half[model.tree.half_of_section]
    names = name_loops(model)
    km = np.bincount(loop, w.sections["length_km"].to_numpy(dtype=np.float64) * w.in_service * used)
    rate = np.divide(totals.loop_mean, km, out=np.full(len(km), -1.0), where=km > 0)
    order = np.lexsort((names, -rate))
    return [str(name) for name in names[order[: int((km > 0).sum())]]]


def name_loops(model: FailureModel) -> NDArray[np.str_]:
    """Names of the loops in the order of the model's tree."""
    first = model.tree.half_starts[model.tree.loop_starts]
    return np.asarray(model.windows.sections["loop_id"].iloc[first].to_numpy(dtype=str))
