"""The loss model on the pages' own terms, beside R's `mgcv::bam(discrete=TRUE)` and a GLM of statsmodels on the cells.

Run: python -m tests.benchmarks.loss_model [plants ...]   (5000 and 20000 where not given)

For each number of plants an invented company of three years is made (seed 5), its cells are coded and fitted as the
pages do: all terms, species shrunk towards their group, a gamma effect of the site learned from the sites, errors from
leaving out each site. Printed: seconds (median of three, after a warm-up; reading the records is not in them), the same
from a warm start, and of the rivals their seconds, the ratio, and the widest gap between coefficients in standard
errors.

- statsmodels: a Poisson GLM on the cells, one row each, dry air as it was read, the pseudo-events as rows. The same
  model as ours without a site effect, so that coefficients must agree within a hundredth of a standard error: this also
  tests the grid of dry air.
- bam, where Rscript and mgcv are installed, one thread: the same terms, with normal random effects of species, group
  and site learned by fREML, where ours has a gamma effect of the site and a prior of one event for species. Effects of
  all but the constant must agree within half a standard error.

The script ends with status 1 when they do not.
"""

from __future__ import annotations

import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from statsmodels.genmod import families
from statsmodels.genmod.generalized_linear_model import GLM

from plantstats import exposure, losses, records
from plantstats.losses import LossModel, RateTable, rate_table, terms
from plantstats.records import species_table

SEED, YEARS = 5, 3
OF_GLM, OF_BAM = 0.01, 0.5  # most of a standard error that coefficients may lie apart
BAM = """
suppressMessages(library(mgcv))
d <- read.csv(commandArgs(TRUE)[1], stringsAsFactors = TRUE)
for (name in c("age_band", "light", "pot", "planter", "repotted", "moved"))
  if (nlevels(d[[name]]) > 1) d[[name]] <- relevel(d[[name]], as.character(d[[paste0(name, "_reference")]][1]))
fixed <- commandArgs(TRUE)[3]
f <- as.formula(paste("losses ~", fixed, "+ s(group, bs = 're') + s(species, bs = 're') + s(site_id, bs = 're')"))
seconds <- system.time(
  m <- bam(f, offset = log(plant_days), family = poisson(), data = d, discrete = TRUE, nthreads = 1)
)[["elapsed"]]
k <- !grepl("^s\\\\(", names(coef(m)))
found <- data.frame(name = names(coef(m))[k], beta = coef(m)[k], seconds = seconds)
write.csv(found, commandArgs(TRUE)[2], row.names = FALSE)
"""


def cells_of(plants: int, work: Path) -> pd.DataFrame:
    """The cells that the pages fit, of an invented company."""
    folder = work / f"company_{plants}"
    arguments = ["demo", str(folder), "--plants", str(plants), "--years", str(YEARS), "--seed", str(SEED)]
    subprocess.run([sys.executable, "-m", "plantstats", *arguments], check=True, stdout=subprocess.DEVNULL)
    loaded = records.load(folder)
    last = exposure.last_day(loaded)
    time_at_risk = exposure.build(loaded, last, "midpoint")
    return time_at_risk.exposure_table(list(losses.EXPOSURE_BY), end=terms.settled(last))


def clock(run: Callable[[], Any], times: int = 3) -> tuple[float, Any]:
    """Median seconds of some runs after a warm-up, and the last result."""
    run()
    taken = []
    for _ in range(times):
        began = time.perf_counter()
        result = run()
        taken.append(time.perf_counter() - began)
    return statistics.median(taken), result


def glm(cells: pd.DataFrame, model: LossModel) -> np.ndarray:
    """Coefficients of the library on the cells, the pseudo-events as rows of their own."""
    used = cells[cells["plant_days"] > 0]
    shrunk = model.counts.prior > 0
    x = np.vstack([model.matrix(rate_table.conditions(used)), np.eye(len(shrunk))[shrunk]])
    y = np.concatenate([used["losses"], model.counts.prior[shrunk]])
    offset = np.log(np.concatenate([used["plant_days"], model.counts.prior[shrunk]]))
    return np.asarray(GLM(y, x, family=families.Poisson(), offset=offset).fit(tol=1e-12).params)


