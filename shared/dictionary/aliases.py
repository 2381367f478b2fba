"""What utilities call the columns and codes of the dictionary: words of the trade, for guessing a mapping."""

import re
from functools import cache

from shared.dictionary import load_tables

HEADERS: dict[str, tuple[str, ...]] = {
    column: tuple(said.split(", "))
    for column, said in {
        "job_id": "job, job no, job number, work order, wo, wo number, order no, ticket, ticket no, outage id, "
        "outage no, incident, incident id, case, case no, event id",
        "revision": "rev, version, revision no",
        "status": "state, job status",
        "loop_id": "loop, loop no, loop name, loop number, urd loop, ug loop, circuit loop, tap",
        "section_id": "section, section no, segment, segment id, cable id, cable section, span, span id",
        "terminal_id": "terminal, device, device id, transformer, pad, pad no, equipment, switching point",
        "district_id": "district, region, area, division, service area",
        "instrument_id": "instrument, tester, test set, set no, locator, reflectometer, unit no, serial, box",
        "reported_at": "reported, off, time off, date off, outage start, incident date, outage time, off time, "
        "start time, interruption start, call received, first call, called in, called, out, began, fault time",
        "dispatched_at": "dispatched, dispatch, to dispatch, sent, crew sent, assigned",
        "arrived_at": "arrived, arrive, arrival, on site, onsite, crew arrived",
        "located_at": "located, locate, found, isolated, section found, fault found, sectionalized",
        "restored_at": "restored, restore, on, time on, date on, back on, last customer, all on, restoration, "
        "last restored, power restored, power back, customers back, all back",
        "pinpointed_at": "pinpointed, pinpoint, spotted",
        "repaired_at": "repaired, repair done, repair complete, repair tested, fixed, mended",
        "normal_at": "normal, back to normal, normalized, normalised, returned to normal",
        "closed_at": "closed, close date, completed, paper closed, date closed, filed",
        "customers_interrupted": "customers, cust, customers out, customers affected, cust out, cust affected, "
        "no of customers, meters out",
        "customer_minutes": "cmi, cust min, customer min, customer minutes interrupted",
        "crew_id": "crew, crew no, gang, line crew",
        "method": "locating method, how located, how found",
        "velocity_setting_pct": "vop, vel, velocity, velocity setting, velocity factor, vf, nvp, prop velocity, "
        "velocity of propagation, v/2, half velocity, speed, half speed",
        "pulse_ns": "pulse, pulse width, pulse width ns, pulse length",
        "range_m": "range, range set, display range",
        "sampling_m": "sampling, sample spacing, point spacing",
        "cable_class": "cable class",
        "test_terminal_id": "test point, tested from, shot from, test terminal, from pad",
        "toward_terminal_id": "toward, towards, shot toward, direction, to pad",
        "estimated_distance_m": "estimate, estimated, estimated distance, est dist, tdr distance, reading, "
        "distance to fault, dtf, displayed distance, located at distance, shown, distance shown",
        "far_end_distance_m": "far end, end distance, end of cable, far end distance",
        "far_end_terminal_id": "far end terminal, far end at, end terminal",
        "dug_distance_m": "dug, dug distance, actual, actual distance, dig distance, measured distance, "
        "true distance, taped",
        "dug_method": "measured by, how measured, dug by",
        "failed_component": "component, failed part, failed component, equipment failed, what failed",
        "cause": "cause code, failure cause, reason, why",
        "test_shots": "shots, tests, no of tests, no of shots",
        "major_event": "major, med, major event day, storm",
        "repair_cost": "cost, total cost, repair cost",
        "notes": "remarks, comments, comment, note, description",
        "position": "pos, sequence, seq, order, no in loop",
        "from_terminal_id": "from, from pad, from device, start, from terminal, from point",
        "to_terminal_id": "to, to pad, to device, end, to terminal, to point",
        "length_m": "length, len, cable length, footage, section length",
        "insulation": "insul, cable type, insulation type, type of cable, material",
        "neutral": "neutral type, concentric neutral, cn, jacket",
        "installation": "installed in, laid, db or duct, in duct",
        "conductor": "size, wire size, conductor size, cable size",
        "installed_on": "installed, install date, install year, year installed, vintage, date installed, "
        "installation date, in service, in service date, year in",
        "retired_on": "retired, removed, date removed, retire date, out of service",
        "retired_because": "retired why, retire reason, removal reason",
        "rejuvenated_on": "injected, injection date, rejuvenated, treated",
        "step_at": "step time, switched at, switched, time",
        "customers_restored": "restored, customers back, cust restored, customers switched, back on",
        "recorded_from": "records from, records since, on record from",
        "timezone": "time zone, tz",
        "customers_served": "customers served, total customers, meters",
        "normal_open_terminal_id": "normal open, nop, open point, n.o.",
        "voltage_kv": "kv, voltage",
        "feeder_id": "feeder, circuit, circuit no",
        "substation": "station, sub",
        "kind": "type, terminal type, device type, equipment type",
        "tail_m": "tail, riser, cable above ground",
        "x": "easting, longitude, lon, x coord",
        "y": "northing, latitude, lat, y coord",
        "name": "district name, region name, area name",
        "year": "calendar year",
        "customers": "cust, customers fed, connected customers",
        "customers_residential": "residential customers, homes, households",
        "customers_business": "business customers, businesses, commercial customers",
        "customers_critical": "critical customers, priority customers",
        "from_m": "from metre, starts at",
        "to_m": "to metre, ends at",
        "read_on": "read, tested, test date, date read, date tested",
        "reading_m": "reading, shown, displayed",
        "known_length_m": "known length, true length, taped length",
        "in_service_on": "in service, in use since, bought",
        "last_calibrated_on": "calibrated, last calibrated, last calibration, calibration",
        "lead_length_m": "lead, lead length, test lead",
        "shot_no": "shot, test no, test number, pulse no",
        "shot_at": "shot, shot time, test time, tested",
        "result": "outcome, test result, shot result",
        "fault_distance_m": "fault at, distance, fault distance",
    }.items()
}
"""Headers by column, without units, case or punctuation."""

