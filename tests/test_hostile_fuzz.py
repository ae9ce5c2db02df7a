"""Ten thousand inputs changed by chance: a right reading or a refusal comes out, never anything else.

Three thousand are whole files, the rest cells among sound ones. A hundred thousand files: tests/bench/fuzz.py.
"""

from __future__ import annotations

import math
import random

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from logs import clean
from mutations import NOISE, QUANTITIES, Wrong, judge, number, plain_cells_say_what_they_say, same_reading, sane

from edgefinish.errors import LogError
from edgefinish.triallog import read_log

FILES, LOGS, ROWS = 3000, 70, 100
CELLS = st.one_of(st.text(alphabet="0123456789.,<>-/ eEinm½'", max_size=9), st.text(max_size=8), st.sampled_from(NOISE),
                  st.decimals(allow_nan=False, allow_infinity=False, min_value=-99, max_value=9999, places=3).map(str))


@settings(max_examples=FILES, deadline=None, derandomize=True, database=None, suppress_health_check=list(HealthCheck))
@given(seed=st.integers(0, 2**62))
def test_files_changed_by_chance_are_read_right_or_refused(seed):
    judge(seed)


@settings(max_examples=LOGS, deadline=None, derandomize=True, database=None, suppress_health_check=list(HealthCheck))
@given(cells=st.lists(CELLS, min_size=ROWS, max_size=ROWS), seed=st.integers(0, 2**62))
def test_cells_changed_by_chance_are_read_right_or_refused_in_their_rows(cells, seed):
    rng = random.Random(seed)
    frame = clean(ROWS // 4 + 1).iloc[:ROWS].assign(run=[f"R{i}" for i in range(ROWS)]).astype(object)
    columns = [rng.choice([c for c in QUANTITIES if c in frame]) for _ in cells]
    for i, (name, cell) in enumerate(zip(columns, cells, strict=True)):
        frame.loc[i, name] = cell
    refused: set[int] = set()
    for _ in range(3):  # what is doubtful depends on the decimal marks of all cells, so on what else is left
        try:
            log = read_log(frame.drop(index=sorted(refused)))
        except LogError as error:
            kept = [i for i in range(ROWS) if i not in refused]
            at = {kept[p.row - 2]: p.column for p in error.problems if p.row is not None}
            assert all(columns[i] == name for i, name in at.items()), str(error)[:2000]
            refused |= set(at)
            continue
        break
    else:
        pytest.fail("three readings, and still refused")
    sane(log)
    rows = [i for i in range(ROWS) if i not in refused]
    for i, got in zip(rows, (log.rows[columns[i]].iloc[k] for k, i in enumerate(rows)), strict=True):
        plain = number(cells[i].strip())
        if plain is not None:
            assert math.isclose(float(got), plain, rel_tol=1e-9), (i, cells[i], got)


def test_the_judge_can_say_wrong():
    """Each of its three ways of finding a misread log finds one."""
    truth = clean()
    for name, cell in (("feed_speed_m_min", "1.51"), ("edge_radius_mm", "<0.3"), ("material", "S356")):
        other = truth.copy()
        other.loc[0, name] = cell
        with pytest.raises(Wrong):
            same_reading(read_log(truth), other)
    data = truth.to_csv(index=False).encode()
    log = read_log(truth)
    plain_cells_say_what_they_say(log, data)
    with pytest.raises(Wrong):
        plain_cells_say_what_they_say(log, data.replace(b"0.33", b"0.34", 1))
    object.__setattr__(log, "rows", pd.concat([log.rows, log.rows.assign(thickness_mm=-1.0)]))
    with pytest.raises(Wrong):
        sane(log)
