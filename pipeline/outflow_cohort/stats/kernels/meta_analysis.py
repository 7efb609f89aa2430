"""Random-effects meta-analysis of estimates with known standard errors. Estimates in any one unit.

Between-site variance by restricted maximum likelihood, interval of the mean by Hartung and Knapp (t, k - 1 df). Checked
against R's metafor (tests/reference/stats/r/meta_analysis.R).

Sources: DerSimonian & Laird 1986 Control Clin Trials 7:177 (model); Viechtbauer 2005 J Educ Behav Stat 30:261 (REML);
Hartung & Knapp 2001 Stat Med 20:3875; Higgins & Thompson 2002 Stat Med 21:1539 (I squared).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

SOURCE = "REML: Viechtbauer 2005 J Educ Behav Stat 30:261; interval: Hartung & Knapp 2001 Stat Med 20:3875"
MOST_STEPS = 500
TOLERANCE = 1e-12


@dataclass(frozen=True)
class PooledEstimate:
    """Mean over sites, standard error and interval; variance between sites, I squared (share), Q; number of sites."""

    estimate: float
    std_error: float
    ci_low: float
    ci_high: float
    between_variance: float
    i_squared: float
    q: float
    n_sites: int
    status: str


def pool_sites(estimates: np.ndarray, errors: np.ndarray, confidence: float = 0.95) -> PooledEstimate:
    """Pool the sites with finite estimate and error > 0. Status `one_site` (no interval between sites) or `no_site`.

    Three equally precise sites (variance 1) whose estimates vary by 4: the other 3 are between the sites:

    >>> found = pool_sites(np.array([0.0, 2.0, 4.0]), np.ones(3))
    >>> [round(float(x), 3) for x in (found.estimate, found.between_variance, found.i_squared)]
    [2.0, 3.0, 0.75]
    """
    from scipy.special import stdtrit

    good = np.isfinite(estimates) & np.isfinite(errors) & (errors > 0)
    y, v = estimates[good].astype(np.float64), errors[good].astype(np.float64) ** 2
    k, nan = len(y), float("nan")
    if k < 2:
        known = float(y[0]) if k else nan
        error = float(np.sqrt(v[0])) if k else nan
        return PooledEstimate(
            estimate=known,
            std_error=error,
            ci_low=nan,
            ci_high=nan,
            between_variance=nan,
            i_squared=nan,
            q=nan,
            n_sites=k,
            status="one_site" if k else "no_site",
        )
    tau2 = _between_variance(y, v)
    w = 1.0 / (v + tau2)
    mean = float((w * y).sum() / w.sum())
    scale = float((w * (y - mean) ** 2).sum() / (k - 1))  # Hartung & Knapp 2001
    error = float(np.sqrt(scale / w.sum()))
    half = float(stdtrit(k - 1, (1 + confidence) / 2)) * error
    fixed = 1.0 / v
    centre = float((fixed * y).sum() / fixed.sum())
    q = float((fixed * (y - centre) ** 2).sum())
    typical = (k - 1) * fixed.sum() / (fixed.sum() ** 2 - (fixed**2).sum())
    i_squared = tau2 / (tau2 + typical)
    return PooledEstimate(
        estimate=mean,
        std_error=error,
        ci_low=mean - half,
        ci_high=mean + half,
        between_variance=tau2,
        i_squared=float(i_squared),
        q=q,
        n_sites=k,
        status="ok",
    )


def _between_variance(y: np.ndarray, v: np.ndarray) -> float:
    """Restricted maximum likelihood by Fisher scoring, never negative."""
    tau2 = max(float(y.var(ddof=1) - v.mean()), 0.0)
    for _ in range(MOST_STEPS):
        w = 1.0 / (v + tau2)
        mean = (w * y).sum() / w.sum()
        # Score and information of the restricted likelihood with P = W - W 1 1' W / sum(w).
        trace = w.sum() - (w**2).sum() / w.sum()
        trace2 = (w**2).sum() - 2 * (w**3).sum() / w.sum() + ((w**2).sum() / w.sum()) ** 2
        squares = (w**2 * (y - mean) ** 2).sum()
        step = float((squares - trace) / trace2)
        moved = max(tau2 + step, 0.0)
        if abs(moved - tau2) < TOLERANCE * max(1.0, tau2):
            return moved
        tau2 = moved
    return tau2
