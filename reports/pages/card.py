"""Field cards: a page a district, in one file, that turns a reading into a distance and a window by itself."""

import itertools
from dataclasses import dataclass, replace
from typing import Any
from urllib.parse import quote

import pandas as pd
from markupsafe import Markup

from pipelines.locating.coverage import DISTANCE_BANDS_M, band_names
from pipelines.locating.readings import REFERENCE_PCT
from pipelines.locating.ways import lay_ways
from pipelines.locating.window import COVERAGES, ENOUGH_TRIED, interpolate_quantile
from pipelines.locating.window_basis import Basis, instrument_movement, read_basis, sections_on
from pipelines.ranking.search_sequence import section_chances
from reports import page as shell
from reports.links import sheet_file
from reports.page import Frame, Page
from reports.results import Results
from reports.table import as_json
from reports.words import Words
from shared import dictionary
from shared.errors import UserError
from shared.settings import Restoration
from shared.units import DAYS_PER_YEAR, M_PER_FT, VELOCITY_PCT

say = Words("card")

ROOM = 900_000
"""Bytes of facts that a card holds; its words, style and script leave the file below 1 MB."""

CAUTIONS = ("no_permission_to_dig", "search_order_is_an_aid", "setting_is_a_proposal", "slope_and_offset_absorb")

SEARCHED = 0.8
"""Level of the window that an order of tests weighs."""

