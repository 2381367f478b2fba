"""Windows are added up some at a time, so that their columns stay in the processor's cache and none is copied whole."""

WINDOWS = 2**15


def split(count: int) -> list[slice]:
    """Slices of so many windows that cover count of them, in order."""
    return [slice(begin, begin + WINDOWS) for begin in range(0, count, WINDOWS)]
