"""Loops near one another are proposed as one project, the one worth most in the lead."""

import pandas as pd

from pipelines.investment.projects import propose_projects

LOOPS = pd.DataFrame(
    {
        "loop_id": ["A", "B", "C", "D", "E", "F"],
        "district_id": ["N", "N", "N", "S", "N", "N"],
        "x": [0.0, 300.0, 700.0, 10.0, None, 5000.0],
        "y": [0.0, 0.0, 0.0, 0.0, None, 0.0],
        "worth": [1.0, 5.0, 2.0, 9.0, 8.0, 1.0],
    }
)


def test_neighbours_of_a_district_follow_the_loop_worth_most() -> None:
    found = propose_projects(LOOPS, 400.0)
    # B leads A and C; D lies in another district, E has no coordinates, F is far away
    assert found.to_dict() == {"A": "B", "B": "B", "C": "B", "D": "D", "E": "E", "F": "F"}
    assert propose_projects(LOOPS, 0.0).tolist() == LOOPS["loop_id"].tolist()
    assert propose_projects(LOOPS, 350.0)["C"] == "C"


def test_degrees_are_taken_as_degrees() -> None:
    # 0.001 degrees are 111 m along a meridian, and half of it along the parallel of 60 degrees
    degrees = LOOPS.assign(x=[10.0, 10.006, 10.02, 10.0, None, 11.0], y=60.0)
    assert propose_projects(degrees, 400.0).to_dict() == {"A": "B", "B": "B", "C": "C", "D": "D", "E": "E", "F": "F"}
    assert propose_projects(degrees, 300.0)["A"] == "A"
