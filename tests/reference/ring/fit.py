"""Fits invented ring readings with statsmodels and SciPy, to compare core/notebook/ring.ts with.

Writes tests/reference/fixtures/ring.json. Run from the repository's root:
    /usr/bin/python3 tests/reference/ring/fit.py
Needs Debian's python3-statsmodels, python3-scipy and python3-numpy.
"""

import json
import pathlib

import numpy as np
import scipy
import scipy.stats
import statsmodels
import statsmodels.api as sm

rng = np.random.default_rng(20311014)
QUERIES_C = [-6.0, 3.0, 14.0]


def entries(position, focal, temperature):
    return [
        {"position": float(p), "focalMm": float(f), "temperatureC": float(t)}
        for p, f, t in zip(position, focal, temperature)
    ]


def line(temperature):
    """Least squares of a straight line."""
    design = sm.add_constant(temperature)
    # Noise without tails, so that no entry is trusted less and the robust fit is plain least squares.
    noise = 0.08 * rng.choice([-1, 1], len(temperature)) * rng.uniform(0.6, 1, len(temperature))
    ols = sm.OLS(6.4 - 0.035 * temperature + noise, design).fit()
    frame = ols.get_prediction(sm.add_constant(np.array(QUERIES_C))).summary_frame(alpha=0.05)
    return {
        "entries": entries(ols.model.endog, np.full(len(temperature), 24.0), temperature),
        "queriesC": QUERIES_C,
        "slope": ols.params[1],
        "slopeSe": ols.bse[1],
        "mean": frame["mean"].tolist(),
        "meanSe": frame["mean_se"].tolist(),
        "scale": float(np.sqrt(ols.scale)),
    }


def contaminated(temperature, wrong):
    """The same with gross misreadings: M-estimators with Huber's and Tukey's norms."""
    design = sm.add_constant(temperature)
    position = 6.4 - 0.035 * temperature + 0.08 * rng.standard_normal(len(temperature))
    for index, by in wrong.items():
        position[index] += by
    at = sm.add_constant(np.array(QUERIES_C))
    fits = {
        "ols": sm.OLS(position, design).fit(),
        "huber": sm.RLM(position, design, M=sm.robust.norms.HuberT()).fit(),
        "tukey": sm.RLM(position, design, M=sm.robust.norms.TukeyBiweight()).fit(),
    }
    return {
        "entries": entries(position, np.full(len(temperature), 24.0), temperature),
        "queriesC": QUERIES_C,
        "wrong": sorted(wrong),
        "tukeyZeroWeight": np.flatnonzero(fits["tukey"].weights < 1e-3).tolist(),
        "predictions": {name: fit.predict(at).tolist() for name, fit in fits.items()},
        "tukeySlope": fits["tukey"].params[1],
        "tukeyScale": fits["tukey"].scale,
    }


def zoom():
    """Generalised least squares for the constant, and the best linear unbiased prediction (universal kriging)."""
    priors = {"zoom": 0.6, "perDegree": 0.04, "halfBacklash": 0.1, "noise": 0.15}
    octaves, common = 1.0, 0.5
    focal = np.array([14, 14, 24, 24, 24, 50, 50, 35, 18], float)
    temperature = np.array([12, 3, 12, 8, -1, 10, 2, 5, 7], float)
    approach = np.array([1, -1, 1, 1, 1, -1, 1, 0, 0], float)
    position = 6.3 + 0.25 * rng.standard_normal(len(focal))
    middle_c = np.median(temperature)

    def alike(a, b):
        return np.exp(-0.5 * (np.log2(a[:, None] / b[None, :]) / octaves) ** 2)

    def covariance(fa, ta, aa, fb, tb, ab):
        near = alike(fa, fb)
        warm = np.outer(ta - middle_c, tb - middle_c)
        return (
            priors["zoom"] ** 2 * near
            + priors["perDegree"] ** 2 * warm * (common + (1 - common) * near)
            + priors["halfBacklash"] ** 2 * np.outer(aa, ab)
        )

    own = covariance(focal, temperature, approach, focal, temperature, approach)
    # Of an entry whose approach is not known the slack is a spread of its own.
    own += np.diag(np.where(approach == 0, priors["halfBacklash"] ** 2, 0.0)) + priors["noise"] ** 2 * np.eye(len(focal))
    gls = sm.GLS(position, np.ones(len(focal)), sigma=own).fit()
    constant = gls.params[0]
    inverse = np.linalg.inv(own)
    queries = [(14.0, -3.0, 1.0), (24.0, 6.0, -1.0), (70.0, 0.0, 1.0)]
    expected = []
    for f, t, a in queries:
        one = tuple(np.array([value]) for value in (f, t, a))
        across = covariance(focal, temperature, approach, *one)[:, 0]
        left = 1 - np.ones(len(focal)) @ inverse @ across
        # bse holds a fitted scale; with the covariance given it is the inverse of the information.
        constant_variance = 1 / (np.ones(len(focal)) @ inverse @ np.ones(len(focal)))
        variance = covariance(*one, *one)[0, 0] - across @ inverse @ across + left**2 * constant_variance
        expected.append(
            {
                "focalMm": f,
                "temperatureC": t,
                "approach": a,
                "position": constant + across @ inverse @ (position - constant),
                "sigma": float(np.sqrt(variance + priors["noise"] ** 2)),
            }
        )
    points = entries(position, focal, temperature)
    for point, a in zip(points, approach):
        point["approach"] = int(a) or None
    return {"priors": priors, "entries": points, "expected": expected}


def student():
    rows = []
    for z in (1.0, 1.959964, 3.290527):
        for freedom in (5, 6, 10, 30, 200):
            rows.append([z, freedom, float(scipy.stats.t.isf(scipy.stats.norm.sf(z), freedom))])
    return rows


temperature = np.array([-8, -5, -3, -1, 0, 2, 4, 5, 8, 9, 12, 15], float)
fixture = {
    "made with": {"statsmodels": statsmodels.__version__, "scipy": scipy.__version__, "numpy": np.__version__},
    "line": line(temperature),
    "contaminated": contaminated(np.linspace(-8, 15, 20), {3: -1.8, 11: 0.9, 16: 2.0}),
    "zoom": zoom(),
    "student": student(),
}
path = pathlib.Path("tests/reference/fixtures/ring.json")
path.write_text(json.dumps(fixture, indent=1) + "\n")
print(path, path.stat().st_size, "bytes")
