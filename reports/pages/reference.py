"""Pages to look things up in: the data dictionary, the rules, the settings, the methods."""

import dataclasses
from dataclasses import dataclass

from markupsafe import Markup

from reports import page as shell
from shared import dictionary
from shared.settings import Settings

LAYERS = {
    "raw": "What goes in", "staging": "The latest word on each thing", "core": "Judgements made once",
    "fitted": "What the models estimate", "marts": "What comes out",
    "scenarios": "What loopwear compare writes",
}  # fmt: skip


@dataclass(frozen=True)
class Part:
    """A piece of a reference page: prose, an example by hand, a table."""

    key: str
    title: str
    paragraphs: tuple[str, ...] = ()
    example: tuple[str, ...] = ()
    source: str = ""
    caption: str = ""
    headings: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    body: Markup = Markup("")
    is_stacked: bool = False
    """On a narrow screen a row of the table becomes a card, each cell with its heading."""


@dataclass(frozen=True)
class Reference:
    """A page without figures; the shell asks the same of it as of any page."""

    key: str
    title: str
    question: str
    summary: tuple[str, ...]
    parts: tuple[Part, ...]
    sections: tuple[shell.Section, ...] = ()
    exhibits: tuple[shell.Exhibit, ...] = ()
    paper: str = ""
    is_dense: bool = False
    cautions: tuple[str, ...] = ()
    limits: tuple[str, ...] = ()


def render(made: Reference, frame: shell.Frame) -> str:
    """A reference page as HTML."""
    return shell.templates().get_template("reference.html").render(page=made, frame=frame, answers=())


def build_dictionary() -> Reference:
    """Every table and column, from the dictionary the warehouse itself is made from."""
    facts = dictionary.columns()
    parts = []
    for layer, title in LAYERS.items():
        for table in dictionary.tables().values():
            if table.layer != layer:
                continue
            required = set(table.required)
            rows = tuple(
                (name, facts[name].type, facts[name].unit or "", table.meaning_of(name)
                 + (" (required)" if name in required else "")) for name in table.columns
            )  # fmt: skip
            export = f" Written to exports/{table.stem}.csv." if table.export else ""
            parts.append(Part(
                key=table.name.replace(".", "-"), title=table.name,
                paragraphs=(f"{title}. One row is {table.grain}. Key: {', '.join(table.key)}.{export}",
                            *(dictionary.caveats()[key] for key in table.caveats)),
                caption=f"Columns of {table.name}", headings=("Column", "Type", "Unit", "Meaning"), rows=rows,
            ))  # fmt: skip
    for name, listed in dictionary.codes().items():
        parts.append(Part(
            key=f"codes-{name}", title=f"Codes: {name}", caption=f"Allowed values of {name}",
            headings=("Code", "Meaning"), rows=tuple((code, str(meaning)) for code, meaning in listed.items()),
        ))  # fmt: skip
    return Reference(
        "dictionary", "Data dictionary", "What does each column mean?",
        (("Tables are named with their layer. Times are kept in UTC, lengths in metres, velocities in percent of the "
         "velocity of light."),), tuple(parts),
    )  # fmt: skip


def build_rules() -> Reference:
    """Every rule a row or a whole file must pass, from the rules themselves."""
    from pipelines.validation.file_rules import FILE_RULES
    from pipelines.validation.rules import RULES

    parts = []
    for severity, title, text in (
        ("reject", ("Rules that keep a row "
                   "out"), "The row goes to quarantine, as received, and can be corrected and loaded again."),
        ("empty", "Rules that take a value out", ("The row is kept without the value, in every figure that does not "
         "need it; the value, as received, is listed with what to do. Where the row cannot do without the value (its "
         "key, or one that the table requires), the row goes to quarantine.")),
        ("warn", "Rules that flag a row", "The row is kept as it is, and listed."),
    ):  # fmt: skip
        rows = tuple(
            (rule.name, "every table" if len(rule.tables) > 8 else ", ".join(rule.tables), rule.message, rule.example)
            for rule in RULES if rule.severity == severity
        )  # fmt: skip
        parts.append(Part(
            key=severity, title=title, paragraphs=(text,), caption=title,
            headings=("Rule", "Tables", "What a finding says", "For example"), rows=rows, is_stacked=True,
        ))  # fmt: skip
    parts.append(Part(
        key="files", title="Rules of whole files",
        paragraphs=(("What no single row can tell: measured for every file of a load and kept with it. The file is "
                    "loaded and the warning shown by load, by status and on the page of data quality; with severity "
                    "reject the whole load is refused."),),
        caption="Rules of whole files", headings=("Rule", "Severity", "What is measured", "What a warning says",
                                                  "For example"),
        rows=tuple((r.name, r.severity, r.measures, r.message, r.example) for r in FILE_RULES), is_stacked=True,
    ))  # fmt: skip
    return Reference(
        "rules", "Rules", "When is a row kept out, and when is it flagged?",
        (("A setting can change a rule's severity: [validation.severities] rule = \"reject\", \"empty\", \"warn\" or "
         "\"off\"."),),
        tuple(parts),
    )  # fmt: skip


def build_settings(settings: Settings) -> Reference:
    """Every setting with the value in use, its default, unit, bounds and source."""
    parts = []
    for section in dataclasses.fields(settings):
        values = getattr(settings, section.name)
        rows = []
        for setting in dataclasses.fields(values):
            facts = setting.metadata
            default = setting.default if setting.default is not dataclasses.MISSING else {}
            bounds = bounds_words(facts["low"], facts["high"])
            in_use = getattr(values, setting.name)
            rows.append((
                setting.name, in_words(in_use) + ("" if in_use == default else " (set)"), in_words(default),
                facts["unit"], bounds, facts["meaning"], facts["source"],
            ))  # fmt: skip
        parts.append(Part(
            key=section.name, title=f"[{section.name}]", caption=f"Settings of [{section.name}]",
            headings=("Setting", "In use", "Default", "Unit", "Bounds", "Meaning", "Source"), rows=tuple(rows),
            is_stacked=True,
        ))  # fmt: skip
    return Reference(
        "settings", "Settings", "What can be set, and what is it set to?",
        (("A settings file is a TOML file with the sections below. Every command reads the one after --settings, "
         "else the one LOOPWEAR_SETTINGS names, else settings.toml in the workspace. A misspelt key is refused."),),
        tuple(parts),
    )  # fmt: skip


def bounds_words(low: float | None, high: float | None) -> str:
    """What a setting may be: '1 to 5', '1 or more', '5 or less', or nothing where nothing bounds it."""
    if low is None or high is None:
        return f"{low:g} or more" if low is not None else f"{high:g} or less" if high is not None else ""
    return f"{low:g} to {high:g}"


def in_words(value: object) -> str:
    """A setting's value as the file writes it, so that it can be copied there; nothing set is a dash."""
    if value is None or value == {}:
        return "–"
    return str(value).lower() if isinstance(value, bool) else str(value)
