"""Reference values for lives known by intervals: seeded samples of mixed censoring.

Run in a virtual environment:
python3 -m pip install scipy mpmath lifelines && python3 tests/science/reference/lifetime.py > tests/science/reference/lifetime.json

Weibull: the likelihood written out plainly; its maximum by scipy, refined with mpmath to the root of the gradient, and
the covariance from mpmath's second derivatives, at 40 digits. Where no observation is exact, lifelines is asked too.
Without a formula: masses on every elementary set (each end point by itself and each gap between two), not only on the
innermost intervals: expectation and maximisation, then scipy's SLSQP on those that hold mass; the sum of logarithms and
the gain that any mass could still bring stand beside them.
"""

import json

import lifelines
import mpmath
import numpy
import scipy
from lifelines import WeibullFitter
from scipy.optimize import minimize

mpmath.mp.dps = 40


def drawn(random, kinds, n):
    """Lives by a Weibull, looked at so that some are exact, some bracketed, some only known to be over or not yet."""
    scale, shape = random.uniform(4, 20), random.uniform(0.8, 3.5)
    rows = []
    for _ in range(n):
        life = scale * random.weibull(shape)
        kind = random.choice(kinds)
        look = round(scale * random.uniform(0.2, 1.6), 2)
        count = int(random.choice([1, 1, 1, 2, 5]))
        if kind == "exact":
            life = max(round(life, 2), 0.01)
            rows.append([life, life, count])
        elif kind == "right":
            rows.append([look, None, count] if look < life else [0.0, look, count])
        elif kind == "left":
            rows.append([0.0, look, count] if look > life else [look, None, count])
        else:
            # Looks at regular times, from a day of their own.
            every = scale * random.choice([0.1, 0.25])
            lower = round(max(0.0, life - every * random.random()), 2)
            rows.append([lower, round(lower + every, 2), count])
    return rows


def log_likelihood(rows, a, b):
    """In (log scale, log shape), with mpmath's numbers."""
    scale, shape, total = mpmath.exp(a), mpmath.exp(b), mpmath.mpf(0)
    survival = lambda t: mpmath.exp(-((mpmath.mpf(t) / scale) ** shape)) if t > 0 else mpmath.mpf(1)
    for lower, upper, count in rows:
        if upper is None:
            one = mpmath.log(survival(lower))
        elif upper == lower:
            z = mpmath.mpf(lower) / scale
            one = mpmath.log(shape / scale) + (shape - 1) * mpmath.log(z) - z**shape
        else:
            one = mpmath.log(survival(lower) - survival(upper))
        total += count * one
    return total


def weibull(rows):
    def roughly(at):
        try:
            return -float(log_likelihood(rows, at[0], at[1]))
        except (ValueError, OverflowError, TypeError):
            return 1e9

    middle = numpy.log(numpy.mean([max(lower, 0.5) for lower, _, _ in rows]))
    with mpmath.workdps(15):
        start = minimize(roughly, [middle, 0.3], method="Nelder-Mead", options={"xatol": 1e-6, "fatol": 1e-9}).x
    f = lambda a, b: log_likelihood(rows, a, b)
    a, b = mpmath.mpf(start[0]), mpmath.mpf(start[1])
    for _ in range(6):
        gradient = mpmath.matrix([mpmath.diff(f, (a, b), n) for n in ((1, 0), (0, 1))])
        h = [[mpmath.diff(f, (a, b), n) for n in row] for row in (((2, 0), (1, 1)), ((1, 1), (0, 2)))]
        step = mpmath.lu_solve(mpmath.matrix(h), -gradient)
        a, b = a + step[0], b + step[1]
        if abs(step[0]) + abs(step[1]) < 1e-20:
            break
    assert abs(step[0]) + abs(step[1]) < 1e-12
    inverse = mpmath.inverse(-mpmath.matrix(h))
    scale, shape = mpmath.exp(a), mpmath.exp(b)
    covariance = [
        [scale * scale * inverse[0, 0], scale * shape * inverse[0, 1]],
        [scale * shape * inverse[0, 1], shape * shape * inverse[1, 1]],
    ]
    number = lambda value: float(mpmath.nstr(value, 13))
    return {
        "scale": number(scale),
        "shape": number(shape),
        "log_likelihood": number(f(a, b)),
        "scale_se": number(mpmath.sqrt(covariance[0][0])),
        "shape_se": number(mpmath.sqrt(covariance[1][1])),
        "covariance": [[number(value) for value in row] for row in covariance],
    }


