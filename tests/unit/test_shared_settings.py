"""Settings: checked once at the door, every fault named with its cure."""

from __future__ import annotations

import dataclasses
import datetime as dt
from pathlib import Path

import pytest

from shared.errors import UserError
from shared.settings import Settings, load_settings, resolve_settings


def load_text(tmp_path: Path, text: str) -> Settings:
    path = tmp_path / "settings.toml"
    path.write_text(text, encoding="utf-8")
    return load_settings(path)


def fault_of(tmp_path: Path, text: str) -> str:
    with pytest.raises(UserError) as caught:
        load_text(tmp_path, text)
    return str(caught.value).replace(str(tmp_path), "DIR")


def test_no_file_gives_the_defaults() -> None:
    assert load_settings(None) == Settings()


def test_a_file_goes_over_the_defaults(tmp_path: Path) -> None:
    settings = load_text(
        tmp_path,
        """
        [general]
        horizon_years = 7
        as_of = 2024-12-31
        [intake.classes]
        "XLPE/bare/buried" = "old poly"
    """,
    )
    assert settings.general.horizon_years == 7.0
    assert isinstance(settings.general.horizon_years, float)
    assert settings.general.as_of == dt.date(2024, 12, 31)
    assert settings.intake.classes == {"XLPE/bare/buried": "old poly"}
    assert settings.general.seed == Settings().general.seed


def test_a_misspelt_key_names_the_nearest(tmp_path: Path) -> None:
    assert fault_of(tmp_path, "[general]\nhorizon_year = 5\n") == (
        "unknown setting general.horizon_year\n  where: DIR/settings.toml\n  to do: did you mean 'horizon_years'?"
    )


def test_a_misspelt_section_names_the_nearest(tmp_path: Path) -> None:
    assert fault_of(tmp_path, "[replacment]\nbudget = 5\n") == (
        "unknown settings section [replacment]\n  where: DIR/settings.toml\n  to do: did you mean 'replacement'?"
    )


def test_a_wrong_type_is_named(tmp_path: Path) -> None:
    assert fault_of(tmp_path, '[replacement]\nbudget = "much"\n') == (
        "setting replacement.budget = 'much' is not a number\n  where: DIR/settings.toml\n"
        "  to do: give replacement.budget a number"
    )


def test_a_value_out_of_bounds_is_named(tmp_path: Path) -> None:
    assert fault_of(tmp_path, "[general]\ninterval_level = 90\n") == (
        "setting general.interval_level = 90 is out of bounds\n  where: DIR/settings.toml\n"
        "  to do: general.interval_level must be 0.5 to 0.999"
    )


def test_a_file_that_is_no_toml_is_named(tmp_path: Path) -> None:
    assert fault_of(tmp_path, "budget: 5\n").startswith("the settings file is no TOML: ")


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="the settings file does not exist"):
        load_settings(tmp_path / "none.toml")


def test_the_command_line_goes_over_the_file_and_is_checked() -> None:
    settings = resolve_settings(None, as_of=dt.date(2020, 1, 1), horizon=3, budget=1e6)
    assert (settings.general.as_of, settings.general.horizon_years, settings.replacement.budget) == (
        dt.date(2020, 1, 1),
        3.0,
        1e6,
    )
    with pytest.raises(UserError, match=r"general\.horizon_years = 0\.0 is out of bounds"):
        resolve_settings(None, horizon=0)


def test_every_setting_has_meaning_and_source_and_a_default_within_its_bounds() -> None:
    for section in dataclasses.fields(Settings()):
        part = getattr(Settings(), section.name)
        for field in dataclasses.fields(part):
            assert field.metadata["meaning"], field.name
            assert field.metadata["source"], field.name
            value = getattr(part, field.name)
            if isinstance(value, int | float):
                assert field.metadata["low"] is None or value >= field.metadata["low"], field.name
                assert field.metadata["high"] is None or value <= field.metadata["high"], field.name


def test_watched_loops_carry_a_date_each(tmp_path: Path) -> None:
    settings = load_text(tmp_path, '[replacement.watched]\n"OB-L0001" = 2021-06-30\n')
    assert settings.replacement.watched == {"OB-L0001": dt.date(2021, 6, 30)}
    assert "replacement_watched" not in settings.flat()
    assert fault_of(tmp_path, '[replacement.watched]\n"OB-L0001" = "2021"\n') == (
        "setting replacement.watched = {'OB-L0001': '2021'} is not a table of dates\n"
        "  where: DIR/settings.toml\n  to do: give replacement.watched a table of dates"
    )
