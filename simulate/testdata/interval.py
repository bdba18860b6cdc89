# The exact interval of Clopper and Pearson at 95 % by scipy's beta distribution.
# Run: python3 interval.py > interval.json (Debian's python3-scipy)
import json
from scipy.stats import beta
rows = []
for n in (1, 2, 10, 37, 100, 1000, 10000, 1000000):
    for k in sorted({1, 2, n // 3, n // 2, n - 1, n} - {0}):
        if not 0 < k <= n:
            continue
        low = float(beta.ppf(0.025, k, n - k + 1))
        high = 1.0 if k == n else float(beta.ppf(0.975, k + 1, n - k))
        rows.append({"seen": k, "trials": n, "low": low, "high": high})
print("[\n" + ",\n".join(json.dumps(r) for r in rows) + "\n]")
