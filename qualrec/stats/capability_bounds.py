"""Lower bounds of capability indices, and what the lots say about the total spread. All functions are
vectorised.

Independent values: chi-square for Cp and Pp, non-central t for an index against one limit, Bissell's normal
approximation for the smaller of two. Values in lots: the total variance is put together from the variance of
the lot means and the variance within lots; its upper confidence limit is the modified large-sample limit of
Graybill and Wang; the effective degrees of freedom f are those of a chi-square variable with the same limit,
and the effective number of values is (total variance) / (variance of the mean). The non-central t is then
used with both.

Sources: Chou, Owen & Borrego, J. Quality Technology 22 (1990) 223; Bissell, Applied Statistics 39 (1990)
331; Graybill & Wang, J. American Statistical Association 75 (1980) 869; Burdick & Graybill, Confidence
Intervals on Variance Components (1992); unweighted lot means: Thomas & Hultquist, Annals of Statistics 6
(1978) 582. The joining of the effective degrees of freedom with the non-central t is our own;
tests/stats/test_capability.py and tests/benchmarks/coverage.py measure what it covers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtri, nctdtr, nctdtrinc, ndtri

from qualrec.stats.results import FloatArray, IntArray


def bound_spread(value: ArrayLike, df: ArrayLike, level: float = 0.95) -> FloatArray:
    """Lower bound of Cp or Pp: value * sqrt(chi2(1 - level; df) / df). Shapes broadcast.

    Exact for normal independent values. nan where df < 1 or the value is nan.
    Source: NIST/SEMATECH e-Handbook 6.1.6.
    """
    v, f = np.broadcast_arrays(np.asarray(value, float), np.asarray(df, float))
    safe = np.where(f > 0, f, np.nan)
    return np.asarray(v * np.sqrt(chdtri(safe, level) / safe))


def bound_one_sided(
    value: ArrayLike, n_effective: ArrayLike, df: ArrayLike, level: float = 0.95
) -> FloatArray:
    """Lower bound of an index against one limit, (mean - lsl) / (3 s) or (usl - mean) / (3 s).

    Solves P(T(df; d) <= t) = level for the non-centrality d, with t = 3 * value * sqrt(n_effective), and
    returns d / (3 sqrt(n_effective)). Exact for n_effective = n, df = n - 1 and normal independent values;
    negative indices are allowed. Shapes broadcast; nan where an input is nan or df <= 0. Source: Chou, Owen
    & Borrego 1990.
    """
    v, m, f = np.broadcast_arrays(
        np.asarray(value, float), np.asarray(n_effective, float), np.asarray(df, float)
    )
    root = 3.0 * np.sqrt(np.where(m > 0, m, np.nan))
    return noncentrality(np.where(f > 0, f, np.nan), level, v * root) / root


def noncentral_t(df: ArrayLike, delta: ArrayLike, t: ArrayLike) -> FloatArray:
    """P(T(df; delta) <= t), shapes broadcast; 0 or 1 far out in the tails, where scipy gives nan."""
    value = np.asarray(nctdtr(df, delta, t), dtype=np.float64)
    lost = np.isnan(value) & np.isfinite(np.asarray(df, float) + np.asarray(delta) + np.asarray(t))
    return np.where(lost, np.where(np.less(t, delta), 0.0, 1.0), value)


def noncentrality(df: ArrayLike, p: ArrayLike, t: ArrayLike) -> FloatArray:
    """The d with P(T(df; d) <= t) = p, shapes broadcast; P comes out to about 1e-15 (against mpmath).

    Secant steps on the normal quantile of P, which is nearly straight in d. Where these do not settle, and below 3
    degrees of freedom: scipy's inverse (1e-5 to 1e-9) and one secant step.
    """
    f, share, x = np.broadcast_arrays(*(np.asarray(v, dtype=np.float64) for v in (df, p, t)))
    z = ndtri(share)
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = np.sqrt(1.0 + x * x / (2.0 * f))
        before = x - z * slope
        gap = ndtri(noncentral_t(f, before, x)) - z
        found = before + gap * slope
        step = np.full(found.shape, np.nan)
        for _ in range(3):
            here = ndtri(noncentral_t(f, found, x)) - z
            step = np.where(here == 0, 0.0, here * (found - before) / (here - gap))
            step = np.where(found == before, 0.0, step)
            before, gap, found = found, here, found - step
        settled = (f >= 3.0) & (np.abs(step) <= 1e-6 * (1.0 + np.abs(found)))
    if settled.all():
        return np.asarray(found)
    slow = ~settled
    found = np.array(found)
    found[slow] = _slow_noncentrality(f[slow], share[slow], x[slow])
    return found


def _slow_noncentrality(f: FloatArray, p: FloatArray, t: FloatArray) -> FloatArray:
    first = np.asarray(nctdtrinc(f, p, t), dtype=np.float64)
    here, ahead = noncentral_t(f, first, t), noncentral_t(f, first + 1e-3, t)
    with np.errstate(divide="ignore", invalid="ignore"):
        step = (here - p) * 1e-3 / (ahead - here)
    return np.where(np.abs(step) < 0.1, first - step, first)


def bound_two_sided(
    value: ArrayLike, n_effective: ArrayLike, df: ArrayLike, level: float = 0.95
) -> FloatArray:
    """Lower bound of Cpk or Ppk with two limits: value - z sqrt(1/(9 n) + value^2 / (2 df)).

    Normal approximation: covers about 97 % of the time when the mean is centred and 94 to 95 % when it is
    not. Shapes broadcast. Source: Bissell 1990.
    """
    v, m, f = np.broadcast_arrays(
        np.asarray(value, float), np.asarray(n_effective, float), np.asarray(df, float)
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(v - ndtri(level) * np.sqrt(1.0 / (9.0 * m) + v * v / (2.0 * f)))


@dataclass(frozen=True, slots=True, eq=False)
class LotMoments:
    """What the lots of each characteristic say; every array has the leading shape of the input.

    `var_total` = between-lot plus within-lot variance, `df_total` its effective degrees of freedom at the
    level asked, `n_effective` = var_total / var_mean. With one lot nothing is known of the spread between
    lots: these three then hold the variance of the values, n - 1 and n. `df_within` is 0 and `var_within`
    nan when no lot holds two values.
    """

    n: IntArray
    k: IntArray
    mean: FloatArray
    var_overall: FloatArray
    var_within: FloatArray
    df_within: FloatArray
    var_between: FloatArray
    """Estimate of the lot-to-lot variance, 0 where it comes out negative."""
    f_ratio: FloatArray
    """k-lot F statistic: mean square between lots over mean square within."""
    var_total: FloatArray
    df_total: FloatArray
    n_effective: FloatArray
    var_mean: FloatArray
    """Variance of the mean of all values, with the spread between lots in it."""


def lot_moments(n: ArrayLike, mean: ArrayLike, sd: ArrayLike, level: float = 0.95) -> LotMoments:
    """Sums over lots (last axis) of counts, means and standard deviations. Lots with n = 0 are absent.

    Shapes (..., lots); `sd` is not read where n < 2. The means are taken about the first mean present, so
    that data far from zero keep their digits. nan in a mean or sd that is needed gives nan in the results of
    that row.
    """
    counts = np.asarray(n, dtype=np.int64)
    present, many = counts > 0, counts > 1
    w = counts.astype(float)
    first = np.argmax(present, axis=-1)[..., None]
    shift = np.take_along_axis(np.asarray(mean, float), first, axis=-1)
    m = np.where(present, np.asarray(mean, float) - shift, 0.0)
    total, k = counts.sum(axis=-1), present.sum(axis=-1)
    with np.errstate(divide="ignore", invalid="ignore"):
        grand = (w * m).sum(axis=-1) / total
        away = np.where(present, m - grand[..., None], 0.0)
        ss_between = (w * away * away).sum(axis=-1)
        ss_within = np.where(many, (w - 1.0) * np.square(np.where(many, sd, 0.0)), 0.0).sum(axis=-1)
        df_within = (total - k).astype(float)
        var_overall = np.where(total > 1, (ss_between + ss_within) / (total - 1.0), np.nan)
        var_within = np.where(df_within > 0, ss_within / df_within, np.nan)
        f_ratio = np.where(k > 1, ss_between / (k - 1.0) / var_within, np.nan)
        plain = m.sum(axis=-1) / k
        apart = np.where(present, m - plain[..., None], 0.0)
        var_means = np.where(k > 1, (apart * apart).sum(axis=-1) / (k - 1.0), np.nan)
        inverse = np.where(present, 1.0 / np.where(present, w, 1.0), 0.0).sum(axis=-1) / k
        share = (w * w).sum(axis=-1) / np.square(total.astype(float))
    within0 = np.where(df_within > 0, var_within, 0.0)
    rest = (1.0 - inverse) * within0
    var_between = np.maximum(var_means - inverse * within0, 0.0)
    var_total = np.where(k > 1, var_means + rest, var_overall)
    df_total = effective_df(var_means, k - 1.0, rest, df_within, level)
    with np.errstate(divide="ignore", invalid="ignore"):
        nested = np.where(df_within > 0, var_between * share + within0 / total, var_means / k)
        var_mean = np.where(k > 1, nested, var_overall / total)
        return LotMoments(
            n=total,
            k=k,
            mean=grand + shift[..., 0],
            var_overall=var_overall,
            var_within=var_within,
            df_within=df_within,
            var_between=var_between,
            f_ratio=f_ratio,
            var_total=var_total,
            df_total=np.where(k > 1, df_total, total - 1.0),
            n_effective=var_total / var_mean,
            var_mean=var_mean,
        )


def upper_factor(df: ArrayLike, level: float = 0.95) -> FloatArray:
    """Upper confidence limit of a variance over its estimate: df / chi2(1 - level; df). nan where df <= 0."""
    f = np.asarray(df, float)
    safe = np.where(f > 0, f, np.nan)
    return np.asarray(safe / chdtri(safe, level))


def effective_df(a: ArrayLike, df_a: ArrayLike, b: ArrayLike, df_b: ArrayLike, level: float) -> FloatArray:
    """Degrees of freedom f of the sum a + b of two independent variance estimates.

    The modified large-sample upper limit is U = a + b + sqrt((H_a a)^2 + (H_b b)^2), H = upper_factor - 1; f
    solves f / chi2(1 - level; f) = U / (a + b). A part with df 0 must be 0. nan where nothing is known.
    """
    va, fa, vb, fb = np.broadcast_arrays(*(np.asarray(x, float) for x in (a, df_a, b, df_b)))
    total = va + vb
    part_b = np.where(fb > 0, (upper_factor(fb, level) - 1.0) * vb, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = 1.0 + np.hypot((upper_factor(fa, level) - 1.0) * va, part_b) / total
    return _df_of_factor(ratio, level)


def _df_of_factor(ratio: FloatArray, level: float) -> FloatArray:
    """Invert `upper_factor`: Wilson-Hilferty start, then Newton steps in log df against log(factor - 1)."""
    z = float(ndtri(level))
    with np.errstate(invalid="ignore", divide="ignore"):
        x = (-z + np.sqrt(z * z + 4.0 * (1.0 - ratio ** (-1.0 / 3.0)))) / 2.0
        log_f = np.log(np.clip(2.0 / (9.0 * x * x), 0.3, 1e12))
        goal = np.log(ratio - 1.0)
        for _ in range(12):
            here = np.log(upper_factor(np.exp(log_f), level) - 1.0)
            ahead = np.log(upper_factor(np.exp(log_f + 1e-4), level) - 1.0)
            log_f = np.clip(log_f - (here - goal) * 1e-4 / (ahead - here), -1.5, 28.0)
    return np.asarray(np.exp(log_f))
