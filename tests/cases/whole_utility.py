"""Rows for every table that can be loaded: two zones, revisions, a cancelled job, slips, decisions and faulty rows."""

from __future__ import annotations

from tests.cases.small_utility import TABLES, Row

LOOPS = ("L1", "L2", "L3")


def _numbered(table: str, rows: list[Row]) -> list[Row]:
    """Changes laid over the table's first row."""
    return [TABLES[table][0] | row for row in rows]


def _jobs() -> list[Row]:
    jobs = [dict(row) for row in TABLES["jobs"]]
    for number in range(4, 11):
        jobs.append(
            jobs[0]
            | {
                "job_id": f"J{number}",
                "loop_id": LOOPS[number % 3],
                "section_id": f"S{number % 7 + 1}",
                "reported_at": f"2018-{number:02d}-03 09:{number + 10}",
                "dispatched_at": "",
                "arrived_at": "",
                "located_at": "",
                "restored_at": f"2018-{number:02d}-03 15:00",
                "pinpointed_at": "",
                "repaired_at": "",
                "normal_at": "",
                "closed_at": f"2018-{number:02d}-05",
                "estimated_distance_m": f"{50 + number}.25",
                "dug_distance_m": f"{49 + number}.5",
                "notes": f"Señal {number} ½ über der Straße",
            }
        )
    jobs[3] = jobs[4] | {"job_id": "J4", "reported_at": "2018-05-03 09:22"}
    jobs.append(jobs[1] | {"revision": "2", "loop_id": "L3", "section_id": "S6", "repair_cost": "7000.5"})
    jobs.append(jobs[2] | {"revision": "2", "status": "cancelled"})
    jobs.append(jobs[5] | {"job_id": "J20", "cause": "squirrel", "dug_distance_m": "12O"})
    jobs.append(jobs[5] | {"job_id": "J21", "loop_id": "nowhere"})
    jobs.append(jobs[5] | {"job_id": "J22", "reported_at": "2018-03-11 02:30"})
    return jobs


WHOLE: dict[str, list[Row]] = {
    "districts": _numbered("districts", [{}, {"district_id": "D2", "name": "Süd", "timezone": "America/Denver"}]),
    "customers_by_year": _numbered("customers_by_year", [{}, {"year": "2017"}, {"district_id": "D2"}]),
    "loops": [
        *TABLES["loops"],
        TABLES["loops"][0] | {"loop_id": "L3", "district_id": "D2", "normal_open_terminal_id": "T9"},
    ],
    "terminals": [
        *TABLES["terminals"],
        *_numbered(
            "terminals",
            [
                {"terminal_id": f"T{n}", "loop_id": "L3", "tail_m": f"{n}.5", "x": str(n), "y": "2.25"}
                for n in (8, 9, 10)
            ],
        ),
    ],
    "sections": [
        *TABLES["sections"],
        *_numbered(
            "sections",
            [
                {
                    "section_id": f"S{n}",
                    "loop_id": "L3",
                    "position": str(n - 5),
                    "from_terminal_id": f"T{n + 2}",
                    "to_terminal_id": f"T{n + 3}",
                    "length_m": f"{n}1.75",
                    "installed_on": "1991",
                }
                for n in (6, 7)
            ],
        ),
    ],
    "section_successors": _numbered(
        "section_successors", [{}, {"old_id": "S9", "new_id": "S4", "kind": "renumbered", "on": "2011-02-01"}]
    ),
    "section_pieces": _numbered(
        "section_pieces",
        [
            {},
            {"from_m": "40.5", "to_m": "42.25"},
            {"section_id": "S6", "from_m": "3", "to_m": "9"},
            {"section_id": "S7", "from_m": "9", "to_m": "3"},
        ],
    ),
    "instruments": _numbered(
        "instruments",
        [{}, {"instrument_id": "R2", "lead_length_m": "3.25"}, {"instrument_id": "R3", "lead_length_m": ""}],
    ),
    "jobs": _jobs(),
    "test_shots": _numbered(
        "test_shots",
        [
            {},
            {"shot_no": "2", "fault_distance_m": "40.75"},
            {"job_id": "J4", "far_end_distance_m": "88.5"},
            {"job_id": "J99"},
        ],
    ),
    "restoration_steps": [
        *TABLES["restoration_steps"],
        *_numbered(
            "restoration_steps",
            [
                {"job_id": "J5", "step_at": "2018-05-03 11:00", "customers_restored": "90"},
                {"job_id": "J6", "step_at": "2018-06-03 11:00", "customers_restored": "500"},
            ],
        ),
    ],
    "known_lengths": _numbered(
        "known_lengths",
        [
            {},
            {"reading_m": "151.25"},
            {"instrument_id": "R2", "section_id": "S1", "known_length_m": ""},
            {"known_length_m": ""},
        ],
    ),
    "decisions": [
        {
            "decision_id": "D1",
            "loop_id": "L1",
            "section_id": "S1",
            "decision": "replace",
            "year": "2027",
            "project_id": "Hüttenweg",
            "reason": "with the road",
            "decided_on": "2018-11-01",
            "cost_recorded": "",
        },
        {
            "decision_id": "D2",
            "loop_id": "L3",
            "section_id": "",
            "decision": "wait",
            "year": "2",
            "project_id": "",
            "reason": "",
            "decided_on": "2018-11-02",
            "cost_recorded": "1250.5",
        },
    ],
    "job_clusters": [
        {"job_id": "J5", "joined_with": "J4", "cluster_decision": "join", "grounds": "one outage, two tickets"},
        {"job_id": "J7", "joined_with": "J8", "cluster_decision": "", "grounds": ""},
    ],
    "corrections": [
        {
            "job_id": "J1",
            "column": "crew_id",
            "slip": "",
            "value_now": "C1",
            "value_proposed": "Señor 4",
            "decision": "apply",
            "grounds": "",
        },
        {
            "job_id": "J2",
            "column": "crew_id",
            "slip": "",
            "value_now": "C9",
            "value_proposed": "C2",
            "decision": "apply",
            "grounds": "stale: it never was C9",
        },
    ],
}
"""Rows by table; what is quarantined and warned of is part of what must stay the same."""
