"""A small invented utility for the tests of intake: two loops, five sections, three jobs, all without fault."""

from __future__ import annotations

import csv
from pathlib import Path

Row = dict[str, str]

TABLES: dict[str, list[Row]] = {
    "districts": [
        {
            "district_id": "D1",
            "name": "North",
            "timezone": "America/Chicago",
            "recorded_from": "2005-01-01",
            "customers_served": "20000",
        }
    ],
    "customers_by_year": [{"district_id": "D1", "year": "2018", "customers_served": "19500"}],
    "loops": [
        {
            "loop_id": "L1",
            "district_id": "D1",
            "configuration": "loop",
            "voltage_kv": "12.47",
            "customers": "120",
            "normal_open_terminal_id": "T3",
        },
        {
            "loop_id": "L2",
            "district_id": "D1",
            "configuration": "radial",
            "voltage_kv": "12.47",
            "customers": "60",
            "normal_open_terminal_id": "",
        },
    ],
    "terminals": [
        {
            "terminal_id": f"T{n}",
            "loop_id": "L1" if n < 5 else "L2",
            "kind": "transformer",
            "customers": "30",
            "tail_m": "2.0",
            "x": str(n),
            "y": "0",
        }
        for n in range(1, 8)
    ],
    "sections": [
        {
            "section_id": f"S{n}",
            "loop_id": "L1" if n < 4 else "L2",
            "position": str(n if n < 4 else n - 3),
            "from_terminal_id": f"T{n if n < 4 else n + 1}",
            "to_terminal_id": f"T{n + 1 if n < 4 else n + 2}",
            "length_m": str(100 + 10 * n),
            "insulation": "XLPE",
            "neutral": "bare",
            "installation": "buried",
            "conductor": "1/0 AL",
            "installed_on": "1984-05-01",
            "retired_on": "",
            "retired_because": "",
            "rejuvenated_on": "",
            "customers": "30",
        }
        for n in range(1, 6)
    ],
    "section_successors": [{"old_id": "S0", "new_id": "S1", "kind": "replaced", "on": "1984-05-01", "share": "1"}],
    "section_pieces": [
        {
            "section_id": "S1",
            "from_m": "10",
            "to_m": "25",
            "insulation": "EPR",
            "neutral": "jacketed",
            "installation": "buried",
            "installed_on": "2009",
        }
    ],
    "instruments": [
        {
            "instrument_id": "R1",
            "in_service_on": "2004-01-01",
            "last_calibrated_on": "2017-03-01",
            "lead_length_m": "1.5",
        }
    ],
    "jobs": [
        {
            "job_id": f"J{n}",
            "revision": "1",
            "status": "closed",
            "loop_id": "L1",
            "section_id": f"S{n}",
            "reported_at": f"2018-0{n}-10 10:00",
            "dispatched_at": f"2018-0{n}-10 10:09",
            "arrived_at": f"2018-0{n}-10 10:40",
            "located_at": f"2018-0{n}-10 11:30",
            "restored_at": f"2018-0{n}-10 12:15",
            "pinpointed_at": f"2018-0{n}-10 14:00",
            "repaired_at": f"2018-0{n}-10 19:20",
            "normal_at": f"2018-0{n}-12 09:10",
            "closed_at": f"2018-0{n}-14 15:45",
            "customers_interrupted": "90",
            "customer_minutes": "",
            "crew_id": "C1",
            "method": "arc_reflection",
            "instrument_id": "R1",
            "velocity_setting_pct": "53",
            "test_terminal_id": f"T{n}",
            "toward_terminal_id": f"T{n + 1}",
            "estimated_distance_m": f"{40 + n}.5",
            "far_end_distance_m": "",
            "far_end_terminal_id": "",
            "dug_distance_m": f"{39 + n}.0",
            "dug_method": "taped",
            "failed_component": "cable",
            "cause": "water_treeing",
            "test_shots": "3",
            "major_event": "false",
            "repair_cost": "6100",
            "notes": "",
        }
        for n in range(1, 4)
    ],
    "test_shots": [
        {
            "job_id": "J1",
            "shot_no": "1",
            "shot_at": "2018-01-10 11:00",
            "terminal_id": "T1",
            "toward_terminal_id": "T2",
            "instrument_id": "R1",
            "velocity_setting_pct": "53",
            "far_end_terminal_id": "",
            "far_end_distance_m": "",
            "result": "fault_seen",
            "fault_distance_m": "41.0",
        }
    ],
    "restoration_steps": [
        {"job_id": "J1", "step_at": "2018-01-10 11:40", "customers_restored": "50"},
        {"job_id": "J1", "step_at": "2018-01-10 12:15", "customers_restored": "40"},
    ],
    "known_lengths": [
        {
            "instrument_id": "R1",
            "read_on": "2017-03-01",
            "section_id": "",
            "cable_class": "XLPE/bare/buried",
            "known_length_m": "150",
            "reading_m": "150.4",
            "velocity_setting_pct": "53",
        }
    ],
}


def with_changes(table: str, *changed: dict[str, str]) -> list[Row]:
    """Rows of a table, the first with some cells changed, the second with others, and so on."""
    rows = [dict(row) for row in TABLES[table]]
    for row, change in zip(rows, changed, strict=False):
        row.update(change)
    return rows


def write_csv(path: Path, rows: list[Row], delimiter: str = ",", encoding: str = "utf-8") -> Path:
    """Write rows under their own column names."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", encoding=encoding, newline="") as handle:
        writer = csv.DictWriter(handle, list(rows[0]), delimiter=delimiter, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    return path


def write_utility(folder: Path, **replaced: list[Row]) -> Path:
    """Write the whole utility as canonical CSV files, some tables replaced."""
    for table, rows in {**TABLES, **replaced}.items():
        write_csv(folder / f"{table}.csv", rows)
    return folder
