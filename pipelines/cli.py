"""The commands: read arguments, call a flow, print, return an exit code. Heavy imports are inside the commands."""

from __future__ import annotations

import datetime as dt
import os
import sys
from contextlib import nullcontext, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from shared.errors import UserError
from shared.terminal import Shown, visible

if TYPE_CHECKING:
    from collections.abc import Callable
    from contextlib import AbstractContextManager

    import pandas as pd

    from shared.settings import Settings
    from shared.store import Workspace
    from synthetic_data.demo import DemoFiles

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Learns from closed cable-fault jobs: which loops and sections to replace, where the restoration minutes go, "
    "whether the velocity settings are right.",
)

WorkspaceOption = Annotated[Path, typer.Option("--workspace", help="Folder for everything that loopwear writes.")]
SettingsOption = Annotated[
    Path | None,
    typer.Option(
        "--settings",
        help="TOML file of settings; default: the one LOOPWEAR_SETTINGS names, else WORKSPACE/settings.toml.",
    ),
]
HistoryOption = Annotated[
    bool,
    typer.Option(
        "--history/--no-history",
        help="Record the run in the workflow engine's history (the engine takes a few seconds to start).",
    ),
]
DEFAULT_WORKSPACE = Path("workspace")

current_workspace: list[Path] = []
"""Workspace of the command under way, for the log of an unforeseen fault."""


PRIVATE, SHARED = 0o077, 0o007
"""What files and folders written are closed to: everybody but their owner; or but their owner and group."""


def open_workspace(folder: Path) -> Workspace:
    from shared.settings import resolve_settings
    from shared.store import Workspace

    current_workspace[:] = [folder]
    space = Workspace(folder.resolve())
    with suppress(UserError):  # settings that cannot be read share nothing; who needs them says what is wrong
        os.umask(SHARED if resolve_settings(space.folder).general.shared_with_group else PRIVATE)
    return space


def choose_settings(space: Workspace, file: Path | None = None, *, aside: bool = False) -> Settings:
    """Settings of the command under way; a line says which file they come from, aside where the output is a file."""
    from shared.settings import resolve_settings

    chosen = resolve_settings(
        space.folder, file, say=lambda line: print(line, file=sys.stderr if aside else None, flush=True)
    )
    os.umask(SHARED if chosen.general.shared_with_group else PRIVATE)
    return chosen


def print_version(wanted: bool) -> None:
    """Print the version of the package that is installed, and stop."""
    if wanted:
        from importlib.metadata import version

        print(f"loopwear {version('loopwear')}")
        raise typer.Exit


@app.callback()
def loopwear(
    version: Annotated[
        bool, typer.Option("--version", is_eager=True, callback=print_version, help="Print the version and stop.")
    ] = False,
) -> None:
    """Options of loopwear itself, before any command."""


def history_of(
    workspace: Workspace, wanted: bool, meanwhile: Callable[[], object] = lambda: None
) -> AbstractContextManager[None]:
    """The engine's recording, or nothing; other work is done while the engine starts."""
    if not wanted:
        meanwhile()
        return nullcontext()
    from pipelines.run_history import recording

    workspace.make()
    return recording(workspace, meanwhile)


def import_for_load() -> None:
    """The slow imports of a load: best done while the workflow engine starts in its own process."""
    import great_expectations  # noqa: F401
    import pandas as pd  # noqa: F401


def import_for_refresh() -> None:
    """The slow imports of a refresh."""
    import plotly.graph_objects  # noqa: F401
    import scipy.optimize  # noqa: F401
    import sklearn.linear_model  # noqa: F401


def print_frame(frame: pd.DataFrame) -> None:
    """A frame as aligned text on standard output: texts to the left, numbers to the right, a row a line."""
    if not len(frame):
        print("(none)")
        return
    shown = {}
    for name, column in frame.items():
        texts = column.fillna("").astype(str) if column.dtype.kind in "OU" or str(column.dtype) == "str" else None
        texts = None if texts is None else texts.map(lambda t: visible(t).replace("\n", "\\n").replace("\t", "\\t"))
        width = 0 if texts is None else max(len(str(name)), int(texts.str.len().max()))
        shown[str(name).ljust(width)] = column if texts is None else texts.str.ljust(width)
    lines = type(frame)(shown).to_string(index=False, na_rep="").splitlines()
    print("\n".join(line.rstrip() for line in lines))


@app.command(epilog="Example: loopwear demo --loops 300 --workspace demo")
def demo(
    workspace: WorkspaceOption = DEFAULT_WORKSPACE,
    loops: Annotated[int, typer.Option(min=5, max=200_000, help="Loops of the invented fleet.")] = 900,
    seed: Annotated[int | None, typer.Option(help="Seed of the invented fleet.")] = None,
    history: HistoryOption = True,
) -> None:
    """Make an invented fleet, load it and refresh.

    Its files are written into the workspace, under demo/."""
    space = open_workspace(workspace)
    refuse_used_workspace(space)
    choose_settings(space)

    def make_files() -> None:
        from synthetic_data.demo import write_demo

        made.append(write_demo(space.folder / "demo", loops=loops, **({} if seed is None else {"seed": seed})))
        import_for_load()

    made: list[DemoFiles] = []
    with history_of(space, history, make_files):
        for paths, mapping in made[0].loads:
            print_load(run_load(space, list(paths), mapping, None, history))
        run_refresh(space, history)
    print(f"\nThe utility is invented; its files are in {made[0].folder}")
    print_where_to_look(space)


