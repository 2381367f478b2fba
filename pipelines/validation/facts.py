"""Facts of the typed rows, set-wise: what each rule's demand is put to.

``j`` is the typed row; the register it is compared with is what stands in raw, this load's earlier tables included.
A fact that cannot be judged, because a value is unknown, passes.
"""

from dataclasses import dataclass, field

from shared import dictionary
from shared.eras import EARLIEST_YEAR

STAMPS = dictionary.load_tables()["jobs"].instants
DISTANCES = {
    "jobs": ("estimated_distance_m", "far_end_distance_m", "dug_distance_m"),
    "test_shots": ("far_end_distance_m", "fault_distance_m"),
    "known_lengths": ("reading_m",),
}
DEFAULT_DATES = ("1900-01-01", "1970-01-01", "1901-01-01", "1899-12-30", "1899-12-31")
# Usual bands of velocity in percent of c, from the data dictionary.
EXTRUDED_BAND = (48.0, 60.0)
PILC_BAND = (38.0, 57.0)
INSTALLED_FROM = (
    "epoch(case when j.is_install_year_only then date_trunc('year', j.installed_on)::date else j.installed_on end)"
)
"""The earliest that a section may have been installed."""
DUPLICATE_S = 900
REOPENED_S = 30 * 86400
REOPENED_M = 3.0
DAY_S = 86399.0


@dataclass(frozen=True)
class FactsPlan:
    """How the facts of one table are drawn.

    ``facts`` is SQL by fact; ``culprits`` is SQL of the comma-separated columns a rule points at, and ``expected``
    SQL of what its message calls expected, both asked for failing rows alone.
    """

    joins: str
    facts: dict[str, str]
    culprits: dict[str, str] = field(default_factory=dict)
    expected: dict[str, str] = field(default_factory=dict)


def plan_facts(table: str, date_only: frozenset[str], *, registered: frozenset[str], now: float) -> FactsPlan:
    """The facts of a table.

    Parameters
    ----------
    table
        Source table.
    date_only
        Time columns of which some rows hold a date only.
    registered
        Registers (instruments, terminals) that hold anything: nothing can be missing from an empty one.
    now
        Seconds since 1970, UTC: what lies beyond is in the future.
    """
    common, culprits = _common_facts(table, registered, now)
    nothing: Special = ("", {}, {}, {})
    own = _job_facts(date_only, now) if table == "jobs" else _SPECIAL[table]() if table in _SPECIAL else nothing
    joins, special, more_culprits, expected = own
    return FactsPlan(joins, {**common, **special}, {**culprits, **more_culprits}, expected)


def _listing(arms: list[str]) -> str:
    return f"nullif(concat_ws(',', {', '.join(arms)}), '')" if arms else "null::varchar"


def _common_facts(table: str, registered: frozenset[str], now: float) -> tuple[dict[str, str], dict[str, str]]:
    facts_of = {c: dictionary.columns()[c] for c in dictionary.load_tables()[table].source_columns}
    required = dictionary.load_tables()[table].required
    own_rule = {*DISTANCES.get(table, ()), "length_m", "known_length_m"}
    low = {c: f.low for c, f in facts_of.items() if f.low is not None and c not in own_rule}
    dates = [c for c, f in facts_of.items() if f.type in ("instant", "date") and c != "installed_on"]
    facts = {
        "is_well_formed": "j.fault is null",
        "missing_columns": "case when j.fault is null then j.missing_columns end",
        "unreadable_columns": "j.unreadable_columns",
        "doubtful_columns": "j.doubtful_columns",
        "unknown_code_columns": "j.unknown_code_columns",
        "unknown_status_columns": "j.unknown_status_columns",
        "clock_columns": _listing(
            [
                f"case when contains(j.clock_columns, '{c}') then '{c}' end"
                for c in dates
                if facts_of[c].type == "instant" and c not in required
            ]
        ),
        "required_clock_columns": _listing(
            [
                f"case when contains(j.clock_columns, '{c}') then '{c}' end"
                for c in dates
                if facts_of[c].type == "instant" and c in required
            ]
        ),
        "empty_key_columns": _listing(
            [
                f"case when j.\"{c}\" is null then '{c}' end"
                for c in dictionary.load_tables()[table].key
                if c in required
            ]
        ),
        "is_key_new": "j.repeats_row is null",
        **_references(tuple(facts_of), registered),
        "low_columns": _listing([f"case when j.\"{c}\" < {bound} then '{c}' end" for c, bound in low.items()]),
    }
    culprits = {}
    if dates:
        stamps = ", ".join(f'epoch(j."{c}")' for c in dates)
        facts["last_stamp"] = f"greatest({stamps})" if len(dates) > 1 else stamps
        culprits["time_in_future"] = _listing([f"case when epoch(j.\"{c}\") > {now!r} then '{c}' end" for c in dates])
    if "is_install_year_only" in dictionary.load_tables()[table].columns:
        facts["installed_from"] = INSTALLED_FROM
    facts["now_at"] = f"{now!r}::double"
    if table in DISTANCES:
        facts["negative_columns"] = _listing([f"case when j.{c} < 0 then '{c}' end" for c in DISTANCES[table]])
    if "velocity_setting_pct" in facts_of:
        facts["velocity_setting_pct"] = "j.velocity_setting_pct"
    return facts, culprits


