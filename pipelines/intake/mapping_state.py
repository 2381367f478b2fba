"""What a block of a mapping says of the state its files tell: whether they are whole, and what a changed cable is."""

import datetime as dt
from typing import Any

from pipelines.intake.mapping_place import Place

STATE_KEYS = {"snapshot": bool, "gone": str, "taken_on": str, "changed_cable": str}
CLOSABLE = ("loops", "sections", "jobs")
"""Tables whose things can be closed when a snapshot lacks them; of the others what is gone is kept."""


def parse_state(place: Place, block: dict[str, Any], number: int) -> dict[str, Any]:
    """The fields of a TableSource that a block's snapshot, gone, taken_on and changed_cable say, checked.

    Checked by: tests/unit/test_intake_snapshots.py (through parse_mapping_text)
    """
    gone, table, reading = block.get("gone"), block["to"], block.get("changed_cable")
    if gone not in (None, "close", "keep"):
        place.fail(f"gone = {gone!r} is neither close nor keep", "give one of them, or leave it out", "gone", number)
    if gone and not block.get("snapshot"):
        place.fail("gone is said of files that are no snapshot", "add snapshot = true", "gone", number)
    if gone == "close" and table not in CLOSABLE:
        remedy = f"leave it out: only {', '.join(CLOSABLE)} can be closed"
        place.fail(f'gone = "close" means nothing for {table}', remedy, "gone", number)
    if reading not in (None, "new", "correction"):
        remedy = "give new or correction, or leave it out to be asked"
        place.fail(f"changed_cable = {reading!r} is no reading of a changed cable", remedy, "changed_cable", number)
    if reading and table != "sections":
        place.fail(f"changed_cable means nothing for {table}", "say it of sections", "changed_cable", number)
    try:
        taken_on = dt.date.fromisoformat(block["taken_on"]) if "taken_on" in block else None
    except ValueError:
        remedy = 'write the day as in taken_on = "2025-06-30"'
        place.fail(f"taken_on = {block['taken_on']!r} is no day", remedy, "taken_on", number)
    if gone == "close" and taken_on is None:
        remedy = 'add the day that the files are of, as in taken_on = "2025-06-30"'
        place.fail('gone = "close" without the day on which they were taken', remedy, "gone", number)
    return {"snapshot": block.get("snapshot", False), "gone": gone, "taken_on": taken_on, "changed_cable": reading}
