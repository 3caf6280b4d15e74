"""Reference fit of a small fleet: parameters and members' weights together, by scipy and mpmath.

Run in a virtual environment:
python3 -m pip install scipy mpmath && python3 tests/science/reference/learning.py > tests/science/reference/learning.json

The fleet is seeded and invented: exposures of a few members, lives bracketed by surveys (some of which overlook what is
there), hulls of one class or of an unknown one. The density is written out plainly: log(1e-9 + sum of weights times
products of sums of survivals), a normal prior, a Dirichlet prior of the weights. The greatest by scipy over
unconstrained coordinates (weights through a softmax), refined by mpmath to the root of the gradient at 30 digits; the
covariance is the upper block of the inverse of the whole Hessian over parameters and weights on their simplex.
"""

import json

import mpmath
import numpy
import scipy
from scipy.optimize import minimize

mpmath.mp.dps = 30

MEMBERS, HULLS, WORTH = 4, 60, 12.0
CLASSES = 2  # the first two; the others are seen by nobody
MEANS = [numpy.log(8.0), numpy.log(12.0), numpy.log(2.5)]
COVARIANCE = numpy.array([[0.25, 0.12, 0.0], [0.12, 0.25, 0.0], [0.0, 0.0, 0.04]])


def fleet(random):
    classes_of_unknown = [0, 1, 0, 1]
    hulls = []
    for h in range(HULLS):
        kind = [0, 1, None][h % 3]
        truth = [7.0, 15.0][kind if kind is not None else int(random.integers(2))]
        lives = []
        for _ in range(2 if h % 7 == 0 else 1):
            onset = truth * random.weibull(2.2)
            speed = numpy.exp(random.normal(0.0, 0.4, MEMBERS)) * 0.7
            looks = numpy.cumsum(random.uniform(1.0, 5.0, 4))
            clean = [t for t in looks if t * 0.7 < onset]
            seen = [t for t in looks if t * 0.7 >= onset]
            terms = []
            if clean:
                terms += [(clean[-1], 0.9), (max(clean[-1] - 1.0, 0.0), 0.1)]
            else:
                terms += [(0.0, 1.0)]
            if seen:
                terms += [(seen[0], -1.0)]
            elif not clean:
                continue
            lives.append(
                {
                    "event": bool(seen),
                    "factors": [c for _, c in terms],
                    "exposures": [[t * s for t, _ in terms] for s in speed],
                }
            )
        if lives:
            hulls.append({"class": kind, "lives": lives})
    return classes_of_unknown, hulls


def density(theta, weights, classes_of_unknown, hulls, log, exp):
    """Of means shifted, by either arithmetic."""
    total = 0
    shape = exp(theta[2])
    for hull in hulls:
        likelihood = 0
        for m in range(MEMBERS):
            kind = hull["class"] if hull["class"] is not None else classes_of_unknown[m]
            product = weights[m]
            for life in hull["lives"]:
                product *= sum(
                    c * (exp(-exp(shape * (log(x) - theta[kind]))) if x > 0 else 1)
                    for c, x in zip(life["factors"], life["exposures"][m])
                )
            likelihood += product
        total += log(likelihood + 1e-9)
    inverse = numpy.linalg.inv(COVARIANCE)
    off = [theta[i] - MEANS[i] for i in range(3)]
    total -= sum(off[i] * float(inverse[i][j]) * off[j] for i in range(3) for j in range(3)) / 2
    total += WORTH / MEMBERS * sum(log(w) for w in weights)
    return total


def main():
    random = numpy.random.default_rng(20261125)
    classes_of_unknown, hulls = fleet(random)

    # Weights: the last is what the others leave.
    def plain(u):
        weights = numpy.exp(numpy.append(u[3:], 0.0))
        weights /= weights.sum()
        return -density(u[:3], weights, classes_of_unknown, hulls, numpy.log, numpy.exp)

    found = minimize(plain, numpy.append(MEANS, numpy.zeros(MEMBERS - 1)), method="BFGS", options={"gtol": 1e-7})
    weights = numpy.exp(numpy.append(found.x[3:], 0.0))
    weights /= weights.sum()
    start = [*found.x[:3], *weights[:-1]]

    def exact(*v):
        last = 1 - sum(v[3:])
        return density(v[:3], [*v[3:], last], classes_of_unknown, hulls, mpmath.log, mpmath.exp)

    size = len(start)
    point = mpmath.matrix(start)

    def slope(p, i):
        return mpmath.diff(lambda t: exact(*[t if j == i else p[j] for j in range(size)]), p[i])

    def hessian(p):
        h = mpmath.matrix(size)
        step = mpmath.mpf("1e-9")
        for i in range(size):
            for j in range(i, size):
                def at(di, dj):
                    q = list(p)
                    q[i] += di * step
                    q[j] += dj * step
                    return exact(*q)
                h[i, j] = h[j, i] = (at(1, 1) - at(1, -1) - at(-1, 1) + at(-1, -1)) / (4 * step * step)
        return h

    curvature = hessian(point)
    for _ in range(4):
        gradient = mpmath.matrix([slope(point, i) for i in range(size)])
        point = point - mpmath.lu_solve(curvature, gradient)
    gradient = max(abs(slope(point, i)) for i in range(size))
    covariance = (-hessian(point)) ** -1
    print(
        json.dumps(
            {
                "made_with": {"scipy": scipy.__version__, "numpy": numpy.__version__, "mpmath": mpmath.__version__},
                "worth_hulls": WORTH,
                "means": MEANS,
                "covariance": COVARIANCE.tolist(),
                "classes_of_unknown": classes_of_unknown,
                "hulls": hulls,
                "expected": {
                    "theta": [float(point[i]) for i in range(3)],
                    "weights": [float(point[i]) for i in range(3, size)] + [float(1 - sum(point[3:]))],
                    "covariance": [[float(covariance[i, j]) for j in range(3)] for i in range(3)],
                    "density": float(exact(*point)),
                    "gradient": float(gradient),
                },
            }
        )
    )


main()
