"""The share of edges that meet all limits together, against future edges drawn one by one.

What is drawn is the sentence of the docstring of `edgefinish.promise`: no published figure stands behind it. Two
million edges a case, so that a share is known to .001.
"""

from __future__ import annotations

import pickle
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr

from edgefinish.laws import AREA_LAW, BURR_OF_EDGE, WEAR_HOURS, wear_columns
from edgefinish.promise import Burr, Path, Promise
from edgefinish.scatter import Scatter
from edgefinish.shares import worst_shares

EDGES = 2_000_000


def promise(nodes: int = 3) -> Promise:
    """A few draws that are all unlike; one position, one sheet age."""
    rng = np.random.default_rng(8)

    def path(level: float, slope: float) -> Path:
        return Path(level + rng.normal(0, 0.05, nodes), slope + rng.normal(0, 0.05, nodes), rng.normal(0, 0.03, nodes),
                    np.column_stack([rng.normal(-0.1, 0.05, (nodes, 2)), np.linspace(0, 0.1, nodes)]),
                    rng.normal(0, 0.05, (nodes, 1)))

    return Promise(
        node=np.arange(nodes), speeds=(-1.0, 1.0), hours=(8.0, 8.0), radius=path(-1.0, -0.5),
        scatter=Scatter(np.full(nodes, 0.15), np.full(nodes, 0.05), rng.uniform(0.1, 0.16, nodes), np.full(nodes, 0.2)),
        radius_limits=(np.log(0.25), np.log(0.55)), removal=path(3.3, -1.0),
        removal_scatter=Scatter(np.full(nodes, 0.1), np.zeros(nodes), np.full(nodes, 0.12), np.full(nodes, 0.1)),
        removal_limit=np.log(45.0),
        burr=Burr(np.array([6.0, 5.0, 4.0]), np.array([4.0, 3.0, 2.5]), rng.normal(0, 0.5, (nodes, 4))))


def drawn(asked: Promise, x: float, k: int) -> float:
    """Share of two million edges of draw `k` that meet every limit."""
    rng = np.random.default_rng([k, 9])
    hours = asked.hours[0]

    def mean(path: Path) -> float:
        worn = float(path.wear[k] @ wear_columns(hours))
        return float(path.level[k] + path.slope[k] * x + path.bend[k] * x * x + worn + path.position[k, 0])

    of = asked.scatter
    sheet_and_plate = np.hypot(of.shared[k], of.wear[k] * hours / WEAR_HOURS) * rng.standard_normal(EDGES)
    plate = mean(asked.radius) + sheet_and_plate
    radius = plate + of.edge[k] * rng.standard_t(1 / of.tail[k], EDGES)
    good = (radius >= asked.radius_limits[0]) & (radius <= asked.radius_limits[1])
    if asked.removal is not None:
        own = asked.removal_scatter
        removal = mean(asked.removal) + AREA_LAW * sheet_and_plate + own.shared[k] * rng.standard_normal(EDGES)
        good &= removal + own.edge[k] * rng.standard_t(1 / own.tail[k], EDGES) <= asked.removal_limit
    chance = 1.0
    if asked.burr is not None:
        height = asked.burr.height[k, rng.integers(asked.burr.height.shape[1], size=EDGES)]
        dose = plate + BURR_OF_EDGE * (radius - plate)
        chance = ndtr(asked.burr.level[k] + asked.burr.slope[k] * dose + height)
    return float(np.mean(good * chance))


def test_where_burr_differs_by_position_the_worst_is_the_worst_of_each_alone():
    rng = np.random.default_rng(5)
    one, steps = promise(), np.array([[0.0, -2.5, 0.8]]) + rng.normal(0, 0.1, (3, 3))
    shift = np.array([[0.0, 0.1, -0.1]])
    radius, removal = (replace(path, position=path.position + shift) for path in (one.radius, one.removal))
    whole = replace(one, radius=radius, removal=removal, burr=replace(one.burr, position=steps))
    x = np.array([-0.4, 0.0, 0.5])
    alone = [worst_shares(replace(whole, burr=one.burr.with_position(steps[:, i]),
                                  radius=radius.of_positions[i], removal=removal.of_positions[i]), x)
             for i in range(3)]
    np.testing.assert_allclose(worst_shares(whole, x), np.min(alone, axis=0), atol=1e-6)
    assert np.argmin(alone, axis=0)[:, 2].tolist() == [1, 1, 1]  # not where the dose is least


@pytest.mark.parametrize("changes", [
    {}, {"burr": None}, {"removal": None, "removal_scatter": None, "removal_limit": np.inf},
    {"radius_limits": (-np.inf, np.log(0.55))}, {"radius_limits": (np.log(0.25), np.inf)},
    {"radius_limits": (-np.inf, np.inf)}, {"burr": None, "radius_limits": (-np.inf, np.inf)},
    {"hours": (0.0, 0.0)}, {"radius_limits": (np.log(0.36), np.log(0.38))}])
def test_all_limits_together_are_met_as_often_as_by_edges_drawn_one_by_one(changes):
    asked = replace(promise(), **changes)
    x = np.array([-0.4, 0.0, 0.5])
    got = worst_shares(asked, x)
    wanted = np.array([[drawn(asked, v, k) for v in x] for k in range(len(asked.node))])
    assert got == pytest.approx(wanted, abs=0.006)
    assert np.ptp(wanted) > 0.01


def test_removal_that_moves_with_the_radius_is_not_taken_for_chance_of_its_own():
    """A heavy plate is large and loses much at once: where both limits bind alike, that costs less than apart."""
    asked = promise(1)
    asked = replace(asked, burr=None, radius_limits=(-np.inf, np.log(0.4)))
    both = worst_shares(asked, np.array([0.0]))[0, 0]
    alone = worst_shares(replace(asked, removal_limit=np.inf), np.array([0.0]))[0, 0]
    other = worst_shares(replace(asked, radius_limits=(-np.inf, np.inf)), np.array([0.0]))[0, 0]
    assert alone * other + 0.02 < both < min(alone, other)


def test_tables_that_jobs_share_are_those_of_the_limits_asked_and_are_not_handed_on():
    one, x = promise(), np.array([-0.2, 0.4])
    for changes in ({}, {"radius_limits": (np.log(0.3), np.inf)}, {"removal_limit": np.log(30.0)}, {"burr": None}, {},
                    {"scatter": replace(one.scatter, edge=2 * one.scatter.edge)}, {"removal_limit": np.inf}):
        with_kept = replace(one, **changes)
        assert with_kept.radius is one.radius
        fresh = replace(with_kept, radius=one.radius.some(slice(None)))
        assert np.array_equal(worst_shares(with_kept, x), worst_shares(fresh, x))
    assert one.radius.tables
    copy = pickle.loads(pickle.dumps(one.radius))
    assert not copy.tables and copy.tables.most == one.radius.tables.most
    assert np.array_equal(copy.level, one.radius.level)
