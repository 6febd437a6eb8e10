"""`python -m tests.mutation`: plant a sample of faults, print how many the tests find, list those they do not."""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from importlib.util import find_spec
from pathlib import Path
from queue import SimpleQueue

import yaml

from tests.mutation.subjects import SUBJECTS

ROOT = Path(__file__).resolve().parents[2]
JUDGED = Path(__file__).with_name("judged.yaml")
SHARES = sum(subject.share for subject in SUBJECTS.values())


@dataclass(frozen=True)
class Outcome:
    """What became of a fault: found by the "near" tests, by the "wide" ones, or by "none"."""

    subject: str
    module: str
    line: int
    operator: str
    before: str
    after: str
    found: str


def main() -> None:
    """Draw, plant and tell."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description="How many small faults are found?")
    parser.add_argument("--sample", type=int, default=SHARES, help="faults to plant in all")
    parser.add_argument("--seed", type=int, default=1, help="draws the same faults from the same text")
    parser.add_argument("--only", nargs="+", choices=SUBJECTS, default=list(SUBJECTS), help="subjects to try")
    parser.add_argument("--processes", type=int, default=1, help="faults that are tried at once")
    parser.add_argument("--near", action="store_true", help="leave the wider tests out")
    parser.add_argument("--again", type=Path, help="results of an earlier run: try what it did not find")
    parser.add_argument("--out", type=Path, default=ROOT / "out" / "mutation.jsonl", help="results, a line each")
    asked = parser.parse_args()
    if find_spec("cosmic_ray") is None:
        sys.exit("python -m tests.mutation needs the mutation tool: .venv/bin/python -m pip install cosmic-ray")
    asked.out.parent.mkdir(parents=True, exist_ok=True)
    outcomes = []
    with asked.out.open("w", encoding="utf-8") as file:
        for outcome in tried(asked):
            file.write(json.dumps(asdict(outcome), ensure_ascii=False) + "\n")
            file.flush()
            outcomes.append(outcome)
    print(summary(outcomes))


def tried(asked: argparse.Namespace) -> Iterator[Outcome]:
    """The outcome of each fault of the sample, as it becomes known."""
    from tests.mutation.draw import Fault, drawn
    from tests.mutation.trial import Copy

    left = _left(asked.again) if asked.again else None
    work: list[tuple[str, Fault]] = []
    for name in asked.only:
        subject = SUBJECTS[name]
        count = round(asked.sample * subject.share / SHARES)
        faults = drawn(ROOT, list(subject.near), count, f"{asked.seed} {name}")
        work += [(name, fault) for fault in faults if left is None or (fault.module, fault.before, fault.after) in left]
    limits: dict[tuple[str, ...], float] = {}
    with tempfile.TemporaryDirectory(prefix="mutation-") as folder:
        copies: SimpleQueue[Copy] = SimpleQueue()
        for number in range(asked.processes):
            copies.put(Copy(ROOT, Path(folder) / str(number)))

        def outcome(item: tuple[str, Fault]) -> Outcome:
            name, fault = item
            subject, copy = SUBJECTS[name], copies.get()
            try:
                found = "none"
                for how, tests in (("near", subject.near[fault.module]), ("wide", subject.wide)):
                    if how == "wide" and asked.near:
                        continue
                    if tests not in limits:
                        limits[tests] = copy.limit_s(tests, list(subject.near))
                    if copy.finds(fault, tests, limits[tests]):
                        found = how
                        break
            finally:
                copies.put(copy)
            where = f"{fault.module}:{fault.line} {fault.operator}"
            print(f"{found:5} {where}: {fault.after[:90]}", file=sys.stderr, flush=True)
            return Outcome(name, fault.module, fault.line, fault.operator, fault.before, fault.after, found)

        with ThreadPoolExecutor(asked.processes) as pool:
            yield from pool.map(outcome, work)


def _left(path: Path) -> set[tuple[str, str, str]]:
    rows = [json.loads(line) for line in path.read_text("utf-8").splitlines()]
    return {(row["module"], row["before"], row["after"]) for row in rows if row["found"] == "none"}


def summary(outcomes: list[Outcome]) -> str:
    """The share found by subject, and every survivor that nobody has judged."""
    judged = {(row["module"], row["before"], row["after"]) for row in yaml.safe_load(JUDGED.read_text("utf-8")) or []}
    lines = [f"{'subject':16} drawn  near  wide  judged alike  holes  found"]
    holes = []
    for name in (*SUBJECTS, "all"):
        those = [o for o in outcomes if name in (o.subject, "all")]
        near, wide = (sum(o.found == how for o in those) for how in ("near", "wide"))
        open_ones = [o for o in those if o.found == "none" and (o.module, o.before, o.after) not in judged]
        alike = len(those) - near - wide - len(open_ones)
        if those:
            share = (near + wide) / len(those)
            lines.append(
                f"{name:16} {len(those):5} {near:5} {wide:5} {alike:13} {len(open_ones):6} {100 * share:5.1f} %"
            )
        if name == "all":
            holes = open_ones
    told = [f"{o.module}:{o.line} {o.operator}\n    before {o.before}\n    after  {o.after}" for o in holes]
    return "\n".join([*lines, *told])


if __name__ == "__main__":
    main()
