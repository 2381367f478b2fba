"""The sheet of a section: what the register says, its failures, its forecast, and the readings on it."""

from typing import Any

from markupsafe import Markup

from reports import style
from reports.marts import Marts
from reports.page import Exhibit, Page, Section
from reports.pages.sheet import facts, failure_words, find_row, lead, listing, one, say, with_limits
from shared.settings import Settings


def build(marts: Marts, settings: Settings, ident: str) -> Page:
    """The sheet of a section.

    Raises
    ------
    UserError
        There is no such section.

    Notes
    -----
    Checked by: tests/end_to_end/test_sheets.py (through render_sheet)
    """
    section = find_row(marts, "core.section_exposure", "section_id", ident)
    rank, work, money = (
        one(marts, f"marts.{table}", "section_id", ident)
        for table in ("section_ranking", "programme", "section_options")
    )
    jobs = failure_words(marts.read_only("core.failures", "section_id", [ident]))
    readings = marts.read_only("marts.locating_errors", "section_id", [ident]).sort_values(["read_at", "job_id"])
    pieces = marts.read_only("staging.section_pieces", "section_id", [ident])
    record = (register(marts, section, ident), listing("section-pieces", pieces), listing("section-jobs", jobs))
    return Page(
        key="section",
        title=f"Section {ident}",
        question=say("section.question", section=section),
        summary=(say("section.summary" if rank else "section.unranked", rank=rank, settings=settings),),
        sections=(
            Section(say.text("section.record"), record),
            Section(say.text("section.forecast"), (forecast(rank, work, money, settings),)),
            Section(say.text("section.readings"), (listing("section-readings", readings),)),
        ),
    )


def register(marts: Marts, section: dict[str, Any], ident: str) -> Exhibit:
    """The register's facts, and whether readings contradict its length."""
    entered = find_row(marts, "staging.sections", "section_id", ident)
    doubted = one(marts, "marts.register_lengths", "section_id", ident)
    ends = [entered["from_terminal_id"], entered["to_terminal_id"]]
    terminals = marts.read_only("staging.terminals", "terminal_id", ends).set_index("terminal_id")["tail_m"]
    cables = marts.read_only("staging.sections", "named_id", [entered["named_id"]])["section_id"]
    others = Markup(", ").join(lead("section", cable) for cable in sorted(set(cables) - {ident}))
    tails = [say("register.tail", terminal=end, tail=terminals.get(end)) for end in ends]
    listed = (
        ("Loop", lead("loop", section["loop_id"], f", district {section['district_id']}")),
        ("Position on the loop", style.number(section["position"], 0)),
        ("Cable class", section["cable_class"]),
        ("Length", style.quantity(section["length_m"], "m", 1)),
        ("From, with its tail", tails[0]),
        ("To, with its tail", tails[1]),
        ("Installed", style.date_words(section["installed_on"])),
        (
            "Installation date known",
            "yes" if section["is_installed_on_known"] else "no: it is spread over likely years",
        ),
        ("Retired", style.date_words(section["retired_on"])),
        ("Injected", style.date_words(section["rejuvenated_on"])),
        ("Customers", style.number(section["customers"], 0)),
        ("Observed", say("register.observed", section=section)),
        ("Other cables under its id", others or "none"),
    )
    finding = say("register.doubted" if doubted else "register.finding", row=doubted, section=section)
    return facts("register", finding, listed)


def growing(money: Any, settings: Settings) -> list[tuple[str, str]]:
    """What replacing returns as cable grows older, and its best year."""
    if money is None:
        return []
    years = style.number(settings.replacement.cable_life_years)
    best = f"not within {years} years" if style.is_missing(money.best_year) else f"{int(money.best_year)}"
    return [
        ("Benefit over cost, as cable grows older", with_limits(money, "benefit_cost_growing", 2)),
        ("Best year to replace", best),
        ("A year's wait costs", style.money(money.cost_of_waiting, settings.general.currency)),
    ]


def forecast(rank: Any, work: Any, money: Any, settings: Settings) -> Exhibit:
    """The section's forecast, and whether the programme touches it."""
    if rank is None:
        return say.absent("section-facts")
    currency, years = settings.general.currency, settings.general.horizon_years
    listed = (
        ("Rank", with_limits(rank, "rank", 0)),
        ("Rank by money", style.number(rank.rank_by_money, 0)),
        ("Failures on record", style.number(rank.failures_recorded, 0)),
        ("Failures expected on record by its class", style.number(rank.expected_recorded, 2)),
        (f"Failures expected in {style.number(years)} years", with_limits(rank, "expected_failures", 2)),
        ("Times the rate of its class", with_limits(rank, "multiplier", 2)),
        ("Cost of replacing it", style.money(rank.replacement_cost, currency)),
        ("Cost that avoids, failure rate held", style.money(rank.avoided_cost, currency)),
        ("Benefit over cost, failure rate held", style.number(rank.benefit_cost_ratio, 2)),
        *growing(money, settings),
        ("Programme", say("section-facts.work" if work else "section-facts.no_work", work=work)),
    )
    return facts("section-facts", say("section-facts.finding", rank=rank, settings=settings), listed, settings=settings)
