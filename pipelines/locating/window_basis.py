"""What dig windows are made from: the tables of the last refresh, and what they say of the reading asked."""

import math
from dataclasses import dataclass
from datetime import date
from typing import Any

import duckdb
import numpy as np
import pandas as pd

from pipelines.locating.effects import Effects, read_effects
from pipelines.locating.season import season_shift
from pipelines.locating.ways import Ways, lay_classes
from shared.arrays import Floats
from shared.errors import UserError, suggest_name
from shared.settings import Locating
from shared.store import has_table, read_model, read_settings
from shared.units import DAYS_PER_YEAR


@dataclass(frozen=True)
class Asked:
    """A reading and how it is asked.

    Parameters
    ----------
    distance_m
        Displayed distance, metres.
    from_terminal, toward_terminal
        Terminal tested from and the next one looked toward; none: by class.
    classes
        Classes passed with their lengths along the route, metres; the last goes on.
    instrument_id
        Instrument; none: one not seen before.
    velocity_pct
        Its setting, percent of c; none: its median on the class, else over all classes, else that of the class.
    on
        Day of the reading; none: the as-of day, in a mean season.
    pulse_ns, sampling_m
        Width of the pulse, nanoseconds, and distance between two points of the display; none: those of the settings.
    """

    distance_m: float
    from_terminal: str | None = None
    toward_terminal: str | None = None
    classes: tuple[tuple[str, float], ...] = ()
    instrument_id: str | None = None
    velocity_pct: float | None = None
    on: date | None = None
    pulse_ns: float | None = None
    sampling_m: float | None = None


@dataclass(frozen=True)
class Basis:
    """All that windows are made from, read once: tables of the last refresh and the settings it was made with."""

    effects: Effects
    quantiles: pd.DataFrame
    coverage: pd.DataFrame
    season: pd.DataFrame
    levels: pd.DataFrame
    proposals: pd.DataFrame
    velocities: pd.DataFrame
    drift: pd.DataFrame
    sections: pd.DataFrame
    pieces: pd.DataFrame
    tails: pd.Series
    locating: Locating
    as_of: date


def read_basis(con: duckdb.DuckDBPyConnection) -> Basis:
    """What windows are made from.

    Raises
    ------
    UserError
        Nothing is fitted yet.
    """
    if not has_table(con, "fitted.locating_effects"):
        raise UserError("no velocities are fitted yet", "fitted.locating_effects", "run: loopwear refresh")
    estimates = read_model(con, "fitted.locating_effects")
    if estimates.empty:
        raise UserError(
            "no velocity could be fitted: no reading has a displayed distance, a true length and a setting",
            "core.locating_readings",
            "load jobs with dug distances, or known_lengths, then run: loopwear refresh",
        )
    terminals = read_model(con, "staging.terminals", columns=("terminal_id", "tail_m"))
    sections = read_model(
        con,
        "staging.sections",
        columns=(
            "section_id", "loop_id", "position", "from_terminal_id", "to_terminal_id", "cable_class", "insulation",
            "length_m", "installed_on", "in_service_from", "retired_on",
        ),
    )  # fmt: skip
    settings = read_settings(con)
    as_of = settings.general.as_of
    return Basis(
        effects=read_effects(estimates, read_model(con, "fitted.locating_covariance")),
        quantiles=read_model(con, "fitted.window_quantiles"),
        coverage=read_model(con, "marts.window_coverage"),
        season=read_model(con, "marts.season"),
        levels=read_model(con, "marts.instrument_levels"),
        proposals=read_model(con, "marts.setting_proposals"),
        velocities=read_model(con, "marts.velocity_by_class"),
        drift=read_model(con, "marts.instrument_drift"),
        sections=sections,
        pieces=read_model(
            con, "staging.section_pieces", columns=("section_id", "from_m", "to_m", "cable_class", "installed_on")
        ),
        tails=terminals.set_index("terminal_id")["tail_m"].astype(float),
        locating=settings.locating,
        as_of=as_of if as_of is not None else date.today(),
    )


def sections_on(sections: pd.DataFrame, on: pd.Timestamp) -> pd.DataFrame:
    """Sections in service on a day whose place in their loop is known."""
    begun, retired = pd.to_datetime(sections["in_service_from"]), pd.to_datetime(sections["retired_on"])
    there = sections[~(begun > on).fillna(False) & ~(retired < on).fillna(False)]
    return there.dropna(subset=["position", "from_terminal_id", "to_terminal_id", "length_m"])


