"""Writes the map files: loopwear.gpkg (OGC GeoPackage) and, where the reference system is given, GeoJSON of its layers.

A section is drawn as a straight line between its terminals, a loop as its sections in service, and a failure as the
line of its section: a point would be taken for the place of the fault.
"""

import re
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import duckdb
import numpy as np
import pandas as pd

from shared import dictionary
from shared.errors import UserError
from shared.settings import Settings
from shared.store import open_results, quoted

if TYPE_CHECKING:
    from pyproj import CRS

GEOPACKAGE = "loopwear.gpkg"

CAUTION = "lines_are_no_route"
"""Caveat that every feature carries; its layer says all CAUTIONS."""

CAUTIONS = ("planning_aid", CAUTION, "no_permission_to_dig")

SETTING = "setting general.coordinate_reference_system"

WGS_84 = 4326
"""The system of GeoJSON (RFC 7946, section 4), by its EPSG code."""

UNDEFINED = (
    'ENGCRS["Undefined Cartesian SRS",EDATUM["Unknown"],CS[Cartesian,2],AXIS["x",unspecified,ORDER[1]],'
    'AXIS["y",unspecified,ORDER[2]],LENGTHUNIT["unknown",1]]'
)
"""What the writer takes for the GeoPackage's own "undefined Cartesian", -1 (OGC 12-128, requirement 11)."""

MARGIN_DEGREES = 1.0
"""Degrees that terminals may lie outside the area where their system is meant to be used: ours, towns lie on edges."""


WORK_LIST = (
    "programme_order", "plan_year", "district_id", "project_id", "loop_id", "section_id", "from_terminal_id",
    "to_terminal_id", "cable_class", "length_m", "action", "decided", "cost", "mobilising_cost", "avoided_failures",
    "avoided_customer_minutes", "avoided_cost", "net_benefit",
)  # fmt: skip
"""Columns of the programme as who plans the work reads them."""


def list_work_columns() -> tuple[str, ...]:
    """Columns of the programme: those of WORK_LIST, the others, the caution last."""
    there = dictionary.tables()["marts.programme"].columns
    first = [c for c in WORK_LIST if c in there]
    return (*first, *(c for c in there if c not in (*first, "caution")), "caution")


@dataclass(frozen=True)
class Layer:
    """A layer of the map files: a table, of which some columns are taken, and more that is joined to it."""

    table: str
    columns: tuple[str, ...]
    joined: str = ""
    more: tuple[str, ...] = ("lines.from_terminal_id", "lines.to_terminal_id")


LAYERS = {
    "sections": Layer(
        "marts.section_ranking",
        ("section_id", "rank", "loop_id", "district_id", "cable_class", "installed_on", "length_km",
         "failures_recorded", "expected_failures", "expected_failures_lo", "expected_failures_hi",
         "replacement_cost", "avoided_cost"),
        "left join marts.section_options as options using (section_id)",
        ("options.best_action_now", "options.best_year", "options.plan_year", *Layer.more),
    ),
    "loops": Layer(
        "marts.loop_ranking",
        ("loop_id", "rank", "rank_lo", "rank_hi", "district_id", "length_km", "sections", "oldest_installed",
         "failures_recorded", "expected_failures", "expected_failures_lo", "expected_failures_hi",
         "replacement_cost", "avoided_cost", "reasons"),
        more=(),
    ),
    "failures": Layer(
        "core.failures",
        ("job_id", "failed_on", "loop_id", "section_id", "district_id", "cable_class", "age_years", "cause",
         "failed_component", "is_counted", "why_not"),
        "left join marts.closed_jobs as jobs using (job_id)",
        ("jobs.customers_interrupted", "jobs.customer_minutes", *Layer.more),
    ),
    "programme": Layer("marts.programme", list_work_columns()[:-1], more=()),
}  # fmt: skip
"""Layers by name; none says who worked, or what they wrote."""


@dataclass(frozen=True)
class Places:
    """Terminals with coordinates: their own (terminal_id, x, y), the same in WGS 84 where that can be told, in words.

    system is None where the settings give none, wgs_84 where there is no way from it to WGS 84.
    """

    own: pd.DataFrame
    system: "CRS | None"
    wgs_84: pd.DataFrame | None
    said: str


