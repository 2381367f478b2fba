"""A drafted mapping: what is guessed, from what, what is left open, and that the draft itself loads."""

from __future__ import annotations

import csv
import re
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from pipelines.cli import draft_mapping as draft_by_command
from pipelines.intake.draft import draft_mapping
from pipelines.intake.guesses import guess_decimal, guess_formats, guess_length_unit, guess_velocity
from pipelines.intake.load import load_paths
from pipelines.intake.mapping import TableSource
from pipelines.intake.mapping_file import parse_mapping, parse_mapping_text
from shared.errors import UserError
from shared.settings import Settings
from shared.store import Workspace, open_warehouse
from tests.cases.small_utility import TABLES, write_csv

BOOK = """Closed cable jobs 2019,,,,,,,,,
WO Number,Loop,Date Off,Time Off,Restored,Estimated Distance,Dug,VOP,Cause Code,Widget
,,,,,ft,ft,,,
W-1,L1,03/14/2019,14:05,03/14/2019 16:40,"1,204.5",1190,79.4,excavation,7
W-2,L2,03/02/2019,09:15,03/02/2019 11:00,300,310,79.4,squashed,8
TOTAL,,,,,,,,,
"""


@pytest.fixture
def book(tmp_path: Path) -> Path:
    path = tmp_path / "closed book.csv"
    path.write_text(BOOK)
    return path


def test_titles_units_joined_stamps_totals_and_codes_are_found(book: Path, tmp_path: Path) -> None:
    text = draft_mapping([book], None, Settings())
    (tmp_path / "draft.toml").write_text(text)
    source = parse_mapping(tmp_path / "draft.toml").tables[0]
    assert (source.table, source.skip_rows, source.skip_after_header) == ("jobs", 1, 1)
    assert source.filters[0].values == ("TOTAL",)
    assert source.columns["job_id"].columns == ("WO Number",)
    assert source.columns["reported_at"].columns == ("Date Off", "Time Off")
    assert source.columns["reported_at"].formats == ("%m/%d/%Y %H:%M",)
    assert source.columns["estimated_distance_m"].unit == "ft"
    assert source.columns["velocity_setting_pct"].unit == "half_m_per_us"
    assert source.columns["cause"].codes == {"excavation": "dig_in"}
    assert "the unit row says 'ft'" in text
    assert "the order of day and month is proven by values above 12" in text
    assert '#   ??? no code found for "squashed"' in text
    assert '#   "Widget": "7", "8"' in text


def test_the_draft_loads_and_its_preview_shows_what_is_loaded(book: Path, tmp_path: Path) -> None:
    con = open_warehouse(Workspace(tmp_path / "workspace"))
    load_paths(
        con, [write_csv(tmp_path / f"{t}.csv", TABLES[t]) for t in ("districts", "loops", "sections")], Settings()
    )
    text = draft_mapping([book], con, Settings())
    (tmp_path / "draft.toml").write_text(text)
    count = load_paths(con, [book], Settings(), tmp_path / "draft.toml").files[0]
    assert (count.read, count.new, count.filtered) == (2, 2, 1)
    rows = con.execute(
        "select job_id, reported_at::varchar, estimated_distance_m, round(velocity_setting_pct, 2), cause "
        "from raw.jobs order by 1"
    ).fetchall()
    assert rows == [  # Chicago was five hours behind on 14 March 2019, six on 2 March
        ("W-1", "2019-03-14 19:05:00+00", round(1204.5 * 0.3048, 6), round(79.4 * 200 / 299.792458, 2), "dig_in"),
        ("W-2", "2019-03-02 15:15:00+00", round(300 * 0.3048, 6), round(79.4 * 200 / 299.792458, 2), None),
    ]
    assert "#   job_id = W-1; loop_id = L1; reported_at = 2019-03-14 14:05:00" in text