CODES: dict[str, dict[str, str]] = {
    column: {word: code for code, said in codes.items() for word in said.split(", ")}
    for column, codes in {
        "cause": {
            "dig_in": "dig in, dug into, third party, excavation",
            "water_treeing": "wt, water tree, treeing",
            "insulation_breakdown": "insulation, insulation failure, deteriorated",
            "neutral_corrosion": "corrosion, corroded neutral",
            "workmanship": "bad workmanship",
            "moisture": "water, wet",
            "overload": "overloaded",
            "animal": "rodent, squirrel",
            "vehicle": "car, truck",
            "unknown": "unk, not known, ?",
            "other": "misc",
        },
        "failed_component": {
            "cable": "primary cable, cbl",
            "splice": "joint",
            "termination": "term, terminator",
            "elbow": "load break elbow",
            "transformer": "xfmr, tx",
            "unknown": "unk",
        },
        "method": {
            "arc_reflection": "arc reflection, arc",
            "pulse_reflection": "tdr, pulse",
            "surge": "thumper, thumped, thump",
            "sectionalizing": "sectionalize, sectionalising, half splitting, halving",
            "visual": "fci",
        },
        "insulation": {
            "XLPE": "xlpe",
            "TRXLPE": "tr-xlpe, trxlpe, tr xlpe",
            "HMWPE": "hmw, hmwpe, pe",
            "EPR": "epr, rubber",
            "PILC": "pilc, lead, paper",
        },
        "neutral": {"bare": "bcn, bare cn", "jacketed": "jcn, jkt, jacket"},
        "installation": {"buried": "db, direct buried, direct", "duct": "conduit, cond"},
        "dug_method": {"taped": "tape", "wheeled": "wheel", "paced": "paces", "map": "gis"},
        "status": {"closed": "complete, completed, done", "cancelled": "cancel, canceled, void"},
        "configuration": {"loop": "looped", "radial": "radial tap"},
    }.items()
}
"""Words found in code columns, and the code meant."""

UNIT_WORDS: dict[str, str] = {
    "ft": "ft",
    "feet": "ft",
    "foot": "ft",
    "footage": "ft",
    "m": "m",
    "metre": "m",
    "metres": "m",
    "meter": "m",
    "meters": "m",
    "km": "km",
    "kft": "kft",
    "mi": "miles",
    "mile": "miles",
    "miles": "miles",
}


IDLE_WORDS = ("id", "at", "dt", "date", "time", "datetime", "pct", "#")


def plain_words(text: str) -> str:
    """A header as plain lower-case words: camel case parted, punctuation, units and what it lies within left out."""
    inner = re.fullmatch(r"(?:\w[^.]*\.)+(\w[^.]+)", text)  # times.arrived: the nested name alone
    parted = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", inner[1] if inner else text)
    words = re.sub(r"[^a-z0-9/.]+", " ", parted.casefold()).split()
    kept = [w for w in words if w not in UNIT_WORDS and w not in IDLE_WORDS]
    return " ".join(kept or words)


@cache
def header_score(header: str, column: str) -> float:
    """How well a header says a column, between 0 and 1: 1 for its own name, less the further the words are apart."""
    if header.strip().casefold() == column:
        return 1.0
    if " ".join(header.casefold().split()) in HEADERS.get(column, ()):
        return 0.95  # whole, words of units included: meters out are customers
    said, names = plain_words(header), _names(column)
    if said in names:
        return 0.9
    words = set(said.split())
    return 0.8 * max((len(words & n) / len(words | n) for n in names.values() if n), default=0.0)


@cache
def _names(column: str) -> dict[str, frozenset[str]]:
    """What a column is called, in plain words, and the words of each."""
    names = (plain_words(column.replace("_", " ")), *(plain_words(a) for a in HEADERS.get(column, ())))
    return {n: frozenset(n.split()) for n in names}


@cache
def likeness_to_any(header: str) -> float:
    """How well a header says the column it says best."""
    columns = {c for table in load_tables().values() for c in table.source_columns}
    return max(header_score(header, c) for c in columns)
