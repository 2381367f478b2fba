"""Whether the velocity settings are right: the page of the calibration lead."""

from typing import Any

import pandas as pd

from reports.figures import locating as figures
from reports.marts import Judged, Marts, judged
from reports.page import Answer, Exhibit, Page, Section
from reports.pages import locating_digs as digs
from reports.pages import locating_settings as setting
from reports.words import Words
from shared.settings import Settings

say = Words("locating")

QUESTION = "Are the velocity settings right?"


def build(marts: Marts, settings: Settings) -> Page:
    """The locating page."""
    errors, velocities, bias = (
        marts.read("marts.locating_errors"),
        marts.read("marts.velocity_by_class"),
        marts.read("marts.instrument_bias"),
    )
    found = judged(marts, "locating")
    standing = (
        setting.proposals(marts, settings, found),
        class_velocities(velocities, settings, found),
        setting.class_settings(velocities),
        setting.reads_long(marts, found),
    )
    each = (
        instruments(bias, settings, found),
        digs.spread(errors, found),
        setting.drift(marts, settings, found),
        setting.season(marts),
    )
    told = (
        digs.error_by_distance(errors, found),
        digs.coverage(marts, found),
        digs.called_sections(errors, found),
        digs.register_lengths(marts),
    )
    return Page(
        key="locating",
        title="Locating",
        question=QUESTION,
        summary=answer(marts, settings).sentences,
        sections=(
            Section("Settings", standing, say("intro.settings")),
            Section("Instruments", each, say("intro.instruments")),
            Section("Digs", told, say("intro.digs")),
        ),
    )


def answer(marts: Marts, settings: Settings) -> Answer:
    """The calibration lead's question in three sentences."""
    velocities, bias, found = (
        marts.read("marts.velocity_by_class"),
        marts.read("marts.instrument_bias"),
        judged(marts, "locating"),
    )
    link = {"link": "locating", "link_text": "By cable class, instrument and dig", "caution": "setting_is_a_proposal"}
    if velocities.empty:
        return Answer(QUESTION, (say("answer.nothing"), f"To do: {say('remedy')}."), **link)
    out = bias.loc[bias["verdict"] == "out_of_tolerance", "instrument_id"].tolist()
    n_open = int(bias["verdict"].isin(("too_few_readings", "not_separable")).sum())
    named = say(0 < len(out) <= 6 and "answer.named", names=", ".join(out))
    instruments_said = say("answer.out", n_out=len(out), n_bias=len(bias), named=named, as_of=settings.general.as_of)
    second = instruments_said + (say("answer.open", n_open=n_open) if n_open else ".")
    return Answer(
        QUESTION,
        (
            setting.headline(marts.read("marts.setting_proposals"), found) + ".",
            " ".join(filter(None, (second, drift_words(marts.read(setting.DRIFT), bias)))),
            digs.gain_words(found),
        ),
        **link,
    )


def drift_words(drift: pd.DataFrame, bias: pd.DataFrame) -> str:
    """Instruments that drift and the verdict on each, for the answer; nothing where none does."""
    moving = drift[drift["is_drifting"].astype(bool)] if len(drift) else drift
    verdict = dict(zip(bias["instrument_id"], bias["verdict"].map(say.text("verdicts")), strict=True))
    named = "; ".join(
        say("answer.drift", row=row, verdict=verdict[str(row.instrument_id)]) for row in moving.head(3).itertuples()
    )
    rest = say(len(moving) > 3 and "answer.more_drift", rest=len(moving) - 3)
    return say(bool(named) and "answer.drifting", named=named, rest=rest)


def class_velocities(velocities: pd.DataFrame, settings: Settings, found: Judged) -> Exhibit:
    """Fitted velocity of each class beside the setting in use."""
    if velocities.empty:
        return say.absent("velocities")
    rows = velocities.sort_values(["readings", "cable_class"], ascending=[False, True]).reset_index(drop=True)
    standing = rows["cable_class"].map(found["class_setting"] or {})
    counts = ((words, int(standing.eq(code).sum())) for code, words in say.text("velocities.standing").items())
    wrong = rows[standing.isin(("too_fast", "too_slow"))].sort_values("cable_class")
    finding = say(
        "velocities.finding", n_rows=len(rows), parts=", ".join(f"{words} on {n}" for words, n in counts if n)
    )
    return say.exhibit(
        "velocities",
        " ".join((finding, *(say("velocities.wrong", row=row) for row in wrong.itertuples()))),
        rows,
        wordings={"verdict": say.text("verdicts")},
        chart=figures.chart_velocities(rows),
        more=(say("velocities.more"), edge_words(rows, found)),
        readings=rows["readings"].sum(),
        settings=settings,
    )


def edge_words(rows: pd.DataFrame, found: Judged) -> str:
    """Why rows have no verdict yet, in words: what is missing, and how many readings of what would settle it."""
    named = "cable_class" if "cable_class" in rows else "instrument_id"
    missing = {row[named]: setting.why_open(row[named], row, found) for row in rows.to_dict("records")}
    parts = [say("open.one", name=name, why=why) for name, why in missing.items() if why]
    return say(bool(parts) and "open.all", parts="; ".join(parts))


def instruments(bias: pd.DataFrame, settings: Settings, found: Judged) -> Exhibit:
    """Offset and scale of every instrument."""
    if bias.empty:
        return say.absent("instruments")
    rows = bias.sort_values("instrument_id").reset_index(drop=True)
    parts, terms = [], settings.locating
    for verdict, words in say.text("verdicts").items():
        named = rows.loc[rows["verdict"] == verdict, "instrument_id"].tolist()
        listed = f" ({', '.join(named)})" if len(named) <= 8 else ""
        parts += [f"{len(named)} {words}{listed}"] if named else []
    out = rows[rows["verdict"] == "out_of_tolerance"]
    return say.exhibit(
        "instruments",
        say("instruments.finding", n_rows=len(rows), parts=", ".join(parts), as_of=settings.general.as_of),
        rows,
        wordings={"verdict": say.text("verdicts")},
        chart=figures.chart_instruments(rows, tolerance_m=terms.tolerance_m, tolerance_pct=terms.tolerance_pct),
        more=(*(out_words(row, found) for row in out.itertuples()), edge_words(rows, found)),
        readings=rows["readings"].sum(),
        settings=settings,
    )


def out_words(row: Any, found: Judged) -> str:
    """The errors of an instrument out of tolerance, and what to have checked."""
    fault = found.of("instrument_fault", row.instrument_id)
    return say("instruments.out", "instruments.remedy_for_it", row=row, fault=fault)
