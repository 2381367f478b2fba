"""The rules a row must pass: a name, a severity, a message and an example each.

A rule speaks of the *facts* of its table (facts.py): typed values and comparisons prepared set-wise. What it
demands of a fact is one of four expectations, run by Great Expectations on every row (suite.py).
"""

from dataclasses import dataclass, replace

from pipelines.validation.file_rules import FILE_RULES, FileRule, Severity
from shared import dictionary
from shared.errors import UserError, suggest_name
from shared.settings import Settings

SEVERITIES: tuple[Severity, ...] = ("reject", "empty", "warn", "off")


@dataclass(frozen=True)
class Holds:
    """The fact is a yes-or-no that must not be no."""

    fact: str


@dataclass(frozen=True)
class Within:
    """The fact is a number within bounds (none: no bound)."""

    fact: str
    low: float | None = None
    high: float | None = None
    low_open: bool = False


@dataclass(frozen=True)
class NotBefore:
    """The first fact, where both are known, is not below the second."""

    later: str
    earlier: str


@dataclass(frozen=True)
class Listed:
    """The fact lists the columns of the row that fail, comma-separated; it must be empty."""

    fact: str


Demand = Holds | Within | NotBefore | Listed


@dataclass(frozen=True)
class Rule:
    """A named expectation.

    ``column`` is what a finding points at (a Listed rule points at the columns it lists); ``message`` may
    hold {value}, {column} and {expected}; ``example`` is a case in words for the documentation. A rule of severity
    empty takes out the values it points at, where the row can do without them, else it keeps the row out; ``may_lack``
    are required columns that a row can do without once they held a value.
    """

    name: str
    severity: Severity
    tables: tuple[str, ...]
    demand: Demand
    message: str
    example: str
    column: str = ""
    may_lack: tuple[str, ...] = ()


EVERY = tuple(dictionary.load_tables())
DATED = (
    "districts",
    "sections",
    "section_successors",
    "instruments",
    "jobs",
    "test_shots",
    "restoration_steps",
    "known_lengths",
)

WEEK_S = 7 * 86400.0

LOCKED = ("row_malformed", "key_empty")
"""Rules that stay at reject whatever the settings say."""
KEY_GUARDS = ("required_missing", "required_unreadable", "required_clock_change")
"""Rules that keep rows without a key out; where one is lowered, key_empty takes over for the key."""

