"""A loop drawn as a strip: to scale, everything in its place, nothing over anything else."""

from __future__ import annotations

import itertools
import re
import xml.etree.ElementTree as ET

import numpy as np
import pandas as pd
import pytest

from reports.figures import strip as figure
from reports.figures.strip_layout import EDGE, LETTER_PX, WIDTH, set_labels
from reports.figures.strip_marks import letter, letters_of
from shared import dictionary

PLACES = letters_of(["XLPE/bare/buried", "EPR/jacketed/duct"])


def laid_out(lengths: list[float], open_after: int | None = None, configuration: str = "loop") -> pd.DataFrame:
    ends = np.cumsum(lengths)
    return pd.DataFrame({
        "loop_id": "L1", "half_loop_id": "L1", "position": range(1, len(lengths) + 1),
        "section_id": [f"S{n}" for n in range(len(lengths))],
        "from_terminal_id": [f"L1-T{n}" for n in range(len(lengths))],
        "to_terminal_id": [f"L1-T{n + 1}" for n in range(len(lengths))], "start_m": ends - lengths, "end_m": ends,
        "cable_class": [list(PLACES)[n % 2] for n in range(len(lengths))], "installed_on": pd.Timestamp("1975-03-01"),
        "expected_failures": [0.1 * (n + 1) for n in range(len(lengths))], "failures": 0,
        "normal_open": ["to" if n == open_after else None for n in range(len(lengths))], "configuration": configuration,
    })  # fmt: skip


def marked(*rows: tuple[str, str, float | None, str, str | None, str | None]) -> pd.DataFrame:
    names = ["mark_kind", "section_id", "at_m", "place_basis", "job_id", "why_not"]
    listed = dictionary.tables()["marts.loop_strip_marks"].columns
    return pd.DataFrame(rows, columns=names).reindex(columns=list(listed))


def drawn(strip: pd.DataFrame, marks: pd.DataFrame | None = None) -> ET.Element:
    return ET.fromstring(figure.draw_strip(strip, marked() if marks is None else marks, PLACES, "k"))


def first_x(element: ET.Element) -> float:
    """Where an element points to: a circle's middle, the start of a path, the middle of a cross of 7 pixels."""
    if "cx" in element.attrib:
        return float(element.attrib["cx"])
    start = re.match(r"M([\d.]+) ", element.attrib["d"])
    assert start
    return float(start[1]) + (3.5 if element.attrib.get("class") == "other" else 0.0)


@pytest.mark.parametrize("seed", range(5))
def test_the_drawing_is_to_scale(seed: int) -> None:
    """Every place in pixels is proportional to metres: sections, terminals, marks, the open point and the axis."""
    draws = np.random.default_rng(seed)
    lengths = draws.uniform(15, 400, draws.integers(2, 20)).tolist()
    total = sum(lengths)
    places = sorted(draws.uniform(0, total, 9).tolist())
    marks = marked(
        *(
            ("splice" if n % 3 == 0 else "failure", "S0", at, "dug", f"J{n}", "excluded_cause" if n % 3 == 1 else None)
            for n, at in enumerate(places)
        )
    )
    made = drawn(laid_out(lengths, open_after=0), marks)
    px_per_m = (WIDTH - 2 * EDGE) / total
    metres = [(float(e.attrib["data-m"]), first_x(e)) for e in made.iter() if "data-m" in e.attrib]
    # a tick a terminal, nine marks, the open point, and the axis
    assert len(metres) > len(lengths) + 1 + 9 + 1
    for at, x in metres:
        assert x == pytest.approx(EDGE + at * px_per_m, abs=0.06)
    for place in places:
        assert any(at == pytest.approx(place, abs=0.006) for at, _ in metres)
    spans = [
        [float(x) for x in re.match(r"M([\d.]+) [\d.]+H([\d.]+)", e.find("path").attrib["d"]).groups()]  # type: ignore[union-attr]
        for e in made.iter("g") if "data-s" in e.attrib
    ]  # fmt: skip
    assert [right - left for left, right in spans] == pytest.approx([m * px_per_m for m in lengths], abs=0.11)


def test_half_loops_a_radial_and_an_unknown_open_point_are_named() -> None:
    def texts(made: ET.Element) -> list[str]:
        return [e.text or "" for e in made.iter("text")]

    both = texts(drawn(laid_out([200, 100, 300], open_after=1)))
    assert {"half-loop A, from source A", "half-loop B, from source B", "normally open"} <= set(both)
    assert "radial, from its one source" in texts(drawn(laid_out([50, 50], configuration="radial")))
    unknown = texts(drawn(laid_out([50, 50])))
    assert "loop, normal open point not known" in unknown and "normally open" not in unknown


