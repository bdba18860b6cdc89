# The bound of simulate.Tally by scipy's beta distribution: two exact intervals of Clopper
# and Pearson, a fifth of the error for how often a battery is outlasted, the rest for how
# often a host is cut then; all of it on the upper side where none was cut.
# Run: /usr/bin/python3 estimate.py > estimate.json (Debian's python3-scipy)
import json
from scipy.stats import beta


def low(k, n, side):
    return float(beta.ppf(side, k, n - k + 1)) if k else 0.0


def high(k, n, side):
    return float(beta.ppf(1 - side, k + 1, n - k)) if k < n else 1.0


rows = []
for large, last, tested, cut in [(20, 3, 9, 0), (20, 3, 9, 9), (300, 100, 250, 0), (300, 100, 250, 1), (2211, 850, 4183, 0),
                                 (2211, 850, 4183, 7), (2211, 2211, 5544, 5000), (220000, 85000, 418000, 0), (220000, 85000, 418000, 31)]:
    side = 0.025 if cut else 0.05
    rows.append({"large": large, "last": last, "tested": tested, "cut": cut,
                 "low": low(last, large, 0.2 * side) * low(cut, tested, 0.8 * side),
                 "high": high(last, large, 0.2 * side) * high(cut, tested, 0.8 * side)})
print("[\n" + ",\n".join(json.dumps(r) for r in rows) + "\n]")