def locate_terminals(con: duckdb.DuckDBPyConnection, settings: Settings) -> Places:
    """Where the terminals are, by the reference system of the settings.

    Parameters
    ----------
    con
        A database with staging.terminals, whose x and y are as they were loaded.
    settings
        general.coordinate_reference_system is used.

    Raises
    ------
    UserError
        The system is not known, is none of a map, or lies elsewhere than the terminals.

    Notes
    -----
    Of the registry's ways to WGS 84 that this machine can follow, the one it states to be the most exact for the area
    of the terminals; nothing is fetched.

    Checked by: tests/unit/test_maps.py (through write_maps)
    """
    found = "select terminal_id, x, y from staging.terminals where isfinite(x) and isfinite(y) order by terminal_id"
    own, given = con.execute(found).df(), settings.general.coordinate_reference_system
    if not given:
        return Places(own, None, None, f"not given ({SETTING}): coordinates as loaded, and no GeoJSON")
    system = read_system(given)
    said = f"{given} ({system.name})"
    if own.empty:
        return Places(own, system, None, said)
    from pyproj.aoi import AreaOfInterest
    from pyproj.network import set_network_enabled  # type: ignore[attr-defined]  # re-exported, which its stub hides
    from pyproj.transformer import Transformer, TransformerGroup

    set_network_enabled(active=False)
    lon, lat = Transformer.from_crs(system, WGS_84, always_xy=True).transform(own["x"], own["y"])
    _refuse_elsewhere(system, said, np.asarray(lon), np.asarray(lat))
    known = np.isfinite(lon) & np.isfinite(lat)
    area: Any = AreaOfInterest(lon[known].min(), lat[known].min(), lon[known].max(), lat[known].max())
    with warnings.catch_warnings(
        action="ignore"
    ):  # that a finer way needs a file that is not here: its accuracy is said
        ways = TransformerGroup(system, WGS_84, always_xy=True, area_of_interest=area, allow_ballpark=False)
    if not ways.transformers:
        return Places(own, system, None, f"{said}; no way from it to WGS 84 is known here, so no GeoJSON")
    way = ways.transformers[0]
    lon, lat = way.transform(own["x"], own["y"])
    wgs_84 = own.assign(x=lon, y=lat)
    exact = f" to about {way.accuracy:g} m" if way.accuracy > 0 else " to an accuracy not stated" * (way.accuracy < 0)
    return Places(own, system, wgs_84[np.isfinite(lon) & np.isfinite(lat)], f"{said}; in WGS 84{exact}")


def read_system(given: str) -> "CRS":
    """The reference system of a registry's code.

    Notes
    -----
    Checked by: tests/unit/test_maps.py (through write_maps)
    """
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    remedy = 'give the code of the terminals\' x and y, such as "EPSG:25832", or leave it empty'
    code = re.fullmatch(r"EPSG:(\d{1,9})", given, re.IGNORECASE)
    try:
        system = CRS.from_epsg(int(code[1])) if code else None
    except CRSError:
        system = None
    if system is None:
        raise UserError(f"no coordinate reference system '{given}' is known", SETTING, remedy)
    if not (system.is_projected or system.is_geographic) or len(system.axis_info) != 2:
        raise UserError(f"{given} ({system.name}) is no system of eastings and northings or degrees", SETTING, remedy)
    return system


def _refuse_elsewhere(system: "CRS", said: str, lon: np.ndarray, lat: np.ndarray) -> None:
    """Refuse a system whose area most of the terminals are not in: degrees of WGS 84."""
    area = system.area_of_use
    west, south, east, north = area.bounds if area else (-180.0, -90.0, 180.0, 90.0)
    with np.errstate(invalid="ignore"):  # what cannot be told in degrees is infinite, and outside
        off = (lon - west + MARGIN_DEGREES) % 360.0
    across = ((east - west) % 360.0 or 360.0) + 2 * MARGIN_DEGREES
    inside = (off <= across) & (lat >= south - MARGIN_DEGREES) & (lat <= north + MARGIN_DEGREES)
    if inside.mean() < 0.5:
        x, y = np.median(lon), np.median(lat)
        where = f"at longitude {x:.1f}, latitude {y:.1f}" if np.isfinite(x + y) else "nowhere on earth"
        raise UserError(
            f"by {said} most terminals would lie {where}: that system is for longitudes {west:.1f} to {east:.1f} and "
            f"latitudes {south:.1f} to {north:.1f}",
            SETTING,
            "check the code, that x is the easting or longitude, and feet or metres; or leave it empty",
        )


