"""Why believe the ranking? The part of the replacement page that holds it against what followed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from reports import style
from reports.figures import replacement_belief as figures
from reports.page import Exhibit, Section, Table, absent, largest
from reports.pages import replacement_firmness

if TYPE_CHECKING:
    from reports.marts import Marts
    from shared.settings import Settings

BACKTEST = "marts.backtest"
CALIBRATION = "marts.backtest_calibration"
MONEY = "marts.backtest_money"
SCORES = "marts.forecast_score"
BEFORE_AFTER = "marts.before_after"
FIGURES = "marts.replacement_figures"

OLDER = "load older jobs and the register with retired sections, then run: loopwear refresh"


def sections(marts: Marts, settings: Settings) -> tuple[Section, Section]:
    """The sections of the page on why to believe the ranking."""
    return section(marts, settings), replacement_firmness.section(marts)


def section(marts: Marts, settings: Settings) -> Section:
    """What holds the ranking against the years that followed."""
    return Section(
        "Has it worked before?",
        (
            capture(marts.read(BACKTEST)),
            capture_by_money(marts.read(MONEY), settings),
            calibration(marts.read(CALIBRATION), settings),
            past_forecasts(marts.read(SCORES), settings),
            before_after(marts.read(BEFORE_AFTER), marts.read(FIGURES), settings),
        ),
        "The same method on past dates, with only what was known then, against the rules people use.",
    )


def pool(backtest: pd.DataFrame, level: str) -> pd.DataFrame:
    """Back-test of one level with its past dates pooled: captured over total."""
    rows = backtest[backtest["level"] == level]
    pooled = rows.groupby(["rule", "length_fraction"], sort=True)[["failures_captured", "failures_total"]].sum()
    pooled = pooled.reset_index()
    pooled["capture_fraction"] = pooled["failures_captured"] / pooled["failures_total"].where(
        pooled["failures_total"] > 0
    )
    kept: pd.DataFrame = pooled.dropna(subset=["capture_fraction"])
    return kept


def at_tenth(pooled: pd.DataFrame) -> pd.DataFrame:
    """Capture of each rule at the share of length nearest to a tenth, best first."""
    if pooled.empty:
        return pooled
    fractions = sorted(pooled["length_fraction"].unique())
    nearest = min(fractions, key=lambda f: (abs(f - 0.10), f))
    rows: pd.DataFrame = pooled[pooled["length_fraction"] == nearest]
    return rows.sort_values(["capture_fraction", "rule"], ascending=[False, True]).reset_index(drop=True)


def backtest_sentence(backtest: pd.DataFrame) -> str:
    """What the back-test says about the model against the best simple rule."""
    rows = at_tenth(pool(backtest, "loop")) if len(backtest) else backtest
    named = rows.set_index("rule")["capture_fraction"] if len(rows) else pd.Series(dtype=float)
    others = named.drop(labels=["model", "random"], errors="ignore")
    if "model" not in named.index or others.empty:
        return "The ranking has not been tried on past dates yet."
    best = str(others.index[0])
    model, rival = float(named["model"]), float(others.iloc[0])
    share = style.percent(rows["length_fraction"].iloc[0])
    total = int(rows["failures_total"].iloc[0])
    outcome = "better than" if model > rival + 0.005 else "no better than" if model < rival - 0.005 else "level with"
    return (
        f"On past dates the worst {share} of the length by this ranking held {style.percent(model)} of the {total:,} "
        f"later failures, {outcome} the best simple rule ({figures.RULE_NAMES.get(best, best)}: "
        f"{style.percent(rival)})."
    )


def capture(backtest: pd.DataFrame) -> Exhibit:
    """The ranking against the rules people use."""
    title = "Later failures caught, by rule"
    rows = backtest[backtest["level"] == "loop"] if len(backtest) else backtest
    pooled = pool(backtest, "loop") if len(rows) else rows
    if pooled.empty:
        return absent(
            "capture",
            title,
            (BACKTEST,),
            "The ranking could not be tried on a past date: too few years are loaded.",
            "load older jobs and the register with retired sections, then run: loopwear refresh",
        )
    order = [rule for rule in figures.RULE_NAMES if rule in set(pooled["rule"])]
    shown = pooled.assign(place=pooled["rule"].map({r: i for i, r in enumerate(order)})).sort_values(
        ["place", "length_fraction"]
    )
    shown["rule"] = shown["rule"].map(figures.RULE_NAMES)
    origins = sorted(rows["origin"].unique())
    dates = ", ".join(f"{pd.Timestamp(o):%Y-%m-%d}" for o in origins)
    return Exhibit(
        key="capture",
        title=title,
        finding=backtest_sentence(backtest),
        sources=(BACKTEST,),
        definition="At each past date the loops are ordered by each rule with only what was known then; the curve "
        f"counts the failures of the following {style.number(rows['horizon_years'].iloc[0])} years on the length "
        "picked first.",
        count=f"{style.counted(pooled['failures_total'].max(), 'later failure')} after "
        f"{style.counted(len(origins), 'past date')}: {dates}.",
        interval="None drawn. Two rules a few percent apart cannot be told apart on so many failures.",
        left_out="Loops built after the date. Random is the mean of many draws.",
        chart=figures.chart_capture(pooled),
        tables=(
            Table(
                shown.reset_index(drop=True),
                ("rule", "length_fraction", "failures_captured", "failures_total", "capture_fraction"),
                BACKTEST,
            ),
        ),
    )


def capture_by_money(backtest: pd.DataFrame, settings: Settings) -> Exhibit:
    """The ranking against the rules people use, for the same money."""
    title = "Later failures caught, by rule, for the same money"
    rows = backtest[backtest["level"] == "loop"]
    if rows.empty or not rows["failures_total"].sum():
        return absent("capture_by_money", title, (MONEY,), "The ranking could not be tried on a past date.", OLDER)
    pooled = rows.groupby(["rule", "cost_fraction"], sort=True)[["money_spent", "failures_captured", "failures_total"]]
    shown = pooled.agg({"money_spent": "mean", "failures_captured": "sum", "failures_total": "sum"}).reset_index()
    shown["capture_fraction"] = shown["failures_captured"] / shown["failures_total"]
    order = {rule: place for place, rule in enumerate(figures.RULE_NAMES)}
    shown = shown.sort_values(
        ["rule", "cost_fraction"], key=lambda key: key.map(order) if key.name == "rule" else key, ignore_index=True
    )
    tenth = shown[shown["cost_fraction"].sub(0.10).abs().lt(1e-9)].set_index("rule")
    ours = tenth.loc[["model", "model_per_cost"], "capture_fraction"]
    others = tenth["capture_fraction"].drop(labels=["model", "model_per_cost", "random"], errors="ignore")
    best, rival = str(others.idxmax()), float(others.max())
    lead = float(ours["model_per_cost"]) - rival
    outcome = "more than" if lead > 0.005 else "less than" if lead < -0.005 else "level with"
    finding = (
        f"A tenth of what replacing everything would cost, spent by failures expected per unit of money, would have "
        f"caught {style.percent(ours['model_per_cost'])} of the later failures, {outcome} the best simple rule "
        f"({figures.RULE_NAMES[best]}: {style.percent(rival)}). Spent in the order of the ranking, which is per km, it "
        f"would have caught {style.percent(ours['model'])}."
    )
    return Exhibit(
        key="capture_by_money",
        title=title,
        finding=finding,
        sources=(MONEY,),
        definition="As above, but each rule picks whole loops until a share of the cost of replacing all loops is "
        "spent: the metres at the prices of the settings, buried or in duct, and mobilising once a loop.",
        count=f"{style.counted(shown['failures_total'].max(), 'later failure')} after "
        f"{style.counted(rows['origin'].nunique(), 'past date')}; a tenth is "
        f"{style.money(float(tenth['money_spent'].iloc[0]), settings.general.currency)}.",
        interval="None drawn; each date's limits, by resampling loops, are in the export.",
        left_out="Prices of the past: today's stand for every date. Sections alone: in the export.",
        chart=figures.chart_capture(shown, "cost"),
        tables=(
            Table(
                shown.assign(rule=shown["rule"].map(figures.RULE_NAMES)),
                ("rule", "cost_fraction", "money_spent", "failures_captured", "failures_total", "capture_fraction"),
                MONEY,
            ),
        ),
    )


def calibration(deciles: pd.DataFrame, settings: Settings) -> Exhibit:
    """Whether as many failures came as were expected."""
    title = "Failures expected and failures seen"
    if deciles.empty:
        return absent(
            "calibration",
            title,
            (CALIBRATION,),
            "There is no past forecast to score.",
            "load older jobs and the register with retired sections, then run: loopwear refresh",
        )
    rows = deciles.sort_values(["origin", "decile"]).reset_index(drop=True)
    inside = int(((rows["expected"] >= rows["observed_lo"]) & (rows["expected"] <= rows["observed_hi"])).sum())
    expected, observed = float(rows["expected"].sum()), float(rows["observed"].sum())
    finding = (
        f"{style.number(expected, 0)} failures were expected and {style.number(observed, 0)} came, a ratio of "
        f"{style.number(observed / expected, 2)}. In {inside} of {len(rows)} tenths the expected number lies within "
        f"the limits of the count seen; {style.number(settings.general.interval_level * len(rows), 0)} would be usual."
    )
    return Exhibit(
        key="calibration",
        title=title,
        finding=finding,
        sources=(CALIBRATION,),
        definition="Cable ordered by expected failures per km and cut into tenths of the length, at each past date.",
        count=f"{style.number(observed, 0)} failures in {len(rows)} tenths.",
        interval=f"{style.percent(settings.general.interval_level)} exact Poisson limits of the count (Garwood 1936).",
        left_out="Failures of which only the loop is known are shared over its sections by expectation, on both sides, "
        "so the single tenths lean a little to their forecast. The curves above count known sections alone.",
        chart=figures.chart_calibration(rows),
        tables=(
            Table(
                rows,
                ("origin", "decile", "expected", "observed", "observed_lo", "observed_hi"),
                CALIBRATION,
                labels={"observed_lo": "Observed, low", "observed_hi": "Observed, high"},
            ),
        ),
    )


def past_forecasts(scores: pd.DataFrame, settings: Settings) -> Exhibit:
    """Last year's forecast, and those of the past dates, beside the years that followed."""
    title = "Last year's forecast, scored"
    if scores.empty:
        return absent("past_forecasts", title, (SCORES,), "No past forecast is a year old yet.", OLDER)
    rows = scores.sort_values(["origin", "grouped_by", "group_name"]).reset_index(drop=True)
    whole = rows[rows["grouped_by"] == "all"].reset_index(drop=True)
    last = whole.iloc[-1]
    classes = rows[(rows["grouped_by"] == "cable_class") & (rows["origin"] == last["origin"])].reset_index(drop=True)
    columns = ("expected", "expected_lo", "expected_hi", "observed_failures", "deviance_model", "deviance_constant",
               "deviance_class_constant")  # fmt: skip
    return Exhibit(
        key="past_forecasts",
        title=title,
        finding=score_sentence(whole),
        sources=(SCORES,),
        definition="The method with only what was known on the date, its failures of the next year against those that "
        "came, on the cable then in service for as long as it stayed. Deviance: twice the log-likelihood lost against "
        "knowing every count, summed over the cable of a loop of a class.",
        count=f"{style.number(whole['observed_failures'].sum(), 0)} failures after {len(whole)} past dates, on "
        f"{style.counted(last['loops'], 'loop')}.",
        interval=f"{style.percent(settings.general.interval_level)} limits of the count to come, negative binomial: "
        "chance, the posterior of the multipliers and the level of the curves.",
        left_out="Cable laid after the date. Failures known by loop alone are shared over the loop by the forecast.",
        chart=figures.chart_past_forecasts(whole),
        tables=(
            Table(
                pd.concat([whole, classes], ignore_index=True),
                ("origin", "group_name", *columns, "loops_inside_fraction"),
                SCORES,
                labels={"group_name": "Cable", "expected_lo": "Count to come, low",
                        "expected_hi": "Count to come, high"},
                extra=len(rows) - len(whole) - len(classes),
            ),
        ),
    )  # fmt: skip


