"""Why believe the ranking? The part of the replacement page that holds it against what followed."""

from typing import Any

import pandas as pd

from reports.figures import replacement_evaluation as figures
from reports.marts import Judged, Marts, judged
from reports.page import Exhibit, Section, largest
from reports.pages import replacement_follow_up, replacement_sensitivity
from reports.words import Words
from shared.settings import Settings

say = Words("replacement")

SCORES = "marts.forecast_score"
BEFORE_AFTER = "marts.before_after"
FIGURES = "marts.replacement_figures"


def sections(marts: Marts, settings: Settings) -> tuple[Section, ...]:
    """The sections of the page on what came of committed work, and why to believe the ranking."""
    return (
        replacement_follow_up.section(marts, settings),
        section(marts, settings),
        replacement_sensitivity.section(marts),
    )


def section(marts: Marts, settings: Settings) -> Section:
    """What holds the ranking against the years that followed."""
    found = judged(marts, "replacement")
    return Section(
        "Back-test on past dates",
        (
            capture(marts.read("marts.backtest_summary"), marts.read("marts.backtest"), settings, found),
            capture_by_money(marts.read("marts.backtest_money_summary"), settings, found),
            calibration(marts.read("marts.calibration_summary"), settings, found),
            past_forecasts(marts.read(SCORES), settings, found),
            before_after(marts.read(BEFORE_AFTER), marts.read(FIGURES), settings, found),
            counts(marts.read("marts.count_reconciliation")),
        ),
        say("section.belief"),
    )


def in_rule_order(summary: pd.DataFrame, by: str) -> pd.DataFrame:
    """Rows of loops, all past dates together, in the order of the rules and of the shares picked."""
    rows, order = summary[summary["level"].eq("loop")], list(figures.RULE_NAMES).index
    key = ["rule", f"{by}_fraction"]
    return rows.sort_values(key, key=lambda one: one.map(order) if one.name == "rule" else one, ignore_index=True)


def capture_values(found: Judged, by: str) -> dict[str, Any]:
    """What the back-test says of the model against the rule that is hardest to tell from it, at a tenth."""
    kinds = ("", "_model", "_model_lo", "_model_hi", "_failures", "_rival", "_lead", "_lead_lo", "_lead_hi")
    values = {f"capture{kind}": found.of(f"capture{kind}", by) for kind in kinds}
    return values | {"rule": figures.RULE_NAMES.get(found.of("capture_rival_rule", by), "")}


def backtest_sentence(found: Judged) -> str:
    """What the back-test says about the model against the rule that is hardest to tell from it."""
    values = capture_values(found, "length")
    return say("capture.finding" if values["capture"] else "capture.untried", **values)


def flagged_sentence(found: Judged, rule: str) -> str:
    """A rule with thresholds at the length that it flags, against as much of the ranking."""
    kinds = ("", "_share", "_capture", "_lead", "_lead_lo", "_lead_hi")
    values = {f"flagged{kind}": found.of(f"flagged{kind}", rule) for kind in kinds}
    key = "capture.flagged_nothing" if values["flagged"] == "nothing" else "capture.flagged"
    return say(values["flagged"] is not None and key, rule=figures.RULE_NAMES[rule], **values)


def capture(summary: pd.DataFrame, backtest: pd.DataFrame, settings: Settings, found: Judged) -> Exhibit:
    """The ranking against the rules people use."""
    shown = in_rule_order(summary, "length")
    if shown.empty or backtest.empty:
        return say.absent("capture")
    origins = sorted(backtest["origin"].unique())
    flagged = (flagged_sentence(found, rule) for rule in ("three_in_five_years", "present_rule"))
    return say.exhibit(
        "capture",
        " ".join(filter(None, (backtest_sentence(found), *flagged))),
        shown.assign(rule=shown["rule"].map(figures.RULE_NAMES)),
        chart=figures.chart_capture(shown),
        years=backtest["horizon_years"].iloc[0],
        failures=shown["failures_distinct"].max(),
        n_origins=len(origins),
        dates=", ".join(f"{pd.Timestamp(o):%Y-%m-%d}" for o in origins),
        settings=settings,
    )


def capture_by_money(summary: pd.DataFrame, settings: Settings, found: Judged) -> Exhibit:
    """The ranking against the rules people use, for the same money."""
    shown, values = in_rule_order(summary, "cost"), capture_values(found, "cost")
    if shown.empty:
        return say.absent("capture_by_money")
    return say.exhibit(
        "capture_by_money",
        say(
            "capture_by_money.finding" if values["capture"] else "capture.untried",
            **values,
            by_rank=found["capture_by_rank_for_money"],
        ),
        shown.assign(rule=shown["rule"].map(figures.RULE_NAMES)),
        chart=figures.chart_capture(shown, "cost"),
        failures=shown["failures_distinct"].max(),
        n_origins=shown["origins"].max(),
        money=shown.loc[shown["cost_fraction"].eq(0.1), "money_spent"].mean(),
        settings=settings,
    )


def calibration(summary: pd.DataFrame, settings: Settings, found: Judged) -> Exhibit:
    """Whether as many failures came as were expected."""
    if summary.empty:
        return say.absent("calibration")
    rows = summary.sort_values("decile", ignore_index=True)
    whole, tenths = rows.iloc[0], rows.iloc[1:]
    return say.exhibit(
        "calibration",
        say("calibration.finding", found=found, whole=whole, n_tenths=len(tenths)),
        rows.assign(decile=rows["decile"].astype(str).where(rows["decile"].gt(0), "all")),
        chart=figures.chart_calibration(tenths),
        whole=whole,
        settings=settings,
    )