@pytest.mark.parametrize(
    "texts, formats, sure",
    [
        (["2019-03-14 10:00"], (), True),
        (["13/03/2019", "02/04/2019"], ("%d/%m/%Y",), True),
        (["03/13/2019", "02/04/2019"], ("%m/%d/%Y",), True),
        (["03/04/2019", "02/04/2019"], ("%m/%d/%Y",), False),
        (["14-Mar-2008 14:05"], ("%d-%b-%Y %H:%M",), True),
        (["13/03/2019", "03/14/2019", "03/15/2019"], ("%m/%d/%Y", "%d/%m/%Y"), False),
    ],
)
def test_the_order_of_day_and_month_is_sure_only_where_proven(texts, formats, sure) -> None:
    guess = guess_formats(texts)
    assert guess is not None
    assert (guess.value, guess.is_sure) == (formats, sure)


def test_texts_that_are_no_stamps_have_no_format() -> None:
    assert guess_formats(["yesterday", "soon"]) is None


@pytest.mark.parametrize(
    "median, pct",
    [("0.53", "fraction"), ("53", "percent"), ("159", "m_per_us"), ("521", "ft_per_us"), ("261", "half_ft_per_us")],
)
def test_a_velocity_s_convention_is_told_by_what_cable_has(median: str, pct: str) -> None:
    assert guess_velocity([median] * 5).value == (pct,)


def test_a_length_s_unit_is_told_by_the_lengths_on_record() -> None:
    assert guess_length_unit("Length", "", ["280", "300"], 88.0).value == ("ft",)
    assert guess_length_unit("Length", "", ["85", "91"], 88.0).value == ("m",)
    assert not guess_length_unit("Length", "", ["85", "91"], None).is_sure


@pytest.mark.parametrize(
    "content, what", [(b"", "the file is empty"), (b"%PDF-1.4", "this is not a text file but a PDF")]
)
def test_a_file_without_a_table_is_refused(tmp_path: Path, content: bytes, what: str) -> None:
    (tmp_path / "x.csv").write_bytes(content)
    with pytest.raises(UserError) as caught:
        draft_mapping([tmp_path / "x.csv"], None, Settings())
    assert caught.value.what == what


def test_a_decimal_comma_is_guessed_and_the_values_load(tmp_path: Path) -> None:
    path = tmp_path / "book.csv"
    path.write_text(
        "Ticket;Loop;Time Off;Time On;Dug ft;Crew\n"
        + "".join(f"T{n};L1;03.05.2018 10:{n};03.05.2018 12:{n};{300 + n},5;C{n}\n" for n in range(10, 20)),
        encoding="utf-8",
    )
    text = draft_mapping([path], None, Settings())
    assert 'decimal = ","  # 10 numbers such as 310,5, 0 with a point' in text
    assert 'crew_id = "Crew"  # a word of the trade for it' in text  # and no dispatched_at by its one word
    assert "dug_distance_m = 94.6404" in text


@pytest.mark.parametrize(
    ("texts", "is_comma"),
    [
        (["1,250", "3,400"], False),
        (["12,5"], True),
        (["12,5", "1.250,5"], True),
        (["12.5", "1,204.5"], False),
        (["12,5", "12.5"], False),
        ([], False),
        (["C1", "3.5.2018"], False),
    ],
)
def test_a_decimal_comma_must_be_proven(texts: list[str], is_comma: bool) -> None:
    assert (guess_decimal(texts) is not None) == is_comma


def test_a_comma_that_may_be_either_is_left_for_a_person_to_decide(tmp_path: Path) -> None:
    path = tmp_path / "book.csv"
    head = "Ticket,Loop,Time Off,Time On,Cost\n"
    path.write_text(
        head + "".join(f'T{n},L1,2018-05-{n} 10:00,2018-05-{n} 12:00,"{n},250"\n' for n in range(10, 20)),
        encoding="utf-8",
    )
    assert (
        "decimal = \".\"  # ??? 10,250 is taken as thousands; give ',' if its comma comes before decimals\n"
    ) in draft_mapping([path], None, Settings())
    path.write_text(path.read_text() + 'T9,L1,2018-05-21 10:00,2018-05-21 12:00,"1,250.50"\n')
    assert "decimal" not in draft_mapping([path], None, Settings())