DAYS = 731
"""A card corrects readings made in the days before the as-of day or later: it need not know more of the past."""


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

    Checked by: tests/unit/test_reports_card.py
    """
    try:
        basis = read_basis(results.con)
    except UserError:  # nothing is fitted
        return []
    bias, made = results.whole.read("marts.instrument_bias"), []
    facts = card_facts(basis, bias.sort_values("last_reading_at", ascending=False)["instrument_id"].tolist())
    facts["search"], strips = search_terms(results.settings.restoration), results.whole.read("marts.loop_strips")
    for district in districts or ("",):
        sections = basis.sections
        if district:
            own = results.whole.read_only("staging.loops", "district_id", [district])["loop_id"]
            sections = sections[sections["loop_id"].isin(own)]
        chains = loop_chains(replace(basis, sections=sections))
        things = list(zip(chains, search_halves(strips, chains), strict=True))
        parts = share_out(things, ROOM - len(as_json(facts).encode()))
        for number, part in enumerate(parts, 1):
            loops, halves = ([each[k] for each in part] for k in (0, 1))
            made.append(Card(district, number, len(parts), facts | {"loops": loops, "halves": halves}))
    return made


def share_out(things: list[Any], room: int) -> list[list[Any]]:
    """Things in order on as few cards as have the room; one card where there are none."""
    made, left = [list[Any]()], room
    for thing in things:
        size = len(as_json(thing).encode()) + 1
        if size > left and made[-1]:
            made.append([])
            left = room
        left -= size
        made[-1].append(thing)
    return made


def render(card: Card, frame: Frame) -> str:
    """A card as one file: its style, its script and its facts are in it."""
    first, order, *others = (dictionary.caveats()[name] for name in CAUTIONS)
    said = {
        "caution": first,
        "order_caution": order,
        "register": say("register", day=frame.as_of),
        "level": frame.level,
    }
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
        Markup('<li><a class="onward" data-units href="{}">{}{}</a></li>').format(
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


def card_facts(basis: Basis, latest_first: list[str]) -> dict[str, Any]:
    """What the script works with, but for the loops, as plain lists and numbers.

    Parameters
    ----------
    latest_first
        Instruments, those last read first: where a fleet has too many for a card, the others are not on it.
    """
    effects, classes = basis.effects, [*basis.effects.classes, "other class"]
    instruments = [[name, instrument_facts(basis, name)] for name in ["", *latest_first] if name in effects.instruments]
    levels = {way: rows.set_index("window_level")["quantile"] for way, rows in basis.quantiles.groupby("way")}
    return {
        "conventions": {name: each for name, each in VELOCITY_PCT.items() if name != "fraction"},
        "foot": M_PER_FT,
        "reference": REFERENCE_PCT,
        "year": DAYS_PER_YEAR,
        "as_of": basis.as_of.isoformat(),
        "days": DAYS,
        "classes": classes,
        "slowness": effects.slowness,
        "slack": effects.slack,
        "tail": effects.tail_m,
        "covariance": effects.fixed_covariance,
        "terms": effects.terms,
        "pulse_ns": basis.locating.pulse_ns,
        "sampling_m": basis.locating.sampling_m,
        "instruments": dict(share_out(instruments, ROOM // 2)[0]),
        "seasons": class_seasons(basis, classes),
        "quantiles": {way: [[at, interpolate_quantile(rows, at)] for at in COVERAGES] for way, rows in levels.items()},
        "bands": [[low, name] for low, name in zip(DISTANCE_BANDS_M, band_names(), strict=False)],
        "tested": {
            "|".join((r["way"], r["grouped_by"], r["group_name"], f"{r['window_level']:g}")): [
                int(r["tried"]), *(round(r[name], 3) for name in ("held_share", "held_lo", "held_hi"))
            ]
            for r in basis.coverage.to_dict("records")
            if r["tried"] >= ENOUGH_TRIED and r["grouped_by"] != "instrument"
        },
        "loops": [],
        "halves": [],
        "search": {},
    }  # fmt: skip


def instrument_facts(basis: Basis, name: str) -> dict[str, Any]:
    """An instrument as of the as-of day, how it moved in the DAYS before, and its usual settings by class."""
    effects, row = basis.effects, basis.effects.instruments.index(name)
    own = basis.levels[basis.levels["instrument_id"] == name]
    on = (pd.to_datetime(own["level_on"]) - pd.Timestamp(basis.as_of)).dt.days.tolist()
    days = [day for day, after in zip(on, [*on, 0][1:], strict=True) if after >= -DAYS]
    settings = basis.proposals[basis.proposals["instrument_id"] == name].dropna(subset=["setting_median_pct"])
    drifts = basis.drift[(basis.drift["instrument_id"] == name) & basis.drift["is_drifting"].astype(bool)]
    return {
        "own": effects.own[row].tolist(),
        "factor": effects.factor[row],
        "covariance": effects.own_covariance[row].tolist(),
        "crossed": effects.own_with_fixed[row].tolist(),
        # interpolated between these days as the levels are; after the as-of day its drift goes on
        "moved": [[day, *(float(part[0]) for part in instrument_movement(basis, name, day))] for day in days],
        "settings": {
            str(effects.classes.index(each)): round(median, 2)
            for each, median in zip(settings["cable_class"], settings["setting_median_pct"], strict=True)
            if each in effects.classes
        },
        "drift": [[r.drift_pct_per_year, f"{r.drift_from_at:%Y-%m-%d}"] for r in drifts.itertuples()],
    }


def class_seasons(basis: Basis, classes: list[str]) -> list[list[float] | None]:
    """For each class the share by which it swings and the day of the year it reads longest; none where none is seen."""
    carried = basis.season[basis.season["is_carried"].astype(bool)]
    swings = {r["insulation"]: [r["season_pct"] / 100, r["reads_longest_day"]] for r in carried.to_dict("records")}
    insulation = basis.sections.groupby("cable_class")["insulation"].min()
    return [swings.get(insulation.get(name)) for name in classes]


def loop_chains(basis: Basis) -> list[Any]:
    """Loops as they lie on the as-of day: [loop, [terminal, tail], [section, class, route, terminal, tail], ...].

    Names that begin with the loop's own are written without it, to keep the card small. A section with pieces of other
    cable has them after its tail, as [class, route]. A loop that changed in the DAYS before, or will, has the first and
    the last day on which it lies so after its first tail, as days from the as-of day. Loops whose sections do not join
    up are left out.
    """
    classes, as_of = basis.effects.classes, pd.Timestamp(basis.as_of)
    rows = sections_on(basis.sections, as_of).sort_values(["loop_id", "position", "installed_on", "section_id"])
    rows = rows.drop_duplicates(["loop_id", "position"], keep="last").reset_index(drop=True)
    near, far = (rows[f"{end}_terminal_id"].map(basis.tails).fillna(0.0) for end in ("from", "to"))
    rows = rows.assign(route_m=(rows["length_m"] - near - far).clip(lower=0.0), near_tail_m=near, far_tail_m=far)
    place, cuts, unchanged = {name: k for k, name in enumerate(classes)}, piece_cuts(basis, rows), days_unchanged(basis)
    found: list[Any] = []
    columns = ["loop_id", "section_id", "cable_class", "route_m", "to_terminal_id", "far_tail_m", "from_terminal_id",
               "near_tail_m"]  # fmt: skip
    for loop, own in itertools.groupby(rows[columns].itertuples(index=False, name=None), key=lambda row: str(row[0])):
        parts = list(own)
        if any(before[4] != after[6] for before, after in itertools.pairwise(parts)):
            continue

        def short(name: str, prefix: str = loop) -> str:
            return "~" + name.removeprefix(prefix) if name.startswith(prefix) else name

        *_, first, tail = parts[0]
        chain = [
            [short(section), place.get(cable, len(classes)), round(route, 3), short(to), round(far_tail, 3)]
            + ([cuts[section]] if section in cuts else [])
            for _, section, cable, route, to, far_tail, *_ in parts
        ]
        found.append([loop, [short(first), round(tail, 3), *unchanged.get(loop, ())], *chain])
    return found


def search_terms(terms: Restoration) -> dict[str, float]:
    """What weighs indicators and a reading's window of the first of two coverages, as weigh_evidence takes them."""
    from scipy.special import ndtri

    return {
        "tripped": terms.indicator_sensitivity,
        "false": terms.indicator_false_trips,
        "elsewhere": terms.reading_elsewhere,
        "normal": float(ndtri(0.5 + SEARCHED / 2)),
    }


