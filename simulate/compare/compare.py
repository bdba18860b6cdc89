#!/usr/bin/env python3
"""Compares the simulator with SimPy and with a plain loop, on one core, for the same outage.

The room of site.json: thirty hosts in five layers on one UPS whose battery
empties by the same equations, polled every two seconds; stopping times and the
battery's store are drawn from the same distributions; a plan that was made
beforehand says when each host is told to stop. SimPy does the room alone. So does a
plain Go loop that was written for this room and this comparison
(simulate/compare_loop_test.go), and so does ebbline, under the same fixed plan: like
against like. Then the plain loop and ebbline do it with the real decision code at every
event. All end when the last host is off.

All times are processor time, so that other work on the machine counts little. What
counts is an outage; an event is given too, but how many there are is each one's own
business (ebbline reads a UPS less often while nothing changes). All print how often a
host was cut and when the last one was off at the mean: rows of the same kind must
agree, or it is not the same outage (TestSameOutage holds the Go ones to it).

Run:  python3 simulate/compare/compare.py [trials]
It takes SimPy where it is installed (Debian: python3-simpy3), else it installs it
with pip into a folder of its own beside the system's temporary files.
"""
import json
import math
import os
import random
import re
import subprocess
import sys
import tempfile
import time
import venv

KINDS = {
    "plain-room": "plain loop, room alone",
    "room": "ebbline, room alone",
    "plain-whole": "plain loop, decision code",
    "whole": "ebbline, decision code",
}
HERE = os.path.dirname(os.path.abspath(__file__))


def with_simpy():
    """Gives the module, and starts again inside a venv if it must be installed."""
    try:
        import simpy
        return simpy
    except ImportError:
        pass
    if os.environ.get("EBBLINE_COMPARE_VENV"):
        sys.exit("SimPy could not be installed. Install it (Debian: apt-get install python3-simpy3) and run this with that python3.")
    folder = os.path.join(tempfile.gettempdir(), "ebbline-compare-%d" % os.getuid())
    python = os.path.join(folder, "bin", "python")
    if not os.path.exists(python):
        venv.create(folder, with_pip=True)
    if subprocess.call([python, "-m", "pip", "install", "--quiet", "simpy"]) != 0:
        sys.exit("SimPy is not installed and pip cannot fetch it. Install it (Debian: apt-get install python3-simpy3) and run this with that python3.")
    os.execve(python, [python] + sys.argv, dict(os.environ, EBBLINE_COMPARE_VENV="1"))


class Battery:
    """The kinetic battery with an ohmic term: the equations of shutdown/battery."""

    def __init__(self, ups, factor):
        self.store = ups["store_watt_hours"] * 3600 * factor
        self.r, self.a, self.tau = ups["ohmic_seconds"], ups["diffusion_seconds"], ups["relaxation_seconds"]
        self.q = self.x = 0.0

    def advance(self, watts, seconds):
        self.q += watts * seconds
        e = math.exp(-seconds / self.tau)
        self.x = self.x * e + self.a * watts * (1 - e)

    def left(self, watts):
        return self.store - self.q - self.x - self.r * watts

    def runtime(self, watts):
        left = self.store - self.q - self.r * watts
        if left - self.x <= 0:
            return 0.0
        settled = self.a * watts
        s = (left - min(self.x, settled)) / watts
        if self.x < settled:
            s = max(0.0, (left - settled) / watts)
        for _ in range(60):
            e = math.exp(-s / self.tau)
            f = left - watts * s - settled - (self.x - settled) * e
            step = max(0.0, s + f / (watts - (self.x - settled) * e / self.tau))
            if abs(step - s) <= 1e-9 * (1 + s):
                return step
            s = step
        return s


