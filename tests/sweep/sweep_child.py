"""One sweep in a process of its own, to be killed by a test: STUDY OUT WAIT_S LOG, with work that traces nothing."""

from __future__ import annotations

import sys
from pathlib import Path

from sweep_faults import quick_work

from sim.sweep.run import SweepRequest, run_sweep

if __name__ == "__main__":
    study, out, wait_s, log = sys.argv[1:]
    run_sweep(
        Path(study), SweepRequest(Path(out), workers=2),
        work=quick_work(wait_s=float(wait_s), log=Path(log)),
    )  # fmt: skip
