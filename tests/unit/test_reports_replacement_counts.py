"""Counts on the replacement page: each first by its question, duplicates both ways, rules, from rows to headlines."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from reports.figures.replacement_evaluation import RULE_NAMES, chart_capture
from reports.pages import replacement, replacement_evaluation, replacement_ranking, replacement_sensitivity
from shared.settings import Settings
from tests.report_marts import Given, evaluation_marts, found_in, replacement_marts

TABLES = {**replacement_marts(np.random.default_rng(5), 40), **evaluation_marts(np.random.default_rng(5))}


def test_each_first_is_named_by_its_question() -> None:
    made = replacement_ranking.first_of_each(TABLES["marts.first_loops"])
    assert made.finding == (
        "Most failures for its length: L-000001; most returned of what replacing costs: L-000003; "
        "first work within the budget: L-000003."
    )
    said = replacement.answer(Given(TABLES), Settings()).sentences[0]
    assert "Other questions have other firsts: L-000003 returns most of what replacing it costs" in said
    assert "With jobs that may be one counted once, L-000002 would rank first." in said
    one = TABLES["marts.first_loops"].assign(loop_id="L-000001")
    tables = TABLES | {"marts.first_loops": one, "marts.duplicates_both_ways": pd.DataFrame()}
    del tables["marts.duplicates_both_ways"]
    said = replacement.answer(Given(tables), Settings()).sentences[0]
    assert said.endswith("It also returns most of what replacing it costs, and the programme begins with it.")
    assert replacement_ranking.first_of_each(one.head(0)).is_absent


def test_duplicates_are_told_both_ways() -> None:
    found = found_in("replacement", TABLES)
    made = replacement_sensitivity.duplicates(TABLES["marts.duplicates_both_ways"], found)
    assert made.finding == (
        "2 failures may be entered twice, undecided: counted once, 880 failures are 878. L-000002 would rank first."
    )
    rows = TABLES["marts.duplicates_both_ways"].query("grouped_by != 'loop'")
    found = found_in("replacement", TABLES | {"marts.duplicates_both_ways": rows})
    assert replacement_sensitivity.duplicates(rows, found).finding.endswith("The loop that ranks first stays first.")
    assert replacement_sensitivity.duplicates(rows.head(0), found).is_absent


def test_the_bridge_says_what_is_stated() -> None:
    made = replacement_evaluation.counts(TABLES["marts.count_reconciliation"])
    assert made.finding == "Rows read: 900; Failures in the class curves: 880."
    assert replacement_evaluation.counts(TABLES["marts.count_reconciliation"].head(0)).is_absent


def plain(said: str) -> str:
    """Without the blanks that do not break."""
    return said.replace("\N{NO-BREAK SPACE}", " ")


def summary_of(**verdicts: tuple[float, float, float, str]) -> pd.DataFrame:
    """Loops at a tenth: share, limits of the difference to the model of 0.40, and verdict of each rule."""
    rows = [("model", 0.40, np.nan, np.nan, None), *((rule, *told) for rule, told in verdicts.items())]
    frame = pd.DataFrame(rows, columns=["rule", "capture_fraction", "difference_lo", "difference_hi", "verdict"])
    return frame.assign(
        level="loop", length_fraction=0.1, origins=5, failures_distinct=200, failures_captured=200.0,
        capture_lo=frame["capture_fraction"] - 0.05, capture_hi=frame["capture_fraction"] + 0.05,
        difference_to_model=frame["capture_fraction"] - 0.40,
        is_own_length=False,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("rules", "said"),
    [
        (
            {"most_failures": (0.3, -0.14, -0.06, "worse"), "oldest_first": (0.2, -0.3, -0.1, "worse")},
            (
                "more than every simple rule, beyond chance. The nearest, most failures, held 30 %; "
                "the ranking's lead over it is 10 points (6 to 14)."
            ),
        ),
        (  # half a point behind or ten ahead: without limits that say so there is no verdict
            {"most_failures": (0.3, -0.14, -0.06, "worse"), "failures_per_km": (0.25, -0.32, 0.02, "cannot_tell")},
            (
                "not clearly more or less than the best simple rule. The nearest, failures per km, held 25 %; "
                "the ranking's lead over it is 15 points (−2 to 32)."
            ),
        ),
        (
            {
                "class_rate_times_failures": (0.46, 0.02, 0.1, "better"),
                "oldest_first": (0.5, -0.01, 0.2, "cannot_tell"),
            },
            (
                "less than a simple rule, beyond chance. The nearest, class rate × (failures + ½), held 46 %; "
                "the ranking's lead over it is −6 points (−10 to −2)."
            ),
        ),
    ],
)
def test_the_verdict_follows_the_limits(rules: dict, said: str) -> None:
    found = found_in("replacement", {"marts.backtest_summary": summary_of(**rules)})
    opening = "On past dates the tenth of the length that ranked first held 40 % (35 % to 45 %) of 200 later failures, "
    assert plain(replacement_evaluation.backtest_sentence(found)) == f"{opening}each counted once: {said}"


def test_random_is_no_rule_to_beat_and_nothing_followed_is_said() -> None:
    found = found_in("replacement", {"marts.backtest_summary": summary_of(random=(0.9, 0.4, 0.6, "better"))})
    assert replacement_evaluation.backtest_sentence(found).startswith("The ranking could not yet be tried")
    none = summary_of(most_failures=(np.nan, np.nan, np.nan, None)).assign(failures_distinct=0)
    found = found_in("replacement", {"marts.backtest_summary": none})
    assert replacement_evaluation.backtest_sentence(found).startswith("The ranking could not yet be tried")


def test_a_rule_that_flags_is_told_at_its_own_length_and_drawn_as_a_mark() -> None:
    rows = summary_of(
        present_rule=(0.05, -0.02, 0.01, "cannot_tell"), three_in_five_years=(0.0, 0.0, 0.0, "cannot_tell")
    )
    own = rows["rule"].ne("model")
    rows = rows.assign(is_own_length=own, length_fraction=np.where(rows["rule"].eq("present_rule"), 0.013, 0.0))
    rows.loc[own, "difference_to_model"] = [-0.004, 0.0]
    found = found_in("replacement", {"marts.backtest_summary": rows})
    assert plain(replacement_evaluation.flagged_sentence(found, "present_rule")) == (
        "By its own threshold, the rule in use flags 1.3 % of the length, with 5.0 % of these failures; "
        "the ranking leads on as much length by 0.4 points (−1.0 to 2.0), within chance."
    )
    assert replacement_evaluation.flagged_sentence(found, "three_in_five_years") == (
        "By its own threshold, three in five years flagged nothing, or nothing followed."
    )
    assert replacement_evaluation.flagged_sentence(found_in("replacement", {}), "present_rule") == ""
    drawn = {trace.name: trace.mode for trace in chart_capture(rows).data}
    assert drawn["this model"] == "lines+markers"
    assert drawn["the rule in use, at its own length"] == "markers"


def test_no_two_rules_are_drawn_alike() -> None:
    rows = pd.concat([summary_of(), *(summary_of().assign(rule=rule) for rule in list(RULE_NAMES)[1:])])
    looks = [(t.line.color, t.line.dash, t.marker.symbol) for t in chart_capture(rows).data]
    assert len(looks) == len(RULE_NAMES) == len(set(looks))
