"""What do hazard ratios with limits robust to loops cost, beside R's survival?

python -m tests.benchmarks.survival_cox [SECTIONS]    needs Rscript and R's survival package (Debian: r-cran-survival)

The fleet is that of survival_speed, its 20 classes read as columns of a design (19 ratios to the first), clustered on
loops of ten. R gets the counting-process rows it needs, read from a file before its clock starts; ours gets the
sections as arrays. Coefficients and robust errors must agree before any time counts. Rounds alternate.
"""

from __future__ import annotations

import json
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from threadpoolctl import threadpool_limits

from pipelines.survival.cox import CoxFit, fit_cox
from tests.benchmarks.survival_speed import CLASSES, YEAR, Fleet, make_fleet

ROUNDS = 3

SCRIPT = """
suppressMessages(library(survival))
d <- read.csv(commandArgs(TRUE)[1])
d$cable_class <- factor(d$cable_class)
took <- system.time(f <- coxph(Surv(start, stop, status) ~ cable_class + cluster(loop), data = d, ties = "breslow",
  control = coxph.control(eps = 1e-12, iter.max = 50)))
cat(sprintf('{"seconds": %.6f, "version": "%s", "coefficients": [%s], "errors": [%s]}', took[["elapsed"]],
  packageVersion("survival"), paste(sprintf("%.15g", coef(f)), collapse = ","),
  paste(sprintf("%.15g", sqrt(diag(f$var))), collapse = ",")))
"""


def whole_days(fleet: Fleet) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Entry and exit of each section and, once a day, its failures, in whole days of age."""
    entry, leave = (np.round(ages * YEAR).astype(np.int64) for ages in (fleet.enter, fleet.leave))
    day = np.ceil(fleet.failure_age * YEAR).astype(np.int64)
    of = fleet.failure_section
    kept = (day > entry[of]) & (day <= leave[of])
    pairs = np.unique(np.column_stack([of[kept], day[kept]]), axis=0)
    return entry, leave, pairs[:, 0], pairs[:, 1]


def fit_ours(fleet: Fleet, days: tuple[np.ndarray, ...]) -> CoxFit:
    """19 log hazard ratios to the first class, one baseline, clustered on loops."""
    entry, leave, of, day = days
    design = np.eye(CLASSES)[:, 1:]
    return fit_cox(
        fleet.cable_class,
        entry,
        leave,
        np.ones(len(entry)),
        of,
        day,
        design,
        np.zeros(CLASSES, dtype=np.int64),
        fleet.loop,
    )


def write_rows(fleet: Fleet, days: tuple[np.ndarray, ...], file: Path) -> None:
    """Counting-process rows: a section is cut at each of its failures."""
    entry, leave, of, day = days
    first = np.r_[True, of[1:] != of[:-1]]
    begins = np.where(first, entry[of], np.r_[0, day[:-1]])
    last = entry.copy()
    np.maximum.at(last, of, day)
    sections = np.arange(len(entry))
    rows = pd.DataFrame(
        {
            "section": np.r_[of, sections],
            "start": np.r_[begins, last],
            "stop": np.r_[day, leave],
            "status": np.r_[np.ones(len(of), int), np.zeros(len(entry), int)],
        }
    )
    rows = rows[rows["stop"] > rows["start"]]
    rows.assign(cable_class=fleet.cable_class[rows["section"]], loop=fleet.loop[rows["section"]]).to_csv(
        file, index=False
    )


def fit_theirs(rscript: str, script: Path, rows: Path) -> dict[str, Any]:
    """R's own seconds for the fit, its coefficients and robust errors."""
    done = subprocess.run([rscript, str(script), str(rows)], capture_output=True, text=True, check=True)
    said: dict[str, Any] = json.loads(done.stdout)
    return said


def compare(sections: int, rscript: str) -> float:
    """Check that both agree, time both in turn, print, and return how many times as long R takes."""
    fleet = make_fleet(sections)
    days = whole_days(fleet)
    with tempfile.TemporaryDirectory() as folder:
        rows, script = Path(folder) / "rows.csv", Path(folder) / "fit.R"
        write_rows(fleet, days, rows)
        script.write_text(SCRIPT, encoding="utf-8")
        mine: list[float] = []
        theirs: list[float] = []
        for _ in range(ROUNDS):
            said = fit_theirs(rscript, script, rows)
            began = time.perf_counter()
            with threadpool_limits(limits=1):  # as every command of the product runs
                fit = fit_ours(fleet, days)
            mine.append(time.perf_counter() - began)
            theirs.append(said["seconds"])
            np.testing.assert_allclose(fit.coefficients, said["coefficients"], rtol=1e-6, atol=1e-8)
            np.testing.assert_allclose(np.sqrt(np.diag(fit.robust_variance)), said["errors"], rtol=1e-6)
    ratios = [b / a for a, b in zip(mine, theirs, strict=True)]
    print(
        f"{sections:,} sections, {len(days[2]):,} failures: coefficients and robust errors equal to 1e-6 (survival "
        f"{said['version']}); ours {statistics.median(mine):.3f} s, R's clustered Cox {statistics.median(theirs):.2f} "
        f"s: {statistics.median(ratios):.0f} times ({min(ratios):.0f} to {max(ratios):.0f})"
    )
    return statistics.median(ratios)


def main(words: list[str]) -> None:
    """Run the comparison of the command line."""
    rscript = shutil.which("Rscript")
    if rscript is None:
        raise SystemExit("Rscript is not on the path: install R and its survival package (Debian: r-cran-survival)")
    compare(int(words[0]) if words else 50_000, rscript)


if __name__ == "__main__":
    main(sys.argv[1:])
