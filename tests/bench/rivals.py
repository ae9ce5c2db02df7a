"""What a user would do today instead: least squares, mixed model, Gaussian process, conformal, a general sampler.

Each rival takes a log and a job and returns the widest window over which its own estimate of the conforming share
reaches the job's, at every position and age, or None. Where a job limits removal or burr, their shares are multiplied
onto the radius's, as one would with separate models.
"""

from __future__ import annotations

import logging
import math
import warnings
from collections.abc import Callable, Mapping

import numpy as np
import pandas as pd
import statsmodels.api as sm
from scipy.special import expit, ndtr, ndtri
from scipy.stats import binom, chi2

from edgefinish.abrasive import grain_um
from edgefinish.job import Job

Window = tuple[float, float] | None


def design(rows: pd.DataFrame, log: pd.DataFrame) -> np.ndarray:
    """Columns of the linear law for `rows`, the levels being those of `log`."""
    x = np.log(rows["feed_speed_m_min"].to_numpy(float) / 2.5)
    h = rows["contact_hours"].to_numpy(float) / 10
    grain = np.array([math.log(grain_um(g) / 201) for g in rows["grit"]])
    columns = [np.ones(len(rows)), x, x * x, np.log(rows["drum_pressure_kPa"].to_numpy(float) / 60), grain,
               np.log(rows["thickness_mm"].to_numpy(float) / 10), h, np.sqrt(h)]
    for name in ("edge_position", "material"):
        columns += [(rows[name] == v).to_numpy(float) for v in sorted(log[name].unique())[1:]]
    full = np.column_stack(columns)
    mine = full if rows is log else design(log, log)
    return full[:, [0, *(j for j in range(1, full.shape[1]) if np.ptp(mine[:, j]) > 0)]]


def _grid(log: pd.DataFrame, job: Job) -> tuple[np.ndarray, pd.DataFrame]:
    """Speeds, and for each of them every position at seven ages of the job's span."""
    own = log[log["material"] == job.material]["feed_speed_m_min"]
    speeds = np.geomspace(own.min(), own.max(), 61)
    ages = np.unique(np.linspace(*job.sheet_hours, 7))
    names = ["feed_speed_m_min", "contact_hours", "edge_position"]
    every = pd.MultiIndex.from_product([speeds, ages, sorted(log["edge_position"].unique())], names=names)
    rows = every.to_frame(index=False)
    return speeds, rows.assign(material=job.material, grit=job.grit, thickness_mm=job.thickness_mm,
                               drum_pressure_kPa=job.drum_pressure_kPa)


def _widest(speeds: np.ndarray, good: np.ndarray) -> Window:
    edges = np.flatnonzero(np.diff(np.r_[0, good.astype(int), 0]))
    if not len(edges):
        return None
    first, after = edges[::2], edges[1::2]
    best = np.argmax(after - first)
    return float(speeds[first[best]]), float(speeds[after[best] - 1])


def _radius(log: pd.DataFrame) -> np.ndarray:
    """Log radius with censored readings taken at their limit, as one does."""
    return np.log(log["edge_radius_mm"].astype(str).str.lstrip("<>").astype(float).to_numpy())


def _least_squares(y: np.ndarray, x: np.ndarray) -> tuple[np.ndarray, float, np.ndarray, int]:
    fit = sm.OLS(y, x).fit()
    return fit.params, math.sqrt(fit.scale), fit.normalized_cov_params, int(fit.df_resid)


def _other_limits(log: pd.DataFrame, job: Job, x: np.ndarray, new: np.ndarray) -> np.ndarray | float:
    """The share that meets removal and burr limits, each by its own fit at its word."""
    share: np.ndarray | float = 1.0
    if job.removal_um is not None:
        beta, sd, _, _ = _least_squares(np.log(log["removal_um"].to_numpy(float)), x)
        share = ndtr((math.log(job.removal_um) - new @ beta) / sd)
    if job.residual_burr_mm is not None:
        ours = (log["burr_severity"] == job.burr_severity).to_numpy()
        cleared = (log["residual_burr_mm"] <= job.residual_burr_mm).to_numpy(float)[ours]
        fit = sm.GLM(cleared, x[ours], family=sm.families.Binomial()).fit_regularized(alpha=0.002, L1_wt=0.0)
        share = share * expit(new @ fit.params)
    return share


def _limits(job: Job) -> tuple[float, float]:
    low, high = job.edge_radius_mm or (None, None)
    return (-np.inf if low is None else math.log(low)), (np.inf if high is None else math.log(high))


