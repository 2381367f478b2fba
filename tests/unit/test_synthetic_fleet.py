"""The invented fleet as first laid."""

import numpy as np
import pandas as pd

from synthetic_data import truth
from synthetic_data.fleet import make_fleet


def _fleet(loops=300, **kwargs):
    return make_fleet(loops, np.random.default_rng(1), **kwargs)


def test_loops_are_shared_over_the_classes_as_meant():
    fleet = _fleet(200)
    counts = fleet.loops["class_row"].value_counts()
    assert counts.loc[truth.XLPE_BARE] == 0.36 * 200
    assert counts.loc[truth.TRXLPE] == 0.27 * 200
    assert counts.drop(truth.PILC).sum() == 200


def test_every_loop_is_one_chain_of_five_to_twenty_two_sections():
    fleet = _fleet()
    s = fleet.sections
    frame = pd.DataFrame({"loop": s.loop, "position": s.position})
    on_loops = frame[~fleet.loops["is_exit"].to_numpy()[s.loop]]
    for _, positions in on_loops.groupby("loop")["position"]:
        assert positions.tolist() == list(range(1, len(positions) + 1))
        assert truth.SECTIONS_LEAST <= len(positions) <= truth.SECTIONS_MOST


def test_one_terminal_more_than_sections_on_every_loop():
    fleet = _fleet()
    terminals = fleet.terminals["loop_row"].value_counts().sort_index()
    assert (terminals.to_numpy() == fleet.loops["count"].to_numpy() + 1).all()


def test_route_is_shorter_than_cable_by_tails_and_slack():
    s = _fleet().sections
    np.testing.assert_allclose(s.route_m * (1 + s.slack) + s.tail_from_m + s.tail_to_m, s.length_m)
    assert (s.route_m > 0).all()


def test_multipliers_have_mean_one_and_the_variance_meant():
    fleet = _fleet(3000, with_stories=False)
    for drawn, variance in (
        (fleet.loops["multiplier"].to_numpy(), truth.LOOP_VARIANCE),
        (fleet.sections.section_multiplier, truth.SECTION_VARIANCE),
    ):
        # four standard errors of the mean of a gamma
        assert abs(drawn.mean() - 1) < 4 * np.sqrt(variance / len(drawn))
        assert abs(drawn.var() / variance - 1) < 0.15


def test_vintage_and_district_raise_the_intensity_only_with_stories():
    told = _fleet(with_stories=True)
    plain = _fleet(with_stories=False)
    ratio = told.sections.factor / plain.sections.factor
    district = np.array([d.failure_factor for d in truth.DISTRICTS])[
        told.loops["district_row"].to_numpy()[told.sections.loop]
    ]
    raised = ratio / district
    year = told.sections.installed.astype("datetime64[s]").astype("datetime64[Y]").astype(int) + 1970
    vintage = (told.sections.cable_class == truth.XLPE_BARE) & (year >= 1974) & (year <= 1977)
    np.testing.assert_allclose(raised[vintage], 1.6)
    np.testing.assert_allclose(raised[~vintage], 1.0)