Special = tuple[str, dict[str, str], dict[str, str], dict[str, str]]


def _known(id_sql: str, table: str, key: str) -> str:
    return f"coalesce({id_sql} in (select {key} from {table}), true)"


def _references(columns: tuple[str, ...], registered: frozenset[str]) -> dict[str, str]:
    """Whether what a row names is on the register; rules of the tables that name it ask."""
    named = [c for c in ("district_id", "loop_id", "section_id", "job_id", "instrument_id") if c in columns]
    facts = {f"is_{c[:-3]}_known": _known(f"j.{c}", f"known_{c[:-3]}s", c) for c in named}
    if "instrument_id" in columns and "instruments" not in registered:
        facts["is_instrument_known"] = "true"
    terminals = [c for c in columns if c.endswith("terminal_id")] if "terminals" in registered else []
    unknown = [f"case when not {_known(f'j.{c}', 'known_terminals', 'terminal_id')} then '{c}' end" for c in terminals]
    is_class_known = _known("j.cable_class", "known_classes", "cable_class") if "sections" in registered else "true"
    return {**facts, "unknown_terminal_columns": _listing(unknown), "is_class_known": is_class_known}


def _job_facts(date_only: frozenset[str], now: float) -> Special:
    def earliest(column: str) -> str:
        """A time that lies in the future is wrong by itself: the others are not measured by it."""
        return f"nullif(least(epoch(j.{column}), {now!r} + 1), {now!r} + 1)"

    def latest(column: str) -> str:
        whole_day = f" + case when contains(j.date_only_columns, '{column}') then {DAY_S} else 0 end"
        return earliest(column) + (whole_day if column in date_only else "")

    stamps = ", ".join(earliest(c) for c in STAMPS[:-1])
    later = STAMPS[1:]
    is_after_all = (
        f"len(list_filter([{', '.join(f'j.{c}' for c in later)}], lambda s: s is not null)) > 1 and "
        f"epoch(j.reported_at) > greatest({', '.join(latest(c) for c in later)})"
    )
    after_closed = [f"case when {earliest(c)} > {latest('closed_at')} then '{c}' end" for c in STAMPS[:-1]]
    facts = {
        "unknown_status_columns": "coalesce(j.unknown_status_columns, case when j.status = 'open' and j.job_id not in "
        "(select job_id from open_again) then 'status' end)",
        "is_loop_known": "j.loop_id is null or l.loop_id is not null",
        "is_section_known": "j.section_id is null or s.section_id is not null",
        **{c: earliest(c) for c in ("reported_at", "dispatched_at", "arrived_at", "located_at")},
        "is_reported_possible": f"not coalesce({is_after_all}, false)",
        "arrived_latest": latest("arrived_at"),
        "located_latest": latest("located_at"),
        "restored_latest": latest("restored_at"),
        "repaired_latest": latest("repaired_at"),
        "dispatched_latest": latest("dispatched_at"),
        "closed_latest": latest("closed_at"),
        "last_before_closing": f"greatest({stamps})",
        "is_restored_not_closed": "coalesce(j.restored_at <> j.closed_at or "
        "contains(coalesce(j.date_only_columns, ''), 'closed_at'), true)",
        "span_s": "epoch(j.restored_at) - epoch(j.reported_at)",
        "is_after_installation": "coalesce(j.reported_at::date >= case when s.is_install_year_only "
        "then date_trunc('year', s.installed_on)::date else s.installed_on end or coalesce(s.cable_no, 1) > 1, true)",
        "is_velocity_usual": f"coalesce(j.velocity_setting_pct between "
        f"case when s.insulation = 'PILC' then {PILC_BAND[0]} else {EXTRUDED_BAND[0]} end and "
        f"case when s.insulation = 'PILC' then {PILC_BAND[1]} else {EXTRUDED_BAND[1]} end "
        "or s.insulation is null or s.insulation = 'other', true)",
        "beyond_loop_columns": _listing([f"case when j.{c} > l.length_m then '{c}' end" for c in DISTANCES["jobs"]]),
        "is_estimate_own": "coalesce(j.estimated_distance_m <> j.dug_distance_m, true)",
        "is_alone_on_loop": "d.other is null",
        "is_first_on_spot": "o.other is null",
    }
    joins = (
        " left join known_loops as l on l.loop_id = j.loop_id"
        " left join known_sections as s on s.section_id = j.section_id"
        " left join near_in_time as d on d.job_id = j.job_id"
        " left join near_in_place as o on o.job_id = j.job_id"
    )
    expected = {
        "reported_after_all": _listing([f"case when j.{c} is not null then '{c}' end" for c in later]),
        "stamp_after_closed": _listing(after_closed),
        "status_unknown": "'one of closed, cancelled'",
        "possible_duplicate": "d.other",
        "possible_reopened": "o.other",
    }
    # closed before the report: no other stamp is to blame. Of two optional ones nobody can tell which is wrong
    culprits = {
        "stamp_after_closed": f"case when {latest('closed_at')} < epoch(j.reported_at) then 'closed_at' "
        f"else concat_ws(',', 'closed_at', {_listing(after_closed)}) end"
    }
    return joins, facts, culprits, expected