def at_its_word(log: pd.DataFrame, job: Job) -> Window:
    """Least squares; fitted values and residual spread taken as the truth."""
    speeds, rows = _grid(log, job)
    x, new = design(log, log), design(rows, log)
    low, high = _limits(job)
    beta, sd, _, _ = _least_squares(_radius(log), x)
    share = ndtr((high - new @ beta) / sd) - ndtr((low - new @ beta) / sd)
    share = share * _other_limits(log, job, x, new)
    return _widest(speeds, share.reshape(len(speeds), -1).min(1) >= job.share)


def tolerance_limits(log: pd.DataFrame, job: Job) -> Window:
    """Least squares with two-sided tolerance limits (Howe 1969, J. Am. Stat. Assoc. 64, 610), edges independent."""
    speeds, rows = _grid(log, job)
    x, new = design(log, log), design(rows, log)
    low, high = _limits(job)
    beta, sd, cov, df = _least_squares(_radius(log), x)
    others = np.clip(_other_limits(log, job, x, new), 1e-9, 1)
    content = np.minimum(job.share / others, 1 - 1e-9)          # what the radius alone has to reach
    z = ndtri((1 + content) / 2)
    k = z * np.sqrt(df / chi2.ppf(1 - job.confidence, df)) * np.sqrt(1 + np.einsum("ij,jk,ik->i", new, cov, new))
    mean = new @ beta
    good = (mean - k * sd >= low) & (mean + k * sd <= high) & (others >= job.share)
    return _widest(speeds, good.reshape(len(speeds), -1).all(1))



def mixed_model(log: pd.DataFrame, job: Job) -> Window:
    """statsmodels MixedLM, sheets and plates as random levels, REML estimates taken as the truth."""
    speeds, rows = _grid(log, job)
    x, new = design(log, log), design(rows, log)
    low, high = _limits(job)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = sm.MixedLM(_radius(log), x, groups=log["abrasive_sheet"].to_numpy(), exog_re=np.ones((len(log), 1)),
                         exog_vc=_plates(log)).fit(reml=True, method=["lbfgs"])
    beta, sd = fit.fe_params, math.sqrt(fit.scale + float(fit.cov_re[0, 0]) + float(fit.vcomp[0]))
    share = ndtr((high - new @ beta) / sd) - ndtr((low - new @ beta) / sd)
    share = share * _other_limits(log, job, x, new)
    return _widest(speeds, share.reshape(len(speeds), -1).min(1) >= job.share)


def _plates(log: pd.DataFrame) -> sm.regression.mixed_linear_model.VCSpec:
    """Indicator columns of the plates within each sheet, as MixedLM takes them."""
    names, mats = [], []
    for _, rows in log.groupby("abrasive_sheet", sort=True):
        mine, runs = pd.factorize(rows["run"])
        mats.append(np.eye(len(runs))[mine])
        names.append(list(runs))
    return sm.regression.mixed_linear_model.VCSpec(["plate"], [names], [mats])


def gaussian_process(log: pd.DataFrame, job: Job) -> Window:
    """scikit-learn GaussianProcessRegressor, one length a setting and white noise; predictive normals at their word."""
    from sklearn.gaussian_process import GaussianProcessRegressor
    from sklearn.gaussian_process.kernels import RBF, ConstantKernel, WhiteKernel
    speeds, rows = _grid(log, job)
    x, new = design(log, log)[:, 1:], design(rows, log)[:, 1:]
    x, new = ((m - x.mean(0)) / x.std(0) for m in (x, new))
    low, high = _limits(job)
    kernel = ConstantKernel(1.0) * RBF(np.full(x.shape[1], 3.0), (0.3, 300)) + WhiteKernel(0.1, (1e-4, 10))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")             # lengths of settings that do nothing end at their bound
        fit = GaussianProcessRegressor(kernel, normalize_y=True).fit(x, _radius(log))
    mean, sd = fit.predict(new, return_std=True)
    share = ndtr((high - mean) / sd) - ndtr((low - mean) / sd)
    share = share * _other_limits(log, job, design(log, log), design(rows, log))
    return _widest(speeds, share.reshape(len(speeds), -1).min(1) >= job.share)


def order_of(count: int, content: float, confidence: float | None = None) -> int:
    """Which of `count` ordered misfits bounds a share `content` of future ones; `count` + 1 where none does.

    Without confidence: in the mean over logs (Vovk, Gammerman and Shafer 2005, Algorithmic Learning in a Random World).
    With it: in that share of logs, readings being independent (Wilks 1941, Ann. Math. Stat. 12, 91).
    """
    if confidence is None:
        return min(math.ceil((count + 1) * content - 1e-9), count + 1)
    return min(int(binom.ppf(confidence, count, content)) + 1, count + 1)