def test_meters_out_are_customers_and_no_moment(tmp_path: Path) -> None:
    file = tmp_path / "month.csv"
    file.write_text(
        "Ticket;Called in;Loop;Found;Meters out;Cause\n"
        "A-1;03.11.2025 14:20;L1;03.11.2025 16:10;38;rotten\nA-2;14.11.2025 02:20;L2;14.11.2025 04:10;51;unknown\n",
        encoding="utf-8",
    )
    text = draft_mapping([file], None, Settings())
    assert 'customers_interrupted = "Meters out"' in text
    assert 'reported_at = { from = "Called in"' in text
    # what could be meant stands beside what is not known
    assert re.search(r'no code found for "rotten"; codes: insulation_breakdown, .*unknown', text)


def test_numbers_are_not_taken_for_moments(tmp_path: Path) -> None:
    file = tmp_path / "month.csv"
    file.write_text("Ticket,Loop,Out\nA-1,L1,380\nA-2,L2,510\n", encoding="utf-8")
    assert '# reported_at = "???"' in draft_mapping([file], None, Settings())


def write_csvs(folder: Path, **texts: str) -> list[Path]:
    """Files of a folder, each under its stem."""
    paths = [folder / f"{stem}.csv" for stem in texts]
    for path, text in zip(paths, texts.values(), strict=True):
        path.write_text(text, encoding="utf-8")
    return paths


TICKETS = "Ticket,Region,Year,Loop,Time off,Time on,Customers\n" + "".join(
    f"A-{n},North,2019,L{n % 3},2019-05-{n:02} 10:00,2019-05-{n:02} 12:00,{20 + n}\n" for n in range(1, 13)
)
REGISTER = "Loop,Cable no,Seq,Length ft,Insul\n" + "".join(
    f"L{n % 3},C{n},{n // 3 + 1},{300 + n},XLPE\n" for n in range(9)
)


def drafted(text: str) -> dict[str, TableSource]:
    return {source.table: source for source in parse_mapping_text(text, Path("draft")).tables}


def test_a_list_of_outages_is_no_table_whose_key_repeats(tmp_path: Path) -> None:
    text = draft_mapping(write_csvs(tmp_path, book=TICKETS), None, Settings())
    assert set(drafted(text)) == {"jobs"}
    assert drafted(text)["jobs"].columns["customers_interrupted"].columns == ("Customers",)
    other = 'customers_by_year: district_id = "Region", year = "Year", customers_served = "Customers"; 3 of 7 headings '
    assert f"#   {other}are its columns; Region, Year has 1 values in 12 rows; of the same key 1 say two things" in text
    needed = "# ??? Needed before jobs are loaded, and not among these files:\n#   districts: district_id, timezone, "
    assert needed in text


def test_one_file_gives_the_tables_its_rows_hold(tmp_path: Path) -> None:
    rows = TICKETS.splitlines()
    steps = [f"{row},2019-05-01 1{n}:30,{n}" for row in rows[1:] for n in (0, 1)]
    book = "\n".join([rows[0] + ",Switched,Customers back", *steps]) + "\n"
    found = drafted(draft_mapping(write_csvs(tmp_path, book=book), None, Settings()))
    assert set(found) == {"jobs", "restoration_steps"}
    assert found["restoration_steps"].columns["step_at"].columns == ("Switched",)
    assert "step_at" not in found["jobs"].columns


