"""Which loops lie so near to one another that their work shares one mobilising?"""

import numpy as np
import pandas as pd

METRES_PER_DEGREE = 111_195.0
"""Of a great circle on a sphere of 6,371 km."""


def propose_projects(loops: pd.DataFrame, distance_m: float) -> pd.Series:
    """The project of each loop: the loop that leads it.

    Parameters
    ----------
    loops
        One row a loop: loop_id, district_id, x, y (mean of its terminals, missing where none has coordinates) and worth
        (what replacing its cable avoids).
    distance_m
        Between the centres of a leading loop and those that join it, at most; 0: every loop is a project of its own.

    Returns
    -------
    Series
        project_id by loop_id.

    Notes
    -----
    The loop worth most leads; those of its district within the distance that follow no other join it; then the next.
    Coordinates that can be degrees (all within 180 and 90) are taken as such, in the plane that touches their middle.

    Checked by: tests/unit/test_investment_projects.py
    """
    from scipy.spatial import cKDTree

    project = pd.Series(loops["loop_id"].to_numpy(), index=pd.Index(loops["loop_id"], name="loop_id"), dtype="object")
    placed = loops[loops["x"].notna() & loops["y"].notna()].sort_values(
        ["worth", "loop_id"], ascending=[False, True], kind="stable"
    )
    if distance_m <= 0 or len(placed) < 2:
        return project
    x, y = placed["x"].to_numpy(dtype=float), placed["y"].to_numpy(dtype=float)
    if np.abs(x).max() <= 180 and np.abs(y).max() <= 90:
        x, y = x * METRES_PER_DEGREE * np.cos(np.radians(y.mean())), y * METRES_PER_DEGREE
    names, district = placed["loop_id"].to_numpy(), pd.factorize(placed["district_id"])[0]
    near = cKDTree(np.column_stack([x, y])).query_ball_point(np.column_stack([x, y]), distance_m)
    leader = np.full(len(placed), -1)
    for place, others in enumerate(near):
        if leader[place] < 0:
            others = np.array(others)
            leader[others[(leader[others] < 0) & (district[others] == district[place])]] = place
    project.loc[names] = names[leader]
    return project
