"""Reads the CSV of the `import-csv` bench as a person with pandas would: read, parse times, scale to raw counts.

Usage: read_csv.py FILE FORMAT    prints the rows and the seconds taken, without starting Python and importing pandas, and
the most memory that the process had, in MiB
"""

import resource
import sys
import time

import pandas as pd

began = time.perf_counter()
frame = pd.read_csv(sys.argv[1], sep=";", decimal=",", skiprows=[0, 2])
when = pd.to_datetime(frame["Date"], format=sys.argv[2])
frame["time"] = when.astype("int64") // (10**9 if when.dtype == "datetime64[ns]" else 1)
for name in ("F", "R"):
    frame[name] = (frame[name] * 1000).round().astype("int64")
taken = time.perf_counter() - began
print(len(frame), taken, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