def test_what_another_file_says_of_the_same_tickets_is_joined_on_their_key(tmp_path: Path) -> None:
    digs = "Dig for,Taped ft,Customers\n" + "".join(f"A-{n},{100 + n},x\n" for n in range(1, 9))
    paths = write_csvs(tmp_path, book=TICKETS, digs=digs, cable=REGISTER)
    text = draft_mapping(paths, None, Settings())
    found = drafted(text)
    assert set(found) == {"loops", "sections", "jobs"}
    assert found["jobs"].joins[0].on == {"Ticket": "Dig for"}
    assert found["jobs"].columns["dug_distance_m"].columns == ("Taped ft",)
    assert 'on = { "Ticket" = "Dig for" }  # 100 % of the values of Dig for are Ticket of book.csv' in text
    assert 'prefix = "their."  # before the headers that both have' in text
    assert 'loop_id = "Loop"  # a word of the trade for it; 100 % of its values are in Loop of cable.csv' in text
    with open_warehouse(Workspace(tmp_path / "workspace")) as con:
        load_paths(con, [write_csv(tmp_path / "districts.csv", TABLES["districts"])], Settings())
        edited = text.replace('# district_id = "???"  # required', 'district_id = { value = "D1" }')
        (tmp_path / "ours.toml").write_text(edited, encoding="utf-8")
        load_paths(con, paths, Settings(), tmp_path / "ours.toml")
        dug = con.execute("select job_id, dug_distance_m from raw.jobs order by reported_at").fetchall()
    assert dug[0] == ("A-1", round(101 * 0.3048, 6))
    assert dug[8] == ("A-9", None)


def test_a_loop_is_fetched_from_the_register_by_the_section(tmp_path: Path) -> None:
    tickets = "Ticket,Cable no,Time off,Time on\n" + "".join(
        f"A-{n},C{n},2019-05-{n:02} 10:00,2019-05-{n:02} 12:00\n" for n in range(1, 9)
    )
    found = drafted(draft_mapping(write_csvs(tmp_path, book=tickets, cable=REGISTER), None, Settings()))
    assert found["jobs"].joins[0].on == {"Cable no": "Cable no"}
    assert found["jobs"].columns["loop_id"].columns == ("Loop",)


def test_values_that_would_not_be_read_are_counted_with_the_first(tmp_path: Path) -> None:
    book = TICKETS.replace("2019-05-07 12:00", "noon").replace(",30\n", ",many\n")
    text = draft_mapping(write_csvs(tmp_path, book=book), None, Settings())
    assert '#   restored_at: 1 of 12, first "noon"\n#   customers_interrupted: 1 of 12, first "many"\n' in text


def test_headings_are_found_below_any_depth_of_titles_and_above_units(tmp_path: Path) -> None:
    above = "".join(f"Note {n} on how this book is kept,,,,,,\n" for n in range(40)) + "\n"
    units = ",,,,local,local,no\n-,-,-,-,-,-,-\n"
    header, rows = TICKETS.split("\n", 1)
    paths = write_csvs(tmp_path, book=f'{above}{header}\n{units}{rows}{header}\n"A-13",North,2019,L1,"then ""on""",,\n')
    text = draft_mapping(paths, None, Settings())
    source = drafted(text)["jobs"]
    assert (source.skip_rows, source.skip_after_header) == (41, 2)
    assert 'filters = [{ column = "Ticket", values = ["Ticket"], keep = false }]  # the header once more' in text


def test_files_of_one_form_share_a_block_and_canonical_ones_need_none(tmp_path: Path) -> None:
    header, *rows = TICKETS.splitlines()
    months = {f"closed_2019_{n}": "\n".join([header, *rows[n::3]]) + "\n" for n in range(3)}
    write_csvs(tmp_path, **months)
    for table in ("districts", "loops"):
        write_csv(tmp_path / f"{table}.csv", TABLES[table])
    text = draft_mapping([tmp_path], None, Settings())
    assert drafted(text)["jobs"].pattern == "closed_2019_*.csv"
    assert "# loops.csv is in the canonical form: it loads as it is.\n" in text


def test_what_is_no_table_is_told_with_its_columns(tmp_path: Path) -> None:
    text = draft_mapping(write_csvs(tmp_path, book=TICKETS, menu="Day,Soup\nMo,pea\nTu,pea\n"), None, Settings())
    assert '# Nothing is made of menu.csv: no table\'s key is among its headings:\n#   "Day": "Mo", "Tu"\n' in text


