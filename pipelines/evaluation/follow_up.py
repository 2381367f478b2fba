"""What became of committed work: was it done, when, and do failures fall as planned, as far as can be told?

Everything expected was written down when the work was committed (commitments.promise_work); only what happened since
is read here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.evaluation.cohorts import find_followers
from pipelines.evaluation.commitments import POWER, YEARS_PROMISED
from pipelines.survival.history import FailureHistory, code_names, find_rows, list_own_failures
from shared import dictionary
from shared.arrays import Floats, Integers
from shared.intervals import jeffreys_ratio_limits
from shared.units import DAYS_PER_YEAR

ALL, NONE = "all", "none"
"""Commitments taken together; work done without one."""

WORK, SUMMARY, EFFECT = "marts.work_done", "marts.programme_follow_up", "marts.follow_up_effect"


@dataclass(frozen=True)
class Spans:
    """Time followed of promised sections, in years after the date of the model that promised.

    rows: of the promise, in its order. begin, end: of each row; no time where end is not later.
    """

    rows: pd.DataFrame
    begin: Floats
    end: Floats

    def expect(self, column: str) -> Floats:
        """Failures written down for each section and year, as far as the year is followed."""
        years = np.arange(YEARS_PROMISED)
        shared = np.minimum(self.end[:, None], years + 1.0) - np.maximum(self.begin[:, None], years)
        promised = np.stack(self.rows[column].to_list()) if len(self.rows) else np.zeros((0, YEARS_PROMISED))
        return np.asarray(promised * np.clip(shared, 0.0, 1.0))


@dataclass(frozen=True)
class Weighed:
    """What is expected of followed work, and how well that is known: expected, planned, and the relative variance.

    weight: of a failure of the cohort, by place and year. variance: of the expectation but for the cohort's count;
    count_variance: of that count, by what is expected of it.
    """

    expected: float
    planned: float
    weight: Floats
    variance: float
    count_variance: float


def find_work(
    promised: pd.DataFrame, history: FailureHistory, reasons: pd.DataFrame, successors: pd.DataFrame
) -> pd.DataFrame:
    """What was done to each promised section, told from the register.

    Parameters
    ----------
    promised
        Rows of raw.commitment_sections with known_on, committed_on, follow_method, section_now (the id that the cable
        of that day has today), is_lifted (its decision no longer stands) and cost_recorded.
    history
        What is known now.
    reasons
        section_id and retired_because.
    successors
        old_section_id and new_section_id of the register of successors.

    Returns
    -------
    DataFrame
        promised with section_code (-1: no longer in the register), starts_on, done_on, done_as (replace, inject;
        missing: nothing yet), left_on (end of the cable's own time: taken out, split or merged) and work_status.

    Notes
    -----
    Replaced: taken out of service with other cable in its place (cohorts.find_followers, or the register of
    successors says so). Taken out with nothing in its place, or split or merged, it is followed up to that day alone.

    Checked by: tests/unit/test_evaluation_follow_up.py,
    tests/simulated/follow_up_study.py (through tabulate_follow_up)
    """
    history = history.keep(code_names)
    sections = history.sections.iloc[history.keep(find_rows)].reset_index(drop=True)  # by section_code
    code = pd.Index(sections["section_id"]).get_indexer(promised["section_now"])
    facts = sections.reindex(np.where(code >= 0, code, len(sections))).reset_index(drop=True)
    as_of = pd.Timestamp(history.as_of)
    starts = pd.concat([pd.to_datetime(promised[name]) for name in ("known_on", "committed_on")], axis=1).max(axis=1)
    retired, injected = (
        day.where((day > starts) & (day <= as_of))
        for day in (pd.to_datetime(facts[name]) for name in ("retired_on", "rejuvenated_on"))
    )
    because = promised["section_now"].map(reasons.dropna().set_index("section_id")["retired_because"].astype(object))
    followed = {*sections["section_id"].iloc[find_followers(history)["section_code"]], *successors["old_section_id"]}
    regrouped = retired.notna() & because.eq("regrouped").to_numpy(dtype=bool)
    replaced = retired.notna() & promised["section_now"].isin(followed) & ~regrouped
    is_injected = injected.notna() & ~(retired < injected)
    done = injected.where(is_injected, retired.where(replaced))
    due_from, due_to = (pd.to_datetime(promised[name]) for name in ("due_from", "due_to"))
    status = np.select(
        [
            done.notna() & (done < due_from),
            done.notna() & (done > due_to),
            done.notna(),
            regrouped,
            retired.notna(),
            promised["is_lifted"],
            as_of <= due_to,
        ],
        ["done_early", "done_late", "done_in_its_year", "regrouped", "out_of_service", "lifted", "not_yet_due"],
        "overdue",
    )
    return promised.assign(
        section_code=code,
        starts_on=starts,
        done_on=done,
        done_as=pd.Series(np.where(is_injected, "inject", "replace"), promised.index).where(done.notna()),
        left_on=retired,
        work_status=status,
    )


def tabulate_follow_up(
    promised: pd.DataFrame, history: FailureHistory, reasons: pd.DataFrame, successors: pd.DataFrame, coverage: float
) -> dict[str, pd.DataFrame]:
    """Work done, planned against done by year, and what came of it; by table.

    Parameters
    ----------
    promised, history, reasons, successors
        As find_work takes them.
    coverage
        Coverage of the limits.

    Notes
    -----
    A section committed anew, its decision having been lifted, is followed with the last commitment alone.

    Checked by: tests/unit/test_evaluation_follow_up.py
    """
    if promised.empty:
        return dict.fromkeys((WORK, SUMMARY, EFFECT), pd.DataFrame())
    history = history.keep(code_names)
    in_turn = promised.sort_values("committed_on", kind="stable")
    twice = in_turn["role"].eq("committed") & in_turn.duplicated(["role", "section_now"], keep="last")
    promised = promised.drop(index=in_turn.index[twice]).reset_index(drop=True)
    found = find_work(promised, history, reasons, successors)
    committed = found[found["role"].eq("committed")]
    watched = _list_watched(found, history, successors)
    events = watched.merge(history.keep(list_own_failures)[["section_code", "failed_on"]].assign(
        event=lambda e: np.arange(len(e))), left_on="watched_code", right_on="section_code")  # fmt: skip
    effect = follow_effect(found, events, pd.Timestamp(history.as_of), coverage)
    methods = promised.drop_duplicates("commitment_id").set_index("commitment_id")["follow_method"]
    effect["follow_method"] = effect["commitment_id"].map(methods).fillna("as of each commitment, added up")
    work = pd.concat([_describe_work(committed, events, history), _list_uncommitted(found, history, reasons)])
    work = work.sort_values(["commitment_id", "section_id"], ignore_index=True)
    return {WORK: work, SUMMARY: _sum_by_year(work), EFFECT: effect}


def _list_watched(found: pd.DataFrame, history: FailureHistory, successors: pd.DataFrame) -> pd.DataFrame:
    """Codes of the cable whose failures count for each row of the promise: its own, and that which took its place.

    row: position in found. is_after: the cable came in the place.
    """
    own = pd.DataFrame({"row": np.arange(len(found)), "watched_code": found["section_code"].to_numpy()})
    own = own[own["watched_code"] >= 0].assign(is_after=False)
    replaced = own[found["done_as"].eq("replace").to_numpy()[own["row"]]]
    of_id = pd.Series(history.sections["section_code"].to_numpy(), history.sections["section_id"])
    stated = pd.DataFrame(
        {"section_code": successors["old_section_id"].map(of_id), "follower": successors["new_section_id"].map(of_id)}
    ).dropna()
    pairs = pd.concat([find_followers(history), stated.astype("int64")]).drop_duplicates()
    after = replaced.merge(pairs, left_on="watched_code", right_on="section_code")
    return pd.concat([own, after[["row"]].assign(watched_code=after["follower"], is_after=True)], ignore_index=True)


def follow_effect(found: pd.DataFrame, events: pd.DataFrame, as_of: pd.Timestamp, coverage: float) -> pd.DataFrame:
    """Failures seen against those expected with and without the work, commitment by commitment and together.

    Parameters
    ----------
    found
        Rows of find_work.
    events
        Failures of the cable that is watched for each row: row (place in found), is_after, failed_on, event (the same
        for the same failure).
    as_of
        Day up to which is known.
    coverage
        Coverage of the limits.

    Returns
    -------
    DataFrame
        One row a commitment (and all together, where there are several) and group (done, not_done, cohort).

    Notes
    -----
    commitments.METHOD says the method. not_done: committed sections up to their work; the cohort's ratio is not
    adjusted by itself. Together: a failure that counts in the cohorts of several commitments counts with the sum of
    its weights, and what sections and loops share is added before it is squared.

    References
    ----------
    E. Hauer, Observational Before-After Studies in Road Safety (1997), ch. 9 and 11. M. P. Fay and E. J. Feuer,
    Statistics in Medicine 16 (1997) 791-801.

    Checked by: tests/unit/test_evaluation_follow_up.py (through tabulate_follow_up),
    tests/simulated/follow_up_study.py (through tabulate_follow_up)
    """
    ids = sorted(found["commitment_id"].unique())
    rows = []
    for scope in ([ALL] if len(ids) > 1 else []) + ids:
        mine = np.flatnonzero(found["commitment_id"].eq(scope) | (scope == ALL))
        part = found.iloc[mine].reset_index(drop=True)
        place = np.full(len(found), -1)
        place[mine] = np.arange(len(mine))
        struck = events.assign(row=place[events["row"]])
        rows += _follow_scope(part, struck[struck["row"] >= 0], as_of, coverage, scope)
    return pd.DataFrame(rows).astype({"years_to_tell": "Int64", "can_tell": "boolean"})


def _follow_scope(
    found: pd.DataFrame, events: pd.DataFrame, as_of: pd.Timestamp, coverage: float, scope: str
) -> list[dict[str, object]]:
    """The three groups of one commitment, or of all."""
    place, years = _code_places(found), _Years(found, as_of)
    is_cohort = found["role"].eq("cohort").to_numpy()
    spans = {
        "done": Spans(found, *years.after(~is_cohort)),
        "not_done": Spans(found, *years.before(~is_cohort)),
        "cohort": Spans(found, *years.before(is_cohort)),
    }
    at = years.since(pd.to_datetime(events["failed_on"]), events["row"].to_numpy())
    is_after = events["is_after"].to_numpy(dtype=bool)
    injected = found["done_as"].eq("inject").to_numpy()[events["row"]]
    cell = place[events["row"]] * YEARS_PROMISED + np.clip(np.ceil(at) - 1, 0, YEARS_PROMISED - 1).astype(np.int64)

    def struck_in(group: str) -> pd.Series:
        span, row = spans[group], events["row"].to_numpy()
        inside = (at > span.begin[row]) & (at <= np.minimum(span.end[row], YEARS_PROMISED))
        # after a replacement the failures of the cable in its place count, after an injection its own
        return pd.Series(inside & ((is_after != injected) if group == "done" else ~is_after), events.index)

    struck = {group: struck_in(group).to_numpy(dtype=bool) for group in spans}
    told = []
    for group, span in spans.items():
        length = np.clip(np.minimum(span.end, YEARS_PROMISED) - span.begin, 0.0, None)
        base = {
            "commitment_id": scope,
            "followed_group": group,
            "committed_on": found["committed_on"].min(),
            "sections": int((length > 0).sum()),
            "section_years": float(length.sum()),
            "seen_after": int(events.loc[struck[group], ["event"]].nunique().iloc[0]),
            "expected_without": float(span.expect("without").sum()),
        }
        weighed = weigh(span, spans["cohort"], place) if group != "cohort" else _weigh_alone(span)
        mean, variance = weighed.expected, weighed.variance
        if group != "cohort":
            of_event = np.bincount(events["event"].to_numpy()[struck["cohort"]], weighed.weight[cell[struck["cohort"]]])
            mean = float(of_event.sum())
            variance += float((of_event**2).sum()) / mean**2 if mean > 0 else 0.0
        told.append(base | _judge(base["seen_after"], mean, variance, weighed, group, coverage))
    told[0] |= _say_when(found, years, place, coverage)
    return told


def _judge(seen: int, mean: float, variance: float, weighed: Weighed, group: str, coverage: float) -> dict[str, object]:
    """Ratio, limits and verdict of a group."""
    planned = weighed.planned / weighed.expected if group == "done" and weighed.expected > 0 else np.nan
    lo = hi = ratio = np.nan
    if mean > 0:
        lo, hi = (float(end) for end in jeffreys_ratio_limits(seen, mean, 1.0 / max(variance, 1e-12), coverage))
        ratio = seen / mean
    if not mean > 0:
        verdict = "too_few"
    elif hi < 1:
        verdict = "fewer" if group != "done" else (
            "more_than_planned" if hi < planned else "less_than_planned" if lo > planned else "as_planned"
        )  # fmt: skip
    elif lo > 1:
        verdict = "more_failures"
    elif group == "done":
        verdict = "no_effect_seen" if lo > planned else "cannot_tell"
    else:
        verdict = "as_expected"
    return {
        "expected_with": weighed.planned if group == "done" else np.nan,
        "expected_adjusted": mean,
        "effect_ratio": ratio,
        "effect_ratio_lo": lo,
        "effect_ratio_hi": hi,
        "planned_ratio": planned,
        "follow_verdict": verdict,
        "power": np.nan,
        "can_tell": None,
        "years_to_tell": None,
    }


def _say_when(found: pd.DataFrame, years: _Years, place: Integers, coverage: float) -> dict[str, object]:
    """Chance that it can be told now, whether it can, and after how many more years, if within those promised.

    Rests on what was promised and on when work is done, not on failures seen. Work not done yet and not overdue is
    taken to be done in the middle of its year.
    """
    is_cohort, now = found["role"].eq("cohort").to_numpy(), None
    for ahead in range(YEARS_PROMISED + 1):
        target = Spans(found, *years.after(~is_cohort, float(ahead)))
        weighed = weigh(target, Spans(found, *years.before(is_cohort, float(ahead))), place)
        chance = find_power(weighed, coverage)
        now = chance if now is None else now
        if chance >= POWER:
            return {"power": now, "can_tell": ahead == 0, "years_to_tell": ahead}
    return {"power": now, "can_tell": False}


def find_power(weighed: Weighed, coverage: float) -> float:
    """The lesser of two chances: that work as planned shows limits below 1, and that idle work shows them above plan.

    Checked by: tests/unit/test_evaluation_follow_up.py
    """
    from scipy.stats import nbinom

    mean = weighed.expected
    planned = weighed.planned / mean if mean > 0 else 1.0
    if planned >= 1.0:
        return 0.0
    shape = 1.0 / max(weighed.variance + weighed.count_variance, 1e-12)
    idle, works = (nbinom(shape, shape / (shape + ratio * mean)) for ratio in (1.0, planned))
    counts = np.arange(int(idle.ppf(1.0 - 1e-6)) + 2)
    lo, hi = jeffreys_ratio_limits(counts, mean, shape, coverage)
    return float(min(works.pmf(counts)[hi < 1.0].sum(), idle.pmf(counts)[lo > planned].sum()))


class _Years:
    """Dates of the rows of find_work as years after the date of the model that promised."""

    def __init__(self, found: pd.DataFrame, as_of: pd.Timestamp) -> None:
        self.known_on = pd.to_datetime(found["known_on"])
        rows = np.arange(len(found))
        self.starts, self.done, self.left = (
            self.since(pd.to_datetime(found[name]), rows) for name in ("starts_on", "done_on", "left_on")
        )
        self.now = self.since(pd.Series(as_of, found.index), rows)
        due = (
            pd.to_datetime(found["due_from"])
            + (pd.to_datetime(found["due_to"]) - pd.to_datetime(found["due_from"])) / 2
        )
        self.due = np.where(found["work_status"].eq("not_yet_due"), self.since(due, rows), np.nan)
        self.is_replaced = found["done_as"].eq("replace").to_numpy()
        self.there = found["section_code"].ge(0).to_numpy()

    def since(self, days: pd.Series, row: Integers) -> Floats:
        """Years from the model's date of each row's promise."""
        return (days.to_numpy() - self.known_on.to_numpy()[row]) / np.timedelta64(1, "D") / DAYS_PER_YEAR

    def before(self, chosen: np.ndarray, ahead: float = 0.0) -> tuple[Floats, Floats]:
        """Begin and end of the time up to the work, or the leaving, or some years ahead; nothing of rows not chosen."""
        ends = np.fmin(np.fmin(self.done, self.left), self.now + ahead)
        return self.starts, np.where(chosen & self.there, ends, self.starts)

    def after(self, chosen: np.ndarray, ahead: float | None = None) -> tuple[Floats, Floats]:
        """Begin and end of the time since the work; with years ahead, also of work that is still to come."""
        begin = self.done if ahead is None else np.where(np.isnan(self.done), np.fmax(self.due, self.now), self.done)
        begin = np.where(np.isnan(self.done) & np.isnan(self.due), np.nan, begin)
        ends = np.where(self.is_replaced, np.nan, self.left)
        ends = np.fmin(ends, self.now + (ahead or 0.0))
        followed = chosen & self.there & ~np.isnan(begin)
        return np.where(followed, begin, 0.0), np.where(followed, ends, 0.0)


def _code_places(found: pd.DataFrame) -> Integers:
    """Number of the commitment and the districts within which each row is compared."""
    return np.asarray(found.groupby(["commitment_id", "compared_in"]).ngroup(), dtype=np.int64)


def weigh(target: Spans, cohort: Spans, place: Integers) -> Weighed:
    """What is expected of followed sections, and the weight with which each failure of the cohort tells of it.

    Parameters
    ----------
    target, cohort
        Time followed of the work, and of the cohort: the same rows.
    place
        Number of the commitment and districts of each row.

    Notes
    -----
    In each place and year the cohort's failures count times what is expected of the work there over what is expected
    of the cohort: with every failure as expected they add up to what is expected of the work.

    Checked by: tests/unit/test_evaluation_follow_up.py
    """
    of_work, of_cohort = target.expect("without"), cohort.expect("without")
    cell = place[:, None] * YEARS_PROMISED + np.arange(YEARS_PROMISED)
    size = (int(place.max(initial=0)) + 1) * YEARS_PROMISED
    work, others = (np.bincount(cell.ravel(), each.ravel(), size) for each in (of_work, of_cohort))
    weight = np.divide(work, others, out=np.zeros(size), where=others > 0)
    each, lent = of_work.sum(axis=1), (of_cohort * weight[cell]).sum(axis=1)
    expected = float(each.sum())
    if not expected > 0:
        return Weighed(0.0, 0.0, weight, 0.0, 0.0)
    rows = target.rows
    section, _ = pd.factorize(rows["section_id"])
    own = of_cohort.sum(axis=1)
    longest = np.zeros(section.max() + 1)
    np.maximum.at(longest, section, own)
    together = np.bincount(section, lent)
    count = float((together**2 / np.where(longest > 0, longest, 1.0)).sum())
    lent_sum = max(float(lent.sum()), 1e-300)
    level = rows["level_error"].to_numpy(dtype=np.float64)
    kind, _ = pd.factorize(rows["cable_class"])
    apart = np.bincount(kind, level * (each / expected - lent / lent_sum))
    variance = _spread(rows, each) / expected**2 + _spread(rows, lent) / lent_sum**2 + float((apart**2).sum())
    return Weighed(expected, float(target.expect("planned").sum()), weight, variance, count / lent_sum**2)


def _weigh_alone(span: Spans) -> Weighed:
    """The cohort against its own expectation."""
    each = span.expect("without").sum(axis=1)
    expected = float(each.sum())
    if not expected > 0:
        return Weighed(0.0, 0.0, np.zeros(0), 0.0, 0.0)
    kind, _ = pd.factorize(span.rows["cable_class"])
    level = np.bincount(kind, each * span.rows["level_error"].to_numpy(dtype=np.float64)) / expected
    return Weighed(expected, 0.0, np.zeros(0), _spread(span.rows, each) / expected**2 + float((level**2).sum()), 0.0)


def _spread(rows: pd.DataFrame, weights: Floats) -> float:
    """Variance of a weighted sum of failures to come by the posterior: of sections, and of what loops share."""
    total = 0.0
    for by, column in (("section_id", "own_variance"), ("loop_id", "loop_variance")):
        unit, _ = pd.factorize(rows[by])
        deviation = np.sqrt(rows[column].to_numpy(dtype=np.float64))
        total += float((np.bincount(unit, deviation * weights) ** 2).sum())
    return total


# ------------------------------------------------------------------ the work itself


def _describe_work(committed: pd.DataFrame, events: pd.DataFrame, history: FailureHistory) -> pd.DataFrame:
    """Rows of the sections committed."""
    rows = committed.index.to_numpy()
    since = events[events["is_after"] | committed["done_as"].eq("inject").reindex(events["row"]).to_numpy()]
    done = committed["done_on"].reindex(since["row"]).to_numpy()
    after = since[(pd.to_datetime(since["failed_on"]).to_numpy() > done)]
    as_of = pd.Timestamp(history.as_of)
    now = committed["done_on"].notna()
    span = Spans(committed, *_Years(committed, as_of).after(now.to_numpy()))
    return committed.assign(
        year=pd.to_datetime(committed["due_from"]).dt.year,
        done_on=committed["done_on"].dt.date,
        seen_after=np.bincount(after["row"], minlength=int(rows.max()) + 1)[rows],
        expected_without=span.expect("without").sum(axis=1),
        expected_with=span.expect("planned").sum(axis=1),
    )[list(dictionary.tables()[WORK].columns)]


def _list_uncommitted(found: pd.DataFrame, history: FailureHistory, reasons: pd.DataFrame) -> pd.DataFrame:
    """Cable replaced or injected since the first commitment without any; work is told as for committed sections."""
    committed = set(found.loc[found["role"].eq("committed"), "section_now"])
    sections = history.sections[~history.sections["section_id"].isin(committed)]
    begin = pd.to_datetime(found["committed_on"]).min()
    rest = sections[["section_id", "loop_id", "district_id", "cable_class", "length_km"]].assign(
        commitment_id=NONE, role="none", section_now=sections["section_id"], known_on=begin, committed_on=begin,
        due_from=None, due_to=None, is_lifted=False,
    ).reset_index(drop=True)  # fmt: skip
    nothing = pd.DataFrame({"old_section_id": [], "new_section_id": []}, dtype=object)
    rest = find_work(rest, history, reasons, nothing)
    done = rest[rest["done_on"].notna()]
    return done.assign(
        year=done["done_on"].dt.year, done_on=done["done_on"].dt.date, work_status="not_committed",
    ).reindex(columns=list(dictionary.tables()[WORK].columns))  # fmt: skip


def _sum_by_year(work: pd.DataFrame) -> pd.DataFrame:
    """Planned against done, a row a commitment and year of its plan; work without one by the year it was done."""
    is_planned, is_done = work["commitment_id"].ne(NONE), work["done_on"].notna()
    status, km = work["work_status"], work["length_km"].astype(float)
    cost, spent = work["cost"].astype(float).fillna(0.0), work["cost_recorded"].astype(float)
    otherwise = is_planned & is_done & work["done_as"].ne(work["action"])
    sums = {
        "sections_planned": is_planned,
        "planned_km": km * is_planned,
        "planned_cost": cost,
        "sections_done": is_done,
        "done_km": km * is_done,
        "planned_cost_of_done": cost.where(is_done, 0.0),
        "sections_with_cost": is_done & spent.notna(),
        "planned_cost_where_recorded": cost.where(is_done & spent.notna(), 0.0),
        "cost_recorded": spent.where(is_done),
        "sections_done_otherwise": otherwise,
    }
    for name in STATUSES:
        sums[f"sections_{name}"] = status.eq(name)
    keys = [work["commitment_id"], work["year"].astype("int64")]
    return pd.DataFrame(sums).groupby(keys).sum(min_count=1).reset_index()


STATUSES = (
    "done_early",
    "done_in_its_year",
    "done_late",
    "not_yet_due",
    "overdue",
    "lifted",
    "out_of_service",
    "regrouped",
)