def refuse_used_workspace(space: Workspace) -> None:
    """The demo never mixes with a user's own data."""
    marker = space.folder / "demo"
    if space.warehouse.exists() and not marker.exists():
        raise UserError(
            "this workspace already holds loaded data that is not the demo's",
            str(space.folder),
            "choose another place: loopwear demo --workspace DIR",
        )


@app.command(epilog="Example: loopwear load exports/ --mapping our_mapping.toml")
def load(
    paths: Annotated[
        list[Path] | None, typer.Argument(help="Files or folders; none where the mapping reads a database.")
    ] = None,
    mapping: Annotated[Path | None, typer.Option(help="TOML file that maps the files' columns to loopwear's.")] = None,
    undo: Annotated[
        str | None, typer.Option(metavar="LOAD", help="Take back the last load: its id, see status.")
    ] = None,
    as_newest: Annotated[
        bool,
        typer.Option(
            "--as-newest", help="Take rows too that were loaded before and changed since: the files are newer."
        ),
    ] = False,
    workspace: WorkspaceOption = DEFAULT_WORKSPACE,
    settings: SettingsOption = None,
    history: HistoryOption = False,
) -> None:
    """Load files or folders, as they are or through a mapping file.

    Loading the same file twice changes nothing. A load is kept whole or not at all.
    """
    space = open_workspace(workspace)
    if undo is not None:
        take_back(space, undo, settings)
        return
    if not paths and mapping is None:
        raise typer.BadParameter("name at least one file or folder", param_hint="PATHS")
    check_paths(paths or [])
    choose_settings(space, settings)
    with history_of(space, history, import_for_load):
        report = run_load(space, paths or [], mapping, settings, history, as_newest)
    print_load(report)


@app.command(
    name="known-length",
    epilog="Example: loopwear known-length --length 250 --displayed 256.3 --instrument R-01 --velocity 53 "
    "--on 2025-06-01 --class XLPE/bare/buried",
)
def known_length(
    displayed: Annotated[float, typer.Option(help="Length that the instrument displays, metres.")],
    instrument: Annotated[str, typer.Option(help="Instrument tested.")],
    velocity: Annotated[float, typer.Option(help="Its velocity setting, percent of c.")],
    on: Annotated[dt.datetime, typer.Option(formats=["%Y-%m-%d"], help="Day of the test.")],
    length: Annotated[
        float | None, typer.Option(help="Known length of the run, metres; default: that of the section.")
    ] = None,
    section: Annotated[str | None, typer.Option(help="Section tested, where the run is one of the register.")] = None,
    cable_class: Annotated[
        str | None, typer.Option("--class", help="Cable class of the run, where it is none of the register.")
    ] = None,
    workspace: WorkspaceOption = DEFAULT_WORKSPACE,
    settings: SettingsOption = None,
) -> None:
    """Enter a test of an instrument on a run of known length.

    It is checked and loaded like a row of known_lengths.csv, and kept in the workspace under entered/. The same test
    entered twice changes nothing."""
    from pipelines.intake.known_length import list_doubts, write_entered
    from shared.store import open_warehouse

    if (section is None) == (cable_class is None):
        raise typer.BadParameter("give --section or --class", param_hint="known-length")
    space = open_workspace(workspace)
    if not space.warehouse.exists():
        raise UserError("nothing is loaded here yet", str(space.folder), "check --workspace")
    choose_settings(space, settings)
    given = {
        "instrument_id": instrument,
        "read_on": f"{on:%Y-%m-%d}",
        "section_id": section,
        "cable_class": cable_class,
        "known_length_m": length,
        "reading_m": displayed,
        "velocity_setting_pct": velocity,
    }
    row = {name: str(value) for name, value in given.items() if value is not None}
    file = write_entered(space.folder, "known_lengths", row["read_on"], [row])
    report = run_load(space, [file], None, settings, history=False)
    with open_warehouse(space) as con:
        doubts = list_doubts(con, report.load_id, file)
    for doubt in doubts:
        print(f"warning: {doubt}; to take it back: loopwear load --undo {report.load_id}")
    is_new = bool(report.to_frame()["new"].sum())
    same = "entered before, nothing changed: the same display of one run on one day counts once"
    print(f"entered: {file}" if is_new else same)
    print("figures and reports follow with: loopwear refresh")


