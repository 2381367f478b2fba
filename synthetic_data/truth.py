"""What is true of the invented utility: every parameter the data are drawn from.

Nothing here is read by the product. Tests compare the product's estimates with these values.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from shared.units import DAYS_PER_YEAR

RECORDS_TO: Final = np.datetime64("2026-01-01", "s")
"""The extract is made at this moment: jobs whose paper is not closed by then are not in it."""

ZONE: Final = "America/Chicago"
UTILITY: Final = "Quarlemoor Power District"


@dataclass(frozen=True)
class CableClass:
    """A cable class: how much of it there is, how it ages, how fast a pulse runs in it.

    rate_at_30 is in failures per 100 km and year at the age of 30; the intensity is
    rate_at_30 x (age / 30)^(shape - 1). velocity_pct is that of the cable in percent of c,
    velocity_sd_pct its spread between sections.
    """

    insulation: str
    neutral: str
    installation: str
    share_of_loops: float
    installed_from: int
    installed_to: int
    rate_at_30: float
    shape: float
    velocity_pct: float
    velocity_sd_pct: float
    velocity_per_kelvin: float
    conductor: str

    @property
    def name(self) -> str:
        return f"{self.insulation}/{self.neutral}/{self.installation}"


# Invented, in the range of the trade (common practice, no source). Velocity against temperature: polyethylenes
# run faster when warm, oil paper slower.
CLASSES: Final = (
    CableClass("HMWPE", "bare", "buried", 0.08, 1964, 1974, 18.0, 2.6, 55.5, 1.0, 0.00045, "1/0 AL"),
    CableClass("XLPE", "bare", "buried", 0.36, 1970, 1985, 7.0, 3.0, 53.0, 1.0, 0.00045, "1/0 AL"),
    CableClass("XLPE", "jacketed", "buried", 0.24, 1983, 1995, 2.0, 2.4, 53.2, 0.8, 0.00045, "1/0 AL"),
    CableClass("TRXLPE", "jacketed", "duct", 0.27, 1990, 2024, 0.4, 1.6, 52.0, 0.8, 0.00045, "1/0 AL"),
    CableClass("EPR", "jacketed", "duct", 0.05, 1986, 2024, 0.5, 1.6, 48.8, 1.2, 0.0, "1/0 CU"),
    CableClass("PILC", "lead", "duct", 0.0, 1958, 1972, 2.0, 1.0, 51.0, 0.8, -0.0004, "350 CU"),
)
HMWPE, XLPE_BARE, XLPE_JACKETED, TRXLPE, EPR, PILC = range(6)
REPLACEMENT_CLASS: Final = TRXLPE

VINTAGE_CLASS: Final = XLPE_BARE
VINTAGE_YEARS: Final = (1974, 1977)
VINTAGE_FACTOR: Final = 1.6

LOOP_VARIANCE: Final = 0.35
SECTION_VARIANCE: Final = 0.35
SEASON_AMPLITUDE: Final = 0.35
SEASON_PEAK_DAY: Final = 206  # 25 July

LENGTH_MEDIAN_M: Final = 85.0
LENGTH_SIGMA: Final = 0.45
SECTIONS_LEAST, SECTIONS_MOST = 5, 22
RADIAL_SHARE: Final = 0.08
HOMES_PER_TRANSFORMER: Final = 6.5
TAIL_MEAN_M: Final = 2.0

SPLICE_HAZARD_YOUNG: Final = 0.02  # a year, first two years
SPLICE_HAZARD_LATER: Final = 0.004
ELBOW_HAZARD: Final = 0.0006  # a year and elbow, two elbows a section
DIG_IN_RATE: Final = 0.9  # per 100 km and year, March to November
LIGHTNING_RATE: Final = 0.2

INJECTION_FACTOR: Final = 0.25
PROGRAMME_FROM, INJECTION_FROM = 2014, 2018
PROGRAMME_KM: Final = (6.0, 10.0)
INJECTION_KM: Final = 5.0
EARLY_RETIREMENT_KM: Final = 2.5
FLEET_KM: Final = 900.0
"""Kilometres the programme figures stand for; a smaller fleet gets its share."""


@dataclass(frozen=True)
class District:
    """A district: its soil's effect on failures, its crews, and the share of each class's loops laid in it."""

    district_id: str
    name: str
    failure_factor: float
    crews: tuple[str, ...]
    class_shares: tuple[float, ...]
    origin_km: tuple[float, float]


DISTRICTS: Final = (
    District("TF", "Tessaly Flats", 1.3, ("TF-1", "TF-2", "TF-3"), (0.45, 0.28, 0.05, 0.0, 0.0, 0.5), (0.0, 0.0)),
    District("OB", "Orrin Bend", 1.0, ("OB-1", "OB-2", "OB-3"), (0.35, 0.38, 0.25, 0.0, 0.0, 0.5), (14.0, 2.0)),
    District("QH", "Quarle Heights", 0.8, ("QH-1", "QH-2"), (0.0, 0.16, 0.50, 0.0, 1.0, 0.0), (8.0, 15.0)),
    District("PS", "Pennick Shore", 1.25, ("PS-1", "PS-2"), (0.20, 0.18, 0.20, 0.0, 0.0, 0.0), (26.0, 12.0)),
    District("SC", "Sabble Creek", 0.9, ("SC-1",), (0.0, 0.0, 0.0, 1.0, 0.0, 0.0), (24.0, 26.0)),
)
NIGHT_POOL: Final = "NP-1"


@dataclass(frozen=True)
class Instrument:
    """A reflection instrument and its hidden faults.

    setting_pct: percent of c it stands on (none: by class, or by crew). offset_m: metres it shows at zero
    distance. noise: standard deviation as a fraction of the reading. drift_per_year: growth of the scale from
    drift_from on. recorded: share of jobs on which the setting was written down.
    """

    instrument_id: str
    setting_pct: float | None
    offset_m: float
    noise: float
    in_service_on: str
    last_calibrated_on: str | None
    drift_from: float | None = None
    drift_per_year: float = 0.0
    recorded: float = 1.0
    unit_slips: float = 0.0


INSTRUMENTS: Final = (
    Instrument("R-01", 53.0, 0.0, 0.015, "2004-05-10", "2025-03-04"),
    Instrument("R-02", 56.0, 0.3, 0.02, "2003-02-17", "2016-04-19"),
    # 80 m/us is half the velocity: 160 m/us. A lead never zeroed adds 60 ns there and back: 4.8 m.
    Instrument("R-03", 160.0 / 2.99792458, 4.8, 0.02, "2005-09-01", None),
    Instrument("R-04", None, 0.2, 0.015, "2007-06-12", "2019-05-21", drift_from=2019.416, drift_per_year=0.006),
    # 246 half ft/us
    Instrument("R-05", 2 * 246 * 0.3048 / 2.99792458, 0.0, 0.025, "2004-11-23", None, unit_slips=0.06),
    Instrument("R-06", 55.0, 1.0, 0.03, "2005-01-15", None),
    Instrument("R-07", None, 0.0, 0.02, "2006-03-08", "2014-10-02", recorded=0.4),
)
R_01, R_02, R_04, R_05, R_06, R_07 = 0, 1, 3, 4, 5, 6

SHOTS_FROM: Final = float(np.datetime64("2016-01-01", "s").astype(np.int64))
"""Test shots, and the displays of readings, are on record from then on."""
DISPLAY_NOTED: Final = {R_01: 0.9, R_02: 0.6, R_04: 0.8}
"""Share of readings from 2016 on with pulse, range and sampling noted, by instrument; the others print none of them."""
RANGES_M: Final = (100.0, 200.0, 500.0, 1000.0, 2000.0)
PULSES_NS: Final = (20.0, 50.0, 100.0, 200.0, 500.0)
"""Ranges of a display of a thousand points, and the pulse that goes with each."""

CREW_SETTINGS_R07: Final = {"PS-1": 54.0, "PS-2": 56.0, NIGHT_POOL: 52.0}
"""R-07 stands on whatever the crew that took it out prefers."""

INSTRUMENTS_OF: Final[dict[str, tuple[tuple[int, float], ...]]] = {
    "TF": ((0, 0.5), (1, 0.5)),
    "OB": ((2, 0.55), (3, 0.45)),
    "QH": ((4, 0.7), (3, 0.3)),
    "PS": ((6, 0.6), (0, 0.4)),
    "SC": ((5, 1.0),),
    NIGHT_POOL: ((3, 0.5), (6, 0.5)),
}
"""Instruments a district's crews take out, with their shares. R-06 never leaves Sabble Creek."""

