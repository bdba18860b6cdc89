#!/usr/bin/env python3
"""Instances of the schema shed-oracle/1 with proved answers; shares no code with ebbline.

    solve.py check FILE...                       works the answers out again and compares
    solve.py new FAMILY HOSTS SLOTS SEED >FILE   a new instance (see fleet below)

By plain enumeration of all schedules where there are not too many, and by an integer
program (HiGHS, through SciPy; Debian: python3-scipy). Where both can be used they must
agree; the rule "any" and Peukert's battery, which are not linear in power, are only
enumerated. Best schedules must stay the best with every reserve 1e-5 Wh lower, and be
safe with it 1e-5 Wh higher, so that rounding decides nothing.
"""
import json, math, random, sys
from pathlib import Path

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array

HAIR, MOST = 1e-5, 400_000  # Wh; schedules that are enumerated at most, and ten times as many where nothing else is left
GOALS = "point_of_no_return", "expected_value", "weighted_uptime"


class Case:
    """An instance as arrays."""

    def __init__(self, d):
        self.hosts, self.stores, self.K, self.dt = d["hosts"], d["batteries"], d["horizon_slots"], d["slot_s"] / 3600
        self.any, self.limit, self.n, ids = d["feed_rule"] == "any", d["max_concurrent"], len(self.hosts), [h["id"] for h in self.hosts]
        self.up, self.stopping, value, restart = (np.array([h[k] for h in self.hosts], float) for k in ("up_w", "down_w", "value", "restart_cost"))
        self.bent = self.any or any(b["model"] == "peukert" for b in self.stores)
        self.length = np.array([h["dur_slots"] for h in self.hosts])
        self.feeds = np.array([[h["feeds"].get(b["id"], 0) for b in self.stores] for h in self.hosts], float)
        self.before = [[ids.index(x) for x in h["depends_on"]] for h in self.hosts]  # each goes before these
        self.after = [[i for i in range(self.n) if j in self.before[i]] for j in range(self.n)]
        self.order = []
        while len(self.order) < self.n:
            self.order += [j for j in range(self.n) if j not in self.order and set(self.after[j]) <= set(self.order)]
        S = np.array(d["outage_survival"][: self.K + 1])
        upto = np.concatenate([[0], np.cumsum(S)[:-1]])
        self.worth = {"expected_value": np.outer(value, upto) - np.outer(restart, S), "weighted_uptime": np.outer(value, np.arange(self.K + 1))}

    def value(self, goal, rows):
        return rows.min(1) if goal == GOALS[0] else sum(self.worth[goal][i][rows[:, i]] for i in range(self.n))


def step(b, y, watts, dt):
    """A battery's slot."""
    y1, y2 = y
    if b["model"] == "peukert":
        return y1 - watts * (watts / b["ref_w"]) ** (b["exponent"] - 1) * dt, y2
    c, k, e, y0 = b["c"], b["k_per_h"], math.exp(-b["k_per_h"] * dt), y1 + y2
    r = k * dt - 1 + e
    return (y1 * e + (y0 * k * c - watts) * (1 - e) / k - watts * c * r / k,
            y2 * e + y0 * (1 - c) * (1 - e) - watts * (1 - c) * r / k)


def replay(p, begun, end, hair=0.0):
    """Which of many schedules (rows) are safe, with reserves a hair higher."""
    N, reserve = len(begun), np.array([b["reserve_wh"] for b in p.stores]) - 1e-9 + hair
    y = [tuple(np.full(N, v) for v in ((b["e_wh"], 0.0) if b["model"] == "peukert" else (b["y1_wh"], b["y2_wh"]))) for b in p.stores]
    alive, ok = np.ones((N, len(y)), bool), np.ones(N, bool)
    for k in range(int(end.max())):
        going = k < end
        draw = np.where(k < begun, p.up, p.stopping) * going
        while True:
            here = alive[:, None, :] * p.feeds if p.any else np.broadcast_to(p.feeds, (N, *p.feeds.shape))
            total = here.sum(2)
            load = (here / np.where(total > 0, total, 1)[..., None] * draw[..., None]).sum(1)
            on = ((here > 0) & going[..., None]).any(1)
            then = [step(b, y[u], np.where(on[:, u], (load[:, u] + b["base_w"]) / b["efficiency"], 0), p.dt) for u, b in enumerate(p.stores)]
            out = on & (np.stack([t[0] for t in then], 1) < reserve)
            if not p.any or not out.any():
                break
            alive &= ~out
        y = then
        ok &= ~((going & (total == 0)).any(1) if p.any else out.any(1))
    return ok