def lay_chain(basis: Basis, asked: Asked) -> pd.DataFrame:
    """Sections ahead of the terminal tested from, as today's register has them, in the form lay_ways takes.

    Raises
    ------
    UserError
        A terminal is not in the register, or the two are not on one loop.
    """
    on = pd.Timestamp(asked.on or basis.as_of)
    there = sections_on(basis.sections, on)
    for name, option in ((asked.from_terminal, "--from"), (asked.toward_terminal, "--toward")):
        ends = {*there["from_terminal_id"], *there["to_terminal_id"]}
        if name is None:
            raise UserError("no terminal to look toward", option, "give the next terminal in the direction tested")
        if name not in ends:
            raise UserError(f"terminal '{name}' has no section in service", option, suggest_name(name, sorted(ends)))
    loops = [
        set(there.loc[(there["from_terminal_id"] == name) | (there["to_terminal_id"] == name), "loop_id"])
        for name in (asked.from_terminal, asked.toward_terminal)
    ]
    if not loops[0] & loops[1] or asked.from_terminal == asked.toward_terminal:
        raise UserError(
            f"'{asked.from_terminal}' and '{asked.toward_terminal}' are not two terminals of one loop",
            "--toward",
            "give the next terminal in the direction tested",
        )
    chain = there[there["loop_id"] == min(loops[0] & loops[1])]
    # the newest cable of a position lies in the ground
    chain = chain.sort_values(["position", "installed_on", "section_id"]).drop_duplicates("position", keep="last")
    stops = [chain["from_terminal_id"].iloc[0], *chain["to_terminal_id"]]
    start, end = stops.index(asked.from_terminal), stops.index(asked.toward_terminal)
    ahead = chain.iloc[start:] if end > start else chain.iloc[:start][::-1]
    near, far = ("from_terminal_id", "to_terminal_id") if end > start else ("to_terminal_id", "from_terminal_id")
    near_m, far_m = (ahead[name].map(basis.tails).fillna(0.0).to_numpy(float) for name in (near, far))
    return pd.DataFrame(
        {
            "row": 0,
            "place": np.arange(len(ahead)),
            "section_id": ahead["section_id"].to_numpy(),
            "cable_class": ahead["cable_class"].to_numpy(),
            "route_m": np.maximum(ahead["length_m"].to_numpy(float) - near_m - far_m, 0.0),
            "near_tail_m": near_m,
            "far_tail_m": far_m,
            "direction": 1 if end > start else -1,
            "on": on,
        }
    )


def lay_class_way(effects: Effects, asked: Asked) -> Ways:
    names = [name for name, _ in asked.classes]
    for name, length in asked.classes:
        if name not in effects.classes:
            raise UserError(
                f"no reading passed the class '{name}'", "--class", suggest_name(name, sorted(effects.classes))
            )
        if not length > 0:
            raise UserError(f"length {length} of '{name}' is out of bounds", "--class", "give metres above 0")
    # the last class goes on however long it is
    lengths = [length if math.isfinite(length) else 1.0 for _, length in asked.classes]
    return lay_classes(
        pd.DataFrame({"row": 0, "place": range(len(names)), "cable_class": names, "route_m": lengths}),
        effects.classes,
        1,
    )


def class_names(effects: Effects) -> tuple[str, ...]:
    return (*effects.classes, "other class")


def row_of(effects: Effects, instrument_id: str | None) -> int:
    return effects.instruments.index(instrument_id) if instrument_id else 0


def instrument_movement(basis: Basis, instrument_id: str | None, days: float) -> tuple[Floats, Floats]:
    """Scale and time zero of an instrument some days after the as-of day less those of that day, shapes (1,)."""
    own = basis.levels[basis.levels["instrument_id"] == instrument_id] if instrument_id else basis.levels.iloc[:0]
    if own.empty:
        return np.zeros(1), np.zeros(1)
    at = (pd.to_datetime(own["level_on"]) - pd.Timestamp(basis.as_of)).dt.days.to_numpy(float)
    scale, offset = own["scale_error_pct"].to_numpy(float) / 100.0, own["offset_m"].to_numpy(float)
    rate = basis.effects.own[row_of(basis.effects, instrument_id), 2]
    slowness = float(basis.effects.slowness[:-1].mean())
    moved = np.interp(days, at, scale) - scale[-1] + rate * max(days, 0.0) / DAYS_PER_YEAR
    return np.array([moved]), np.array([(np.interp(days, at, offset) - offset[-1]) * slowness])


def choose_setting(basis: Basis, cable_class: str, asked: Asked) -> tuple[float, list[str]]:
    """The setting stated, else the instrument's median on the class, else over all classes, else the class's."""
    if asked.velocity_pct is not None:
        if not 30 <= asked.velocity_pct <= 80:
            raise UserError(
                f"velocity {asked.velocity_pct} is out of bounds", "--velocity", "give percent of c, 30 to 80"
            )
        return asked.velocity_pct, []
    pairs = basis.proposals[basis.proposals["instrument_id"] == asked.instrument_id].dropna(
        subset=["setting_median_pct"]
    )
    own = pairs[pairs["cable_class"] == cable_class]
    if len(own):
        setting = float(own["setting_median_pct"].iloc[0])
        words = f"the median of {asked.instrument_id} on the class"
    elif len(pairs):
        setting = float(pairs["setting_median_pct"].median())
        words = f"the median of {asked.instrument_id} on other classes"
    else:
        found: Any = basis.velocities.set_index("cable_class")["setting_median_pct"].get(cable_class, math.nan)
        if not math.isfinite(found):
            raise UserError("no setting is on record for the class", "--velocity", "give the setting in percent of c")
        setting, words = float(found), "the median in use on the class"
    return setting, [f"Setting not stated: taken as {setting:.1f} % of c, {words}."]


def find_season(basis: Basis, cable_class: str, on: date | None) -> tuple[float, list[str]]:
    """Share by which readings of the class are long on a day, and the words for it."""
    if on is None or basis.season.empty:
        return 0.0, []
    own = basis.sections.loc[basis.sections["cable_class"] == cable_class, "insulation"]
    insulation = pd.Series([own.min() if len(own) else None])
    shift = float(season_shift(basis.season, insulation, pd.Series([pd.Timestamp(on)]))[0])
    words = f"Season: readings of {insulation[0]} are {abs(shift):.1%} {'long' if shift > 0 else 'short'} on {on}."
    return shift, [words if shift else "The data carry no season for this class."]
