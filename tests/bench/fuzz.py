"""Inputs changed by chance, many of them: what came out of each, and every one that came out wrong, by its number.

    python tests/bench/fuzz.py [--inputs 100000] [--first 0]

Ends with 1 where anything came out but a right reading or a refusal. `judge(NUMBER)` of tests/mutations.py does one
again.
"""

from __future__ import annotations

import argparse
import sys
import time
import traceback
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from mutations import judge  # noqa: E402


def main() -> int:
    """Try them all and print the table."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--inputs", type=int, default=100_000)
    options.add_argument("--first", type=int, default=0, help="number of the first input")
    given = options.parse_args()
    came: Counter[tuple[str, str]] = Counter()
    bad, began, slowest = 0, time.process_time(), (0.0, 0)
    for seed in range(given.first, given.first + given.inputs):
        start = time.process_time()
        try:
            came[judge(seed)] += 1
        except Exception:
            bad += 1
            print(f"WRONG {seed}\n{traceback.format_exc(limit=-3)}", flush=True)
        slowest = max(slowest, (time.process_time() - start, seed))
        if (seed - given.first) % 5000 == 4999:
            print(f"{seed - given.first + 1} tried, {bad} wrong, {time.process_time() - began:.0f} s", flush=True)
    for (kind, outcome), n in sorted(came.items()):
        print(f"{kind:24} {outcome:12} {n:7}")
    print(f"{given.inputs} tried, {bad} wrong, {time.process_time() - began:.0f} s of one core, "
          f"slowest {slowest[0]:.2f} s (number {slowest[1]})")
    return int(bad > 0)


if __name__ == "__main__":
    sys.exit(main())
