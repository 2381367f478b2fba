"""When each insulation was first laid in quantity: a date before it is a slip of the register."""

EARLIEST_YEAR = {"HMWPE": 1951, "XLPE": 1963, "TRXLPE": 1982, "EPR": 1962, "PILC": 1880}
"""From memory, common practice, no source."""
