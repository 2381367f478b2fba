"""Loops on a map: true proportions, a true scale bar, ranks that can be read."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import numpy as np
import pandas as pd
import pytest

from reports.figures import map as figure


def placed(x: list[float], y: list[float], ratio: float = 0.8) -> pd.DataFrame:
    n = len(x)
    return pd.DataFrame({
        "rank": range(1, n + 1), "loop_id": [f"L {i}" for i in range(1, n + 1)], "x": x, "y": y,
        "straight_over_cable": ratio, "expected_failures": np.linspace(4.0, 0.1, n),
    })  # fmt: skip


def drawn(places: pd.DataFrame, first: int = 2) -> ET.Element:
    return ET.fromstring(figure.draw_map(places, figure.lay_flat(places), np.arange(len(places)) < first))


def circles(made: ET.Element) -> list[tuple[float, float, float]]:
    found = [(float(c.attrib["cx"]), float(c.attrib["cy"]), float(c.attrib["r"])) for c in made.iter("circle")]
    return sorted(found, key=lambda c: -c[2])


def test_the_scale_bar_measures_the_map() -> None:
    made = drawn(placed([0.0, 3_000.0, 0.0], [0.0, 4_000.0, 4_000.0]))
    (ax, ay, _), (bx, by, _), _ = circles(made)
    bar = next(p for p in made.iter("path") if "data-m" in p.attrib)
    wide = float(re.search(r"h([\d.]+)", bar.attrib["d"])[1])  # type: ignore[index]
    # a triangle of 3, 4 and 5 km
    assert np.hypot(ax - bx, ay - by) / 5_000 == pytest.approx(wide / float(bar.attrib["data-m"]), rel=0.01)
    # north is up: a larger y lies higher
    assert by < ay


def test_areas_grow_with_expected_failures() -> None:
    rows = placed([0.0, 500.0, 900.0], [0.0, 0.0, 500.0]).assign(expected_failures=[4.0, 1.0, 0.25])
    assert [r for *_, r in circles(drawn(rows))] == pytest.approx([15.0, 15.0 / 2, 15.0 / 4], abs=0.06)


def test_degrees_are_laid_flat() -> None:
    plane = figure.lay_flat(placed([10.0, 11.0, 10.0], [59.5, 60.5, 60.0], ratio=1e-5))
    # a degree along the parallel and the meridian of the WGS 84 ellipsoid (a = 6,378,137 m, 1/f = 298.257223563) at 60
    squared = 2 / 298.257223563 - 1 / 298.257223563**2
    bulge = 1 - squared * np.sin(np.radians(60)) ** 2
    assert np.ptp(plane.x) == pytest.approx(np.radians(6_378_137) * np.cos(np.radians(60)) / np.sqrt(bulge), rel=0.005)
    assert np.ptp(plane.y) == pytest.approx(np.radians(6_378_137) * (1 - squared) / bulge**1.5, rel=0.005)
    assert plane.is_metric


@pytest.mark.parametrize(("ratio", "is_metric"), [(0.8, True), (0.8 / 0.3048, False), (0.0008, False)])
def test_coordinates_in_other_units_get_no_scale(ratio: float, is_metric: bool) -> None:
    """Feet and kilometres: straight distances do not fit the cable's metres."""
    made = drawn(placed([0.0, 30_000.0], [0.0, 40_000.0], ratio))
    assert any("data-m" in p.attrib for p in made.iter("path")) == is_metric


def test_ranks_lead_to_their_sheets_and_do_not_cover_one_another() -> None:
    near = [(40.0 * (n % 5), 60.0 * (n // 5)) for n in range(20)]
    rows = placed([x for x, _ in near] + [4_000.0], [y for _, y in near] + [3_000.0])
    made = drawn(rows, first=8)
    links = {a.attrib["href"]: a.find("text") for a in made.iter("a")}
    assert set(links) == {f"loop:L {n}" for n in range(1, 9)}
    feet = [(float(t.attrib["x"]), float(t.attrib["y"])) for t in links.values() if t is not None]
    apart = [abs(a - c) > 6.9 or abs(b - d) > 8.9 for n, (a, b) in enumerate(feet) for c, d in feet[n + 1 :]]
    assert all(apart)


def test_the_nearest_other_point() -> None:
    plane = figure.Plane(np.array([0.0, 3.0, 0.0]), np.array([0.0, 4.0, 1.0]), is_metric=True)
    assert figure.nearest_m(plane).tolist() == pytest.approx([1.0, np.hypot(3, 3), 1.0])
