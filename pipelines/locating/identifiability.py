"""Which instruments and classes can be told apart, by the graph of who read what."""

import numpy as np
import pandas as pd

from pipelines.locating.line import SLOWNESS_PRIOR_SD
from pipelines.locating.velocity import VelocityFit
from shared.arrays import Floats

MIN_LINK = 3
SLIPS = 0.10
"""Readings of a class by others count as a tie from three and a tenth of the class's readings on: fewer may be slips
of the record, such as a path laid over the wrong section. A reading counts with a fifth of its path in the class."""


def link_classes_and_instruments(fit: VelocityFit) -> pd.DataFrame:
    """Edges of the graph: instrument, class, readings, whether others read the class too, and the component.

    Notes
    -----
    Two instruments are linked when they read the same class. Within a component of one instrument its time base and
    the slowness of its classes enter only as a product: no number of its readings can part them.

    Checked by: tests/unit/test_locating_identifiability.py
    """
    from scipy import sparse
    from scipy.sparse.csgraph import connected_components

    readings = fit.readings
    classes, instruments = len(readings.classes), len(readings.instruments)
    who = readings.instrument[readings.part_row]
    long_enough = readings.part_m >= 0.2 * readings.length_m[readings.part_row]
    counted = (who >= 0) & long_enough & (fit.right[readings.part_row] > 0.5)
    edges = pd.DataFrame({"instrument": who[counted], "cable_class": readings.part_class[counted]})
    edges = edges.groupby(["instrument", "cable_class"], as_index=False).size().rename(columns={"size": "readings"})
    of_class = edges.groupby("cable_class")["readings"].transform("sum")
    edges["is_shared"] = of_class - edges["readings"] >= MIN_LINK + SLIPS * of_class
    edges = edges[edges["readings"] >= MIN_LINK]
    graph = sparse.coo_array(
        (np.ones(len(edges)), (edges["instrument"], instruments + edges["cable_class"])),
        shape=(instruments + classes, instruments + classes),
    )
    component = connected_components(graph, directed=False)[1]
    return edges.assign(component=component[edges["instrument"]])


def common_scale_sd(fit: VelocityFit) -> Floats:
    """How well the other instruments know the slowness of each instrument's classes, as a share, shape (I,).

    Returns
    -------
    ndarray
        Standard deviation of a common relative shift of those classes' slowness when the instrument's own readings
        are left out. It stays however many more readings the instrument brings, so it is the limit of what can be
        said about its time base. Where no other instrument is tied to the classes it is that of the prior, 30 %.
    """
    readings, point = fit.readings, fit.points[int(np.argmax(fit.weights))]
    links = link_classes_and_instruments(fit)
    system = np.linalg.inv(point.inverse)
    found = np.full(len(readings.instruments), SLOWNESS_PRIOR_SD)
    for i in range(len(readings.instruments)):
        classes = links.loc[(links["instrument"] == i) & links["is_shared"], "cable_class"].to_numpy(np.int64)
        products = np.linalg.inv(point.within[i]) @ point.carried[i]
        without = system - fit.own[i] + products.T @ point.carried[i]
        spread = np.linalg.pinv(without, hermitian=True)[np.ix_(classes, classes)]
        slowness = fit.state.slowness[classes]
        information = float(slowness @ np.linalg.solve(spread, slowness))
        if information > 0:  # nought where nobody else is tied to its classes
            found[i] = min(SLOWNESS_PRIOR_SD, information**-0.5)
    return found


def condition_number(fit: VelocityFit) -> float:
    """Condition number of the slowness of all classes, scaled to unit diagonal: large means hard to tell apart."""
    point = fit.points[int(np.argmax(fit.weights))]
    classes = len(fit.readings.classes)
    covariance = point.inverse[:classes, :classes]
    scale = np.sqrt(np.diag(covariance))
    return float(np.linalg.cond(covariance / np.outer(scale, scale)))
