"""Lines and jobs of any kind at all: what was answered, and every answer that is none, by its number.

    python tests/bench/anylines.py [--lines 1000] [--first 0]

Ends with 1 where an answer was an error or an empty promise. `missed`: speeds at which all limits look sure, one by
one, and no window was given. `judge(NUMBER)` of tests/anyline.py does one line again.
"""

from __future__ import annotations

import argparse
import sys
import traceback
import warnings
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from anyline import judge  # noqa: E402


def main() -> int:
    """Try them all and print what came."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--lines", type=int, default=1000)
    options.add_argument("--first", type=int, default=0, help="number of the first line")
    given = options.parse_args()
    warnings.simplefilter("error")
    came, bad, missed = Counter(), 0, []
    for seed in range(given.first, given.first + given.lines):
        try:
            answered, more = judge(seed)
        except Exception:
            bad += 1
            print(f"WRONG {seed}\n{traceback.format_exc(limit=-3)}", flush=True)
            continue
        came += answered
        missed += more
    print("\n".join(["missed", *missed]) if missed else "none missed")
    print(f"{given.lines} lines, {bad} wrong, {len(missed)} missed; answers: {dict(came)}")
    return int(bad > 0)


if __name__ == "__main__":
    sys.exit(main())
