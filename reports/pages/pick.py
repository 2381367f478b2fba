"""A list of loops and sections that somebody picked: replace, inject and wait side by side. The address is the list."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qsl, urlencode

import pandas as pd
from markupsafe import Markup

from pipelines.investment.weigh import LONGEST_YEARS, Listed, put_together, weigh, weigh_waiting
from reports import style
from reports.links import Links
from reports.page import Exhibit, Page, Section
from reports.words import Words
from shared import dictionary
from shared.errors import UserError, suggest_name

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from reports.marts import Marts
    from shared.settings import Settings

say = Words("pick")

ITEMS_AT_MOST = 500
FOUND_AT_MOST = 40
"""Ids of each kind that a search lists."""

TICK = Markup('<input type="checkbox" form="pick" name="items" value="{0}" aria-label="{0}" checked>')
OF_SECTIONS = ("marts.section_ranking", "marts.section_options", "fitted.failures_ahead")
MONEY = frozenset(
    ("cost", "avoided_cost_in_horizon", "avoided_cost", "net_benefit", "failure_cost", "later_payment_saves",
     "cost_of_waiting")
)  # fmt: skip
SUMMED = ("length_km", "expected_failures", "replace_cost", "replace_avoided_cost")


@dataclass(frozen=True)
class Asked:
    """What an address asks for: items in order, the horizon in years (0: that of the run), and a text searched for."""

    items: tuple[str, ...] = ()
    years: int = 0
    find: str = ""

    @property
    def query(self) -> str:
        """The address's query, always written alike."""
        pairs = {"items": ",".join(self.items), "years": self.years or "", "find": self.find}
        return urlencode({key: value for key, value in pairs.items() if value}, safe=",")

    @property
    def stem(self) -> str:
        """Name of the file of its page: its items where they are few."""
        told = "_".join([*self.items, *([f"{self.years}-years"] if self.years else [])]) or "empty"
        safe = "".join(c if c.isascii() and (c.isalnum() or c in ".-_") else "-" for c in told)
        return f"pick-{safe if len(safe) <= 80 else safe[:40] + '-' + hashlib.sha256(told.encode()).hexdigest()[:8]}"


def read_asked(query: str) -> Asked:
    """The list of an address.

    Raises
    ------
    UserError
        A key is unknown, the list is too long, or the years are no number from 1 to LONGEST_YEARS.

    Notes
    -----
    Checked by: tests/unit/test_reports_pick.py
    """
    pairs = parse_qsl(query)
    for key, _ in pairs:
        if key not in ("items", "years", "find", "units"):
            raise UserError(f"unknown choice '{key}'", "the address", suggest_name(key, ("items", "years", "find")))
    given = dict(pairs)
    return make_asked(
        (item for key, value in pairs if key == "items" for item in value.split(",")),
        given.get("years", ""),
        given.get("find", "").strip()[:100],
    )


def make_asked(items: Iterable[str], years: str = "", find: str = "") -> Asked:
    """A list held to its limits: each item once, the horizon a number of years; UserError where they are not met."""
    listed = tuple(dict.fromkeys(item.strip() for item in items if item.strip()))
    if len(listed) > ITEMS_AT_MOST:
        raise UserError(f"the list has {len(listed)} items", "items", f"at most {ITEMS_AT_MOST} are compared at once")
    if years and years not in map(str, range(1, LONGEST_YEARS + 1)):
        raise UserError(f"'{years[:20]}' is no horizon", "years", f"give whole years from 1 to {LONGEST_YEARS}")
    return Asked(listed, int(years or 0), find)


@dataclass(frozen=True)
class Picked:
    """The items of a list, each with the sections that it counts for, and what is to be told of others."""

    items: dict[str, list[str]]
    told: tuple[str, ...]

    @property
    def section_ids(self) -> list[str]:
        return [section for sections in self.items.values() for section in sections]


def resolve(marts: Marts, items: tuple[str, ...]) -> Picked:
    """What a list means: a loop is its sections in service, and a section beside its loop counts once.

    Notes
    -----
    Checked by: tests/unit/test_reports_pick.py
    """
    asked = list(items)
    loops = set(marts.read_only("staging.loops", "loop_id", asked)["loop_id"])
    of_loop = marts.read_only("marts.section_options", "loop_id", asked).groupby("loop_id")["section_id"].agg(list)
    single = marts.read_only("marts.section_options", "section_id", asked).set_index("section_id")["loop_id"].to_dict()
    once = marts.read_only("core.section_exposure", "section_id", asked).set_index("section_id")["retired_on"].to_dict()
    found: dict[str, list[str]] = {}
    told = []
    for item in asked:
        if item in loops:
            if item in of_loop.index:
                found[item] = of_loop[item]
            else:
                told.append(say("retired.idle", ident=item))
        elif item in single:
            if single[item] in items:
                told.append(say("retired.twice", ident=item, loop=single[item]))
            else:
                found[item] = [item]
        elif item in once:
            is_retired = not style.is_missing(once[item])
            told.append(say("retired.section" if is_retired else "retired.idle", ident=item, day=once[item]))
        else:
            homes = (("staging.loops", "loop_id"), ("marts.section_options", "section_id"))
            near = [n for part in (item[:-2], "") for home in homes for n in marts.holding(*home, part, 100)]
            told.append(say("retired.unknown", ident=item[:100], near=suggest_name(item, near[:8] or ["none"])))
    return Picked(found, tuple(told))