def search_halves(strips: pd.DataFrame, chains: list[Any]) -> list[list[Any]]:
    """For each loop its half-loops: [name, stop of the source, stop of the open end, chance of each section between].

    Stops count along the loop as its chain does; chances, in the order from the source, sum to 1. A half-loop whose
    sections are not those of the chain is left out.
    """
    loops = {each[0]: [each[0] + s[0][1:] if s[0].startswith("~") else s[0] for s in each[2:]] for each in chains}
    rows = strips[strips["loop_id"].isin(loops)].sort_values(["half_loop_id", "position", "section_id"])
    rows = rows.assign(chance=section_chances(rows))[["half_loop_id", "loop_id", "section_id", "chance"]]
    found: dict[str, list[Any]] = {loop: [] for loop in loops}
    for half, group in itertools.groupby(rows.itertuples(index=False, name=None), key=lambda row: str(row[0])):
        _, (loop, *_), sections, chances = (list(each) for each in zip(*group, strict=True))
        start = loops[loop].index(sections[0]) if sections[0] in loops[loop] else 0
        end, is_b = start + len(sections), half == f"{loop}/B"
        if loops[loop][start:end] == sections:
            shares = [float(f"{chance / sum(chances):.4g}") for chance in (chances[::-1] if is_b else chances)]
            found[loop].append([half, end, start, shares] if is_b else [half, start, end, shares])
    return list(found.values())


def piece_cuts(basis: Basis, rows: pd.DataFrame) -> dict[str, list[list[float]]]:
    """Sections that hold pieces of other cable, cut at them from their from-terminal: [class, route], ..."""
    columns = ["section_id", "cable_class", "route_m", "far_tail_m"]
    own = rows.loc[rows["section_id"].isin(basis.pieces["section_id"]), columns].reset_index(drop=True)
    ways = own.assign(row=own.index, place=0, direction=1, on=pd.Timestamp(basis.as_of), near_tail_m=0.0)
    laid = lay_ways(ways, basis.pieces, basis.effects.classes, len(own))
    found: dict[str, list[list[float]]] = {}
    for row, k, route in zip(laid.row, laid.cable_class.tolist(), laid.route_m.tolist(), strict=True):
        found.setdefault(str(own["section_id"].iloc[row]), []).append([k, round(route, 3)])
    return {section: cuts[1:] for section, cuts in found.items()}  # the first is the tail


def days_unchanged(basis: Basis) -> dict[str, list[int | None]]:
    """For each loop that changes, the first and last day, from the as-of day, on which it lies as on that day."""
    sections = basis.sections.assign(after=pd.to_datetime(basis.sections["retired_on"]) + pd.Timedelta(days=1))
    pieces = basis.pieces.merge(sections[["section_id", "loop_id"]], on="section_id")
    dates = [(sections, "in_service_from"), (sections, "after"), (pieces, "installed_on")]
    changed = pd.concat(
        [rows[["loop_id"]].assign(on=pd.to_datetime(rows[name])) for rows, name in dates], ignore_index=True
    ).dropna()
    day = (changed["on"] - pd.Timestamp(basis.as_of)).dt.days
    since, until = (day[kept].groupby(changed["loop_id"]) for kept in ((day > -DAYS) & (day <= 0), day > 0))
    first, last = since.max().to_dict(), (until.min() - 1).to_dict()
    return {str(loop): [first.get(loop, -DAYS), last.get(loop)] for loop in first | last}
