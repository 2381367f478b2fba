"""Curves of the kinds of cable left alone: how often a kilometre of each fails by age, before any multiplier."""

import dataclasses
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.survival import treatment
from pipelines.survival.cells import aggregate_cells, find_patterns
from pipelines.survival.curves import Curves, PowerLawCurves, expect_between, fit_power_law_curves
from pipelines.survival.evidence import Shares
from pipelines.survival.hazard import PatternCurves
from pipelines.survival.history import FailureHistory
from pipelines.survival.installation_years import PLAIN, InstallationYears, compare_years
from pipelines.survival.observation_windows import Windows, loop_only_failures
from pipelines.survival.treatment import Treatment
from shared.arrays import Integers
from shared.settings import Settings

NO_SHARES: Shares = (np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0), np.zeros(0))

LEAST_FAILURES = 30
"""With fewer failures in all the power laws stand uncorrected."""

YEARS_AHEAD = 10
"""The hazard's factors are worked out this far ahead and stay as they are then."""


@dataclass(frozen=True)
class ModelChoices:
    """What validation decides (choices.choose_model), and what stands where it has not been asked.

    hazard: power_law (class alone), spline, boosted, or blend (the mean of the three). penalty: ridge penalty of the
    hazard, in failures. length_power: see nested.Variances.
    """

    hazard: str = "blend"
    penalty: float = 10.0
    length_power: float = 0.0


DEFAULT_CHOICES = ModelChoices()


def fit_kinds(
    history: FailureHistory,
    windows: Windows,
    bare: Windows,
    laws: PowerLawCurves,
    settings: Settings,
    choices: ModelChoices,
    assumed: Treatment,
) -> tuple[Integers, Curves, Integers, Shares]:
    """Class of each window, curves of the kinds of cable left alone, curve of each window, shared failures."""
    class_codes, classes = _code_classes(windows)
    shared = _share_loop_failures(history, windows, class_codes, laws, assumed)
    early = keep_untreated(shared, windows)
    if len(early[0]):
        laws = _fit_laws(bare, class_codes, classes, settings, early)
    if choices.hazard != "power_law":
        table = _tabulate_cells(bare, class_codes, early)
        if table.cells["failures"].sum() >= LEAST_FAILURES:
            return class_codes, *_draw_form(laws, class_codes, table, choices, {}), shared
    return class_codes, laws, class_codes, shared


def fit_first_laws(
    bare: Windows, settings: Settings, least_deviation: float = PLAIN
) -> tuple[PowerLawCurves, InstallationYears]:
    """Power laws of the classes of cable left alone, and the years of installation that do not follow them."""
    class_codes, classes = _code_classes(bare)
    laws = _fit_laws(bare, class_codes, classes, settings, NO_SHARES)
    expected = bare.km * expect_between(laws, class_codes, bare.entry_years, bare.exit_years)
    years = compare_years(bare, class_codes, expected, settings.general.interval_coverage, least_deviation)
    if years.table["is_apart"].any():  # laws that a bad year no longer bends
        counted = dataclasses.replace(bare, times=years.of_window)
        laws = _fit_laws(counted, class_codes, classes, settings, NO_SHARES)
    return laws, years


def keep_untreated(shared: Shares, windows: Windows) -> Shares:
    """The shares that fall on cable not yet injected."""
    kept = shared[1] <= windows.treated_years[shared[0]]
    return shared[0][kept], shared[1][kept], shared[2][kept], shared[3][kept]


def fit_curves(windows: Windows, forms: tuple[ModelChoices, ...], settings: Settings) -> list[tuple[Curves, Integers]]:
    """Curves of the kinds of cable alone in several forms, and the curve of each window: for choosing between forms."""
    class_codes, classes = _code_classes(windows)
    laws = _fit_laws(windows, class_codes, classes, settings, NO_SHARES)
    table = _tabulate_cells(windows, class_codes, NO_SHARES)
    if table.cells["failures"].sum() < LEAST_FAILURES:
        return [(laws, class_codes)] * len(forms)
    drawn: dict[tuple[str, float], PatternCurves] = {}
    return [_draw_form(laws, class_codes, table, choices, drawn) for choices in forms]


@dataclass(frozen=True)
class CellTable:
    """Cells of a fleet, the patterns they speak of, the pattern of each window and the class of each pattern."""

    cells: pd.DataFrame
    patterns: pd.DataFrame
    pattern: Integers
    class_of_pattern: Integers


def _code_classes(windows: Windows) -> tuple[Integers, int]:
    """Class of each window as a code, and how many there are."""
    code, names = pd.factorize(windows.sections["cable_class"], sort=True)
    return code[windows.owner].astype(np.int64), len(names)


def _tabulate_cells(windows: Windows, class_codes: Integers, shared: Shares) -> CellTable:
    patterns, pattern = find_patterns(windows)
    class_of_pattern = np.zeros(len(patterns), dtype=np.int64)
    class_of_pattern[pattern] = class_codes
    cells = aggregate_cells(
        pattern,
        windows.entry_years,
        windows.exit_years,
        windows.km,
        np.concatenate([pattern[windows.event_window], pattern[shared[0]]]),
        np.concatenate([windows.event_age_years, shared[1]]),
        np.concatenate([windows.event_weight, shared[2]]),
    )
    return CellTable(cells, patterns, pattern, class_of_pattern)


def _draw_form(
    laws: PowerLawCurves,
    class_codes: Integers,
    table: CellTable,
    choices: ModelChoices,
    drawn: dict[tuple[str, float], PatternCurves],
) -> tuple[Curves, Integers]:
    """The curves chosen, and the curve of each window; drawn keeps what several forms share."""
    if choices.hazard == "power_law":
        return laws, class_codes
    from pipelines.survival import hazard

    fleet = table.cells, table.patterns, laws, table.class_of_pattern

    def draw(form: str) -> PatternCurves:
        if (form, choices.penalty) not in drawn:
            fitted = hazard.fit_hazard(hazard.make_hazard(form, choices.penalty), *fleet)
            drawn[form, choices.penalty] = hazard.draw_up_curves(fitted, *fleet, YEARS_AHEAD)
        return drawn[form, choices.penalty]

    if choices.hazard != "blend":
        return draw(choices.hazard), table.pattern
    return hazard.blend_curves(laws, table.class_of_pattern, draw("spline"), draw("boosted")), table.pattern


def _fit_laws(windows: Windows, codes: Integers, classes: int, settings: Settings, shared: Shares) -> PowerLawCurves:
    window, age, weight, _ = shared
    return fit_power_law_curves(
        codes,
        classes,
        windows.entry_years,
        windows.exit_years,
        windows.km,
        np.concatenate([codes[windows.event_window], codes[window]]),
        np.concatenate([windows.event_age_years, age]),
        np.concatenate([windows.event_weight, weight]),
        settings.survival.min_failures,
    )


def _share_loop_failures(
    history: FailureHistory, windows: Windows, codes: Integers, laws: PowerLawCurves, assumed: Treatment
) -> Shares:
    """Failures known by loop alone, shared over its windows by their intensity; weights add up to 1 a failure."""
    failure, window, age = loop_only_failures(history, windows)
    if not len(failure):
        return NO_SHARES
    weight = windows.km[window] * laws.intensity(codes[window], age)
    under = treatment.is_treated(windows.treated_years[window], age, assumed.years)
    weight = np.where(under, weight * assumed.factor, weight)
    total = np.bincount(failure, weights=weight)
    return window, age, weight / np.maximum(total[failure], 1e-300), windows.age_now[window] - age
