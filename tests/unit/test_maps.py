"""The map files, read again by libraries that did not write them: SQLite's own, and a reader of geometries."""

from __future__ import annotations

import datetime as dt
import json
import sqlite3
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pandas as pd
import pytest
import shapely

from pipelines import maps
from shared import dictionary
from shared.errors import UserError
from shared.settings import Settings
from shared.store import Workspace, write_table
from tests.report_marts import filled

SETTINGS = Settings().override("general", as_of=dt.date(2025, 12, 31))

# T4 has no coordinates, S3 therefore no line; S9 is retired, its failure keeps its line
TABLES = {
    "districts": "district_id | timezone\nOB | UTC",
    "loops": "loop_id | district_id\nL1 | OB\nL2 | OB",
    "terminals": """
        terminal_id | x       | y      | loop_id
        T1          | 1000.1  | 50.25  | L1
        T2          | 1100.3  | 60.5   | L1
        T3          | 1203.7  | 55.125 | L1
        T4          |         |        | L2
        """,
    "sections": """
        section_id | loop_id | position | from_terminal_id | to_terminal_id | length_m | retired_on | insulation
        S1         | L1      | 1        | T1               | T2             | 110      |            | XLPE
        S2         | L1      | 2        | T2               | T3             | 105      |            | XLPE
        S3         | L2      | 1        | T3               | T4             | 90       |            | EPR
        S9         | L1      | 3        | T1               | T3             | 210      | 2015-01-01 | XLPE
        """,
}

MARTS = {
    "marts.section_ranking": {"section_id": ["S1", "S2", "S3"], "loop_id": ["L1", "L1", "L2"], "rank": [2, 1, 3],
                              "expected_failures": [0.1, 0.3, 0.05]},
    "marts.loop_ranking": {"loop_id": ["L1", "L2"], "rank": [1, 2]},
    "marts.section_options": {"section_id": ["S2"], "loop_id": ["L1"], "best_action_now": ["replace"]},
    "core.failures": {"job_id": ["J1", "J2", "J3"], "section_id": ["S2", "S9", None], "loop_id": ["L1", "L1", "L2"],
                      "failed_on": [dt.date(2020, 5, 6), dt.date(2010, 1, 2), dt.date(2021, 1, 1)]},
    "marts.closed_jobs": {"job_id": ["J1", "J2", "J3"], "customers_interrupted": [10, 20, 30]},
    "marts.programme": {"programme_order": [1, 2], "section_id": ["S2", "S1"], "loop_id": ["L1", "L1"],
                        "cost": [19950.5, 20900.0], "action": ["replace", "inject"], "plan_year": [1, 2]},
}  # fmt: skip


@pytest.fixture
def write(make_warehouse: Callable[..., duckdb.DuckDBPyConnection], tmp_path: Path) -> Callable[..., Path]:
    """A function that writes the map files of TABLES, some terminals moved, and returns their folder."""
    con = make_warehouse(TABLES, settings=SETTINGS, build=("staging", "core", "marts"))
    for name, columns in MARTS.items():
        write_table(con, name, filled(name, pd.DataFrame(columns)))
    con.close()

    def write_maps(system: str = "", places: dict[str, tuple[float, float]] | None = None, to: str = "maps") -> Path:
        workspace, folder = Workspace(tmp_path / "workspace"), tmp_path / to
        folder.mkdir()
        with duckdb.connect(str(workspace.warehouse)) as opened:
            for terminal, (x, y) in (places or {}).items():
                opened.execute("update staging.terminals set x = ?, y = ? where terminal_id = ?", [x, y, terminal])
        given = SETTINGS.override("general", coordinate_reference_system=system)
        maps.write_maps(workspace.warehouse, folder, given)
        return folder

    return write_maps


def read_package(file: Path, layer: str) -> list[dict[str, Any]]:
    """Rows of a layer with the geometry that its blob holds: OGC 12-128, clause 2.1.3, GeoPackageBinary."""
    with sqlite3.connect(file) as con:
        con.row_factory = sqlite3.Row
        rows = [dict(row) for row in con.execute(f"select * from {layer} order by fid")]
    con.close()
    for row in rows:
        blob = row.pop("geom")
        magic, version, flags = struct.unpack("<2sBB", blob[:4])
        assert (magic, version, flags & 0b110001) == (b"GP", 0, 1)  # little-endian, not empty, standard
        (row["srs_id"],) = struct.unpack("<i", blob[4:8])
        row["geom"] = shapely.from_wkb(blob[8 + (0, 32, 48, 48, 64)[flags >> 1 & 0b111] :])
    return rows


