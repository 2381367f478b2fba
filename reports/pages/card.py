"""Field cards: a page a district, in one file, that turns a reading into a distance and a window by itself."""

from __future__ import annotations

import itertools
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from markupsafe import Markup

from pipelines.locating.readings import REFERENCE_PCT
from reports import page as shell
from reports import style
from reports.links import sheet_file
from reports.words import Words
from shared import dictionary
from shared.units import M_PER_FT, VELOCITY_PCT

if TYPE_CHECKING:
    from reports.marts import Marts
    from reports.page import Frame, Page
    from reports.results import Results

say = Words("card")

ROOM = 900_000
"""Bytes of facts that a card holds; its words, style and script leave the file below 1 MB."""

CAUTIONS = ("no_permission_to_dig", "setting_is_a_proposal", "slope_and_offset_absorb")

VARIANCES = (
    "constant_variance",
    "line_covariance",
    "slope_variance",
    "noise_constant_variance",
    "noise_growing_variance",
)


@dataclass(frozen=True)
class Card:
    """A district's card, or one of several where its loops need more room.

    Parameters
    ----------
    district
        Its id; empty where there are no districts.
    part, parts
        Which of how many cards of the district.
    facts
        What its script works with.
    """

    district: str
    part: int
    parts: int
    facts: dict[str, Any]

    @property
    def file(self) -> str:
        """Name of its file; of a part beyond the first with its number, which no district's name can hold."""
        name = sheet_file("card", self.district) if self.district else "card.html"
        return name if self.part == 1 else name.replace(".html", f"_{self.part}.html")

    @property
    def address(self) -> str:
        """Its address where pages are served."""
        return f"/card?district={quote(self.district)}" + (f"&part={self.part}" if self.part > 1 else "")

    @property
    def loops(self) -> list[str]:
        """Ids of its loops."""
        return [loop[0] for loop in self.facts["loops"]]


def make_cards(results: Results, districts: tuple[str, ...]) -> list[Card]:
    """The cards of districts, of everything where there are none; none where nothing is fitted.

    Notes
    -----
    Checked by: tests/unit/test_reports_card.py
    """
    facts, made = card_facts(results.whole), []
    if not facts["lines"]:
        return []
    for district in districts or ("",):
        parts = share_out(loop_chains(results.whole, facts["classes"], district), ROOM - len(json.dumps(facts)))
        for number, loops in enumerate(parts, 1):
            made.append(Card(district, number, len(parts), facts | {"loops": loops}))
    return made


def share_out(loops: list[Any], room: int) -> list[list[Any]]:
    """Loops on as few cards as hold them in order; one card where there are none."""
    made, left = [list[Any]()], room
    for loop in loops:
        size = len(json.dumps(loop, ensure_ascii=False, separators=(",", ":")).encode()) + 1
        if size > left and made[-1]:
            made.append([])
            left = room
        left -= size
        made[-1].append(loop)
    return made


def render(card: Card, frame: Frame) -> str:
    """A card as one file: its style, its script and its facts are in it."""
    first, *others = (dictionary.caveats()[name] for name in CAUTIONS)
    said = {"caution": first, "register": say("register", day=frame.as_of)}
    template = shell.templates().get_template("card.html")
    return template.render(
        card=card, frame=frame, cautions=others, facts=card.facts | said, inline=shell.inline_files()
    )


def index(cards: list[Card], frame: Frame) -> Page:
    """The page that lists the cards."""
    if not cards:
        exhibit = say.absent("cards")
        return shell.Page(
            "card", say("cards.title"), say("question"), (), (shell.Section(say("cards.heading"), (exhibit,)),)
        )
    links = Markup("").join(
        Markup('<li><a class="onward" data-units href="{}">{}</a>{}</li>').format(
            card.address if frame.links.is_served else card.file,
            " ".join(filter(None, (card.district or say("whole"), f"({card.part})" if card.parts > 1 else ""))),
            say("listed", n=len(card.loops), first=card.loops[0], last=card.loops[-1])
            if card.loops
            else say("no_loops"),
        )
        for card in cards
    )
    exhibit = say.exhibit(
        "cards", say("cards.finding", n=len(cards)), body=Markup('<ul class="cards">{}</ul>').format(links)
    )
    return shell.Page(
        "card", say("cards.title"), say("question"), (), (shell.Section(say("cards.heading"), (exhibit,)),)
    )


