"""Reference values for the band about a fitted survival curve: the delta method with derivatives taken numerically.

Run in a virtual environment, from the root of the project:
python3 -m pip install mpmath && python3 tests/science/reference/lifetime_band.py > tests/science/reference/lifetime_band.json

The fits and their covariances are those of lifetime.json (mpmath, 40 digits). With y(t) = ln(-ln S(t)) and its gradient by
mpmath's finite differences at 40 digits, the band is S = exp(-exp(y ± 1.959963985 sd(y))).
"""

import json

import mpmath

mpmath.mp.dps = 40
Z = mpmath.mpf("1.959963985")


def point(fit, t):
    scale, shape = mpmath.mpf(fit["scale"]), mpmath.mpf(fit["shape"])
    covariance = [[mpmath.mpf(value) for value in row] for row in fit["covariance"]]

    def y(a, b):
        return mpmath.log(-mpmath.log(mpmath.exp(-((t / a) ** b))))

    gradient = [mpmath.diff(y, (scale, shape), (1, 0)), mpmath.diff(y, (scale, shape), (0, 1))]
    variance = sum(gradient[i] * covariance[i][j] * gradient[j] for i in range(2) for j in range(2))
    at = y(scale, shape)
    reach = Z * mpmath.sqrt(variance)
    survival = [mpmath.exp(-mpmath.exp(value)) for value in (at, at + reach, at - reach)]
    return dict(zip(["survival", "lower", "upper"], [float(value) for value in survival]))


def main():
    with open("tests/science/reference/lifetime.json") as file:
        cases = json.load(file)["cases"]
    bands = []
    for case in cases:
        fit = case["weibull"]
        times = [round(float(fit["scale"]) * share, 3) for share in (0.1, 0.4, 0.8, 1.0, 1.3)]
        bands.append([{"t": t, **point(fit, mpmath.mpf(t))} for t in times])
    source = "lifetime_band.py over the fits of lifetime.json"
    print(json.dumps({"source": source, "provenance": f"mpmath {mpmath.__version__}", "bands": bands}))


main()