def bam(cells: pd.DataFrame, model: LossModel, work: Path) -> tuple[float, pd.Series]:
    """Seconds and fixed coefficients of mgcv, under our names."""
    used = cells[cells["plant_days"] > 0].reset_index(drop=True)
    table = rate_table.conditions(used).assign(
        group=used["species"].map(model.group_of), **{c: used[c] for c in ("site_id", "plant_days", "losses")}
    )
    table = table.assign(**{f"{name}_reference": level for name, level in model.coding.reference.items()})
    fixed = list(dict.fromkeys(n.partition("[")[0] for n in model.names if n.partition("[")[0] in terms.LOSS_TERMS))
    source, out, script = (work / name for name in ("cells.csv", "bam.csv", "bam.R"))
    table.to_csv(source, index=False)
    script.write_text(BAM, encoding="utf-8")
    subprocess.run(["Rscript", str(script), str(source), str(out), " + ".join(fixed)], check=True)
    rows = pd.read_csv(out)
    ours = {name.replace("[", "").replace("]", ""): name for name in model.names} | {"(Intercept)": "Intercept"}
    return float(rows["seconds"].iloc[0]), pd.Series(rows["beta"].to_numpy(), rows["name"].map(ours))


def compared(plants: int, work: Path) -> bool:
    """Print one company's comparison; whether all sides agree."""
    cells, species = cells_of(plants, work), species_table()
    seconds, model = clock(lambda: losses.fit(RateTable.from_exposure(cells), species))
    warm, _ = clock(lambda: losses.fit(RateTable.from_exposure(cells), species, start=model))
    print(
        f"{plants:,} plants: {len(cells):,} cells, {model.counts.design.rows:,} patterns x {len(model.names)}, "
        f"{len(model.sites):,} sites, {model.losses:,} losses; {seconds:.2f} s, from a warm start {warm:.2f} s",
        flush=True,
    )
    plain = losses.fit(cells, species, frailty_variance=0)
    error = pd.Series(np.sqrt(np.diag(np.linalg.inv(plain_information(plain)))), plain.names)
    slow, theirs = clock(lambda: glm(cells, plain), 1)
    gap = pd.Series(np.abs(plain.beta - theirs), plain.names) / error
    print(f"  GLM of statsmodels: {slow:.2f} s, ratio {slow / seconds:.1f}; {said(gap)}", flush=True)
    agree = bool(gap.max() <= OF_GLM)
    if shutil.which("Rscript") is None:
        print("  no Rscript on this machine: bam not run")
        return agree
    slow, fixed = bam(cells, model, work)
    error = pd.Series(np.sqrt(np.diag(model.covariance)), model.names)
    gap = (pd.Series(model.beta, model.names)[fixed.index] - fixed).abs() / error[fixed.index]
    gap = gap.drop("Intercept")
    print(f"  bam(discrete=TRUE), one thread: {slow:.2f} s, ratio {slow / seconds:.1f}; {said(gap)}", flush=True)
    return agree and bool(gap.max() <= OF_BAM)


def plain_information(model: LossModel) -> np.ndarray:
    """Information of the Poisson model at its fit."""
    return model.counts.design.gram(
        np.bincount(
            model.counts.pattern,
            model.counts.plant_days * np.exp(model.counts.design.dense() @ model.beta)[model.counts.pattern],
        )
    ) + np.diag(model.counts.prior * np.exp(model.beta))


def said(gap: pd.Series) -> str:
    return f"widest gap of {len(gap)} coefficients {gap.max():.4f} of its standard error ({gap.idxmax()})"


def main() -> int:
    """Compare at each number of plants."""
    numbers = [int(n) for n in sys.argv[1:]] or [5_000, 20_000]
    print(f"BLAS threads: {os.environ.get('OMP_NUM_THREADS', 'as many as cores')}")
    with tempfile.TemporaryDirectory() as folder:
        agree = [compared(plants, Path(folder)) for plants in numbers]
    if not all(agree):
        print("The sides DISAGREE.", file=sys.stderr)
    return 0 if all(agree) else 1


if __name__ == "__main__":
    sys.exit(main())