DUG_METHODS: Final[tuple[tuple[str, float, float, float], ...]] = (
    # method, share, standard deviation as a fraction, standard deviation in metres
    ("taped", 0.20, 0.003, 0.1),
    ("wheeled", 0.35, 0.007, 0.1),
    ("paced", 0.30, 0.04, 0.0),
    ("gps", 0.15, 0.0, 1.5),
)
DUG_MISSING: Final = 0.25
SLACK_MEAN, SLACK_SD = 0.02, 0.008
"""Cable in the ground over its route, less one: mean, and spread between sections."""
SOIL_MEAN_C, SOIL_SWING_K, SOIL_PEAK_DAY = 14.0, 10.0, 227
TEMPERATURE_OF_VELOCITY_C: Final = 15.0


def season_factor(day_of_year: np.ndarray) -> np.ndarray:
    """Failure intensity by season, mean 1 over the year; days of the year from 1."""
    turn = 2 * np.pi * (day_of_year - SEASON_PEAK_DAY) / DAYS_PER_YEAR
    return np.asarray(1 + SEASON_AMPLITUDE * np.cos(turn))


def soil_temperature_c(day_of_year: np.ndarray) -> np.ndarray:
    """Temperature at cable depth, degrees Celsius."""
    turn = 2 * np.pi * (day_of_year - SOIL_PEAK_DAY) / DAYS_PER_YEAR
    return np.asarray(SOIL_MEAN_C + SOIL_SWING_K * np.cos(turn))


def classes_frame() -> pd.DataFrame:
    """The classes' true parameters, one row a class."""
    told = [
        "share_of_loops",
        "installed_from",
        "installed_to",
        "rate_at_30",
        "shape",
        "velocity_pct",
        "velocity_sd_pct",
    ]
    frame = pd.DataFrame(list(CLASSES), index=pd.Index([c.name for c in CLASSES], name="cable_class"))
    return frame[told].rename(columns={"rate_at_30": "rate_at_30_per_100km_year"}).reset_index()


def instruments_frame() -> pd.DataFrame:
    """The instruments' true settings, offsets, noise and drift, one row an instrument."""
    renamed = {"noise": "noise_fraction", "drift_from": "drift_from_year", "recorded": "setting_recorded_share"}
    told = ["instrument_id", "setting_pct", "offset_m", "noise", "drift_from", "drift_per_year", "recorded"]
    return pd.DataFrame(list(INSTRUMENTS))[told].rename(columns=renamed)