@app.command(epilog='Example: loopwear commit --reason "first year approved" --decided-on 2026-01-15')
def commit(
    reason: Annotated[str, typer.Option(help="Why the work was decided on; kept with every decision.")],
    decided_on: Annotated[dt.datetime, typer.Option(formats=["%Y-%m-%d"], help="Day on which it was decided.")],
    through_year: Annotated[int, typer.Option(min=1, help="Last year of the plan that is committed.")] = 1,
    section: Annotated[
        list[str] | None, typer.Option(help="Only this section of the programme; several may be given.")
    ] = None,
    workspace: WorkspaceOption = DEFAULT_WORKSPACE,
    settings: SettingsOption = None,
) -> None:
    """Commit lines of the current programme, and fix in advance how the work will be judged.

    They become decisions, kept in the workspace under entered/ and loaded like decisions.csv. What the sections are
    expected to fail with and without the work, and the sections they will be compared with, are written down with
    them and not worked out again. Engineers decide: a section left waiting is no finding that its cable is sound."""
    from pipelines.evaluation.step import keep_commitment, prepare_commitment
    from pipelines.intake.known_length import list_doubts, write_entered
    from shared.store import open_warehouse

    space = open_workspace(workspace)
    if not space.warehouse.exists():
        raise UserError("nothing is loaded here yet", str(space.folder), "check --workspace")
    chosen = choose_settings(space, settings)
    with open_warehouse(space, chosen) as con:
        made = prepare_commitment(con, through_year, section or [], reason, decided_on.date())
    file = write_entered(space.folder, "decisions", f"{decided_on:%Y-%m-%d}", made.decisions)
    report = run_load(space, [file], None, settings, history=False)
    with open_warehouse(space, chosen) as con:
        doubts = list_doubts(con, report.load_id, file, "loopwear commit")
        keep_commitment(con, made, report.load_id)
    for doubt in doubts:
        print(f"warning: {doubt}")
    counted = "1 section" if len(made.decisions) == 1 else f"{len(made.decisions):,} sections"
    print(f"committed {counted} as {made.head['commitment_id'].iloc[0]}: {file}")
    print(f"to take it back: loopwear load --undo {report.load_id}")
    print(f"how the work will be judged: {made.head['method'].iloc[0]}")
    print("figures and reports follow with: loopwear refresh")


def take_back(space: Workspace, load_id: str, settings: Path | None) -> None:
    from pipelines.intake.undo import undo_load
    from shared.store import open_warehouse

    if not space.warehouse.exists():
        raise UserError("nothing is loaded here yet", str(space.folder), "check --workspace")
    with open_warehouse(space, choose_settings(space, settings)) as con:
        for table, rows in undo_load(con, load_id).items():
            print(f"{table}: {rows} rows taken out")
    print(f"load {load_id} is undone; figures and reports follow with: loopwear refresh")


@app.command(name="draft-mapping", epilog="Example: loopwear draft-mapping outages.csv digs.xlsx --to ours.toml")
def draft_mapping(
    paths: Annotated[
        list[str],
        typer.Argument(help="Files with their own column headers, folders of them, and postgresql://HOST/DATABASE."),
    ],
    to: Annotated[Path | None, typer.Option(help="Where to write the mapping; default: standard output.")] = None,
    workspace: WorkspaceOption = DEFAULT_WORKSPACE,
    settings: SettingsOption = None,
) -> None:
    """Draft one mapping for some files, to edit, with the evidence for each guess.

    Files that belong together are best drafted together: the ids of one tell what another names. Data already loaded
    in the workspace helps likewise, and tells feet from metres.
    """
    from pipelines.intake import draft
    from pipelines.intake.databases import is_sqlite
    from pipelines.intake.draft_parts import toml
    from shared.store import open_warehouse

    addresses = [path for path in paths if path.startswith("postgresql:")]
    files = [Path(path) for path in paths if path not in addresses]
    check_paths(files)
    space = open_workspace(workspace)
    opened = open_warehouse(space, read_only=True) if space.warehouse.exists() else nullcontext()
    with opened as con:
        text = draft.draft_mapping(files, con, choose_settings(space, settings, aside=to is None), addresses)
    if to is None:
        print(text, end="")
        return
    if to.exists():
        raise UserError("that file exists already", str(to), "give another name after --to, or remove it")
    # a database that lies beside the mapping is named from there, so that both can be moved
    text = text.replace(toml(f"sqlite:{to.resolve().parent}/")[:-1], '"sqlite:')
    to.write_text(text, encoding="utf-8")
    named = " ".join(str(path) for path in files if path.is_dir() or not is_sqlite(path))  # a mapping names databases
    print(f"mapping drafted: {to}\nread it through, then: loopwear load {named} --mapping {to}")


def check_paths(paths: list[Path]) -> None:
    """Say that a file is missing before anything slow starts."""
    for path in paths:
        if not path.exists():
            raise UserError("there is no such file or folder", str(path), "check the path")


def run_load(
    space: Workspace,
    paths: list[Path],
    mapping: Path | None,
    settings: Path | None,
    history: bool,
    as_newest: bool = False,
) -> Any:
    if history:
        from pipelines.flows import load_flow

        return load_flow(
            str(space.folder),
            [str(p) for p in paths],
            str(mapping) if mapping else None,
            str(settings) if settings else None,
            as_newest,
        )
    from pipelines.load import load as load_plainly
    from shared.settings import resolve_settings

    return load_plainly(space, paths, resolve_settings(space.folder, settings), mapping, as_newest=as_newest)