def score_sentence(whole: pd.DataFrame) -> str:
    """How near the forecasts of the whole came, and whether they told loops apart better than constant rates."""
    last = whole.iloc[-1]
    sums = whole[["deviance_model", "deviance_constant", "deviance_class_constant"]].sum()
    others = {
        "the fleet's rate carried on": sums["deviance_constant"],
        "each class's rate carried on": sums["deviance_class_constant"],
    }
    ranked = sorted(others.values())
    verdict = (
        "better than both"
        if sums["deviance_model"] < ranked[0]
        else "no better than the better of them"
        if sums["deviance_model"] < ranked[1]
        else "no better than either"
    )
    return (
        f"{style.number(last['expected'], 0)} failures ({style.limits(last['expected_lo'], last['expected_hi'], 0)}) "
        f"were forecast for the year after {style.date_words(last['origin'])}, and "
        f"{style.number(last['observed_failures'], 0)} came. Over {style.counted(len(whole), 'past date')} "
        f"{int(whole['is_inside'].sum())} of the counts lie within their limits. "
        f"Loop by loop the forecast is {verdict}: its deviance is {style.number(sums['deviance_model'], 0)}, "
        + ", ".join(f"that of {name} {style.number(value, 0)}" for name, value in others.items())
        + f" (smaller is better). {style.percent(last['loops_inside_fraction'], 1)} of the loops lie within their own "
        f"limits, which promise {style.percent(last['loops_inside_promised'], 1)}."
    )


