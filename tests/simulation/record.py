"""Writes a recording of a simulated garden: `python -m simulation.record --seed 7 --days 3 --out DIR` from tests/."""

from __future__ import annotations

import argparse
from pathlib import Path

from .fault import KINDS
from .run import plan_for, simulate


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, required=True)
    parser.add_argument("--days", type=float, help="whole length; by default as long as the fault needs, else 3")
    parser.add_argument("--fault", choices=sorted(KINDS), metavar="KIND", help=", ".join(KINDS))
    parser.add_argument("--out", type=Path, required=True, metavar="DIR")
    given = parser.parse_args()
    run = simulate(plan_for(given.seed, given.fault), given.days, given.fault)
    run.write(given.out)
    print(f"{given.out}: {len(run.arrivals)} packs, {sum(map(len, run.cycles.values()))} cycles, fault {run.fault}")


if __name__ == "__main__":
    main()