RULES: tuple[Rule, ...] = (
    # ---- the form of a row
    Rule(
        "row_malformed",
        "reject",
        EVERY,
        Holds("is_well_formed"),
        "the row cannot be split into columns: {value}; correct its delimiters and quotes",
        "a row with 12 cells under a header of 13",
    ),
    Rule(
        "required_missing",
        "reject",
        EVERY,
        Listed("missing_columns"),
        "{column} is required and is empty; fill it in",
        "a job without loop_id",
    ),
    Rule(
        "required_unreadable",
        "reject",
        EVERY,
        Listed("unreadable_columns"),
        "{column} = '{value}' is not {expected}; correct it, or state its form in the mapping",
        "reported_at = 'yesterday'",
    ),
    Rule(
        "key_empty",
        "reject",
        EVERY,
        Listed("empty_key_columns"),
        "{column} is part of the row's key and cannot be read from '{value}'; correct it",
        "shot_no = 'first', where required_unreadable is set to warn",
    ),
    Rule(
        "value_unreadable",
        "empty",
        EVERY,
        Listed("doubtful_columns"),
        "{column} = '{value}' is not {expected}; correct it, or state its form in the mapping",
        "dug_distance_m = '12O' with a letter O",
    ),
    Rule(
        "code_unknown",
        "empty",
        EVERY,
        Listed("unknown_code_columns"),
        "{column} = '{value}' is not {expected}; translate it in the mapping, or correct it",
        "cause = 'squirrel' where animal is meant",
    ),
    Rule(
        "status_unknown",
        "reject",
        ("jobs",),
        Listed("unknown_status_columns"),
        "{column} = '{value}' is not {expected}: only closed jobs count, so an open one waits here until it is loaded "
        "closed; translate in the mapping what means closed, cancelled or, of a job closed before, open",
        "status = 'open'",
    ),
    Rule(
        "clock_change",
        "empty",
        ("jobs", "test_shots", "restoration_steps"),
        Listed("clock_columns"),
        "{column} = '{value}' does not exist or occurs twice on that night of the clock change; state the "
        "offset, e.g. -05:00",
        "located_at = 01:30 on the night the clock goes back",
    ),
    Rule(
        "required_clock_change",
        "reject",
        ("jobs", "restoration_steps"),
        Listed("required_clock_columns"),
        "{column} = '{value}' does not exist or occurs twice on that night of the clock change, and it is required: "
        "state the offset, e.g. -05:00",
        "reported_at = 02:30 on the night the clock goes forward",
    ),
    Rule(
        "key_repeated",
        "reject",
        EVERY,
        Holds("is_key_new"),
        "the key {value} is in row {expected} of the same file with other content; keep one of them, or give "
        "the later one a higher revision",
        "two rows J-17, revision 1, with different restored_at",
    ),
    Rule(
        "below_bound",
        "empty",
        EVERY,
        Listed("low_columns"),
        "{column} = '{value}' is below its bound of {expected}; correct it",
        "customers_interrupted = -4",
    ),
    # ---- references
    Rule(
        "timezone_unknown",
        "reject",
        ("districts",),
        Holds("is_timezone_known"),
        "timezone = '{value}' is not an IANA time zone; give one such as America/Chicago",
        "timezone = 'Central'",
        column="timezone",
    ),
    Rule(
        "district_unknown",
        "reject",
        ("loops", "customers_by_year"),
        Holds("is_district_known"),
        "district_id = '{value}' is not in any districts file; load the district first, or correct the id",
        "a loop of a district that was never loaded",
        column="district_id",
    ),
    Rule(
        "loop_unknown",
        "reject",
        ("terminals", "sections", "jobs", "decisions"),
        Holds("is_loop_known"),
        "loop_id = '{value}' is not in any loops file; load the loop first, or correct the id",
        "a job on loop L-999, which is not in the register",
        column="loop_id",
    ),
    Rule(
        "job_unknown",
        "warn",
        ("test_shots", "restoration_steps"),
        Holds("is_job_known"),
        "job_id = '{value}' is not in any jobs file; the row counts once its job is loaded",
        "a restoration step of a job in quarantine",
        column="job_id",
    ),
    Rule(
        "section_unknown",
        "warn",
        ("jobs", "section_pieces", "known_lengths", "decisions"),
        Holds("is_section_known"),
        "section_id = '{value}' is not in the register; the row is kept. Sections that left the "
        "register make old cable look better than it was",
        "a job of 2009 on a section deleted in 2010",
        column="section_id",
    ),
    Rule(
        "terminal_unknown",
        "warn",
        ("jobs", "test_shots", "sections"),
        Listed("unknown_terminal_columns"),
        "{column} = '{value}' is not in the register; the row is kept, but its readings cannot be placed",
        "test_terminal_id = 'T-99'",
    ),
    Rule(
        "instrument_unknown",
        "warn",
        ("jobs", "test_shots", "known_lengths"),
        Holds("is_instrument_known"),
        "instrument_id = '{value}' is not in the register; the row is kept",
        "a reading by an instrument nobody listed",
        column="instrument_id",
    ),
    Rule(
        "length_source_missing",
        "reject",
        ("known_lengths",),
        Holds("has_length_source"),
        "neither section_id nor known_length_m is given; give one of them",
        "a calibration reading on no known run",
        column="known_length_m",
    ),
    Rule(
        "decision_without_place",
        "reject",
        ("decisions",),
        Holds("is_place_named"),
        "neither loop_id nor section_id is given; name what was decided on",
        "a decision to replace, of no loop",
        column="loop_id",
    ),
    Rule(
        "run_not_named",
        "warn",
        ("known_lengths",),
        Holds("is_run_named"),
        "neither section_id nor cable_class is given; the reading says nothing until one of them is",
        "a calibration reading on 150 m of some cable",
        column="section_id",
    ),
    Rule(
        "class_unknown",
        "reject",
        ("known_lengths",),
        Holds("is_class_known"),
        "cable_class = '{value}' is the class of no section of the register; it is insulation/neutral/installation "
        "joined by /, or a name of the settings",
        "XLPE/bare/burried",
        column="cable_class",
    ),
    # ---- order of the stamps
    Rule(
        "arrived_before_dispatched",
        "empty",
        ("jobs",),
        NotBefore("arrived_latest", "dispatched_at"),
        "{column} = '{value}' cannot be: arrived_at is before dispatched_at; correct one of them",
        "sent at 10:20, on site at 10:05",
        column="dispatched_at,arrived_at",
    ),
    Rule(
        "located_before_arrived",
        "empty",
        ("jobs",),
        NotBefore("located_latest", "arrived_at"),
        "{column} = '{value}' cannot be: located_at is before arrived_at; correct one of them",
        "on site at 11:00, located at 10:40",
        column="arrived_at,located_at",
    ),
    Rule(
        "restored_before_reported",
        "empty",
        ("jobs",),
        NotBefore("restored_latest", "reported_at"),
        "restored_at = '{value}' is before reported_at; correct one of them",
        "reported at 14:00, restored at 13:10",
        column="restored_at",
    ),
    Rule(
        "repaired_before_reported",
        "empty",
        ("jobs",),
        NotBefore("repaired_latest", "reported_at"),
        "repaired_at = '{value}' is before reported_at; correct one of them",
        "repaired the day before the report",
        column="repaired_at",
    ),
    Rule(
        "stamp_after_closed",
        "empty",
        ("jobs",),
        NotBefore("closed_latest", "last_before_closing"),
        "{column} = '{value}' cannot be: closed_at is before {expected}; correct one of them",
        "closed on 3 May, back to normal on 9 May",
    ),
    Rule(
        "time_in_future",
        "empty",
        DATED,
        NotBefore("now_at", "last_stamp"),
        "{column} = '{value}' lies in the future; correct it",
        "reported_at in 2062 where 2026 is meant",
    ),
    Rule(
        "reported_after_all",
        "reject",
        ("jobs",),
        Holds("is_reported_possible"),
        "reported_at = '{value}' is after every other stamp of the job ({expected}); correct it",
        "reported on 14 June, restored, repaired and closed on 14 January",
        column="reported_at",
    ),
    Rule(
        "not_yet_installed",
        "reject",
        ("sections", "section_pieces"),
        NotBefore("now_at", "installed_from"),
        "installed_on = '{value}' lies in the future: nothing can be counted from cable that is not in the ground; "
        "load it once it is, or correct the date",
        "a section planned for 2031",
        column="installed_on",
    ),
    Rule(
        "dispatched_before_reported",
        "warn",
        ("jobs",),
        NotBefore("dispatched_latest", "reported_at"),
        "dispatched_at = '{value}' is before reported_at; the stage is left out",
        "crew sent at 09:58, first call written at 10:02",
        column="dispatched_at",
    ),
    Rule(
        "restored_before_located",
        "warn",
        ("jobs",),
        NotBefore("restored_latest", "located_at"),
        "restored_at = '{value}' is before located_at: a temporary cable, or clocks that differ",
        "customers back on a temporary cable before the fault was found",
        column="restored_at",
    ),
    Rule(
        "restored_equals_closed",
        "warn",
        ("jobs",),
        Holds("is_restored_not_closed"),
        "restored_at = '{value}' equals closed_at: probably closed in a batch, so the time to restore is unreliable",
        "both stamps 2019-04-02 16:30",
        column="restored_at",
    ),
    Rule(
        "span_over_7_days",
        "warn",
        ("jobs",),
        Within("span_s", high=WEEK_S),
        "restored_at = '{value}' is more than 7 days after reported_at; check the dates",
        "reported 3 March, restored 13 March",
        column="restored_at",
    ),
    Rule(
        "failure_before_installation",
        "warn",
        ("jobs",),
        Holds("is_after_installation"),
        "section_id = '{value}' was installed after this job was reported; probably the section that replaced it",
        "a failure of 1998 on a section installed in 2004",
        column="section_id",
    ),
    # ---- lengths, distances, velocities
    Rule(
        "distance_negative",
        "empty",
        ("jobs", "test_shots", "known_lengths"),
        Listed("negative_columns"),
        "{column} = '{value}' is negative; correct it",
        "dug_distance_m = -12",
    ),
    Rule(
        "length_not_positive",
        "reject",
        ("sections", "section_pieces", "known_lengths"),
        Within("length_checked_m", low=0.0, low_open=True),
        "the length '{value}' is not above 0; correct it",
        "length_m = 0",
        column="length_m",
    ),
    Rule(
        "velocity_out_of_range",
        "empty",
        ("jobs", "test_shots", "known_lengths"),
        Within("velocity_setting_pct", low=30.0, high=80.0),
        "velocity_setting_pct = '{value}' is outside 30 to 80 % of c; state its convention in the mapping "
        "(percent, fraction, m_per_us, half_m_per_us, ft_per_us, half_ft_per_us)",
        "0.53 given as a fraction",
        column="velocity_setting_pct",
    ),
    Rule(
        "velocity_unusual",
        "warn",
        ("jobs",),
        Holds("is_velocity_usual"),
        "velocity_setting_pct = '{value}' is outside the usual band of its class (extruded 48 to 60, PILC 38 to 57)",
        "66 % on XLPE",
        column="velocity_setting_pct",
    ),
    Rule(
        "distance_beyond_loop",
        "warn",
        ("jobs",),
        Listed("beyond_loop_columns"),
        "{column} = '{value}' is longer than the whole loop; perhaps feet for metres",
        "estimated_distance_m = 2100 on a loop of 900 m",
    ),
    Rule(
        "estimate_equals_dug",
        "warn",
        ("jobs",),
        Holds("is_estimate_own"),
        "estimated_distance_m = '{value}' equals the dug distance to the digit: filled in afterwards, and left out "
        "of the accuracy",
        "both 137.2",
        column="estimated_distance_m",
    ),
    # ---- sections
    Rule(
        "retired_before_installed",
        "empty",
        ("sections",),
        NotBefore("retired_at", "installed_at"),
        "installed_on = '{value}' is after retired_on ({expected}); correct one of them",
        "installed 1988, retired 1979",
        column="installed_on",
    ),
    Rule(
        "install_date_missing",
        "warn",
        ("sections",),
        Holds("is_install_date_given"),
        "installed_on is empty; the section's age is not known",
        "installed_on left empty",
        column="installed_on",
    ),
    Rule(
        "install_date_default",
        "warn",
        ("sections",),
        Holds("is_install_date_chosen"),
        "installed_on = '{value}' is a system's default date, not an installation",
        "installed_on = 1970-01-01",
        column="installed_on",
    ),
    Rule(
        "install_date_impossible",
        "warn",
        ("sections",),
        Holds("is_install_date_possible"),
        "installed_on = '{value}' is earlier than this insulation was made",
        "TRXLPE installed in 1975",
        column="installed_on",
    ),
    Rule(
        "loop_not_one_chain",
        "warn",
        ("sections",),
        Holds("is_loop_chained"),
        "the sections of loop '{value}' do not form one chain at every date: {expected}. A gap that ends with an "
        "installation is a predecessor that left the register",
        "position 3 was installed in 2009 and nothing lay there before, while positions 2 and 4 are of 1978",
        column="loop_id",
    ),
    Rule(
        "cable_changed",
        "reject",
        ("sections",),
        Holds("is_cable_told"),
        "section {value} is said to be another cable, a new one or a correction of the register: {expected}. The old "
        "row is kept; say which it is by changed_cable = 'new' or 'correction' in the mapping or under [intake] of the "
        "settings, or by a row of section_successors, and load the file again",
        "insulation EPR where XLPE was, with the day of installation as before",
        column="section_id",
    ),
    # ---- corrections
    Rule(
        "correction_stale",
        "reject",
        ("corrections",),
        Holds("is_correction_current"),
        "{expected}; nothing is changed: export the proposals again, or correct value_now",
        "a correction of an estimate that was revised in the meantime",
        column="value_now",
    ),
    Rule(
        "cluster_stale",
        "reject",
        ("job_clusters",),
        Holds("is_cluster_current"),
        "{expected}; nothing is changed: export the clusters again, or correct the two ids",
        "a job to be joined with one that was cancelled in the meantime",
        column="joined_with",
    ),
    # ---- customers
    Rule(
        "more_restored_than_interrupted",
        "empty",
        ("restoration_steps",),
        Holds("is_restored_within"),
        "the steps of this job restore more customers than were interrupted ({expected}); correct the steps or the job",
        "steps of 80 and 60 on a job of 120 customers",
        column="customers_restored",
        may_lack=("customers_restored",),
    ),
    Rule(
        "steps_not_adding_up",
        "warn",
        ("restoration_steps",),
        Holds("is_restored_whole"),
        "the steps of this job do not add up to the customers interrupted ({expected})",
        "steps of 80 and 20 on a job of 120 customers",
        column="customers_restored",
    ),
    # ---- jobs against jobs
    Rule(
        "possible_duplicate",
        "warn",
        ("jobs",),
        Holds("is_alone_on_loop"),
        "another job on this loop was reported within 15 minutes ({expected}): possibly the same fault; both are kept",
        "J-17 at 10:02 and J-18 at 10:09 on one loop",
        column="reported_at",
    ),
    Rule(
        "possible_reopened",
        "warn",
        ("jobs",),
        Holds("is_first_on_spot"),
        "another job on this section within 30 days and 3 m ({expected}): possibly re-opened, or a failed repair",
        "two digs at 141 m and 142 m two weeks apart",
        column="section_id",
    ),
)