def ask(file: Path, query: str) -> list[Any]:
    con = sqlite3.connect(file)
    found = con.execute(query).fetchall()
    con.close()
    return found


def test_lines_and_attributes_come_back_as_they_were(write: Callable[..., Path]) -> None:
    file = write() / "loopwear.gpkg"
    sections = read_package(file, "sections")
    assert [(row["section_id"], row["rank"], row["expected_failures"]) for row in sections] == [
        ("S1", 2, 0.1), ("S2", 1, 0.3)
    ]  # fmt: skip
    assert list(sections[0]["geom"].coords) == [(1000.1, 50.25), (1100.3, 60.5)]
    assert [row["best_action_now"] for row in sections] == [None, "replace"]
    (loop,) = read_package(file, "loops")
    assert [list(line.coords) for line in loop["geom"].geoms] == [
        [(1000.1, 50.25), (1100.3, 60.5)], [(1100.3, 60.5), (1203.7, 55.125)]
    ]  # fmt: skip
    failures = read_package(file, "failures")
    assert [(row["job_id"], row["failed_on"], row["customers_interrupted"]) for row in failures] == [
        ("J1", "2020-05-06", 10), ("J2", "2010-01-02", 20)
    ]  # fmt: skip
    assert list(failures[1]["geom"].coords) == [(1000.1, 50.25), (1203.7, 55.125)]
    work = read_package(file, "programme")
    assert [(row["programme_order"], row["section_id"], row["action"], row["cost"]) for row in work] == [
        (1, "S2", "replace", 19950.5), (2, "S1", "inject", 20900.0)
    ]  # fmt: skip
    assert list(work[0])[1:3] == ["programme_order", "plan_year"]


def test_every_feature_and_layer_says_that_its_line_is_no_route_and_what_is_not_drawn(
    write: Callable[..., Path],
) -> None:
    folder = write("EPSG:3857")
    route = "lines join terminals and are not the cable's route: never locate or dig by them"
    file = folder / "loopwear.gpkg"
    said = dict(ask(file, "select table_name, description from gpkg_contents"))
    assert set(said) == set(maps.LAYERS)
    for layer, description in said.items():
        told = json.loads((folder / f"{layer}.geojson").read_text(encoding="utf-8"))
        assert told["description"] == description
        features = [f["properties"] for f in told["features"]]
        for row in [*read_package(file, layer), *features]:
            assert route in row["caution"]
        assert route in description and "no permission to dig" in description and "As of 2025-12-31." in description
        assert len(features) == len(read_package(file, layer))
    missing = "of the others the section, or the coordinates of an end, are not known"
    assert f"2 of 3 are drawn; {missing}." in said["sections"]
    assert f"2 of 3 are drawn; {missing}." in said["failures"]
    assert "2 of 2 are drawn. A ranking" in said["programme"]
    assert "Coordinate reference system: EPSG:3857 (WGS 84 / Pseudo-Mercator); in WGS 84. As of" in said["loops"]


def test_nothing_tells_of_people() -> None:
    for layer in maps.LAYERS.values():
        named = {name.rpartition(".")[2] for name in (*layer.columns, *layer.more)}
        assert not named & {"crew_id", "crew", "notes", "source_file"}
        assert set(layer.columns) <= set(dictionary.tables()[layer.table].columns)


@pytest.mark.parametrize(("system", "number"), [("", -1), ("EPSG:3857", 3857), ("epsg:4326", 4326)])
def test_the_package_is_one_by_the_standard(write: Callable[..., Path], system: str, number: int) -> None:
    """OGC 12-128, the requirements by their numbers (wording looked up in OGC's own conformance tests, ets-gpkg12)."""
    degrees = {"T1": (10.0, 50.0), "T2": (10.001, 50.0), "T3": (10.002, 50.001)}
    file = write(system, degrees if number == 4326 else None) / "loopwear.gpkg"
    head = file.read_bytes()[:100]
    assert head[:16] == b"SQLite format 3\0"  # 1
    assert head[68:72] == bytes.fromhex("47504B47") == b"GPKG"  # 2, application_id
    assert 10200 <= struct.unpack(">I", head[60:64])[0] < 20000  # 2, user_version: 1.2 or a later 1.x
    assert ask(file, "pragma integrity_check") == [("ok",)]  # 6
    assert ask(file, "pragma foreign_key_check") == []  # 7
    systems = {row[0]: row[1:] for row in ask(file, "select srs_id, organization, organization_coordsys_id, definition "
                                                    "from gpkg_spatial_ref_sys")}  # fmt: skip
    assert systems[-1] == ("NONE", -1, "undefined") and systems[0] == ("NONE", 0, "undefined")  # 11
    assert systems[4326][:2] == ("EPSG", 4326) and number in systems  # 11, 12
    for name, kind, own, changed in ask(file, "select table_name, data_type, srs_id, last_change from gpkg_contents"):
        assert (kind, own, changed) == ("features", number, "2025-12-31T00:00:00.000Z"), name  # 14, 15
    lines = ask(file, "select table_name, column_name, geometry_type_name, srs_id, z, m from gpkg_geometry_columns")
    assert sorted(lines) == [  # 22 to 28
        (name, "geom", "MULTILINESTRING" if name == "loops" else "LINESTRING", number, 0, 0)
        for name in ("failures", "loops", "programme", "sections")
    ]
    for layer in maps.LAYERS:
        rows = read_package(file, layer)
        assert {row["srs_id"] for row in rows} == {number}  # 33
        assert [row["fid"] for row in rows] == list(range(1, len(rows) + 1))  # 29, an integer key