def print_load(report: Any) -> None:
    from pipelines.validation.file_results import say_results

    files = report.to_frame()
    print(f"load {report.load_id}")
    print_frame(files)
    for said in say_results(report.broken):
        print(f"warning: {said}")
    if report.passed_over:
        named = ", ".join(report.passed_over[:5]) + (" ..." if len(report.passed_over) > 5 else "")
        links = " or they are links out of the folder" if "(a link out of the folder)" in named else ""
        print(
            f"skipped, since neither name nor mapping says which table they hold{links}: {len(report.passed_over)} of "
            f"the files in the folder ({named})"
        )
    if report.jobs_without_end:
        print(
            f"{report.jobs_without_end} of the jobs new or revised have no restored_at: they are kept, and left out of "
            "the times to restore; after a refresh, status says between what bounds they leave the indices"
        )
    if emptied := files["emptied"].sum():
        print(f"{emptied} {'value was' if emptied == 1 else 'values were'} taken out of rows that were kept, see why: "
              "loopwear quarantine --severity empty")  # fmt: skip
    if files["quarantined"].sum():
        kept_out = files["quarantined"].sum()
        print(f"{kept_out} {'row is' if kept_out == 1 else 'rows are'} in quarantine; see why: loopwear quarantine")


@app.command(epilog="Example: loopwear refresh --as-of 2025-12-31 --horizon 5 --budget 2000000")
def refresh(
    as_of: Annotated[
        dt.datetime | None,
        typer.Option(
            formats=["%Y-%m-%d"], help="Day up to which the figures count; default: the day of the last report loaded."
        ),
    ] = None,
    horizon: Annotated[float | None, typer.Option(help="Years to forecast.")] = None,
    budget: Annotated[float | None, typer.Option(help="Money for one year of the replacement programme.")] = None,
    workspace: WorkspaceOption = DEFAULT_WORKSPACE,
    settings: SettingsOption = None,
    history: HistoryOption = True,
) -> None:
    """Rebuild the figures, the ranking, the exports and the reports."""
    space = open_workspace(workspace)
    if not space.warehouse.exists():
        remedy = "run: loopwear load PATH... (or: loopwear demo)"
        raise UserError("nothing is loaded here yet", str(space.folder), remedy)
    choose_settings(space, settings)
    with history_of(space, history, import_for_refresh):
        run_refresh(space, history, settings, as_of.date() if as_of else None, horizon, budget)
    print_where_to_look(space)


def run_refresh(
    space: Workspace,
    history: bool,
    settings: Path | None = None,
    as_of: dt.date | None = None,
    horizon: float | None = None,
    budget: float | None = None,
) -> None:
    if history:
        from pipelines.flows import refresh_flow

        run = refresh_flow(str(space.folder), str(settings) if settings else None, as_of, horizon, budget)
    else:
        from pipelines.refresh import refresh as refresh_plainly
        from shared.settings import resolve_settings

        chosen = resolve_settings(space.folder, settings, as_of=as_of, horizon=horizon, budget=budget)
        run = refresh_plainly(space, chosen)
    print(f"refreshed as of {run.settings.general.as_of}")
    for warning in run.warnings:
        print(f"check: {warning}")


def print_where_to_look(space: Workspace) -> None:
    print(f"reports: {space.reports / 'index.html'}")
    print(f"tables:  {space.exports}")
    print("any district, period, loop or job: loopwear browse")


@app.command(epilog="Example: loopwear status --workspace demo")
def status(workspace: WorkspaceOption = DEFAULT_WORKSPACE) -> None:
    """Show the last refresh, what is loaded, what was rejected, and the run log."""
    from pipelines.publish import describe_attempt
    from pipelines.status import describe_workspace
    from shared.store import open_warehouse

    space = open_workspace(workspace)
    told = describe_attempt(space)
    print(*told, sep="\n", end="\n\n" if told else "")
    with open_warehouse(space, read_only=True) as con:  # closed before printing: a pager would hold it
        frames = describe_workspace(con)
    for heading, frame in frames.items():
        print(f"{heading}")
        print_frame(frame)
        print()


