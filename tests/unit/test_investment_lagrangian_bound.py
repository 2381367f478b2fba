"""Numbers for names: the same whether they come as texts, categories or numbers, in order or not."""

from __future__ import annotations

import pandas as pd
import pytest

from pipelines.investment.lagrangian_bound import number_names


@pytest.mark.parametrize("names", [["b", "b", "c", "f"], ["c", "a", "c", "b"], []])
def test_names_are_numbered_as_they_first_come(names: list[str]) -> None:
    texts = pd.Series(names, dtype="str")
    categories = pd.Series(pd.Categorical(names, categories=list("abcdef")))
    expected = [list(dict.fromkeys(names)).index(name) for name in names]
    for given in (texts, categories, categories.cat.codes.astype("int64")):
        assert number_names(given).tolist() == expected