def test_the_same_input_gives_the_same_bytes(write: Callable[..., Path]) -> None:
    first, again = write("EPSG:3857"), write("EPSG:3857", to="again")
    files = sorted(path.name for path in first.iterdir())
    assert files == ["failures.geojson", "loops.geojson", "loopwear.gpkg", "programme.geojson", "sections.geojson"]
    for name in files:
        assert (first / name).read_bytes() == (again / name).read_bytes(), name


def test_without_a_system_it_is_said_and_there_is_no_geojson(write: Callable[..., Path]) -> None:
    folder = write()
    assert [path.name for path in folder.iterdir()] == ["loopwear.gpkg"]
    ((said,),) = ask(folder / "loopwear.gpkg", "select description from gpkg_contents where table_name = 'loops'")
    assert (
        "Coordinate reference system: not given (setting general.coordinate_reference_system): coordinates as loaded, "
        "and no GeoJSON." in said
    )


def test_without_coordinates_there_is_no_file(write: Callable[..., Path]) -> None:
    none = (float("nan"), float("nan"))
    assert list(write("EPSG:3857", {"T1": none, "T2": none, "T3": none}).iterdir()) == []


def to_wgs_84_by_helmert(lat: float, lon: float) -> tuple[float, float]:
    """Longitude and latitude in WGS 84 of degrees on Airy 1830, by the position vector transformation EPSG:1314.

    IOGP 373-07-02, Geomatics Guidance Note 7 part 2, sections on geographic/geocentric conversions and on position
    vector transformations; the parameters as the registry lists them (446.448, -125.157, 542.06 m; 0.15, 0.247,
    0.842 seconds; -20.489 ppm; looked up).
    """
    a, f = 6377563.396, 1 / 299.3249646
    e2 = f * (2 - f)
    phi, lam = np.radians([lat, lon])
    nu = a / np.sqrt(1 - e2 * np.sin(phi) ** 2)
    at = nu * np.array([np.cos(phi) * np.cos(lam), np.cos(phi) * np.sin(lam), (1 - e2) * np.sin(phi)])
    rx, ry, rz = np.radians(np.array([0.15, 0.247, 0.842]) / 3600)
    turn = np.array([[1, -rz, ry], [rz, 1, -rx], [-ry, rx, 1]])
    x, y, z = np.array([446.448, -125.157, 542.06]) + (1 - 20.489e-6) * turn @ at
    a, f = 6378137.0, 1 / 298.257223563
    e2 = f * (2 - f)
    phi = np.arctan2(z, np.hypot(x, y) * (1 - e2))
    for _ in range(10):
        nu = a / np.sqrt(1 - e2 * np.sin(phi) ** 2)
        phi = np.arctan2(z + e2 * nu * np.sin(phi), np.hypot(x, y))
    return float(np.degrees(np.arctan2(y, x))), float(np.degrees(phi))


def test_geojson_is_in_wgs_84_with_the_longitude_first(write: Callable[..., Path]) -> None:
    """The worked example of the transverse Mercator: 577274.99 E, 69740.50 N is 50 30 N, 0 30 E on its own datum.

    IOGP 373-07-02, Guidance Note 7 part 2 (example for EPSG:27700, looked up), given to the centimetre: 2e-7 degrees.
    """
    folder = write("EPSG:27700", {"T1": (577274.99, 69740.50), "T2": (577374.99, 69740.50), "T3": (577474.0, 69740.0)})
    told = json.loads((folder / "sections.geojson").read_text(encoding="utf-8"))
    assert told["type"] == "FeatureCollection" and "crs" not in told  # RFC 7946, section 4: no other system
    first = shapely.from_geojson(json.dumps(told["features"][0]["geometry"]))
    assert first.geom_type == "LineString"
    assert first.coords[0] == pytest.approx(to_wgs_84_by_helmert(50.5, 0.5), abs=2e-7)
    assert first.coords[1][0] > first.coords[0][0]
    text = (folder / "sections.geojson").read_text(encoding="utf-8")
    assert "Coordinate reference system: EPSG:27700" in text and "in WGS 84 to about 2 m" in text
    decimals = [str(c).partition(".")[2] for line in told["features"] for at in line["geometry"]["coordinates"]
                for c in at]  # fmt: skip
    assert max(map(len, decimals)) == 7  # RFC 7946, section 11.2: no more than can be meant