def write_maps(results: Path, folder: Path, settings: Settings) -> dict[str, int]:
    """Write the map files, where any terminal has coordinates.

    Parameters
    ----------
    results
        The results of a run, read only.
    folder
        Where loopwear.gpkg and LAYER.geojson go.
    settings
        general.as_of is set: it dates the layers, so that the same input gives the same bytes.

    Returns
    -------
    dict
        Features by file.

    Notes
    -----
    GeoJSON: longitude first, seven decimals of a degree, about a centimetre (RFC 7946, sections 3.1.1 and 11.2).

    Checked by: tests/unit/test_maps.py
    """
    with open_results(results) as con:
        places = locate_terminals(con, settings)
        if places.own.empty:
            return {}
        import pyogrio

        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": f"{settings.general.as_of}T00:00:00.000Z"})
        written = {GEOPACKAGE: 0}
        _draw_lines(con, places.own)
        for name in LAYERS:
            system = places.system.to_wkt() if places.system else UNDEFINED
            written[GEOPACKAGE] += _write_layer(con, name, folder / GEOPACKAGE, system, places, settings)
        if places.wgs_84 is not None:
            _draw_lines(con, places.wgs_84)
            for name in LAYERS:
                file = f"{name}.geojson"
                written[file] = _write_layer(con, name, folder / file, f"EPSG:{WGS_84}", places, settings)
        (folder / GEOPACKAGE).chmod(
            results.stat().st_mode
        )  # SQLite keeps a new file from the group, whatever the umask
    return written


def _draw_lines(con: duckdb.DuckDBPyConnection, places: pd.DataFrame) -> None:
    """Make tables of lines: sections (none where an end is not on the map), and loops, as their sections in service."""
    con.register("places", places)
    con.execute(
        """
        create or replace temp table section_lines as
        select
            section_id, loop_id, position, from_terminal_id, to_terminal_id,
            '(' || from_end.x || ' ' || from_end.y || ', ' || to_end.x || ' ' || to_end.y || ')' as path,
            'LINESTRING ' || path as shape
        from staging.sections
        left join places as from_end on from_end.terminal_id = from_terminal_id
        left join places as to_end on to_end.terminal_id = to_terminal_id;
        create or replace temp table loop_lines as
        select loop_id, 'MULTILINESTRING (' || string_agg(path, ', ' order by position, section_id) || ')' as shape
        from section_lines semi join marts.section_ranking using (section_id)
        group by loop_id
        """
    )
    con.unregister("places")


def _write_layer(
    con: duckdb.DuckDBPyConnection, name: str, file: Path, system: str, places: Places, settings: Settings
) -> int:
    """Write a layer into a file, with what it is, what is not on it, and the caution; returns its features."""
    import pyogrio
    from pyogrio.errors import DataLayerError, DataSourceError

    layer, said = LAYERS[name], dictionary.caveats()
    table = dictionary.tables()[layer.table]
    unit = "loop" if name == "loops" else "section"
    drawn = (
        f"from {layer.table} as own {layer.joined} left join {unit}_lines as lines on lines.{unit}_id = own.{unit}_id"
    )
    features, rows = con.execute(f"select count(shape), count(*) {drawn}").fetchall()[0]
    listed = [f'own."{c}"' for c in layer.columns] + [*layer.more, f"{quoted(said[CAUTION])} as caution"]
    order = ", ".join(f'own."{c}"' for c in table.key)
    listed.append("st_aswkb(shape::geometry) as geom")
    found = con.sql(f"select {', '.join(listed)} {drawn} where shape is not null order by {order}")
    is_package = file.name == GEOPACKAGE
    missing = "; of the others the section, or the coordinates of an end, are not known" if features < rows else ""
    description = (
        f"One feature is {table.grain}. {features:,} of {rows:,} are drawn{missing}. "
        f"{' '.join(said[key] for key in CAUTIONS)} "
        f"Coordinate reference system: {places.said}. As of {settings.general.as_of}."
    )
    try:
        pyogrio.write_arrow(
            found,
            file,
            layer=name,
            driver="GPKG" if is_package else "GeoJSON",
            geometry_name="geom",
            geometry_type="MultiLineString" if name == "loops" else "LineString",
            crs=system,
            layer_options={"DESCRIPTION": description} | ({} if is_package else {"RFC7946": "YES"}),
        )
    except (DataSourceError, DataLayerError) as fault:
        remedy = "free some space, see that the folder may be written, then: loopwear refresh"
        raise UserError(f"the map file cannot be written: {fault}", str(file), remedy) from None
    return int(features)