@app.command(epilog="Example: loopwear quarantine --export to_correct.xlsx --table jobs")
def quarantine(
    export: Annotated[
        Path | None,
        typer.Option(
            help="Write the rows kept out as received, with the reasons, to be corrected: a workbook (.xlsx, reasons "
            "beside the cells), a CSV file, or a folder if headers differ."
        ),
    ] = None,
    severity: Annotated[str | None, typer.Option(help="Only these: reject, empty or warn.")] = None,
    rule: Annotated[str | None, typer.Option(help="Only findings of this rule.")] = None,
    table: Annotated[str | None, typer.Option(help="Only rows of this table.")] = None,
    batch: Annotated[str | None, typer.Option(metavar="LOAD", help="Only rows of this load, see status.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Write the list as JSON.")] = False,
    workspace: WorkspaceOption = DEFAULT_WORKSPACE,
) -> None:
    """List the rows kept out with the reasons, the values taken out and the warnings, or export the rows.

    A file exported and corrected is loaded under any name: it tells itself what it is."""
    from pipelines.intake.quarantined import export_rows
    from pipelines.validation.quarantine import SAID_OF, check_chosen, list_findings
    from shared.store import open_warehouse

    if export is not None and (severity or as_json):
        raise typer.BadParameter("--export writes rows kept out: give it without --severity and --json")
    with open_warehouse(open_workspace(workspace), read_only=True) as con:
        if export is not None:
            written = export_rows(con, export, **check_chosen(con, rule=rule, table=table, batch=batch))
            print(f"{written} rows written to {export}\nonce corrected, load it under any name: loopwear load {export}")
            return
        found = list_findings(con, severity=severity, rule=rule, table=table, batch=batch)
    if as_json:
        print(found.to_json(orient="records", indent=2, force_ascii=True))
        return
    for name, said in SAID_OF.items():
        of_severity = found[found["severity"] == name]
        if len(of_severity) or severity == name:
            print(f"{said}: {len(of_severity)} {'finding' if len(of_severity) == 1 else 'findings'}")
            print_frame(of_severity.drop(columns="severity"))
            print()
    if found.empty and severity is None:
        print("(none)")


DistanceOption = Annotated[float | None, typer.Option(help="Distance that the instrument displays, metres.")]
FromOption = Annotated[str | None, typer.Option("--from", help="Terminal tested from.")]
TowardOption = Annotated[str | None, typer.Option(help="Next terminal in the direction tested.")]
InstrumentOption = Annotated[str | None, typer.Option(help="Instrument used.")]
VelocityOption = Annotated[float | None, typer.Option(help="Velocity setting of the instrument, percent of c.")]
ReadOnOption = Annotated[
    dt.datetime | None, typer.Option(formats=["%Y-%m-%d"], help="Day of the reading: for season and drift.")
]
PulseOption = Annotated[float | None, typer.Option(help="Width of the pulse, nanoseconds: for the blind zone.")]
SamplingOption = Annotated[float | None, typer.Option(help="Distance between two points of the display, metres.")]


@app.command(
    name="dig-window",
    epilog="Example: loopwear dig-window --from TF-L0001-T03 --toward TF-L0001-T04 --distance 84 --instrument R-01",
)
def dig_window(
    distance: DistanceOption = None,
    start: FromOption = None,
    toward: TowardOption = None,
    classes: Annotated[
        list[str] | None,
        typer.Option(
            "--class",
            help="Cable class of the run, where the terminals are not in the register. Several: in the order passed, "
            "all but the last as CLASS=METRES.",
        ),
    ] = None,
    instrument: InstrumentOption = None,
    velocity: VelocityOption = None,
    on: ReadOnOption = None,
    pulse_ns: PulseOption = None,
    sampling_m: SamplingOption = None,
    file: Annotated[Path | None, typer.Option(help="CSV of readings, answered all at once.")] = None,
    to: Annotated[Path | None, typer.Option(help="CSV for the answers to --file.")] = None,
    workspace: WorkspaceOption = DEFAULT_WORKSPACE,
    settings: SettingsOption = None,
) -> None:
    """Correct displayed distances and give their dig windows, by terminals or by cable class.

    A distance is no permission to dig."""
    from pipelines.locating import window, window_basis, window_file
    from reports.results import Results
    from shared.dictionary import caveats

    space, caution = open_workspace(workspace), caveats()["no_permission_to_dig"]
    ways = (file is not None) + (start is not None) + bool(classes)
    if ways != 1 or (file is None) != (to is None) or (file is None and distance is None):
        raise typer.BadParameter(
            "give --distance with --from and --toward, or with --class; or --file with --to", param_hint="dig-window"
        )
    with Results(space.results) as results:
        basis = window_basis.read_basis(results.con)
    if file is not None and to is not None:
        if file.resolve() == to.resolve():
            raise UserError("the answers would overwrite the readings", "--to", "give another file")
        answers = window_file.answer_readings(basis, window_file.read_readings(file), caution)
        answers.to_csv(to, index=False)
        print(f"{answers['corrected_m'].notna().sum()} of {len(answers)} readings answered in {to}\n\n{caution}")
        return
    asked = window_basis.Asked(
        distance_m=distance or 0.0,
        from_terminal=start,
        toward_terminal=toward,
        classes=window.read_way(classes or []),
        instrument_id=instrument,
        velocity_pct=velocity,
        on=on.date() if on else None,
        pulse_ns=pulse_ns,
        sampling_m=sampling_m,
    )
    found = window.find_dig_window(basis, asked, choose_settings(space, settings).locating.window_coverage)
    print(f"{found.describe()}\n\n{caution}")