def test_shapes_tell_what_is_known_of_a_mark() -> None:
    made = drawn(laid_out([100, 100]), marked(
        ("failure", "S0", 30.0, "dug", "J1", None), ("failure", "S0", 50.0, "middle", "J2", None),
        ("failure", "S0", 50.0, "outside", "J3", "undated_section"),
        ("failure", "S1", 140.0, "dug", "J4", "excluded_cause"),
        ("failure", None, None, "loop_only", "J5", "loop_only"), ("splice", "S0", 30.0, "dug", "J1", None),
        ("splice", "S0", 30.0, "dug", "J6", None), ("splice", "S0", 50.0, "middle", "J2", None),
        ("splice", "S1", 120.0, "piece", None, None),
    ))  # fmt: skip
    at_metres = [e.attrib["class"] for e in made.iter() if "data-m" in e.attrib]
    shapes = [shape for shape in at_metres if shape not in ("tick", "thin")]
    # a repair whose place nobody knows is no splice on the drawing, and two at one place are one
    assert sorted(shapes) == ["dug", "middle", "middle", "other", "splice", "splice"]
    described = made.find("desc")
    assert described is not None and described.text is not None
    assert "4 jobs and 2 splices marked" in described.text


def test_marks_at_one_place_stand_on_top_of_each_other() -> None:
    made = drawn(laid_out([100]), marked(*(("failure", "S0", 50.0, "dug", f"J{n}", None) for n in range(5))))
    heights = [re.match(r"M[\d.]+ ([\d.]+)", e.attrib["d"])[1] for e in made.iter() if e.attrib.get("class") == "dug"  # type: ignore[index]
               and "data-m" in e.attrib]  # fmt: skip
    assert len(set(heights)) == 5
    # one above the other, at equal distances, the first on the line
    assert np.diff(np.array(heights, dtype=float)) == pytest.approx([float(heights[1]) - float(heights[0])] * 4)


def test_classes_differ_by_line_kind_and_letter() -> None:
    made = drawn(laid_out([100, 100]))
    kinds = [[p.attrib["class"] for p in e.findall("path")] for e in made.iter("g") if "data-s" in e.attrib]
    assert kinds == [["k0"], ["k1", "core"]]
    texts = [e.text for e in made.iter("text")]
    assert {"A 1975", "B 1975", "A  XLPE/bare/buried", "B  EPR/jacketed/duct"} <= set(texts)
    assert [letter(n) for n in (0, 25, 26, 27, 52)] == ["A", "Z", "AA", "AB", "BA"]


def test_hostile_names_stay_text() -> None:
    strip = laid_out([100, 100])
    strip["to_terminal_id"] = ["</svg><script>alert(1)</script>", '"&<'] * 1
    made = drawn(strip)
    assert not list(made.iter("script"))
    assert '"&<' in [e.text for e in made.iter("text")]


@pytest.mark.parametrize("seed", range(20))
def test_labels_never_run_into_one_another(seed: int) -> None:
    draws = np.random.default_rng(seed)
    middles = np.sort(draws.uniform(0, WIDTH, 30))
    labels = set_labels([(float(x), ("A no date", "A")) for x in middles], 2)
    assert labels
    for row in (0, 1):
        spans = [(p.x - len(p.text) * LETTER_PX / 2, p.x + len(p.text) * LETTER_PX / 2) for p in labels if p.row == row]
        assert all(right < left for (_, right), (left, _) in itertools.pairwise(spans))
        assert all(left >= 0 and right <= WIDTH for left, right in spans)


def test_names_lose_the_beginning_they_share_where_a_word_ends() -> None:
    assert figure.short_names(["TF-L0021-T00", "TF-L0021-T01"]) == ("TF-L0021-", ["T00", "T01"])
    assert figure.short_names(["RISER1", "RISER2"]) == ("", ["RISER1", "RISER2"])
    assert figure.short_names(["T"]) == ("", ["T"])


def test_steps_of_an_axis_are_round() -> None:
    assert [figure.nice_step(s) for s in (0.3, 1, 1.2, 87, 100, 183, 999.7)] == [1, 1, 2, 100, 100, 200, 1000]