def gather(marts: Marts, settings: Settings, picked: Picked) -> Listed:
    """The list with all that the results hold of its sections.

    Notes
    -----
    Checked by: tests/end_to_end/test_pick.py (through build)
    """
    ids = picked.section_ids
    ranked, options, ahead = (marts.read_only(table, "section_id", ids) for table in OF_SECTIONS)
    kept = options[[name for name in options if name not in ranked or name == "section_id"]]
    figures = marts.read("marts.replacement_figures").set_index("figure")["amount"]
    owner = pd.Series({section: item for item, sections in picked.items.items() for section in sections}, dtype="str")
    sections = ranked.merge(kept, on="section_id").merge(ahead, on="section_id")
    return put_together(
        sections.assign(item=sections["section_id"].map(owner)),
        marts.read("marts.class_draws"),
        marts.read("fitted.class_growth"),
        marts.read("fitted.new_cable_ahead"),
        figures,
        settings,
    )


def build(marts: Marts, settings: Settings, asked: Asked, links: Links) -> Page:
    """The page of a list: what it is, the actions side by side, what waiting costs, and its items one by one.

    Notes
    -----
    Checked by: tests/end_to_end/test_pick.py
    """
    picked = resolve(marts, asked.items)
    asked = replace(asked, years=asked.years or horizon_of(settings))
    form = write_form(marts, asked, picked) if links.is_served else Markup("")
    if not picked.items:
        empty = say.exhibit("pick-list", say("pick-list.empty"), body=form, more=picked.told)
        return Page("pick", say.text("title"), say.text("question"), (), (Section(say.text("heading"), (empty,)),))
    listed = gather(marts, settings, picked)
    rows, years = listed.sections, asked.years
    finding = say(
        "pick-list.finding",
        n=len(rows), loops=rows["loop_id"].nunique(), km=rows["length_km"].sum(), expected=listed.expect(years),
        years=years,
    )  # fmt: skip
    first = say.exhibit("pick-list", finding, body=form, more=picked.told)
    compared = (actions(listed, settings, years), waiting(listed, settings))
    single = [one_by_one(listed, settings, years, picked, is_served=links.is_served)]
    if len(rows) > len(picked.items):
        single.append(sections_of(listed, years))
    return Page(
        "pick", say.text("title"), say.text("question"), (),
        (Section(say.text("heading"), (first,)), Section(say.text("compared"), compared),
         Section(say.text("pick-items.title"), tuple(single))),
    )  # fmt: skip


def horizon_of(settings: Settings) -> int:
    """The horizon of the run in whole years that a list can be weighed over."""
    return min(max(round(settings.general.horizon_years), 1), LONGEST_YEARS)


def actions(listed: Listed, settings: Settings, years: int) -> Exhibit:
    """The four actions side by side."""
    weighed, general = weigh(listed, years), settings.general
    best = weighed["action"].iloc[int(weighed["net_benefit"].argmax())]
    row: Any = next(weighed.itertuples(index=False))
    return say.exhibit(
        "pick-actions",
        say("pick-actions.finding", best=best),
        below(side_by_side(weighed, settings, years)),
        more=(say("pick-actions.replace", row=row, years=years, currency=general.currency), say("wait")),
        years=years, terms=listed.terms, n=len(listed.sections), coverage=general.interval_coverage,
    )  # fmt: skip


def waiting(listed: Listed, settings: Settings) -> Exhibit:
    """What waiting one and five years costs."""
    waits, general = weigh_waiting(listed), settings.general
    row: Any = next(waits.assign(size=waits["cost_of_waiting"].abs()).itertuples(index=False))
    return say.exhibit(
        "pick-waiting",
        say("pick-waiting.finding", row=row, judged="costs" if row.cost_of_waiting > 0 else "saves",
            currency=general.currency),
        below(waits_side_by_side(waits, settings)),
        coverage=general.interval_coverage,
    )  # fmt: skip


