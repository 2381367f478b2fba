"""Settings: one frozen tree, each field with unit, default, source and bounds, checked once at the door."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
import os
import tomllib
import typing
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from shared.errors import UserError, suggest_name

FILE_NAME = "settings.toml"
"""The settings file that is read where the workspace holds one."""

ENVIRONMENT = "LOOPWEAR_SETTINGS"
"""Variable of the environment that names a settings file."""

RENAMED = {
    "general.interval_level": "general.interval_coverage",
    "validation.batch_min_rows": "validation.file_min_rows",
    "restoration.longest_believed_days": "restoration.longest_accepted_days",
    "locating.window_level": "locating.window_coverage",
}
"""Keys of earlier versions, still accepted with a warning, and what each is called now."""

REMOVED = {
    "restoration.bootstrap_replicates": "limits need no resampling now",
    "replacement.sensitivity_price_share": "loopwear compare moves settings now",
}
"""Keys of earlier versions that are ignored with a warning, and why they are needed no more."""

PresentRuleKey = Literal["failures", "years", "failures_per_km", "age_years"]

# Michael Sullivan, Josh Schellenberg and Marshall Blundell (2015), Updated value of service reliability estimates for
# electric utility customers in the United States, LBNL-6941E, table ES-1. The costs of an event are from memory; over
# the kW of a customer they agree with the table's costs per kWh (residential 3.3 and 1.6, small businesses 295.0 and
# 214.3, larger ones 21.8 and 12.1 for 1 and 4 hours), which were looked up.
SURVEY = "ours: off. A survey of 2015 (LBNL-6941E, dollars of 2013) for 1 and 4 hours"

OURS = "ours"
PRACTICE = "common practice, no source"
RECORDS = "ours: set it from your own records"


def setting(
    default: Any, meaning: str, source: str, *, unit: str = "", low: float | None = None, high: float | None = None
) -> Any:
    """A settings field with what the settings page and the door check need to know of it; source: why this default."""
    facts = {"meaning": meaning, "unit": unit, "source": source, "low": low, "high": high}
    if isinstance(default, dict):
        return field(default_factory=dict, metadata=facts)
    return field(default=default, metadata=facts)


@dataclass(frozen=True)
class General:
    """What holds for every topic."""

    as_of: dt.date | None = setting(
        None, "last day counted; empty: the day of the last report loaded", "ours: later days may lack jobs"
    )
    horizon_years: float = setting(5.0, "years forecast", OURS, unit="years", low=0.25, high=40)
    interval_coverage: float = setting(0.90, "coverage of every interval", PRACTICE, low=0.5, high=0.999)
    currency: str = setting("USD", "currency of all money, for display", "ours: that of the invented demo")
    coordinate_reference_system: str = setting(
        "",
        "what the terminals' x and y are, as they are in the files (feet stay feet): a code of the EPSG registry, "
        "such as EPSG:25832; empty: not given, so map programs cannot tell where the lines lie and have no GeoJSON",
        "ours: not given, for a wrong one draws the lines in a wrong place",
    )
    seed: int = setting(20260101, "seed of every random draw", "ours: fixed, so that a run can be repeated", low=0)
    small_group: int = setting(10, "jobs below which a group is shown in grey", OURS, low=1)
    generations_kept: int = setting(
        3, "published generations kept beside the newest one", "ours: enough to compare with last month", low=0
    )
    shared_with_group: bool = setting(
        False, "let the group of a file's owner read and write what is written", "ours: outages tell of customers"
    )
    memory_limit_gb: float = setting(
        2.5, "memory the warehouse may use; a load's own work takes up to 0.5 GB beside it", OURS, unit="GB", low=0.25
    )


@dataclass(frozen=True)
class Intake:
    """How files are read."""

    midnight_share: float = setting(
        0.01,
        "share of midnights in a time column above which each is read as a date only",
        "ours: chance gives 0.0007",
        low=0.0,
        high=1.0,
    )
    unpacked_limit_gb: float = setting(
        4.0, "most that one archive may unpack to", "ours: a guard of the disk", unit="GB", low=0.001, high=1000
    )
    classes: dict[str, str] = setting(
        {}, "names for cable classes: 'insulation/neutral/installation' = 'name'", "ours: none"
    )
    insulations: dict[str, str] = setting({}, "further insulation codes: code = meaning", "ours: none")
    changed_cable: str = setting(
        "ask",
        "what a row of sections with another cable under a known id is where it may be either: new, correction, or ask "
        "(it waits in quarantine)",
        "ours: a wrong guess moves failures and exposure from one cable class to another",
    )


@dataclass(frozen=True)
class Validation:
    """What the rules do."""

    severities: dict[str, str] = setting(
        {}, "severity of a rule other than its own: rule = reject, empty, warn or off", "ours: each rule's own"
    )
    weigh_corrections: bool = setting(True, "show how the corrections applied and proposed change the answers", OURS)
    file_min_rows: int = setting(
        30, "rows below which a file, or a year of it, is not measured as a whole", PRACTICE, low=5
    )
    orphan_share_limit: float = setting(
        0.05,
        "share of a year's jobs on sections not in the register, above which a file is warned of",
        OURS,
        low=0,
        high=1,
    )
    emptied_share: float = setting(
        0.1, "share of its earlier completeness below which a column counts as emptied", OURS, low=0, high=1
    )
    distribution_distance: float = setting(
        0.3, "Kolmogorov-Smirnov distance above which a column is unlike what was loaded before", OURS, low=0.02, high=1
    )


@dataclass(frozen=True)
class Restoration:
    """Figures of the restoration manager."""

    sustained_min: float = setting(
        5.0,
        "interruptions of more than this are sustained",
        "IEEE Std 1366, definitions; from memory",
        unit="min",
        low=0,
    )
    longest_accepted_days: float = setting(
        7.0, "days after the report beyond which a restoration time is set aside", OURS, unit="days", low=1
    )
    comparison_min_jobs: int = setting(
        30, "jobs below which a district, crew, method, hour or season is not compared", PRACTICE, low=5
    )
    show_notes: bool = setting(False, "publish the notes of jobs, on their sheets", "ours: notes may name people")
    show_crews: bool = setting(False, "compare crews, by their codes", "ours: off, for a crew is people")
    arrive_sooner_min: float = setting(
        10.0, "lever: minutes by which every crew arrives sooner", OURS, unit="min", low=0, high=240
    )
    arrive_sooner_cost: float = setting(0.0, "cost of arriving sooner; 0: not given", RECORDS, unit="money/year", low=0)
    search_share: float = setting(0.5, "lever: share that is left of every search for the section", OURS, low=0, high=1)
    search_cost: float = setting(0.0, "cost of shorter searches; 0: not given", RECORDS, unit="money/year", low=0)
    switch_sooner_min: float = setting(
        10.0, "lever: minutes by which loops are switched sooner once the section is found", OURS, unit="min", low=0
    )
    switch_sooner_cost: float = setting(
        0.0, "cost of switching sooner; 0: not given", RECORDS, unit="money/year", low=0
    )
    feed_after_min: float = setting(
        120.0,
        "lever: minutes after the section is found until a temporary feed serves a radial",
        OURS,
        unit="min",
        low=0,
    )
    feed_share: float = setting(0.5, "share of the jobs on radials that can have a temporary feed", OURS, low=0, high=1)
    feed_cost: float = setting(0.0, "cost of a temporary feed, each; 0: not given", RECORDS, unit="money", low=0)
    indicator_loops: str = setting(
        "", "lever: loops that get fault indicators, with commas between; empty: those interrupted most", OURS
    )
    indicator_most: int = setting(10, "how many of the loops interrupted most get fault indicators", OURS, low=0)
    indicator_search_share: float = setting(
        0.5, "share that is left of a search on a loop with fault indicators", OURS, low=0, high=1
    )
    indicator_cost: float = setting(
        0.0, "cost of fault indicators on a loop; 0: not given", RECORDS, unit="money/year", low=0
    )
    second_crew_travel_share: float = setting(
        0.7, "lever: share that is left of the travel at night with a second crew", OURS, low=0, high=1
    )
    second_crew_search_share: float = setting(
        0.7, "share that is left of a search at night with a second crew", OURS, low=0, high=1
    )
    second_crew_cost: float = setting(
        0.0, "cost of a second crew at night; 0: not given", RECORDS, unit="money/year", low=0
    )
    search_test_min: float = setting(
        15.0, "minutes of one test: open, test, close up", PRACTICE, unit="min", low=1, high=240
    )
    search_m_per_min: float = setting(
        50.0, "metres of cable that a crew passes in a minute between terminals", PRACTICE, unit="m/min", low=1
    )
    indicator_sensitivity: float = setting(
        0.9, "share of faults beyond a fault indicator that trip it", PRACTICE, low=0.01, high=0.99
    )
    indicator_false_trips: float = setting(
        0.05, "share of faults before a fault indicator that trip it", PRACTICE, low=0.01, high=0.99
    )
    reading_elsewhere: float = setting(
        0.05, "share of readings that say nothing of where the fault is", PRACTICE, low=0.001, high=0.99
    )
    night_from_hour: int = setting(
        22, "hour of the local clock from which a report counts as night", PRACTICE, low=0, high=24
    )
    night_to_hour: int = setting(
        6, "hour of the local clock up to which a report counts as night", PRACTICE, low=0, high=24
    )


@dataclass(frozen=True)
class Locating:
    """Figures of the calibration lead."""

    tolerance_pct: float = setting(2.0, "tolerated error of a distance", OURS, unit="%", low=0.1, high=20)
    tolerance_m: float = setting(
        3.0, "tolerated error of a distance, whichever is larger", OURS, unit="m", low=0.1, high=50
    )
    window_coverage: float = setting(0.80, "share of faults a dig window should hold", OURS, low=0.5, high=0.99)
    pulse_ns: float = setting(
        100.0, "width of the pulse on short ranges, where none is on record", PRACTICE, unit="ns", low=1, high=100_000
    )
    sampling_m: float = setting(
        0.5, "distance between two points of the display, where none is on record", PRACTICE, unit="m", low=0, high=50
    )
    cursor_m: float = setting(0.5, "standard error of placing the cursor", PRACTICE, unit="m", low=0, high=20)
    usual_tail_m: float = setting(
        2.0, "cable up to the terminal tested from, where no tail is on record", PRACTICE, unit="m", low=0, high=20
    )


@dataclass(frozen=True)
class Survival:
    """Fit of the failure model."""

    age_band_years: float = setting(5.0, "width of the age bands shown", PRACTICE, unit="years", low=1, high=20)
    min_failures: int = setting(5, "failures below which a class gets no power law of its own", OURS, low=2)


@dataclass(frozen=True)
class Replacement:
    """Money and the programme."""

    budget: float = setting(3_000_000.0, "money for the programme of one year", RECORDS, unit="money", low=0)
    budget_km: float = setting(
        0.0,
        "length of cable for one year's programme, in place of money; 0: the money holds",
        "ours: off",
        unit="km",
        low=0,
    )
    cost_per_m_buried: float = setting(190.0, "replacing directly buried cable", RECORDS, unit="money/m", low=0)
    cost_per_m_duct: float = setting(95.0, "replacing cable in duct", RECORDS, unit="money/m", low=0)
    budget_by_year: dict[str, float] = setting(
        {}, "another budget for single years: '2027' = 2000000, or '1' for the plan's first year", "ours: none"
    )
    most_km: float = setting(
        0.0, "most length worked on in a year, beside the money; 0: any", "ours: off", unit="km", low=0
    )
    crew_weeks: float = setting(0.0, "crews' weeks that a year has; 0: any", "ours: off", unit="weeks", low=0)
    crew_weeks_per_km_buried: float = setting(
        2.0, "crew's weeks to replace a km of buried cable", RECORDS, unit="weeks/km", low=0
    )
    crew_weeks_per_km_duct: float = setting(
        1.0, "crew's weeks to replace a km of cable in duct", RECORDS, unit="weeks/km", low=0
    )
    crew_weeks_per_km_injected: float = setting(0.7, "crew's weeks to inject a km", RECORDS, unit="weeks/km", low=0)
    district_most: dict[str, float] = setting(
        {}, "most money of a year in single districts: 'OB' = 800000", "ours: none"
    )
    district_most_km: dict[str, float] = setting({}, "most length of a year in single districts, km", "ours: none")
    district_least_share: dict[str, float] = setting(
        {}, "least share of the whole plan's budget for single districts, as far as work is offered", "ours: none"
    )
    project_distance_m: float = setting(
        400.0,
        "loops whose centres are as near share one mobilising, as a project; 0: every loop for itself",
        OURS,
        unit="m",
        low=0,
    )
    cost_per_loop: float = setting(
        6_000.0, "mobilising on a loop, or on a project of several, once", RECORDS, unit="money", low=0
    )
    repair_cost: float = setting(
        6_500.0, "repair of a fault, where jobs state none", "ours: near the invented demo's", unit="money", low=0
    )
    customer_minute_value: float = setting(
        0.30, "cost of a customer-minute of interruption to the customers", RECORDS, unit="money/min", low=0
    )
    discount_rate_pct: float = setting(5.0, "discount rate", PRACTICE, unit="%/year", low=0, high=30)
    cable_life_years: float = setting(
        40.0, "years over which a replacement earns", PRACTICE, unit="years", low=1, high=100
    )
    new_cable_rate_per_100km_year: float = setting(
        0.5, "failures of new cable, where no class gives a rate", RECORDS, unit="1/(100 km year)", low=0
    )
    new_cable_class: str = setting(
        "", "class of the cable laid in place of the old; empty: the one now laid most", OURS
    )
    customer_event_value: float = setting(
        0.0, "cost of an interruption to a customer, beside the minutes", "ours: off", unit="money/event", low=0
    )
    residential_interruption_cost: float = setting(
        0.0,
        "cost of an interruption to a residential customer on record, in place of the minutes; 0: by the minutes",
        f"{SURVEY}: 5.1 and 9.5",
        unit="money/event",
        low=0,
    )
    business_interruption_cost: float = setting(
        0.0,
        "cost of an interruption to a business customer on record, in place of the minutes; 0: by the minutes",
        f"{SURVEY}: 647 and 1,880 under 50,000 kWh a year, 17,804 and 39,458 above",
        unit="money/event",
        low=0,
    )
    critical_interruption_cost: float = setting(
        0.0,
        "cost of an interruption to a critical customer on record, in place of the minutes; 0: by the minutes",
        "ours: off. The survey has none",
        unit="money/event",
        low=0,
    )
    cost_per_m_injected: float = setting(55.0, "injecting cable in place", RECORDS, unit="money/m", low=0)
    injection_multiplier: float = setting(
        0.3, "share of the failures that is left after injection; 1: nothing is injected", RECORDS, low=0, high=1
    )
    injection_years: float = setting(20.0, "years over which injection earns", RECORDS, unit="years", low=1, high=100)
    programme_years: int = setting(5, "years of the plan, each with the budget", OURS, unit="years", low=1, high=20)
    least_benefit_cost_ratio: float = setting(
        0.0, "share of its cost that a section must return; 1: only sections that pay", "ours: off", low=0
    )
    programme_gap: float = setting(
        1e-4,
        "share of the best possible that the programme may miss",
        "ours: far finer than the prices",
        low=0,
        high=0.1,
    )
    backtest_origins: int = setting(5, "past dates, a year apart, at which the ranking is tested", OURS, low=2, high=30)
    before_after_years: float = setting(
        3.0, "years compared on either side of a date in before and after", OURS, unit="years", low=1, high=15
    )
    watched: dict[str, dt.date] = setting(
        {}, "loops to compare before and after a day: 'loop_id' = 2021-06-30", "ours: none"
    )
    present_rule: dict[PresentRuleKey, float] = setting(
        {},
        "rule in use, tried beside the ranking: at least so many failures (in years), per km, at such an age",
        "ours: none",
    )
    backtest_replicates: int = setting(200, "bootstrap replicates of the back-test", OURS, low=50, high=10_000)


@dataclass(frozen=True)
class Settings:
    """All settings, by topic."""

    general: General = General()
    intake: Intake = Intake()
    validation: Validation = Validation()
    restoration: Restoration = Restoration()
    locating: Locating = Locating()
    survival: Survival = Survival()
    replacement: Replacement = Replacement()

    def flat(self) -> dict[str, Any]:
        """Settings as {section_field: value}, the columns of settings.current; tables of numbers are texts of JSON."""
        flat = {}
        for section, kind in _SECTIONS.items():
            for f in dataclasses.fields(kind):
                value = getattr(getattr(self, section), f.name)
                if not isinstance(value, dict):
                    flat[f"{section}_{f.name}"] = value
                elif _holds_numbers(kind, f.name):
                    flat[f"{section}_{f.name}"] = json.dumps(value, sort_keys=True)
        return flat

    @classmethod
    def from_flat(cls, flat: dict[str, Any]) -> Settings:
        """Settings from what flat() gave; a value that is not there keeps its default."""
        parts = {}
        for section, kind in _SECTIONS.items():
            given = {f.name: flat[name] for f in dataclasses.fields(kind) if (name := f"{section}_{f.name}") in flat}
            parts[section] = kind(**_read_tables(kind, given))
        return cls(**parts)

    def override(self, section: str, **values: Any) -> Settings:
        """Settings with some fields of a section replaced, checked again."""
        part = dataclasses.replace(getattr(self, section), **_read_tables(_SECTIONS[section], values))
        changed = dataclasses.replace(self, **{section: part})
        for name in values:
            _check(section, _fields(part)[name], getattr(part, name), "command line")
        return changed


def _holds_numbers(kind: type, name: str) -> bool:
    """Whether a setting is a table of numbers."""
    return typing.get_type_hints(kind)[name] in (dict[str, float], dict[PresentRuleKey, float])


def _read_tables(kind: type, values: dict[str, Any]) -> dict[str, Any]:
    """Values with tables of numbers as such, where flat made texts of them."""
    return {
        name: json.loads(value) if isinstance(value, str) and _holds_numbers(kind, name) else value
        for name, value in values.items()
    }


def _fields(part: Any) -> dict[str, dataclasses.Field[Any]]:
    return {f.name: f for f in dataclasses.fields(part)}


def _check(section: str, f: dataclasses.Field[Any], value: Any, where: str) -> None:
    wanted = typing.get_type_hints(_SECTIONS[section])[f.name]
    key = f"{section}.{f.name}"
    numeric = isinstance(value, int | float) and not isinstance(value, bool)
    fits = {
        float: numeric,
        int: isinstance(value, int) and not isinstance(value, bool),
        bool: isinstance(value, bool),
        str: isinstance(value, str),
        dict[str, str]: isinstance(value, dict) and all(isinstance(v, str) for v in value.values()),
        dict[str, float]: isinstance(value, dict)
        and all(isinstance(v, int | float) and not isinstance(v, bool) and v >= 0 for v in value.values())
        and (f.name != "budget_by_year" or all(name.isdigit() for name in value)),
        dict[str, dt.date]: isinstance(value, dict) and all(type(v) is dt.date for v in value.values()),
        dict[PresentRuleKey, float]: isinstance(value, dict)
        and set(value) <= set(typing.get_args(PresentRuleKey))
        and (not value or value.keys() - {"years"})
        and all(isinstance(v, int | float) and not isinstance(v, bool) and v > 0 for v in value.values()),
        dt.date | None: value is None or type(value) is dt.date,
    }
    if not fits[wanted]:
        names = {
            float: "a number",
            int: "a whole number",
            bool: "true or false",
            str: "text in quotes",
            dict[str, str]: "a table of texts",
            dict[str, dt.date]: "a table of dates",
            dict[str, float]: "a table such as { '2027' = 2000000 }"
            if f.name == "budget_by_year"
            else "a table such as { OB = 0.2 }",
            dict[
                PresentRuleKey, float
            ]: "a table such as { failures = 3, years = 5, failures_per_km = 2.0, age_years = 25 }",
        }
        raise UserError(
            f"setting {key} = {value!r} is not {names.get(wanted, 'a date such as 2025-12-31')}",
            where,
            f"give {key} {names.get(wanted, 'a date such as 2025-12-31')}",
        )
    low, high = f.metadata["low"], f.metadata["high"]
    if numeric and ((low is not None and value < low) or (high is not None and value > high)):
        bounds = f"at least {low}" if high is None else f"at most {high}" if low is None else f"{low} to {high}"
        remedy = f"{key} must be {bounds} {f.metadata['unit']}".rstrip()
        raise UserError(f"setting {key} = {value} is out of bounds", where, remedy)


_SECTIONS: dict[str, type] = typing.get_type_hints(Settings)


Say = Callable[[str], object]
"""Takes a line for the user."""


def find_settings(workspace: Path, given: Path | None = None) -> Path | None:
    """The settings file in use: the one given, else the environment's, else the workspace's own; None: the defaults."""
    if given is None and os.environ.get(ENVIRONMENT):
        given = Path(os.environ[ENVIRONMENT])
    own = workspace / FILE_NAME
    return given or (own if own.exists() else None)


def load_settings(path: Path | None, say: Say = lambda _: None, over: Settings = Settings()) -> Settings:
    """Settings from a TOML file over the defaults, or over others.

    Parameters
    ----------
    path
        The file; None: nothing is laid over.
    say
        Takes a warning for each setting given by its name in earlier versions.
    over
        Settings that hold where the file says nothing.

    Raises
    ------
    UserError
        The file is missing or no TOML, a section or key is unknown (the nearest known one is
        named), a setting is given by both its names, or a value has the wrong type or is out of bounds.

    Notes
    -----
    Checked by: tests/unit/test_shared_settings.py
    """
    if path is None:
        return over
    try:
        given = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        remedy = f"check the path after --settings or in {ENVIRONMENT}"
        raise UserError("the settings file does not exist", str(path), remedy) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, IsADirectoryError) as fault:
        what = f"the settings file is no TOML: {fault}"
        raise UserError(what, str(path), "correct that line; texts need quotes") from None
    parts: dict[str, Any] = {}
    for section, values in given.items():
        if section not in _SECTIONS or not isinstance(values, dict):
            raise UserError(f"unknown settings section [{section}]", str(path), suggest_name(section, _SECTIONS))
        known, hints = _fields(_SECTIONS[section]), typing.get_type_hints(_SECTIONS[section])
        accepted: dict[str, Any] = {}
        for name, value in values.items():
            if f"{section}.{name}" in REMOVED:
                say(
                    f"warning: setting {section}.{name} is ignored, {REMOVED[f'{section}.{name}']}: remove it in {path}"
                )
                continue
            key = RENAMED.get(f"{section}.{name}", f"{section}.{name}").removeprefix(f"{section}.")
            if key != name:
                if key in values:
                    what = f"setting {section}.{key} is given twice, once by its earlier name {section}.{name}"
                    raise UserError(what, str(path), f"remove {section}.{name}")
                say(f"warning: setting {section}.{name} is now {section}.{key}: rename it in {path}")
            if key not in known:
                raise UserError(f"unknown setting {section}.{key}", str(path), suggest_name(key, known))
            _check(section, known[key], value, str(path))
            accepted[key] = float(value) if hints[key] is float else value
        parts[section] = dataclasses.replace(getattr(over, section), **accepted)
    return dataclasses.replace(over, **parts)


def resolve_settings(
    workspace: Path,
    given: Path | None = None,
    *,
    as_of: dt.date | None = None,
    horizon: float | None = None,
    budget: float | None = None,
    say: Say = lambda _: None,
) -> Settings:
    """Settings of a command: from the file in use, with what the command line says over them.

    Parameters
    ----------
    workspace
        Folder of the workspace, whose own file is read where no other is named.
    given
        File the command line names.
    as_of, horizon, budget
        What the command line says, each where it does.
    say
        Takes the line that names the file in use, and warnings.
    """
    file = find_settings(workspace, given)
    settings = load_settings(file, say)
    say(f"settings: {file or 'the defaults'}")
    if as_of is not None:
        settings = settings.override("general", as_of=as_of)
    if horizon is not None:
        settings = settings.override("general", horizon_years=float(horizon))
    if budget is not None:
        # A budget asked for in money is meant, whatever length a settings file allows.
        settings = settings.override("replacement", budget=float(budget), budget_km=0.0)
    return settings
