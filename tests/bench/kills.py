"""Kills runs at random moments and looks at what is there: the result before, the new one, never a half.

    .venv/bin/python tests/bench/kills.py --kills 120

Every second run has an earlier result to replace. One in four gets SIGTERM or SIGINT, the others SIGKILL. At the end
one run is let go to its end: what the killed ones left must be gone then.
"""

from __future__ import annotations

import argparse
import json
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
import smallstudy  # noqa: E402
import test_breaks as breaks  # noqa: E402


def main() -> int:
    """Exit code 0 where no result was half written and no process was left."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--kills", type=int, default=120)
    options.add_argument("--seed", type=int, default=1)
    given = options.parse_args()
    moments = random.Random(given.seed)
    with tempfile.TemporaryDirectory() as folder:
        yard = Path(folder)
        smallstudy.write(yard)
        began = time.monotonic()
        said = breaks.start(yard).communicate()[1]
        takes, out = time.monotonic() - began, yard / "small-yard"
        whole, safe = breaks.pages(out), Path(shutil.copytree(out, yard / "safe"))
        assert whole, said
        count: Counter[str] = Counter()
        while count["sent"] < given.kills:
            earlier = count["sent"] % 2 == 0
            if earlier != out.exists():
                if earlier:
                    shutil.copytree(safe, out)
                else:
                    shutil.rmtree(out)
            sent = moments.choice([signal.SIGKILL] * 6 + [signal.SIGTERM, signal.SIGINT])
            run = breaks.start(yard)
            try:
                run.wait(moments.uniform(0, takes))
            except subprocess.TimeoutExpired:
                run.send_signal(sent)
                count["sent"] += 1
                count[sent.name] += 1
                said = run.communicate(timeout=60)[1]
                count["traceback"] += "Traceback" in said
                state = "none" if not out.exists() else "whole" if breaks.pages(out) == whole else "HALF WRITTEN"
                # A run killed between its two moves leaves the earlier result whole under another name.
                aside = [p for p in yard.glob(".small-yard-*-old") if breaks.pages(p) == whole]
                kept = not earlier or state == "whole" or len(aside) == 1
                count[state] += 1
                count["earlier result LOST"] += not kept
                count["process left"] += bool(breaks.alive(yard / "t"))
                count["between the moves"] += bool(aside)
            else:
                count["done before"] += 1
        last = breaks.start(yard)
        last.communicate()
        clear = sorted(p.name for p in yard.iterdir()) == ["safe", "small-yard", "study.yaml", "t", "trials.csv"]
        count["LEFT OVER at the end"] = int(not clear) + int(bool(list((yard / "t").iterdir())))
        count["last run FAILED"] = int(last.returncode != 0 or breaks.pages(out) != whole)
    print(json.dumps({k: v for k, v in count.items()}, indent=1))
    return int(any(v for k, v in count.items() if any(w.isupper() and len(w) > 3 and not w.startswith("SIG")
                                                      for w in k.split()) or k == "process left"))


if __name__ == "__main__":
    sys.exit(main())