def conformal(log: pd.DataFrame, job: Job, confidence: float | None = None) -> Window:
    """Split conformal: least squares on a random half of the rows, its misfits on the other half as the band."""
    speeds, rows = _grid(log, job)
    x, new, y = design(log, log), design(rows, log), _radius(log)
    low, high = _limits(job)
    half = np.random.default_rng(0).permutation(len(log)) % 2 == 0
    beta = np.linalg.lstsq(x[half], y[half], rcond=None)[0]
    misfit = np.append(np.sort(np.abs(y - x @ beta)[~half]), np.inf)
    others = np.clip(_other_limits(log, job, x, new), 1e-9, 1)
    content = np.broadcast_to(np.minimum(job.share / others, 1), len(new))
    order = {c: order_of(len(misfit) - 1, c, confidence) for c in np.unique(content)}
    band = misfit[[order[c] - 1 for c in content]]
    mean = new @ beta
    good = (mean - band >= low) & (mean + band <= high) & (others >= job.share)
    return _widest(speeds, good.reshape(len(speeds), -1).all(1))


def conformal_with_confidence(log: pd.DataFrame, job: Job) -> Window:
    """Split conformal whose band holds the share with the job's confidence, edges as independent."""
    return conformal(log, job, job.confidence)


def sampler(log: pd.DataFrame, job: Job) -> Window:
    """Bambi's default mixed model drawn by NUTS, sheets and plates as levels; the whole window in the share of draws.

    Two chains of 1,000 draws, its own default priors. Edges are normal, readings at a bound count as that bound.
    """
    speeds, rows = _grid(log, job)
    new = design(rows, log)
    low, high = _limits(job)
    beta, sd = _sampled(log)
    others = _other_limits(log, job, design(log, log), new)
    good = np.empty((len(beta), len(speeds)), bool)
    for k in range(len(beta)):
        mean = new @ beta[k]
        share = (ndtr((high - mean) / sd[k]) - ndtr((low - mean) / sd[k])) * others
        good[k] = share.reshape(len(speeds), -1).min(1) >= job.share
    best, width = None, 0.0
    for first in range(len(speeds)):
        whole = np.logical_and.accumulate(good[:, first:], axis=1).mean(0) >= job.confidence
        last = first + int(whole.sum()) - 1
        if last > first and speeds[last] / speeds[first] > width:
            best, width = (float(speeds[first]), float(speeds[last])), float(speeds[last] / speeds[first])
    return best


_SAMPLED: dict[int, tuple[pd.DataFrame, tuple[np.ndarray, np.ndarray]]] = {}


def _sampled(log: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Draws of the coefficients and of the SD of a future edge; kept for the jobs of one log."""
    if id(log) not in _SAMPLED:
        import bambi
        logging.disable(logging.INFO)
        x = design(log, log)[:, 1:]
        middle = x.mean(0)
        names = [f"x{i}" for i in range(x.shape[1])]
        data = pd.DataFrame(x - middle, columns=names).assign(
            y=_radius(log), sheet=log["abrasive_sheet"].to_numpy(str),
            plate=(log["abrasive_sheet"] + "/" + log["run"]).to_numpy(str))
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            model = bambi.Model("y ~ " + " + ".join(names) + " + (1|sheet) + (1|plate)", data)
            found = model.fit(draws=1000, tune=1000, chains=2, cores=1, random_seed=1, progressbar=False)
        draws = {k: v.to_numpy().ravel() for k, v in found.posterior.items()
                 if k in ("Intercept", "sigma", "1|sheet_sigma", "1|plate_sigma", *names)}
        slopes = np.stack([draws[n] for n in names], 1)
        beta = np.column_stack([draws["Intercept"] - slopes @ middle, slopes])
        sd = np.sqrt(draws["sigma"]**2 + draws["1|sheet_sigma"]**2 + draws["1|plate_sigma"]**2)
        _SAMPLED.clear()
        _SAMPLED[id(log)] = log, (beta, sd)
    return _SAMPLED[id(log)][1]


RIVALS: Mapping[str, Callable[[pd.DataFrame, Job], Window]] = {
    "at its word": at_its_word, "tolerance": tolerance_limits, "mixed model": mixed_model,
    "Gaussian process": gaussian_process, "conformal": conformal,
    "conformal with confidence": conformal_with_confidence, "sampler": sampler,
}
NEEDS: Mapping[str, str] = {"Gaussian process": "sklearn", "sampler": "bambi"}
"""What some ways need besides: the package as it is imported."""
