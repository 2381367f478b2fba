"""Write the demo files, or print what is in them: python -m synthetic_data --folder DIR --loops N --seed S."""

import argparse
from pathlib import Path

from synthetic_data.demo import DEFAULT_LOOPS, DEFAULT_SEED, write_demo
from synthetic_data.summary import summarise


def main() -> None:
    """Read the arguments, then write or count."""
    parser = argparse.ArgumentParser(prog="python -m synthetic_data", description=__doc__)
    parser.add_argument("--folder", type=Path, default=Path("demo_data"))
    parser.add_argument("--loops", type=int, default=DEFAULT_LOOPS)
    parser.add_argument("--seed", type=int, default=DEFAULT_SEED)
    parser.add_argument("--summary", action="store_true", help="print what is drawn, beside what was meant")
    given = parser.parse_args()
    if given.summary:
        print(summarise(given.loops, given.seed))
        return
    files = write_demo(given.folder, loops=given.loops, seed=given.seed)
    for paths, mapping in files.loads:
        print(*(str(path) for path in paths), f"--mapping {mapping}" if mapping else "")


if __name__ == "__main__":
    main()