def past_forecasts(scores: pd.DataFrame, settings: Settings, found: Judged) -> Exhibit:
    """Last year's forecast, and those of the past dates, beside the years that followed."""
    if scores.empty:
        return say.absent("past_forecasts")
    rows = scores.sort_values(["origin", "grouped_by", "group_name"]).reset_index(drop=True)
    whole = rows[rows["grouped_by"] == "all"].reset_index(drop=True)
    last = whole.iloc[-1]
    classes = rows[(rows["grouped_by"] == "cable_class") & (rows["origin"] == last["origin"])].reset_index(drop=True)
    return say.exhibit(
        "past_forecasts",
        score_sentence(whole, found),
        pd.concat([whole, classes], ignore_index=True),
        extra=len(rows) - len(whole) - len(classes),
        chart=figures.chart_past_forecasts(whole),
        observed_failures=whole["observed_failures"].sum(),
        n_whole=len(whole),
        last=last,
        settings=settings,
    )


def score_sentence(whole: pd.DataFrame, found: Judged) -> str:
    """How near the forecasts of the whole came, and whether they told loops apart better than constant rates."""
    sums = whole[["deviance_model", "deviance_constant", "deviance_class_constant"]].sum()
    inside = int(whole["is_inside"].sum())
    return say("past_forecasts.finding", last=whole.iloc[-1], n_whole=len(whole), inside=inside, sums=sums, found=found)


def before_after(sets: pd.DataFrame, amounts: pd.DataFrame, settings: Settings, found: Judged) -> Exhibit:
    """Failures before and after, beside the fall to be expected with nothing done."""
    if sets.empty:
        return say.absent("before_after")
    order = {name: place for place, name in enumerate(figures.PICKED_WORDS)}
    rows = sets.assign(place=sets["grouped_by"].map(order)).sort_values(["place", "group_name"], ignore_index=True)
    shown = rows[rows["effect_verdict"].ne("too_few") | rows["grouped_by"].eq("watched")]
    drawn = shown[shown["grouped_by"].ne("replaced_because")]
    sentences = [
        left_alone_sentence(rows, found),
        replaced_sentence(rows),
        injected_sentence(rows),
        injection_sentence(amounts, settings),
        watched_sentence(rows),
    ]
    unseen = sorted(set(settings.replacement.watched) - set(rows.loc[rows["grouped_by"].eq("watched"), "group_name"]))
    untold = say(bool(unseen) and "before_after.untold", unseen=", ".join(unseen))
    return say.exhibit(
        "before_after",
        " ".join(filter(None, sentences)) or say("before_after.too_few"),
        rows.assign(group_name=rows["grouped_by"].map(figures.PICKED_WORDS) + " " + rows["group_name"]),
        chart=figures.chart_before_after(drawn) if len(drawn) else None,
        settings=settings,
        n_rows=len(rows),
        n_rows_2=len(rows) - len(drawn),
        sections_left_out=rows["sections_left_out"].sum(),
        untold=untold,
    )


def counts(steps: pd.DataFrame) -> Exhibit:
    """From the rows read to each count that the page states."""
    if steps.empty or not steps["jobs"].any():
        return say.absent("counts")
    rows = steps.sort_values("step_order", ignore_index=True)
    stated = rows[rows["is_total"].astype(bool)].to_dict("records")
    return say.exhibit(
        "counts", say("counts.finding", said="; ".join(say("counts.one", row=row) for row in stated)), rows
    )


def left_alone_sentence(rows: pd.DataFrame, found: Judged) -> str:
    """What became of loops picked for their last years and left alone."""
    alone = int(rows["grouped_by"].eq("recent_failures").sum())
    return say(found["left_alone_fell"] is not None and "before_after.left_alone", found=found, alone=alone)


def watched_sentence(rows: pd.DataFrame) -> str:
    """What became of the loops named in the settings, the first three of them."""
    watched = rows[rows["grouped_by"] == "watched"]
    said = "; ".join(say("before_after.one_watched", row=row) for row in watched.head(3).to_dict("records"))
    more = say(len(watched) > 3 and "before_after.more_watched", more=len(watched) - 3)
    return say(bool(said) and "before_after.watched", said=said, more=more)


def replaced_sentence(rows: pd.DataFrame) -> str:
    """What followed on the cable replaced, and how much of the fall that leaves to the replacement."""
    replaced = rows[rows["grouped_by"].eq("replaced_because") & rows["effect_verdict"].ne("too_few")]
    if replaced.empty:
        return ""
    most = largest(replaced, "expected_after")
    return say(
        "before_after.replaced",
        group_name=str(most["group_name"]).replace("_", " "),
        most=most,
        ratio_words_2=ratio_words(most),
    )


def ratio_words(row: pd.Series) -> str:
    """Seen over expected with its limits, and what that says."""
    return say("before_after.ratio", row=row)


def injected_sentence(rows: pd.DataFrame) -> str:
    """What followed on injected cable of all years together."""
    injected = rows[rows["grouped_by"].eq("injected_in") & rows["group_name"].eq("all years")]
    if injected.empty or injected["effect_verdict"].iloc[0] == "too_few":
        return ""
    return say("before_after.injected", ratio_words_2=ratio_words(injected.iloc[0]))


def injection_sentence(amounts: pd.DataFrame, settings: Settings) -> str:
    """What the forecast of cable already injected rests on, beside the share in the settings."""
    amount = amounts.set_index("figure")["amount"]
    if not amount.get("injection_expected_untreated"):
        return ""
    return say("before_after.injection", amount=amount, settings=settings)