def before_after(sets: pd.DataFrame, amounts: pd.DataFrame, settings: Settings) -> Exhibit:
    """Failures before and after, beside the fall to be expected with nothing done."""
    title = "Before and after: what would have fallen by itself"
    if sets.empty:
        return absent(
            "before_after", title, (BEFORE_AFTER,),
            "Nothing was picked at a date on which the model could already stand.", OLDER,
        )  # fmt: skip
    order = {name: place for place, name in enumerate(figures.PICKED_WORDS)}
    rows = sets.assign(place=sets["grouped_by"].map(order)).sort_values(["place", "group_name"], ignore_index=True)
    shown = rows[rows["effect_verdict"].ne("too_few") | rows["grouped_by"].eq("watched")]
    drawn = shown[shown["grouped_by"].ne("replaced_because")]
    sentences = [
        left_alone_sentence(rows),
        replaced_sentence(rows),
        injected_sentence(rows),
        injection_sentence(amounts, settings),
        watched_sentence(rows),
    ]
    unseen = sorted(set(settings.replacement.watched) - set(rows.loc[rows["grouped_by"].eq("watched"), "group_name"]))
    untold = f" Watched, but no model could stand before that day: {', '.join(unseen)}." if unseen else ""
    return Exhibit(
        key="before_after",
        title=title,
        finding=" ".join(filter(None, sentences)) or "Too few failures were expected of any set to say anything.",
        sources=(BEFORE_AFTER, FIGURES),
        definition=f"Up to {style.number(settings.replacement.before_after_years)} years on either side of the day. "
        "Expected with nothing done: class curve times posterior multiplier, from what was known on the day (empirical "
        "Bayes). Record carried on: the failures before, per km and year, over the time after: no forecast, shown "
        "because it is what people quote. Replaced: failures of the cable that took the place. Recent and whole "
        "record: the loops with the most failures in three years, or ever, at that date, left alone until replaced or "
        "injected.",
        count=f"{style.counted(len(rows), 'set')}; {len(rows) - len(drawn)} (by reason, or with fewer than three "
        "failures expected) are in the table alone.",
        interval=f"{style.percent(settings.general.interval_level)} limits: exact Poisson of the count seen, gamma of "
        "the mean expected, negative binomial of seen over expected.",
        left_out=f"{style.counted(rows['sections_left_out'].sum(), 'section')} that cannot be followed (counted once a "
        f"set). Sets of different dates share loops. What else changed at the same time is not taken out.{untold}",
        chart=figures.chart_before_after(drawn) if len(drawn) else None,
        tables=(
            Table(
                rows.assign(group_name=rows["grouped_by"].map(figures.PICKED_WORDS) + " " + rows["group_name"]),
                (
                    "group_name", "failures_before", "naive_after", "expected_after", "seen_after", "naive_fall_pct",
                    "expected_fall_pct", "seen_over_expected", "seen_over_expected_lo", "seen_over_expected_hi",
                    "effect_verdict",
                ),
                BEFORE_AFTER,
                labels={"group_name": "Picked", "naive_after": "Record carried on",
                        "seen_over_expected": "Ratio", "seen_over_expected_lo": "Low", "seen_over_expected_hi": "High",
                        "effect_verdict": "Verdict"},
            ),
        ),
    )  # fmt: skip