@app.command(
    name="search-sequence", epilog="Example: loopwear search-sequence OB-L0026 --half A --tripped T03 --not-tripped T05"
)
def search_sequence(
    loop: Annotated[str, typer.Argument(help="Loop that is isolated.")],
    half: Annotated[str | None, typer.Option(help="Half-loop, A or B; default: each.")] = None,
    by: Annotated[str, typer.Option(help="What is to be least: tests, minutes or customer_minutes.")] = "tests",
    tripped: Annotated[
        list[str] | None, typer.Option(metavar="TERMINAL", help="Terminal whose fault indicator has tripped.")
    ] = None,
    not_tripped: Annotated[
        list[str] | None, typer.Option(metavar="TERMINAL", help="Terminal whose fault indicator has not tripped.")
    ] = None,
    distance_window: Annotated[
        str | None,
        typer.Option(
            metavar="FROM,TOWARD,LO,HI",
            help="In place of --distance: terminal read from, terminal read toward, and a dig window in metres.",
        ),
    ] = None,
    distance: DistanceOption = None,
    start: FromOption = None,
    toward: TowardOption = None,
    instrument: InstrumentOption = None,
    velocity: VelocityOption = None,
    on: ReadOnOption = None,
    pulse_ns: PulseOption = None,
    sampling_m: SamplingOption = None,
    workspace: WorkspaceOption = DEFAULT_WORKSPACE,
    settings: SettingsOption = None,
) -> None:
    """Say where to test first on an isolated half-loop, and where next.

    A reading (--from, --toward, --distance) is corrected as by dig-window, and its window weighed. A planning aid: no
    permission to open or close anything."""
    from pipelines.locating.window import find_dig_window
    from pipelines.locating.window_basis import Asked, read_basis
    from pipelines.ranking.search_sequence import Evidence, find_terminal, plan_loop, read_window
    from reports.pages.sheet import find_row
    from reports.results import Results
    from shared.dictionary import caveats

    if len({distance is None, start is None, toward is None}) > 1 or (start and distance_window):
        said = "give --distance, --from and --toward together, or --distance-window"
        raise typer.BadParameter(said, param_hint="search-sequence")
    space = open_workspace(workspace)
    chosen, window, cautions = choose_settings(space, settings), read_window(distance_window), caveats()
    with Results(space.results) as results:
        find_row(results.whole, "staging.loops", "loop_id", loop)
        read = results.whole.read_only
        strip, terminals = (read(table, "loop_id", [loop]) for table in ("marts.loop_strips", "staging.terminals"))
        if start and toward:
            known = list(dict.fromkeys([*strip["from_terminal_id"].dropna(), *strip["to_terminal_id"].dropna()]))
            first, then = (known[find_terminal(name, known)] for name in (start, toward))
            day = on.date() if on else None
            asked = Asked(distance or 0.0, first, then, (), instrument, velocity, day, pulse_ns, sampling_m)
            found = find_dig_window(read_basis(results.con), asked, chosen.locating.window_coverage)
            low, high = next((low, high) for level, low, high in found.windows if level == found.coverage)
            window = first, then, low, high
            print(f"{found.describe()}\n{cautions['no_permission_to_dig']}", end="\n\n")
    evidence = Evidence(tuple(tripped or ()), tuple(not_tripped or ()), window)
    for planned in plan_loop(strip, terminals, chosen, half=half, evidence=evidence, by=by):
        print(planned.describe(), end="\n\n")
    print(cautions["search_order_is_an_aid"])


PaperOption = Annotated[str, typer.Option(help="Paper size: A4 or Letter.")]
ToOption = Annotated[Path | None, typer.Option("--to", help="Folder for the files; default: WORKSPACE/pages.")]


@app.command(epilog="Example: loopwear report --for 'restoration?district=OB&from=2025-01&to=2025-06' --pdf")
def report(
    page: Annotated[
        str | None, typer.Option("--for", metavar="PAGE?CHOICE", help="Write this page as files that open offline.")
    ] = None,
    to: ToOption = None,
    pdf: Annotated[
        bool, typer.Option("--pdf", help="Print every page to a PDF file beside it, with Chromium.")
    ] = False,
    paper: PaperOption = "A4",
    workspace: WorkspaceOption = DEFAULT_WORKSPACE,
) -> None:
    """Show where the reports are, write a page of any choice, or print pages to PDF."""
    space = open_workspace(workspace)
    if page is None and not (space.reports / "index.html").exists():
        raise UserError("there are no reports yet", str(space.reports), "run: loopwear refresh")
    if page is None and not pdf:
        print_where_to_look(space)
        return
    if page is None:
        from reports.pdf import write_pdfs

        for file in write_pdfs(space.reports, paper):
            print(file)
        return
    name, _, query = page.removeprefix("/").partition("?")
    write_files(space, to, [(name, query)], paper if pdf else "")