CAN_EMPTY = {r.name for r in RULES if r.column or isinstance(r.demand, Listed | NotBefore)} - set(LOCKED)
"""Rules that point at values of a row, which can be taken out."""


def emptied_columns(rule: Rule, table: str) -> tuple[str, ...]:
    """Columns of a table whose value a rule may take out of a row: all that the row can do without."""
    facts = dictionary.load_tables()[table]
    needed = {*facts.key, *facts.required} - set(rule.may_lack)
    return tuple(c for c in facts.source_columns if c not in needed)


def rules_for(table: str, settings: Settings) -> tuple[Rule, ...]:
    """Rules of one table with the severities of the settings; those turned off are left out.

    Raises
    ------
    UserError
        A severity is set for a rule that does not exist, or that it cannot have.

    Notes
    -----
    Checked by: tests/unit/test_validation_rules.py
    """
    chosen = _chosen_severities(settings)
    ours = [replace(r, severity=chosen.get(r.name, r.severity)) for r in RULES if table in r.tables]
    lowered = any(chosen.get(name, "reject") != "reject" for name in KEY_GUARDS)
    return tuple(r for r in ours if r.severity != "off" and (r.name != "key_empty" or lowered))


def file_rules_for(table: str, settings: Settings) -> tuple[FileRule, ...]:
    """Rules of the files of one table with the severities of the settings; those turned off are left out.

    Checked by: tests/unit/test_validation_file_rules.py
    """
    chosen = _chosen_severities(settings)
    ours = (replace(r, severity=chosen.get(r.name, r.severity)) for r in FILE_RULES if table in r.tables)
    return tuple(r for r in ours if r.severity != "off")


def _chosen_severities(settings: Settings) -> dict[str, Severity]:
    names = [*(r.name for r in RULES), *(r.name for r in FILE_RULES)]
    chosen: dict[str, Severity] = {}
    for name, word in settings.validation.severities.items():
        if name not in names:
            raise UserError(f"there is no rule '{name}'", "setting validation.severities", suggest_name(name, names))
        known = [severity for severity in SEVERITIES if severity == word]
        if not known:
            raise UserError(
                f"severity '{word}' of rule '{name}' is unknown",
                "setting validation.severities",
                "give reject, empty, warn or off",
            )
        if name in LOCKED and known[0] != "reject":
            raise UserError(
                f"rule '{name}' cannot be turned to {word}",
                "setting validation.severities",
                "leave it at reject: a row that cannot be split into columns, or has no key, cannot be kept",
            )
        if known[0] == "empty" and name not in CAN_EMPTY:
            raise UserError(
                f"rule '{name}' cannot be turned to empty",
                "setting validation.severities",
                "give reject, warn or off: it points at no value of a row that could be taken out",
            )
        chosen[name] = known[0]
    return chosen