def test_feet_stay_feet_in_the_package_and_are_degrees_in_geojson(write: Callable[..., Path]) -> None:
    """The false origin of EPSG:2263 is 984,250 US survey feet east at 74 W, 40 10 N: by the definition of the system.

    A thousand feet along the parallel there are 304.8006 m over a degree of 85,400 m or so.
    """
    folder = write("EPSG:2263", {"T1": (984250.0, 0.0), "T2": (985250.0, 0.0), "T3": (985250.0, 1000.0)})
    section = read_package(folder / "loopwear.gpkg", "sections")[0]
    assert list(section["geom"].coords) == [(984250.0, 0.0), (985250.0, 0.0)]
    told = json.loads((folder / "sections.geojson").read_text(encoding="utf-8"))
    (west, south), (east, _) = told["features"][0]["geometry"]["coordinates"]
    assert (west, south) == pytest.approx((-74.0, 40 + 10 / 60), abs=1e-7)
    parallel_m = np.cos(np.radians(south)) * 6378137 / np.sqrt(1 - 0.00669438 * np.sin(np.radians(south)) ** 2)
    assert np.radians(east - west) * parallel_m == pytest.approx(1000 * 1200 / 3937, rel=2e-4)  # the zone's own scale


@pytest.mark.parametrize(
    ("system", "places", "told"),
    [
        ("25832", {}, "no coordinate reference system '25832' is known"),
        ("EPSG:999999", {}, "no coordinate reference system 'EPSG:999999' is known"),
        ("EPSG:5714", {}, "EPSG:5714 (MSL height) is no system of eastings and northings or degrees"),
        ("EPSG:4978", {}, "EPSG:4978 (WGS 84) is no system of eastings and northings or degrees"),
        (
            "EPSG:4258",  # latitude for longitude
            {"T1": (50.5, 10.0), "T2": (50.6, 10.0), "T3": (50.7, 10.0)},
            "by EPSG:4258 (ETRS89) most terminals would lie at longitude 50.6, latitude 10.0: that system is for ",
        ),
        (
            "EPSG:25832",  # beyond the reach of the projection
            {"T1": (1e20, 1e20), "T2": (1e20, 1e20), "T3": (1e20, 1e20)},
            "by EPSG:25832 (ETRS89 / UTM zone 32N) most terminals would lie nowhere on earth: that system is for ",
        ),
    ],
)
def test_a_wrong_system_is_refused_before_it_draws(
    write: Callable[..., Path], system: str, places: dict[str, tuple[float, float]], told: str
) -> None:
    with pytest.raises(UserError) as caught:
        write(system, places)
    assert caught.value.what.startswith(told)
    assert caught.value.where == "setting general.coordinate_reference_system"
    assert caught.value.remedy.startswith(
        "check the code, that x is the easting or longitude, and feet or metres" if places else
        "give the code of the terminals' x and y, such as \"EPSG:25832\""
    ) and "leave it empty" in caught.value.remedy  # fmt: skip


def test_an_area_across_the_date_line_holds_both_its_sides(write: Callable[..., Path]) -> None:
    """EPSG:2193 is used on both sides of 180 degrees; its central meridian 173 E is at 1,600,000 m, by definition."""
    folder = write("EPSG:2193", {"T1": (1600000.0, 5400000.0), "T2": (1600100.0, 5400000.0), "T3": (3500000.0, 5e6)})
    told = json.loads((folder / "sections.geojson").read_text(encoding="utf-8"))
    assert told["features"][0]["geometry"]["coordinates"][0][0] == pytest.approx(173.0, abs=1e-7)


def test_a_place_that_cannot_be_written_is_said(write: Callable[..., Path], tmp_path: Path) -> None:
    write()
    with pytest.raises(UserError, match=r"the map file cannot be written: .*unable to open"):
        maps.write_maps(Workspace(tmp_path / "workspace").warehouse, tmp_path / "nowhere", SETTINGS)
