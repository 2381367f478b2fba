"""Which instruments and classes can be told apart."""

from __future__ import annotations

import numpy as np
import pytest

from pipelines.locating.identifiability import common_scale_sd, condition_number, link_classes_and_instruments
from pipelines.locating.line import SLOWNESS_PRIOR_SD
from pipelines.locating.velocity import fit_velocity
from tests.locating_fleets import Design, make_readings

# instrument 2 alone on class 2; the others share classes 0 and 1
ALONE = Design(classes=3, instruments=4, reads=((0,), (0, 1), (2,), (1,)), dug=20)


def fit(design: Design, seed: int = 51):
    return fit_velocity(make_readings(design, np.random.default_rng(seed))[0], tails_recorded=True)


def test_the_graph_of_who_read_what() -> None:
    links = link_classes_and_instruments(fit(ALONE))
    component = links.groupby("instrument")["component"].first()
    assert component[0] == component[1] == component[3] != component[2]
    assert not links.loc[links["instrument"] == 2, "is_shared"].any()
    assert links.loc[links["instrument"] == 0, "is_shared"].all()


def test_instruments_that_share_no_class_are_not_linked() -> None:
    links = link_classes_and_instruments(fit(Design(classes=2, instruments=4, reads=((1,), (1,), (0,), (0,)), dug=20)))
    component = links.groupby("instrument")["component"].first()
    assert component[0] == component[1] != component[2] == component[3]


def test_alone_on_its_class_nothing_is_known_but_the_prior() -> None:
    known = common_scale_sd(fit(ALONE))
    assert known[2] == pytest.approx(SLOWNESS_PRIOR_SD)
    assert known[[0, 1, 3]].max() < 0.02


def test_more_readings_of_its_own_do_not_part_an_instrument_from_its_class() -> None:
    many = Design(classes=3, instruments=4, reads=((0,), (0, 1), (2,), (1,)), dug=120)
    assert common_scale_sd(fit(many))[2] == pytest.approx(SLOWNESS_PRIOR_SD)


def test_a_class_hard_to_tell_apart_has_a_large_condition_number() -> None:
    shared = condition_number(fit(Design(classes=3, instruments=4, dug=20)))
    assert 1.0 <= shared < 1000.0
