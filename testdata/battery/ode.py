#!/usr/bin/env python3
"""Discharges of the battery model, integrated as two wells by scipy.

The answers of shutdown/battery are closed forms; these come from another
formulation and other code. Wells of joules: y1 gives the load and y2 refills it,

    y1' = -P + k c (1-c) (y2/(1-c) - y1/c)      y2' = -k c (1-c) (y2/(1-c) - y1/c)

with k = 1/tau and c = tau/(tau + a) (Manwell and McGowan 1993), full when
y1 = c E and y2 = (1-c) E, and unable to carry P when y1 = c r P (the ohmic term).

Written by, with scipy 1.10.1, from the root of the repository:
    python3 testdata/battery/ode.py > testdata/battery/ode.csv
"""
import random
from scipy.integrate import solve_ivp

random.seed(1)
print("# Written by ode.py (it says how). Loads are watts for seconds, the last held until the battery is empty.")
print("# delivered and bound are q and x when the last load begins; runtime is how long that one is carried.")
print("store_j,ohmic_s,diffusion_s,relaxation_s,loads,delivered_j,bound_j,runtime_s")

exact = dict(method="DOP853", rtol=1e-12, atol=1e-9)
written = 0
while written < 60:
    store = round(10 ** random.uniform(5, 7.5))
    r = random.choice([0, random.randint(60, 1500)])
    a = random.randint(600, 9000)
    tau = random.randint(900, 12000)
    usual = store / (r + 900 + 0.5 * a)  # watts, for a quarter of an hour or so
    loads = [(round(usual * random.choice([0, 0.1, 0.5, 1, 1.5]), 1), random.randint(1, 900)) for _ in range(random.randint(0, 5))]
    last = round(usual * random.choice([0.05, 0.2, 1, 2]), 1)
    k, c = 1 / tau, tau / (tau + a)

    def flow(watts):
        def f(_, y):
            down = k * c * (1 - c) * (y[1] / (1 - c) - y[0] / c)
            return [-watts + down, -down]
        return f

    def empty(watts):
        def f(_, y):
            return y[0] - c * r * watts
        f.terminal, f.direction = True, -1
        return f

    y, lives = [c * store, (1 - c) * store], True
    for watts, seconds in loads:
        run = solve_ivp(flow(watts), (0, seconds), y, events=empty(watts), **exact)
        if y[0] <= c * r * watts or run.status == 1:
            lives = False
            break
        y = run.y[:, -1]
    if not lives or y[0] <= c * r * last:
        continue
    run = solve_ivp(flow(last), (0, 10 * store / last), y, events=empty(last), **exact)
    delivered = store - y[0] - y[1]
    bound = store - delivered - y[0] / c
    text = ";".join(f"{w}:{s}" for w, s in loads + [(last, "")])
    print(f"{store},{r},{a},{tau},{text},{delivered:.6f},{bound:.6f},{run.t_events[0][0]:.6f}")
    written += 1
