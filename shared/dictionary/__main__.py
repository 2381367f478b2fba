"""Writes DATA_DICTIONARY.md from the TOML files beside it: python -m shared.dictionary."""

from __future__ import annotations

from shared import dictionary
from shared.dictionary import HERE

PAGE = HERE / "DATA_DICTIONARY.md"

LAYERS = {
    "raw": "What goes in: every revision of every row as loaded, in metres, percent of c and UTC. "
    "A file whose stem is a table's name and whose header holds these columns loads without a mapping.",
    "staging": "The latest word on each thing; one a source table, no joins.",
    "core": "Judgements made once: what counts, what is in view, which stamps make a stage.",
    "fitted": "Estimates, written by the steps of the topics.",
    "marts": "What is exported and shown.",
}


def describe_dictionary() -> str:
    """The page as Markdown."""
    lines = [
        "# Data dictionary",
        "",
        "Made from the TOML files beside it by `python -m shared.dictionary`; do not edit. Times are instants kept in",
        "UTC, lengths metres, velocities percent of c (299.792458 m/us); empty means unknown.",
        "",
    ]
    for layer, words in LAYERS.items():
        lines += [f"## {layer}", "", words, ""]
        for table in dictionary.tables().values():
            if table.layer != layer:
                continue
            exported = " Exported." if table.export else ""
            lines += [f"### {table.name}", "", f"One row is {table.grain}. Key: {', '.join(table.key)}.{exported}", ""]
            lines += [f"> {dictionary.caveats()[key]}" + "\n" for key in table.caveats]
            lines += ["| column | type | unit | meaning |", "|---|---|---|---|"]
            for name in table.columns:
                column = dictionary.columns()[name]
                mark = " (required)" if name in table.required else " (wanted)" if name in table.wanted else ""
                of = f" Codes: {column.codes}." if column.codes else ""
                lines.append(f"| {name}{mark} | {column.type} | {column.unit or ''} | {table.meaning_of(name)}.{of} |")
            lines.append("")
    lines += ["## Codes", ""]
    for name, listed in dictionary.codes().items():
        lines += [f"### {name}", "", "| code | meaning |", "|---|---|"]
        lines += [f"| {code} | {meaning} |" for code, meaning in listed.items()] + [""]
    return "\n".join(lines)


if __name__ == "__main__":
    PAGE.write_text(describe_dictionary(), encoding="utf-8")
    print(f"wrote {PAGE}")
