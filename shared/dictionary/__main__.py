"""The dictionary's page, and where a column comes from.

python -m shared.dictionary                writes DATA_DICTIONARY.md from the TOML files beside it
python -m shared.dictionary where COLUMN   every table with the column, exported ones first: its maker and its inputs;
                                           TABLE.COLUMN: of that table alone
"""

import sys

from shared import dictionary
from shared.dictionary import HERE, lineage

PAGE = HERE / "DATA_DICTIONARY.md"

LAYERS = {
    "raw": "What goes in: every revision of every row as loaded, in metres, percent of c and UTC. "
    "A file whose stem is a table's name and whose header holds these columns loads without a mapping.",
    "staging": "The latest word on each thing; one a source table, no joins.",
    "core": "Judgements made once: what counts, what is observed, which stamps make a stage.",
    "fitted": "Estimates that other tables are made from and that nobody exports.",
    "marts": "What is exported and shown.",
    "scenarios": "What `loopwear compare` writes, beside its page; no refresh makes it.",
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
            if layer != "raw":
                lines += [f"Made by `{lineage.maker_of(table)}`.", ""]
            lines += [f"> {dictionary.caveats()[key]}" + "\n" for key in table.caveats]
            lines += ["| column | type | unit | meaning |", "|---|---|---|---|"]
            for name in table.columns:
                column = table.column(name)
                mark = " (required)" if name in table.required else " (wanted)" if name in table.wanted else ""
                of = f" Codes: {column.codes}." if column.codes else ""
                lines.append(f"| {name}{mark} | {column.type} | {column.unit or ''} | {column.meaning}.{of} |")
            lines.append("")
    lines += ["## Codes", ""]
    for name, listed in dictionary.codes().items():
        lines += [f"### {name}", "", "| code | meaning |", "|---|---|"]
        lines += [f"| {code} | {meaning} |" for code, meaning in listed.items()] + [""]
    return "\n".join(lines)


def main(arguments: list[str]) -> int:
    if not arguments:
        PAGE.write_text(describe_dictionary(), encoding="utf-8")
        print(f"wrote {PAGE}")
    elif arguments[0] == "where" and len(arguments) == 2:
        found = lineage.find_column(arguments[1])
        if not found:
            print(f"no table has a column {arguments[1]}; the columns are in {PAGE}", file=sys.stderr)
            return 1
        print("\n\n".join(found))
    else:
        print(__doc__, file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