@pytest.mark.parametrize(
    ("texts", "formats", "sure"),
    [
        (["43586.4166", "43587"], ("excel_serial",), True),
        (["1556704800"], ("epoch_s",), True),
        (["1556704800000"], ("epoch_ms",), True),
        (["2019/05/01 00:00:00+00"], ("%Y/%m/%d %H:%M:%S+00",), False),
        (["2019/05/01 10:00:00+00"], ("%Y/%m/%d %H:%M:%S%z",), True),
    ],
)
def test_counts_are_stamps_of_their_size_and_midnights_are_days(texts, formats, sure) -> None:
    guess = guess_formats(texts)
    assert guess is not None
    assert (guess.value, guess.is_sure) == (formats, sure)


def test_a_text_that_only_the_careful_reader_reads_is_drafted(tmp_path: Path) -> None:
    path = tmp_path / "book.csv"
    path.write_bytes(TICKETS.replace("North", "Grüne Au").encode("cp1252"))
    text = draft_mapping([path], None, Settings())
    assert 'encoding = "cp1252"  # no mark says so; the file is not UTF-8' in text
    assert drafted(text)["jobs"].encoding == "cp1252"


def test_a_database_is_drafted_table_by_table(tmp_path: Path) -> None:
    header, *rows = csv.reader(TICKETS.splitlines())
    with closing(sqlite3.connect(tmp_path / "book.db")) as con, con:
        con.execute(f'create table "old tickets" ({", ".join(map(repr, header))})')
        con.executemany(f'insert into "old tickets" values ({", ".join("?" * len(header))})', rows)
    source = drafted(draft_mapping([tmp_path], None, Settings()))["jobs"]
    assert source.database is not None
    assert (source.database.relation, source.database.file) == ('"old tickets"', tmp_path / "book.db")


def test_a_database_beside_the_mapping_is_named_from_there(tmp_path: Path) -> None:
    folder = tmp_path / "a [b] 'c'"
    header, *rows = csv.reader(TICKETS.splitlines())
    for place in (folder / "data" / "book.db", tmp_path / "far.db"):
        place.parent.mkdir(parents=True, exist_ok=True)
        with closing(sqlite3.connect(place)) as con, con:
            con.execute(f"create table {place.stem} ({', '.join(map(repr, header))})")
            con.executemany(f"insert into {place.stem} values ({', '.join('?' * len(header))})", rows)
    mapping = folder / "ours.toml"
    given = [str(folder / "data"), str(tmp_path / "far.db")]
    draft_by_command(given, mapping, tmp_path / "none")
    blocks = parse_mapping_text(mapping.read_text(), mapping).tables
    assert {b.database.address for b in blocks if b.database} == {"sqlite:data/book.db", f"sqlite:{tmp_path}/far.db"}
    assert all(b.database and b.database.file and b.database.file.is_file() for b in blocks)


def test_a_pattern_finds_no_file_of_another_form(tmp_path: Path) -> None:
    header, *rows = TICKETS.splitlines()
    write_csvs(tmp_path, book_1=TICKETS, book_3="\n".join([header + ",Gang", *(f"{r},7" for r in rows)]) + "\n")
    (tmp_path / "book_2.csv").write_bytes(TICKETS.replace("A-", "Ä-").encode("cp1252"))
    blocks = parse_mapping_text(draft_mapping([tmp_path], None, Settings()), Path("draft")).tables
    assert sorted(b.pattern for b in blocks) == ["book_1.csv", "book_2.csv", "book_3.csv"]
    (tmp_path / "book_3.csv").unlink()
    (block,) = parse_mapping_text(draft_mapping([tmp_path], None, Settings()), Path("draft")).tables
    assert (block.pattern, block.encoding) == ("book_*.csv", None)