def schedules(p):
    """All in order, or None if there are too many."""
    rows, most = np.zeros((1, p.n), np.int16), MOST * 10 if p.bent else MOST
    for j in p.order:
        if len(rows) * (p.K + 1) > 4 * most:
            return None
        rows = np.repeat(rows, p.K + 1, axis=0)
        rows[:, j] = np.tile(np.arange(p.K + 1), len(rows) // (p.K + 1))
        for i in p.after[j]:
            rows = rows[rows[:, j] >= rows[:, i] + p.length[i]]
    return rows if 0 < len(rows) <= most else None


def enumerated(p):
    """A best safe schedule for each goal, None where none is safe."""
    rows = schedules(p)
    if rows is None:
        return None
    busy = sum(((rows <= k) & (k < rows + p.length)).sum(1) > (p.limit or p.n) for k in range(p.K + max(p.length)))
    parts = [r for r in np.array_split(rows[busy == 0], 1 + len(rows) // 50_000) if len(r)]
    safe = lambda hair: np.concatenate([rows[:0]] + [r[replay(p, r, r + p.length, hair)] for r in parts])
    sure, perhaps, found = safe(HAIR), safe(-HAIR), {}
    for goal in GOALS:
        if len(perhaps) and (not len(sure) or p.value(goal, sure).max() < p.value(goal, perhaps).max() - 1e-9):
            raise ArithmeticError("a hair decides")
        found[goal] = sure[p.value(goal, sure).argmax()].astype(int) if len(sure) else None
    return found


class Program:
    """The integer program: x[i][t] is 1 when host i has been started by slot t. A sum is {variable: factor}, None: 1."""

    def __init__(self, p):
        self.p, self.size, self.rows, self.least = p, 0, [], []
        self.x = [[self.var() for _ in range(p.K)] for _ in range(p.n)]
        for i in range(p.n):
            for t in range(p.K + 1):
                self.row(0, (1, self.begun(i, t)), (-1, self.begun(i, t - 1)))
                for j in p.before[i]:
                    self.row(0, (1, self.down(i, t)), (-1, self.begun(j, t)))
        for k in range(p.K + max(p.length)) if p.limit else ():
            self.row(-p.limit, *[(f, e) for i in range(p.n) for f, e in ((-1, self.begun(i, k)), (1, self.down(i, k)))])
        for u, b in enumerate(p.stores):
            if p.feeds[:, u].any():
                self.store(b, [(i, p.feeds[i, u]) for i in range(p.n) if p.feeds[i, u]], range(p.K + max(p.length)))

    def store(self, b, fed, slots):
        p, floor, power, on = self.p, b["reserve_wh"] - HAIR, [self.var() for _ in slots], [self.var() for _ in slots]
        for k in slots:
            for i, _ in fed:
                self.row(1, (1, on[k]), (1, self.down(i, k)))
            draw = [(f * part, e) for i, part in fed for f, e in ((p.up[i] - p.stopping[i], self.begun(i, k)), (p.stopping[i], self.down(i, k)))]
            self.row(sum(p.up[i] * part for i, part in fed), (b["efficiency"], power[k]), (-b["base_w"], on[k]), *draw)
        rest, hit = [(b["y1_wh"], b["y2_wh"])], [step(b, (0.0, 0.0), 1.0, p.dt)]  # without a load; of a watt in the first slot
        for _ in slots:
            rest.append(step(b, rest[-1], 0.0, p.dt))
            hit.append(step(b, hit[-1], 0.0, p.dt))
        loose = floor if b["y1_wh"] / b["c"] > b["y2_wh"] / (1 - b["c"]) + 1e-2 else 0  # y1 may fall with all down
        for k in slots:
            self.row(floor - rest[k + 1][0] - loose, (-loose, on[k]), *[(hit[k - q][0], power[q]) for q in range(k + 1)])

    def var(self):
        self.size += 1
        return {self.size - 1: 1.0}

    def begun(self, i, t):
        return {} if t < 0 else {None: 1.0} if t >= self.p.K else self.x[i][t]

    def down(self, i, t):
        return self.begun(i, t - self.p.length[i])

    def row(self, least, *terms):
        sums = {}
        for f, e in terms:
            for v, g in e.items():
                sums[v] = sums.get(v, 0.0) + f * g
        self.least.append(least - sums.pop(None, 0.0))
        self.rows.append(sums)

    def most(self, gain):
        """The schedule with the most gain; None if none is safe."""
        p = self.p
        c, whole, high = np.zeros(self.size), np.arange(self.size) < p.n * p.K, np.full(self.size, np.inf)
        c[list(gain)], high[whole] = [-g for g in gain.values()], 1
        r, v, g = zip(*[(r, v, g) for r, sums in enumerate(self.rows) for v, g in sums.items()])
        a = csr_array((g, (r, v)), shape=(len(self.rows), self.size))
        out = milp(c, constraints=LinearConstraint(a, lb=self.least), integrality=whole, bounds=Bounds(0, high), options={"mip_rel_gap": 0, "time_limit": 600})
        if out.status == 2:
            return None
        rows = np.array([[p.K - round(sum(out.x[min(e)] for e in x)) for x in self.x]])
        if out.status or not replay(p, rows, rows + p.length, HAIR)[0]:
            raise ArithmeticError(out.message if out.status else "a hair decides")
        return rows[0]

    def best(self, goal):
        p = self.p
        if goal == GOALS[0]:
            some = [self.var() for _ in range(p.K)]
            for t, i in np.ndindex(p.K, p.n):
                self.row(0, (1, some[t]), (-1, self.x[i][t]))
            return self.most({min(e): -1 for e in some})
        return self.most({min(self.x[i][t]): p.worth[goal][i][t] - p.worth[goal][i][t + 1] for i in range(p.n) for t in range(p.K)})


def solve(d):
    """The values of the best schedules, and one schedule each; none where none is safe."""
    p, found = Case(d), {}
    counted = enumerated(p)
    assert counted or not p.bent, "too many schedules"
    for g in GOALS:
        best = counted[g] if p.bent else Program(p).best(g)
        value = lambda s: -1.0 if s is None else float(p.value(g, s[None])[0])
        if counted and abs(value(best) - value(counted[g])) > 1e-6:
            raise AssertionError(f"{g}: {value(counted[g])} by enumeration, {value(best)} by the program")
        if best is not None or g == GOALS[0]:
            found[g] = {"value": value(best), "proved": True} | ({} if best is None else {"witness": best.tolist()})
    return found


def check(path):
    d = json.loads(Path(path).read_text())
    old = d.get("answers_milp") or {GOALS[0]: {"value": d["answers"]["point_of_no_return_slot"]}} | {g: d["answers"][g] for g in GOALS[1:] if g in d["answers"]}
    new, far = solve(d), lambda a, b: abs(a - b) > 1e-6 * max(1, abs(a))
    bad = [f"{g}: {x['value']}, worked out {new[g]['value']}" for g, x in old.items() if far(x["value"], new[g]["value"])]
    print(path, *(bad or ["same"]), flush=True)
    return bad




def fleet(family, n, K, seed):
    """A made-up site. The family's words: layers, chain, peak, conc, all, any, three (stores), lowsoc, restart, tight, flat, cliff."""
    rng, words = random.Random(f"{family} {n} {K} {seed}"), set(family.split("_"))
    layers = n if "chain" in words else 4 if "layers" in words else 1
    layer = sorted((i if layers == n else rng.randrange(layers) for i in range(n)), reverse=True)
    stores = "ABC"[: 3 if "three" in words else 2 if words & {"all", "any"} else 1]
    slot, base, hosts, end = rng.choice([30, 60, 120]), rng.choice([0, 15, 30, 60]), [], [0] * n
    for i in range(n):
        up, d, v, part = 5 * rng.randint(16, 123), rng.randint(1, 2 if layers == n else 4), round(rng.uniform(1, 11), 1), rng.choice([0.5, 0.5, 0.3])
        on = stores[i % len(stores)] if rng.random() < 0.4 or len(stores) == 1 else "".join(sorted(rng.sample(stores, 2)))
        near = [j for j in range(n) if layer[j] == max((l for l in layer if l < layer[i]), default=-1)]
        hosts.append({
            "id": f"h{i}", "up_w": up, "down_w": round(up * rng.uniform(*((1.05, 1.6) if "peak" in words else (0.55, 1)))), "dur_slots": d,
            "priority": layer[i] + 1, "value": v, "restart_cost": round(v * (rng.choice([0, 20, 60, 300]) if "restart" in words else rng.uniform(0, 8)), 1),
            "depends_on": [f"h{j}" for j in rng.sample(near, min(len(near), rng.choice([1, 1, 2])))],
            "feeds": {on: 1} if len(on) == 1 else {on[0]: part, on[1]: 1 - part}})
    for i in range(n):
        end[i] = hosts[i]["dur_slots"] + max((end[j] for j in range(i) if f"h{i}" in hosts[j]["depends_on"]), default=0)
    limit = max(1, n // 4) if "conc" in words else 0
    path = max(max(end), sum(h["dur_slots"] for h in hosts) / limit if limit else 0)
    hours = (0.75 * path + rng.uniform(*((0, 1.2) if "tight" in words else (1.5, 6)))) * slot / 3600
    on = lambda k: 1.0 if k < (K if "flat" in words else K // 3) else 0.05
    curve = [on(k) if words & {"flat", "cliff"} else round(0.6 * math.exp(-0.4 * k) + 0.4 * math.exp(-0.04 * k), 6) for k in range(K + 1)]
    d = {"schema": "shed-oracle/1", "id": f"{family}-{n}-{seed}", "family": family, "slot_s": slot, "horizon_slots": K,
         "feed_rule": "any" if "any" in words else "all", "max_concurrent": limit, "batteries": [], "hosts": hosts, "outage_survival": curve}
    for s in stores:
        b = {"id": s, "efficiency": rng.choice([0.88, 0.9, 0.92, 0.95]), "base_w": base}
        watts, held = (base + sum(h["up_w"] * h["feeds"].get(s, 0) for h in hosts)) / b["efficiency"], rng.uniform(0.05, 0.15)
        c, k, tilt = round(rng.uniform(0.26, 0.65), 3), round(rng.uniform(0.9, 6), 3), rng.choice([0.75, 1.3]) if "lowsoc" in words else 1
        y = watts * (c * hours + (1 - c) * (1 - math.exp(-k * hours)) / k) / c / (1 - held)
        b |= {"y1_wh": round(y * c, 3), "y2_wh": round(y * (1 - c) / tilt, 3), "reserve_wh": round(y * c * held, 3)}
        d["batteries"].append({"model": "kibam", **b, "c": c, "k_per_h": k})
    return d


if __name__ == "__main__":
    if sys.argv[1:2] == ["check"]:
        sys.exit(any([check(f) for f in sys.argv[2:]]))
    site = fleet(sys.argv[2], *map(int, sys.argv[3:6]))
    print(json.dumps(site | {"answers_milp": solve(site)}).replace("}, {", "},\n {"))