@app.command(epilog="Example: loopwear sheet loop OB-L0026 OB-L0031 --pdf")
def sheet(
    kind: Annotated[
        str, typer.Argument(help="loop, section, job, instrument, or proposal: settings proposed for an instrument.")
    ],
    idents: Annotated[list[str], typer.Argument(metavar="ID...", help="Ids of that kind.")],
    to: ToOption = None,
    pdf: Annotated[bool, typer.Option("--pdf", help="Print each sheet to a PDF file too, with Chromium.")] = False,
    paper: PaperOption = "A4",
    workspace: WorkspaceOption = DEFAULT_WORKSPACE,
) -> None:
    """Write the sheets of loops, sections, jobs, instruments or their proposals as files that open offline."""
    write_files(open_workspace(workspace), to, [(kind, ident) for ident in idents], paper if pdf else "", sheets=True)


def write_files(
    space: Workspace, to: Path | None, wanted: list[tuple[str, str]], paper: str, *, sheets: bool = False
) -> None:
    """Pages of a choice, or sheets, as files in one folder, printed too where a paper is named."""
    from reports.pdf import check_paper, find_browser, print_page
    from reports.results import Results
    from reports.standing import write_pages, write_sheets

    if paper:
        check_paper(paper)
    folder = to or space.folder / "pages"
    with Results(space.results) as results:
        if sheets:
            written = write_sheets(results, folder, wanted)
        else:
            written = write_pages(results, folder, wanted, space.folder / "scenarios")
    if paper:
        browser = find_browser()
        written += [print_page(browser, file, file.with_suffix(".pdf"), paper) for file in written]
    for file in written:
        print(file)


@app.command(epilog="Example: loopwear weigh OB-L0012 TF-L0003-S02 --years 10 --to weighed.xlsx")
def weigh(
    items: Annotated[list[str], typer.Argument(metavar="ID...", help="Loops and sections, each counted once.")],
    years: Annotated[
        int | None, typer.Option(min=1, max=40, help="Years ahead that are counted; default: the horizon of the run.")
    ] = None,
    to: Annotated[
        Path | None, typer.Option("--to", help="Write the actions as CSV, or all of it as a workbook (.xlsx).")
    ] = None,
    workspace: WorkspaceOption = DEFAULT_WORKSPACE,
) -> None:
    """Compare replacing, injecting and waiting on a list of loops and sections: costs, failures, limits.

    A planning aid; wait is no finding that cable is sound."""
    from pipelines.investment import weigh as weighing
    from reports import style
    from reports.pages import pick
    from reports.results import Results
    from shared.dictionary import caveats

    asked = pick.make_asked((part for item in items for part in item.split(",")), str(years or ""))
    with Results(open_workspace(workspace).results) as results:
        picked, settings = pick.resolve(results.whole, asked.items), results.settings
        for told in picked.told:
            print(told, file=sys.stderr)
        if not picked.items:
            raise UserError("none of the list is in service", ", ".join(items)[:200], "find ids: loopwear browse")
        listed, horizon = pick.gather(results.whole, settings, picked), asked.years or pick.horizon_of(settings)
    rows = listed.sections
    told = f"{style.counted(len(rows), 'section')} on {style.counted(rows['loop_id'].nunique(), 'loop')}"
    print(f"{told}, as of {settings.general.as_of}", end="\n\n")
    print_frame(pick.side_by_side(weighing.weigh(listed, horizon), settings, horizon))
    print("\nReplacing all of it later in place of today:")
    print_frame(pick.waits_side_by_side(weighing.weigh_waiting(listed), settings))
    if to is not None:
        pick.write_list(listed, settings, horizon, to)
        print(f"\nwritten: {to}")
    print(f"\n{caveats()['planning_aid']}\n{pick.say.text('wait')}")


@app.command(epilog="Example: loopwear review --month 2025-11 --district OB --compare last_year")
def review(
    month: Annotated[str, typer.Option(help="The month reviewed, such as 2025-11.")],
    district: Annotated[list[str] | None, typer.Option(help="Only this district; may be given again.")] = None,
    compare: Annotated[
        str, typer.Option(help="previous (month), last_year (its same month), or a period such as 2025-01..2025-06.")
    ] = "previous",
    again: Annotated[
        bool, typer.Option("--again", help="Write another edition where later records changed the one that is kept.")
    ] = False,
    paper: PaperOption = "A4",
    workspace: WorkspaceOption = DEFAULT_WORKSPACE,
) -> None:
    """Write the review of a month on two sides, as a page and a PDF that are kept under reviews/.

    A review stays as it was given out; what later records changed of it is said here and in the next one."""
    from reports.pdf import check_paper, print_review
    from reports.results import Results
    from reports.reviews import read_month, write_review

    space = open_workspace(workspace)
    check_paper(paper)
    with Results(space.results) as results:
        choice = read_month(month, district or [], compare, results)
        written = write_review(results, space.folder / "reviews", choice, again=again)
    print(written.page)
    try:
        print(print_review(written.page, paper))
    except UserError as fault:
        print(f"no PDF: {fault}", file=sys.stderr)
    if not written.is_new:
        print(
            "kept as it was; another edition: --again" if written.is_behind else "nothing changed since it was written"
        )
    for sentence in written.changed:
        print(f"changed by later records: {sentence}")


