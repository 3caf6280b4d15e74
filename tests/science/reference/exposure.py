"""Reference values for the exposure model: scipy's integrator on a fine grid, over seeded random histories.

Run in a virtual environment:
python3 -m pip install scipy && python3 tests/science/reference/exposure.py > tests/science/reference/exposure.json

The equation is that of the exposure calculator, S da/dt = d/dx(D S da/dx) with a resistance on either face, written
afresh: finite volumes around 301 nodes drawn together towards both faces, so that a face is a node; the time left to
LSODA with tolerances of 1e-9; exposure by the trapezoidal rule over 600 instants a segment, close together at its
start. The answer is taken again on 151 nodes, and the largest difference is in the output.
"""

import json

import numpy
import scipy
from scipy.integrate import solve_ivp

R = 8.314462618
DAY = 86_400.0
YEAR = 365.25 * DAY


def arrhenius(energy, celsius):
    return numpy.exp(-energy / R * (1 / (celsius + 273.15) - 1 / 288.15))


def solved(case, nodes):
    laminate = case["laminate"]
    thickness, capacity = laminate["thickness_m"], laminate["capacity_kg_m3"]
    x = thickness * 0.5 * (1 - numpy.cos(numpy.linspace(0, numpy.pi, nodes)))
    gaps = numpy.diff(x)
    volume = numpy.zeros(nodes)
    volume[:-1] += gaps / 2
    volume[1:] += gaps / 2
    a = numpy.full(nodes, case["initial_activity"])
    exposure, ends = 0.0, []
    threshold = case["threshold_activity"]
    for segment in case["segments"]:
        stretch = arrhenius(laminate["activation_energy_j_mol"], segment["temperature_c"])
        conductance = laminate["diffusivity_15c_m2_s"] * capacity * stretch / gaps
        skin, inner = segment["skin_resistance_15c_m2_s_kg"], case["inner_resistance_m2_s_kg"]
        # Rates of the nodes: lower, main and upper diagonal and the part of the surroundings.
        lower, main, upper = numpy.zeros(nodes), numpy.zeros(nodes), numpy.zeros(nodes)
        lower[1:], upper[:-1] = conductance, conductance
        main -= lower + upper
        given = numpy.zeros(nodes)
        for node, resistance, outside in ((0, skin, segment["outer_activity"]), (-1, inner, segment["inner_activity"])):
            if resistance == 0:
                # A bare face has the activity of what it faces.
                a[node] = outside
                lower[node] = main[node] = upper[node] = 0.0
            else:
                main[node] -= stretch / resistance
                given[node] += stretch / resistance * outside
        for row in (lower, main, upper, given):
            row /= volume * capacity
        seconds = segment["days"] * DAY

        def rate(_, a):
            out = main * a + given
            out[1:] += lower[1:] * a[:-1]
            out[:-1] += upper[:-1] * a[1:]
            return out

        banded = numpy.zeros((3, nodes))
        banded[0, 1:], banded[1], banded[2, :-1] = upper[:-1], main, lower[1:]
        times = seconds * numpy.linspace(0, 1, 601) ** 2
        times[-1] = seconds
        answer = solve_ivp(
            rate, (0, seconds), a, method="LSODA", t_eval=times, rtol=1e-9, atol=1e-11, lband=1, uband=1,
            jac=lambda *_: banded,
        )
        assert answer.success, answer.message
        face = answer.y[0]
        above = numpy.maximum(0, (face - threshold) / (1 - threshold))
        pocket = case["pocket_resistance_m2_s_kg"]
        through = (case["reference_skin_resistance_m2_s_kg"] + pocket) / (skin + pocket)
        speed = arrhenius(case["hydrolysis_activation_energy_j_mol"], segment["temperature_c"])
        exposure += through * speed * numpy.trapezoid(above, times) / YEAR
        a = answer.y[:, -1].copy()
        ends.append([a[0], float(numpy.dot(a, volume) / thickness), exposure])
    return numpy.array(ends)


def drawn(random):
    """A hull and its history: months afloat and ashore, breaks and new skins, bilges of three kinds."""
    skin = random.choice([0.0, 7e7, 1.8e8, 10 ** random.uniform(7, 8.6)])
    segments = []
    for _ in range(random.integers(6, 30)):
        if random.random() < 0.2:
            skin = random.choice([0.0, 7e7, 10 ** random.uniform(7, 8.6)])
        ashore = random.random() < 0.3
        segments.append(
            {
                "days": round(float(random.choice([3, 30.4375, random.uniform(10, 120), 400])), 4),
                "temperature_c": round(random.uniform(-5, 30) if ashore else random.uniform(1, 30), 2),
                "outer_activity": round(random.uniform(0.4, 0.9) if ashore else random.uniform(0.978, 1.0), 4),
                "inner_activity": float(random.choice([0.65, 0.85, 1.0])),
                "skin_resistance_15c_m2_s_kg": float(f"{skin:.6g}"),
            }
        )
    return {
        "laminate": {
            "thickness_m": round(random.uniform(0.003, 0.02), 5),
            "diffusivity_15c_m2_s": float(f"{10 ** random.uniform(-13, -11.9):.5g}"),
            "capacity_kg_m3": round(random.uniform(5, 30), 3),
            "activation_energy_j_mol": round(random.uniform(25e3, 60e3)),
        },
        "inner_resistance_m2_s_kg": float(random.choice([0.0, 0.0, float(f"{10 ** random.uniform(7, 9):.5g}")])),
        "reference_skin_resistance_m2_s_kg": 7e7,
        "pocket_resistance_m2_s_kg": float(f"{random.uniform(1e7, 6e7):.5g}"),
        "initial_activity": round(random.uniform(0.4, 0.8), 3),
        "threshold_activity": round(random.uniform(0.72, 0.96), 4),
        "hydrolysis_activation_energy_j_mol": round(random.uniform(44e3, 76e3)),
        "segments": segments,
    }


SEED = 20261125
random = numpy.random.default_rng(SEED)
cases, spread = [], numpy.zeros(3)
for _ in range(24):
    case = drawn(random)
    fine, coarse = solved(case, 301), solved(case, 151)
    spread = numpy.maximum(spread, abs(fine - coarse).max(axis=0))
    cases.append(
        {
            "input": case,
            "expected": [
                dict(zip(("outer_face_activity", "mean_activity", "exposure_years"), map(lambda v: round(v, 7), row)))
                for row in fine.tolist()
            ],
        }
    )
print(
    json.dumps(
        {
            "source": "finite volumes on 301 nodes, integrated in time by LSODA; see exposure.py",
            "provenance": f"reference library scipy {scipy.__version__}, numpy {numpy.__version__}, seed {SEED}",
            "difference_of_half_the_nodes": dict(
                zip(("outer_face_activity", "mean_activity", "exposure_years"), [float(f"{v:.2g}") for v in spread])
            ),
            "cases": cases,
        },
        separators=(",", ":"),
    ).replace('{"input"', '\n{"input"')
)
