"""Reference scores of probabilities against what came.

Run in a virtual environment:
python3 -m pip install numpy scipy scikit-learn statsmodels
python3 tests/checks/forecast-scores.py > tests/checks/forecast-scores.json

The probabilities, what came and the ranges are invented and seeded. Brier and log score by scikit-learn; the shares of
all others through its LeaveOneOut and half a survey of either kind added (scipy's beta posterior mean, prior 1/2, 1/2);
the standard error of a mean by clusters through statsmodels' OLS on a constant with cluster-robust covariance and no
small-sample correction; shares of ranges by scipy's uniform distribution; chi-square by scipy.
"""

import json

import numpy
import scipy
import sklearn
import statsmodels
import statsmodels.api
from scipy import stats
from sklearn.metrics import brier_score_loss, log_loss
from sklearn.model_selection import LeaveOneOut


def scored(random, count, vessels, slope):
    probabilities = random.beta(1.2, 3.0, count)
    came = random.random(count) < numpy.clip(probabilities * slope, 0.0, 1.0)
    clusters = random.integers(vessels, size=count)
    baseline = numpy.empty(count)
    for others, (own,) in LeaveOneOut().split(came):
        seen = came[others].sum()
        baseline[own] = stats.beta(seen + 0.5, len(others) - seen + 0.5).mean()
    difference = (probabilities - came) ** 2 - (baseline - came) ** 2
    robust = statsmodels.api.OLS(difference, numpy.ones(count)).fit(
        cov_type="cluster", cov_kwds={"groups": clusters, "use_correction": False, "df_correction": False}
    )
    brier, of_baseline = brier_score_loss(came, probabilities), brier_score_loss(came, baseline)
    low = random.random(count)
    high = low + (1.0 - low) * random.random(count)
    overlap = [stats.uniform(a, b - a).cdf(0.9) - stats.uniform(a, b - a).cdf(0.1) for a, b in zip(low, high)]
    values = random.beta(1.3, 1.0, count)
    tenths = numpy.histogram(values, bins=10, range=(0.0, 1.0))[0]
    square, p = stats.chisquare(tenths)
    return {
        "inputs": {
            "probabilities": list(map(float, probabilities)),
            "came": list(map(bool, came)),
            "clusters": list(map(int, clusters)),
            "ranges": [[float(a), float(b)] for a, b in zip(low, high)],
            "values": list(map(float, values)),
        },
        "expected": {
            "brier_score": float(brier),
            "log_score": float(log_loss(came, probabilities, labels=[False, True])),
            "all_but_one_shares": list(map(float, baseline)),
            "baseline_brier_score": float(of_baseline),
            "skill": float(1.0 - brier / of_baseline),
            "difference_standard_error": float(robust.bse[0]),
            "covered_fraction": float(numpy.mean(overlap)),
            "tenths": list(map(int, tenths)),
            "chi_square": float(square),
            "chi_square_probability": float(p),
        },
        "tol": "1e-9 rel",
    }


random = numpy.random.default_rng(20261125)
cases = [scored(random, *shape) for shape in [(12, 5, 1.0), (60, 25, 1.0), (200, 70, 0.4)]]
print(
    json.dumps(
        {
            "source": "Brier and log score, leave-one-out shares, cluster-robust standard error, shares of ranges, chi-square",
            "provenance": f"reference library scikit-learn {sklearn.__version__}, scipy {scipy.__version__}, "
            f"statsmodels {statsmodels.__version__}, numpy {numpy.__version__}; script forecast-scores.py",
            "cases": cases,
        },
        indent=1,
    )
)
