"""Reference values for the Sobol points and for quantiles by the midpoint definition.

Run: python3 -m pip install scipy && python3 tests/science/reference/sobol.py > tests/science/reference/sobol.json
"""

import json

import numpy
import scipy
from scipy.stats import qmc

points = qmc.Sobol(d=21, scramble=False, bits=32).random(64)
sample = [3.0, -1.0, 4.0, 1.5, 9.0, 2.0, 6.0]
quantiles = [0.05, 0.1, 0.25, 0.5, 0.77, 0.9, 0.99]
print(
    json.dumps(
        {
            "source": "Joe-Kuo Sobol points in Gray-code order; Hazen quantiles",
            "provenance": f"reference library scipy {scipy.__version__}, numpy {numpy.__version__}",
            "points": [[int(x * 2**32) for x in row] for row in points],
            "sample": sample,
            "quantiles": [
                {"p": p, "value": float(numpy.quantile(sample, p, method="hazen"))} for p in quantiles
            ],
        }
    )
)