class Room:
    def __init__(self, simpy, site, draw):
        self.env = env = simpy.Environment()
        self.simpy, self.site, self.hosts = simpy, site, site["hosts"]
        n, spread = len(self.hosts), site["spread"]
        self.takes = [h["stops_seconds"] * min(spread["stops_at_most"], math.exp(spread["stops"] * draw.gauss(0, 1))) for h in self.hosts]
        self.battery = Battery(site["ups"], math.exp(spread["store"] * draw.gauss(0, 1)))
        self.on = [True] * n
        self.down = [env.event() for _ in range(n)]
        self.left, self.cut, self.at, self.version = n, 0, 0.0, 0
        self.watts = float(sum(h["watts"] for h in self.hosts) + site["ups"]["overhead_watts"])
        self.over = env.event()
        self.needed_by = [[] for _ in range(n)]
        for i, h in enumerate(self.hosts):
            for j in h["needs"]:
                self.needed_by[j].append(i)
        for k in range(n):
            env.process(self.host(k))
        env.process(self.polls(draw.random() * site["ups"]["poll_seconds"]))
        self.settle()

    def update(self):
        self.battery.advance(self.watts, self.env.now - self.at)
        self.at = self.env.now

    def settle(self):
        self.version += 1
        mine = self.version
        end = self.env.timeout(self.battery.runtime(self.watts))
        end.callbacks.append(lambda _: self.empty() if mine == self.version else None)

    def empty(self):
        self.cut = sum(self.on)
        self.on = [False] * len(self.on)
        if not self.over.triggered:
            self.over.succeed()

    def off(self, k):
        if not self.on[k]:
            return
        self.update()
        self.on[k] = False
        self.watts -= self.hosts[k]["watts"]
        self.down[k].succeed()
        self.left -= 1
        if self.left == 0:
            self.over.succeed()
        else:
            self.settle()

    def host(self, k):
        yield self.env.timeout(self.hosts[k]["start_seconds"])
        waits = [self.down[i] for i in self.needed_by[k] if self.on[i]]
        if waits:
            yield self.simpy.AllOf(self.env, waits)
        self.env.process(self.looks(k))
        yield self.env.timeout(self.site["order_seconds"])  # the order is answered
        yield self.env.timeout(self.takes[k] / 2)  # its service is gone
        yield self.env.timeout(self.takes[k] / 2)
        self.off(k)

    def looks(self, k):
        while self.on[k]:
            yield self.env.timeout(self.site["look_seconds"])

    def polls(self, first):
        yield self.env.timeout(first)
        while True:
            self.update()
            left = self.battery.left(self.watts)
            self.reading = (int(1000 * left / self.battery.store), int(left / self.watts) // 60)
            yield self.env.timeout(self.site["ups"]["poll_seconds"])


def simpys(simpy, site, trials):
    draw = random.Random(1)
    events = cut = 0
    last = 0.0
    began = time.process_time()
    for _ in range(trials):
        room = Room(simpy, site, draw)
        room.env.run(until=room.over)
        events += next(room.env._eid)
        cut += room.cut > 0
        last += room.env.now
    used = time.process_time() - began
    return {"us": used * 1e6 / trials, "events/op": events / trials, "cut/op": cut / trials, "last-s": last / trials}


def ours(trials):
    """The sub-benchmarks, each in a process of its own."""
    root = os.path.join(HERE, "..", "..")
    rows = {}
    with tempfile.TemporaryDirectory() as folder:
        test = os.path.join(folder, "simulate.test")
        subprocess.check_call(["go", "test", "-c", "-o", test, "./simulate"], cwd=root)
        for name in KINDS:
            run = subprocess.Popen(
                [test, "-test.run", "^$", "-test.bench", "SameOutage/^%s$" % name, "-test.benchtime", "%dx" % trials],
                cwd=os.path.join(root, "simulate"), stdout=subprocess.PIPE, text=True, env=dict(os.environ, GOMAXPROCS="1"))
            out = run.stdout.read()
            status = run.wait()
            line = next((line for line in out.splitlines() if re.match("BenchmarkSameOutage/%s(-|\\s)" % name, line)), None)
            if status != 0 or line is None:
                sys.exit("the benchmark %s failed:\n%s" % (name, out))
            row = {unit: float(value) for value, unit in re.findall(r"([\d.e+-]+) (\S+)", line)}
            row["us"] = row["cpu-µs/op"]
            rows[name] = row
    return rows


def main():
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    simpy = with_simpy()
    with open(os.path.join(HERE, "site.json"), encoding="utf-8") as f:
        site = json.load(f)
    rows = ours(10 * trials)
    rows["simpy"] = simpys(simpy, site, trials)
    print("%-32s %10s %8s %8s %9s %7s %9s" % ("one core", "us/outage", "as long", "events", "ns/event", "cut", "last off"))
    for name, what in [("simpy", "SimPy " + simpy.__version__ + ", room alone")] + list(KINDS.items()):
        r = rows[name]
        beside = rows["whole" if "whole" in name else "room"]["us"]
        print("%-32s %10.0f %7.2fx %8.0f %9.0f %6.1f%% %8.0fs" % (
            what, r["us"], r["us"] / beside, r["events/op"], r["us"] * 1e3 / r["events/op"], 100 * r["cut/op"], r["last-s"]))


if __name__ == "__main__":
    main()