def left_alone_sentence(rows: pd.DataFrame) -> str:
    """What became of loops picked for their last years and left alone."""
    alone = rows[rows["grouped_by"] == "recent_failures"]
    sums = alone[["naive_after", "expected_after", "seen_after"]].sum()
    if not sums["naive_after"]:
        return ""
    fell, expected = (1 - sums[name] / sums["naive_after"] for name in ("seen_after", "expected_after"))
    return (
        f"Loops picked for a bad record of three years and left alone failed {style.percent(fell)} less than that "
        f"record carried on, though nothing was done; the model had expected {style.percent(expected)} less "
        f"({style.counted(len(alone), 'past date')})."
    )


def watched_sentence(rows: pd.DataFrame) -> str:
    """What became of the loops named in the settings, the first three of them."""
    watched = rows[rows["grouped_by"] == "watched"]
    said = [
        f"{row['group_name']} since {pd.Timestamp(row['picked_from']):%Y-%m-%d}: {int(row['seen_after'])} seen, "
        f"{style.number(row['expected_after'], 1)} expected with nothing done "
        f"({'too few to say' if row['effect_verdict'] == 'too_few' else row['effect_verdict'].replace('_', ' ')})"
        for row in watched.head(3).to_dict("records")
    ]
    more = f", and {len(watched) - 3} more in the table" if len(watched) > 3 else ""
    return f"Watched: {'; '.join(said)}{more}." if said else ""


