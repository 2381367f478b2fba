"""The order of tests on simulated half-loops, in the small: the study beside prints it in full."""

from __future__ import annotations

from tests.simulated.search_sequence_study import run_study


def test_the_order_saves_tests_minutes_and_customer_minutes() -> None:
    found = run_study(80, 3, sizes=(5, 12))
    for by in ("tests", "minutes", "customer_minutes"):
        known, order, halving, outward = (found[f"{by}_{name}"] for name in ("known", "order", "halving", "outward"))
        assert (known <= order).all()
        assert (order < halving).all(), by
        assert (halving < outward).all(), by
    assert (found["entropy"] <= found["tests_known"]).all()
    assert (found["tests_order"] < found["entropy"] + 2).all()
    assert (found["tests_indicator"] < found["tests_order"] - 0.2).all()