def by_library(rows):
    if any(lower == upper for lower, upper, _ in rows):
        return None
    fit = WeibullFitter().fit_interval_censoring(
        [row[0] for row in rows],
        [numpy.inf if row[1] is None else row[1] for row in rows],
        weights=[row[2] for row in rows],
    )
    return {"scale": round(float(fit.lambda_), 6), "shape": round(float(fit.rho_), 6)}


def without_formula(rows):
    ends = sorted({end for row in rows for end in row[:2] if end is not None} | {0.0})
    # Elementary sets: the point ends[n] is 2n, the gap after it 2n + 1, the last gap without end.
    place = {end: 2 * n for n, end in enumerate(ends)}
    sets = 2 * len(ends)
    covers = numpy.zeros((len(rows), sets))
    for n, (lower, upper, _) in enumerate(rows):
        first = place[lower] if upper == lower else place[lower] + 1
        last = sets if upper is None else place[upper] + 1
        covers[n, first:last] = 1
    counts = numpy.array([row[2] for row in rows], dtype=float)
    total = counts.sum()
    value = lambda p: -(counts @ numpy.log(numpy.maximum(covers @ p, 1e-300))) / total
    slope = lambda p: -(covers.T @ (counts / numpy.maximum(covers @ p, 1e-300))) / total
    p = numpy.full(sets, 1 / sets)
    for _ in range(2_000):
        p *= -slope(p)
    # Sets that all but lost their mass are left at none; what that costs shows over all sets below.
    kept = numpy.flatnonzero((p > 1e-7) | (-slope(p) > 1 - 1e-7))
    some = covers[:, kept]
    answer = minimize(
        lambda q: -(counts @ numpy.log(numpy.maximum(some @ q, 1e-300))) / total,
        p[kept] / p[kept].sum(),
        jac=lambda q: -(some.T @ (counts / numpy.maximum(some @ q, 1e-300))) / total,
        method="SLSQP", bounds=[(0, 1)] * len(kept),
        constraints={"type": "eq", "fun": lambda q: q.sum() - 1, "jac": lambda q: numpy.ones(len(kept))},
        options={"ftol": 1e-15, "maxiter": 500},
    )
    p = numpy.zeros(sets)
    p[kept] = numpy.maximum(answer.x, 0)
    p /= p.sum()
    # No set may pull more than the weight of all: the gain still possible, a unit of weight, is less than this.
    open_gain = float((-slope(p)).max() - 1)
    assert open_gain < 1e-5, open_gain
    survival = [float(p[place[end] + 1 :].sum()) for end in ends]
    return {
        "log_likelihood": round(float(-value(p) * total), 7),
        "gain_still_possible": float(f"{open_gain:.1e}"),
        "survival": [{"t": end, "value": round(s, 6)} for end, s in zip(ends, survival)],
    }


SEED = 20261125
random = numpy.random.default_rng(SEED)
everything = ["exact", "right", "left", "interval"]
plan = [
    (everything, 40), (everything, 60), (everything, 25), (everything, 80), (["interval"], 40), (["interval", "right"], 60),
    (["interval", "left", "right"], 50), (["exact", "right"], 40), (["exact", "interval"], 30), (["right", "left"], 60),
    (["exact"], 30), (["interval", "right", "right"], 30),
]
cases = []
for kinds, n in plan:
    rows = drawn(random, kinds, n)
    cases.append(
        {
            "kinds": kinds,
            "observations": [dict(zip(("lower", "upper", "count"), row)) for row in rows],
            "weibull": weibull(rows),
            "lifelines": by_library(rows),
            "turnbull": without_formula(rows),
        }
    )
print(
    json.dumps(
        {
            "source": "Weibull likelihood and masses without a formula, of seeded samples; see lifetime.py",
            "provenance": f"reference library scipy {scipy.__version__}, mpmath {mpmath.__version__}, "
            f"lifelines {lifelines.__version__}, numpy {numpy.__version__}, seed {SEED}",
            "cases": cases,
        },
        separators=(",", ":"),
    ).replace('{"kinds"', '\n{"kinds"')
)
