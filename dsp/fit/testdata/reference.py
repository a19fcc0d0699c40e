"""Best weighted RMS that scipy's least_squares finds from random starts, as a yardstick for the fit.

Reads JSON: {"freq_hz", "cases": [{"want_db", "weight", "bands", "starts", "seed"}], "q_min", "q_max", "gain_min",
"gain_max"}; writes JSON: [best RMS in dB per case]. Starts are per arrangement of shelves: none, a low shelf, both.
Prototypes: R. Bristow-Johnson, "Audio EQ Cookbook", W3C Note, 8 June 2021.
"""
import json
import os
import sys

for k in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ[k] = "1"
import numpy as np
from scipy.optimize import least_squares

K = 10 / np.log(10)


def response(kinds, p, f2, jac=False):
    n = len(kinds)
    u, v, g = p[:n, None], p[n:2 * n, None], p[2 * n:3 * n, None]
    a = np.exp(g * np.log(10) / 40)
    la = np.log(10) / 40
    x = f2[None, :] * np.exp(-2 * u)
    q2 = np.exp(-2 * v)
    bell = (kinds == 0)[:, None]
    sign = np.where(kinds == 2, -1.0, 1.0)[:, None]
    t = 1 - x
    bn, bd = t * t + x * a * a * q2, t * t + x * q2 / (a * a)
    s, d = a - x, 1 - a * x
    sn, sd = s * s + x * a * q2, d * d + x * a * q2
    db = np.where(bell, K * np.log(bn / bd), g / 2 + sign * K * np.log(sn / sd))
    total = db.sum(0) + p[3 * n]
    if not jac:
        return total
    ju = np.where(bell, -2 * x * ((-2 * t + a * a * q2) / bn - (-2 * t + q2 / (a * a)) / bd),
                  sign * -2 * x * ((-2 * s + a * q2) / sn - (-2 * a * d + a * q2) / sd))
    jv = np.where(bell, -2 * x * (a * a * q2 / bn - q2 / (a * a) / bd), sign * -2 * x * a * q2 * (1 / sn - 1 / sd))
    jg = np.where(bell, la * 2 * x * (a * a * q2 / bn + q2 / (a * a) / bd),
                  sign * la * ((2 * s * a + x * a * q2) / sn - (-2 * a * x * d + x * a * q2) / sd) + 0.5 / K)
    return total, K * np.vstack([ju, jv, jg, np.ones((1, len(f2))) / K])


def main():
    job = json.load(sys.stdin)
    f = np.array(job["freq_hz"])
    f2 = f * f
    out = []
    for c in job["cases"]:
        want, w = np.array(c["want_db"]), np.sqrt(np.array(c["weight"]))
        n, rng = c["bands"], np.random.default_rng(c["seed"])
        lo = np.concatenate([np.full(n, np.log(20)), np.full(n, np.log(job["q_min"])), np.full(n, job["gain_min"]), [-60]])
        hi = np.concatenate([np.full(n, np.log(20000)), np.full(n, np.log(job["q_max"])), np.full(n, job["gain_max"]), [60]])
        best = np.inf
        for shelves in ([], [1], [1, 2]):
            kinds = np.array((shelves + [0] * n)[:n])
            for _ in range(c["starts"]):
                x0 = np.concatenate([rng.uniform(np.log(25), np.log(16000), n), rng.uniform(np.log(0.4), np.log(5), n),
                                     rng.uniform(-4, 4, n), [0]])
                r = least_squares(lambda p: w * (response(kinds, p, f2) - want), x0, bounds=(lo, hi), x_scale="jac",
                                  jac=lambda p: (response(kinds, p, f2, True)[1] * w).T, max_nfev=150, ftol=1e-6, xtol=1e-6)
                best = min(best, np.sqrt(2 * r.cost))
        out.append(best)
    json.dump(out, sys.stdout)


main()