def replaced_sentence(rows: pd.DataFrame) -> str:
    """What followed on the cable replaced, and how much of the fall that leaves to the replacement."""
    replaced = rows[rows["grouped_by"].eq("replaced_because") & rows["effect_verdict"].ne("too_few")]
    if replaced.empty:
        return ""
    most = largest(replaced, "expected_after")
    return (
        f"Where cable was replaced ({str(most['group_name']).replace('_', ' ')}), the record carried on would give "
        f"{style.number(most['naive_after'], 0)} failures and {style.number(most['seen_after'], 0)} came, but only "
        f"{style.number(most['expected_after'], 0)} were to be expected of the old cable: {ratio_words(most)}."
    )


def ratio_words(row: pd.Series) -> str:
    """Seen over expected with its limits, and what that says."""
    verdict = {
        "fewer_than_expected": "fewer than chance allows",
        "more_than_expected": "more than chance allows",
        "as_expected": "which is within chance of nothing done",
    }[str(row["effect_verdict"])]
    limits = style.limits(row["seen_over_expected_lo"], row["seen_over_expected_hi"], 2)
    return f"seen over expected is {style.number(row['seen_over_expected'], 2)} ({limits}), {verdict}"


def injected_sentence(rows: pd.DataFrame) -> str:
    """What followed on injected cable of all years together."""
    injected = rows[rows["grouped_by"].eq("injected_in") & rows["group_name"].eq("all years")]
    if injected.empty or injected["effect_verdict"].iloc[0] == "too_few":
        return ""
    return f"Of injected cable, all years together, {ratio_words(injected.iloc[0])}."


def injection_sentence(amounts: pd.DataFrame, settings: Settings) -> str:
    """What the forecast of cable already injected rests on, beside the share in the settings."""
    amount = amounts.set_index("figure")["amount"]
    if not amount.get("injection_expected_untreated"):
        return ""
    left = style.number(amount["injection_left"], 2)
    limits = style.limits(amount["injection_left_lo"], amount["injection_left_hi"], 2)
    return (
        f"Its forecast takes {left} ({limits}, gamma) of what it would fail left alone, learnt from "
        f"{style.counted(amount['injection_failures_since'], 'failure')} since where "
        f"{style.number(amount['injection_expected_untreated'], 1)} were to be expected; what a new injection is worth "
        f"takes {style.number(settings.replacement.injection_multiplier, 2)}, from the settings."
    )