def _district_facts() -> Special:
    return "", {"is_timezone_known": "coalesce(j.timezone in (select name from known_zones), true)"}, {}, {}


def _section_facts() -> Special:
    defaults = ", ".join(f"date '{d}'" for d in DEFAULT_DATES)
    earliest = " ".join(f"when '{k}' then {year}" for k, year in EARLIEST_YEAR.items())
    facts = {
        "length_checked_m": "j.length_m",
        "retired_at": "epoch(j.retired_on)",
        "installed_at": INSTALLED_FROM,
        "is_install_date_given": "j.installed_on is not null or contains(coalesce(j.doubtful_columns, ''), "
        "'installed_on')",
        "is_install_date_chosen": f"coalesce(j.installed_on not in ({defaults}), true)",
        "is_install_date_possible": f"coalesce(year(j.installed_on) >= case j.insulation {earliest} end or "
        f"j.installed_on in ({defaults}), true)",
        "is_loop_chained": "c.breaks is null",
        "is_cable_told": "coalesce(v.verdict <> 'ask', true)",
    }
    joins = " left join chain_breaks as c on c.section_id = j.section_id left join cable_changes as v on v.rid = j.rid"
    expected = {"loop_not_one_chain": "c.breaks", "retired_before_installed": "j.retired_on", "cable_changed": "v.told"}
    return joins, facts, {}, expected


def _piece_facts() -> Special:
    return "", {"length_checked_m": "j.to_m - j.from_m"}, {}, {}


def _step_facts() -> Special:
    facts = {
        "is_restored_within": "coalesce(t.restored <= k.customers_interrupted, true)",
        "is_restored_whole": "coalesce(t.restored >= k.customers_interrupted, true)",
    }
    joins = " left join known_jobs as k on k.job_id = j.job_id left join step_totals as t on t.job_id = j.job_id"
    sums = "t.restored || ' of ' || k.customers_interrupted"
    return joins, facts, {}, {"more_restored_than_interrupted": sums, "steps_not_adding_up": sums}


def _known_length_facts() -> Special:
    facts = {
        "has_length_source": "j.section_id is not null or j.known_length_m is not null",
        "is_run_named": "j.section_id is not null or j.cable_class is not null",
        "length_checked_m": "j.known_length_m",
    }
    return "", facts, {}, {}


def _decision_facts() -> Special:
    return "", {"is_place_named": "j.loop_id is not null or j.section_id is not null"}, {}, {}


def _correction_facts() -> Special:
    joins = ' left join correction_faults as m on m.job_id = j.job_id and m."column" = j."column"'
    return joins, {"is_correction_current": "m.fault is null"}, {}, {"correction_stale": "m.fault"}


def _cluster_facts() -> Special:
    joins = " left join cluster_faults as m on m.job_id = j.job_id and m.joined_with = j.joined_with"
    return joins, {"is_cluster_current": "m.fault is null"}, {}, {"cluster_stale": "m.fault"}


_SPECIAL = {
    "corrections": _correction_facts,
    "job_clusters": _cluster_facts,
    "districts": _district_facts,
    "sections": _section_facts,
    "section_pieces": _piece_facts,
    "restoration_steps": _step_facts,
    "known_lengths": _known_length_facts,
    "decisions": _decision_facts,
}
