"""Why believe the ranking? The part of the replacement page that holds it against what followed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from reports.figures import replacement_evaluation as figures
from reports.marts import judged
from reports.page import Exhibit, Section, largest
from reports.pages import replacement_sensitivity
from reports.words import Words

if TYPE_CHECKING:
    from reports.marts import Judged, Marts
    from shared.settings import Settings

say = Words("replacement")

BACKTEST = "marts.backtest"
POOLED = "marts.backtest_pooled"
CALIBRATION = "marts.backtest_calibration"
MONEY = "marts.backtest_money"
SCORES = "marts.forecast_score"
BEFORE_AFTER = "marts.before_after"
FIGURES = "marts.replacement_figures"


def sections(marts: Marts, settings: Settings) -> tuple[Section, Section]:
    """The sections of the page on why to believe the ranking."""
    return section(marts, settings), replacement_sensitivity.section(marts)


def section(marts: Marts, settings: Settings) -> Section:
    """What holds the ranking against the years that followed."""
    found, pooled = judged(marts, "replacement"), marts.read(POOLED)
    return Section(
        "Back-test on past dates",
        (
            capture(marts.read(BACKTEST), pooled, found),
            capture_by_money(marts.read(MONEY), pooled, settings, found),
            calibration(marts.read(CALIBRATION), settings, found),
            past_forecasts(marts.read(SCORES), settings, found),
            before_after(marts.read(BEFORE_AFTER), marts.read(FIGURES), settings, found),
        ),
        say("section.belief"),
    )


def curves_of(pooled: pd.DataFrame, by: str) -> pd.DataFrame:
    """Back-test of loops picked by length or by cost, its past dates pooled, in the order of the rules."""
    rows = pooled[pooled["picked_by"].eq(by) & pooled["level"].eq("loop")]
    order = list(figures.RULE_NAMES).index
    rows = rows.sort_values(["rule", "picked_fraction"], key=lambda key: key.map(order) if key.name == "rule" else key)
    return rows.rename(columns={"picked_fraction": f"{by}_fraction"}).reset_index(drop=True)


def capture_values(found: Judged, by: str) -> dict[str, Any]:
    """What the back-test says of the model against the best simple rule, at a tenth of the length or cost."""
    names = ("capture", "capture_model", "capture_rival", "capture_fraction_picked", "capture_failures")
    values = {name: found.of(name, by) for name in names}
    return values | {"rule": figures.RULE_NAMES.get(found.of("capture_rival_rule", by), "")}


def backtest_sentence(found: Judged) -> str:
    """What the back-test says about the model against the best simple rule."""
    values = capture_values(found, "length")
    return say("capture.finding" if values["capture"] else "capture.untried", **values)


def capture(backtest: pd.DataFrame, pooled: pd.DataFrame, found: Judged) -> Exhibit:
    """The ranking against the rules people use."""
    rows, shown = backtest[backtest["level"] == "loop"], curves_of(pooled, "length")
    if rows.empty or shown.empty:
        return say.absent("capture")
    origins = sorted(rows["origin"].unique())
    return say.exhibit(
        "capture",
        backtest_sentence(found),
        shown.assign(rule=shown["rule"].map(figures.RULE_NAMES)),
        chart=figures.chart_capture(shown),
        years=rows["horizon_years"].iloc[0],
        failures=shown["failures_total"].max(),
        n_origins=len(origins),
        dates=", ".join(f"{pd.Timestamp(o):%Y-%m-%d}" for o in origins),
    )


def capture_by_money(backtest: pd.DataFrame, pooled: pd.DataFrame, settings: Settings, found: Judged) -> Exhibit:
    """The ranking against the rules people use, for the same money."""
    shown = curves_of(pooled, "cost")
    if shown.empty:
        return say.absent("capture_by_money")
    return say.exhibit(
        "capture_by_money",
        say("capture_by_money.finding", **capture_values(found, "cost"), by_rank=found["capture_by_rank_for_money"]),
        shown.assign(rule=shown["rule"].map(figures.RULE_NAMES)),
        chart=figures.chart_capture(shown, "cost"),
        failures=shown["failures_total"].max(),
        n_origins=backtest.loc[backtest["level"] == "loop", "origin"].nunique(),
        money=found["capture_money"],
        settings=settings,
    )


def calibration(deciles: pd.DataFrame, settings: Settings, found: Judged) -> Exhibit:
    """Whether as many failures came as were expected."""
    if deciles.empty:
        return say.absent("calibration")
    rows = deciles.sort_values(["origin", "decile"]).reset_index(drop=True)
    observed = float(rows["observed"].sum())
    sums = {"expected": float(rows["expected"].sum()), "observed": observed, "n_rows": len(rows)}
    finding = say("calibration.finding", found=found, **sums)
    return say.exhibit(
        "calibration",
        finding,
        rows,
        chart=figures.chart_calibration(rows),
        observed=observed,
        n_rows=len(rows),
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
