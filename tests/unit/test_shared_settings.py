"""Settings: checked once at the door, every fault named with its cure."""

from __future__ import annotations

import dataclasses
import datetime as dt
from pathlib import Path

import pytest

from shared.errors import UserError
from shared.settings import RENAMED, Settings, find_settings, load_settings, resolve_settings


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
    assert fault_of(tmp_path, "[general]\ninterval_coverage = 90\n") == (
        "setting general.interval_coverage = 90 is out of bounds\n  where: DIR/settings.toml\n"
        "  to do: general.interval_coverage must be 0.5 to 0.999"
    )


def test_a_file_that_is_no_toml_is_named(tmp_path: Path) -> None:
    assert fault_of(tmp_path, "budget: 5\n").startswith("the settings file is no TOML: ")


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="the settings file does not exist"):
        load_settings(tmp_path / "none.toml")


def test_a_file_given_comes_before_the_environment_s_and_that_before_the_workspace_s(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("LOOPWEAR_SETTINGS", raising=False)
    lines: list[str] = []
    assert resolve_settings(tmp_path, say=lines.append) == Settings()
    assert lines == ["settings: the defaults"]
    own, named, given = (tmp_path / name for name in ("settings.toml", "named.toml", "given.toml"))
    for years, file in enumerate((own, named, given), start=1):
        file.write_text(f"[general]\nhorizon_years = {years}\n", encoding="utf-8")
    assert find_settings(tmp_path) == own
    assert find_settings(tmp_path / "elsewhere") is None
    monkeypatch.setenv("LOOPWEAR_SETTINGS", str(named))
    assert find_settings(tmp_path) == named
    assert find_settings(tmp_path, given) == given
    assert resolve_settings(tmp_path, given, say=lines.append).general.horizon_years == 3.0
    assert lines[1:] == [f"settings: {given}"]
    assert resolve_settings(tmp_path, given, horizon=9).general.horizon_years == 9.0
    monkeypatch.setenv("LOOPWEAR_SETTINGS", str(tmp_path / "none.toml"))
    with pytest.raises(UserError, match=r"none\.toml[\s\S]*check the path after --settings or in LOOPWEAR_SETTINGS"):
        resolve_settings(tmp_path)


@pytest.mark.parametrize("old", RENAMED)
def test_a_key_of_an_earlier_version_is_accepted_with_a_warning(tmp_path: Path, old: str) -> None:
    section, key = RENAMED[old].split(".")
    default = getattr(getattr(Settings(), section), key)
    value = 0.7 if isinstance(default, float) and default < 1 else 12
    file, lines = tmp_path / "old.toml", list[str]()
    file.write_text(f"[{section}]\n{old.removeprefix(f'{section}.')} = {value}\n", encoding="utf-8")
    settings = load_settings(file, lines.append)
    assert getattr(getattr(settings, section), key) == value != default
    assert lines == [f"warning: setting {old} is now {section}.{key}: rename it in {file}"]


def test_a_key_that_is_needed_no_more_is_ignored_with_a_warning(tmp_path: Path) -> None:
    file, lines = tmp_path / "old.toml", list[str]()
    removed = (
        "[restoration]\nbootstrap_replicates = 500\nshow_crews = true\n[replacement]\nsensitivity_price_share = 0.3\n"
    )
    file.write_text(removed, encoding="utf-8")
    assert load_settings(file, lines.append) == Settings().override("restoration", show_crews=True)
    assert lines == [
        f"warning: setting {said}: remove it in {file}"
        for said in (
            "restoration.bootstrap_replicates is ignored, limits need no resampling now",
            "replacement.sensitivity_price_share is ignored, loopwear compare moves settings now",
        )
    ]


def test_a_key_given_by_both_its_names_is_refused(tmp_path: Path) -> None:
    assert fault_of(tmp_path, "[locating]\nwindow_level = 0.8\nwindow_coverage = 0.9\n") == (
        "setting locating.window_coverage is given twice, once by its earlier name locating.window_level\n"
        "  where: DIR/settings.toml\n  to do: remove locating.window_level"
    )


def test_the_command_line_goes_over_the_file_and_is_checked(tmp_path: Path) -> None:
    settings = resolve_settings(tmp_path, as_of=dt.date(2020, 1, 1), horizon=3, budget=1e6)
    assert (settings.general.as_of, settings.general.horizon_years, settings.replacement.budget) == (
        dt.date(2020, 1, 1),
        3.0,
        1e6,
    )
    with pytest.raises(UserError, match=r"general\.horizon_years = 0\.0 is out of bounds"):
        resolve_settings(tmp_path, horizon=0)


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


def test_the_present_rule_has_thresholds_by_name(tmp_path: Path) -> None:
    settings = load_text(tmp_path, "[replacement]\npresent_rule = { failures = 3, years = 5 }\n")
    assert settings.replacement.present_rule == {"failures": 3, "years": 5}
    table = "a table such as { failures = 3, years = 5, failures_per_km = 2.0, age_years = 25 }"
    for given in ("{ failure = 3 }", "{ years = 5 }", "{ failures = 0 }", '{ failures = "3" }', "{ failures = true }"):
        fault = fault_of(tmp_path, f"[replacement]\npresent_rule = {given}\n")
        assert f"is not {table}\n" in fault, given
        assert fault.endswith(f"to do: give replacement.present_rule {table}")
