"""Long logs: the path for many rows gives what the path for few gives, and says whether it settled."""

from __future__ import annotations

import numpy as np
import pytest

from edgefinish import posterior as room
from edgefinish.rows import MixedData, Spread


def trial(plates: int, edges: int, sheets: int, below: float = 0.0, seed: int = 3) -> MixedData:
    """Log radii of a line with Student edges, some of them below the gauge; truth: −0.5, −0.15, SDs .08, .06, .08."""
    rng = np.random.default_rng(seed)
    sheet = np.sort(np.arange(plates) % sheets)
    hours, log_feed = rng.uniform(0, 15, plates), rng.uniform(-0.8, 0.8, plates)
    plate = np.repeat(np.arange(plates), edges)
    columns = np.stack([np.ones(plates), log_feed, hours / 10], -1)
    eta = columns @ [-1, -0.5, -0.15] + rng.normal(0, 0.08, sheets)[sheet] + rng.normal(0, 0.06, plates)
    y = eta[plate] + 0.08 * rng.standard_t(5, plates * edges)
    least = np.quantile(y, below)
    load = np.ones((plates, 1, 2))
    load[:, 0, 1] = hours / 10
    return MixedData(
        y=np.maximum(y, least), side=np.where(y < least, -1, 0).astype(np.int8), scale=np.zeros(len(y), np.intp),
        load=np.ones((len(y), 1)), plate=plate, sheet=sheet, sheet_load=load, plate_columns=columns[:, None, :],
        row_columns=np.zeros((len(y), 0)), coef_mean=np.array([y.mean(), -0.5, -0.15]),
        coef_sd=np.array([1.0, 0.25, 0.15]), edge_spread=(Spread(0.1, 0.7),), plate_spread=(Spread(0.06, 0.5),),
        sheet_spread=(Spread(0.08, 0.4), Spread(0.025, 0.6)))


@pytest.mark.parametrize(("plates", "edges", "sheets", "below"), [
    (300, 4, 8, 0.0), (300, 4, 8, 0.12), (24, 60, 6, 0.0), (1700, 2, 10, 0.0)])
def test_both_paths_agree(monkeypatch, plates, edges, sheets, below):
    data = trial(plates, edges, sheets, below)
    few = room.posterior(data)
    monkeypatch.setattr(room, "MANY_ROWS", 1000)
    many = room.posterior(data)
    assert few.settled and many.settled
    (mean, sd), (mean_many, sd_many) = few.moments(), many.moments()
    assert (np.abs(mean - mean_many) < 0.1 * sd).all()
    np.testing.assert_allclose(sd_many, sd, rtol=0.05)
    spread, spread_many = (np.exp(p.weight @ np.log(p.nodes.sd)) for p in (few, many))
    np.testing.assert_allclose(spread_many, spread, rtol=0.06)


def test_a_long_log_recovers_what_made_it(monkeypatch):
    data = trial(6000, 4, 60)
    assert len(data.y) > room.MANY_ROWS
    many = room.posterior(data)
    mean, sd = many.moments()
    assert many.settled
    assert np.abs((mean - [-1, -0.5, -0.15]) / sd).max() < 3.5
    edge, plate, sheet, _ = np.exp(many.weight @ np.log(many.nodes.sd))
    np.testing.assert_allclose([edge, plate, sheet], [0.08, 0.06, 0.08], rtol=0.2)
    assert 1 / many.nodes.tail[0, 0] == pytest.approx(5, rel=0.3)
