"""Golden table of Wilson intervals; no test runs this. Needs SciPy."""
import csv
import sys

from scipy.stats import binomtest

w = csv.writer(sys.stdout, lineterminator="\n")
w.writerow(["successes", "trials", "low", "high"])
for k, n in [(0, 10), (1, 10), (10, 10), (10, 50), (81, 263), (720, 720), (5, 3600), (0, 1), (1800, 3600)]:
    ci = binomtest(k, n).proportion_ci(confidence_level=0.95, method="wilson")
    w.writerow([k, n, repr(float(ci.low)), repr(float(ci.high))])
