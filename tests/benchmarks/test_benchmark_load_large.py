"""The benchmark of large files, small: files are loaded whole."""

from __future__ import annotations

import pytest

from tests.benchmarks import load_large


@pytest.mark.parametrize("form", ("doubtful", "plain"))
def test_a_file_is_loaded_whole_with_little_memory(form: str) -> None:
    found = load_large.measure(form, 4, 0.8)
    assert found["rows"] == found["kept"] + found["quarantined"]
    assert found["megabytes"] == pytest.approx(4.0, rel=0.15)
    assert 0 < found["peak_mb"] < 800