@app.command(epilog="Example: loopwear compare dear.toml dear_and_less_money.toml --to prices")
def compare(
    files: Annotated[
        list[Path],
        typer.Argument(metavar="FILE...", help="TOML files of settings, each a scenario: what differs is enough."),
    ],
    to: Annotated[
        str | None, typer.Option(metavar="NAME", help="Name of the comparison; default: the files' names.")
    ] = None,
    workspace: WorkspaceOption = DEFAULT_WORKSPACE,
) -> None:
    """Plan under other settings, side by side, without touching the published run.

    Each file is laid over the settings of the last refresh. Written under scenarios/NAME/: the comparison, each
    setting moved alone, the sections that change sides, and a page."""
    from pipelines.investment.scenarios import tabulate_changes
    from reports.results import Results
    from reports.scenarios import read_scenarios, write_comparison
    from shared.dictionary import caveats

    space = open_workspace(workspace)
    check_paths(files)
    with Results(space.results) as results:
        given = read_scenarios(results.settings, files, say=lambda line: print(line, file=sys.stderr))
        name = to or "-".join(given)[:80]
        page, found, idle = write_comparison(
            results, space.folder / "scenarios", given, name, lambda line: print(line, file=sys.stderr, flush=True)
        )
    whole = found.rows[found.rows["changed_setting"].eq("")]
    decimals = {"replaced_km": 1, "injected_km": 1, "spent": 0, "avoided_failures": 1, "avoided_cost": 0}
    shown = ["scenario", *decimals, "sections_paying", "sections_changed", "sections_other_year"]
    print_frame(whole[shown].round(decimals))
    print("\nchange against the base, each setting moved alone")
    print_frame(tabulate_changes(found.rows).round(decimals))
    for scenario, names in idle.items():
        if names:
            print(f"{scenario}: the plan does not follow {', '.join(names)}; loopwear refresh shows what they change")
    print(f"\n{page}\n{caveats()['planning_aid']}")


@app.command(epilog="Example: loopwear browse --port 8410")
def browse(
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port to listen on; 0: any that is free.")] = 8410,
    host: Annotated[
        str, typer.Option(help="Address to listen on; any but the loopback needs the token that is printed.")
    ] = "127.0.0.1",
    workspace: WorkspaceOption = DEFAULT_WORKSPACE,
) -> None:
    """Serve the pages of any choice, sheets and a search to a browser on this machine, until stopped."""
    from reports.browse import serve

    serve(open_workspace(workspace), host, port)


@app.command(epilog="Example: loopwear schedule --cron '0 5 * * 1'")
def schedule(
    cron: Annotated[str, typer.Option(help="When to refresh, as a cron expression.")] = "0 5 * * 1",
    workspace: WorkspaceOption = DEFAULT_WORKSPACE,
    settings: SettingsOption = None,
) -> None:
    """Refresh at set times, until stopped."""
    space = open_workspace(workspace)
    from pipelines.run_history import recording

    choose_settings(space, settings)
    space.make()
    with recording(space, serving=True):
        from pipelines.flows import serve_refresh

        print(f"refresh of {space.folder} on '{cron}'; stop with Ctrl-C", flush=True)
        serve_refresh(space.folder, cron, settings and settings.resolve())


def explain_fault(fault: Exception) -> UserError:
    """A fault of the machine in the user's words, with the workspace named; anything else is ours, and logged."""
    import traceback

    from pipelines.progress import log_line, log_path
    from shared.store import Workspace

    space = Workspace((current_workspace or [DEFAULT_WORKSPACE])[0])
    where, text = str(space.folder), str(fault).splitlines()[0] if str(fault) else ""
    full = ("No space left", "File too large", "quota exceeded", "not enough disk")
    if any(sign.casefold() in str(fault).casefold() for sign in full):
        return UserError("the disk is full", where, "free some space and try again; nothing half-done was kept")
    if type(fault).__name__ == "OutOfMemoryException":
        remedy = "raise general.memory_limit_gb in the settings file"
        return UserError("the memory allowed is not enough", where, remedy)
    if isinstance(fault, PermissionError) or "Permission denied" in str(fault) or "Read-only" in str(fault):
        return UserError(f"a file may not be written: {text}", where, "choose another --workspace")
    log_line(space, "".join(traceback.format_exception(fault)))
    return UserError(
        f"a fault of loopwear itself: {type(fault).__name__}: {text}",
        str(log_path(space)),
        "please report it with the end of that log",
    )


def main() -> None:
    """Run a command: a user's fault is said without a traceback and ends with 1, wrong usage with 2."""
    # The matrices are small: threads of the linear algebra spend more time on waiting for one another than they save.
    # It reads this when it is first imported, which the commands do.
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    os.umask(PRIVATE)
    sys.stdout, sys.stderr = Shown(sys.stdout), Shown(sys.stderr)
    try:
        app()
    except UserError as fault:
        print(f"loopwear: {fault}", file=sys.stderr)
        sys.exit(1)
    except BrokenPipeError:
        sys.exit(0)
    except Exception as fault:
        print(f"loopwear: {explain_fault(fault)}", file=sys.stderr)
        sys.exit(1)


if __name__ == "__main__":
    main()