def side_by_side(weighed: pd.DataFrame, settings: Settings, years: int) -> pd.DataFrame:
    """weigh as texts: a line a measure, a column an action."""
    named = ("expected_failures", "avoided_failures", "customer_minutes_at_risk", "avoided_customer_minutes",
             "cost", "avoided_cost_in_horizon", "avoided_cost", "benefit_cost", "net_benefit")  # fmt: skip
    work = [f"{row.sections_replaced}, {row.sections_injected}" for row in weighed.itertuples()]
    lines = [(say("measures.work"), work), *_lines({name: name for name in named}, weighed, settings, years)]
    return _as_columns(lines, weighed["action"].tolist())


def waits_side_by_side(waits: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """weigh_waiting as texts: a line a measure, a column one year and one five."""
    named = {"failures_meanwhile": "expected_failures", "minutes_meanwhile": "customer_minutes_at_risk"}
    named |= {name: name for name in ("failure_cost", "later_payment_saves", "cost_of_waiting")}
    return _as_columns(_lines(named, waits, settings, 0), ["one_year", "five_years"])


Lines = list[tuple[str, list[str]]]


def _lines(named: dict[str, str], rows: pd.DataFrame, settings: Settings, years: int) -> Lines:
    """A line of texts for each measure, its limits in brackets; money in its unit, said in the line's name."""
    lines = []
    for words, name in named.items():
        is_money = name in MONEY
        most = rows[f"{name}_hi" if f"{name}_hi" in rows else name].max()
        # failures of a few sections are parts of one
        decimals = 0 if is_money or "minutes" in name else 2 if name == "benefit_cost" or most >= 1.0 else 3
        decimals = 1 if name.endswith("failures") and most >= 10.0 else decimals
        texts = []
        for row in rows.to_dict("records"):
            value, lo, hi = (style.number(row.get(f"{name}{end}"), decimals) for end in ("", "_lo", "_hi"))
            texts.append(value if lo == hi else f"{value} ({lo} to {hi})")
        told = say(f"measures.{words}", years=years)
        lines.append((f"{told} [{settings.general.currency}]" if is_money else told, texts))
    return lines


def _as_columns(lines: Lines, names: list[str]) -> pd.DataFrame:
    texts = [texts for _, texts in lines]
    return pd.DataFrame(texts, columns=names).assign(measure=[told for told, _ in lines])[["measure", *names]]


def below(texts: pd.DataFrame) -> pd.DataFrame:
    """The same texts for a page, limits on a line of their own, so that four actions have room beside one another."""

    def written(text: str) -> str:
        value, _, limits = text.partition(" (")
        return Markup("{}<small>{}</small>").format(value, limits.removesuffix(")")) if limits else text

    return texts.set_index("measure").map(written).reset_index()


def write_list(listed: Listed, settings: Settings, years: int, to: Path) -> None:
    """Write the actions as a CSV file, or as a workbook with what waiting costs, the items and the sections besides.

    Raises
    ------
    UserError
        The name ends neither in .csv nor in .xlsx, or the file cannot be written.

    Notes
    -----
    Checked by: tests/end_to_end/test_pick.py (through weigh)
    """
    cautions = " ".join((dictionary.caveats()["planning_aid"], say.text("wait")))
    weighed = weigh(listed, years).assign(years=years, as_of=str(settings.general.as_of), caution=cautions)
    try:
        if to.suffix.casefold() == ".csv":
            weighed.to_csv(to, index=False)
        elif to.suffix.casefold() == ".xlsx":
            options = {"strings_to_formulas": False, "strings_to_urls": False}
            with pd.ExcelWriter(to, engine="xlsxwriter", engine_kwargs={"options": options}) as book:
                book.book.set_properties({"created": pd.Timestamp(str(settings.general.as_of)).to_pydatetime()})
                sections = over_years(listed, years)[list(say.text("pick-sections.columns"))]
                parts = {"actions": weighed, "waiting": weigh_waiting(listed)}
                parts |= {"items": tabulate_items(listed, years), "sections": sections}
                for name, frame in parts.items():
                    frame.assign(caution=cautions).to_excel(book, sheet_name=name, index=False)
        else:
            raise UserError(f"'{to.name}' is neither CSV nor workbook", "--to", "end the name in .csv or .xlsx")
    except OSError as fault:
        raise UserError(f"the file cannot be written: {fault.strerror}", str(to), "give another place") from None


def over_years(listed: Listed, years: int) -> pd.DataFrame:
    """The sections with the failures that each expects over the years chosen."""
    return listed.sections.assign(expected_failures=listed.lifetime.old[:years].sum(axis=0))


def one_by_one(listed: Listed, settings: Settings, years: int, picked: Picked, *, is_served: bool) -> Exhibit:
    """The items with single figures, and a tick to take each out."""
    rows = tabulate_items(listed, years)
    rows = rows.assign(tick=[TICK.format(item) for item in rows["item"]])
    made = say.exhibit(
        "pick-items",
        say("pick-items.finding", n=len(rows), km=rows["length_km"].sum(), expected=rows["expected_failures"].sum(),
            cost=rows["replace_cost"].sum(), avoided=rows["replace_avoided_cost"].sum(), years=years,
            currency=settings.general.currency),
        rows,
        to={"item": [f"{'section' if [item] == picked.items[item] else 'loop'}:{item}" for item in rows["item"]]},
        more=(say(is_served and "pick-items.tick"),),
        coverage=settings.general.interval_coverage,
    )  # fmt: skip
    (table,) = made.tables
    columns = table.columns if is_served else tuple(name for name in table.columns if name != "tick")
    return replace(made, tables=(replace(table, columns=columns, is_all=True),))


def tabulate_items(listed: Listed, years: int) -> pd.DataFrame:
    """The items of a list, one a row in its order: sums over their sections, failures over the years with limits."""
    rows = over_years(listed, years)
    by = rows.groupby("item", sort=False)
    made = by.agg(
        sections=("section_id", "size"),
        **{name: (name, "sum") for name in SUMMED},
        inject_cost=("inject_cost", lambda v: v.sum(min_count=1)),
        inject_avoided_cost=("inject_avoided_cost", lambda v: v.sum(min_count=1)),
        best_action_now=("best_action_now", _counted),
        best_year=("best_year", "min"),
        plan_year=("plan_year", lambda v: ", ".join(map(str, sorted(set(v.dropna().astype(int))))) or style.MISSING),
        decided=("decided", lambda v: ", ".join(sorted(set(v)))),
    ).reset_index()
    ends = [listed.take(rows["item"].eq(item).to_numpy()).expect(years) for item in made["item"]]
    return made.assign(expected_failures_lo=[lo for _, lo, _ in ends], expected_failures_hi=[hi for _, _, hi in ends])


def _counted(actions: pd.Series) -> str:
    """Actions of some sections: the action of one, else how many each."""
    if len(actions) == 1:
        return str(actions.iloc[0])
    return ", ".join(f"{action} {n}" for action, n in actions.value_counts().sort_index().items())


def sections_of(listed: Listed, years: int) -> Exhibit:
    """All sections of the list, those that gain most by replacing first."""
    rows = over_years(listed, years)
    gain = rows["replace_avoided_cost"] - rows["replace_cost"]
    ordered = rows.loc[gain.sort_values(ascending=False, kind="stable").index]
    return say.exhibit("pick-sections", say("pick-sections.finding", n=len(rows)), ordered)


def write_form(marts: Marts, asked: Asked, picked: Picked) -> Markup:
    """The search, the years, and what was found, to be ticked; the items of the list are ticked in their table."""
    text = Markup(
        '<form id="pick" class="choice" action="/pick"><fieldset><legend>Add and compare</legend>'
        '<label>Find a loop or section <input type="search" name="find" maxlength="100" value="{}"></label>'
        '<label>Years ahead <input type="number" name="years" min="1" max="{}" value="{}"></label>'
        "<button>Show</button>{}</fieldset>{}</form>"
    )
    ticks = Markup("")
    if asked.find:
        found, more = search(marts, asked, picked)
        told = say("pick-list.found", n=len(found), find=asked.find, more=say(more and "pick-list.more", n=len(found)))
        ticks = Markup('<fieldset class="found"><legend>{}</legend>{}</fieldset>').format(
            told if found else say("pick-list.nothing", find=asked.find),
            Markup("").join(
                Markup('<label><input type="checkbox" name="items" value="{0}"> {0}</label>').format(ident)
                for ident in found
            ),
        )
    empty = Markup('<a href="/pick">empty the list</a>') if asked.items else ""
    return text.format(asked.find, LONGEST_YEARS, asked.years, empty, ticks)


def search(marts: Marts, asked: Asked, picked: Picked) -> tuple[list[str], bool]:
    """Ids in service that hold the text and are not on the list yet, the first of them; whether there are more."""
    there = {*picked.items, *picked.section_ids}
    found = [
        ident
        for column in ("loop_id", "section_id")
        for ident in marts.holding("marts.section_options", column, asked.find, FOUND_AT_MOST + len(there) + 1)
        if ident not in there
    ]
    exact = [ident for ident in found if ident.casefold() == asked.find.casefold()]
    return (exact or found)[: 2 * FOUND_AT_MOST], len(found) > 2 * FOUND_AT_MOST and not exact


def add_exact(marts: Marts, asked: Asked) -> Asked:
    """The list with what is searched for on it, where just one id is found; then nothing is searched for any more."""
    if not asked.find:
        return asked
    found, _ = search(marts, asked, resolve(marts, asked.items))
    return replace(asked, items=(*asked.items, *found), find="") if len(found) == 1 else asked