def card_facts(marts: Marts) -> dict[str, Any]:
    """Lines, quantiles, back-test, settings and season of everything, as plain lists and numbers for the script."""
    lines, terms = marts.read("fitted.locating_lines"), marts.read("fitted.locating_noise")
    coverage, quantiles = marts.read("marts.window_coverage"), marts.read("fitted.window_quantiles")
    slack = terms.loc[terms["term"] == "slack_pct", "term_value"]
    used = coverage[coverage["is_used"].astype(bool) & coverage["grouped_by"].isin(("cable_class", "all"))]
    drifts = marts.read("marts.instrument_drift")
    classes = sorted(lines["cable_class"].unique())
    return {
        "conventions": {name: each for name, each in VELOCITY_PCT.items() if name != "fraction"},
        "foot": M_PER_FT,
        "reference": REFERENCE_PCT,
        "classes": classes,
        "lines": {
            instrument: [
                digits(r, "constant_m", "slope", *VARIANCES) for r in rows.sort_values("cable_class").to_dict("records")
            ]
            for instrument, rows in lines.groupby("instrument_id")
        },
        "quantiles": [digits(r, "window_level", "quantile") for r in quantiles.to_dict("records")],
        "held": [
            [r["group_name"], *digits(r, "window_level", "held", "tried", "held_share", "held_lo", "held_hi")]
            for r in used.to_dict("records")
        ],
        "settings": own_settings(marts, classes),
        "drifts": {
            r["instrument_id"]: [*digits(r, "drift_pct_per_year", "last_ewma_pct"), f"{r['drift_from_at']:%Y-%m-%d}"]
            for r in drifts[drifts["is_drifting"].astype(bool)].to_dict("records")
        },
        "slack": 0.0 if slack.empty or style.is_missing(slack.iloc[0]) else float(slack.iloc[0]) / 100,
        "seasons": class_seasons(marts, classes),
        "loops": [],
    }


def digits(row: dict[Any, Any], *columns: str) -> list[float]:
    """Values of a row to the eight digits that a tenth of a millimetre in a kilometre needs."""
    return [float(f"{row[column]:.8g}") for column in columns]


def own_settings(marts: Marts, classes: list[str]) -> dict[str, float]:
    """Median setting of each instrument on each class."""
    return {
        f"{r['instrument_id']}|{classes.index(r['cable_class'])}": round(r["setting_median_pct"], 2)
        for r in marts.read("marts.setting_proposals").to_dict("records")
        if r["cable_class"] in classes and not style.is_missing(r["setting_median_pct"])
    }


def class_seasons(marts: Marts, classes: list[str]) -> list[list[float] | None]:
    """For each class the share by which it swings and the day of the year it reads longest; none where none is seen."""
    season, sections = marts.read("marts.season"), marts.read("staging.sections")
    carried = season[season["is_carried"].astype(bool)]
    swings = {r["insulation"]: [r["season_pct"] / 100, r["reads_longest_day"]] for r in carried.to_dict("records")}
    insulation = sections.groupby("cable_class")["insulation"].min()
    return [swings.get(insulation.get(name)) for name in classes]


def loop_chains(marts: Marts, classes: list[str], district: str) -> list[Any]:
    """A district's loops in service: [loop, [terminal, tail], [section, class, length, terminal, tail], ...].

    Names that begin with the loop's own are written without it, to keep the card small.
    """
    sections, terminals = marts.read("staging.sections"), marts.read("staging.terminals")
    if district:
        own = marts.read_only("staging.loops", "district_id", [district])["loop_id"]
        sections = sections[sections["loop_id"].isin(own)]
    in_service = sections[sections["retired_on"].isna() & sections["cable_class"].isin(classes)]
    columns = ["loop_id", "section_id", "from_terminal_id", "to_terminal_id", "cable_class", "length_m"]
    rows = (
        in_service.sort_values(["loop_id", "position", "section_id"])
        .drop_duplicates(["loop_id", "position"], keep="last")
        .dropna(subset=columns[:4])[columns]
    )
    tails = dict(zip(terminals["terminal_id"], terminals["tail_m"].fillna(0.0), strict=True))
    place = {name: number for number, name in enumerate(classes)}
    found: list[Any] = []
    for loop, group in itertools.groupby(rows.itertuples(index=False, name=None), key=lambda row: str(row[0])):
        parts = list(group)
        if any(before[3] != after[2] for before, after in itertools.pairwise(parts)):
            continue

        def short(name: str, prefix: str = loop) -> str:
            return "~" + name.removeprefix(prefix) if name.startswith(prefix) else name

        first = parts[0][2]
        found.append(
            [
                loop,
                [short(first), tails.get(first, 0.0)],
                *(
                    [short(section), place[cable], round(length, 1), short(to), tails.get(to, 0.0)]
                    for _, section, _, to, cable, length in parts
                ),
            ]
        )
    return found
