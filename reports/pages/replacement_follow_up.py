"""What became of committed work: planned, done, and what came of it. Part of the replacement page."""

import pandas as pd

from reports.figures import replacement_evaluation as figures
from reports.marts import Marts
from reports.page import Exhibit, Section
from reports.words import Words
from shared import dictionary
from shared.settings import Settings

say = Words("replacement")


def section(marts: Marts, settings: Settings) -> Section:
    """The section of the page."""
    return Section(
        "Follow-up of committed work",
        (
            work(marts.read("marts.programme_follow_up"), settings),
            effect(marts.read("marts.follow_up_effect"), settings),
        ),
        say("section.follow_up"),
    )


def work(years: pd.DataFrame, settings: Settings) -> Exhibit:
    """Planned against done, by commitment and year of the plan."""
    if years.empty:
        return say.absent("follow_up_work")
    is_planned = years["sections_planned"].gt(0)
    sums, alone = years[is_planned].sum(numeric_only=True), years[~is_planned].sum(numeric_only=True)
    currency = settings.general.currency
    finding = say(
        "follow_up_work.finding",
        sums["sections_done_otherwise"] > 0 and "follow_up_work.otherwise",
        "follow_up_work.open",
        sums["sections_lifted"] + sums["sections_out_of_service"] + sums["sections_regrouped"] > 0
        and "follow_up_work.gone",
        "follow_up_work.cost" if sums["sections_with_cost"] else "follow_up_work.no_cost",
        alone["sections_done"] > 0 and "follow_up_work.alone",
        sums=sums,
        alone=alone,
        currency=currency,
    )
    return say.exhibit("follow_up_work", finding, years, n_commitments=years.loc[is_planned, "commitment_id"].nunique())


def effect(groups: pd.DataFrame, settings: Settings) -> Exhibit:
    """Failures seen against those expected with and without the work, and when it can be told."""
    if groups.empty:
        return say.absent("follow_up_effect")
    verdicts, names = dictionary.codes()["follow_verdict"], figures.FOLLOWED_WORDS
    order = {"all": "", **{name: str(place) for place, name in enumerate(names)}}
    key = ["commitment_id", "followed_group"]
    rows = groups.sort_values(key, key=lambda ids: ids.map(order).fillna(ids), kind="stable", ignore_index=True)
    done, rest, cohort = (rows[rows["followed_group"].eq(name)].iloc[0] for name in ("done", "not_done", "cohort"))
    finding = say(
        "follow_up_effect.seen" if done["sections"] else "follow_up_effect.not_yet",
        bool(done["sections"]) and "follow_up_effect.verdict",
        "follow_up_effect.now"
        if done["can_tell"]
        else "follow_up_effect.never"
        if pd.isna(done["years_to_tell"])
        else "follow_up_effect.later",
        rest["section_years"] > 0 and "follow_up_effect.rest",
        "follow_up_effect.engineers",
        done=done,
        rest=rest,
        cohort=cohort,
        verdict=verdicts[done["follow_verdict"]],
    )
    told = rows[rows["effect_ratio_hi"].notna()]
    return say.exhibit(
        "follow_up_effect",
        finding,
        rows.assign(followed_group=rows["followed_group"].map(names)),
        chart=figures.chart_follow_up(told) if len(told) else None,
        wordings={"follow_verdict": verdicts},
        methods=" ".join(groups["follow_method"].drop_duplicates().iloc[-1:]),
        sections=int(done["sections"]),
        cohort=cohort,
        settings=settings,
    )
